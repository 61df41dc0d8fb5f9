"""Forwarding: marks, and what each answer of the server does."""

import asyncio
import math
import random
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from daemon.forward import BACK, LOST, PARKED, REFUSED, SYSTEMATIC, Forwarder, troubles
from daemon.history import History
from daemon.influx import Answer, Reply, judge, retry_after_s
from daemon.lineprotocol import MinuteLines
from daemon.page import create_app
from daemon.plantfile import Plant
from daemon.record import Record
from tests.fake_clock import FakeClock
from tests.forward_kit import (
    Body,
    forward_plant,
    forward_until,
    lines_until,
    minute,
    open_history,
    put,
    store_minutes,
)
from tests.notices_kit import quick_record

START = 1_767_571_200  # Monday 2026-01-05 00:00 UTC
QUARTER = 900.0
TAKEN = Reply(Answer.TAKEN)


class World:
    """A store with a forwarder's surroundings."""

    def __init__(self, folder: Path) -> None:
        self.plant: Plant = forward_plant(folder)
        self.history: History = open_history(self.plant)
        self.record: Record = quick_record(folder)
        self.clock = FakeClock(float(START))

    def facts(self) -> list[tuple[str, str]]:
        """Kind and subject of the facts about forwarding."""
        found = self.history.facts(kinds=(LOST, REFUSED, PARKED, BACK))
        return [(fact.kind, fact.subject) for fact in found]

    async def forward(self, writer: "Server", done: Callable[[], bool], **options: float) -> None:
        """Forward until `done`, and until all facts are stored."""
        await forward_until(
            done, self.plant, self.record, self.history, self.clock, writer=writer, **options
        )
        await self.history.flush()

    def all_sent(self, last: int) -> Callable[[], bool]:
        """Whether the mark of the minutes has come to the last one."""
        return lambda: lines_until(self.record) == last


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.history.close()
    made.record.close()


class Server:
    """A server whose answer to each request is `answer(lines, number)`; keeps what it took."""

    def __init__(self, answer: Callable[[list[bytes], int], Reply] | None = None) -> None:
        self.answer = answer or (lambda lines, number: TAKEN)
        self.requests: list[list[bytes]] = []
        self.taken: list[bytes] = []
        self.closed = False

    def write(self, lines: bytes) -> Reply:
        request = lines.split(b"\n")
        self.requests.append(request)
        reply = self.answer(request, len(self.requests))
        if reply.answer is Answer.TAKEN:
            self.taken += request
        return reply

    def close(self) -> None:
        self.closed = True

    def times(self) -> list[int]:
        """Times of the train's own lines it took, in the order it took them."""
        return [
            int(one.rsplit(b" ", 1)[1])
            for one in self.taken
            if one.startswith(b"ro_minute") and b"stage=" not in one
        ]


# what answers mean


@pytest.mark.parametrize(
    ("status", "asked", "answer"),
    [
        (204, False, Answer.TAKEN),
        (200, False, Answer.NEEDS_PERSON),
        (302, False, Answer.NEEDS_PERSON),
        (400, False, Answer.BAD_LINE),
        (401, False, Answer.NEEDS_PERSON),
        (403, False, Answer.NEEDS_PERSON),
        (404, False, Answer.NEEDS_PERSON),
        (413, False, Answer.TOO_LARGE),
        (422, False, Answer.BAD_VALUE),
        (429, True, Answer.LATER),
        (429, False, Answer.LATER),
        (500, False, Answer.LATER),
        (503, True, Answer.LATER),
        (503, False, Answer.GONE),
        (502, False, Answer.GONE),
    ],
)
def test_statuses(status: int, asked: bool, answer: Answer) -> None:
    """Statuses mean what the InfluxDB 2 API reference and RFC 9110 say."""
    assert judge(status, asked) is answer


@pytest.mark.parametrize(
    ("headers", "expected"),
    [
        ({}, None),
        ({"Retry-After": "120"}, 120.0),
        ({"Retry-After": "-5"}, 0.0),
        ({"Retry-After": "inf"}, None),
        ({"Retry-After": "soon"}, None),
        ({"Retry-After": "Fri, 31 Dec 1999 23:59:59 GMT"}, None),
        (
            {
                "Retry-After": "Fri, 31 Dec 1999 23:59:59 GMT",
                "Date": "Fri, 31 Dec 1999 23:57:59 GMT",
            },
            120.0,
        ),
    ],
)
def test_retry_after(headers: dict[str, str], expected: float | None) -> None:
    """Both forms of RFC 9110 section 10.2.3 are read; a date counts from the server's own clock."""
    assert retry_after_s(headers) == expected


# the loop


@pytest.mark.asyncio
async def test_everything_is_sent_once_in_order(world: World) -> None:
    """Stored minutes go out in order, each once, and the mark follows."""
    times = await store_minutes(world.history, world.plant, START, 50)
    server = Server()
    await world.forward(server, world.all_sent(times[-1]), batch_lines=10)
    assert server.times() == times
    assert len(server.taken) == len(set(server.taken)) == 3 * 50
    assert max(len(request) for request in server.requests) == 9
    assert server.closed
    assert world.facts() == []


@pytest.mark.asyncio
async def test_minutes_without_values_send_nothing(world: World) -> None:
    """A gap is passed over: the mark moves, and no request is made."""
    for n in range(3):
        await world.history.append_minute(minute(world.plant, START + 60 * n, [math.nan] * 9))
    server = Server()
    await world.forward(server, world.all_sent(START + 120))
    assert server.requests == []


@pytest.mark.asyncio
async def test_a_restart_sends_the_last_minute_again(world: World) -> None:
    """What was taken in the last 60 s before the last yes goes out again, and nothing older."""
    times = await store_minutes(world.history, world.plant, START, 10)

    def half_a_minute(lines: list[bytes], number: int) -> Reply:
        world.clock.advance(25.0)
        return TAKEN

    await world.forward(Server(half_a_minute), world.all_sent(times[-1]), batch_lines=3)
    again = Server()
    await world.forward(again, lambda: len(again.times()) >= 2)
    # One request takes 25 s and is followed by as long a rest: the last began 50 s after the
    # one before it, which is within 60 s of it; the one before that is 100 s old.
    assert again.times() == times[-2:]


@pytest.mark.asyncio
async def test_a_server_that_was_gone_gets_the_last_minute_again(world: World) -> None:
    """After a loss the last 60 s are sent again; loss and return are facts, once each."""
    times = await store_minutes(world.history, world.plant, START, 3)
    gone = Reply(Answer.GONE, "refused")
    stored: list[asyncio.Task[list[int]]] = []

    def dies_after_the_first(lines: list[bytes], number: int) -> Reply:
        return gone if 2 <= number <= 5 else TAKEN

    server = Server(dies_after_the_first)

    def another_minute_then_done() -> bool:
        if not stored and world.all_sent(times[-1])():
            later = store_minutes(world.history, world.plant, times[-1] + 60, 1)
            stored.append(asyncio.create_task(later))
        return lines_until(world.record) > times[-1]

    await world.forward(server, another_minute_then_done)
    await stored[0]
    assert [len(request) for request in server.requests[:2]] == [9, 3]
    assert server.times() == [*times, *times, times[-1] + 60]
    assert world.facts() == [(LOST, "forward"), (BACK, "forward")]


@pytest.mark.asyncio
async def test_a_busy_server_is_obeyed_and_gets_nothing_twice(world: World) -> None:
    """Retry-After is kept, nothing is lost, and what it has taken is not sent again."""
    times = await store_minutes(world.history, world.plant, START, 6)
    busy = Reply(Answer.LATER, "busy", 120.0)
    server = Server(lambda lines, number: busy if number in (3, 4) else TAKEN)
    await world.forward(server, world.all_sent(times[-1]), batch_lines=3)
    assert server.times() == times
    assert world.clock.slept.count(120.0) == 2
    assert world.facts() == [(LOST, "forward"), (BACK, "forward")]


@pytest.mark.asyncio
async def test_a_refusal_needs_a_person_and_keeps_everything(world: World) -> None:
    """A refusal is told once, over a restart too; the mark stays, and all is sent when it is mended."""
    times = await store_minutes(world.history, world.plant, START, 4)
    refusal = Reply(Answer.NEEDS_PERSON, "answered 401: unauthorized")
    server = Server(lambda lines, number: refusal)
    for attempts in (3, 6):
        await world.forward(server, lambda n=attempts: len(server.requests) >= n)  # type: ignore[misc]
    assert world.facts() == [(REFUSED, "forward")]
    assert lines_until(world.record) == -math.inf
    slow = [pause for pause in world.clock.slept if pause >= 150.0]
    assert len(slow) >= 4
    mended = Server()
    await world.forward(mended, world.all_sent(times[-1]))
    assert mended.times() == times
    assert world.facts() == [(REFUSED, "forward"), (BACK, "forward")]
    assert "401" in world.history.facts(kinds=(REFUSED,))[0].detail


@pytest.mark.asyncio
async def test_each_loss_starts_with_a_short_pause(world: World) -> None:
    """What the server has taken ends the trouble: the next one is met as if it were the first."""
    await store_minutes(world.history, world.plant, START, 10)
    away = Reply(Answer.LATER, "500")
    server = Server(lambda lines, number: away if number not in (8, 10, 12) else TAKEN)
    await world.forward(server, lambda: len(server.requests) >= 13, batch_lines=3)
    # Requests 1 to 7, 9 and 11 failed; rests after requests and looks for new minutes are no pauses.
    pauses = [s for s in world.clock.slept if s not in (0.0, 0.02, 5.0)][:9]
    assert max(pauses[4:7]) > 8.0
    assert max(pauses[7:9]) <= 1.0
    assert len(server.taken) == 9


@pytest.mark.asyncio
async def test_the_page_says_what_keeps_values_from_the_server(world: World) -> None:
    """While values wait, the overview says since when and why; once they are taken it does not."""
    times = await store_minutes(world.history, world.plant, START, 2)
    app = create_app(world.plant, world.record, world.history, clock=world.clock)
    with TestClient(app) as client:

        def shown() -> list[str]:
            found: list[str] = client.get("/api/overview").json()["troubles"]
            return found

        assert shown() == []
        refusal = Server(
            lambda lines, number: Reply(Answer.NEEDS_PERSON, "answered 404: no bucket")
        )
        await world.forward(refusal, lambda: len(refusal.requests) >= 2)
        (told,) = shown()
        assert told.startswith(
            "Values wait to be forwarded since Mon 5 Jan, 00:00 UTC; none is lost."
        )
        assert told.endswith("Needs a person: answered 404: no bucket.")
        await world.forward(Server(), world.all_sent(times[-1]))
        assert shown() == []
    assert troubles(world.history) == []


@pytest.mark.asyncio
async def test_what_is_too_large_is_sent_in_halves(world: World) -> None:
    """Requests shrink until they fit and stay so; even a minute is sent in pieces."""
    times = await store_minutes(world.history, world.plant, START, 40)
    large = Reply(Answer.TOO_LARGE, "413")
    server = Server(lambda lines, number: large if len(lines) > 2 else TAKEN)
    await world.forward(server, world.all_sent(times[-1]), batch_lines=64)
    assert server.times() == times
    refused = [request for request in server.requests if len(request) > 2]
    assert len(refused) < 10
    assert world.record.dead_lines() == []


@pytest.mark.asyncio
async def test_bad_lines_are_found_and_set_aside(world: World) -> None:
    """One bad line holds up nobody: it is parked with the server's words, all others are taken."""
    times = await store_minutes(world.history, world.plant, START, 100)
    bad = {f" {times[n]}".encode() for n in (0, 41, 42, 99)}

    def picky(lines: list[bytes], number: int) -> Reply:
        found = any(one.endswith(end) and b"stage=" not in one for one in lines for end in bad)
        return Reply(Answer.BAD_LINE, "answered 400: conflict") if found else TAKEN

    server = Server(picky)
    await world.forward(server, world.all_sent(times[-1]))
    assert server.times() == [t for n, t in enumerate(times) if n not in (0, 41, 42, 99)]
    assert len(set(server.taken)) == 3 * 100 - 4
    dead = world.record.dead_lines()
    assert [one.rsplit(" ", 1)[1] for _, one, _ in dead] == [str(times[n]) for n in (0, 41, 42, 99)]
    assert {error for _, _, error in dead} == {"answered 400: conflict"}
    assert world.facts() == [(PARKED, "A/minute")]


@pytest.mark.asyncio
async def test_a_line_too_large_by_itself_is_set_aside(world: World) -> None:
    """A single line that is too large is parked, and the rest goes on."""
    await store_minutes(world.history, world.plant, START, 2)
    large = Reply(Answer.TOO_LARGE, "413")
    server = Server(
        lambda lines, number: large if any(b"vessel=" in one for one in lines) else TAKEN
    )
    await world.forward(server, world.all_sent(START + 60))
    assert len(server.taken) == 4
    assert len(world.record.dead_lines()) == 2


@pytest.mark.asyncio
async def test_a_server_that_reads_nothing_of_ours_keeps_the_rest_waiting(world: World) -> None:
    """When line after line is unreadable it is not the lines: a few are parked, the rest is kept.

    The other streams go on, and once the server is mended everything else is sent.
    """
    times = await store_minutes(world.history, world.plant, START, 200)
    put(
        world.record,
        baselines=[Body(START, {"1/permeate_flow": 1.0})],
        digests=[Body(START + QUARTER * n, {"1/permeate_flow": 1.0 + n}) for n in range(3)],
    )

    def stubborn(lines: list[bytes], number: int) -> Reply:
        if lines[0].startswith(b"ro_minute"):
            return Reply(Answer.BAD_LINE, "answered 400: unsupported path")
        return TAKEN

    server = Server(stubborn)
    await world.forward(server, lambda: lines_until(world.record, "normalized") > START + QUARTER)
    assert len(server.taken) == 3
    assert lines_until(world.record) == -math.inf
    assert len(world.record.dead_lines()) == SYSTEMATIC
    assert (REFUSED, "A/minute") in world.facts()
    parked = {one for _, one, _ in world.record.dead_lines()}
    mended = Server()
    await world.forward(mended, world.all_sent(times[-1]))
    assert {one.decode() for one in mended.taken} >= parked
    assert len([one for one in set(mended.taken) if one.startswith(b"ro_minute")]) == 600
    assert world.facts()[-1] == (BACK, "A/minute")


@pytest.mark.asyncio
async def test_values_that_a_server_does_not_want_block_nothing(world: World) -> None:
    """Points older than the server keeps (422) are parked, however many, and newer ones are taken."""
    times = await store_minutes(world.history, world.plant, START, 40)
    old = Reply(Answer.BAD_VALUE, "answered 422: beyond retention policy")

    def forgetful(lines: list[bytes], number: int) -> Reply:
        return old if any(int(one.rsplit(b" ", 1)[1]) < times[30] for one in lines) else TAKEN

    server = Server(forgetful)
    await world.forward(server, world.all_sent(times[-1]))
    assert server.times() == times[30:]
    assert len(world.record.dead_lines()) == 3 * 30


@pytest.mark.asyncio
async def test_digests_wait_for_their_baseline(world: World) -> None:
    """Deviations are sent once their baseline is known, and not against one of the old membranes."""
    starts = [START + QUARTER * n for n in range(6)]
    put(world.record, digests=[Body(s, {"1/salt_passage": 2.5}) for s in starts[:4]])
    await store_minutes(world.history, world.plant, START, 1)
    server = Server()
    await world.forward(server, world.all_sent(START))
    assert not any(b"ro_normalized" in one for one in server.taken)
    put(world.record, baselines=[Body(starts[1], {"1/salt_passage": 2.0})])
    world.record.add_event(starts[3], "A", "membranes_replaced")
    await world.forward(server, lambda: lines_until(world.record, "normalized") >= starts[2])
    put(
        world.record,
        baselines=[Body(starts[4], {"1/salt_passage": 1.0})],
        digests=[Body(s, {"1/salt_passage": 1.5}) for s in starts[4:]],
    )
    await world.forward(server, lambda: lines_until(world.record, "normalized") == starts[5])
    sent = {
        float(one.rsplit(b" ", 1)[1]): float(one.rsplit(b"=", 1)[1].split()[0])
        for one in server.taken
        if b"ro_normalized" in one
    }
    assert sent == dict(zip(starts, [0.5, 0.5, 0.5, 1.5, 0.5, 0.5], strict=True))


class Unreliable(Server):
    """Answers at random, and may die, losing what it took in the 15 s before (seen of a real one)."""

    def __init__(self, clock: FakeClock, chance: random.Random, bad: set[int]) -> None:
        super().__init__()
        self.clock, self.chance, self.bad = clock, chance, bad
        self.stored: dict[bytes, float] = {}
        self.away = 0
        self.last_taken = 0.0

    def write(self, lines: bytes) -> Reply:
        request = lines.split(b"\n")
        self.requests.append(request)
        self.clock.advance(self.chance.uniform(0.1, 12.0))
        if self.away == 0 and self.chance.random() < 0.05:
            self.away = self.chance.randint(1, 4)
            on_disk = self.last_taken - 15.0
            self.stored = {k: t for k, t in self.stored.items() if t < on_disk}
        if self.away:
            self.away -= 1
            return Reply(Answer.GONE, "refused")
        if self.chance.random() < 0.2:
            some = (Answer.LATER, Answer.SLOW, Answer.NEEDS_PERSON)
            return Reply(self.chance.choice(some), "trouble")
        if len(request) > 20:
            return Reply(Answer.TOO_LARGE, "413")
        if any(int(one.rsplit(b" ", 1)[1]) in self.bad for one in request):
            return Reply(Answer.BAD_VALUE, "422")
        self.last_taken = self.clock.monotonic()
        self.stored |= dict.fromkeys(request, self.last_taken)
        return TAKEN


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.asyncio
async def test_nothing_is_lost_whatever_happens(world: World, seed: int) -> None:
    """Through random answers, dying servers and restarts of ours every line is stored or set aside."""
    chance = random.Random(seed)
    times = await store_minutes(world.history, world.plant, START, 80)
    bad = set(chance.sample(times, 2))
    server = Unreliable(world.clock, chance, bad)
    lines = MinuteLines(world.plant.site.name, world.plant.train("A"))
    expected = {one for t in times for one in lines.of(minute(world.plant, t))}

    def kept() -> set[bytes]:
        return set(server.stored) | {one.encode() for _, one, _ in world.record.dead_lines()}

    for stop_at in (chance.randint(3, 20), chance.randint(21, 40), 10_000):
        await world.forward(
            server,
            lambda n=stop_at: len(server.requests) >= n or kept() == expected,  # type: ignore[misc]
            batch_lines=30,
        )
    assert kept() == expected
    dead = {int(one.rsplit(" ", 1)[1]) for _, one, _ in world.record.dead_lines()}
    assert dead == bad


@pytest.mark.asyncio
async def test_a_slow_link_gets_smaller_requests(world: World) -> None:
    """A request that has no answer in time is halved before it is tried again."""
    times = await store_minutes(world.history, world.plant, START, 200)
    slow = Reply(Answer.SLOW, "timed out")
    server = Server(lambda lines, number: slow if len(lines) > 100 else TAKEN)
    await world.forward(server, world.all_sent(times[-1]), batch_lines=600)
    assert server.times() == times


@pytest.mark.asyncio
async def test_a_backlog_leaves_time_for_others(world: World) -> None:
    """After each request comes a rest as long as the request took, and no request is large."""
    times = await store_minutes(world.history, world.plant, START, 300)

    def working(lines: list[bytes], number: int) -> Reply:
        world.clock.advance(2.0)
        return TAKEN

    server = Server(working)
    await world.forward(server, world.all_sent(times[-1]), batch_lines=90)
    assert len(server.requests) == 10
    assert max(len(request) for request in server.requests) == 90
    assert world.clock.slept.count(2.0) == 10


@pytest.mark.asyncio
async def test_stopping_does_not_wait_for_a_server_that_hangs(world: World) -> None:
    """A request that never ends keeps nobody from stopping."""
    await store_minutes(world.history, world.plant, START, 1)
    asked, end = threading.Event(), threading.Event()

    def hanging(lines: list[bytes], number: int) -> Reply:
        asked.set()
        end.wait(60)
        return TAKEN

    server = Server(hanging)
    await world.forward(server, asked.is_set)
    assert server.closed
    assert server.taken == []
    end.set()
    for thread in threading.enumerate():
        if thread.name == "forward":
            thread.join(60)
    assert lines_until(world.record) == -math.inf


@pytest.mark.asyncio
async def test_a_broken_writer_ends_the_forwarder(world: World) -> None:
    """What nobody foresaw comes out, and is not swallowed in a thread."""
    await store_minutes(world.history, world.plant, START, 1)

    def broken(lines: list[bytes], number: int) -> Reply:
        raise ZeroDivisionError("a bug")

    with pytest.raises(ZeroDivisionError, match="a bug"):
        await world.forward(Server(broken), lambda: False)


def test_pauses_grow_to_a_cap(world: World) -> None:
    """The pause doubles with each failure, varies by chance, and stays finite after a million."""
    forwarder = Forwarder(
        world.record,
        world.history,
        world.plant,
        world.clock,
        note=world.history.add_fact,
        writer=Server(),
        chance=random.Random(1),
    )
    for failures, longest in ((1, 1.0), (2, 2.0), (4, 8.0), (7, 60.0), (1_000_000, 60.0)):
        pauses = [forwarder.pause(failures) for _ in range(50)]
        assert longest / 2 <= min(pauses) < max(pauses) <= longest


@pytest.mark.parametrize(
    "options",
    [
        {"first_s": 0.0},
        {"longest_s": 0.5},
        {"person_s": 0.0},
        {"look_every_s": 0.0},
        {"batch_lines": 0},
    ],
)
def test_wrong_arguments_are_refused(world: World, options: dict[str, float]) -> None:
    """A pause or a batch of nothing is no setting."""
    with pytest.raises(ValueError, match=r"need|must be"):
        Forwarder(
            world.record,
            world.history,
            world.plant,
            world.clock,
            note=world.history.add_fact,
            writer=Server(),
            **options,  # type: ignore[arg-type]
        )
