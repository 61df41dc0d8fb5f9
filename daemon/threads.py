"""Calls that wait for a disk or a server, run beside the event loop."""

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import ParamSpec, TypeVar

_Arguments = ParamSpec("_Arguments")
_Result = TypeVar("_Result")


async def in_thread(
    call: Callable[_Arguments, _Result], *args: _Arguments.args, **kwargs: _Arguments.kwargs
) -> _Result:
    """Run a call on a store in a thread, and see it to its end even when cancelled meanwhile."""
    running = asyncio.ensure_future(asyncio.to_thread(call, *args, **kwargs))
    try:
        return await asyncio.shield(running)
    except asyncio.CancelledError:
        await running
        raise


async def in_side_thread(call: Callable[[], _Result]) -> _Result:
    """Run a call that may hang in a thread that nobody waits for when the daemon stops."""
    loop = asyncio.get_running_loop()
    outcome: asyncio.Future[_Result] = loop.create_future()

    def finish(result: _Result | None, error: BaseException | None) -> None:
        if outcome.cancelled():
            return
        if error is not None:
            outcome.set_exception(error)
        else:
            outcome.set_result(result)  # type: ignore[arg-type]  # None only when it is the result

    def work() -> None:
        result, error = None, None
        # Whatever it is, it comes out of the coroutine that waits.
        try:
            result = call()
        except BaseException as caught:
            error = caught
        # A loop that is closed has nobody left to tell.
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(finish, result, error)

    threading.Thread(target=work, name="side", daemon=True).start()
    return await outcome
