"""Modbus registers without a socket: which requests to send, and what the answers mean."""

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from drivers.protocol import ModbusAddress, Table

MAX_REGISTERS = 125
"""Registers in one reply. Source: Modbus Application Protocol V1.1b3, 6.3 and 6.4."""
MAX_BITS = 2000
"""Coils or discrete inputs in one reply. Source: the same, 6.1 and 6.2."""
LAST_ADDRESS = 65535
GAP_REGISTERS = 16
"""Unwanted registers read to save a request: one more request costs more than 32 bytes."""
GAP_BITS = 128

_TABLES: tuple[Table, ...] = ("holding", "input", "coil", "discrete")
_BIT_TABLES: tuple[Table, ...] = ("coil", "discrete")
_FORMATS: Mapping[str, str] = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
    "float64": ">d",
    "bool": ">H",
}
_ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")


def problem(address: ModbusAddress) -> str:
    """Why this address can never be read, in words with the remedy; "" when it can."""
    if address.table in _BIT_TABLES:
        if address.type != "bool":
            return f'a {address.table} is one bit; use type "bool", not "{address.type}"'
        if address.bit is not None:
            return f"a {address.table} is one bit; `bit` belongs to holding and input registers"
    elif address.table not in _TABLES:
        return f'table "{address.table}" is not known; use holding, input, coil or discrete'
    if address.type not in _FORMATS:
        return f'type "{address.type}" is not known; use {", ".join(_FORMATS)}'
    if address.byte_order not in _ORDERS:
        return f'byte order "{address.byte_order}" is not known; use {", ".join(_ORDERS)}'
    if address.bit is not None:
        if not 0 <= address.bit <= 15:
            return f"bit {address.bit} is outside 0 to 15"
        if address.type not in ("bool", "uint16", "int16"):
            return f'a bit is taken from one register; use type "bool", not "{address.type}"'
    if not 0 <= address.register <= LAST_ADDRESS + 1 - width(address):
        last = address.register + width(address) - 1
        return f"register {address.register} to {last} is outside 0 to {LAST_ADDRESS}"
    return ""


def width(address: ModbusAddress) -> int:
    """How many registers, or bits of a coil or discrete table, the address takes."""
    if address.table in _BIT_TABLES:
        return 1
    return struct.calcsize(_FORMATS[address.type]) // 2


@dataclass(frozen=True, slots=True)
class Block:
    """One request: `count` registers or bits of `table` from `start`, for the addresses `members`."""

    table: Table
    start: int
    count: int
    members: tuple[int, ...]


def plan(
    addresses: Mapping[int, ModbusAddress],
    *,
    gap_registers: int = GAP_REGISTERS,
    gap_bits: int = GAP_BITS,
) -> tuple[Block, ...]:
    """The fewest requests that read all addresses.

    addresses : by any index; `Block.members` names these indexes.
    gap_registers, gap_bits : the longest unwanted stretch that one request may read across;
        0 joins only what touches or overlaps.

    Taking addresses from the left and closing a request only when the next one does not fit is
    the best there is: the first must be covered, and no request reaches further from it.
    """
    blocks: list[Block] = []
    for table in _TABLES:
        bits = table in _BIT_TABLES
        gap, longest = (gap_bits, MAX_BITS) if bits else (gap_registers, MAX_REGISTERS)
        spans = sorted(
            (a.register, a.register + width(a), index)
            for index, a in addresses.items()
            if a.table == table
        )
        blocks.extend(_merge(table, spans, gap, longest))
    return tuple(blocks)


def _merge(
    table: Table, spans: Iterable[tuple[int, int, int]], gap: int, longest: int
) -> Iterable[Block]:
    start = end = 0
    members: list[int] = []
    for first, stop, index in spans:
        if members and (first - end > gap or max(end, stop) - start > longest):
            yield Block(table, start, end - start, tuple(members))
            members = []
        if not members:
            start, end = first, stop
        end = max(end, stop)
        members.append(index)
    if members:
        yield Block(table, start, end - start, tuple(members))


def singles(block: Block, addresses: Mapping[int, ModbusAddress]) -> tuple[Block, ...]:
    """The same addresses, each in a request of its own."""
    return tuple(
        Block(block.table, addresses[i].register, width(addresses[i]), (i,)) for i in block.members
    )


def decode(address: ModbusAddress, block: Block, words: Sequence[int]) -> float:
    """The raw number at `address` in the answer to `block`: no scale, no offset, no clipping.

    words : register values 0 to 65535, or booleans of a bit table; at least `block.count`.
    returns : what the device holds, which can be NaN or infinite; 0.0 or 1.0 for a bit.

    Byte orders name the bytes of a 32-bit value as they arrive, A the most significant: ABCD is
    the order of the Modbus specification, CDAB swaps words, BADC swaps the bytes of each word,
    DCBA does both. Longer and shorter values follow the same two swaps.
    """
    at = address.register - block.start
    size = width(address)
    if len(words) < block.count or not 0 <= at <= block.count - size:
        raise ValueError(f"{address} is not in {len(words)} words of {block}")
    if address.table in _BIT_TABLES:
        return 1.0 if words[at] else 0.0
    taken = list(words[at : at + size])
    if address.byte_order in ("CDAB", "DCBA"):
        taken.reverse()
    pack = "<" if address.byte_order in ("BADC", "DCBA") else ">"
    data = struct.pack(f"{pack}{size}H", *taken)
    if address.bit is not None:
        return float(int.from_bytes(data, "big") >> address.bit & 1)
    (raw,) = struct.unpack(_FORMATS[address.type], data)
    return float(bool(raw)) if address.type == "bool" else float(raw)
