"""A digest: 15 minutes of steady operation, normalized and robustly summarized, with its uncertainty."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules import robust
from rules.profile import osmotic_slopes
from rules.sections import Plan, SectionInputs
from rules.water import osmotic_pressure_bar

Array = NDArray[np.float64]

BLOCK_S = 900
"""Length of a digest. [s]"""


@dataclass(frozen=True, slots=True)
class Digest:
    """One block of steady operation. Everything that is not known is absent from its mapping.

    start : start of the block, a multiple of `BLOCK_S`. [s since 1970-01-01 UTC]
    minutes : how many minutes it summarizes.
    signals : signal -> median, in the unit of the signal.
    alive : signal -> share of successive minutes of the last hours whose value differed. [-]
    operating : section quantity -> median of what normalization rests on, such as ``1/flux_lmh``.
    values : observable -> median of its logarithm. [-]
    scatter : observable -> standard error of that median from the scatter inside the block. [-]
    uncertainty : observable -> standard uncertainty from the instruments' accuracy. [-]
    explained : observable -> what the residual dependence (`rules.dependence`), as known then, explains of
        `values`; to be taken off them beside the baseline's level. [-]
    """

    start: float
    minutes: int
    signals: Mapping[str, float]
    alive: Mapping[str, float]
    operating: Mapping[str, float]
    values: Mapping[str, float]
    scatter: Mapping[str, float]
    uncertainty: Mapping[str, float]
    explained: Mapping[str, float] = field(default_factory=dict)

    def to_json(self) -> str:
        """All of it as one JSON object; floats are written so that they read back exactly."""
        return json.dumps(
            {
                "start": self.start,
                "minutes": self.minutes,
                "signals": dict(self.signals),
                "alive": dict(self.alive),
                "operating": dict(self.operating),
                "values": dict(self.values),
                "scatter": dict(self.scatter),
                "uncertainty": dict(self.uncertainty),
                "explained": dict(self.explained),
            },
            separators=(",", ":"),
            allow_nan=False,
        )

    @classmethod
    def from_json(cls, text: str) -> "Digest":
        """The inverse of `to_json`."""
        return cls(**json.loads(text))


def finite(names: tuple[str, ...], values: Array) -> dict[str, float]:
    """The named values that are numbers."""
    return {n: float(v) for n, v in zip(names, values, strict=True) if math.isfinite(v)}


OPERATING = (
    "flux_lmh",
    "ndp_bar",
    "recovery",
    "feed_brine_mg_l",
    "feed_mg_l",
    "permeate_mg_l",
    "permeate_flow_m3h",
    "average_flow_m3h",
    "pressure_drop_bar",
    "temperature_c",
    "flow_by_osmotic",
    "passage_by_osmotic",
)
"""Operating quantities of a section, in the order of `operating_names`. The last two: what a relative error of the
osmotic pressure does to its normalized flow and passage. [-]"""


CHANNELS = ("feed_temperature", "feed_ph", "feed_orp", "feed_turbidity", "recovery")
"""What is told of the whole train: signals that bear on causes, and its recovery."""


def operating_names(plan: Plan) -> tuple[str, ...]:
    """Names of everything that `operating_point` can tell: ``1/flux_lmh`` ..., ``feed_orp`` ..."""
    return (
        *(f"{section.name}/{key}" for section in plan.sections for key in OPERATING),
        *CHANNELS,
    )


def operating_point(plan: Plan, values: Array) -> dict[str, float]:
    """What the normalization of each section rests on, at one row of signal values (n_signals,)."""
    return _operating(plan, values, plan.inputs(values[None]), 0)


def _operating(
    plan: Plan, values: Array, inputs: Mapping[str, SectionInputs], row: int
) -> dict[str, float]:
    signals = dict(zip(plan.signals, values.tolist(), strict=True))
    feed, permeate = signals.get("feed_flow", math.nan), signals.get("permeate_flow", math.nan)
    signals["recovery"] = permeate / feed if feed > 0.0 else math.nan
    point = {n: signals[n] for n in CHANNELS if math.isfinite(signals.get(n, math.nan))}
    for name, section in inputs.items():
        rows: dict[str, Array] = {
            "flux_lmh": section.flux_lmh,
            "ndp_bar": section.ndp_bar,
            "recovery": section.recovery,
            "feed_brine_mg_l": section.feed_brine_mg_l,
            "feed_mg_l": section.feed_mg_l,
            "permeate_mg_l": section.permeate_mg_l,
            "permeate_flow_m3h": section.permeate_flow_m3h,
            "average_flow_m3h": (section.feed_flow_m3h + section.concentrate_flow_m3h) / 2.0,
            "pressure_drop_bar": section.feed_pressure_bar - section.concentrate_pressure_bar,
            "temperature_c": section.temperature_c,
        }
        now = {k: float(v[row]) for k, v in rows.items()}
        now["flow_by_osmotic"], now["passage_by_osmotic"] = _by_osmotic(plan, section, row)
        point |= {f"{name}/{k}": v for k, v in now.items() if math.isfinite(v)}
    return point


def _by_osmotic(plan: Plan, section: SectionInputs, row: int) -> tuple[float, float]:
    """What a relative error of the osmotic pressure does to flow and passage of a section. [-]"""
    ndp, warmth = float(section.ndp_bar[row]), float(section.temperature_c[row])
    if not ndp > 0.0:
        return math.nan, math.nan
    if plan.means == "d4516":
        brine = float(section.feed_brine_mg_l[row])
        return float(osmotic_pressure_bar(brine, warmth, plan.train.water)) / ndp, 0.0
    ends = section.feed_pressure_bar[row] + section.concentrate_pressure_bar[row]
    passed = float(osmotic_pressure_bar(section.permeate_mg_l[row], warmth, plan.train.water))
    across = 0.5 * float(ends) - float(section.permeate_pressure_bar[row])
    pressure = across + (passed if math.isfinite(passed) else 0.0)
    return osmotic_slopes(
        float(section.recovery[row]), ndp / pressure if pressure > 0.0 else math.nan
    )


def summarize(plan: Plan, start: float, minutes: Array, alive: Mapping[str, float]) -> Digest:
    """Digest of the steady minutes of one block.

    minutes : (n, n_signals) minute means in SI units, NaN where nothing good was read.
    """
    signals = plan.train.signals
    middle = robust.median(minutes)
    # One pass for the minutes and, below them, their middle: its cost hardly depends on the rows.
    found = plan.evaluate(np.concatenate([minutes, middle[None]]))
    observed, uncertainty = found.observables[:-1], found.uncertainty[-1]
    values = robust.median(observed)
    return Digest(
        start=float(start),
        minutes=len(minutes),
        signals=finite(signals, middle),
        alive=dict(alive),
        operating=_operating(plan, middle, found.inputs, -1),
        values=finite(plan.observables, values),
        scatter=finite(plan.observables, robust.standard_error(observed)),
        uncertainty=finite(plan.observables, np.where(np.isfinite(values), uncertainty, np.nan)),
    )
