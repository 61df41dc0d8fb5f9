"""Forwarding: minutes and deviations from the store to an InfluxDB v2 compatible server.

The store is the outbox: a mark per train and stream says how far the server has taken it, and moves
only after the server's yes, so a kill in between sends some lines twice and loses none. A server may
lose what it took last when it dies (seen: 8 s old), so after it was gone, and after our own restart,
everything taken within the last minute before is sent again; the same line twice is one point.

    taken                 the mark moves
    busy, slow or gone    everything is kept; tried again with a growing, capped pause by chance
    refused, misaddressed everything is kept; tried again slowly; needs a person
    too large             sent in halves
    a bad line            found by halving, parked in the record, and passed

Requests run one at a time in a thread of their own, at most half of the time: polling never waits.
"""

import logging
import random
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import NoReturn

from daemon.clock import Clock
from daemon.history_reader import Fact, HistoryReader
from daemon.influx import Answer, InfluxWriter, LineWriter, Reply
from daemon.lineprotocol import MinuteLines, deviation_lines
from daemon.plantfile.result import Plant, TrainConfig
from daemon.record import Record
from daemon.threads import in_side_thread, in_thread
from rules.baseline import in_force
from rules.watch import NEW_BASELINE

_log = logging.getLogger(__name__)

LOST, REFUSED, PARKED, BACK = "forward_lost", "forward_refused", "forward_parked", "forward_back"
"""Kinds of facts: server away, server needs a person, lines refused for good, all well again."""

SERVER = "forward"
"""Subject of facts about the server as a whole; a stream's own is ``A/minute``."""

RESEND_S = 60.0
"""What was taken this long before the last yes is on the server's disk. Seen: lost when killed 8 s after
a 204, kept at 15 s; the rest is margin. [s]"""

READ_ITEMS = 2000  # minutes or digests read at once: some MB of lines
BATCH_LINES = 1000  # a few hundred kB before gzip
_FEWEST_LINES = 50  # a link too slow for so few is down
SYSTEMATIC = 20
"""Bad lines in a row, with none taken between them, after which it is not the lines."""
_LONGEST_ASKED_S = 3600.0
_FACTS = 200  # more than all streams can have open at once
_BREATH_S = 0.02


@dataclass(frozen=True, slots=True)
class Item:
    """One minute or digest: where it stands in its stream, and its lines (none: nothing to send)."""

    at: float
    lines: tuple[bytes, ...]


Source = Callable[[float], Iterable[Item]]
"""Gives the items after a position, in order."""


@dataclass(slots=True)
class _Stream:
    """The standing of one stream. position, resend_from : plant time; not_before : monotonic. [s]

    taken : when (monotonic) the server took it up to which position, of the last minute.
    """

    train: str
    name: str
    source: Source
    position: float = float("-inf")
    resend_from: float = float("-inf")
    taken: deque[tuple[float, float]] = field(default_factory=deque)
    bad_in_row: int = 0
    not_before: float = float("-inf")

    @property
    def subject(self) -> str:
        return f"{self.train}/{self.name}"

    def move(self, at: float, now: float) -> None:
        """The server took it up to `at`."""
        self.position = at
        self.taken.append((now, at))
        while self.taken[0][0] <= now - RESEND_S:
            self.resend_from = self.taken.popleft()[1]

    def rewind(self) -> None:
        """Send again what the server may have lost."""
        self.position = min(self.position, self.resend_from)
        self.taken.clear()


class _Failed(Exception):
    """The server did not take a batch; nothing was moved."""

    def __init__(self, reply: Reply) -> None:
        super().__init__(reply.error)
        self.reply = reply


class _AllBad(Exception):
    """The server refuses line after line of one stream."""


class Forwarder:
    """Forwards what is stored until it is cancelled.

    note : takes facts, as `History.add_fact`. writer : to the target of the plant file by default.
    first_s, longest_s : pauses after failures, the first and the longest. [s]
    person_s : pause when only a person can help. look_every_s : how often to look for new minutes. [s]
    batch_lines : most lines in one request.
    """

    def __init__(
        self,
        record: Record,
        history: HistoryReader,
        plant: Plant,
        clock: Clock,
        *,
        note: Callable[[float, str, str, str], None],
        writer: LineWriter | None = None,
        first_s: float = 1.0,
        longest_s: float = 60.0,
        person_s: float = 300.0,
        look_every_s: float = 5.0,
        batch_lines: int = BATCH_LINES,
        chance: random.Random | None = None,
    ) -> None:
        if not 0 < first_s <= longest_s:
            raise ValueError(f"need 0 < first_s <= longest_s, got {first_s!r} and {longest_s!r}")
        if not (person_s > 0 and look_every_s > 0):
            raise ValueError(f"pauses must be above 0 s, got {person_s!r} and {look_every_s!r}")
        if batch_lines < 1:
            raise ValueError(f"batch_lines must be at least 1, got {batch_lines!r}")
        if writer is None:
            if plant.forward is None:
                raise ValueError("the plant file has no [forward] table")
            writer = InfluxWriter(plant.forward)
        self._writer = writer
        self._record = record
        self._history = history
        self._clock = clock
        self._note = note
        self._first_s = first_s
        self._longest_s = longest_s
        self._person_s = person_s
        self._look_every_s = look_every_s
        self._most_lines = batch_lines  # no request was found too large at this
        self._lines = batch_lines  # and this many are sent in time
        self._chance = chance or random.Random()
        self._failures = 0
        self._lost_at = 0.0
        self._troubles: set[tuple[str, str]] = set()  # subject and kind of facts not yet taken back
        self._streams = [
            _Stream(train.id, name, source)
            for train in plant.trains
            for name, source in (
                ("minute", self._minutes(plant.site.name, train)),
                ("normalized", self._deviations(plant.site.name, train.id)),
            )
        ]

    # what there is to send

    def _minutes(self, site: str, train: TrainConfig) -> Source:
        lines = MinuteLines(site, train)

        def read(after: float) -> Iterator[Item]:
            for minute in self._history.minutes(train.id, after, signals=lines.signals):
                yield Item(float(minute.time), tuple(lines.of(minute)))

        return read

    def _deviations(self, site: str, train: str) -> Source:
        """Digests wait until the baseline they are measured against is known."""

        def read(after: float) -> Iterator[Item]:
            baselines = self._record.baselines(train)
            fresh = [e.t for e in self._record.events(train) if e.event in NEW_BASELINE]
            digests = self._record.digests(train, after, limit=READ_ITEMS)
            which = in_force([b["start"] for b in baselines], [d["start"] for d in digests], fresh)
            for digest, index in zip(digests, which, strict=True):
                if index < 0:
                    return
                lines = deviation_lines(site, train, digest, baselines[index])
                yield Item(digest["start"], tuple(lines))

        return read

    # the loop

    async def run(self) -> NoReturn:
        """Forward until cancelled."""
        try:
            await in_thread(self._resume)
            while True:
                try:
                    more = False
                    for stream in self._streams:
                        if stream.not_before <= self._clock.monotonic():
                            more |= await self._forward(stream)
                except _Failed as failed:
                    await self._clock.sleep(self._failed(failed.reply))
                else:
                    await self._clock.sleep(0.0 if more else self._look_every_s)
        finally:
            self._writer.close()

    def _resume(self) -> None:
        for stream in self._streams:
            marks = self._record.forwarded(stream.train, stream.name)
            if marks is not None:
                # What was taken last may be lost: nobody watched the server meanwhile.
                stream.position = stream.resend_from = marks[1]
        # What the last run said and nobody has taken back is not said again.
        self._troubles |= {(fact.subject, fact.kind) for fact in troubles(self._history)}

    async def _forward(self, stream: _Stream) -> bool:
        """Send what a stream has, up to `READ_ITEMS`; whether it may have more."""
        items = await in_thread(lambda: list(islice(stream.source(stream.position), READ_ITEMS)))
        batch: list[Item] = []
        waiting = 0
        for n, item in enumerate(items):
            batch.append(item)
            waiting += len(item.lines)
            following = len(items[n + 1].lines) if n + 1 < len(items) else self._lines
            if waiting + following <= self._lines and n + 1 < len(items):
                continue
            try:
                await self._send(stream, [line for one in batch for line in one.lines])
            except _AllBad as error:
                stream.not_before = self._clock.monotonic() + self._person_s
                self._trouble(stream.subject, REFUSED, f"needs a person: {error}")
                return False
            stream.move(item.at, self._clock.monotonic())
            await in_thread(
                self._record.put_forwarded,
                stream.train,
                stream.name,
                stream.position,
                stream.resend_from,
            )
            batch, waiting = [], 0
        return len(items) == READ_ITEMS

    async def _send(self, stream: _Stream, lines: Sequence[bytes]) -> None:
        """Have the server take all lines, but for those it refuses each by itself."""
        if len(lines) > self._lines:
            most = self._lines
            for start in range(0, len(lines), most):
                await self._send(stream, lines[start : start + most])
            return
        if not lines:
            return
        reply = await self._write(lines)
        if reply.answer is Answer.TAKEN:
            self._taken(stream, len(lines))
        elif reply.answer in (Answer.TOO_LARGE, Answer.BAD_LINE, Answer.BAD_VALUE):
            if len(lines) == 1:
                await self._park(stream, lines[0], reply)
                return
            half = len(lines) // 2
            if reply.answer is Answer.TOO_LARGE:
                self._most_lines = min(self._most_lines, half)
                self._lines = min(self._lines, half)
            await self._send(stream, lines[:half])
            await self._send(stream, lines[half:])
        else:
            if reply.answer is Answer.SLOW:
                self._lines = max(min(_FEWEST_LINES, self._most_lines), self._lines // 2)
            raise _Failed(reply)

    async def _write(self, lines: Sequence[bytes]) -> Reply:
        started = self._clock.monotonic()
        reply = await in_side_thread(lambda: self._writer.write(b"\n".join(lines)))
        # As long a rest as the work took: a backlog of weeks leaves the gateway to the polling.
        took = self._clock.monotonic() - started
        await self._clock.sleep(max(_BREATH_S, took))
        return reply

    def _taken(self, stream: _Stream, lines: int) -> None:
        stream.bad_in_row = 0
        if lines >= self._lines // 2:
            self._lines = min(self._most_lines, 2 * self._lines)
        if self._failures:
            away_s = self._clock.monotonic() - self._lost_at
            _log.warning("forwarding works again after %.0f s", away_s)
        self._failures = 0
        self._over(SERVER)
        self._over(stream.subject)

    async def _park(self, stream: _Stream, line: bytes, reply: Reply) -> None:
        if reply.answer is Answer.BAD_LINE:
            # A server that can read nothing of ours has another fault than a line: then nothing
            # more is parked. Values that it does not want (older than it keeps) may be any number.
            if stream.bad_in_row >= SYSTEMATIC:
                raise _AllBad(f"every line is refused; {reply.error}")
            stream.bad_in_row += 1
        at = self._clock.now().timestamp()
        await in_thread(self._record.park_line, at, line.decode(), reply.error)
        self._trouble(stream.subject, PARKED, f"lines are refused and set aside: {reply.error}")

    # trouble and its end

    def _failed(self, reply: Reply) -> float:
        """Take note of a failure; returns how long to wait. [s]"""
        self._failures += 1
        if self._failures == 1:
            self._lost_at = self._clock.monotonic()
        if reply.answer is Answer.GONE:
            for stream in self._streams:
                stream.rewind()
        if reply.answer is Answer.NEEDS_PERSON:
            self._trouble(SERVER, REFUSED, f"needs a person: {reply.error}")
            return self._person_s * self._chance.uniform(0.5, 1.0)
        self._trouble(SERVER, LOST, f"{reply.answer.value}: {reply.error}")
        asked_s = min(_LONGEST_ASKED_S, reply.retry_after_s or 0.0)
        return max(asked_s, self.pause(self._failures))

    def pause(self, failures: int) -> float:
        """Pause after so many failures in a row: doubling, capped, half of it by chance. [s]"""
        # The cap on the exponent keeps the power finite however long a server is away.
        longest = min(self._longest_s, self._first_s * 2.0 ** min(failures - 1, 30))
        return longest * self._chance.uniform(0.5, 1.0)

    def _trouble(self, subject: str, kind: str, detail: str) -> None:
        """Say so once, in the history and in the log, until it is over."""
        if (subject, kind) not in self._troubles:
            self._troubles.add((subject, kind))
            self._note(self._clock.now().timestamp(), kind, subject, detail)
            _log.warning("forwarding: %s", detail)

    def _over(self, subject: str) -> None:
        """The server takes lines: what was said of the subject is over, but for lines set aside."""
        over = {t for t in self._troubles if t[0] == subject and t[1] != PARKED}
        if over:
            self._troubles -= over
            self._note(self._clock.now().timestamp(), BACK, subject, "lines are taken again")


def troubles(history: HistoryReader) -> list[Fact]:
    """The facts of loss and refusal that hold still: no return of their subject came after them."""
    found: list[Fact] = []
    for fact in history.facts(kinds=(LOST, REFUSED, BACK), limit=_FACTS):
        if fact.kind == BACK:
            found = [f for f in found if f.subject != fact.subject]
        else:
            found.append(fact)
    return found
