"""Modbus planning and decoding hold for any addresses and any values."""

import itertools
import math
import struct

from hypothesis import given
from hypothesis import strategies as st

from drivers.protocol import ModbusAddress
from drivers.registers import MAX_BITS, MAX_REGISTERS, Block, decode, plan, singles, width

FORMATS = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
    "float64": ">d",
}
ORDERS = ["ABCD", "CDAB", "BADC", "DCBA"]


@st.composite
def addresses(draw, highest=400):
    table = draw(st.sampled_from(["holding", "input", "coil", "discrete"]))
    kind = "bool" if table in ("coil", "discrete") else draw(st.sampled_from(sorted(FORMATS)))
    return ModbusAddress(draw(st.integers(0, highest)), kind, table)


def as_sent(data: bytes, order: str) -> list[int]:
    """Registers of a device that keeps big-endian `data` in `order`, byte by byte."""
    words = [data[i : i + 2] for i in range(0, len(data), 2)]
    if order in ("BADC", "DCBA"):
        words = [bytes([w[1], w[0]]) for w in words]
    if order in ("CDAB", "DCBA"):
        words = words[::-1]
    return [w[0] * 256 + w[1] for w in words]


@given(st.sampled_from(sorted(FORMATS)), st.sampled_from(ORDERS), st.data(), st.integers(0, 60000))
def test_round_trip(kind, order, data, start):
    """What a device stores in any type and byte order is what is read, to the last bit."""
    size = struct.calcsize(FORMATS[kind])
    stored = data.draw(st.binary(min_size=size, max_size=size))
    (expected,) = struct.unpack(FORMATS[kind], stored)
    words = as_sent(stored, order)
    block = Block("holding", start, len(words) + 3, (0,))
    address = ModbusAddress(start + 2, kind, byte_order=order)
    got = decode(address, block, [9, 9, *words, 9])
    assert got == expected or (math.isnan(got) and math.isnan(expected))


@given(st.integers(0, 65535), st.sampled_from(ORDERS))
def test_bits_add_up_to_their_register(word, order):
    """The sixteen bits of a register rebuild its unsigned value."""
    block = Block("holding", 0, 1, (0,))
    bits = [
        decode(ModbusAddress(0, "bool", bit=i, byte_order=order), block, [word]) for i in range(16)
    ]
    whole = decode(ModbusAddress(0, "uint16", byte_order=order), block, [word])
    assert sum(int(bit) << i for i, bit in enumerate(bits)) == whole


@given(st.lists(addresses(), max_size=60), st.integers(0, 40), st.integers(0, 40))
def test_every_address_is_in_one_lawful_request(wanted, gap_registers, gap_bits):
    """Each address lies whole in exactly one request, within limits, and no gap is too long."""
    given_ = dict(enumerate(wanted))
    blocks = plan(given_, gap_registers=gap_registers, gap_bits=gap_bits)
    assert sorted(i for b in blocks for i in b.members) == sorted(given_)
    for block in blocks:
        bits = block.table in ("coil", "discrete")
        assert 1 <= block.count <= (MAX_BITS if bits else MAX_REGISTERS)
        used = [False] * block.count
        for i in block.members:
            assert given_[i].table == block.table
            at = given_[i].register - block.start
            assert 0 <= at <= block.count - width(given_[i])
            used[at : at + width(given_[i])] = [True] * width(given_[i])
        assert used[0]
        assert used[-1]
        runs = "".join("x" if u else "." for u in used).split("x")
        assert max(map(len, runs)) <= (gap_bits if bits else gap_registers)
        assert [s.members for s in singles(block, given_)] == [(i,) for i in block.members]


@given(st.sets(st.integers(0, 700), min_size=1, max_size=12), st.integers(0, 150))
def test_no_smaller_plan_exists(starts, gap):
    """The number of requests equals the best found by trying every cut (dynamic programming)."""
    order = sorted(starts)
    best = [0] + [len(order) + 1] * len(order)
    for stop in range(1, len(order) + 1):
        for first in range(stop):
            part = order[first:stop]
            joined = all(b - a - 1 <= gap for a, b in itertools.pairwise(part))
            if joined and part[-1] - part[0] + 1 <= MAX_REGISTERS:
                best[stop] = min(best[stop], best[first] + 1)
    blocks = plan({i: ModbusAddress(r) for i, r in enumerate(order)}, gap_registers=gap)
    assert len(blocks) == best[-1]
