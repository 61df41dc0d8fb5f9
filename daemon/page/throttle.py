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

    def wait_s(self, name: str, address: str) -> float:
        """How long to wait before the next try; 0 when it may be made now. [s]"""
        now, wait = self._monotonic(), 0.0
        with self._lock:
            for key, most in _keys(name, address):
                times = [t for t in self._failed.get(key, ()) if t > now - WINDOW_S]
                if len(times) >= most:
                    wait = max(wait, times[-most] + WINDOW_S - now)
        return wait

    def failed(self, name: str, address: str) -> None:
        """Count a failed try."""
        now = self._monotonic()
        with self._lock:
            for key, most in _keys(name, address):
                times = [t for t in self._failed.pop(key, ()) if t > now - WINDOW_S]
                self._failed[key] = [*times, now][-most:]
            while len(self._failed) > MOST_KEYS:
                self._failed.popitem(last=False)

    def succeeded(self, name: str, address: str) -> None:
        """Forget the failures of this name from this address."""
        with self._lock:
            self._failed.pop(("pair", name, address), None)


def _keys(name: str, address: str) -> tuple[tuple[Hashable, int], ...]:
    return (
        (("pair", name, address), PAIR),
        (("address", address), ADDRESS),
        (("name", name), NAME),
    )
