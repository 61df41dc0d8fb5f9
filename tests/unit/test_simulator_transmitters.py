"""Faulty transmitters of the simulated plant show what such transmitters show."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.faults import Fault
from simulator.plant import Plant
from simulator.scenario import ScenarioError, load, parse

Array = NDArray[np.float64]

DAY_S = 86400.0
HEALTHY = replace(
    load("healthy"), operation=replace(load("healthy").operation, stop_every_days=0.0)
)


def shown(fault: Fault) -> tuple[Plant, dict[str, Array], dict[str, Array], Array]:
    """A plant with a fault from day 1 on; its readings and those without the fault over three days."""
    faulty = Plant(replace(HEALTHY, faults=(fault,)), seed=4)
    times = faulty.start_s + np.arange(0.0, 3.0 * DAY_S, 300.0)
    after = times >= faulty.start_s + DAY_S
    return faulty, faulty.sample(times), Plant(HEALTHY, seed=4).sample(times), after


def test_nothing_before_the_onset() -> None:
    """Until the fault begins the readings are those of the healthy plant, to the last bit."""
    _, got, sound, after = shown(
        Fault("transmitter_noise", 1.0, "step", tag="feed_flow", percent=9.0)
    )
    for tag, values in got.items():
        np.testing.assert_array_equal(values[~after], sound[tag][~after])


def test_noise_and_spikes() -> None:
    """Noise has the spread asked for; spikes are rare, large, and both ways."""
    _, got, sound, after = shown(
        Fault("transmitter_noise", 1.0, "step", tag="feed_flow", percent=3.0)
    )
    ratio = (got["A/feed_flow"] / sound["A/feed_flow"])[after]
    assert np.std(ratio) == pytest.approx(0.03, rel=0.15)
    _, got, sound, after = shown(
        Fault("transmitter_spikes", 1.0, "step", tag="feed_flow", percent=20.0)
    )
    ratio = (got["A/feed_flow"] / sound["A/feed_flow"])[after]
    high, low = np.isclose(ratio, 1.2, atol=0.001), np.isclose(ratio, 0.8, atol=0.001)
    assert 0.005 < np.mean(high | low) < 0.05
    assert high.any()
    assert low.any()
    assert np.allclose(ratio[~(high | low)], 1.0)


@pytest.mark.parametrize(("percent", "value"), [(100.0, 25.0), (0.0, 0.0), (104.0, 25.75)])
def test_stuck_at_the_end_of_the_range(percent: float, value: float) -> None:
    """A loop against its end shows that end; beyond 3 % over range no loop goes."""
    _, got, _, after = shown(
        Fault("transmitter_stuck_range", 1.0, "step", tag="1/feed_pressure", percent=percent)
    )
    assert np.all(got["A/1/feed_pressure"][after] == pytest.approx(value))


def test_compensation_off_shows_the_conductivity_at_temperature() -> None:
    """Compensation switched off at about 13 °C: lower by 2 % for each K below 25 °C."""
    _, got, sound, after = shown(
        Fault("transmitter_compensation", 1.0, "step", tag="feed_conductivity", percent=0.0)
    )
    ratio = (got["A/feed_conductivity"] / sound["A/feed_conductivity"])[after]
    expected = 1.0 + 0.02 * (sound["A/feed_temperature"][after] - 25.0)
    assert np.allclose(ratio, expected, rtol=0.01)
    assert ratio.max() < 0.9


def test_swapped_wires_show_each_other() -> None:
    """Feed and concentrate flow exchanged: each is shown on the other's range."""
    plant, got, sound, after = shown(
        Fault("transmitter_swapped", 1.0, "step", tag="feed_flow", other="concentrate_flow")
    )
    tops = {i.signal: i.high for i in plant.instruments}
    scale = tops["feed_flow"] / tops["concentrate_flow"]
    feed, concentrate = got["A/feed_flow"][after], got["A/concentrate_flow"][after]
    assert np.allclose(feed, sound["A/concentrate_flow"][after] * scale, atol=0.02)
    assert np.allclose(concentrate, sound["A/feed_flow"][after] / scale, atol=0.02)


def test_wrong_unit() -> None:
    """kPa sent where bar is expected would be far out of range; psi in a bar range runs into its end."""
    _, got, sound, after = shown(
        Fault("transmitter_unit", 1.0, "step", tag="1/permeate_pressure", factor=1.0 / 14.503773773)
    )
    got_bar, bar = got["A/1/permeate_pressure"][after], sound["A/1/permeate_pressure"][after]
    assert np.allclose(got_bar, bar / 14.503773773, atol=0.001)


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ('kind = "transmitter_swapped"\ntag = "feed_flow"', '"other" names the second'),
        (
            'kind = "transmitter_offset"\ntag = "feed_flow"\nother = "feed_ph"',
            '"other" names the second',
        ),
        ('kind = "transmitter_unit"\ntag = "feed_flow"\nfactor = 0.0', "factor is 0.0"),
    ],
)
def test_faults_that_make_no_sense_are_refused(lines: str, says: str) -> None:
    """The scenario's error names the fault and what is wrong with it."""
    text = f'title = "t"\ndescription = "d"\n[[fault]]\n{lines}\nonset_day = 1\n'
    with pytest.raises(ScenarioError, match=says):
        parse(text, "here.toml", "here")
