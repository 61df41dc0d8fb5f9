"""One evaluation of one train: which notices change, and what happened to them. Pure: no I/O and no clock.

Delays. PRESENT for `confirm_s` raises, ABSENT for `clear_s` clears. A contrary judgement restarts a
delay; HELD, a suppressing state of the train, and a silence of more than `SILENCE_S` between two evaluations
freeze it: what was counted stays counted, the time without judgement does not count. No finding for a
matter leaves it as it was.

Updates are told only when a person would want to know: the first cause, action, priority (when it rises) or
class is another one for eight evaluations running (two hours of digests), at once when it becomes an alarm; a
forecast appears, or leaves the range that was told by more than that range is long, a day and a fifth of the
remaining time; the largest deviation has grown by five percentage points and by half of what was told. At most
one in an hour of plant time, unless it becomes an alarm.

Good news (a train is fit for service) closes by itself once it is over: there is nothing to acknowledge.

A notice keeps the onset (`since`) it was raised with until it clears: a better estimate of it is no news.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import expm1, isfinite
from typing import Any

from daemon import messages
from daemon.lifecycle import SET_ASIDE, Delay, Event, State, advance
from daemon.rows import Notice, iso
from rules.findings import Finding, Forecast, Presence

SUPPRESSING = ("stopped", "starting", "flushing", "cleaning")
RUNNING = ("disturbed", "steady")
STATES = (*SUPPRESSING, *RUNNING, "unknown")
SILENCE_S = 6 * 3600.0  # longer than the sampling of any plant that is being watched
UPDATE_INTERVAL_S = 3600.0
EVALUATIONS_TO_CHANGE = 8  # two hours of quarter hours: longer than a cause flickers
FORECAST_SHARE = 0.2
FORECAST_S = 86400.0
GROWTH_PERCENT = 5.0
GROWTH_SHARE = 0.5  # of what was told: at +40 % five points more are no news
RANKS = ("low", "medium", "high")


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happened to a notice: `notice` is how it stands afterwards."""

    notice: Notice
    event: str
    body: dict[str, Any]
    speak: bool
    message: str = ""
    reasons: tuple[str, ...] = ()
    back: bool = False


class Round:
    """One evaluation of one train: which notices change, and what happened to them. No I/O of its own."""

    def __init__(
        self,
        train: str,
        now: float,
        last: float | None,
        state: str,
        next_number: Callable[[], int],
        *,
        refresh: bool,
    ) -> None:
        self.train = train
        self.now = now
        self.silent_since = last if last is not None and now - last > SILENCE_S else None
        self.state = state
        self.next_number = next_number
        self.refresh = refresh
        self.changed: dict[str, Notice] = {}
        self.steps: list[Step] = []
        self._raised = 0

    def run(self, live: dict[str, Notice], findings: Sequence[Finding]) -> None:
        """Shelves first, then suppression, then the findings in the order given, then what was not judged."""
        for before in live.values():
            after = self._suppression(self._shelf(self._silence(before)))
            if after is not before:
                self.changed[after.matter] = after
        for finding in findings:
            standing = self.changed.get(finding.matter) or live.get(finding.matter)
            if standing is not None and not standing.live:
                # Closed in this very round; a condition that is there again opens a new notice next time.
                continue
            judged = self._judge(standing, finding)
            if judged is not None and judged is not standing:
                self.changed[finding.matter] = judged
        if self.state not in RUNNING:
            self._freeze_the_rest(live, {f.matter for f in findings})

    def _freeze_the_rest(self, live: dict[str, Notice], judged: set[str]) -> None:
        for matter, before in live.items():
            notice = self.changed.get(matter, before)
            if matter in judged or not notice.live or not notice.suppressible:
                continue
            delay = notice.delay.freeze(self.now)
            if delay is not notice.delay:
                self.changed[matter] = replace(notice, delay=delay)

    def _step(
        self,
        notice: Notice,
        event: str,
        body: Callable[[Notice], dict[str, Any]] | None = None,
        *,
        speak: bool = False,
        message: str = "",
        reasons: tuple[str, ...] = (),
        back: bool = False,
    ) -> Notice:
        notice = replace(notice, steps=notice.steps + 1)
        if event in ("raised", "updated") or speak:
            # An update of a notice that is set aside is journalled, not sent, and not repeated either.
            notice = mark_told(notice, self.now)
        notice = closed_if_done(notice, self.now)
        made = body(notice) if body else short_body(notice, event, self.now)
        self.steps.append(Step(notice, event, made, speak, message, reasons, back))
        return notice

    def _silence(self, notice: Notice) -> Notice:
        if self.silent_since is None or not notice.delay.running:
            return notice
        delay = notice.delay.freeze(self.silent_since)
        return notice if delay is notice.delay else replace(notice, delay=delay)

    def _shelf(self, notice: Notice) -> Notice:
        if notice.state is not State.SHLVD or notice.shelved_until is None:
            return notice
        if self.now < notice.shelved_until:
            return notice
        back = come_back(notice, Event.UNSHELVE)
        return self._step(
            back,
            "unshelved",
            lambda n: (
                short_body(n, "unshelved", self.now) | {"by": "", "reason": "shelf time over"}
            ),
            speak=notice.present,
            message=notice.message,
        )

    def _suppression(self, notice: Notice) -> Notice:
        if notice.id is None or not notice.suppressible:
            return notice
        if self.state in SUPPRESSING and notice.state in (State.UNACK, State.ACKED):
            # A returned notice only waits for its acknowledgement: there is nothing to suppress.
            notice = replace(notice, state=advance(notice.state, Event.SUPPRESS))
            return self._step(notice, "suppressed", self._why)
        if self.state in RUNNING and notice.state is State.DSUPR:
            state = advance(notice.state, Event.UNSUPPRESS, present=notice.present)
            if state is State.UNACK and notice.acknowledged_at is not None:
                # It was acknowledged before or during the stop, and is the same condition still.
                state = advance(state, Event.ACKNOWLEDGE)
            return self._step(replace(notice, state=state), "unsuppressed", self._why)
        return notice

    def _why(self, notice: Notice) -> dict[str, Any]:
        event = "suppressed" if notice.state is State.DSUPR else "unsuppressed"
        return short_body(notice, event, self.now) | {"reason": f"train {self.state}"}

    def _judge(self, notice: Notice | None, finding: Finding) -> Notice | None:
        presence = finding.presence
        suppressed = notice is not None and notice.state is State.DSUPR
        if finding.suppressible and (self.state in SUPPRESSING or suppressed):
            presence = Presence.HELD
        if notice is None:
            if presence is not Presence.PRESENT:
                return None
            notice = Notice(self.train, finding.matter, suppressible=finding.suppressible)
        delay = notice.delay.judge(
            presence, self.now, on_s=finding.confirm_s, off_s=finding.clear_s
        )
        if delay.active and not notice.delay.active:
            onset = notice.delay.since if notice.delay.since is not None else self.now
            return self._occur(replace(notice, delay=delay, onset=onset), finding)
        if notice.delay.active and not delay.active:
            return self._return(replace(notice, delay=delay), finding)
        if notice.id is None and not delay.running:
            return replace(notice, delay=delay, live=False)
        if delay is not notice.delay:
            notice = replace(notice, delay=delay)
        if delay.active and presence is Presence.PRESENT:
            notice = self._update(notice, finding)
        if self.refresh and notice.id is not None:
            notice = replace(notice, latest=self._latest(notice, finding, presence))
        return notice

    def _latest(self, notice: Notice, finding: Finding, presence: Presence) -> dict[str, Any]:
        """What is newest: all of it while the condition is present, else the deviations that are known."""
        newest = dict(notice.newest)
        if presence is Presence.PRESENT:
            newest = _picture(finding, notice.picture["since"])
        elif deviation := _deviation(finding):
            newest["deviation"] = deviation
        return newest | {"at": self.now, "presence": presence.value}

    def _occur(self, notice: Notice, finding: Finding) -> Notice:
        notice = replace(
            notice,
            picture=_picture(finding, _since(finding, notice.onset)),
            suppressible=finding.suppressible,
            cleared_at=None,
        )
        if notice.id is None:
            number = self.next_number() + self._raised
            self._raised += 1
            notice = replace(
                notice,
                id=f"{self.train}-{number:04d}",
                number=number,
                state=advance(notice.state, Event.OCCUR),
                raised_at=self.now,
            )
            return self._step(
                notice,
                "raised",
                lambda n: _body(n, "raised", self.now, finding.message),
                speak=True,
                message=finding.message,
            )
        aside = notice.state in SET_ASIDE
        message = f"Back again: {finding.message}"
        if not aside:
            notice = replace(
                notice,
                state=advance(notice.state, Event.OCCUR),
                acknowledged_at=None,
                acknowledged_by="",
                acknowledged_note="",
            )
        return self._step(
            notice,
            "updated",
            lambda n: _body(n, "updated", self.now, message),
            speak=not aside,
            message=message,
            back=True,
        )

    def _return(self, notice: Notice, finding: Finding) -> Notice:
        aside = notice.state in SET_ASIDE
        message = messages.cleared_message(notice)
        picture = dict(notice.picture) | {"forecast": None}
        deviation = _deviation(finding)
        if deviation:
            picture["deviation"] = deviation
        notice = replace(
            notice,
            picture=picture,
            forecast_told=None,
            cleared_at=self.now,
            candidate=(),
            candidate_seen=0,
        )
        if not aside:
            notice = replace(notice, state=advance(notice.state, Event.RETURN))
            if notice.state is State.RTNUN and finding.closes_itself:
                notice = replace(notice, state=advance(notice.state, Event.ACKNOWLEDGE))
        return self._step(
            notice,
            "cleared",
            lambda n: _body(n, "cleared", self.now, message),
            speak=not aside and not finding.closes_itself,
            message=message,
        )

    def _update(self, notice: Notice, finding: Finding) -> Notice:
        verdict = _verdict(finding)
        told = _told_verdict(notice)
        escalates = verdict[-1] == "alarm" and told[-1] == "advisory"
        if verdict == told:
            if notice.candidate:
                notice = replace(notice, candidate=(), candidate_seen=0)
        elif verdict != notice.candidate:
            notice = replace(notice, candidate=verdict, candidate_seen=1)
        elif notice.candidate_seen < EVALUATIONS_TO_CHANGE:
            notice = replace(notice, candidate_seen=notice.candidate_seen + 1)
        told_at = notice.told_at if notice.told_at is not None else self.now
        if not escalates and self.now - told_at < UPDATE_INTERVAL_S:
            return notice
        reasons: list[str] = []
        if escalates or notice.candidate_seen >= EVALUATIONS_TO_CHANGE:
            reasons.extend(_changes(told, verdict))
        if finding.forecast is not None:
            reasons.extend(_forecast_moved(notice, finding.forecast, self.now))
        before = notice.deviation_told_percent
        grown = _largest_percent(finding.deviation) - before
        # A rounding error must not decide whether somebody is told.
        if grown >= max(GROWTH_PERCENT, GROWTH_SHARE * before) - 1e-9:
            reasons.append(f"the largest deviation grew by {grown:.1f} percentage points")
        if not reasons:
            return notice
        if escalates and notice.state is State.SHLVD:
            # What was shelved was an advisory; an alarm is another thing.
            notice = self._step(
                come_back(notice, Event.UNSHELVE),
                "unshelved",
                lambda n: (
                    short_body(n, "unshelved", self.now) | {"by": "", "reason": "became an alarm"}
                ),
            )
        state = notice.state
        if escalates and state is State.ACKED:
            state = advance(state, Event.REALARM)
            notice = replace(notice, acknowledged_at=None, acknowledged_by="", acknowledged_note="")
        notice = replace(notice, state=state, picture=_picture(finding, notice.picture["since"]))
        return self._step(
            notice,
            "updated",
            lambda n: _body(n, "updated", self.now, finding.message),
            speak=state not in SET_ASIDE,
            message=finding.message,
            reasons=tuple(reasons),
        )


def come_back(notice: Notice, event: Event) -> Notice:
    """Off the shelf, or in service again; a condition that is still there is announced like a new one."""
    state = advance(notice.state, event, present=notice.present)
    return replace(
        notice,
        state=state,
        shelved_until=None,
        aside_by="",
        aside_reason="",
        acknowledged_at=None,
        acknowledged_by="",
        acknowledged_note="",
    )


def closed_if_done(notice: Notice, now: float) -> Notice:
    if notice.id is not None and notice.state is State.NORM:
        return replace(notice, live=False, closed_at=now, delay=Delay())
    return notice


def mark_told(notice: Notice, now: float) -> Notice:
    """The notice once its picture has been put into words."""
    forecast = notice.forecast
    classes = notice.classes_told
    if notice.notice_class not in classes:
        classes = (*classes, notice.notice_class)
    return replace(
        notice,
        latest={},
        told_at=now,
        classes_told=classes,
        candidate=(),
        candidate_seen=0,
        # A forecast that vanishes and comes back the same is no news: the last one told is kept.
        forecast_told=forecast["limit_at"] if forecast else notice.forecast_told,
        deviation_told_percent=_largest_percent(notice.deviation),
    )


def _verdict(finding: Finding) -> tuple[str, ...]:
    first = finding.causes[0] if finding.causes else None
    return (
        finding.cause,
        (first.point or "") if first else "",
        finding.action,
        finding.priority,
        finding.notice_class,
    )


def _told_verdict(notice: Notice) -> tuple[str, ...]:
    told = notice.picture
    causes = told["causes"]
    return (
        causes[0]["cause"] if causes else "none",
        (causes[0]["point"] or "") if causes else "",
        told["action"],
        told["priority"],
        told["notice_class"],
    )


def _changes(told: tuple[str, ...], verdict: tuple[str, ...]) -> list[str]:
    """What is another thing than was told; a priority that falls is no news, it clears in the end."""
    found = []
    if told[:2] != verdict[:2]:
        old, new = (
            messages.cause_words({"cause": cause, "point": point})
            for cause, point in (told[:2], verdict[:2])
        )
        found.append(f"cause {new} instead of {old}")
    for name, old, new in zip(("action", "priority", "class"), told[2:], verdict[2:], strict=True):
        if old != new and not (name == "priority" and RANKS.index(new) < RANKS.index(old)):
            found.append(f"{name} {new} instead of {old}".replace("_", " "))
    return found


def _forecast_moved(notice: Notice, forecast: Forecast, now: float) -> list[str]:
    """What was told of the limit is wrong now: the range told is left by more than its own length."""
    told = notice.forecast_told
    if told is None:
        return ["a date can be given for the limit"]
    moved = forecast.limit_at - told
    if moved > 0 and notice.forecast and notice.forecast["quantity"] != forecast.quantity:
        # The quantity that was told is so near its limit that it has no date: that limit is the news to come.
        return []
    if abs(moved) <= max(FORECAST_S, FORECAST_SHARE * max(told - now, 0.0), _range_told(notice)):
        return []
    word = "later" if moved > 0 else "earlier"
    return [f"the limit is forecast {abs(moved) / 86400:.1f} days {word} than told"]


def _range_told(notice: Notice) -> float:
    """From the early to the late end of the forecast that was told; an open end counts as far as the early. [s]"""
    told = notice.forecast
    if told is None:
        return 0.0
    late = told["late"] if told["late"] is not None else 2.0 * told["limit_at"] - told["early"]
    return float(late - told["early"])


def _largest_percent(deviation: Mapping[str, Mapping[str, float]]) -> float:
    values = [abs(expm1(v)) for section in deviation.values() for v in section.values()]
    return 100.0 * max((v for v in values if isfinite(v)), default=0.0)


def _deviation(finding: Finding) -> dict[str, dict[str, float]]:
    """What is known of the deviations; a NaN is not known."""
    return {
        section: {quantity: float(v) for quantity, v in values.items() if isfinite(v)}
        for section, values in finding.deviation.items()
    }


def _since(finding: Finding, onset: float | None) -> float | None:
    """When it began: what the rules found, else when the evidence began. [s]"""
    return finding.since if finding.since is not None else onset


def _picture(finding: Finding, since: float | None) -> dict[str, Any]:
    forecast = finding.forecast
    return {
        "stage": finding.stage,
        "causes": [
            {"cause": c.cause, "probability": float(c.probability), "point": c.point}
            for c in finding.causes
        ],
        "action": finding.action,
        "priority": finding.priority,
        "notice_class": finding.notice_class,
        "since": since,
        "forecast": None
        if forecast is None
        else {
            "quantity": forecast.quantity,
            "limit_at": float(forecast.limit_at),
            "early": float(forecast.early),
            "late": None if forecast.late is None else float(forecast.late),
        },
        "deviation": _deviation(finding),
        "evidence": list(finding.evidence),
        "message": finding.message,
    }


def short_body(notice: Notice, event: str, now: float) -> dict[str, Any]:
    return {"time": iso(now), "train": notice.train, "event": event, "notice": notice.id}


def _body(notice: Notice, event: str, now: float, message: str) -> dict[str, Any]:
    """The JSON object of DESIGN.md for raised, updated and cleared."""
    forecast = notice.forecast
    return {
        **short_body(notice, event, now),
        "stage": notice.stage,
        "cause": notice.cause,
        "causes": [{**c, "probability": round(c["probability"], 4)} for c in notice.causes],
        "action": notice.action,
        "priority": notice.priority,
        "since": iso(notice.picture["since"]),
        "forecast": None
        if forecast is None
        else {name: iso(forecast[name]) for name in ("limit_at", "early", "late")},
        "deviation": {
            section: {quantity: round(v, 5) for quantity, v in values.items()}
            for section, values in notice.deviation.items()
        },
        "message": message,
    }
