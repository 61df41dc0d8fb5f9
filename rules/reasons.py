"""Why a cause is told: what speaks for and against it, what comes next, and what would separate the two."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from rules.causes import Explained
from rules.findings import CauseProbability
from rules.hypotheses import Hypothesis
from rules.leak import LEAKS, MEMBRANE, Answer
from rules.words import CAUSE_WORDS, percent, quantity_words

Array = NDArray[np.float64]

TELLS = 2.0
"""A quantity speaks for or against a cause from this many standard deviations on."""

SIGN_WORDS = {
    "orp_raised": (
        "The ORP of the feed was at least 100 mV above its usual level in the last three weeks.",
        "The ORP of the feed has stayed at its usual level.",
    ),
    "turbid": (
        "The feed has been turbid in the last three weeks.",
        "The turbidity of the feed is as usual.",
    ),
    "ph_raised": ("The pH of the feed is higher than usual.", "The pH of the feed is as usual."),
    "recovery_raised": (
        "The train runs at a higher recovery than at its baseline.",
        "The recovery is that of the baseline.",
    ),
    "hot": ("The feed was above 35 °C in the last three weeks.", "The feed was never hot."),
    "just_cleaned": (
        "A clean ended less than two days ago: its residue shows for so long.",
        "No clean ended in the last two days.",
    ),
}
"""Sign -> sentence when it shows, and when it does not."""

_FOULING = ("biofouling", "colloidal_fouling", "metal_oxide_fouling")
_LEAKS = ("o_ring_leak", "damaged_element")
_DAMAGE = ("oxidation_damage", "abrasion")

TESTS: tuple[tuple[tuple[str, ...], tuple[str, ...], str], ...] = (
    (
        ("biofouling",),
        ("colloidal_fouling", "metal_oxide_fouling"),
        "look at the cartridge filters and a SDI pad: slime means biofilm, brown or gray matter particles or iron",
    ),
    (
        ("colloidal_fouling",),
        ("metal_oxide_fouling",),
        "iron, manganese and aluminum in the feed, and the color of a SDI pad",
    ),
    (_FOULING, ("scaling",), "the saturation of the concentrate, and weighing the tail element"),
    (
        _FOULING,
        ("organic_fouling",),
        "color and TOC of the feed; organic films leave the pressure drop alone",
    ),
    (
        ("organic_fouling",),
        ("compaction",),
        "whether the feed was hot or the pressure high; a clean brings back what organics took, not compaction",
    ),
    (
        ("organic_fouling", "compaction"),
        ("scaling",),
        "the salt passage of the last stage in the coming days, and silica in the concentrate",
    ),
    (
        ("organic_fouling", "compaction", "scaling"),
        ("permeate_backpressure",),
        "a gauge on the permeate line and the position of its valves",
    ),
    (
        _DAMAGE,
        _LEAKS,
        "a survey of the vessels: one vessel high means a leak, all of them damage to the membranes",
    ),
    (_LEAKS[:1], _LEAKS[1:], "a probe with samples at and between the joints of the vessel"),
    (_DAMAGE[:1], _DAMAGE[1:], "the ORP log and a dye test; grit and carbon fines in the filters"),
    (
        ("brine_seal_bypass",),
        ("operating_change",),
        "bringing the recovery back to where it was at the baseline",
    ),
)
"""Pairs of causes, and the test that separates them best. Source: clue and confirmation columns of the cause-symptom
matrix of the tests' reference folder."""


def separates(first: str, second: str) -> str:
    """The test that best tells two causes apart, as the end of a sentence."""
    if "instrument_fault" in (first, second):
        return "a calibrated meter at the same point"
    for some, others, test in TESTS:
        if (first in some and second in others) or (first in others and second in some):
            return test
    return "a survey of the vessels of the stage and the log of what was changed"


def observed(
    observables: Sequence[str], change: Array, usual: Array, best: Hypothesis, explained: Explained
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Sentences for and against a hypothesis, from the deviations.

    change : (n,) deviations that were judged. usual : (n,) standard deviation of each in a healthy train.
    explained : what the hypothesis explains of them.
    """
    speak_for, against = [], []
    error = np.sqrt(np.diag(explained.covariance))
    for i, name in enumerate(observables):
        if not np.isfinite(change[i]):
            continue
        expected = explained.size * best.mean[i]
        what = quantity_words(name)
        if abs(explained.left[i]) >= TELLS * error[i]:
            wanted = "still" if abs(expected) < error[i] else f"about {percent(float(expected))}"
            against.append(f"{what} is {percent(float(change[i]))}, {wanted} would fit")
        elif abs(change[i]) >= TELLS * usual[i] and expected * change[i] > 0.0:
            speak_for.append(f"{what} {percent(float(change[i]))}")
    return tuple(speak_for), tuple(against)


def _leak_or_membrane(found: Answer | None) -> str:
    if found is None or not found.telling:
        return "Temperature and flux have not varied enough since it began to tell a leak from the membrane."
    text = f"(share {found.share:.1f} ± {found.error:.1f}; 1 is a leak, 0 the membrane)"
    if found.share >= 0.75:
        return f"With temperature and flux the added salt goes as a leak would {text}."
    if found.share <= 0.25:
        return f"With temperature and flux the added salt goes as through the membrane {text}."
    return f"With temperature and flux the added salt goes neither as a leak nor as the membrane {text}."


def name_of(cause: CauseProbability) -> str:
    """A cause for people, with its transmitter."""
    if cause.point is not None:
        return f"an error of {cause.point}"
    return CAUSE_WORDS[cause.cause]


def sentences(
    *,
    observables: Sequence[str],
    change: Array,
    usual: Array,
    best: Hypothesis,
    explained: Explained,
    causes: Sequence[CauseProbability],
    alike: Sequence[CauseProbability],
    seen: Mapping[str, bool],
    leaks: Answer | None = None,
) -> tuple[str, ...]:
    """For, against, what the instruments cannot tell apart, the runner-up with the test that separates the two.

    leaks : how a risen salt passage answers to temperature and flux.
    causes : the first, and those after it. alike : causes that this plant's instruments cannot tell from the first.
    """
    lines = []
    speak_for, against = observed(observables, change, usual, best, explained)
    if speak_for:
        lines.append(f"For it: {', '.join(speak_for)}.")
    for sign, probability in best.signs.items():
        if sign in seen and (seen[sign] or probability >= 0.4):
            side = "For it" if seen[sign] else "Against it"
            lines.append(f"{side}: {SIGN_WORDS[sign][0 if seen[sign] else 1]}")
    if against:
        lines.append(f"Against it: {', '.join(against)}.")
    if best.cause in (*LEAKS, *MEMBRANE):
        lines.append(_leak_or_membrane(leaks))
    if alike:
        names = " or ".join(dict.fromkeys(name_of(c) for c in alike))
        lines.append(f"The instruments of this train do not tell it from {names}.")
    if len(causes) > 1:
        second = causes[1]
        lines.append(
            f"Next likely: {name_of(second)} ({100 * second.probability:.0f} %). What would separate the two: "
            f"{separates(causes[0].cause, second.cause)}."
        )
    return tuple(lines)
