"""What every driver takes and gives: devices, points, readings, and the one class to implement."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum
from typing import Literal, Protocol


class DriverError(Exception):
    """Anything a driver raises. The tree: DriverError > LinkDown, DriverError > BadSource."""


class LinkDown(DriverError):
    """The device as a whole did not answer; the text says who, how and for how long."""


class BadSource(DriverError):
    """A source that can never be read as configured, such as a CSV file without any usable row."""


class Quality(IntEnum):
    """Quality of a reading; a larger number is worse, so `max` gives the worst."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2


ByteOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
Table = Literal["holding", "input", "coil", "discrete"]
NumberType = Literal["bool", "int16", "uint16", "int32", "uint32", "float32", "float64"]


@dataclass(frozen=True, slots=True)
class ModbusAddress:
    """A place in a Modbus device. `register` is the zero-based protocol address.

    `bit` 0 to 15 takes one bit of a holding or input register (0 is the least significant).
    The value read is raw * scale + offset, in the point's own unit.
    """

    register: int
    type: NumberType = "uint16"
    table: Table = "holding"
    bit: int | None = None
    byte_order: ByteOrder = "ABCD"
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class OpcuaAddress:
    """A node of an OPC UA server: `i=`, `s=`, `g=` identifiers with `ns=N;` or `nsu=URI;` before them.

    The value read is value * scale + offset, in the point's own unit.
    """

    node: str
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class CsvAddress:
    """A column of a historian CSV file, by its header."""

    column: str
    scale: float = 1.0
    offset: float = 0.0


Address = ModbusAddress | OpcuaAddress | CsvAddress


@dataclass(frozen=True, slots=True)
class Point:
    """One instrument signal of a device. `tag` is unique in the plant, for example ``A/1/feed_pressure``."""

    tag: str
    address: Address


@dataclass(frozen=True, slots=True)
class Device:
    """One endpoint to read from.

    protocol : name of the driver, for example ``modbus-tcp``, ``opcua`` or ``csv``.
    host, port, unit_id : Modbus. url : OPC UA endpoint. path : CSV file.
    timeout_s : deadline of one request. [s]
    interval_s : time between polls. [s]
    clock : where the device keeps its own time, as seconds since 1970-01-01 UTC; when given,
        the driver stamps every reading with it. OPC UA needs none: its values carry a source time.
    """

    id: str
    protocol: str
    host: str = "127.0.0.1"
    port: int = 502
    unit_id: int = 1
    url: str = ""
    path: str = ""
    timeout_s: float = 1.0
    interval_s: float = 1.0
    clock: Address | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one point.

    value : as measured, in the point's own unit, never clipped or rounded; None when BAD.
    source_at : the device's own stamp (aware, UTC), if it gives one.
    reason : why it is not GOOD, in words.
    """

    tag: str
    value: float | None
    quality: Quality
    source_at: datetime | None = None
    reason: str = ""


class Driver(Protocol):
    """The whole interface of a driver. One connection, one request at a time, a deadline on each."""

    async def read(self, points: Sequence[Point]) -> list[Reading]:
        """One Reading for each Point, in order.

        A point that fails comes back BAD with a reason; LinkDown is raised only when the
        device as a whole did not answer. Connects by itself when it has to.
        """

    async def close(self) -> None:
        """Close the connection; safe to call twice."""
