"""The web server of the page as a part of the service."""

import asyncio
import contextlib
import os
import socket
from collections.abc import Iterator

import uvicorn
from fastapi import FastAPI


class PageUnusable(Exception):
    """The page cannot be served at its address; the text says why and what would do."""


class PageServer(uvicorn.Server):
    """Serves an application until cancelled; signals stay with the service.

    Takes its port at once, so that one in use is found before anything runs.

    host, port : where to listen; port 0 takes a free one.
    """

    def __init__(self, app: FastAPI, host: str, port: int) -> None:
        super().__init__(uvicorn.Config(app, log_level="warning", lifespan="off", access_log=False))
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        try:
            self._socket = socket.create_server((host, port), family=family)
        except OSError as error:
            reason = os.strerror(error.errno) if error.errno else str(error)
            raise PageUnusable(
                f"page: cannot listen on {host} port {port} ({reason});"
                " choose another [page] port, or 0 for a free one"
            ) from error
        shown = f"[{host}]" if ":" in host else host
        self.address = f"http://{shown}:{self._socket.getsockname()[1]}/"

    def close(self) -> None:
        """Give the port back; safe to call twice."""
        self._socket.close()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals belong to the whole service."""
        yield

    async def run_part(self) -> None:
        """Serve until cancelled, then end the open connections."""
        serving = asyncio.create_task(self.serve([self._socket]), name="page server")
        try:
            await asyncio.shield(serving)
        except asyncio.CancelledError:
            self.should_exit = True
            self.force_exit = True
            await serving
            raise
