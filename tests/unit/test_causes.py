"""One likelihood for all causes: signatures, transmitters, priors and timing."""

import numpy as np
import pytest
from numpy.typing import NDArray

from rules import causes, hypotheses, noise, sections
from rules.causes import Candidates
from rules.explain import ONE_VESSEL
from rules.findings import CAUSES
from rules.signatures import SIGNATURES
from rules.trend import Shape
from tests.unit.test_sections import train, values, without

PLAN = sections.plan(train())
NAMES = PLAN.observables
ALL = Candidates(
    hypotheses.membrane_hypotheses(PLAN) + hypotheses.instrument_hypotheses(PLAN, values(PLAN))
)
COVARIANCE = noise.Noise(NAMES, dict.fromkeys(NAMES, 0.004)).covariance(24, 0.0)
RAMP = Shape(10.0, 5.0, 60.0, 55.0, 12.0, 10.0, 0.05, 0.01)
STEP = Shape(10.0, 60.0, 5.0, 4.0, 10.0, 8.0, 0.05, 0.01)


def moved(**changes: float) -> NDArray[np.float64]:
    """Deviations by names such as s1_permeate_flow, 0 elsewhere."""
    z = dict.fromkeys(NAMES, 0.0)
    for key, value in changes.items():
        stage, _, quantity = key.partition("_")
        z[f"{stage[1:]}/{quantity}"] = value
    return np.array(list(z.values()))


def test_signature_causes_are_those_of_findings() -> None:
    """Every cause of the table is a word of the vocabulary, and every membrane word has a row."""
    named = {row.cause for row in SIGNATURES}
    assert named <= set(CAUSES)
    others = {"permeate_backpressure", "instrument_fault", "none"}
    assert set(CAUSES) - others == named


def test_nothing_moved_is_nothing() -> None:
    """Deviations of zero leave hardly any probability of a fault."""
    found = causes.judge(ALL, moved(), COVARIANCE, None)
    assert found.causes[0].cause == "none"
    assert found.fault < 0.03


@pytest.mark.parametrize(
    ("z", "shape", "cause", "section"),
    [
        (moved(s2_permeate_flow=-0.1, s2_salt_passage=0.08, s2_pressure_drop=0.05), RAMP, "scaling", "2"),
        (moved(s1_pressure_drop=0.2, s1_permeate_flow=-0.04), RAMP, "biofouling", "1"),
        (moved(s1_salt_passage=0.25, s1_permeate_flow=0.04), RAMP, "oxidation_damage", "1"),
        (moved(s2_salt_passage=0.4), STEP, "o_ring_leak", "2"),
        (moved(s1_permeate_flow=-0.08, s2_permeate_flow=-0.08), RAMP, "compaction", None),
    ],
)  # fmt: skip
def test_membrane_causes(
    z: NDArray[np.float64], shape: Shape, cause: str, section: str | None
) -> None:
    """Each textbook pattern is named at its place (directions: cause_matrix of the reference)."""
    found = causes.judge(ALL, z, COVARIANCE, shape)
    assert found.causes[0].cause == cause
    assert found.section == section
    assert found.fault > 0.99


METERS = [(s, 0.12) for s in PLAN.signals if s.endswith(("flow", "conductivity"))]
TAPS = [("1/concentrate_pressure", 0.03), ("2/feed_pressure", 0.03)]


@pytest.mark.parametrize(("name", "error"), METERS + TAPS)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_each_transmitter_is_found_by_its_own_error(name: str, error: float, sign: float) -> None:
    """What a wrong reading does to all observables is blamed on that transmitter; taps by their pipe's other end."""
    true = values(PLAN)
    wrong = true.copy()
    wrong[PLAN.signals.index(name)] *= 1.0 + sign * error
    z = PLAN.observe(wrong) - PLAN.observe(true)
    found = causes.judge(ALL, z, COVARIANCE, STEP)
    assert (found.causes[0].cause, found.causes[0].point) == ("instrument_fault", name)


def test_a_drop_lost_with_the_pressures_in_balance_is_a_bypass() -> None:
    """Less pressure drop of stage 1 while both ends of the pipe to stage 2 agree: no tap does that."""
    found = causes.judge(ALL, moved(s1_pressure_drop=-0.2, s1_salt_passage=0.05), COVARIANCE, STEP)
    assert found.causes[0].cause == "brine_seal_bypass"
    assert found.causes[0].probability > 0.9


def test_a_booster_run_differently_is_an_operating_change() -> None:
    """Only the balance of pressures around a pump between the stages moves: neither membrane nor meter."""
    z = moved()
    z[NAMES.index("balance/stage_1_to_2_pressure")] = 0.05
    found = causes.judge(ALL, z, COVARIANCE, STEP)
    assert found.causes[0].cause == "operating_change"


def test_step_and_ramp_decide() -> None:
    """The same rise of salt passage is a leak when it stepped and oxidation when it grew."""
    z = moved(s1_salt_passage=0.25, s1_permeate_flow=0.02)
    assert causes.judge(ALL, z, COVARIANCE, STEP).causes[0].cause in ONE_VESSEL
    assert causes.judge(ALL, z, COVARIANCE, RAMP).causes[0].cause == "oxidation_damage"
    assert causes.judge(ALL, z, COVARIANCE, STEP).step > 0.9
    assert causes.judge(ALL, z, COVARIANCE, RAMP).step < 0.1


def test_causes_that_cannot_be_seen_are_not_offered() -> None:
    """Without pressures of stage 1 no cause that shows first in its pressure drop stands there."""
    few = sections.plan(train(without("1/concentrate_pressure", "2/feed_pressure")))
    offered = {(h.cause, h.section) for h in hypotheses.membrane_hypotheses(few)}
    assert not {o for o in few.observables if o.startswith("1/pressure_drop")}
    assert ("biofouling", "1") not in offered


def test_back_pressure_is_a_cause_where_it_is_not_measured() -> None:
    """Permeate back-pressure is offered for the stages whose permeate pressure nobody measures."""
    pressures = ("1/permeate_pressure", "2/permeate_pressure", "permeate_pressure")
    blind = sections.plan(train(without(*pressures)))
    assert "permeate_backpressure" in {h.cause for h in hypotheses.membrane_hypotheses(blind)}
    assert "permeate_backpressure" not in {h.cause for h in hypotheses.membrane_hypotheses(PLAN)}


def test_only_what_is_known_is_judged() -> None:
    """With every deviation unknown there is no verdict, with some the rest still judges."""
    nothing = causes.judge(ALL, np.full(len(NAMES), np.nan), COVARIANCE, None)
    assert nothing.fault == 0.0
    z = moved(s2_salt_passage=0.4)
    z[:3] = np.nan
    assert causes.judge(ALL, z, COVARIANCE, STEP).causes[0].cause in ONE_VESSEL


def test_no_hypotheses_judge_nothing() -> None:
    """A train that measures too little has none, and nothing is found on it."""
    found = causes.judge(Candidates([]), moved(), COVARIANCE, None)
    assert (found.fault, found.best) == (0.0, None)


def test_what_is_told_is_short() -> None:
    """At most four causes above one per cent are told, never `none`."""
    told = causes.restrict(causes.judge(ALL, moved(s1_pressure_drop=0.1), COVARIANCE, RAMP))
    assert 1 <= len(told) <= 4
    assert all(c.probability >= 0.01 and c.cause != "none" for c in told)


def test_what_stands_out_by_hand() -> None:
    """Two observables that usually move together stand out when they part, one by itself by its own spread."""
    together = np.array([[0.05, 0.049], [0.049, 0.05]])
    # Given the other, the variance left is 0.05 - 0.049²/0.05 = 0.00198, sigma 0.0445; the part of
    # the first that the second does not explain is 0.1 + 0.98 · 0.1 = 0.198: 4.45 sigma.
    score = causes.standing_out(np.array([0.1, -0.1]), together)
    assert score == pytest.approx([4.4497, 4.4497], abs=1e-3)
    alone = causes.standing_out(np.array([0.3, np.nan]), np.diag([0.01, 0.04]))
    assert alone[0] == pytest.approx(3.0)
    assert np.isnan(alone[1])


def test_the_errand_comes_before_its_cause() -> None:
    """Two causes of one errand together beat a third that is likelier than each: a person is sent for the errand."""
    mean, spread = np.array([1.0]), np.array([0.0])
    alike = [
        hypotheses.Hypothesis(name, "1", None, mean, spread, 0.5, (0.02, 3.0), prior)
        for name, prior in (("biofouling", 0.4), ("oxidation_damage", 0.35), ("abrasion", 0.25))
    ]
    found = causes.judge(Candidates(alike), np.array([0.2]), np.array([[0.0001]]), None)
    named = [(c.cause, round(c.probability, 2)) for c in found.causes[:3]]
    assert named == [("oxidation_damage", 0.35), ("biofouling", 0.4), ("abrasion", 0.25)]
