"""Whether a train's meters agree, as its page shows it: raw and reconciled flows and concentrations, and a verdict."""

from dataclasses import dataclass
from math import isfinite

import numpy as np

from daemon import words
from daemon.closure import Meter, closure
from daemon.page.source import Source
from daemon.page.times import SiteTime
from daemon.page.trends import DIGEST_S
from daemon.plantfile.result import TrainConfig
from rules.network import DAY_S, network

UNITS = {"m3/h": "m³/h"}


@dataclass(frozen=True, slots=True)
class MeterView:
    """One meter: what it reads, what the balances make of it, and the difference in per cent.

    reconciled, change : empty where the meters that are not accused do not give the value.
    """

    place: str
    title: str
    measured: str
    reconciled: str
    unit: str
    change: str
    accused: bool


@dataclass(frozen=True, slots=True)
class BalancesView:
    """The balances over the last day of steady operation. as_of : which digests, in words."""

    as_of: str
    detected: bool
    sentences: tuple[str, ...]
    meters: tuple[MeterView, ...]


def balances(train: TrainConfig, source: Source, time: SiteTime) -> BalancesView | None:
    """None when the meters of the train leave no balance to test, or there is no digest yet."""
    its = network(train.model)
    if not its.dof:
        return None
    starts, rows = source.signals(train, DAY_S)
    if not len(starts):
        return None
    points = {p.signal: p for p in train.points}

    def place(signal: str) -> str:
        stage = points[signal].stage
        return "Train" if stage is None else f"Stage {stage}"

    def name(signal: str) -> str:
        title = words.ROLES[points[signal].role].name.lower()
        return f"{title} of {place(signal).lower()}" if points[signal].stage else title

    found = closure(its, its.average(rows), name)
    if found is None:
        return None

    def row(meter: Meter) -> MeterView:
        known = isfinite(meter.reconciled)
        digits = _digits(meter.uncertainty if known else meter.measured_uncertainty)
        title = words.ROLES[points[meter.signal].role].name.replace("conductivity", "salt")
        return MeterView(
            place=place(meter.signal),
            title=title,
            measured=f"{meter.measured:.{digits}f}",
            reconciled=f"{meter.reconciled:.{digits}f} ± {meter.uncertainty:.{digits}f}"
            if known
            else "",
            unit=UNITS.get(meter.unit, meter.unit),
            change=words.percent(100.0 * (meter.reconciled / meter.measured - 1.0))
            if known
            else "",
            accused=meter.accused,
        )

    return BalancesView(
        as_of=f"up to {time.stamp(float(starts[-1]) + DIGEST_S)}",
        detected=found.detected,
        sentences=tuple(_upper(s.replace("m3/h", UNITS["m3/h"])) for s in found.sentences),
        meters=tuple(row(m) for m in found.meters),
    )


def _digits(uncertainty: float) -> int:
    """Decimals that show two digits of an uncertainty, none above ten."""
    return max(0, 1 - int(np.floor(np.log10(uncertainty)))) if uncertainty > 0.0 else 0


def _upper(sentence: str) -> str:
    return sentence[0].upper() + sentence[1:]
