"""Parts that run together and stop together."""

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from daemon.supervise import Part, PartEnded, supervise


async def idle() -> None:
    """Run until cancelled."""
    await asyncio.Event().wait()


def group_of(error: BaseException) -> list[BaseException]:
    assert isinstance(error, BaseExceptionGroup)
    return list(error.exceptions)


@pytest.mark.asyncio
async def test_parts_run_until_the_stop() -> None:
    """Setting the stop cancels every part, lets it clean up, and returns without an error."""
    stop, running, ended = asyncio.Event(), asyncio.Event(), []

    async def part() -> None:
        running.set()
        try:
            await idle()
        finally:
            await asyncio.sleep(0)
            ended.append("cleaned up")

    task = asyncio.create_task(supervise([Part("one", part), Part("two", part)], stop))
    await running.wait()
    stop.set()
    await task
    assert ended == ["cleaned up"] * 2


@pytest.mark.asyncio
async def test_the_first_part_that_breaks_stops_all() -> None:
    """An exception in one part cancels the others and comes out."""
    cancelled = []

    async def breaking() -> None:
        await asyncio.sleep(0)
        raise OSError("disk gone")

    async def other() -> None:
        try:
            await idle()
        except asyncio.CancelledError:
            cancelled.append(True)
            raise

    with pytest.raises(ExceptionGroup) as caught:
        await supervise([Part("poll", breaking), Part("page", other)], asyncio.Event())
    assert [str(error) for error in group_of(caught.value)] == ["disk gone"]
    assert cancelled == [True]


async def returning() -> None:
    """Return at once, which no part may."""


async def cancelled_inside() -> None:
    """Await something that somebody else has cancelled."""
    future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
    future.cancel()
    await future


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("broken", "says"),
    [(returning, "deliver returned"), (cancelled_inside, "deliver was cancelled from inside")],
)
async def test_a_part_may_not_end_quietly(broken: Callable[[], Awaitable[None]], says: str) -> None:
    """A part that returns or dies of a stray cancellation has broken, and all stop."""
    with pytest.raises(ExceptionGroup) as caught:
        await supervise([Part("page", idle), Part("deliver", broken)], asyncio.Event())
    errors = group_of(caught.value)
    assert [type(error) for error in errors] == [PartEnded]
    assert says in str(errors[0])


@pytest.mark.asyncio
async def test_cancelling_the_supervisor_passes_through() -> None:
    """A cancellation from outside cancels the parts and stays a cancellation."""
    running = asyncio.Event()

    async def part() -> None:
        running.set()
        await idle()

    task = asyncio.create_task(supervise([Part("one", part)], asyncio.Event()))
    await running.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


@pytest.mark.asyncio
async def test_a_part_that_will_not_end_is_named() -> None:
    """After the grace time, `leave` is told who still runs."""
    stop, running, release = asyncio.Event(), asyncio.Event(), asyncio.Event()
    told: list[list[str]] = []

    async def stubborn() -> None:
        running.set()
        while not release.is_set():
            try:
                await release.wait()
            except asyncio.CancelledError:
                continue
        await idle()

    def leave(names: object) -> None:
        assert isinstance(names, list)
        told.append(names)
        release.set()
        task.cancel()

    parts = [Part("stubborn", stubborn), Part("quick", idle)]
    task = asyncio.create_task(supervise(parts, stop, grace_s=0.01, leave=leave))
    await running.wait()
    stop.set()
    await asyncio.wait({task})
    assert told == [["stubborn"]]


@pytest.mark.asyncio
async def test_names_must_differ() -> None:
    """Two parts of one name could not be told apart in a log."""
    with pytest.raises(ValueError, match="different names"):
        await supervise([Part("poll", idle), Part("poll", idle)], asyncio.Event())
