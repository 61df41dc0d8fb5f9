"""Clocks: the gateway's, the one that follows a device, and the watch for steps."""

import asyncio
from datetime import UTC, datetime, timedelta

import pytest

from daemon.clock import FollowedClock, StepWatch, SystemClock
from tests.fake_clock import FakeClock

START = datetime(2026, 3, 1, tzinfo=UTC)


def follow(base: FakeClock, pairs: list[tuple[float, float]]) -> FollowedClock:
    """A followed clock after observing (monotonic, seconds after START) pairs."""
    clock = FollowedClock(base)
    for at, source in pairs:
        base.advance(at - base.monotonic())
        clock.observe(START + timedelta(seconds=source))
    return clock


def test_the_system_clock_is_aware_and_utc() -> None:
    """Stamps are aware UTC, and monotonic time does not fall."""
    clock = SystemClock()
    assert clock.now().utcoffset() == timedelta(0)
    assert clock.monotonic() <= clock.monotonic()
    asyncio.run(clock.sleep(0.0))


def test_a_followed_clock_starts_with_the_gateway_time() -> None:
    """Until a device's time is seen, the gateway's is used and says so."""
    base = FakeClock()
    clock = FollowedClock(base)
    assert clock.now() == base.now()
    assert not clock.following


def test_a_followed_clock_takes_over_the_time_of_the_device() -> None:
    """After one stamp the clock shows it and goes on at the speed of the gateway."""
    base = FakeClock()
    clock = follow(base, [(10.0, 0.0)])
    assert clock.following
    assert clock.now() == START
    base.advance(2.5)
    assert clock.now() == START + timedelta(seconds=2.5)


@pytest.mark.parametrize("rate", [10.0, 1000.0, 100_000.0])
def test_the_rate_of_an_accelerated_plant_is_learned(rate: float) -> None:
    """Between two stamps, time runs on at the rate of the plant."""
    base = FakeClock()
    clock = follow(base, [(t * 0.2, t * 0.2 * rate) for t in range(1, 8)])
    assert clock.rate == pytest.approx(rate, rel=1e-9)
    base.advance(0.1)
    assert (clock.now() - START).total_seconds() == pytest.approx(1.5 * rate, rel=1e-9)


def test_a_live_plant_runs_at_exactly_one() -> None:
    """Jitter of some milliseconds at each poll leaves the rate at exactly 1."""
    jitter = [0.012, 0.003, 0.008, 0.001, 0.02, 0.006, 0.004, 0.015, 0.002, 0.009]
    clock = follow(FakeClock(), [(t + jitter[t], float(t)) for t in range(10)])
    assert clock.rate == 1.0


def test_a_clock_of_whole_seconds_runs_at_one() -> None:
    """A device that stamps whole seconds, polled just off its tick, still runs at 1."""
    times = [t * 1.0 + (0.4 if t % 2 else 0.6) for t in range(12)]
    clock = follow(FakeClock(), [(t, float(int(t))) for t in times])
    assert clock.rate == pytest.approx(1.0, abs=0.1)


def test_one_wrong_stamp_does_not_bend_the_rate() -> None:
    """A stamp 30 s ahead among ten good ones leaves the rate at 1."""
    pairs = [(float(t), float(t)) for t in range(1, 11)]
    pairs[5] = (6.0, 36.0)
    pairs = [(at, source) for at, source in pairs if at <= 6.0]
    clock = follow(FakeClock(), pairs)
    assert clock.rate == 1.0


def test_the_clock_waits_when_it_ran_ahead_of_the_device() -> None:
    """When the next stamp is behind the estimate, time stands until the device has caught up."""
    base = FakeClock()
    clock = follow(base, [(1.0, 1.0), (2.0, 2.0)])
    base.advance(10.0)
    ahead = clock.now()
    assert ahead == START + timedelta(seconds=12)
    clock.observe(START + timedelta(seconds=5))
    assert clock.now() == ahead


def test_the_clock_goes_back_by_no_more_than_the_device_did() -> None:
    """A device set back by an hour takes the clock back by just that hour."""
    base = FakeClock()
    clock = follow(base, [(1.0, 7200.0), (2.0, 7201.0)])
    base.advance(4.0)
    assert clock.now() == START + timedelta(seconds=7205)
    clock.observe(START + timedelta(seconds=3601))
    assert clock.now() == START + timedelta(seconds=3605)
    base.advance(10.0)
    assert clock.now() == START + timedelta(seconds=3611)


def test_a_device_set_forward_is_followed_at_the_same_rate() -> None:
    """A jump of a day is a step, not a speed."""
    base = FakeClock()
    clock = follow(base, [(float(t), float(t)) for t in range(1, 6)] + [(6.0, 86406.0)])
    assert clock.rate == 1.0
    base.advance(1.0)
    assert clock.now() == START + timedelta(seconds=86407)


def test_a_changed_speed_is_learned_anew() -> None:
    """A simulator that goes from 1 to 1000 is followed after two stamps."""
    base = FakeClock()
    pairs = [(float(t), float(t)) for t in range(1, 11)]
    pairs += [(10.0 + t, 10.0 + 1000.0 * t) for t in range(1, 4)]
    assert follow(base, pairs).rate == pytest.approx(1000.0)


def test_an_accelerated_plant_resumes_where_it_stood() -> None:
    """After a restart, plant time months from the gateway's goes on from the last frame."""
    base = FakeClock()
    clock = FollowedClock(base)
    clock.resume(START.timestamp(), wall=START.timestamp() + 1e7)
    base.advance(3.0)
    assert clock.now() == START + timedelta(seconds=3)
    clock.observe(START + timedelta(days=3))
    base.advance(1.0)
    assert clock.now() == START + timedelta(days=3, seconds=1)
    clock.observe(START + timedelta(days=3, seconds=500))
    assert clock.rate == pytest.approx(500.0)


def test_a_live_plant_resumes_with_the_gateway() -> None:
    """After a restart, a plant that kept the gateway's time within minutes starts with that."""
    base = FakeClock()
    clock = FollowedClock(base)
    clock.resume(START.timestamp(), wall=START.timestamp() + 200.0)
    assert clock.now() == base.now()
    assert not clock.following


def test_a_naive_stamp_is_a_mistake() -> None:
    """A stamp without a zone raises."""
    with pytest.raises(ValueError, match="aware"):
        FollowedClock(FakeClock()).observe(datetime(2026, 3, 1))


def test_sleep_and_monotonic_are_the_gateways() -> None:
    """Sleeping lasts gateway seconds, however fast the plant runs."""
    base = FakeClock()
    clock = follow(base, [(1.0, 0.0), (2.0, 1000.0)])
    asyncio.run(clock.sleep(3.0))
    assert clock.monotonic() == 5.0


@pytest.mark.parametrize(("set_by", "seen"), [(3.0, 3.0), (-3600.0, -3600.0), (1.9, None)])
def test_a_step_of_the_gateway_clock_is_noticed(set_by: float, seen: float | None) -> None:
    """A step above 2 s either way is told once; less, as NTP slews, is not."""
    clock, watch = FakeClock(), StepWatch()
    assert watch.look(clock) is None
    clock.advance(1.0)
    clock.step(set_by)
    step = watch.look(clock)
    assert step == (None if seen is None else pytest.approx(seen))
    clock.advance(1.0)
    assert watch.look(clock) is None


def test_slow_drift_never_adds_up_to_a_step() -> None:
    """A clock that is slewed by half a second at each look is no step."""
    clock, watch = FakeClock(), StepWatch()
    seen = []
    for _ in range(20):
        clock.advance(1.0)
        clock.step(0.5)
        seen.append(watch.look(clock))
    assert seen == [None] * 20
