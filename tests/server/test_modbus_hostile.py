"""A Modbus device that misbehaves in every way seen or feared: no wrong value, no storm, no hang."""

import asyncio
import struct

import pytest

from drivers.link import Backoff
from drivers.modbus import MERGE_AGAIN_S, ModbusTcp
from drivers.protocol import Device, LinkDown, ModbusAddress, Point, Quality
from tests.server.hostile import Hostile

PATIENT_S = 20.0  # where an answer comes: never reached
SHORT_S = 0.4  # where none comes


def words(kind: str, value: float) -> list[int]:
    data = struct.pack(f">{kind}", value)
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


def table(*parts: tuple[int, list[int]]) -> dict[int, int]:
    return {start + i: word for start, part in parts for i, word in enumerate(part)}


def points(*registers: int, **address) -> list[Point]:
    return [Point(f"A/{r}", ModbusAddress(r, **address)) for r in registers]


class Plant:
    """A driver for a hostile server, with a clock that only the test moves."""

    def __init__(self, server: Hostile, timeout_s: float = PATIENT_S, clock=None) -> None:
        self.now = 0.0
        device = Device("plc", "modbus-tcp", port=server.port, timeout_s=timeout_s, clock=clock)
        backoff = Backoff(chance=lambda: 1.0, monotonic=lambda: self.now)
        self.driver = ModbusTcp(device, backoff=backoff, monotonic=lambda: self.now)

    async def __aenter__(self) -> "Plant":
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.driver.close()

    async def read(self, wanted):
        return await self.driver.read(wanted)

    async def down(self, wanted, match: str) -> str:
        with pytest.raises(LinkDown, match=match) as caught:
            await self.driver.read(wanted)
        self.now += 100.0  # past any backoff
        return str(caught.value)


def serves(registers):
    async def behavior(request, _):
        return request.of(registers)

    return behavior


@pytest.mark.asyncio
@pytest.mark.parametrize(("value", "said"), [(float("nan"), "NaN"), (float("inf"), "infinity")])
async def test_no_number_is_bad_and_its_neighbor_good(value, said):
    """NaN and infinities are BAD with a reason and no value; the register beside them is GOOD."""
    held = table((0, words("f", value)), (2, words("f", -value)), (4, words("f", 3.25)))
    async with Hostile(serves(held)) as server, Plant(server) as plant:
        *bad, good = await plant.read(points(0, 2, 4, type="float32"))
        for reading in bad:
            assert (reading.value, reading.quality) == (None, Quality.BAD)
            assert said in reading.reason
        assert (good.value, good.quality, good.reason) == (3.25, Quality.GOOD, "")


@pytest.mark.asyncio
@pytest.mark.parametrize("value", [1e30, -1e30, 1e-40])
async def test_a_value_out_of_any_range_is_delivered_as_it_is(value):
    """The driver clips and rounds nothing; judging ranges is the daemon's part."""
    (exact,) = struct.unpack(">f", struct.pack(">f", value))
    async with Hostile(serves(table((7, words("f", value))))) as server, Plant(server) as plant:
        (reading,) = await plant.read(points(7, type="float32"))
        assert (reading.value, reading.quality) == (exact, Quality.GOOD)


@pytest.mark.asyncio
@pytest.mark.parametrize("sent", [0, 1, 2, 4, 9])
async def test_an_answer_of_the_wrong_length_is_not_believed(sent):
    """Too few or too many registers: each is asked for alone, and BAD when that is no better."""

    async def behavior(request, _):
        if request.count == 1 and request.start != 12:
            return request.words([request.start])
        return request.words([77] * sent) if request.count == 3 else request.words([])

    async with Hostile(behavior) as server, Plant(server) as plant:
        readings = await plant.read(points(10, 11, 12))
        assert [(r.value, r.quality) for r in readings] == [
            (10.0, Quality.GOOD),
            (11.0, Quality.GOOD),
            (None, Quality.BAD),
        ]
        assert readings[2].reason == "holding 12: asked for 1, the device sent 0"
        assert server.connections == 1


@pytest.mark.asyncio
async def test_an_answer_to_another_question_is_not_believed():
    """A reply with the wrong function ends the connection; the next poll makes a new one."""

    async def behavior(request, _):
        wrong = 4 if request.connection == 1 else None
        return request.words([7] * request.count, function=wrong)

    async with Hostile(behavior) as server, Plant(server) as plant:
        await plant.down(points(1), "asked with function 3, answered with 4")
        (reading,) = await plant.read(points(1))
        assert reading.value == 7.0
        assert server.connections == 2


@pytest.mark.asyncio
async def test_one_refused_register_is_found_and_remembered():
    """The merged request is split once; then good neighbors are joined again; later the whole."""
    refuses = True

    async def behavior(request, _):
        if refuses and request.start <= 102 < request.start + request.count:
            return request.refusal(2)
        return request.of({r: r for r in range(100, 110)})

    def asked():
        spans = [(r.start, r.count) for r in server.requests]
        server.requests.clear()
        return spans

    wanted = points(100, 101, 102, 103, 104)
    async with Hostile(behavior) as server, Plant(server) as plant:
        for expected in (
            [(100, 5), (100, 1), (101, 1), (102, 1), (103, 1), (104, 1)],
            [(100, 2), (103, 2), (102, 1)],
            [(100, 2), (103, 2), (102, 1)],
        ):
            readings = await plant.read(wanted)
            assert [r.value for r in readings] == [100.0, 101.0, None, 103.0, 104.0]
            assert readings[2].quality is Quality.BAD
            assert "exception 2: it has no such address" in readings[2].reason
            assert asked() == expected
        refuses = False
        plant.now += MERGE_AGAIN_S - 1
        assert (await plant.read(wanted))[2].value == 102.0
        assert asked() == [(100, 2), (103, 2), (102, 1)]
        plant.now += 2
        assert [r.value for r in await plant.read(wanted)] == [100.0, 101.0, 102.0, 103.0, 104.0]
        assert asked() == [(100, 5)]
        assert server.connections == 1


@pytest.mark.asyncio
async def test_a_device_that_refuses_all_joining_is_read_singly():
    """Where touching registers may not be read together either, singles are remembered."""

    async def behavior(request, _):
        return request.refusal(3) if request.count > 1 else request.words([request.start])

    async with Hostile(behavior) as server, Plant(server) as plant:
        for requests in (4, 4, 3, 3):
            server.requests.clear()
            readings = await plant.read(points(1, 2, 3))
            assert [r.value for r in readings] == [1.0, 2.0, 3.0]
            assert len(server.requests) == requests


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("code", "said"), [(1, "does not offer"), (6, "it is busy"), (99, "does not say why")]
)
async def test_a_refusal_that_smaller_requests_cannot_help_is_not_repeated(code, said):
    """Busy, illegal function and unknown codes: one request, all its points BAD, the link is up."""

    async def behavior(request, _):
        return request.refusal(code)

    async with Hostile(behavior) as server, Plant(server) as plant:
        readings = await plant.read(points(1, 2, 3))
        assert {(r.value, r.quality) for r in readings} == {(None, Quality.BAD)}
        assert all(f"exception {code}: " in r.reason and said in r.reason for r in readings)
        assert len(server.requests) == 1


@pytest.mark.asyncio
@pytest.mark.parametrize("code", [10, 11])
async def test_a_gateway_alone_is_not_the_device(code):
    """When only a gateway answers, for a device that does not, the device is down."""

    async def behavior(request, _):
        return request.refusal(code)

    async with Hostile(behavior) as server, Plant(server) as plant:
        await plant.down(points(1, 2, 300), f"exception {code}: ")


@pytest.mark.asyncio
async def test_a_late_answer_never_passes_for_the_next_one():
    """The answer to a request that timed out arrives during the next: it changes nothing."""
    late = asyncio.Event()

    async def behavior(request, writer):
        if request.connection == 1:
            await late.wait()
            return request.words([111])
        late.set()
        await asyncio.sleep(0)
        return request.words([222])

    async with Hostile(behavior) as server, Plant(server, SHORT_S) as plant:
        await plant.down(points(100), "no answer from 127.0.0.1:.* within 0.4 s")
        (reading,) = await plant.read(points(200))
        assert reading.value == 222.0


@pytest.mark.asyncio
async def test_a_stale_transaction_is_skipped():
    """An answer with another transaction id or unit id before the right one is passed over."""

    async def behavior(request, writer):
        pdu = bytes([3, 2, 0, 111])
        tid = int.from_bytes(request.raw[:2], "big")
        writer.write(request.frame(pdu, transaction=tid + 7))
        writer.write(request.frame(pdu, unit=9))
        return request.words([222])

    async with Hostile(behavior) as server, Plant(server) as plant:
        assert (await plant.read(points(1)))[0].value == 222.0


@pytest.mark.asyncio
async def test_silence_is_a_dead_link_and_not_a_storm():
    """A peer that accepts and never answers: one request, LinkDown, and peace until the next try."""
    silent = True

    async def behavior(request, _):
        return None if silent else request.words([5])

    async with Hostile(behavior) as server, Plant(server, SHORT_S) as plant:
        with pytest.raises(LinkDown, match=r"plc: no answer .* \(once; next try in 0\.5 s\)"):
            await plant.read(points(1, 300))
        for _ in range(100):
            with pytest.raises(LinkDown, match=r"next try in 0\.5 s"):
                await plant.read(points(1, 300))
        assert (server.connections, len(server.requests)) == (1, 1)
        plant.now += 1.0
        await plant.down(points(1, 300), "2 times")
        silent = False
        assert [r.value for r in await plant.read(points(1, 300))] == [5.0, 5.0]
        assert server.connections == 3


@pytest.mark.asyncio
async def test_a_link_that_dies_without_a_word_is_found():
    """Half-open: the peer answers, then never again, without closing; a new connection works."""

    async def behavior(request, _):
        first = server.requests[0] is request
        return request.words([1]) if first or request.connection > 1 else None

    async with Hostile(behavior) as server, Plant(server, SHORT_S) as plant:
        assert (await plant.read(points(1)))[0].value == 1.0
        await plant.down(points(1), "no answer")
        assert (await plant.read(points(1)))[0].value == 1.0
        assert server.connections == 2


@pytest.mark.asyncio
@pytest.mark.parametrize("before", [b"", b"\0\1\0\0\0"])
async def test_a_drop_in_the_middle_is_seen_at_once(before):
    """The peer hangs up during a request, or inside its answer: no waiting for the deadline."""

    async def behavior(request, writer):
        if request.connection == 1:
            writer.write(before)
            writer.close()
            return None
        return request.words([1])

    async with Hostile(behavior) as server, Plant(server, timeout_s=3600.0) as plant:
        await plant.down(points(1), "closed the connection")
        assert (await plant.read(points(1)))[0].value == 1.0


@pytest.mark.asyncio
async def test_a_connection_closed_between_polls_costs_no_poll():
    """A device that closes idle connections is connected anew within the same read."""
    closed = asyncio.Event()

    async def behavior(request, writer):
        writer.write(request.words([request.connection]))
        await writer.drain()
        writer.close()
        closed.set()

    async with Hostile(behavior) as server, Plant(server) as plant:
        for number in (1.0, 2.0, 3.0):
            assert (await plant.read(points(1)))[0].value == number
            await closed.wait()
            closed.clear()
            for _ in range(10_000):  # until the end of the connection has come over
                if not plant.driver.connected:
                    break
                await asyncio.sleep(0.001)


@pytest.mark.asyncio
@pytest.mark.parametrize("garbage", [b"\xff" * 300, b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\0" * 9])
async def test_what_is_not_modbus_is_a_dead_link(garbage):
    """Another protocol on the port gives LinkDown, not a value and not a crash."""

    async def behavior(request, _):
        return garbage

    async with Hostile(behavior) as server, Plant(server, SHORT_S) as plant:
        await plant.down(points(1), "no answer|not Modbus")


@pytest.mark.asyncio
async def test_an_undecodable_answer_is_a_dead_link():
    """A frame with our transaction id but an impossible content ends the connection."""

    async def behavior(request, _):
        return request.frame(bytes([3, 200, 0]))

    async with Hostile(behavior) as server, Plant(server, SHORT_S) as plant:
        await plant.down(points(1), "no answer|not Modbus")


@pytest.mark.asyncio
async def test_a_stretch_without_answer_costs_only_itself():
    """What was read before the silence is kept; the silent request goes last from then on."""

    async def behavior(request, _):
        return None if request.start == 0 else request.words([request.start])

    async with Hostile(behavior) as server, Plant(server, SHORT_S) as plant:
        wanted = points(0, 100, 200)
        await plant.down(wanted, "no answer")
        for _ in range(2):
            server.requests.clear()
            silent, *rest = await plant.read(wanted)
            assert (silent.value, silent.quality) == (None, Quality.BAD)
            assert "no answer" in silent.reason
            assert [(r.value, r.quality) for r in rest] == [
                (100.0, Quality.GOOD),
                (200.0, Quality.GOOD),
            ]
            assert [r.start for r in server.requests] == [100, 200, 0]


@pytest.mark.asyncio
async def test_an_address_that_cannot_be_is_bad_without_a_request():
    """A register beyond the last is BAD with the reason, the others are read."""
    async with Hostile(serves({5: 55})) as server, Plant(server) as plant:
        bad, good = await plant.read(points(70000, 5))
        assert (bad.quality, bad.reason) == (
            Quality.BAD,
            "register 70000 to 70000 is outside 0 to 65535",
        )
        assert good.value == 55.0
        (bad,) = await plant.read(points(70000))
        assert bad.quality is Quality.BAD


CLOCK = ModbusAddress(90, "float64")


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("clock", "held"),
    [
        (CLOCK, words("d", 1714543200.5)),
        (ModbusAddress(90, "float64", byte_order="DCBA"), words("d", 1714543200.5)[::-1]),
        (ModbusAddress(90, "uint32"), words("I", 1714543200)),
    ],
)
async def test_the_clock_of_the_device_stamps_every_reading(clock, held):
    """2024-05-01T06:00:00Z (19844 days of 86400 s and 6 h since 1970) stands in each reading."""
    if clock.byte_order == "DCBA":
        held = [(w & 255) << 8 | w >> 8 for w in held]
    async with (
        Hostile(serves(table((90, held), (80, [1])))) as server,
        Plant(server, clock=clock) as plant,
    ):
        readings = await plant.read(points(80, 81))
        for reading in readings:
            assert reading.quality is Quality.GOOD
            assert reading.source_at.isoformat()[:19] == "2024-05-01T06:00:00"
            assert reading.source_at.utcoffset().total_seconds() == 0
        assert len(server.requests) == 1


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("time_s", "said"),
    [(float("nan"), "NaN"), (float("-inf"), "infinity"), (0.0, "no time"), (9e15, "no time")],
)
async def test_a_clock_that_cannot_be_right_makes_readings_uncertain(time_s, said):
    """Values stay, but UNCERTAIN, without a stamp, and with the reason; BAD stays BAD."""
    held = table((80, words("f", 3.25)), (82, words("f", float("nan"))), (90, words("d", time_s)))
    async with Hostile(serves(held)) as server, Plant(server, clock=CLOCK) as plant:
        kept, bad = await plant.read(points(80, 82, type="float32"))
        assert (kept.value, kept.quality, kept.source_at) == (3.25, Quality.UNCERTAIN, None)
        assert "clock of the device" in kept.reason
        assert said in kept.reason
        assert (bad.value, bad.quality, bad.source_at) == (None, Quality.BAD, None)
        assert "clock" not in bad.reason


@pytest.mark.asyncio
async def test_a_clock_that_is_refused_makes_readings_uncertain():
    """A clock register that the device does not have costs the stamp, not the values."""

    async def behavior(request, _):
        if request.start + request.count > 90:
            return request.refusal(2)
        return request.of({80: 8, 81: 9})

    async with Hostile(behavior) as server, Plant(server, clock=CLOCK) as plant:
        for _ in range(2):
            readings = await plant.read(points(80, 81))
            assert [(r.value, r.quality) for r in readings] == [
                (8.0, Quality.UNCERTAIN),
                (9.0, Quality.UNCERTAIN),
            ]
            assert all("exception 2" in r.reason for r in readings)


@pytest.mark.asyncio
async def test_closing_ends_a_read_that_waits():
    """close() does not wait for a silent device, and the waiting read ends as LinkDown."""
    asked = asyncio.Event()

    async def behavior(request, _):
        asked.set()

    async with Hostile(behavior) as server, Plant(server, timeout_s=3600.0) as plant:
        reading = asyncio.create_task(plant.read(points(1)))
        await asked.wait()
        await plant.driver.close()
        with pytest.raises(LinkDown):
            await reading


@pytest.mark.asyncio
async def test_a_cancelled_request_takes_its_connection_with_it():
    """The answer that may still come has nowhere to arrive: the next read has a new connection."""
    asked = asyncio.Event()

    async def behavior(request, _):
        asked.set()
        return None if request.connection == 1 else request.words([2])

    async with Hostile(behavior) as server, Plant(server, timeout_s=3600.0) as plant:
        reading = asyncio.create_task(plant.read(points(1)))
        await asked.wait()
        reading.cancel()
        with pytest.raises(asyncio.CancelledError):
            await reading
        assert not plant.driver.connected
        assert (await plant.read(points(1)))[0].value == 2.0
        assert server.connections == 2


@pytest.mark.asyncio
async def test_requests_carry_the_unit_and_the_function():
    """Each table has its function code (Modbus Application Protocol V1.1b3, 6.1 to 6.4)."""

    async def behavior(request, _):
        if request.function in (1, 2):
            return request.frame(bytes([request.function, 1, 0b101]))
        return request.words([7])

    async with Hostile(behavior) as server:
        device = Device("plc", "modbus-tcp", port=server.port, unit_id=17, timeout_s=PATIENT_S)
        driver = ModbusTcp(device)
        try:
            wanted = [
                Point("h", ModbusAddress(1)),
                Point("i", ModbusAddress(1, table="input")),
                Point("c", ModbusAddress(1, "bool", "coil")),
                Point("d0", ModbusAddress(0, "bool", "discrete")),
                Point("d2", ModbusAddress(2, "bool", "discrete")),
            ]
            readings = await driver.read(wanted)
            assert [r.value for r in readings] == [7.0, 7.0, 1.0, 1.0, 1.0]
            asked = [(r.unit, r.function, r.start, r.count) for r in server.requests]
            assert asked == [(17, 3, 1, 1), (17, 4, 1, 1), (17, 1, 1, 1), (17, 2, 0, 3)]
        finally:
            await driver.close()
