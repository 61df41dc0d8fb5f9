"""The watch over one train: takes minutes, gives digests, baselines and findings.

The only place in `rules` that remembers. What it remembers is bounded and follows from the stored
digests and the minutes of the last hours, so that a restarted daemon rebuilds it from history:
`absorb_digest`, `absorb_baseline` and `absorb_minute` take what was worked on before, `minute` works on what is new.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules import baseline as baselines
from rules import digest as digests
from rules import transmitters
from rules.baseline import Baseline, BaselineRule
from rules.digest import BLOCK_S, Digest
from rules.explain import place
from rules.findings import CauseProbability, Finding, Presence
from rules.performance import Performance
from rules.sections import Plan
from rules.series import DAY_S, Series
from rules.state import CLEANING, STEADY, UNKNOWN, StateGate
from rules.train import STATUS_ROLES, Train

Array = NDArray[np.float64]

MEMORY_S = 3 * 3600.0
"""Minutes are remembered for this long. [s]"""

SETTLED_S = 24 * 3600.0
"""After a replacement, this much time passes before a new baseline begins. Common practice, no source. [s]"""

LINK_CONFIRM_S = 300.0
VALUE_CONFIRM_S = 1800.0
DROP_CONFIRM_S = 900.0

LARGEST_LEARNING = 4096
"""Digests that may wait for a baseline; a design or window that never comes must not fill the memory."""

NEW_BASELINE = frozenset({"membranes_replaced"})
"""Events after which the old baseline no longer holds."""


@dataclass(frozen=True, slots=True)
class Step:
    """What one minute brought: the train's state, and a digest, a baseline and findings if there are any."""

    state: str
    digest: Digest | None = None
    baseline: Baseline | None = None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class _Row:
    time: float
    values: Array
    down: tuple[str, ...]
    state: str


class Watch:
    """See the module. One for each train.

    device_of : signal -> device that measures it.
    rule : how the baseline is made.
    """

    def __init__(
        self,
        plan: Plan,
        device_of: Mapping[str, str],
        rule: BaselineRule,
    ) -> None:
        self.plan = plan
        self.train: Train = plan.train
        self._device_of = dict(device_of)
        self._devices = tuple(sorted(set(self._device_of.values())))
        self._rule = rule
        self._gate = StateGate(self.train.signals)
        self._series = Series(plan.observables)
        self._memory: deque[_Row] = deque()
        self._learning: list[Digest] = []
        self._learn_from = -np.inf
        self._replaced = False
        self._cleaning = False
        self._usual: Array | None = None
        self._performance: Performance | None = None

    # -- what was worked on before ----------------------------------------------------------

    def absorb_digest(self, digest: Digest) -> None:
        """Take a digest that was stored earlier, in order of time."""
        if self._performance is None and digest.start >= self._learn_from:
            self._learning = [*self._learning, digest][-LARGEST_LEARNING:]
        self._series.add(digest)

    def absorb_baseline(self, baseline: Baseline) -> None:
        """Take a baseline that was made earlier, after the digests it rests on."""
        self._adopt(baseline)

    def absorb_minute(self, time: float, values: Array, down: Sequence[str]) -> None:
        """Take a minute whose findings were written earlier, in order of time."""
        self._remember(time, values, down)

    def event(self, time: float, kind: str) -> None:
        """Take a maintenance event that bears on the rules. [s since 1970-01-01 UTC]"""
        if kind in NEW_BASELINE:
            self._performance, self._usual, self._learning = None, None, []
            self._series = Series(self.plan.observables)
            self._learn_from, self._replaced = time + SETTLED_S, True
        elif kind == "cleaning_start":
            self._cleaning = True
        elif kind == "cleaning_end":
            self._cleaning = False

    # -- what is new ------------------------------------------------------------------------

    def minute(self, time: float, values: Array, down: Sequence[str] = ()) -> Step:
        """Work on one minute.

        time : its start; later than all before. [s since 1970-01-01 UTC]
        values : (n_signals,) means of good readings in SI units, NaN where there were none.
        down : devices that did not answer in the whole minute.
        """
        if values.shape != (len(self.train.signals),):
            raise ValueError(f"expected {len(self.train.signals)} values, got shape {values.shape}")
        digest: Digest | None = None
        baseline: Baseline | None = None
        findings: tuple[Finding, ...] = ()
        if self._memory and time // BLOCK_S != self._memory[-1].time // BLOCK_S:
            digest, baseline, findings = self._close_block(
                self._memory[-1].time // BLOCK_S * BLOCK_S
            )
        first_of_block = not self._memory or time // BLOCK_S != self._memory[-1].time // BLOCK_S
        row = self._remember(time, values, down)
        if row.down or first_of_block:
            findings = (*findings, *self._links(row))
        return Step(STEADY if row.state == "running" else row.state, digest, baseline, findings)

    def _remember(self, time: float, values: Array, down: Sequence[str]) -> _Row:
        if self._memory and time <= self._memory[-1].time:
            raise ValueError(f"minutes must come in order: {time} after {self._memory[-1].time}")
        state = self._gate.minute(time, values, self._usual)
        if self._cleaning:
            state = CLEANING
        row = _Row(time, np.array(values, dtype=float), tuple(down), state)
        self._memory.append(row)
        while self._memory[0].time < time - MEMORY_S:
            self._memory.popleft()
        return row

    def _close_block(
        self, start: float
    ) -> tuple[Digest | None, Baseline | None, tuple[Finding, ...]]:
        end = start + BLOCK_S
        findings = self._values(end)
        rows = [r for r in self._memory if r.time >= start]
        running = [r for r in self._memory if r.state == "running"]
        stuck = self._frozen() if rows[-1].state == "running" else None
        if stuck is not None:
            findings += self._frozen_findings(stuck, end)
        digest = self._digest(start, rows, running, stuck or {})
        made = None
        if digest is not None:
            self.absorb_digest(digest)
            made = self._learn()
            findings += self._drops(digest)
            if self._performance is not None:
                judged = self._performance.evaluate(self._series, end)
                if judged is not None:
                    findings.append(judged)
        return digest, made, tuple(findings)

    def _digest(
        self,
        start: float,
        rows: Sequence[_Row],
        running: Sequence[_Row],
        stuck: Mapping[str, float],
    ) -> Digest | None:
        """A digest of the block when all of it is production, complete and steady; else None."""
        if any(r.state != "running" for r in rows):
            return None
        recent = sum(1 for r in self._memory if r.time >= start - 3 * BLOCK_S)
        if len(rows) < max(1, recent // 8):
            return None
        minutes = np.array([r.values for r in rows])
        for name, since in stuck.items():
            minutes[np.array([r.time >= since for r in rows]), self.train.signals.index(name)] = (
                np.nan
            )
        if not self._gate.is_steady(minutes):
            return None
        alive = transmitters.alive(self.train.signals, np.array([r.values for r in running]))
        made = digests.summarize(self.plan, start, minutes, alive)
        return made if made.values else None

    # -- baseline -----------------------------------------------------------------------------

    def _learn(self) -> Baseline | None:
        if self._performance is not None:
            return None
        made = baselines.make(
            self._rule, self._learning, "after_replacement" if self._replaced else self._rule.kind
        )
        if made is not None:
            self._adopt(made)
        return made

    def _adopt(self, baseline: Baseline) -> None:
        self._performance = Performance(self.plan, baseline)
        self._usual = np.array([baseline.signals.get(s, np.nan) for s in self.train.signals])
        self._learning = []

    @property
    def baseline(self) -> Baseline | None:
        """The baseline in force, None while it is being learned."""
        return self._performance.baseline if self._performance else None

    # -- transmitters and links ---------------------------------------------------------------

    def _links(self, row: _Row) -> list[Finding]:
        found = []
        for device in self._devices:
            lost = device in row.down
            found.append(
                Finding(
                    matter=f"link:{device}",
                    presence=Presence.PRESENT if lost else Presence.ABSENT,
                    causes=(CauseProbability("instrument_fault", 1.0),) if lost else (),
                    action="check_instrument",
                    priority="high",
                    notice_class="alarm",
                    since=self._down_since(device) if lost else None,
                    message=f"{place(self.train.id, None)}: no answer from {device}. "
                    "Nothing is known of what it measures until it answers. Check its power, network and address.",
                    confirm_s=LINK_CONFIRM_S,
                    clear_s=LINK_CONFIRM_S,
                    suppressible=False,
                )
            )
        return found

    def _down_since(self, device: str) -> float:
        since = self._memory[-1].time
        for row in reversed(self._memory):
            if device not in row.down:
                break
            since = row.time
        return since

    def _values(self, end: float) -> list[Finding]:
        """Transmitters that gave no good value in the last two quarter hours while their device answered."""
        rows = [r for r in self._memory if r.time >= end - 2 * BLOCK_S]
        table = np.array([r.values for r in rows])
        found = []
        for column, name in enumerate(self.train.signals):
            answered = np.array([self._device_of[name] not in r.down for r in rows])
            if not answered.any():
                continue
            missing = not np.isfinite(table[answered, column]).any()
            found.append(
                self._transmitter(name, "value", missing, float(rows[0].time), VALUE_CONFIRM_S)
            )
        return found

    def _frozen(self) -> dict[str, float] | None:
        """Frozen transmitters of a running train, None when that cannot be told yet.

        Minutes of standstill count too: what did not move through a stop and a start is frozen.
        """
        baseline = self.baseline
        if baseline is None or len(self._memory) < transmitters.FEWEST_REPEATS:
            return None
        times = np.array([r.time for r in self._memory])
        table = np.array([r.values for r in self._memory])
        return transmitters.frozen(self.train.signals, times, table, baseline.alive)

    def _frozen_findings(self, stuck: Mapping[str, float], end: float) -> list[Finding]:
        baseline = self.baseline
        lively = (
            [s for s, a in baseline.alive.items() if a >= transmitters.ALIVE] if baseline else []
        )
        return [self._transmitter(s, "frozen", s in stuck, stuck.get(s, end), 0.0) for s in lively]

    def _transmitter(
        self, name: str, kind: str, bad: bool, since: float, confirm_s: float
    ) -> Finding:
        tag = f"{self.train.id}/{name}"
        section = name.rpartition("/")[0].partition("-")[0]
        words = {
            "value": f"{tag} has given no usable value for half an hour although its device answers. "
            "Check its wiring, range and address.",
            "frozen": f"{tag} has not moved at all while the train runs: frozen. Do not trust it; "
            "what is computed from it is left out. Check the transmitter and its impulse line.",
        }[kind]
        return Finding(
            matter=f"{kind}:{tag}",
            presence=Presence.PRESENT if bad else Presence.ABSENT,
            stage=int(section) if section.isdigit() else None,
            causes=(CauseProbability("instrument_fault", 0.99, tag),) if bad else (),
            action="check_instrument",
            priority="medium" if kind == "value" else "high",
            notice_class="advisory" if name in STATUS_ROLES else "alarm",
            since=since if bad else None,
            message=f"{place(self.train.id, None)}: {words}",
            confirm_s=confirm_s,
            clear_s=VALUE_CONFIRM_S,
            suppressible=kind == "frozen",
        )

    # -- absolute limits ----------------------------------------------------------------------

    def _drops(self, digest: Digest) -> list[Finding]:
        """The last line for the pressure drop of each section, per vessel and per element."""
        found = []
        limits = self.train.limits
        for section in self.plan.sections:
            drop = digest.operating.get(f"{section.name}/pressure_drop_bar")
            if drop is None or len(section.stages) != 1:
                continue
            stage = section.stages[0]
            elements = self.train.stages[stage - 1].elements_per_vessel
            limit = min(
                limits.pressure_drop_per_vessel_bar, elements * limits.pressure_drop_per_element_bar
            )
            over = drop >= limit
            held = not over and drop > 0.95 * limit
            found.append(
                Finding(
                    matter=f"limit:{section.name}/pressure_drop",
                    presence=Presence.HELD
                    if held
                    else Presence.PRESENT
                    if over
                    else Presence.ABSENT,
                    stage=stage,
                    causes=(CauseProbability("none", 1.0),) if over else (),
                    action="adjust_operation",
                    priority="high",
                    notice_class="alarm",
                    since=digest.start if over else None,
                    message=f"{place(self.train.id, stage)}: pressure drop {drop:.2f} bar, limit {limit:.2f} bar. "
                    "Elements can be pushed together and break. Lower the feed flow or stop "
                    "the train by site procedure.",
                    confirm_s=DROP_CONFIRM_S,
                    clear_s=DAY_S / 24.0,
                )
            )
        return found


def idle(state: str) -> bool:
    """Whether a state is none in which membranes can be judged."""
    return state not in (STEADY, UNKNOWN)
