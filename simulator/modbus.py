"""The plant on Modbus: one map of registers behind TCP, TLS and RTU-over-TCP ports."""

import errno
import socket
import ssl
import struct

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusTcpServer, ModbusTlsServer
from pymodbus.simulator import DataType, SimData, SimDevice

from simulator.instruments import PER_SI
from simulator.links import Links
from simulator.plantfile import (
    CLOCK_REGISTER,
    FIRST_REGISTER,
    STATUS_REGISTER,
    STATUS_REGISTERS,
    UNIT_ID,
    places,
)
from simulator.site import Site

READ_CODES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


def free_port(host: str) -> int:
    """A TCP port that nobody uses at this moment."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def not_opened(name: str, port: int, number: int | None = errno.EADDRINUSE) -> OSError:
    """The error for a port that a server cannot have."""
    return OSError(
        number,
        "the port cannot be opened; it may be in use: give another or 0 for a free one",
        f"{name} port {port}",
    )


class Registers:
    """What the site shows, as words and bits, and what its link makes of the answers."""

    def __init__(self, site: Site, links: Links):
        self._links = links
        self._places = places(site)
        self._factor = {tag: PER_SI[i.unit] for tag, i in site.instruments.items()}
        numeric = sum(1 for i in site.instruments.values() if not i.status)
        self.words = [0] * (FIRST_REGISTER + 2 * numeric)
        self.bits = [0] * STATUS_REGISTERS

    def fill(self) -> None:
        """Take what the links show now."""
        sample = self._links.shown("modbus")
        words = self.words
        words[CLOCK_REGISTER : CLOCK_REGISTER + 4] = struct.unpack(
            ">4H", struct.pack(">d", sample.stamp_s)
        )
        order = -1 if self._links.active("byte_order", "modbus") else 1
        status = [0] * STATUS_REGISTERS
        for tag, value in sample.readings.items():
            place = self._places[tag]
            if place.bit is not None:
                status[place.register - STATUS_REGISTER] |= int(value == 1.0) << place.bit
                continue
            edge = sample.raw.get(tag, value * self._factor[tag])
            pair = struct.unpack(">2H", struct.pack(">f", edge))
            words[place.register : place.register + 2] = pair[::order]
        words[STATUS_REGISTER : STATUS_REGISTER + STATUS_REGISTERS] = status
        self.bits = status

    def device(self) -> SimDevice:
        """These registers as a device that can be read, not written."""

        async def answer(
            code: int,
            start: int,
            address: int,
            count: int,
            registers: list[int],
            new_values: list[int] | list[bool] | None,
        ) -> ExcCodes | None:
            if new_values is not None or code not in READ_CODES:
                return ExcCodes.ILLEGAL_FUNCTION
            broken = self._links.active("exception", "modbus")
            if broken is not None:
                return ExcCodes(broken[0].code)
            bits = READ_CODES[code] in ("coil", "discrete")
            registers[:] = self.bits if bits else self.words
            return None

        def block() -> list[SimData]:
            return [SimData(0, values=list(self.words), datatype=DataType.REGISTERS)]

        bits = [SimData(0, values=[False] * 16 * STATUS_REGISTERS, datatype=DataType.BITS)]
        return SimDevice(id=UNIT_ID, action=answer, simdata=(bits, list(bits), block(), block()))

    def sent(self, sending: bool, packet: bytes) -> bytes:
        """A packet as it goes out, nothing on a silent link."""
        return b"" if sending and self._links.active("silent", "modbus") else packet

    def answered(self, sending: bool, answer: ModbusPDU) -> ModbusPDU:
        """An answer as it goes out, one register short on a broken link."""
        if sending and answer.registers and self._links.active("short", "modbus"):
            answer.registers = answer.registers[:-1]
        return answer


async def opened(
    registers: Registers,
    host: str,
    port: int,
    *,
    name: str = "modbus",
    framer: FramerType = FramerType.SOCKET,
    tls: ssl.SSLContext | None = None,
) -> ModbusTcpServer:
    """A server that answers from `registers` on a port (not 0).

    framer : `FramerType.RTU` for RTU over TCP. tls : settings of a TLS port. name : for errors.
    """
    device, at = [registers.device()], (host, port)
    sent, answered = registers.sent, registers.answered
    if tls is None:
        server = ModbusTcpServer(
            device, framer=framer, address=at, trace_packet=sent, trace_pdu=answered
        )
    else:
        # The library's TLS framer takes each piece that TCP brings for one whole request.
        server = ModbusTlsServer(
            device,
            framer=FramerType.SOCKET,
            address=at,
            sslctx=tls,
            trace_packet=sent,
            trace_pdu=answered,
        )
    try:
        await server.serve_forever(background=True)
    except RuntimeError as exc:
        # The library reports a port that it cannot have without saying which.
        raise not_opened(name, port) from exc
    return server
