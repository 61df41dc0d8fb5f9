"""A Modbus TCP server that does exactly what a test tells it to, however wrong."""

import asyncio
import struct
from collections.abc import Awaitable, Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Request:
    """One read request as it came: the bytes are those of Modbus Messaging on TCP/IP V1.0b, 3.1."""

    raw: bytes
    connection: int

    @property
    def unit(self) -> int:
        return self.raw[6]

    @property
    def function(self) -> int:
        return self.raw[7]

    @property
    def start(self) -> int:
        return int.from_bytes(self.raw[8:10], "big")

    @property
    def count(self) -> int:
        return int.from_bytes(self.raw[10:12], "big")

    def frame(
        self, pdu: bytes, *, transaction: int | None = None, unit: int | None = None
    ) -> bytes:
        """The reply `pdu` behind this request's header, or behind a wrong one."""
        tid = int.from_bytes(self.raw[:2], "big") if transaction is None else transaction
        return struct.pack(">HHHB", tid, 0, len(pdu) + 1, self.unit if unit is None else unit) + pdu

    def words(self, words: list[int], function: int | None = None) -> bytes:
        """A reply with these registers, whatever was asked."""
        pdu = bytes([self.function if function is None else function, 2 * len(words)])
        return self.frame(pdu + struct.pack(f">{len(words)}H", *words))

    def refusal(self, code: int) -> bytes:
        """An exception reply."""
        return self.frame(bytes([self.function | 0x80, code]))

    def of(self, registers: dict[int, int]) -> bytes:
        """The right answer from these registers, 0 where there is none."""
        return self.words([registers.get(self.start + i, 0) for i in range(self.count)])


Behavior = Callable[[Request, asyncio.StreamWriter], Awaitable[bytes | None]]


class Hostile:
    """Calls `behavior` for each request and sends what it returns; None sends nothing."""

    def __init__(self, behavior: Behavior) -> None:
        self.behavior = behavior
        self.connections = 0
        self.requests: list[Request] = []
        self.port = 0
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> "Hostile":
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.connections += 1
        number = self.connections
        try:
            while True:
                request = Request(await reader.readexactly(12), number)
                self.requests.append(request)
                answer = await self.behavior(request, writer)
                if answer is not None:
                    writer.write(answer)
                    await writer.drain()
                if writer.is_closing():
                    return
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass
        finally:
            self._tasks.discard(task)
            writer.close()
