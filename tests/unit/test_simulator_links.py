"""Link faults of the served plant: what each makes of stamps, values and statuses."""

import math
import struct
from typing import Any

import pytest

from simulator.link_faults import TAKES, BadLink, LinkFault
from simulator.links import Links, Sample, link_fault_of
from simulator.modbus import Registers
from simulator.plantfile import CLOCK_REGISTER, places
from simulator.site import Site


@pytest.fixture(scope="module")
def plant() -> Site:
    """A sound plant; only its instruments matter here."""
    return Site("healthy")


class Line:
    """Links of a plant that shows its flow meter reading the time, and everything else 1."""

    def __init__(self, plant: Site):
        self.plant = plant
        self.links = Links(plant)
        self.take(0.0)

    def take(self, time_s: float) -> None:
        readings = dict.fromkeys(self.plant.tags, 1.0) | {"A/feed_flow": time_s}
        self.links.taken(Sample(time_s, readings))

    def add(self, at_s: float, **table: Any) -> int:
        return self.links.add(link_fault_of(table, self.plant), at_s)

    def seen(self, protocol: str) -> tuple[float, float]:
        """Stamp and flow."""
        sample = self.links.shown(protocol)
        return sample.stamp_s, sample.readings["A/feed_flow"]


def test_a_held_link_repeats_its_last_sample(plant: Site) -> None:
    """Values and stamps stand still on that protocol, and go on when it is mended."""
    line = Line(plant)
    for protocol in ("modbus", "opcua"):
        assert line.seen(protocol) == (0.0, 0.0)
    number = line.add(0.0, kind="hold", protocol="modbus")
    line.take(10.0)
    assert line.seen("modbus") == (0.0, 0.0)
    assert line.seen("opcua") == (10.0, 10.0)
    line.links.remove(number)
    assert line.seen("modbus") == (10.0, 10.0)


def test_a_late_link_shows_every_sample_later(plant: Site) -> None:
    """Nothing new until the lateness has passed, then each sample with its own stamp, so much later."""
    line = Line(plant)
    line.take(100.0)
    number = line.add(100.0, kind="late", seconds=60.0)
    seen = []
    for step in range(1, 13):
        line.take(100.0 + 10.0 * step)
        seen.append(line.seen("opcua"))
    assert seen[:6] == [(100.0, 100.0)] * 6
    assert seen[6:] == [(t, t) for t in (110.0, 120.0, 130.0, 140.0, 150.0, 160.0)]
    line.links.remove(number)
    line.take(230.0)
    assert line.seen("opcua") == (230.0, 230.0)


def test_a_late_link_remembers_a_bounded_number(plant: Site) -> None:
    """A lateness of an hour, sampled each 0.1 s for two hours, is kept to 1 % with bounded memory."""
    line = Line(plant)
    line.add(0.0, kind="late", seconds=3600.0)
    for tenth in range(1, 72_000):
        line.take(tenth / 10.0)
    assert len(line.links._past) < 5_001
    stamp, flow = line.seen("modbus")
    assert stamp == flow == pytest.approx(3600.0, abs=36.0)


def test_clocks_step_and_drift(plant: Site) -> None:
    """A step is there at once, a drift grows with plant time, and the values stay right."""
    line = Line(plant)
    line.add(0.0, kind="clock_step", seconds=-3600.0, protocol="opcua")
    drift = line.add(0.0, kind="clock_drift", ppm=1000.0, protocol="modbus")
    line.take(5000.0)
    assert line.seen("opcua") == (1400.0, 5000.0)
    assert line.seen("modbus") == pytest.approx((5005.0, 5000.0))
    line.links.remove(drift)
    assert line.seen("modbus") == (5000.0, 5000.0)


@pytest.mark.parametrize(
    ("kind", "raw", "status"),
    [
        ("nan", math.nan, "good"),
        ("range_code", 32767.0, None),
        ("bad_status", None, "bad"),
        ("uncertain_status", None, "uncertain"),
    ],
)
def test_values_and_statuses_of_one_instrument_or_all(
    plant: Site, kind: str, raw: float | None, status: str | None
) -> None:
    """With a tag only that instrument is touched; without, all but bits where no bit can have it."""
    line = Line(plant)
    number = line.add(0.0, kind=kind, tag="1/feed_pressure")
    shown = line.links.shown("opcua")
    assert set(shown.raw) | set(shown.status) == {"A/1/feed_pressure"}
    for found, wanted in ((shown.raw, raw), (shown.status, status)):
        got = found.get("A/1/feed_pressure")
        assert got == wanted or (got != got and wanted != wanted)
    line.links.remove(number)
    line.add(0.0, kind=kind)
    shown = line.links.shown("opcua")
    touched = set(shown.raw) | set(shown.status)
    bits = {"A/running", "A/cleaning", "A/flushing"}
    assert touched == set(plant.tags) - (bits if raw is not None else set())


def test_a_range_code_is_the_number_at_the_edge(plant: Site) -> None:
    """32767 stands in the register of a transmitter in psi too, not 32767 bar."""
    line = Line(plant)
    registers = Registers(plant, line.links)
    line.add(0.0, kind="range_code", tag="2/feed_pressure")
    registers.fill()
    place = places(plant)["A/2/feed_pressure"].register
    words = registers.words[place : place + 2]
    assert struct.unpack(">f", struct.pack(">2H", *words)) == (32767.0,)


def test_a_wrong_byte_order_swaps_the_words_of_values(plant: Site) -> None:
    """Values read CDAB, the clock stays as the plant file says."""
    line = Line(plant)
    registers = Registers(plant, line.links)
    line.add(0.0, kind="byte_order")
    line.take(123.0)
    registers.fill()
    place = places(plant)["A/feed_flow"].register
    high, low = registers.words[place : place + 2]
    assert struct.unpack(">f", struct.pack(">2H", low, high)) == (123.0,)
    clock = registers.words[CLOCK_REGISTER : CLOCK_REGISTER + 4]
    assert struct.unpack(">d", struct.pack(">4H", *clock)) == (123.0,)


def test_every_kind_is_taken_with_its_keys_only(plant: Site) -> None:
    """Each kind is accepted bare; a key of another kind is not."""
    for kind, keys in TAKES.items():
        assert link_fault_of({"kind": kind}, plant) == LinkFault(kind)
        other = next(k for k in ("seconds", "code") if k not in keys)
        with pytest.raises(BadLink, match=f'unknown key "{other}"'):
            link_fault_of({"kind": kind, other: 5}, plant)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({}, "kind None is not known; use one of hold, late"),
        ({"kind": "slow"}, "kind 'slow' is not known"),
        ({"kind": ["hold"]}, "is not known"),
        ({"kind": "hold", "protocol": "rtu"}, "use one of both, modbus, opcua"),
        ({"kind": "late", "seconds": 0}, "seconds is 0; it must be above 0"),
        ({"kind": "late", "seconds": "5"}, "seconds is '5'; write a number"),
        ({"kind": "late", "seconds": math.inf}, "seconds is inf; write a number"),
        ({"kind": "exception", "code": 9}, "code 9; exception codes are 1, 2, 3"),
        ({"kind": "exception", "code": 2.5}, "code is 2.5; write a whole number"),
        ({"kind": "exception", "code": True}, "code is True; write a whole number"),
        ({"kind": "nan", "tag": "running"}, "there is no instrument 'running'"),
        ({"kind": "nan", "tag": "A/feed_flow"}, "there is no instrument 'A/feed_flow'"),
        ({"kind": "bad_status", "tag": 5}, "tag is 5; write a text"),
    ],
)
def test_what_makes_no_sense_is_refused(plant: Site, table: dict[str, Any], words: str) -> None:
    """With the place and what would do."""
    with pytest.raises(BadLink) as refused:
        link_fault_of(table, plant)
    assert words in str(refused.value)
