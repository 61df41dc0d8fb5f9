"""How often a sign-in may fail before it has to wait: by name and address, by address, by name."""

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable

WINDOW_S = 900.0
PAIR, ADDRESS, NAME = 5, 20, 60  # failures within the window
MOST_KEYS = 20_000  # a flood of invented names must not fill the memory


class Throttle:
    """Failed sign-ins of the last quarter of an hour, in memory; may be used from any thread.

    One name from one address is stopped soon. One address that tries many names, and many addresses
    that try one name, are stopped later: somebody else's failures shall not lock a technician out lightly.
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._failed: OrderedDict[Hashable, list[float]] = OrderedDict()

    def begin(self, name: str, address: str) -> float:
        """Begin a try: 0, and it counts as failed until `succeeded` or `undo`; else how long to wait. [s]

        Counted before its outcome is known, so that tries sent all at once do not slip through together.
        """
        now, wait = self._monotonic(), 0.0
        with self._lock:
            recent = {}
            for key, most in _keys(name, address):
                recent[key] = [t for t in self._failed.get(key, ()) if t > now - WINDOW_S]
                if len(recent[key]) >= most:
                    wait = max(wait, recent[key][-most] + WINDOW_S - now)
            if wait:
                return wait
            for key, times in recent.items():
                self._failed[key] = [*times, now]
                self._failed.move_to_end(key)
            while len(self._failed) > MOST_KEYS:
                self._failed.popitem(last=False)
        return 0.0

    def undo(self, name: str, address: str) -> None:
        """The try that was begun was not made."""
        with self._lock:
            for key, _ in _keys(name, address):
                if self._failed.get(key):
                    self._failed[key].pop()

    def succeeded(self, name: str, address: str) -> None:
        """The try that was begun was right: forget the failures of this name from this address."""
        self.undo(name, address)
        with self._lock:
            self._failed.pop(("pair", name, address), None)


def _keys(name: str, address: str) -> tuple[tuple[Hashable, int], ...]:
    return (
        (("pair", name, address), PAIR),
        (("address", address), ADDRESS),
        (("name", name), NAME),
    )
