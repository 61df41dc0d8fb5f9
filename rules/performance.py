"""One evaluation of a train's performance: deviation, causes, forecast and action as a finding."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules import actions, explain, leak, noise, reasons, robust, signs, trend
from rules.baseline import Baseline
from rules.causes import (
    Candidates,
    Explained,
    Verdict,
    alike,
    as_deviations,
    explain_by,
    judge,
    restrict,
    standing_out,
)
from rules.dependence import Dependence, Learned
from rules.digest import BLOCK_S, Digest, finite, operating_names
from rules.findings import CauseProbability, Finding, Forecast, Presence
from rules.hypotheses import Hypothesis, instrument_hypotheses, membrane_hypotheses
from rules.levels import Level
from rules.osmotic import OsmoticResidue
from rules.sections import Plan
from rules.series import DAY_S, Bin, History, Series
from rules.temperature import KELVIN
from rules.train import Limits, is_interstage
from rules.waiting import Waiting, extra_power_kw, waiting

Array = NDArray[np.float64]

QUICK_S, FAST_S, SLOW_S = 1.5 * 3600.0, 3 * 3600.0, 24 * 3600.0
"""Windows over which the deviations are averaged: for steps, and for slow changes. [s]"""

QUICK_FEWEST, FAST_FEWEST, SLOW_FEWEST = 4, 4, 6

BEFORE_D = (21.0, 9.0)
"""The weeks that the last day is compared with, beside the baseline: what they have in common with it (season,
ageing, what is not yet learned of the train) falls out. [d]"""

BEFORE_FEWEST = 12
"""Six-hour medians that are needed of them."""

SCREEN = 2.5
"""When nothing stands out by this many standard deviations, no cause is looked for."""

MATTER, FURTHER = "performance", "performance:further"
"""What the deviations of a train are told as: the first cause, and one that stands beside it."""

FURTHER_SCREEN, FURTHER_REAL = 4.0, 0.99
"""A second cause is looked for when this many standard deviations are left, and told from this probability on."""

LINEAR = 3.0
"""Beyond so many times its usual size an error of a meter no longer goes by slopes: what it leaves is no finding."""

REAL = 0.95
"""Probability of a fault from which on it is held for real."""

GONE = 0.5
"""Probability of a fault below which it is held to be absent."""

MATTERS = 0.3
"""Share of a limit from which on a real deviation is worth telling."""

METER_MATTERS = 0.5
"""The same of a transmitter's error, in its usual size and in what it does to normalized values: smaller ones wander
by themselves. Common practice, no source. [-]"""

CLEAR, SOON_D = 0.75, 4.0
"""Before a limit is reached, or about to be within so many days, a notice waits until this much of the probability
calls for the same errand: a day's patience is worth more than a wrong errand. [-], [d]"""

FADED = 0.2
"""Share of a limit below which nothing is left to tell."""

STALE_S = 2 * 3600.0
"""Nothing is judged when the last digest ended longer ago than this. [s]"""

BALANCE_LIMIT = 0.06
"""A balance that is off by this much is worth telling. Common practice, no source. [-]"""

CLEARLY = 2.0
"""A quantity is forecast when it has moved by this many standard deviations."""

AFTER_CLEAN = ("operating_change", *leak.LEAKS, *leak.MEMBRANE)
"""Causes of a raised salt passage that are not told while a clean has just ended."""

HOURLY, HOURS = 5, 3.0
"""Rows of fewer digests than this are hours, and count as one of so many. [-]"""

LONGEST_FORECAST_D = 365.0
"""A limit that is further away than this is no news. [d]"""

LONGEST_SLOPE_S, SHORTEST_SLOPE_S = 10 * DAY_S, 3 * DAY_S
"""The forecast rests on a line through the last of these many days, so that it follows acceleration. [s]"""


@dataclass(frozen=True, slots=True)
class Window:
    """Deviations averaged over one window, and the verdict on them; the longest sure one is told.

    deviation : (n,) from the baseline. change, covariance : what was judged: the deviation, or its change since
        the weeks before. leaks : how a risen salt passage answers to temperature and flux.
    """

    seconds: float
    digests: int
    deviation: Array
    change: Array
    covariance: Array
    verdict: Verdict | None
    shape: trend.Shape | None
    leaks: leak.Answer | None = None

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
        usual = np.array([baseline.signals.get(s, np.nan) for s in plan.train.signals])
        jacobian = plan.jacobian(usual)
        known = np.where(np.isfinite(usual), usual, 0.0)
        sigma = [
            float(i.standard_uncertainty(value))
            for i, value in zip(plan.train.instruments, known, strict=True)
        ]
        self._noise = noise.Noise(
            plan.observables,
            baseline.spread,
            noise.STATED if stated else None,
            jacobian * np.array(sigma),
            _around_boosters(plan, baseline),
        )
        self._dependence = Dependence(
            plan.observables,
            operating_names(plan),
            baseline.operating,
            baseline.spread,
            stated=stated,
        )
        self._osmotic = OsmoticResidue(
            plan.observables, self._dependence.operating, baseline.operating
        )
        # Of the evaluation that is going on.
        self._past = History(*(np.empty(0) for _ in range(4)))
        self._deviant = np.empty((0, len(plan.observables)))
        self._point = np.empty(0)
        self._unknown: Array | None = None
        self._seen: Mapping[str, bool] = {}
        hypotheses = membrane_hypotheses(plan) + instrument_hypotheses(plan, usual, jacobian)
        self._candidates = Candidates(hypotheses)

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

    def evaluate(self, series: Series, now: float, cleaned: float = -np.inf) -> list[Finding]:
        """What the deviations say at `now`; nothing when there is too little to judge by. [s]

        cleaned : end of the last clean.
        """
        past = series.history()
        self._past, self._deviant = past, self._deviations(past.rows, past.points)
        names = self._dependence.operating
        self._seen = signs.shown(past, names, self.baseline.operating, now / DAY_S, cleaned=cleaned)
        self._unknown = None
        window = self._chosen(series, now)
        if window is None:
            return []
        verdict = window.verdict
        if verdict is None or verdict.best is None or not restrict(verdict):
            return [self._quiet(window), self._quiet(window, FURTHER)]
        explained = explain_by(verdict.best, window.change, window.covariance)
        return [
            self._finding(window, verdict, verdict.best, explained, window.deviation, now, MATTER),
            self._further(window, verdict, explained, now),
        ]

    def _further(self, window: Window, first: Verdict, explained: Explained, now: float) -> Finding:
        """What the first cause does not explain, when another clearly does."""
        quiet = self._quiet(window, FURTHER)
        meter = first.best is not None and first.best.point is not None
        if not window.sure or (meter and abs(explained.size) > LINEAR):
            return quiet
        left = self._judged(
            replace(window, change=explained.left, covariance=explained.covariance, verdict=None),
            least=FURTHER_SCREEN,
        )
        verdict = left.verdict if left is not None else None
        if left is None or verdict is None or verdict.best is None or first.best is None:
            return quiet
        if not restrict(verdict):
            return quiet
        same = (verdict.best.cause, verdict.best.point) == (first.best.cause, first.best.point)
        if same or verdict.fault < FURTHER_REAL:
            return quiet
        rest = explain_by(verdict.best, left.change, left.covariance)
        return self._finding(left, verdict, verdict.best, rest, explained.left, now, FURTHER)

    def _chosen(self, series: Series, now: float) -> Window | None:
        """The longest window that is sure of a fault; else the longest that there is."""
        slow = self._window(series, now, SLOW_S, SLOW_FEWEST, 2 * SLOW_S)
        if slow is not None and slow.sure:
            return slow
        lately = self._since_before(slow, now)
        if lately is not None and lately.sure:
            return lately
        first = slow
        for seconds, fewest in ((FAST_S, FAST_FEWEST), (QUICK_S, QUICK_FEWEST)):
            window = self._window(series, now, seconds, fewest, 4 * seconds)
            if window is not None and window.sure:
                return window
            first = first or window
        return first

    def _window(
        self, series: Series, now: float, seconds: float, fewest: int, longest: float
    ) -> Window | None:
        """The deviations from the baseline in the last `seconds`, judged."""
        chosen = series.window(now - seconds, fewest, now - longest)
        if chosen is None or now - series.last > STALE_S:
            return None
        count = chosen.stop - chosen.start
        deviation = robust.median(self._deviations(series.levels[chosen], series.points[chosen]))
        if self._unknown is None:
            # Of the longest window that there is; in the shorter ones the weather is the same.
            self._point = robust.median(series.points[chosen])
            self._unknown = self._dependence.covariance(self._point)
        covariance = self._noise.covariance(count, now - self.baseline.end) + self._unknown
        covariance += self._osmotic.covariance(self._point)
        return self._judged(Window(seconds, count, deviation, deviation, covariance, None, None))

    def _since_before(self, slow: Window | None, now: float) -> Window | None:
        """The change of the last day since the weeks before, judged; None when these are not known."""
        if slow is None:
            return None
        day = now / DAY_S
        use = (self._past.days >= day - BEFORE_D[0]) & (self._past.days < day - BEFORE_D[1])
        if use.sum() < BEFORE_FEWEST:
            return None
        before = robust.median(self._deviant[use])
        covariance = self._noise.change(slow.digests, int(self._past.counts[use].sum()))
        point = robust.median(self._past.points[use])
        covariance += self._dependence.covariance(self._point, point)
        covariance += self._osmotic.covariance(self._point, point)
        return self._judged(
            replace(slow, change=slow.deviation - before, covariance=covariance, verdict=None)
        )

    def _judged(self, window: Window, least: float = SCREEN) -> Window | None:
        """The window with its verdict; without one when nothing stands out, None when nothing is known."""
        score = standing_out(window.change, window.covariance)
        if not np.isfinite(score).any():
            return None
        i = int(np.nanargmax(score))
        if score[i] < least:
            return window
        shape = self._shape(i)
        verdict = judge(self._candidates, window.change, window.covariance, shape, self._seen)
        leaks = self._leaks(verdict, shape)
        if leaks is not None:
            lean = {cause: leaks.nats(cause) for cause in (*leak.LEAKS, *leak.MEMBRANE)}
            verdict = judge(
                self._candidates, window.change, window.covariance, shape, self._seen, lean
            )
        return replace(window, verdict=verdict, shape=shape, leaks=leaks)

    def _leaks(self, verdict: Verdict, shape: trend.Shape | None) -> leak.Answer | None:
        """How a risen salt passage answers to temperature and flux, when that is what is found."""
        best = verdict.best
        if shape is None or best is None or best.cause not in (*leak.LEAKS, *leak.MEMBRANE):
            return None
        measured = [s.name for s in self._plan.sections if "salt_passage" in s.quantities]
        if not measured:
            return None
        section = best.section or measured[0]
        names, name = self._dependence.operating, f"{section}/salt_passage"
        if name not in self._plan.observables:
            return None
        past, train = self._past, self._plan.train
        warmth = past.points[:, names.index(f"{section}/temperature_c")]
        kelvin = self.baseline.operating.get(f"{section}/temperature_c", 25.0) + KELVIN
        return leak.answer(
            past.days,
            self._deviant[:, self._plan.observables.index(name)],
            warmth,
            past.points[:, names.index(f"{section}/flux_lmh")],
            shape.onset,
            train.salt_activation_k / kelvin**2,
        )

    def _shape(self, column: int) -> trend.Shape | None:
        past = self._past
        spread = max(float(self._spread[column]), 1e-4)
        own = noise.floor(self._plan.observables[column])
        sigma = np.sqrt(spread**2 * (1.0 / past.counts + noise.WANDER) + (0.3 * own) ** 2)
        # Neighbors within hours are not independent: an hour counts as its part of six.
        sigma = np.where(past.counts < HOURLY, sigma * HOURS**0.5, sigma)
        return trend.shape(past.days, self._deviant[:, column], sigma, own)

    def _quiet(self, window: Window, matter: str = MATTER) -> Finding:
        return Finding(
            matter=matter,
            presence=Presence.ABSENT,
            deviation=as_deviations(self._plan.observables, window.deviation),
            clear_s=DAY_S,
        )

    def _finding(
        self,
        window: Window,
        verdict: Verdict,
        best: Hypothesis,
        explained: Explained,
        moved: Array,
        now: float,
        matter: str,
    ) -> Finding:
        """moved : (n,) deviations that this matter is about: all, or what an earlier one does not explain."""
        plan, train = self._plan, self._plan.train
        causes = restrict(verdict)
        causes = self._tagged(causes)
        first = causes[0]
        section = verdict.section
        action = actions.action(first.cause, self._seen)
        stage = int(section) if section is not None and section.isdigit() else None
        sizes = _sizes(plan.observables, moved, train.limits)
        size = max(sizes.values(), default=0.0)
        least = MATTERS
        if best.point is not None:
            # The error of a transmitter matters by its own size and what it disturbs, not by what else has moved.
            disturbed = _sizes(plan.observables, explained.size * best.mean, train.limits)
            size = max((abs(explained.size), *disturbed.values()))
            least = METER_MATTERS
        since = (window.shape.onset if window.shape else now / DAY_S) * DAY_S
        passed = self._passed(window, section)
        forecast = None
        if action != "check_instrument" and not passed:
            forecast = self._forecast(window, section, since, now)
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
        clear = size >= 1.0 or (days is not None and days <= SOON_D) or _clear(causes)
        presence = _presence(verdict.fault, size, least, near)
        # What a clean leaves passes for a leak or damage, and fades; these stay, and are told once it has.
        residue = first.cause in AFTER_CLEAN and self._seen.get("just_cleaned", False)
        if presence is Presence.PRESENT and (residue or not clear):
            presence = Presence.HELD
        told: tuple[str, ...] = ()
        if presence is Presence.PRESENT:
            costs = self._waiting(deviation, since, now) if action == "clean" else None
            told = (
                *self._reasons(window, best, explained, causes),
                *explain.waiting_lines(costs, train.currency),
            )
        return Finding(
            matter=matter,
            presence=presence,
            stage=stage,
            causes=causes,
            action=action,
            priority=urgency.priority,
            notice_class=urgency.notice_class,
            since=since,
            forecast=forecast,
            deviation=deviation,
            evidence=(
                *told,
                *explain.evidence(
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

    def _reasons(
        self,
        window: Window,
        best: Hypothesis,
        explained: Explained,
        causes: tuple[CauseProbability, ...],
    ) -> tuple[str, ...]:
        """Why, and what would change our mind, in sentences."""
        known = np.isfinite(window.change)
        group = alike(self._candidates, best, window.covariance, known, explained.size)
        return reasons.sentences(
            observables=self._plan.observables,
            change=window.change,
            usual=np.sqrt(np.diag(window.covariance)),
            best=best,
            explained=explained,
            causes=causes,
            alike=self._tagged(group),
            seen=self._seen,
            leaks=window.leaks,
        )

    def _tagged(self, causes: Sequence[CauseProbability]) -> tuple[CauseProbability, ...]:
        """Causes whose transmitters are named by tag."""
        train = self._plan.train.id
        return tuple(
            CauseProbability(c.cause, c.probability, f"{train}/{c.point}" if c.point else None)
            for c in causes
        )

    def _waiting(
        self, deviation: Mapping[str, Mapping[str, float]], since: float, now: float
    ) -> Waiting | None:
        """What it costs not to clean; None when the power is not known."""
        operating = finite(self._dependence.operating, self._point)
        extra = extra_power_kw(deviation, operating)
        return None if extra is None else waiting(extra, since, now, self._plan.train.prices)

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
        self, window: Window, section: str | None, since: float, now: float
    ) -> Forecast | None:
        """When the first limit of the affected section will be reached, None when none is.

        Only what has clearly moved toward its limit is forecast: the rest is noise.
        """
        past, deviations = self._past, self._deviant
        earliest = max(min(since, now - SHORTEST_SLOPE_S), now - LONGEST_SLOPE_S)
        starts = sorted({earliest / DAY_S, (now - SHORTEST_SLOPE_S) / DAY_S})
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


def _around_boosters(plan: Plan, baseline: Baseline) -> dict[str, float]:
    """What a booster pump makes of the balance of pressures around it. [-]"""
    return {
        f"balance/{name}": noise.INTERSTAGE[1] * abs(baseline.values.get(f"balance/{name}", 0.0))
        for name in plan.balances
        if is_interstage(name)
    }


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


def _clear(causes: Sequence[CauseProbability]) -> bool:
    """Whether what to do is clear: most of the probability of a fault calls for the same errand."""
    total = sum(c.probability for c in causes)
    first = actions.errand(causes[0].cause)
    same = sum(c.probability for c in causes if actions.errand(c.cause) == first)
    return same >= CLEAR * total


def _presence(fault: float, size: float, least: float, near_limit: bool) -> Presence:
    if fault >= REAL and (size >= least or near_limit):
        return Presence.PRESENT
    if fault < GONE or (size < FADED and not near_limit):
        return Presence.ABSENT
    return Presence.HELD
