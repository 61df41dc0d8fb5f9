"""The panel of a served plant over HTTP, on this machine only."""

import asyncio
import contextlib
import json
import socket
from collections.abc import AsyncIterator, Iterator, Mapping
from typing import Any

import uvicorn
from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from starlette.middleware.trustedhost import TrustedHostMiddleware

from simulator.control import Control, Refused
from simulator.handheld import Meter, NoReading
from simulator.modbus import not_opened
from simulator.serve import Served

HOST = "127.0.0.1"
BODY_BYTES = 10_000
YES = {"yes": True, "no": False}
TAKES = {
    "pause": (),
    "resume": (),
    "step": ("seconds",),
    "speed": ("speed",),
    "clear": ("number",),
    "mend": ("number",),
    "restart": ("train",),
}
"""Keys that each action takes; those of `fault` are the keys of a fault in a scenario, those of `link`
stand in `simulator.links.TAKES`."""

KNOWN = (
    "GET /state, GET /handheld, POST /pause, /resume, /step, /speed, /fault, /clear, /restart, "
    "/link, /mend"
)


def create_app(control: Control) -> FastAPI:
    """The interface, `KNOWN`."""
    app = FastAPI(title="Invented RO plant", docs_url=None, redoc_url=None, openapi_url=None)
    # A page of another site that has its name point at this machine is not let in.
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=[HOST, "localhost"])

    async def refused(request: Request, exc: Exception) -> JSONResponse:
        return JSONResponse({"error": str(exc)}, status_code=422)

    app.add_exception_handler(Refused, refused)
    app.add_exception_handler(NoReading, refused)

    async def missing(request: Request, exc: Exception) -> JSONResponse:
        return JSONResponse(
            {
                "error": f"{request.method} {request.url.path}: there is no such thing; "
                f"known are {KNOWN}"
            },
            status_code=404,
        )

    app.add_exception_handler(404, missing)
    app.add_exception_handler(405, missing)

    @app.get("/state")
    async def state(request: Request) -> dict[str, Any]:
        asked = _query(request, ("truth",))
        return control.state(truth=_yes(asked))

    @app.get("/handheld")
    async def handheld(request: Request) -> dict[str, Any]:
        known = (
            "train",
            "vessel",
            "depth_mm",
            "every_mm",
            "stage",
            "meter",
            "compensation",
            "truth",
        )
        asked = _query(request, known)
        every = asked.get("every_mm")
        depths = tuple(_real("depth_mm", d) for d in request.query_params.getlist("depth_mm"))
        stage = asked.get("stage")
        readings = control.read(
            train=asked.get("train", ""),
            vessel=asked.get("vessel"),
            depths_mm=depths,
            every_mm=None if every is None else _real("every_mm", every),
            stage=None if stage is None else _whole("stage", stage),
            meter=Meter(
                _whole("meter", asked.get("meter", "1")), asked.get("compensation", "linear")
            ),
            truth=_yes(asked),
        )
        return {"readings": readings}

    @app.post("/fault")
    async def fault(request: Request) -> dict[str, Any]:
        number = await control.inject(await _body(request))
        return {"number": number, **control.state()}

    @app.post("/link")
    async def link(request: Request) -> dict[str, Any]:
        number = await control.spoil(await _body(request))
        return {"number": number, **control.state()}

    @app.post("/{action}")
    async def act(request: Request, action: str) -> Any:
        if action not in TAKES:
            return await missing(request, Refused(action))
        body = await _body(request)
        for name in body:
            if name not in TAKES[action]:
                takes = ", ".join(TAKES[action]) or "nothing"
                raise Refused(f'{action}: unknown key "{name}"; it takes {takes}')
        cleared: dict[str, Any] = {}
        if action == "pause":
            await control.pause()
        elif action == "resume":
            await control.resume()
        elif action == "step":
            await control.step(body.get("seconds"))
        elif action == "speed":
            await control.set_speed(body.get("speed"))
        elif action == "restart":
            await control.restart(body.get("train"))
        elif action == "mend":
            cleared = {"mended": await control.mend(body.get("number"))}
        else:
            cleared = {"cleared": await control.clear(body.get("number"))}
        return {**cleared, **control.state()}

    return app


def _query(request: Request, known: tuple[str, ...]) -> dict[str, str]:
    for name in request.query_params:
        if name not in known:
            raise Refused(f'{request.url.path}: unknown key "{name}"; known: {", ".join(known)}')
    return dict(request.query_params)


def _yes(asked: Mapping[str, str]) -> bool:
    word = asked.get("truth", "no")
    if word not in YES:
        raise Refused(f"truth is {word!r}; write yes or no")
    return YES[word]


def _real(name: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise Refused(f"{name} is {text!r}; give a number") from None


def _whole(name: str, text: str) -> int:
    if not (text.isascii() and text.isdecimal()):
        raise Refused(f"{name} is {text!r}; give a whole number")
    return int(text)


async def _body(request: Request) -> dict[str, Any]:
    """The JSON object of a request; an empty body is an empty one."""
    # Browsers send other sites' forms without asking, but never with this type.
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if kind != "application/json":
        raise Refused(f"content type {kind!r}; send JSON as application/json")
    text = b""
    async for piece in request.stream():
        text += piece
        if len(text) > BODY_BYTES:
            raise Refused(f"the body has more than {BODY_BYTES} bytes; send one JSON object")
    try:
        body = json.loads(text or b"{}")
    except ValueError as exc:
        raise Refused(f"the body is not JSON: {exc}") from exc
    if not isinstance(body, dict):
        raise Refused('the body must be one JSON object, as in {} or {"seconds": 3600}')
    return body


class _Panel(uvicorn.Server):
    """Serves until told to end; signals stay with the simulator."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals belong to the whole simulator."""
        yield


@contextlib.asynccontextmanager
async def opened(served: Served, port: int) -> AsyncIterator[None]:
    """The panel of a served plant on a port (not 0) of this machine, while the context is open."""
    app = create_app(Control(served))
    config = uvicorn.Config(app, log_level="critical", lifespan="off", access_log=False)
    panel = _Panel(config)
    try:
        listener = socket.create_server((HOST, port))
    except OSError as exc:
        raise not_opened("control", port, exc.errno) from exc
    serving = asyncio.create_task(panel.serve([listener]), name="control")
    try:
        yield
    finally:
        panel.should_exit = panel.force_exit = True
        await serving
        listener.close()
