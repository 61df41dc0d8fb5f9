"""The residual dependence: what it learns, and what it must not take from the membranes."""

import numpy as np
import pytest
from numpy.typing import NDArray

from rules.dependence import DRIVERS, OWN, Dependence
from rules.noise import FLOOR
from rules.temperature import arrhenius_factor
from rules.water import viscosity_mpa_s

Array = NDArray[np.float64]

SECTIONS = ("1", "2")
KEYS = ("temperature_c", "flux_lmh", "average_flow_m3h", "feed_brine_mg_l")
OPERATING = tuple(f"{s}/{k}" for s in SECTIONS for k in KEYS)
OBSERVABLES = (
    "1/permeate_flow",
    "2/permeate_flow",
    "1/salt_passage",
    "2/salt_passage",
    "1/pressure_drop",
    "2/pressure_drop",
    "balance/water",
)
BASE = {
    "temperature_c": 18.0,
    "flux_lmh": 22.0,
    "average_flow_m3h": 80.0,
    "feed_brine_mg_l": 4000.0,
}
REFERENCE = {f"{s}/{k}": v for s in SECTIONS for k, v in BASE.items()}
TEXTBOOK = {"permeate_flow": 2640.0, "salt_passage": 2640.0, "pressure_drop": 1.6}
SPREAD = dict.fromkeys(OBSERVABLES, 0.004)
DAY_S = 86400.0


def model() -> Dependence:
    """Nothing learned yet."""
    return Dependence(OBSERVABLES, OPERATING, REFERENCE, SPREAD)


def weather(days: Array, seed: int) -> Array:
    """Operating points (n, n_operating) of a temperate year: season, day, weather, set-points, salt."""
    rng = np.random.default_rng(seed)
    n = len(days)
    t = 18.0 - 6.0 * np.sin(2 * np.pi * days / 365.0) + 0.4 * np.sin(2 * np.pi * days)
    t = t + 0.4 * rng.standard_normal(n)
    flux = 22.0 * np.exp(0.04 * rng.standard_normal(n // 24 + 1)[np.arange(n) // 24])
    brine = 4000.0 * np.exp(0.04 * np.sin(2 * np.pi * days / 37.0))
    one = np.stack([t, flux, flux * 80.0 / 22.0, brine], axis=-1)
    return np.concatenate([one, one], axis=-1)


def truth(points: Array, *, activation_k: float = 2640.0, exponent: float = 1.6) -> Array:
    """Deviations of sound membranes whose constants are other than the textbook's."""
    t, flow = points[:, 0], points[:, 2]

    def factor(x: Array | float) -> Array:
        return arrhenius_factor(x, activation_k=activation_k) / arrhenius_factor(
            x, activation_k=2640.0
        )

    warm = np.log(factor(t) / factor(18.0))
    reynolds = np.log(flow / 80.0) - np.log(viscosity_mpa_s(t) / viscosity_mpa_s(18.0))
    drop = (exponent - 1.6) * reynolds
    return np.stack([warm, warm, warm, warm, drop, drop, np.zeros(len(t))], axis=-1)


def taught(days: Array, points: Array, deviations: Array, seed: int = 5) -> Dependence:
    """A model after all of these medians, with the noise of a plant on them."""
    noise = 0.004 * np.random.default_rng(seed).standard_normal(deviations.shape)
    learner = model()
    for day, point, row in zip(days, points, deviations + noise, strict=True):
        learner.take(day * DAY_S, 24, row, point)
    return learner


def test_nothing_learned_is_no_correction_and_the_priors() -> None:
    """Ten kelvin of warming: no correction, and the stages' uncertainty is the prior, almost fully shared."""
    learner = model()
    point = np.array([28.0, 22.0, 80.0, 4000.0] * 2)
    assert not learner.correction(point).any()
    got = learner.covariance(point)
    t0, t = 291.15, 301.15
    size = (t0 * t0 * (1 / t0 - 1 / t) * DRIVERS["permeate_flow"][0].prior) ** 2
    assert got[0, 0] == pytest.approx(size)
    assert got[0, 1] == pytest.approx(size * (1 - OWN**2))
    assert got[6, 6] == 0.0


def test_at_the_baseline_nothing_is_uncertain() -> None:
    """Where nothing has moved, no constant matters."""
    assert not model().covariance(np.array([18.0, 22.0, 80.0, 4000.0] * 2)).any()


@pytest.mark.parametrize("activation_k", [2640.0 * 0.85, 2640.0, 2640.0 * 1.15])
def test_activation_energy_is_found(activation_k: float) -> None:
    """Membranes 15 % off the textbook: within four months E/R is known within 2 % and by its own error."""
    days = np.arange(0.0, 120.0, 0.25)
    points = weather(days, 1)
    learner = taught(days, points, truth(points, activation_k=activation_k))
    found = {
        (x.section, x.quantity): x for x in learner.learned(TEXTBOOK) if x.driver == "temperature"
    }
    for section in SECTIONS:
        got = found[(section, "permeate_flow")]
        assert got.activation_k is not None
        fitted, error = got.activation_k
        assert abs(fitted / activation_k - 1) < 0.02
        assert abs(fitted - activation_k) < 3.5 * error
        assert got.textbook == pytest.approx(2640.0 / 291.15**2)


@pytest.mark.parametrize("exponent", [1.45, 1.6, 1.75])
def test_exponent_of_the_pressure_drop_is_found(exponent: float) -> None:
    """Set-points and temperature together tell the exponent within 0.03, tied to viscosity."""
    days = np.arange(0.0, 120.0, 0.25)
    points = weather(days, 2)
    learner = taught(days, points, truth(points, exponent=exponent))
    values = [x for x in learner.learned(TEXTBOOK) if x.driver == "reynolds"]
    assert len(values) == 2
    for got in values:
        assert abs(got.value - exponent) < 0.03
        assert got.textbook == 1.6


@pytest.mark.parametrize("days_of_growth", [14.0, 40.0, 120.0])
def test_fouling_in_a_falling_season_is_not_eaten(days_of_growth: float) -> None:
    """A decline of 12 % while the water cools, from the first day on: 90 % of it stays a deviation."""
    days = np.arange(0.0, days_of_growth, 0.25)
    points = weather(days, 3)
    fouled = truth(points)
    fouled[:, 0] += np.log(0.88) * days / days_of_growth
    learner = taught(days, points, fouled)
    left = (fouled[-8:] - learner.correction(points[-8:]))[:, 0].mean()
    assert left < 0.9 * np.log(0.88)


def test_a_step_is_a_level_and_not_weather() -> None:
    """Passage up by a half in one night, while it grows colder: the constants stay, the step is whole."""
    days = np.arange(0.0, 60.0, 0.25)
    points = weather(days, 4)
    leak = truth(points)
    leak[days > 40.0, 2] += np.log(1.5)
    learner = taught(days, points, leak)
    left = (leak[-8:] - learner.correction(points[-8:]))[:, 2].mean()
    assert left == pytest.approx(np.log(1.5), abs=0.02)


def test_missing_values_teach_nothing() -> None:
    """NaN deviations and operating points that are not known leave the model as it was."""
    learner = model()
    point = np.array([25.0, 25.0, 90.0, 4400.0] * 2)
    learner.take(0.0, 24, np.full(len(OBSERVABLES), np.nan), point)
    learner.take(DAY_S, 24, np.full(len(OBSERVABLES), 0.05), np.full(len(OPERATING), np.nan))
    assert not learner.correction(point).any()


def test_a_plant_without_a_conductivity_learns_the_rest() -> None:
    """A driver that the instruments never give is left out, and the others are learned all the same."""
    without = {k: v for k, v in REFERENCE.items() if not k.endswith("feed_brine_mg_l")}
    learner = Dependence(OBSERVABLES, OPERATING, without, SPREAD)
    days = np.arange(0.0, 60.0, 0.25)
    points = weather(days, 6)
    rows = truth(points, activation_k=3000.0)
    points[:, 3::4] = np.nan
    for day, point, row in zip(days, points, rows, strict=True):
        learner.take(day * DAY_S, 24, row, point)
    told = {(x.quantity, x.driver) for x in learner.learned(TEXTBOOK)}
    assert ("permeate_flow", "temperature") in told
    assert ("permeate_flow", "brine") not in told


def test_medians_must_come_in_order() -> None:
    """A median that is not later than the last is refused."""
    learner = model()
    row, point = np.zeros(len(OBSERVABLES)), np.zeros(len(OPERATING))
    learner.take(DAY_S, 1, row, point)
    with pytest.raises(ValueError, match="in order"):
        learner.take(DAY_S, 1, row, point)


def test_uncertainty_only_shrinks_while_membranes_are_sound() -> None:
    """Each month the errors of the coefficients are no larger than the month before."""
    days = np.arange(0.0, 90.0, 0.25)
    points = weather(days, 8)
    rows = truth(points)
    learner, before = model(), np.inf
    warm = np.array([28.0, 25.0, 90.0, 4400.0] * 2)
    for k in range(3):
        for i in range(k * 120, (k + 1) * 120):
            learner.take(days[i] * DAY_S, 24, rows[i], points[i])
        after = float(learner.covariance(warm)[0, 0])
        assert after < before
        before = after
    assert np.sqrt(before) < FLOOR["permeate_flow"]
