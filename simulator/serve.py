"""The plant on the network, always stamped with plant time, and the pace of that time.

Errors: OSError naming a port that cannot be opened, ValueError for arguments that do not fit, and
StillRunning when a step is asked for while time runs by itself.
"""

import asyncio
import logging
import math
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, fields
from types import TracebackType
from typing import Self

from pymodbus import FramerType
from pymodbus.server import ModbusTcpServer

from simulator.links import Links, Sample
from simulator.modbus import Registers, free_port, opened
from simulator.opcua import OpcuaLink
from simulator.site import Site
from simulator.tls import Certificates

LEAST_SPEED = 1.0
MOST_SPEED = 100_000.0


class StillRunning(RuntimeError):
    """A step was asked for while plant time runs by itself."""


@dataclass(frozen=True)
class Ports:
    """TCP ports of a served plant: 0 for a free one, None for not served."""

    modbus: int = 0
    opcua: int = 0
    modbus_rtu: int | None = None
    modbus_tls: int | None = None
    opcua_secure: int | None = None
    control: int | None = None

    def __str__(self) -> str:
        given = ((field.name, getattr(self, field.name)) for field in fields(self))
        return " ".join(f"{name}={port}" for name, port in given if port is not None)


@dataclass(frozen=True)
class Achieved:
    """How a served run went."""

    plant_s: float
    real_s: float
    ticks: int

    @property
    def speed(self) -> float:
        """Plant seconds for each real second."""
        return self.plant_s / self.real_s if self.real_s > 0.0 else 0.0

    def __str__(self) -> str:
        spacing = self.plant_s / self.ticks if self.ticks else 0.0
        return (
            f"achieved speed {self.speed:.0f}x: {self.plant_s / 86400.0:.2f} plant days in "
            f"{self.real_s:.1f} s, one set of readings each {spacing:.0f} plant seconds"
        )


class Served:
    """All trains of a site served on its protocols while the context is open.

    Clients can only read. `bad` holds tags whose transmitter is to look failed: Bad status on
    OPC UA, NaN on Modbus. `ports` has the real ones once it is open.

    certificates : needed for `ports.modbus_tls` and `ports.opcua_secure`.
    """

    def __init__(
        self,
        site: Site,
        *,
        speed: float = 1.0,
        ports: Ports | None = None,
        certificates: Certificates | None = None,
        host: str = "127.0.0.1",
        tick_s: float = 0.03,
    ):
        self._check(speed)
        asked = ports or Ports()
        secure = asked.modbus_tls is not None or asked.opcua_secure is not None
        if secure and certificates is None:
            raise ValueError("a secure port needs certificates: name a folder for them")
        self.site = site
        self.host = host
        self.ports = Ports(
            *(
                free_port(host) if port == 0 else port
                for port in (getattr(asked, field.name) for field in fields(asked))
            )
        )
        self.tick_s = tick_s
        self.bad: set[str] = set()
        self._speed = speed
        self._certificates = certificates
        self.links = Links(site)
        self._registers = Registers(site, self.links)
        self._modbus: list[ModbusTcpServer] = []
        self._opcua: list[OpcuaLink] = []
        self._moving = asyncio.Lock()  # held while the plant goes from one instant to the next
        self._running = asyncio.Event()
        self._running.set()
        self._anchor_s, self._anchor = site.now_s, time.monotonic()
        self._stepped_s = 0.0
        self._is_open = False

    @staticmethod
    def _check(speed: float) -> None:
        if not LEAST_SPEED <= speed <= MOST_SPEED:
            raise ValueError(f"speed must be {LEAST_SPEED:g} to {MOST_SPEED:g}, got {speed!r}")

    async def __aenter__(self) -> Self:
        self._take()
        try:
            await self._open_modbus()
            await self._open_opcua()
        except BaseException:
            await self.close()
            raise
        self._is_open = True
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()

    async def close(self) -> None:
        """Close all servers; safe to call twice."""
        self._is_open = False
        await self._close_modbus()
        await self._close_opcua()

    async def _close_modbus(self) -> None:
        servers, self._modbus = self._modbus, []
        for server in servers:
            await server.shutdown()  # type: ignore[no-untyped-call]

    async def _close_opcua(self) -> None:
        links, self._opcua = self._opcua, []
        for link in links:
            await link.close()

    async def _open_modbus(self) -> None:
        at, ports = (self._registers, self.host), self.ports
        self._modbus.append(await opened(*at, ports.modbus))
        if ports.modbus_rtu is not None:
            rtu = FramerType.RTU
            self._modbus.append(await opened(*at, ports.modbus_rtu, name="modbus-rtu", framer=rtu))
        files = self._certificates
        if ports.modbus_tls is not None and files is not None:
            tls = files.server_context()
            self._modbus.append(await opened(*at, ports.modbus_tls, name="modbus-tls", tls=tls))

    async def _open_opcua(self) -> None:
        asked = (
            ("opcua", self.ports.opcua, None),
            ("opcua-secure", self.ports.opcua_secure, self._certificates),
        )
        for name, port, files in asked:
            if port is None:
                continue
            link = OpcuaLink(self.site, self.host, port, files)
            link.hush(self.links.active("silent", "opcua") is not None)
            await link.open(name)
            self._opcua.append(link)
            await link.write(self.links.shown("opcua"))

    async def relink(self) -> None:
        """Show what the links make of the plant now, and open or close servers as they say."""
        async with self._moving:
            await self._show(self.site.now_s)
            await self._listen()

    async def _listen(self) -> None:
        """Open or close servers as the links say."""
        if not self._is_open:
            return
        if self.links.active("down", "modbus"):
            await self._close_modbus()
        elif not self._modbus:
            await self._open_modbus()
        if self.links.active("down", "opcua"):
            await self._close_opcua()
        elif not self._opcua:
            await self._open_opcua()
        for link in self._opcua:
            link.hush(self.links.active("silent", "opcua") is not None)

    @property
    def speed(self) -> float:
        """Plant seconds for each real second, when time runs."""
        return self._speed

    @property
    def paused(self) -> bool:
        """Whether plant time stands still."""
        return not self._running.is_set()

    async def set_speed(self, speed: float) -> None:
        """From now on, let time run at another speed."""
        self._check(speed)
        async with self._moving:
            self._speed = speed
            self._anchor_s, self._anchor = self.site.now_s, time.monotonic()

    async def pause(self) -> None:
        """Let plant time stand still; it does when this returns."""
        self._running.clear()
        async with self._moving:
            return

    async def resume(self) -> None:
        """Let plant time run on from where it stands."""
        async with self._moving:
            if self.paused:
                self._anchor_s, self._anchor = self.site.now_s, time.monotonic()
                self._running.set()

    async def step(self, seconds: float) -> None:
        """Bring a paused plant forward; a train that cannot run there trips."""
        async with self._moving:
            if not self.paused:
                raise StillRunning("plant time runs by itself; pause first, then step")
            await self._show(self.site.now_s + seconds)
            self._stepped_s += seconds

    async def refresh(self) -> None:
        """Show what the plant reads now, after a change that time did not make."""
        async with self._moving:
            await self._show(self.site.now_s)

    async def tick(self, to_s: float) -> None:
        """Bring the plant to a time and show its readings."""
        async with self._moving:
            await self._show(to_s)

    def _take(self) -> None:
        raw = dict.fromkeys(self.bad, math.nan)
        self.links.taken(Sample(self.site.now_s, self.site.readings(), raw))
        self._registers.fill()

    async def _show(self, to_s: float) -> None:
        self.site.advance(to_s)
        changed = self.links.follow(self.site.now_s)
        self._take()
        if changed:
            await self._listen()
        shown = self.links.shown("opcua")
        for link in self._opcua:
            await link.write(shown)

    async def _next(self, until_s: float | None) -> bool:
        """One tick to where time should be by now; False when it was paused meanwhile."""
        async with self._moving:
            if self.paused:
                return False
            target = self._anchor_s + (time.monotonic() - self._anchor) * self._speed
            if until_s is not None:
                target = min(target, until_s)
            await self._show(max(target, self.site.now_s))
            return True

    async def run(self, stop: asyncio.Event, until_s: float | None = None) -> Achieved:
        """Let plant time run `speed` times as fast as real time until `stop`, or a plant time.

        A tick that comes late covers more plant time, so the speed holds and the readings get
        sparser; what was reached, pauses and steps left out, is returned.
        """
        began_s, began = self.site.now_s - self._stepped_s, time.monotonic()
        self._anchor_s, self._anchor = self.site.now_s, began
        due, ticks = began, 0
        while not stop.is_set():
            if self.paused:
                since = time.monotonic()
                await _either(stop, self._running)
                began += time.monotonic() - since
                due = time.monotonic()
                continue
            ticks += await self._next(until_s)
            if until_s is not None and self.site.now_s >= until_s:
                break
            due += self.tick_s
            # Even a slow machine must leave the loop some time to answer its clients.
            pause = max(due - time.monotonic(), 0.15 * self.tick_s)
            try:
                async with asyncio.timeout(pause):
                    await stop.wait()
            except TimeoutError:
                continue
        ran_s = self.site.now_s - self._stepped_s - began_s
        return Achieved(ran_s, time.monotonic() - began, ticks)


async def _either(one: asyncio.Event, other: asyncio.Event) -> None:
    """Wait until one of two events is set."""
    waits = [asyncio.create_task(event.wait(), name="either") for event in (one, other)]
    try:
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for wait in waits:
            wait.cancel()
        await asyncio.gather(*waits, return_exceptions=True)


async def serve(
    site: Site,
    *,
    speed: float = 1.0,
    ports: Ports | None = None,
    certificates: Certificates | None = None,
    paused: bool = False,
    stop: asyncio.Event,
    on_ready: Callable[[Served], None] | None = None,
    until_s: float | None = None,
) -> Achieved:
    """Serve a site until `stop` is set or the plant reaches a time; `on_ready` gets the ports.

    paused : plant time stands still at first; a control port or the caller lets it go on.
    """
    # The libraries log whatever a client does, and log with a trace what they also raise.
    for name in ("pymodbus", "asyncua", "asyncuagds"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    async with Served(site, speed=speed, ports=ports, certificates=certificates) as served:
        if paused:
            await served.pause()
        async with _controlled(served):
            if on_ready is not None:
                on_ready(served)
            return await served.run(stop, until_s)


@asynccontextmanager
async def _controlled(served: Served) -> AsyncIterator[None]:
    """With the HTTP interface of a served plant open, when it has a port for it."""
    if served.ports.control is None:
        yield
        return
    from simulator.remote import opened as control_opened  # the web framework takes its time

    async with control_opened(served, served.ports.control):
        yield
