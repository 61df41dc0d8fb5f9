"""Laws of water: inverse pairs, monotony, NaN, shapes, inputs unchanged, edges of validity."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rules import conductivity, fits, normalize, temperature, water
from rules.train import Compensation, Water

Law = Callable[..., np.ndarray]
K25 = st.floats(*conductivity.VALID_US_CM)
WARM = st.floats(*conductivity.VALID_C)
COMPENSATIONS = st.one_of(
    st.builds(Compensation, st.just("linear"), st.floats(0.0, 3.9)),
    st.just(Compensation("natural")),
    st.just(Compensation("none")),
)
NACL, SEA, NATURAL = WATERS = (Water("nacl"), Water("seawater"), Water("nacl", factor=0.62))

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
    "viscosity factor": temperature.viscosity_factor,
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
    "actual": lambda k, t: conductivity.displayed_to_actual(k, t, Compensation("natural")),
    "displayed": lambda k, t: conductivity.actual_to_displayed(k, t, Compensation("linear", 2.0)),
    "nacl by meter": lambda k, t: conductivity.concentration_mg_l(k, t, Compensation(), NACL),
    "nacl on meter": lambda c, t: conductivity.displayed_us_cm(c, t, Compensation(), NACL),
    "seawater by meter": lambda k, t: conductivity.concentration_mg_l(k, t, Compensation(), SEA),
    "seawater on meter": lambda c, t: conductivity.displayed_us_cm(c, t, Compensation(), SEA),
    "natural by meter": lambda k, t: conductivity.concentration_mg_l(k, t, Compensation(), NATURAL),
    "natural on meter": lambda c, t: conductivity.displayed_us_cm(c, t, Compensation(), NATURAL),
    "average": water.feed_brine_average,
}


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


@given(K25, WARM, COMPENSATIONS, st.sampled_from(WATERS))
def test_what_a_transmitter_shows_is_inverse(
    k25: float, t: float, law: Compensation, kind: Water
) -> None:
    """Concentration to what is shown and back is the same number to 1e-9, for every water and law."""
    c = conductivity.concentration_mg_l(k25, 25.0, Compensation("none"), kind)
    shown = conductivity.displayed_us_cm(c, t, law, kind)
    assert conductivity.concentration_mg_l(shown, t, law, kind) == pytest.approx(c, rel=1e-9)


def test_inverse_pairs_hold_to_the_edges() -> None:
    """On a grid with every edge of validity, each pair of laws gives the number back to 1e-9."""
    k = np.geomspace(*conductivity.VALID_US_CM, 120)[:, None]
    t = np.linspace(*conductivity.VALID_C, 51)
    for kind in WATERS:
        for law in (Compensation(), Compensation("natural"), Compensation("none")):
            c = conductivity.concentration_mg_l(k, 25.0, law, kind)
            shown = conductivity.displayed_us_cm(c, t, law, kind)
            back = conductivity.concentration_mg_l(shown, t, law, kind)
            np.testing.assert_allclose(back, c * np.ones(51), rtol=1e-9)
    for there, back_law in (
        (conductivity.nacl_at_temperature, conductivity.nacl_at_25),
        (conductivity.seawater_at_temperature, conductivity.seawater_at_25),
    ):
        np.testing.assert_allclose(back_law(there(k, t), t), k * np.ones(51), rtol=1e-9)


@given(K25, WARM, COMPENSATIONS, COMPENSATIONS)
def test_a_wrong_compensation_is_replaced(
    k: float, t: float, wrong: Compensation, right: Compensation
) -> None:
    """A reading undone from one compensation and redone by another is what the other would show."""
    shown = conductivity.actual_to_displayed(k, t, wrong)
    actual = conductivity.displayed_to_actual(shown, t, wrong)
    want = conductivity.actual_to_displayed(k, t, right)
    assert conductivity.actual_to_displayed(actual, t, right) == pytest.approx(want, rel=1e-9)


@given(st.floats(20.0, 40_000.0), st.floats(1.0, 45.0), COMPENSATIONS, st.sampled_from(WATERS))
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
    """More conductivity is more salt, strictly, over the whole range, as is its inverse."""
    k = np.geomspace(1.0, 90_000.0, 5000)
    for law in (conductivity.nacl_concentration_mg_l, conductivity.seawater_concentration_mg_l):
        assert (np.diff(law(k)) > 0).all()
        assert (np.diff(law(k) / k)[k[1:] > 5] > 0).all()  # and more salt for each µS/cm
    c = np.geomspace(1.0, 60_000.0, 5000)
    for back in (conductivity.nacl_conductivity_us_cm, conductivity.seawater_conductivity_us_cm):
        assert (np.diff(back(c)) > 0).all()


@pytest.mark.parametrize("kind", WATERS)
def test_concentration_follows_a_reading_and_the_heat(kind: Water) -> None:
    """At one temperature a higher reading is more salt; one uncompensated reading in warmer water, less."""
    k = np.geomspace(30.0, 40_000.0, 300)[:, None]
    t = np.linspace(1.0, 45.0, 45)
    for law in (Compensation(), Compensation("natural"), Compensation("none")):
        c = conductivity.concentration_mg_l(k, t, law, kind)
        assert np.isfinite(c).all()
        assert (np.diff(c, axis=0) > 0).all()
    assert (np.diff(c, axis=1) < 0).all()  # of the last: none


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
    for name in (
        "arrhenius",
        "two slopes",
        "geometric",
        "natural",
        "nacl ratio",
        "linear",
        "viscosity factor",
    ):
        assert (np.diff(ONE[name](t)) > 0).all(), name
        assert ONE[name](25.0) == pytest.approx(1.0, abs=1e-12), name
    assert (np.diff(water.viscosity_mpa_s(t)) < 0).all()


@given(WARM, WARM, st.floats(100.0, 9000.0), st.floats(0.5, 1.5))
def test_factors_change_their_reference(
    t: float, reference: float, activation_k: float, base: float
) -> None:
    """A factor to another reference is the ratio of two factors to 25 °C."""
    laws: list[Law] = [
        lambda x, r: temperature.arrhenius_factor(x, activation_k=activation_k, reference_c=r),
        lambda x, r: temperature.geometric_factor(x, base=base, reference_c=r),
        lambda x, r: temperature.viscosity_factor(x, reference_c=r),
    ]
    for law in laws:
        assert law(t, reference) == pytest.approx(law(t, 25.0) / law(reference, 25.0), rel=1e-12)
        assert law(t, reference) * law(reference, t) == pytest.approx(1.0, rel=1e-12)


@given(st.floats(0.1, 100.0), WARM)
def test_kilojoules_and_kelvin(kj_mol: float, t: float) -> None:
    """Twice the energy is twice the constant, and the square of the factor."""
    once, twice = (temperature.activation_from_kj_mol(n * kj_mol) for n in (1, 2))
    assert twice == pytest.approx(2 * once, rel=1e-14)
    factor = temperature.arrhenius_factor(t, activation_k=once)
    assert temperature.arrhenius_factor(t, activation_k=twice) == pytest.approx(
        factor**2, rel=1e-12
    )


@given(K25, WARM, st.floats(0.01, 100.0), COMPENSATIONS)
def test_units_of_conductivity_scale(k: float, t: float, scale: float, law: Compensation) -> None:
    """Compensation, natural waters and the average are proportional: mS/cm or µS/cm, g/L or mg/L."""
    for there in (conductivity.displayed_to_actual, conductivity.actual_to_displayed):
        assert there(k * scale, t, law) == pytest.approx(scale * there(k, t, law), rel=1e-12)
    average = water.feed_brine_average(k * scale, 0.5)
    assert average == pytest.approx(scale * water.feed_brine_average(k, 0.5), rel=1e-12)
    double = conductivity.concentration_mg_l(k, t, law, Water("nacl", factor=0.5 * scale))
    single = conductivity.concentration_mg_l(k, t, law, Water("nacl", factor=0.5))
    assert double == pytest.approx(single * scale, rel=1e-12, nan_ok=True)


@given(WARM)
def test_thin_salt_is_ideal(t: float) -> None:
    """A trace of salt has the osmotic pressure of van 't Hoff, 2 c R T, within the Debye-Hückel slope."""
    ideal = 2.0 * 0.01 / water.NACL_G_MOL * water.GAS_CONSTANT * (t + temperature.KELVIN) * 1e-5
    assert water.nacl_osmotic_pressure_bar(0.01, t) == pytest.approx(ideal, rel=1e-3)
    assert water.nacl_osmotic_pressure_bar(0.0, t) == 0.0
    assert water.seawater_osmotic_pressure_bar(0.0, t) == 0.0


LONG = 3 * fits.BLOCK + 17


@pytest.mark.parametrize("name", [*ONE, *TWO])
def test_long_arrays(name: str) -> None:
    """A long array, in any layout, gives what its rows give alone, and is left as it was."""
    rng = np.random.default_rng(5)
    law: Law = ONE[name] if name in ONE else TWO[name]
    first = rng.uniform(0.0, 60.0, LONG) if name in ONE else rng.uniform(0.0, 110.0, LONG)
    second = rng.uniform(0.0, 1.0 if name == "average" else 55.0, LONG)
    first[::7] = np.nan
    given = [first] if name in ONE else [first, second]
    kept = [a.copy() for a in given]
    whole = law(*given)
    some = np.r_[0:50, fits.BLOCK - 5 : fits.BLOCK + 5, LONG - 50 : LONG]
    np.testing.assert_allclose(whole[some], law(*(a[some] for a in given)), rtol=1e-13)
    assert np.isfinite(whole).any()
    for a, before in zip(given, kept, strict=True):
        np.testing.assert_array_equal(a, before)
    table = [np.ascontiguousarray(np.stack([a, a], axis=1)) for a in given]
    np.testing.assert_allclose(law(*table), np.stack([whole, whole], axis=1), rtol=1e-13)
    columns = [a[:, 0] for a in table]
    np.testing.assert_allclose(law(*columns), whole, rtol=1e-13)
    if name in TWO:
        np.testing.assert_allclose(
            law(first, second[1])[some], law(first[some], second[1]), rtol=1e-13
        )


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


@pytest.mark.parametrize(
    "name",
    [
        "density",
        "viscosity",
        "arrhenius",
        "two slopes",
        "natural",
        "geometric",
        "viscosity factor",
        "linear",
        "nacl ratio",
    ],
)
def test_edges_of_temperature(name: str) -> None:
    """The edges of the validity belong to it; a hair beyond gives NaN."""
    _edges(ONE[name], temperature.VALID_C)


def _edges(law: Law, valid: tuple[float, float]) -> None:
    low, high = valid
    assert np.isfinite(law(np.array([low, high]))).all()
    beyond = np.array([np.nextafter(low, -np.inf), np.nextafter(high, np.inf)])
    assert np.isnan(law(beyond)).all()


def test_edges_of_salt() -> None:
    """So do the edges of conductivity, concentration and salinity; of two arguments each one counts."""
    _edges(conductivity.nacl_concentration_mg_l, conductivity.VALID_US_CM)
    _edges(conductivity.seawater_concentration_mg_l, conductivity.VALID_US_CM)
    _edges(water.seawater_salinity_g_kg, water.VALID_SEAWATER_MG_L)
    _edges(lambda k: conductivity.nacl_at_temperature(k, 10.0), conductivity.VALID_US_CM)
    _edges(lambda t: conductivity.seawater_at_25(2000.0, t), conductivity.VALID_C)
    _edges(lambda c: water.nacl_osmotic_pressure_bar(c, 0.0), water.VALID_NACL_MG_L)
    _edges(lambda t: water.nacl_osmotic_pressure_bar(100.0, t), water.VALID_C)
    _edges(lambda c: water.d4516_osmotic_pressure_bar(c, 50.0), water.VALID_NACL_MG_L)
    _edges(lambda s: water.seawater_osmotic_pressure_bar(s, 50.0), water.VALID_SALINITY_G_KG)
    _edges(lambda s: water.seawater_density_kg_m3(0.0, s), water.VALID_SALINITY_G_KG)
    _edges(lambda s: water.seawater_viscosity_mpa_s(0.0, s), water.VALID_SALINITY_G_KG)


def test_the_inverse_of_an_edge_is_the_edge() -> None:
    """Rounding does not push the ends of the range out of it."""
    edge = np.array(conductivity.VALID_US_CM)
    for there, back in (
        (conductivity.nacl_concentration_mg_l, conductivity.nacl_conductivity_us_cm),
        (conductivity.seawater_concentration_mg_l, conductivity.seawater_conductivity_us_cm),
    ):
        np.testing.assert_allclose(back(there(edge)), edge, rtol=1e-12)
        assert np.isnan(back(there(edge) * np.array([1 - 1e-6, 1 + 1e-6]))).all()


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
        lambda: temperature.viscosity_factor(20.0, reference_c=60.0),
        lambda: temperature.activation_from_kj_mol(0.0),
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
