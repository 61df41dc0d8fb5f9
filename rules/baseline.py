"""The baseline: the reference level of a train, with where it came from."""

import itertools
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rules import robust
from rules.digest import BLOCK_S, Digest

Source = Literal["first_steady", "window", "design", "after_replacement"]

FEWEST_DIGESTS = 24
"""A baseline rests on at least this many digests, however long they took."""

LONGEST_STRIDE_S = 3600.0
"""Steady time between two digests counts up to this long, so that a gap is not taken for operation. [s]"""


@dataclass(frozen=True, slots=True)
class BaselineRule:
    """How to make the baseline.

    kind : `first_steady` (the first `hours` of steady operation) or `window` (`start` to `end`).
    hours : steady hours wanted by `first_steady`. [h]
    start, end : the window. [s since 1970-01-01 UTC]
    """

    kind: Literal["first_steady", "window"] = "first_steady"
    hours: float = 48.0
    start: float | None = None
    end: float | None = None


@dataclass(frozen=True, slots=True)
class Baseline:
    """Reference levels. `values` and `spread` are per observable (logarithms), the rest as in `Digest`.

    made_at : when the last of its digests ended. [s since 1970-01-01 UTC]
    spread : robust standard deviation of the digests about `values`. [-]
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


def steady_seconds(digests: Sequence[Digest]) -> float:
    """Steady operating time that the digests stand for; the gap between two counts up to an hour. [s]"""
    total = 0.0
    for before, after in itertools.pairwise(digests):
        total += min(after.start - before.start, LONGEST_STRIDE_S)
    return total + (BLOCK_S if digests else 0.0)


def make(rule: BaselineRule, digests: Sequence[Digest], source: Source) -> Baseline | None:
    """The baseline once enough digests are there, else None.

    digests : in order of time, all since commissioning or replacement.
    """
    if rule.kind == "window":
        if rule.start is None or rule.end is None:
            raise ValueError("a baseline window needs start and end")
        if not digests or digests[-1].start + BLOCK_S < rule.end:
            return None
        chosen = [d for d in digests if rule.start <= d.start and d.start + BLOCK_S <= rule.end]
        if len(chosen) < FEWEST_DIGESTS:
            return None
    else:
        chosen = list(digests)
        if len(chosen) < FEWEST_DIGESTS or steady_seconds(chosen) < rule.hours * 3600.0:
            return None
    return summarize(chosen, source)


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
