"""The plant on the network: Modbus TCP and OPC UA at once, both stamped with plant time."""

import asyncio
import errno
import logging
import math
import socket
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC
from types import TracebackType
from typing import Self

from asyncua import ua
from asyncua.server.server import Server
from asyncua.ua.status_codes import StatusCodes
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from simulator.instruments import PER_SI
from simulator.plant import TRAIN, Plant
from simulator.plantfile import (
    CLOCK_REGISTER,
    FIRST_REGISTER,
    NAMESPACE,
    STATUS_REGISTER,
    UNIT_ID,
    places,
)

LEAST_SPEED = 1.0
MOST_SPEED = 100_000.0
READ_CODES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


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


def free_port(host: str) -> int:
    """A TCP port that nobody uses at this moment."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def _node_id(name: str, namespace: int) -> ua.NodeId:
    return ua.NodeId(ua.String(name), ua.Int16(namespace))


class Served:
    """A plant served on both protocols while the context is open.

    Clients can only read. `bad` holds tags whose transmitter is to look failed: Bad status on
    OPC UA, NaN on Modbus. `modbus_port` and `opcua_port` are the real ones once it is open.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        speed: float = 1.0,
        modbus_port: int = 0,
        opcua_port: int = 0,
        host: str = "127.0.0.1",
        tick_s: float = 0.03,
    ):
        if not LEAST_SPEED <= speed <= MOST_SPEED:
            raise ValueError(f"speed must be {LEAST_SPEED:g} to {MOST_SPEED:g}, got {speed!r}")
        self.plant = plant
        self.speed = speed
        self.host = host
        self.modbus_port = modbus_port
        self.opcua_port = opcua_port
        self.tick_s = tick_s
        self.bad: set[str] = set()
        self._places = places(plant)
        self._instruments = {i.signal: i for i in plant.instruments}
        numeric = sum(1 for i in plant.instruments if not i.status)
        self._words = [0] * (FIRST_REGISTER + 2 * numeric)
        self._bits = [0]
        self._modbus: ModbusTcpServer | None = None
        self._opcua: Server | None = None
        self._nodes: dict[str, ua.NodeId] = {}

    async def __aenter__(self) -> Self:
        self._fill_words(self.plant.readings())
        try:
            await self._open_modbus()
            await self._open_opcua()
        except BaseException:
            await self.close()
            raise
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()

    async def close(self) -> None:
        """Close both servers; safe to call twice."""
        modbus, self._modbus = self._modbus, None
        opcua, self._opcua = self._opcua, None
        if modbus is not None:
            await modbus.shutdown()  # type: ignore[no-untyped-call]
        if opcua is not None:
            await opcua.stop()

    async def _open_modbus(self) -> None:
        async def answer(
            code: int,
            start: int,
            address: int,
            count: int,
            registers: list[int],
            new_values: list[int] | list[bool] | None,
        ) -> ExcCodes | None:
            if new_values is not None or code not in READ_CODES:
                return ExcCodes.ILLEGAL_FUNCTION  # this plant can be read, not written
            bits = READ_CODES[code] in ("coil", "discrete")
            registers[:] = self._bits if bits else self._words
            return None

        def block(words: list[int]) -> list[SimData]:
            return [SimData(0, values=list(words), datatype=DataType.REGISTERS)]

        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        device = SimDevice(
            id=UNIT_ID,
            action=answer,
            simdata=(bits, list(bits), block(self._words), block(self._words)),
        )
        if self.modbus_port == 0:
            self.modbus_port = free_port(self.host)
        server = ModbusTcpServer([device], address=(self.host, self.modbus_port))
        try:
            await server.serve_forever(background=True)
        except RuntimeError as exc:
            # The library reports a port that it cannot have without saying which.
            raise OSError(
                errno.EADDRINUSE,
                "the port cannot be opened; it may be in use: give another or 0 for a free one",
                f"modbus port {self.modbus_port}",
            ) from exc
        self._modbus = server

    async def _open_opcua(self) -> None:
        if self.opcua_port == 0:
            self.opcua_port = free_port(self.host)
        server = Server()
        await server.init()
        server.set_endpoint(f"opc.tcp://{self.host}:{self.opcua_port}/")
        server.set_server_name("Invented RO plant")
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        index = await server.register_namespace(NAMESPACE)
        folder = await server.nodes.objects.add_object(_node_id(TRAIN, index), f"{index}:{TRAIN}")
        for instrument in self.plant.instruments:
            tag = f"{TRAIN}/{instrument.signal}"
            kind = ua.VariantType.Boolean if instrument.status else ua.VariantType.Double
            first = False if instrument.status else 0.0
            variable = await folder.add_variable(
                _node_id(tag, index), f"{index}:{tag}", first, kind
            )
            self._nodes[tag] = variable.nodeid
        try:
            await server.start()
        except OSError as exc:
            raise OSError(
                exc.errno,
                "the port cannot be opened; it may be in use: give another or 0 for a free one",
                f"opcua port {self.opcua_port}",
            ) from exc
        self._opcua = server
        await self._write_opcua(self.plant.readings())

    def _edge(self, tag: str, value: float) -> float:
        """The value in the unit that the transmitter is configured for; NaN when it failed."""
        if tag in self.bad:
            return math.nan
        return value * PER_SI[self._instruments[tag.partition("/")[2]].unit]

    def _fill_words(self, readings: dict[str, float]) -> None:
        words = self._words
        words[CLOCK_REGISTER : CLOCK_REGISTER + 4] = struct.unpack(
            ">4H", struct.pack(">d", self.plant.now_s)
        )
        status = 0
        for tag, value in readings.items():
            place = self._places[tag.partition("/")[2]]
            if place.bit is not None:
                status |= int(value == 1.0) << place.bit
                continue
            words[place.register : place.register + 2] = struct.unpack(
                ">2H", struct.pack(">f", self._edge(tag, value))
            )
        words[STATUS_REGISTER] = status
        self._bits = [status]

    async def _write_opcua(self, readings: dict[str, float]) -> None:
        if self._opcua is None:
            return
        stamp = ua.DateTime.fromtimestamp(self.plant.now_s, UTC)
        good = ua.StatusCode(ua.UInt32(StatusCodes.Good))
        failed = ua.StatusCode(ua.UInt32(StatusCodes.BadSensorFailure))
        for tag, value in readings.items():
            edge = self._edge(tag, value)
            if self._instruments[tag.partition("/")[2]].status:
                variant = ua.Variant(value == 1.0, ua.VariantType.Boolean)
            else:
                variant = ua.Variant(edge, ua.VariantType.Double)
            await self._opcua.write_attribute_value(
                self._nodes[tag],
                ua.DataValue(
                    variant,
                    StatusCode=failed if math.isnan(edge) else good,
                    SourceTimestamp=stamp,
                ),
            )

    async def tick(self, to_s: float) -> None:
        """Bring the plant to a time and show its readings."""
        self.plant.advance(to_s)
        readings = self.plant.readings()
        self._fill_words(readings)
        await self._write_opcua(readings)

    async def run(self, stop: asyncio.Event, until_s: float | None = None) -> Achieved:
        """Let plant time run `speed` times as fast as real time until `stop`, or a plant time.

        A tick that comes late covers more plant time, so the speed holds and the readings get
        sparser; what was reached is returned.
        """
        began_s, began = self.plant.now_s, time.monotonic()
        ticks = 0
        while not stop.is_set():
            target = began_s + (time.monotonic() - began) * self.speed
            if until_s is not None:
                target = min(target, until_s)
            await self.tick(max(target, self.plant.now_s))
            ticks += 1
            if until_s is not None and self.plant.now_s >= until_s:
                break
            late = began + ticks * self.tick_s - time.monotonic()
            # Even a slow machine must leave the loop some time to answer its clients.
            pause = max(late, 0.15 * self.tick_s)
            try:
                async with asyncio.timeout(pause):
                    await stop.wait()
            except TimeoutError:
                continue
        return Achieved(self.plant.now_s - began_s, time.monotonic() - began, ticks)


async def serve(
    plant: Plant,
    *,
    speed: float = 1.0,
    modbus_port: int = 0,
    opcua_port: int = 0,
    stop: asyncio.Event,
    on_ready: Callable[[Served], None] | None = None,
    until_s: float | None = None,
) -> Achieved:
    """Serve a plant until `stop` is set or the plant reaches a time; `on_ready` gets the ports."""
    # Both libraries log whatever a client does, and log with a trace what they also raise.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    async with Served(plant, speed=speed, modbus_port=modbus_port, opcua_port=opcua_port) as served:
        if on_ready is not None:
            on_ready(served)
        return await served.run(stop, until_s)
