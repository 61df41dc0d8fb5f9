"""The baseline: the reference level of a train, with where it came from."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules import robust
from rules.design import ElementTest
from rules.digest import BLOCK_S, Digest

Source = Literal["first_steady", "window", "design", "after_replacement"]

FEWEST_DIGESTS = 24
"""A baseline rests on at least this many digests, however long they took."""

LONGEST_STRIDE_S = 3600.0
"""Steady time between two digests counts up to this long, so that a gap is not taken for operation. [s]"""


@dataclass(frozen=True, slots=True)
class BaselineRule:
    """How to make the baseline.

    kind : `first_steady` (the first `hours` of steady operation), `window` (`start` to `end`) or
        `design` (as `first_steady`, but permeate flow and salt passage by the element's data sheet).
    hours : steady hours wanted by `first_steady` and `design`. [h]
    start, end : the window. [s since 1970-01-01 UTC]
    element_test : the data sheet, for `design`.
    """

    kind: Literal["first_steady", "window", "design"] = "first_steady"
    hours: float = 48.0
    start: float | None = None
    end: float | None = None
    element_test: ElementTest | None = None

    def __post_init__(self) -> None:
        if self.kind == "window" and (self.start is None or self.end is None):
            raise ValueError("a baseline window needs start and end")
        if (self.kind == "design") != (self.element_test is not None):
            raise ValueError("the element test belongs to a design baseline, which needs one")


@dataclass(frozen=True, slots=True)
class Baseline:
    """Reference levels. `values` and `spread` are per observable (logarithms), the rest as in `Digest`.

    made_at : when the last of its digests ended. [s since 1970-01-01 UTC]
    spread : robust standard deviation of the digests about `values`. [-]
    basis : what the numbers rest on (`rules.sections.Plan.basis`); another basis must not be mixed in.
    """

    made_at: float
    start: float
    end: float
    source: Source
    digests: int
    values: Mapping[str, float]
    spread: Mapping[str, float]
    signals: Mapping[str, float]
    alive: Mapping[str, float]
    operating: Mapping[str, float]
    basis: str = ""

    def to_json(self) -> str:
        """All of it as one JSON object; floats read back exactly."""
        fields = {
            name: dict(value) if isinstance(value, Mapping) else value
            for name in self.__slots__
            for value in [getattr(self, name)]
        }
        return json.dumps(fields, separators=(",", ":"), allow_nan=False)

    @classmethod
    def from_json(cls, text: str) -> "Baseline":
        """The inverse of `to_json`."""
        return cls(**json.loads(text))


class BasisChanged(ValueError):
    """A baseline that was made with another water law, geometry or exponent than is in force now."""


def check_basis(baseline: Baseline, basis: str) -> None:
    """Raise BasisChanged when the baseline rests on another basis: its levels would mean something else."""
    if baseline.basis != basis:
        raise BasisChanged(f"the baseline was made with: {baseline.basis}; now it is: {basis}")


def in_force(begins: ArrayLike, starts: ArrayLike, fresh: ArrayLike = ()) -> NDArray[np.intp]:
    """Which baseline each digest is measured against, as its index; -1 when there is none yet.

    The last that begins at or before the digest, else the first after it: the digests that a baseline
    is learned from are measured against it too. One from before the membranes were replaced does not
    hold for digests after that.

    begins : (m,) starts of the baselines, rising. starts : (n,) starts of the digests.
    fresh : when membranes were replaced. [s since 1970-01-01 UTC] returns : (n,)
    """
    of, at = np.asarray(begins, dtype=float), np.asarray(starts, dtype=float)
    replaced = np.concatenate(([-np.inf], np.sort(np.asarray(fresh, dtype=float))))
    since = replaced[np.searchsorted(replaced, at, side="right") - 1]
    first = np.searchsorted(of, since, side="left")
    last = np.searchsorted(of, at, side="right") - 1
    return np.where(last >= first, last, np.where(first < len(of), first, -1))


def steady_seconds(digests: Sequence[Digest]) -> float:
    """Steady operating time that the digests stand for; the gap between two counts up to an hour. [s]"""
    if not digests:
        return 0.0
    strides = np.diff([d.start for d in digests])
    return float(np.minimum(strides, LONGEST_STRIDE_S).sum()) + BLOCK_S


def inside(rule: BaselineRule, digest: Digest) -> bool:
    """Whether a digest lies wholly in the window of a rule."""
    if rule.start is None or rule.end is None:
        raise ValueError("a baseline window needs start and end")
    return rule.start <= digest.start and digest.start + BLOCK_S <= rule.end


def make(
    rule: BaselineRule,
    digests: Sequence[Digest],
    source: Source,
    until: float,
    design: Mapping[str, float] | None = None,
) -> Baseline | None:
    """The baseline once enough digests are there, else None.

    digests : in order of time, all since commissioning or replacement.
    until : up to when the plant has been watched; a window must have passed. [s]
    design : observable -> level by the data sheet, put in place of the measured one. [-]
    """
    if rule.kind == "window":
        if rule.end is None or until < rule.end:
            return None
        chosen = [d for d in digests if inside(rule, d)]
        enough = True
    else:
        chosen = list(digests)
        enough = steady_seconds(chosen) >= rule.hours * 3600.0
    if not enough or len(chosen) < FEWEST_DIGESTS:
        return None
    made = summarize(chosen, source)
    stated = {name: level for name, level in (design or {}).items() if name in made.values}
    return replace(made, values={**made.values, **stated}) if stated else made


def summarize(digests: Sequence[Digest], source: Source) -> Baseline:
    """Median levels of the digests. What fewer than half of them know is left out."""

    def levels(field: str) -> tuple[dict[str, float], dict[str, float]]:
        rows: list[Mapping[str, float]] = [getattr(d, field) for d in digests]
        names = sorted({name for row in rows for name in row})
        table = np.array([[row.get(name, np.nan) for name in names] for row in rows])
        table = table.reshape(len(rows), len(names))
        enough = np.sum(np.isfinite(table), axis=0) * 2 >= len(rows)
        middle, spread = robust.median(table), robust.sigma(table)
        pairs = [
            (n, float(m), float(s))
            for n, m, s, e in zip(names, middle, spread, enough, strict=True)
            if e
        ]
        return {n: m for n, m, _ in pairs}, {n: s for n, _, s in pairs}

    values, spread = levels("values")
    end = digests[-1].start + BLOCK_S
    return Baseline(
        made_at=end,
        start=digests[0].start,
        end=end,
        source=source,
        digests=len(digests),
        values=values,
        spread=spread,
        signals=levels("signals")[0],
        alive=levels("alive")[0],
        operating=levels("operating")[0],
    )
