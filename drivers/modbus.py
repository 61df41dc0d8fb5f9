"""Modbus TCP: one connection, one request at a time, every answer checked before it is believed."""

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from drivers import registers
from drivers.link import Backoff, scaled, stamp
from drivers.protocol import (
    BadSource,
    Device,
    LinkDown,
    ModbusAddress,
    Point,
    Quality,
    Reading,
    Table,
)
from drivers.registers import Block

MERGE_AGAIN_S = 600.0
"""After a refused request was split, how long until the whole is tried again. [s]"""
SPARE_S = 0.5
"""Our deadline stands this far behind the library's own, so that it fires only when that fails. [s]"""

_FUNCTIONS: dict[Table, int] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
_EXCEPTIONS = {
    1: "it does not offer this function",
    2: "it has no such address",
    3: "it does not accept this request",
    4: "it failed while answering",
    5: "it needs longer",
    6: "it is busy",
    8: "its memory has a parity error",
    10: "the gateway has no path to it",
    11: "it did not answer the gateway",
}
"""Source: Modbus Application Protocol V1.1b3, section 7, in our words."""
_PER_ADDRESS = (2, 3, 4)  # 4: some servers give it for an address they do not have
_BEHIND_GATEWAY = (10, 11)


class _Lost(Exception):
    """No usable answer: this connection is finished."""


@dataclass(frozen=True, slots=True)
class _Refused:
    """The device answered, but not with the values."""

    why: str
    split: bool  # asking for less may help
    silent: bool = False  # only a gateway answered, for a device that did not


@dataclass(slots=True)
class _Split:
    """A request that was refused as a whole, and the smaller ones that replace it."""

    until: float
    pieces: tuple[Block, ...]


class _Connection:
    """One client object, for one life of the connection; never used again after a failure.

    The library leaves a request waiting when the peer hangs up, so `lost` watches for that.
    """

    def __init__(self, device: Device) -> None:
        self._device = device
        self._lost: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._client = AsyncModbusTcpClient(
            device.host,
            port=device.port,
            framer=FramerType.SOCKET,
            name=device.id,
            timeout=device.timeout_s,
            retries=0,
            reconnect_delay=0,  # the library's own reconnecting has no jitter and resets too early
            trace_connect=self._trace,
        )

    def _trace(self, up: bool) -> None:
        if not up and not self._lost.done():
            self._lost.set_result(None)

    @property
    def alive(self) -> bool:
        return self._client.connected and not self._lost.done()

    async def open(self) -> None:
        where = f"{self._device.host}:{self._device.port}"
        try:
            async with asyncio.timeout(self._device.timeout_s + SPARE_S):
                connected = await self._client.connect()
        except TimeoutError as exc:
            raise _Lost(f"no connection to {where} within {self._device.timeout_s:g} s") from exc
        if not connected:
            raise _Lost(f"no connection to {where}; is it switched on, and is the port right?")

    async def ask(self, block: Block) -> ModbusPDU:
        where = f"{self._device.host}:{self._device.port}"
        calls: dict[Table, Callable[..., Awaitable[ModbusPDU]]] = {
            "holding": self._client.read_holding_registers,
            "input": self._client.read_input_registers,
            "coil": self._client.read_coils,
            "discrete": self._client.read_discrete_inputs,
        }

        async def call() -> ModbusPDU:
            # when not connected the library raises here, before there is anything to await
            return await calls[block.table](
                block.start, count=block.count, device_id=self._device.unit_id
            )

        request = asyncio.create_task(call(), name=f"modbus {self._device.id}")
        either: set[asyncio.Future[Any]] = {request, self._lost}
        try:
            await asyncio.wait(
                either,
                timeout=self._device.timeout_s + SPARE_S,
                return_when=asyncio.FIRST_COMPLETED,
            )
            if request.done():
                return request.result()
        except (ModbusException, OSError) as exc:
            if not self._lost.done():
                raise _Lost(f"no answer from {where} within {self._device.timeout_s:g} s") from exc
        finally:
            if not request.done():
                request.cancel()
                await asyncio.wait({request})
        if self._lost.done():
            raise _Lost(f"{where} closed the connection, or sent what is not Modbus")
        raise _Lost(f"no answer from {where} within {self._device.timeout_s:g} s")

    def close(self) -> None:
        self._trace(False)
        self._client.close()


class ModbusTcp:
    """`drivers.protocol.Driver` for a Modbus TCP server.

    Adjacent registers are read together. When the device refuses such a request, its points are
    read one by one, so that only the bad one is BAD; the good ones are joined again where they
    touch, and after `MERGE_AGAIN_S` the whole is tried again.

    When a later request of the same poll gets no answer, the points already read are kept and
    the rest is BAD; the silent request goes last in the next poll, so that it costs only itself.
    """

    def __init__(
        self,
        device: Device,
        *,
        backoff: Backoff | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        if device.clock is not None:
            if not isinstance(device.clock, ModbusAddress):
                raise BadSource(f"{device.id}: the clock of a Modbus device must be a register")
            if wrong := registers.problem(device.clock):
                raise BadSource(f"{device.id}: clock register: {wrong}")
        self.device = device
        self.requests = 0
        self._backoff = backoff or Backoff()
        self._monotonic = monotonic
        self._lock = asyncio.Lock()
        self._connection: _Connection | None = None
        self._closed = False
        self._points: tuple[Point, ...] = ()
        self._addresses: dict[int, ModbusAddress] = {}
        self._wrong: dict[int, str] = {}
        self._blocks: tuple[Block, ...] = ()
        self._splits: dict[Block, _Split] = {}
        self._silent: set[Block] = set()
        # the library logs each late or missing answer as an error; we report these ourselves
        log = logging.getLogger("pymodbus")
        if log.level == logging.NOTSET:
            log.setLevel(logging.CRITICAL)

    @property
    def connected(self) -> bool:
        """Whether there is a connection that has not been seen to end."""
        return self._connection is not None and self._connection.alive

    async def read(self, points: Sequence[Point]) -> list[Reading]:
        """One Reading for each Point, in order; see `drivers.protocol.Driver.read`."""
        async with self._lock:
            if not points:
                return []
            if self._closed:
                raise LinkDown(f"{self.device.id}: the driver is closed")
            self._prepare(tuple(points))
            if not self._blocks:
                return self._readings({})
            if text := self._backoff.waiting():
                raise LinkDown(f"{self.device.id}: {text}")
            try:
                results = await self._poll()
            except _Lost as exc:
                self._drop()
                raise LinkDown(f"{self.device.id}: {self._backoff.failed(str(exc))}") from exc
            except BaseException:
                self._drop()  # cancelled in the middle of a request: its answer may still come
                raise
            self._backoff.worked()
            return self._readings(results)

    async def close(self) -> None:
        """Close the connection; safe to call twice."""
        self._closed = True
        if self._connection is not None:
            self._connection.close()  # ends a request that is still waiting
        async with self._lock:
            self._drop()
        await asyncio.sleep(0)  # the transport closes in the next round of the loop

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def _prepare(self, points: tuple[Point, ...]) -> None:
        if points == self._points:
            return
        addresses: dict[int, ModbusAddress] = {}
        wrong: dict[int, str] = {}
        for index, point in enumerate(points):
            if not isinstance(point.address, ModbusAddress):
                raise TypeError(
                    f"{point.tag}: {self.device.id} reads registers, not {point.address}"
                )
            if text := registers.problem(point.address):
                wrong[index] = text
            else:
                addresses[index] = point.address
        if isinstance(self.device.clock, ModbusAddress) and addresses:
            addresses[len(points)] = self.device.clock
        self._points, self._addresses, self._wrong = points, addresses, wrong
        self._blocks = registers.plan(addresses)
        self._splits.clear()
        self._silent.clear()

    async def _poll(self) -> dict[int, tuple[float | None, str]]:
        """Value or reason by index; raises _Lost when nothing at all was answered."""
        if self._connection is None or not self._connection.alive:
            self._drop()
            self._connection = _Connection(self.device)
            await self._connection.open()
        poll = _Poll(self._work())
        while poll.queue:
            root, block = poll.queue.pop(0)
            try:
                answer = await self._ask(self._connection, block)
            except _Lost as exc:
                self._silent.add(block)
                if not poll.answered:
                    raise
                self._drop()
                poll.broken = True
                poll.fail([block, *(b for _, b in poll.queue)], f"{exc}; read the others first")
                break
            if isinstance(answer, _Refused) and answer.split and len(block.members) > 1:
                poll.split(root, registers.singles(block, self._addresses))
                continue
            if isinstance(answer, _Refused):
                poll.refused.update(block.members)
                poll.fail([block], answer.why)
                poll.behind = answer if answer.silent else poll.behind
                poll.answered |= not answer.silent
                continue
            poll.answered = True
            self._silent.discard(block)
            for index in block.members:
                address = self._addresses[index]
                raw = registers.decode(address, block, answer)
                poll.results[index] = scaled(raw, address.scale, address.offset)
        if not poll.answered and poll.behind is not None:
            raise _Lost(poll.behind.why)
        self._remember(poll)
        return poll.results

    def _work(self) -> list[tuple[Block, Block]]:
        now = self._monotonic()
        self._splits = {root: s for root, s in self._splits.items() if now < s.until}
        work = [
            (root, piece)
            for root in self._blocks
            for piece in (self._splits[root].pieces if root in self._splits else (root,))
        ]
        return sorted(work, key=lambda item: item[1] in self._silent)

    def _remember(self, poll: "_Poll") -> None:
        for root in poll.roots_split:
            parts = registers.singles(root, self._addresses)
            if root not in self._splits and not poll.broken:
                good = {i: self._addresses[i] for i in root.members if i not in poll.refused}
                bad = [part for part in parts if part.members[0] in poll.refused]
                parts = (*registers.plan(good, gap_registers=0, gap_bits=0), *bad)
            self._splits[root] = _Split(self._monotonic() + MERGE_AGAIN_S, parts)

    async def _ask(self, connection: _Connection, block: Block) -> list[int] | _Refused:
        self.requests += 1
        reply = await connection.ask(block)
        function = _FUNCTIONS[block.table]
        last = block.start + block.count - 1
        what = f"{block.table} {block.start}" + (f" to {last}" if block.count > 1 else "")
        if reply.function_code == function | 0x80:
            code = reply.exception_code
            meaning = _EXCEPTIONS.get(code, "it does not say why")
            return _Refused(
                f"{what}: the device answers exception {code}: {meaning}",
                split=code in _PER_ADDRESS,
                silent=code in _BEHIND_GATEWAY,
            )
        if reply.function_code != function or reply.isError():
            raise _Lost(
                f"{what}: asked with function {function}, answered with {reply.function_code}"
            )
        words: list[int]
        if function in (1, 2):
            words = [int(bit) for bit in reply.bits]
            expected = (block.count + 7) // 8 * 8  # whole bytes, the rest filled with zeros
        else:
            words = list(reply.registers)
            expected = block.count
        if len(words) != expected:
            # seen from a real server for an address it does not have
            return _Refused(f"{what}: asked for {expected}, the device sent {len(words)}", True)
        return words

    def _readings(self, results: dict[int, tuple[float | None, str]]) -> list[Reading]:
        source_at, doubt = self._clock(results)
        readings = []
        for index, point in enumerate(self._points):
            if index in self._wrong:
                value, reason = None, self._wrong[index]
            else:
                value, reason = results[index]
            if value is None:
                readings.append(Reading(point.tag, None, Quality.BAD, source_at, reason))
            elif doubt:
                readings.append(Reading(point.tag, value, Quality.UNCERTAIN, None, doubt))
            else:
                readings.append(Reading(point.tag, value, Quality.GOOD, source_at))
        return readings

    def _clock(self, results: dict[int, tuple[float | None, str]]) -> tuple[datetime | None, str]:
        """The device's time, and why it cannot be believed."""
        if self.device.clock is None or len(self._points) not in results:
            return None, ""
        time_s, reason = results[len(self._points)]
        if time_s is None:
            return None, f"clock of the device: {reason}"
        at = stamp(time_s)
        if at is None:
            return (
                None,
                f"clock of the device: {time_s:g} s since 1970 is no time from 2000 to 2100",
            )
        return at, ""


class _Poll:
    """One pass over the plan: what is still to ask, and what came."""

    def __init__(self, queue: list[tuple[Block, Block]]) -> None:
        self.queue = queue
        self.results: dict[int, tuple[float | None, str]] = {}
        self.refused: set[int] = set()
        self.roots_split: list[Block] = []
        self.answered = False
        self.broken = False
        self.behind: _Refused | None = None

    def split(self, root: Block, parts: Sequence[Block]) -> None:
        """Ask for the parts next instead."""
        self.answered = True
        self.queue[:0] = [(root, part) for part in parts]
        if root not in self.roots_split:
            self.roots_split.append(root)

    def fail(self, blocks: Sequence[Block], why: str) -> None:
        """No value for these, and why."""
        for block in blocks:
            for index in block.members:
                self.results[index] = (None, why)
