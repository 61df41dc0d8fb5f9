"""Probe of a vessel: positions, the answer, the sample that would decide, what is left out."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from rules.probe import Probe, probe
from rules.train import Compensation, Stage, Water
from rules.tube import (
    Conditions,
    Healthy,
    Tube,
    dividing_point,
    expected_mg_l,
    healthy_vessel,
    positions,
    upstream_of,
    upstream_share,
)
from simulator.faults import Fault
from simulator.operation import DAY_S
from simulator.plant import Plant
from simulator.sampling import tube_profile
from simulator.scenario import load
from tests.probe_kit import told, trials

VESSEL = Healthy(
    np.array([0.94, 0.88, 0.82, 0.76, 0.70, 0.63]), np.array([11.0, 13.3, 16.0, 19.4, 23.8, 29.6])
)
SIX = Tube(6)
CONDITIONS = Conditions(9.5, 2000.0, 10.2, 25.0, 0.5)


def readings(
    tube: Tube, mm: np.ndarray, leak_at: float | None = None, grams_h: float = 20.0
) -> np.ndarray:
    """Natural water of 0.5 mg/L for each µS/cm; salt let in at a place along the vessel. [µS/cm]"""
    x = tube.along(mm)
    divide = dividing_point(tube, VESSEL.flow_m3h)
    salt = expected_mg_l(tube, VESSEL, mm)
    if leak_at is not None:
        water = upstream_share(tube, x, divide) @ VESSEL.flow_m3h
        salt = salt + upstream_of(tube, x, divide, np.array([leak_at]))[:, 0] * grams_h / water
    return np.asarray(salt / 0.5)


def answer(tube: Tube, mm: np.ndarray, shown: np.ndarray) -> Probe:
    return probe(tube, mm, shown, healthy=VESSEL, water=Water(factor=0.5))


def sheet(tube: Tube, *, half_steps: bool = True) -> np.ndarray:
    return np.array([p.distance_mm for p in positions(tube, half_steps=half_steps)])


def test_positions_from_the_port() -> None:
    """Two elements, port at the concentrate end, by hand: deepest first, 100 mm beside the joints."""
    got = positions(Tube(2, 1000.0, 200.0), half_steps=True)
    assert [(p.distance_mm, p.place) for p in got] == [
        (2100.0, "element 1, feed end"),
        (1700.0, "element 1, middle"),
        (1300.0, "element 1, concentrate end"),
        (1100.0, "element 2, feed end"),
        (700.0, "element 2, middle"),
        (300.0, "element 2, concentrate end"),
        (100.0, "in the concentrate adapter"),
    ]
    other = positions(Tube(2, 1000.0, 200.0, "feed"))
    assert [(p.distance_mm, p.place) for p in other][:2] == [
        (2100.0, "element 2, concentrate end"),
        (1300.0, "element 2, feed end"),
    ]
    stage = Stage(4, 2, 37.0, 1000.0, "feed", 200.0)
    assert positions(Tube.of(stage)) == other


def test_both_ends_open() -> None:
    """Even elements: the water parts in the middle, and half of it passes at either end."""
    tube = Tube(6, port="both")
    flow = np.ones(6)
    divide = dividing_point(tube, flow)
    assert divide == pytest.approx(3.0, abs=1e-6)
    share = upstream_share(tube, np.array([-0.1, 1.0, 3.0, 5.0, 6.1]), divide)
    np.testing.assert_allclose(share.sum(axis=1), [3.0, 2.0, 0.0, 2.0, 3.0], atol=1e-6)
    assert dividing_point(tube, np.array([2.0, 1.5, 1, 1, 1, 1])) < 3.0
    mm = sheet(tube)
    for joint in (0, 1, 5, 6):
        got = answer(tube, mm, readings(tube, mm, float(joint)))
        assert got.first is not None
        assert got.first.where == (("joint", joint),)


@pytest.mark.parametrize("port", ["concentrate", "feed"])
@pytest.mark.parametrize("joint", range(7))
def test_a_leak_at_every_joint(port: str, joint: int) -> None:
    """Without noise the answer is that joint, decided, and the words name it."""
    tube = Tube(6, port=port)  # type: ignore[arg-type]
    mm = sheet(tube)
    got = answer(tube, mm, readings(tube, mm, float(joint)))
    assert got.first is not None
    assert (got.first.kind, got.first.where, got.decided) == ("joint", (("joint", joint),), True)
    assert got.first.words in got.next_step
    whole = float(VESSEL.flow_m3h @ VESSEL.concentration_mg_l)
    assert got.first.size == pytest.approx(20.0 / whole, rel=0.1)


def test_contributions_show_the_leak() -> None:
    """The stretch across the joint gains what was let in; the elements own what they make."""
    mm = sheet(SIX)
    got = answer(SIX, mm, readings(SIX, mm, 3.0))
    whole = float(VESSEL.flow_m3h @ VESSEL.concentration_mg_l)
    gains = {c.place: c for c in got.contributions}
    worst = max(got.contributions, key=lambda c: c.gained)
    assert worst.place == "element 3, interconnector 3-4, element 4"
    assert worst.gained > 20.0 / (whole + 20.0)
    assert gains["element 2"].concentration_mg_l == pytest.approx(13.3)
    assert sum(c.gained for c in got.contributions) == pytest.approx(1.0)
    assert sum(c.share for c in got.contributions) == pytest.approx(1.0)


def test_what_would_decide() -> None:
    """Samples after the joints only: joint or element is left open, with the sample that decides."""
    x = np.arange(1.0, 7.0) + 0.05
    mm = SIX.distance_mm(x)
    got = answer(SIX, mm, readings(SIX, mm, 4.0))
    assert not got.decided
    assert {e.where for e in got.explanations[:2]} == {(("joint", 4),), (("element", 4),)}
    assert got.next_sample is not None
    assert f"{got.next_sample.distance_mm:.0f} mm" in got.next_step
    more = np.append(mm, got.next_sample.distance_mm)
    after = answer(SIX, more, readings(SIX, more, 4.0))
    assert after.decided
    assert after.first is not None
    assert after.first.where == (("joint", 4),)


def test_bad_readings_are_told() -> None:
    """Negative, missing, outside the tube, where nothing passes: each with its reason, none used."""
    mm = np.append(sheet(SIX), [9000.0, SIX.length_mm])
    shown = np.append(readings(SIX, mm[:-2], 3.0), [40.0, 40.0])
    spoiled = shown.copy()
    spoiled[[1, 4]] = -5.0, np.nan
    got = answer(SIX, mm, spoiled)
    reasons = {o.index: o.reason for o in got.left_out}
    assert set(reasons) == {1, 4, len(mm) - 2, len(mm) - 1}
    assert "impossible" in reasons[1]
    assert "tube is" in reasons[len(mm) - 2]
    assert "no permeate" in reasons[len(mm) - 1]
    assert np.isnan(got.fitted_mg_l[sorted(reasons)]).all()
    assert got.first is not None
    assert got.first.where == (("joint", 3),)


def test_too_few_readings() -> None:
    """Two samples say nothing: no explanation, and the words say where to sample."""
    got = answer(SIX, np.array([300.0, 900.0]), np.array([40.0, 41.0]))
    assert got.first is None
    assert not got.decided
    assert "too few" in got.next_step


def test_a_slip_of_unit_is_asked_about() -> None:
    """One reading a thousand times the others is asked about, with its place."""
    mm = sheet(SIX)
    shown = readings(SIX, mm)
    shown[5] *= 1000.0
    got = answer(SIX, mm, shown)
    assert f"{mm[5]:.0f} mm" in got.questions[0]
    assert "mS/cm" in got.next_step
    assert [o.index for o in got.left_out] == [5]
    assert got.first is not None
    assert got.first.kind == "sound"


def test_conditions_that_cannot_be() -> None:
    """A sound profile that could not be computed: told, and judged as without conditions."""
    mm = sheet(SIX)
    shown = readings(SIX, mm, 3.0)
    nothing = Healthy(np.full(6, np.nan), np.full(6, np.nan))
    got = probe(SIX, mm, shown, healthy=nothing, water=Water(factor=0.5))
    assert "conditions" in got.questions[0]
    assert got.explanations == probe(SIX, mm, shown, water=Water(factor=0.5)).explanations


@pytest.mark.parametrize("inside", [2.2, 2.4, 2.6, 2.8])
def test_a_hole_at_one_place_of_an_element(inside: float) -> None:
    """Salt that enters at a point between two samples of one element is that element's."""
    mm = sheet(SIX)
    got = answer(SIX, mm, readings(SIX, mm, inside))
    assert got.first is not None
    assert (got.first.where, got.decided) == ((("element", 3),), True)


def test_the_sound_vessel_by_its_conditions() -> None:
    """More pressure makes more and purer permeate; a measured drop is met; no pressure gives NaN."""
    stage = Stage(1, 6, 37.2)

    def solve(conditions: Conditions) -> Healthy:
        return healthy_vessel(stage, conditions, water_lmh_bar=3.3, salt_lmh=0.12)

    base = solve(CONDITIONS)
    harder = solve(replace(CONDITIONS, feed_pressure_bar=12.0))
    assert harder.flow_m3h.sum() > base.flow_m3h.sum()
    assert harder.concentration_mg_l[0] < base.concentration_mg_l[0]
    met = solve(replace(CONDITIONS, concentrate_pressure_bar=9.5))
    assert met.pressure_drop_bar == pytest.approx(0.7)
    salt = 9.5 * 2000.0 - float(base.flow_m3h @ base.concentration_mg_l)
    assert base.feed_side_mg_l is not None
    assert base.feed_side_mg_l[-1] * (9.5 - base.flow_m3h.sum()) == pytest.approx(salt)
    for bad in (
        replace(CONDITIONS, feed_pressure_bar=1.0),
        replace(CONDITIONS, feed_flow_m3h=np.nan),
        replace(CONDITIONS, temperature_c=60.0),
        replace(CONDITIONS, feed_flow_m3h=-1.0),
        replace(CONDITIONS, feed_mg_l=-1.0),
    ):
        assert np.isnan(solve(bad).flow_m3h).all(), bad


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Tube(0),
        lambda: Tube(6, dead_mm=600.0),
        lambda: Tube(6, adapter_length_mm=-1.0),
        lambda: Tube(6, port="up"),  # type: ignore[arg-type]
        lambda: Tube(6, port="feed", measured_from="concentrate"),
        lambda: probe(SIX, [300.0], [1.0, 2.0]),
        lambda: probe(SIX, [300.0], [1.0], meter=0.0),
        lambda: probe(SIX, [300.0], [1.0], compensation=Compensation("none")),
        lambda: probe(Tube(5), [300.0], [1.0], healthy=VESSEL),
        lambda: healthy_vessel(Stage(1, 6, 37.2), CONDITIONS, water_lmh_bar=0.0, salt_lmh=0.1),
        lambda: healthy_vessel(
            Stage(1, 6, 37.2), CONDITIONS, water_lmh_bar=3.0, salt_lmh=0.1, slices=0
        ),
    ],
)
def test_a_wrong_argument_raises(wrong: Callable[[], object]) -> None:
    """Geometry, meter or profile that cannot be: the caller's mistake."""
    with pytest.raises(ValueError, match=r"must|need|blocked"):
        wrong()


@pytest.mark.parametrize(
    ("fault", "where"),
    [
        (Fault("o_ring_leak", 1.0, "step", severity=0.01, stage=1, vessel=5, joint=3), "joint"),
        (
            Fault("damaged_element", 1.0, "step", severity=0.01, stage=1, vessel=5, element=3),
            "element",
        ),
    ],
)
def test_the_simulators_own_samples(fault: Fault, where: str) -> None:
    """The samples that the simulator takes, with a meter of 2 %, without knowing the conditions."""
    plant = Plant(replace(load("healthy"), faults=(fault,)), seed=3)
    taken = tube_profile(plant, 1, 5, plant.start_s + 2.0 * DAY_S)
    shown = np.array([r.conductivity_us_cm for r in taken])
    shown = shown * (1.0 + 0.02 * np.random.default_rng(8).standard_normal(len(shown)))
    got = probe(SIX, [r.distance_mm for r in taken], shown)
    assert got.decided
    assert got.first is not None
    assert got.first.where == ((where, 3),)


def test_blind_trials() -> None:
    """96 vessels of 4 to 8 elements, either port, meters of 2 and 3 %, none, one or two faults of at least
    4 meter errors: sound ones are left alone, 95 % of the verdicts and places are right after at most one more
    sample, and so are nearly all that were claimed with more than 90 %."""
    right, sound, suspected = [], 0, 0
    claimed = []
    for i in range(8):
        for t in trials(500 + i, 4 + i % 5, ("sound", "joint", "element", "two")):
            mm, shown = t.distance_mm, t.shown_us_cm
            for more in (True, False):
                got = probe(
                    t.tube,
                    mm,
                    shown,
                    healthy=t.healthy,
                    temperature_c=t.temperature_c,
                    meter=t.meter,
                )
                if not (more and got.next_sample is not None):
                    break
                at = np.array([got.next_sample.distance_mm])
                mm, shown = np.append(mm, at), np.append(shown, t.take(at))
            assert got.first is not None
            right.append(told(got.first) == t.truth)
            if got.first.probability > 0.9:
                claimed.append(right[-1])
            if not t.truth:
                sound += 1
                suspected += got.decided and got.first.kind != "sound"
    assert sound > 15
    assert suspected <= 0.02 * sound
    assert np.mean(right) >= 0.95
    assert np.mean(claimed) >= 0.97
