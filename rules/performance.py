"""One evaluation of a train's performance: deviation, causes, forecast and action as a finding."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules import actions, explain, noise, robust, trend
from rules.baseline import Baseline
from rules.causes import (
    Candidates,
    Verdict,
    as_deviations,
    instrument_hypotheses,
    judge,
    membrane_hypotheses,
    restrict,
    standing_out,
)
from rules.dependence import Dependence, Learned
from rules.digest import BLOCK_S, Digest, finite, operating_names
from rules.findings import CauseProbability, Finding, Forecast, Presence
from rules.levels import Level
from rules.sections import Plan
from rules.series import DAY_S, Bin, Series
from rules.train import Limits

Array = NDArray[np.float64]

FAST_S, SLOW_S = 3 * 3600.0, 24 * 3600.0
"""Windows over which the deviations are averaged: for steps, and for slow changes. [s]"""

FAST_FEWEST, SLOW_FEWEST = 4, 6
SCREEN = 2.5
"""When nothing stands out by this many standard deviations, no cause is looked for."""

REAL = 0.95
"""Probability of a fault from which on it is held for real."""

GONE = 0.5
"""Probability of a fault below which it is held to be absent."""

MATTERS = 0.5
"""Share of a limit from which on a real deviation is worth telling."""

FADED = 0.3
"""Share of a limit below which nothing is left to tell."""

STALE_S = 2 * 3600.0
"""Nothing is judged when the last digest ended longer ago than this. [s]"""

BALANCE_LIMIT = 0.06
"""A balance that is off by this much is worth telling. Common practice, no source. [-]"""

CLEARLY = 2.0
"""A quantity is forecast when it has moved by this many standard deviations."""

LONGEST_FORECAST_D = 365.0
"""A limit that is further away than this is no news. [d]"""

LONGEST_SLOPE_S, SHORTEST_SLOPE_S = 10 * DAY_S, 3 * DAY_S
"""The forecast rests on a line through the last of these many days, so that it follows acceleration. [s]"""


@dataclass(frozen=True, slots=True)
class Window:
    """Deviations averaged over one window, and the verdict on them; the longest sure one is told."""

    seconds: float
    digests: int
    deviation: Array
    covariance: Array
    verdict: Verdict | None
    shape: trend.Shape | None

    @property
    def sure(self) -> bool:
        """Whether a fault is held for real."""
        return self.verdict is not None and self.verdict.fault >= REAL


class Performance:
    """Evaluates the deviations of a train against one baseline."""

    def __init__(self, plan: Plan, baseline: Baseline) -> None:
        self._plan = plan
        self.baseline = baseline
        self._reference = np.array([baseline.values.get(o, np.nan) for o in plan.observables])
        self._spread = np.array([baseline.spread.get(o, 0.0) for o in plan.observables])
        stated = baseline.source == "design"
        self._noise = noise.Noise(
            plan.observables, baseline.spread, noise.STATED if stated else None
        )
        self._dependence = Dependence(
            plan.observables,
            operating_names(plan),
            baseline.operating,
            baseline.spread,
            stated=stated,
        )
        usual = np.array([baseline.signals.get(s, np.nan) for s in plan.train.signals])
        self._candidates = Candidates(
            membrane_hypotheses(plan) + instrument_hypotheses(plan, usual)
        )

    def learn(self, closed: Bin) -> None:
        """Learn the residual dependence from six hours of digests."""
        self._dependence.take(
            closed.time, closed.count, closed.levels - self._reference, closed.point
        )

    def deviations(self, levels: Array, points: Array) -> Array:
        """Deviations from the baseline (..., n_observables), as far as the train's constants are known now. [-]"""
        return self._deviations(levels, points)

    def cause_of(self, level: Level) -> CauseProbability | None:
        """The likeliest cause of a level by its directions alone; None when nothing stands out."""
        covariance = self._noise.covariance(level.digests, level.until - self.baseline.end)
        score = standing_out(level.values, covariance)
        if not np.isfinite(score).any() or np.nanmax(score) < SCREEN:
            return None
        causes = restrict(judge(self._candidates, level.values, covariance, None))
        return causes[0] if causes else None

    def explained(self, digest: Digest) -> dict[str, float]:
        """What the residual dependence explains of the levels of a digest, by observable. [-]"""
        operating = self._dependence.operating
        point = np.array([digest.operating.get(name, np.nan) for name in operating])
        return finite(self._plan.observables, self._dependence.correction(point))

    @property
    def learned(self) -> tuple[Learned, ...]:
        """What is known of the constants of this train beside the textbook's."""
        train = self._plan.train
        return self._dependence.learned(
            {
                "permeate_flow": train.water_activation_k,
                "salt_passage": train.salt_activation_k,
                "pressure_drop": train.pressure_drop_exponent,
            }
        )

    def _deviations(self, levels: Array, points: Array) -> Array:
        """Deviations from the baseline (..., n_observables), residual dependence taken off."""
        return np.asarray(levels - self._reference - self._dependence.correction(points))

    def evaluate(self, series: Series, now: float) -> list[Finding]:
        """What the deviations say at `now`; nothing when there is too little to judge by. [s]"""
        slow = self._window(series, now, SLOW_S, SLOW_FEWEST, 2 * SLOW_S)
        window = slow
        if slow is None or not slow.sure:
            fast = self._window(series, now, FAST_S, FAST_FEWEST, 12 * 3600.0)
            if fast is not None and (slow is None or fast.sure):
                window = fast
        if window is None:
            return []
        if window.verdict is None:
            return [self._quiet(window)]
        return [self._finding(series, window, window.verdict, now)]

    def _window(
        self, series: Series, now: float, seconds: float, fewest: int, longest: float
    ) -> Window | None:
        chosen = series.window(now - seconds, fewest, now - longest)
        if chosen is None or now - series.last > STALE_S:
            return None
        count = chosen.stop - chosen.start
        deviation = robust.median(self._deviations(series.levels[chosen], series.points[chosen]))
        covariance = self._noise.covariance(count, now - self.baseline.end)
        covariance += self._dependence.covariance(robust.median(series.points[chosen]))
        score = standing_out(deviation, covariance)
        if not np.isfinite(score).any():
            return None
        i = int(np.nanargmax(score))
        if score[i] < SCREEN:
            return Window(seconds, count, deviation, covariance, None, None)
        shape = self._shape(series, i)
        verdict = judge(self._candidates, deviation, covariance, shape)
        return Window(seconds, count, deviation, covariance, verdict, shape)

    def _shape(self, series: Series, column: int) -> trend.Shape | None:
        past = series.history()
        spread = max(float(self._spread[column]), 1e-4)
        own = noise.floor(self._plan.observables[column])
        sigma = np.sqrt(spread**2 * (1.0 / past.counts + noise.WANDER) + (0.3 * own) ** 2)
        values = self._deviations(past.rows, past.points)[:, column]
        return trend.shape(past.days, values, sigma, own)

    def _quiet(self, window: Window) -> Finding:
        return Finding(
            matter="performance",
            presence=Presence.ABSENT,
            deviation=as_deviations(self._plan.observables, window.deviation),
            clear_s=DAY_S,
        )

    def _finding(self, series: Series, window: Window, verdict: Verdict, now: float) -> Finding:
        plan, train = self._plan, self._plan.train
        causes = restrict(verdict)
        if not causes:
            return self._quiet(window)
        causes = tuple(
            type(c)(c.cause, c.probability, f"{train.id}/{c.point}" if c.point else None)
            for c in causes
        )
        first = causes[0]
        section = verdict.section
        action = actions.ACTION[first.cause]
        stage = int(section) if section is not None and section.isdigit() else None
        sizes = _sizes(plan.observables, window.deviation, train.limits)
        size = max(sizes.values(), default=0.0)
        since = (window.shape.onset if window.shape else now / DAY_S) * DAY_S
        passed = self._passed(window, section)
        forecast = None
        if action != "check_instrument" and not passed:
            forecast = self._forecast(series, window, section, since, now)
        days = (forecast.limit_at - now) / DAY_S if forecast else None
        deviation = as_deviations(plan.observables, window.deviation)
        passage = max(
            (
                q["salt_passage"]
                for s, q in deviation.items()
                if "salt_passage" in q and section in (s, None)
            ),
            default=0.0,
        )
        urgency = actions.urgency(
            cause=first.cause,
            size=size,
            passage=passage,
            stepped=verdict.step >= 0.5,
            limit_days=days,
            horizon_days=train.limits.horizon_days,
        )
        near = days is not None and days <= train.limits.horizon_days
        since = float(np.floor(since / BLOCK_S) * BLOCK_S)
        errors = dict(zip(plan.observables, np.sqrt(np.diag(window.covariance)), strict=True))
        return Finding(
            matter="performance",
            presence=_presence(verdict.fault, size, near),
            stage=stage,
            causes=causes,
            action=action,
            priority=urgency.priority,
            notice_class=urgency.notice_class,
            since=since,
            forecast=forecast,
            deviation=deviation,
            evidence=explain.evidence(
                deviation=deviation,
                balances={
                    o.partition("/")[2]: float(d)
                    for o, d in zip(plan.observables, window.deviation, strict=True)
                    if o.startswith("balance/") and np.isfinite(d)
                },
                errors={k: float(v) for k, v in errors.items()},
                stepped=verdict.step,
                window_hours=window.seconds / 3600.0,
                digests=window.digests,
            ),
            message=explain.performance_message(
                train=train.id,
                stage=stage,
                causes=causes,
                action=action,
                deviation=deviation,
                section=section if section is not None else _largest_section(sizes),
                forecast=forecast,
                passed=passed,
            ),
            confirm_s=urgency.confirm_s,
            clear_s=urgency.clear_s,
        )

    def _passed(self, window: Window, section: str | None) -> tuple[str, ...]:
        """Quantities of the affected section that are past their limit already."""
        found = []
        for name, value in zip(self._plan.observables, window.deviation, strict=True):
            place, quantity = noise.split(name)
            if place == "balance" or (section is not None and place != section):
                continue
            limit = limit_of(quantity, self._plan.train.limits)
            if value / limit >= 1.0:
                found.append(quantity)
        return tuple(dict.fromkeys(found))

    def _forecast(
        self, series: Series, window: Window, section: str | None, since: float, now: float
    ) -> Forecast | None:
        """When the first limit of the affected section will be reached, None when none is.

        Only what has clearly moved toward its limit is forecast: the rest is noise.
        """
        past = series.history()
        earliest = max(min(since, now - SHORTEST_SLOPE_S), now - LONGEST_SLOPE_S)
        starts = sorted({earliest / DAY_S, (now - SHORTEST_SLOPE_S) / DAY_S})
        deviations = self._deviations(past.rows, past.points)
        best: Forecast | None = None
        for column, name in enumerate(self._plan.observables):
            place, quantity = noise.split(name)
            if place == "balance" or (section is not None and place != section):
                continue
            limit = limit_of(quantity, self._plan.train.limits)
            moved = float(np.copysign(1.0, limit)) * window.deviation[column]
            if not moved > CLEARLY * np.sqrt(window.covariance[column, column]):
                continue
            found = trend.range_to(limit, past.days, deviations[:, column], now / DAY_S, starts)
            if found is None or not 0.0 < found.likely <= LONGEST_FORECAST_D:
                continue
            if best is None or now + found.likely * DAY_S < best.limit_at:
                late = None if found.late is None else now + found.late * DAY_S
                best = Forecast(
                    quantity, now + found.likely * DAY_S, now + found.early * DAY_S, late
                )
        return best


def limit_of(quantity: str, limits: Limits) -> float:
    """The relative limit of a quantity as a logarithmic deviation."""
    return float(np.log1p(getattr(limits, quantity)))


def _sizes(observables: Sequence[str], deviation: Array, limits: Limits) -> dict[str, float]:
    sizes = {}
    for name, value in zip(observables, deviation, strict=True):
        section, quantity = noise.split(name)
        if np.isfinite(value):
            scale = BALANCE_LIMIT if section == "balance" else abs(limit_of(quantity, limits))
            sizes[name] = abs(float(value)) / scale
    return sizes


def _largest_section(sizes: Mapping[str, float]) -> str | None:
    sections = {k: v for k, v in sizes.items() if not k.startswith("balance/")}
    return noise.split(max(sections, key=lambda k: sections[k]))[0] if sections else None


def _presence(fault: float, size: float, near_limit: bool) -> Presence:
    if fault >= REAL and (size >= MATTERS or near_limit):
        return Presence.PRESENT
    if fault < GONE or (size < FADED and not near_limit):
        return Presence.ABSENT
    return Presence.HELD
