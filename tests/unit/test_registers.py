"""Modbus registers: known bytes to known numbers, and which requests are sent."""

import math

import pytest

from drivers import registers
from drivers.link import Backoff, scaled, stamp
from drivers.protocol import ModbusAddress
from drivers.registers import Block, decode, plan

# Byte patterns from IEEE 754-2019 binary32 and binary64 by hand: 3.25 = 1.101b * 2^1, so sign 0,
# exponent 128 (1024 for binary64), fraction 101b: 0x40500000 and 0x400A000000000000.
# The order of bytes in a register is that of Modbus Application Protocol V1.1b3, section 4.2.
KNOWN = [
    ("float32", "ABCD", [0x4050, 0x0000], 3.25),
    ("float32", "CDAB", [0x0000, 0x4050], 3.25),
    ("float32", "BADC", [0x5040, 0x0000], 3.25),
    ("float32", "DCBA", [0x0000, 0x5040], 3.25),
    ("float64", "ABCD", [0x400A, 0, 0, 0], 3.25),
    ("float64", "CDAB", [0, 0, 0, 0x400A], 3.25),
    ("float64", "BADC", [0x0A40, 0, 0, 0], 3.25),
    ("float64", "DCBA", [0, 0, 0, 0x0A40], 3.25),
    ("uint32", "ABCD", [0x0102, 0x0304], 0x01020304),
    ("uint32", "CDAB", [0x0304, 0x0102], 0x01020304),
    ("uint32", "BADC", [0x0201, 0x0403], 0x01020304),
    ("uint32", "DCBA", [0x0403, 0x0201], 0x01020304),
    ("int32", "ABCD", [0xFFFF, 0xFFFE], -2),
    ("int32", "CDAB", [0xFFFE, 0xFFFF], -2),
    ("int16", "ABCD", [0x8000], -32768),
    ("int16", "CDAB", [0xFFFF], -1),
    ("uint16", "ABCD", [0x1234], 0x1234),
    ("uint16", "CDAB", [0x1234], 0x1234),
    ("uint16", "BADC", [0x3412], 0x1234),
    ("uint16", "DCBA", [0x3412], 0x1234),
    ("bool", "ABCD", [0], 0),
    ("bool", "ABCD", [0x0100], 1),
]


@pytest.mark.parametrize(("kind", "order", "words", "expected"), KNOWN)
def test_known_bytes_give_the_known_number(kind, order, words, expected):
    """Each type in each byte order decodes bytes worked out by hand."""
    address = ModbusAddress(100, kind, byte_order=order)
    assert registers.width(address) == len(words)
    assert decode(address, Block("holding", 100, len(words), (0,)), words) == expected


@pytest.mark.parametrize(
    ("order", "bit", "expected"),
    [("ABCD", 0, 0), ("ABCD", 2, 1), ("ABCD", 15, 1), ("DCBA", 7, 1), ("DCBA", 10, 1)],
)
def test_a_bit_of_a_register(order, bit, expected):
    """Bit 0 is the least significant one, counted after the byte order."""
    address = ModbusAddress(7, "bool", bit=bit, byte_order=order)
    assert decode(address, Block("holding", 7, 1, (0,)), [0x8004]) == expected


def test_a_coil_is_zero_or_one():
    """A coil or discrete input gives 0.0 or 1.0."""
    block = Block("coil", 10, 8, (0,))
    bits = [0, 0, 0, 1, 0, 0, 0, 0]
    assert decode(ModbusAddress(13, "bool", "coil"), block, bits) == 1.0
    assert decode(ModbusAddress(14, "bool", "coil"), block, bits) == 0.0


@pytest.mark.parametrize("words", [[0x7FC0, 0], [0x7F80, 0], [0xFF80, 0], [0xFFFF, 0xFFFF]])
def test_what_is_no_number_is_not_made_one(words):
    """NaN and infinities stay what they are in decode and become a reason in scaled."""
    raw = decode(ModbusAddress(0, "float32"), Block("holding", 0, 2, (0,)), words)
    assert not math.isfinite(raw)
    value, reason = scaled(raw, 1.0, 0.0)
    assert value is None
    assert "NaN" in reason or "infinity" in reason


def test_scale_and_offset():
    """A 4-20 mA card's 0 to 27648 over -1 to 24 bar; nothing is clipped beyond the ends."""
    assert scaled(13824.0, 25 / 27648, -1.0) == (11.5, "")
    assert scaled(32767.0, 25 / 27648, -1.0)[0] == pytest.approx(819175 / 27648 - 1, abs=1e-12)
    assert scaled(1e308, 1e10, 0.0)[0] is None


def test_neighbours_share_a_request():
    """Registers within the gap limit are one request, those beyond it another."""
    blocks = plan(
        {
            0: ModbusAddress(100, "float32"),
            1: ModbusAddress(102, "float32"),
            2: ModbusAddress(120, "uint16"),
            3: ModbusAddress(138, "uint16"),
            4: ModbusAddress(100, "uint16", "input"),
        },
        gap_registers=16,
    )
    assert blocks == (
        Block("holding", 100, 21, (0, 1, 2)),
        Block("holding", 138, 1, (3,)),
        Block("input", 100, 1, (4,)),
    )


def test_no_request_is_longer_than_the_specification_allows():
    """125 registers or 2000 bits at most (Modbus Application Protocol V1.1b3, 6.1 to 6.4)."""
    words = plan({i: ModbusAddress(2 * i, "float32") for i in range(200)})
    assert [b.count for b in words] == [124, 124, 124, 28]
    bits = plan({i: ModbusAddress(i, "bool", "coil") for i in range(2001)})
    assert [b.count for b in bits] == [2000, 1]


@pytest.mark.parametrize(
    ("address", "words"),
    [
        (ModbusAddress(65535, "float32"), "register 65535 to 65536 is outside"),
        (ModbusAddress(-1), "outside 0 to 65535"),
        (ModbusAddress(0, "float32", "coil"), 'use type "bool"'),
        (ModbusAddress(0, "bool", "coil", bit=3), "`bit` belongs to"),
        (ModbusAddress(0, "bool", bit=16), "bit 16 is outside 0 to 15"),
        (ModbusAddress(0, "float32", bit=1), 'use type "bool"'),
        (ModbusAddress(0, "int8"), 'type "int8" is not known'),  # type: ignore[arg-type]
        (ModbusAddress(0, table="output"), 'table "output" is not known'),  # type: ignore[arg-type]
        (ModbusAddress(0, byte_order="ACBD"), "byte order"),  # type: ignore[arg-type]
    ],
)
def test_an_impossible_address_is_named(address, words):
    """An address that can never be read says why and what would do."""
    assert words in registers.problem(address)


def test_decode_refuses_an_answer_that_does_not_hold_the_address():
    """A wrong argument raises instead of giving a neighbor's value."""
    with pytest.raises(ValueError, match="is not in"):
        decode(ModbusAddress(5), Block("holding", 0, 4, (0,)), [1, 2, 3, 4])
    with pytest.raises(ValueError, match="is not in"):
        decode(ModbusAddress(3), Block("holding", 0, 4, (0,)), [1, 2])


def test_backoff_doubles_to_its_cap_and_tells_when():
    """Pauses grow 0.5, 1, 2 ... 10 s, survive a day of failures, and end with an answer."""
    now = 0.0
    backoff = Backoff(chance=lambda: 1.0, monotonic=lambda: now)
    assert backoff.waiting() is None
    pauses = []
    for _ in range(7):
        text = backoff.failed("no answer")
        start = now
        while backoff.waiting():
            now += 0.25
        pauses.append(now - start)
    assert pauses == [0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0]
    assert text == "no answer (7 times in 26 s; next try in 10.0 s)"
    for _ in range(5000):
        backoff.failed("no answer")
    backoff.worked()
    assert backoff.waiting() is None
    assert backoff.failed("no answer") == "no answer (once; next try in 0.5 s)"


def test_backoff_jitter_halves_at_most():
    """The shortest pause is half of the full one."""
    backoff = Backoff(chance=lambda: 0.0, monotonic=lambda: 0.0)
    assert "next try in 0.2 s" in backoff.failed("x")


@pytest.mark.parametrize("time_s", [math.nan, math.inf, -1.0, 0.0, 946684799.0, 4102444800.0])
def test_a_clock_that_was_never_set_is_not_believed(time_s):
    """NaN, 1970 and the year 2100 are no time of a reading."""
    assert stamp(time_s) is None


def test_a_stamp_is_aware():
    """946684800 s is 2000-01-01 UTC (POSIX.1 seconds since the epoch, 30 years with 7 leap days)."""
    assert stamp(946684800.0).isoformat() == "2000-01-01T00:00:00+00:00"
