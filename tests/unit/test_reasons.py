"""Why a cause is told: for, against, what is alike, and what would separate."""

from itertools import combinations

import numpy as np
import pytest

from rules import causes, noise, reasons
from rules.causes import Candidates
from rules.findings import CAUSES, CauseProbability
from rules.leak import Answer
from rules.signatures import SIGNS
from tests.bench.detection.scores import alike_told
from tests.unit.test_causes import ALL, NAMES, PLAN, moved

COVARIANCE = noise.Noise(NAMES, dict.fromkeys(NAMES, 0.004)).covariance(24, 0.0)


def lines(
    z: np.ndarray,  # type: ignore[type-arg]
    seen: dict[str, bool],
    leaks: Answer | None = None,
    alike: tuple[CauseProbability, ...] = (),
) -> str:
    """All sentences about the first cause of some deviations."""
    verdict = causes.judge(ALL, z, COVARIANCE, None, seen)
    assert verdict.best is not None
    return "\n".join(
        reasons.sentences(
            observables=PLAN.observables,
            change=z,
            usual=np.sqrt(np.diag(COVARIANCE)),
            best=verdict.best,
            explained=causes.explain_by(verdict.best, z, COVARIANCE),
            causes=causes.restrict(verdict),
            alike=alike,
            seen=seen,
            leaks=leaks,
        )
    )


def test_for_and_against_are_told_apart() -> None:
    """Scale with its flow and passage for it, and a drop that falls against it."""
    z = moved(s2_permeate_flow=-0.12, s2_salt_passage=0.10, s2_pressure_drop=0.06)
    assert "For it: normalized permeate flow of stage 2" in lines(z, {})
    odd = moved(s2_permeate_flow=-0.12, s2_salt_passage=0.10, s1_salt_passage=0.08)
    assert "Against it" in lines(odd, {})


def test_signs_are_told() -> None:
    """An oxidant that was seen speaks for oxidation, one that was not against it."""
    z = moved(s1_salt_passage=0.25, s1_permeate_flow=0.04)
    assert "For it: The ORP" in lines(z, {"orp_raised": True})
    assert "Against it: The ORP" in lines(z, {"orp_raised": False})


def test_leak_or_membrane_is_told_or_not_known() -> None:
    """With an answer that tells, its share; without, that it cannot be told."""
    z = moved(s2_salt_passage=0.4)
    assert "have not varied enough" in lines(z, {})
    assert "as a leak would" in lines(z, {}, Answer(0.9, 0.1))
    assert "through the membrane" in lines(z, {}, Answer(0.1, 0.1))
    assert "neither" in lines(z, {}, Answer(0.5, 0.1))


@pytest.mark.parametrize(("first", "second"), list(combinations(CAUSES, 2)))
def test_any_two_causes_have_a_test(first: str, second: str) -> None:
    """The same one whichever comes first."""
    assert reasons.separates(first, second) == reasons.separates(second, first) != ""


def test_every_sign_has_its_sentences() -> None:
    """One when it shows, one when it does not."""
    assert set(reasons.SIGN_WORDS) == set(SIGNS)


def test_two_alike_causes_are_found() -> None:
    """An O-ring and a damaged element look the same to a train; scale on the tail and a lead fouling do not."""
    known = np.ones(len(NAMES), dtype=bool)
    by = {(h.cause, h.section): h for h in ALL.hypotheses}
    found = causes.alike(ALL, by["o_ring_leak", "2"], COVARIANCE, known, 0.3)
    assert "damaged_element" in {c.cause for c in found}
    found = causes.alike(ALL, by["scaling", "2"], COVARIANCE, known, 0.3)
    assert "biofouling" not in {c.cause for c in found}
    assert isinstance(found, tuple)
    assert all(isinstance(c, CauseProbability) for c in found)
    assert isinstance(ALL, Candidates)


def test_the_bench_reads_what_is_not_told_apart() -> None:
    """The evaluation takes the group from the evidence that people are given."""
    alike = (
        CauseProbability("compaction", 0.3),
        CauseProbability("instrument_fault", 0.1, "A/feed_flow"),
    )
    told = lines(moved(s2_permeate_flow=-0.1), {}, alike=alike)
    assert alike_told(told.splitlines()) == {"compaction", "instrument_fault"}
    assert alike_told(lines(moved(s2_permeate_flow=-0.1), {}).splitlines()) == frozenset()
