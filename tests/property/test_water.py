"""Laws of water: inverse pairs, monotony, NaN, shapes, inputs unchanged, edges of validity."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rules import conductivity, normalize, temperature, water
from rules.train import Compensation, Water

K25 = st.floats(5.0, 80_000.0)
WARM = st.floats(1.0, 45.0)
COMPENSATIONS = st.one_of(
    st.builds(Compensation, st.just("linear"), st.floats(1.5, 2.5)),
    st.just(Compensation("natural")),
    st.just(Compensation("none")),
)
WATERS = (Water("nacl"), Water("seawater"), Water("nacl", factor=0.62))

ONE = {
    "density": water.density_kg_m3,
    "viscosity": water.viscosity_mpa_s,
    "salinity": water.seawater_salinity_g_kg,
    "nacl from k": conductivity.nacl_concentration_mg_l,
    "k from nacl": conductivity.nacl_conductivity_us_cm,
    "seawater from k": conductivity.seawater_concentration_mg_l,
    "k from seawater": conductivity.seawater_conductivity_us_cm,
    "natural": conductivity.natural_ratio,
    "nacl ratio": conductivity.nacl_ratio,
    "linear": lambda t: conductivity.linear_ratio(t, alpha_percent_per_k=2.0),
    "arrhenius": lambda t: temperature.arrhenius_factor(t, activation_k=2640.0),
    "two slopes": temperature.two_slope_factor,
    "geometric": temperature.geometric_factor,
}
TWO = {
    "nacl osmotic": water.nacl_osmotic_pressure_bar,
    "d4516 osmotic": water.d4516_osmotic_pressure_bar,
    "seawater osmotic": lambda c, t: water.osmotic_pressure_bar(c, t, Water("seawater")),
    "seawater viscosity": lambda c, t: water.seawater_viscosity_mpa_s(t, c),
    "seawater density": lambda c, t: water.seawater_density_kg_m3(t, c),
    "nacl to 25": conductivity.nacl_at_25,
    "nacl from 25": conductivity.nacl_at_temperature,
    "seawater to 25": conductivity.seawater_at_25,
    "seawater from 25": conductivity.seawater_at_temperature,
    "average": water.feed_brine_average,
}
Law = Callable[..., np.ndarray]


@given(K25)
def test_concentration_and_conductivity_are_inverse(k: float) -> None:
    """Conductivity to concentration and back is the same number to 1e-9, for both waters."""
    for there, back in (
        (conductivity.nacl_concentration_mg_l, conductivity.nacl_conductivity_us_cm),
        (conductivity.seawater_concentration_mg_l, conductivity.seawater_conductivity_us_cm),
    ):
        assert back(there(k)) == pytest.approx(k, rel=1e-9)


@given(K25, WARM)
def test_bringing_to_25_is_inverse(k: float, t: float) -> None:
    """25 °C to temperature and back is the same number to 1e-9, for both waters."""
    for there, back in (
        (conductivity.nacl_at_temperature, conductivity.nacl_at_25),
        (conductivity.seawater_at_temperature, conductivity.seawater_at_25),
    ):
        assert back(there(k, t), t) == pytest.approx(k, rel=1e-9)


@given(K25, WARM, COMPENSATIONS)
def test_a_transmitters_compensation_is_undone(k: float, t: float, law: Compensation) -> None:
    """What a transmitter shows, undone and redone, is the same number to 1e-9."""
    actual = conductivity.displayed_to_actual(k, t, law)
    assert conductivity.actual_to_displayed(actual, t, law) == pytest.approx(k, rel=1e-9)


@given(st.floats(20.0, 40_000.0), WARM, COMPENSATIONS, st.sampled_from(WATERS))
def test_concentration_does_not_depend_on_the_transmitters_compensation(
    k: float, t: float, law: Compensation, kind: Water
) -> None:
    """The same water read by two transmitters of different compensation has one concentration."""
    plain = Compensation("none")
    shown = conductivity.actual_to_displayed(k, t, law)
    got = conductivity.concentration_mg_l(shown, t, law, kind)
    assert got == pytest.approx(conductivity.concentration_mg_l(k, t, plain, kind), rel=1e-9)


@given(K25, COMPENSATIONS, st.sampled_from(WATERS))
def test_at_25_every_compensation_reads_the_same(k: float, law: Compensation, kind: Water) -> None:
    """At 25 °C no compensation changes a reading."""
    got = conductivity.concentration_mg_l(k, 25.0, law, kind)
    want = conductivity.concentration_mg_l(k, 25.0, Compensation("none"), kind)
    assert got == pytest.approx(want, rel=1e-9)


def test_concentration_rises_with_conductivity() -> None:
    """More conductivity is more salt, strictly, over the whole range."""
    k = np.geomspace(1.0, 90_000.0, 5000)
    for law in (conductivity.nacl_concentration_mg_l, conductivity.seawater_concentration_mg_l):
        assert (np.diff(law(k)) > 0).all()
        assert (np.diff(law(k) / k)[k[1:] > 5] > 0).all()  # and more salt for each µS/cm


def test_osmotic_pressure_rises_with_concentration_and_temperature() -> None:
    """More salt and more heat are more osmotic pressure, strictly, over the whole range."""
    c = np.linspace(10.0, 99_000.0, 800)[:, None]
    t = np.linspace(0.5, 49.5, 50)[None, :]
    for law in (
        water.nacl_osmotic_pressure_bar,
        water.d4516_osmotic_pressure_bar,
        TWO["seawater osmotic"],
    ):
        pi = law(c, t)
        assert np.isfinite(pi).all()
        assert (np.diff(pi, axis=0) > 0).all()
        assert (np.diff(pi, axis=1) > 0).all()


def test_temperature_laws_rise_and_are_one_at_25() -> None:
    """Every factor is above 1 in warm water, below 1 in cold, 1 at 25 °C; viscosity falls."""
    t = np.linspace(0.0, 50.0, 501)
    for name in ("arrhenius", "two slopes", "geometric", "natural", "nacl ratio", "linear"):
        assert (np.diff(ONE[name](t)) > 0).all(), name
        assert ONE[name](25.0) == pytest.approx(1.0, abs=1e-12), name
    assert (np.diff(water.viscosity_mpa_s(t)) < 0).all()


@pytest.mark.parametrize("name", ONE)
@settings(max_examples=40)
@given(
    x=hnp.arrays(
        np.float64,
        hnp.array_shapes(min_dims=0, max_dims=3, min_side=0, max_side=4),
        elements=st.floats(allow_nan=True, allow_infinity=True),
    )
)
def test_laws_of_one_argument(name: str, x: np.ndarray) -> None:
    """Any numbers at all: same shape, NaN for NaN, no infinities, no warning, input unchanged."""
    law: Law = ONE[name]
    kept = x.copy()
    got = law(x)
    assert isinstance(got, np.ndarray)
    assert got.shape == x.shape
    assert not np.isinf(got).any()
    assert np.isnan(got[np.isnan(x)]).all()
    np.testing.assert_array_equal(x, kept)


@pytest.mark.parametrize("name", TWO)
@settings(max_examples=40)
@given(
    x=hnp.arrays(np.float64, 3, elements=st.floats(allow_nan=True, allow_infinity=True)),
    y=hnp.arrays(np.float64, 3, elements=st.floats(-10.0, 60.0) | st.just(np.nan)),
)
def test_laws_of_two_arguments(name: str, x: np.ndarray, y: np.ndarray) -> None:
    """Any numbers at all: broadcast shape, NaN for NaN, no warning, inputs unchanged."""
    law: Law = TWO[name]
    kept = x.copy(), y.copy()
    got = law(x[:, None], y)
    assert got.shape == (3, 3)
    lost = np.isnan(x)[:, None] | np.isnan(y)
    assert np.isnan(got[lost]).all()
    np.testing.assert_array_equal(law(x, y), np.diagonal(got))
    np.testing.assert_array_equal(x, kept[0])
    np.testing.assert_array_equal(y, kept[1])


@pytest.mark.parametrize("name", ["density", "viscosity", "arrhenius", "natural", "geometric"])
def test_edges_of_temperature(name: str) -> None:
    """The edges of the validity belong to it; a hair beyond gives NaN."""
    low, high = temperature.VALID_C
    inside = ONE[name](np.array([low, high]))
    outside = ONE[name](np.array([np.nextafter(low, -1), np.nextafter(high, 99)]))
    assert np.isfinite(inside).all()
    assert np.isnan(outside).all()


@given(st.floats(1.0, 50_000.0), st.floats(0.01, 0.95), st.floats(0.0, 0.999))
def test_average_lies_between_feed_and_concentrate(c: float, y: float, rejection: float) -> None:
    """The average on the feed side lies above the feed and below what a perfect membrane leaves."""
    log_mean = float(water.feed_brine_average(c, y))
    exact = float(water.feed_brine_average_exact(c, y, rejection))
    assert c < log_mean < c / (1.0 - y)
    assert c * (1 - 1e-12) <= exact <= log_mean * (1 + 1e-12)


@given(st.floats(-1.0, 0.0) | st.floats(1.0, 2.0) | st.just(float("nan")))
def test_average_of_an_impossible_recovery(y: float) -> None:
    """No recovery, all of it, or none known: no average."""
    assert np.isnan(water.feed_brine_average(2000.0, y))


@given(st.floats(10.0, 500.0), st.floats(0.0, 0.9), st.floats(1.0, 2.0))
def test_mean_power_flow(feed: float, recovery: float, exponent: float) -> None:
    """The exact mean agrees with a fine sum along the vessel, also where the flows are nearly equal."""
    concentrate = feed * (1.0 - recovery)
    got = float(normalize.mean_power_flow(feed, concentrate, exponent=exponent))
    at = (np.arange(4000) + 0.5) / 4000
    want = np.mean((feed + (concentrate - feed) * at) ** exponent)
    assert got == pytest.approx(want, rel=1e-6)


@given(st.floats(max_value=0.0) | st.just(float("nan")))
def test_normalization_of_nothing(x: float) -> None:
    """Zero, negative or missing flow, driving pressure, passage or drop gives NaN, without a warning."""
    assert np.isnan(normalize.water_permeability(x, 10.0, 1.0, area_m2=37.0))
    assert np.isnan(normalize.water_permeability(5.0, x, 1.0, area_m2=37.0))
    assert np.isnan(normalize.salt_permeability(5.0, x, 2000.0, 1.0, area_m2=37.0))
    assert np.isnan(normalize.pressure_drop_coefficient(x, 10.0, 1.0, exponent=1.6))
    assert np.isnan(normalize.pressure_drop_coefficient(1.0, x, 1.0, exponent=1.6))


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: temperature.arrhenius_factor(20.0, activation_k=0.0),
        lambda: temperature.two_slope_factor(20.0, cold_activation_k=-1.0),
        lambda: temperature.geometric_factor(20.0, base=0.0),
        lambda: normalize.water_permeability(1.0, 1.0, 1.0, area_m2=float("nan")),
        lambda: normalize.salt_permeability(1.0, 1.0, 1.0, 1.0, area_m2=0.0),
        lambda: normalize.pressure_drop_coefficient(1.0, 1.0, 1.0, exponent=2.1),
        lambda: normalize.mean_power_flow(1.0, 1.0, exponent=0.5),
    ],
)
def test_a_wrong_argument_raises(wrong: Callable[[], object]) -> None:
    """A wrong constant is a mistake of the caller, not a gap in the data."""
    with pytest.raises(ValueError, match="must"):
        wrong()
