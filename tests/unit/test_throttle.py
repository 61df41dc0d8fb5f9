"""How often a sign-in may fail: the pair of name and address soon, each of them later, and it passes."""

import pytest

from daemon.page import throttle
from daemon.page.throttle import ADDRESS, NAME, PAIR, WINDOW_S, Throttle


class Time:
    """Monotonic time that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def time() -> Time:
    return Time()


def test_one_name_from_one_address_waits_after_five(time: Time) -> None:
    """The sixth try waits until the first has left the window; another name or address does not."""
    gate = Throttle(time)
    for _ in range(PAIR):
        assert gate.begin("kim", "10.0.0.9") == 0.0
        time.now += 10.0
    assert gate.begin("kim", "10.0.0.9") == pytest.approx(WINDOW_S - 10.0 * PAIR)
    assert gate.begin("sam", "10.0.0.9") == 0.0
    assert gate.begin("kim", "10.0.0.7") == 0.0
    time.now += WINDOW_S - 10.0 * PAIR + 0.1
    assert gate.begin("kim", "10.0.0.9") == 0.0
    assert gate.begin("kim", "10.0.0.9") > 0.0


def test_many_names_from_one_address_wait(time: Time) -> None:
    """Guessing names does not get around the limit of an address."""
    gate = Throttle(time)
    assert [gate.begin(f"name {n}", "10.0.0.9") for n in range(ADDRESS)] == [0.0] * ADDRESS
    assert gate.begin("one more", "10.0.0.9") == pytest.approx(WINDOW_S)
    assert gate.begin("one more", "10.0.0.7") == 0.0


def test_one_name_from_many_addresses_waits(time: Time) -> None:
    """Many machines that try one name are stopped as well."""
    gate = Throttle(time)
    for n in range(NAME):
        assert gate.begin("kim", f"10.0.{n}.1") == 0.0
    assert gate.begin("kim", "10.9.9.9") > 0.0


def test_success_forgets_and_a_try_not_made_does_not_count(time: Time) -> None:
    """Whoever gets in may slip again later; what was too busy to be tried is no failure."""
    gate = Throttle(time)
    for _ in range(10 * PAIR):
        assert gate.begin("kim", "10.0.0.9") == 0.0
        gate.undo("kim", "10.0.0.9")
    for _ in range(10 * ADDRESS):
        assert gate.begin("kim", "10.0.0.9") == 0.0
        gate.succeeded("kim", "10.0.0.9")


def test_a_flood_of_names_does_not_fill_the_memory(
    time: Time, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The oldest are forgotten first."""
    monkeypatch.setattr(throttle, "MOST_KEYS", 50)
    gate = Throttle(time)
    for n in range(500):
        gate.begin(f"name {n}", f"10.0.{n // 250}.{n % 250}")
    assert len(gate._failed) == 50
