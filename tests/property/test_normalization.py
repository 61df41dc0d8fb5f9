"""Normalized values of arbitrary operation: coefficients and standardized values tell the same."""

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules import normalize, profile
from rules.train import Instrument

POSITIVE = st.floats(0.01, 1000.0)
STATES = st.tuples(*[POSITIVE] * 9)


@given(STATES, STATES)
def test_coefficients_carry_the_same_information(
    now: tuple[float, ...], base: tuple[float, ...]
) -> None:
    """Hand algebra: ratios of A, B and K equal the standardized flow, fixed passage and drop."""

    def coefficients(state: tuple[float, ...]) -> tuple[float, float, float]:
        q, ndp, tcf, cp, cfb, stcf, drop, flow, mu = state
        return (
            float(normalize.water_permeability(q, ndp, tcf, area_m2=7.0)),
            float(normalize.salt_permeability(q, cp, cfb, stcf, area_m2=7.0)),
            float(normalize.pressure_drop_coefficient(drop, flow, mu, exponent=1.6)),
        )

    q, ndp, tcf, cp, cfb, stcf, drop, flow, mu = now
    q0, ndp0, tcf0, cp0, cfb0, stcf0, drop0, flow0, mu0 = base
    feed, feed0 = 3.0 * cp, 5.0 * cp0
    qps = normalize.standardized_permeate_flow(
        q, ndp, tcf, reference_ndp_bar=ndp0, reference_water_factor=tcf0
    )
    passage = normalize.standardized_salt_passage(
        cp / feed,
        q,
        stcf,
        feed,
        cfb,
        reference_permeate_flow_m3h=q0,
        reference_salt_factor=stcf0,
        reference_feed_mg_l=feed0,
        reference_feed_brine_mg_l=cfb0,
    )
    standard = normalize.standardized_pressure_drop(
        drop,
        flow,
        mu,
        reference_average_flow_m3h=flow0,
        reference_viscosity_mpa_s=mu0,
        exponent=1.6,
    )
    a, b, k = np.divide(coefficients(now), coefficients(base))
    np.testing.assert_allclose(a, qps / q0, rtol=1e-12)
    np.testing.assert_allclose(b, passage / (cp0 / feed0), rtol=1e-12)
    np.testing.assert_allclose(k, standard / drop0, rtol=1e-12)


@given(POSITIVE, POSITIVE, st.floats(1.0, 2.0))
def test_mean_power_flow_lies_between_the_ends(feed: float, left: float, exponent: float) -> None:
    """The mean of Q^n along the vessel lies between its ends and is the same either way round."""
    low, high = sorted((feed**exponent, left**exponent))
    got = float(normalize.mean_power_flow(feed, left, exponent=exponent))
    assert low * (1 - 1e-9) <= got <= high * (1 + 1e-9)
    turned = float(normalize.mean_power_flow(left, feed, exponent=exponent))
    np.testing.assert_allclose(got, turned, rtol=1e-9)


def flow(*x: Any) -> Any:
    """`standardized_permeate_flow` by place."""
    return normalize.standardized_permeate_flow(
        x[0], x[1], x[2], reference_ndp_bar=x[3], reference_water_factor=x[4]
    )


def passage(*x: Any) -> Any:
    """`standardized_salt_passage` by place."""
    return normalize.standardized_salt_passage(
        *x[:5],
        reference_permeate_flow_m3h=x[5],
        reference_salt_factor=x[6],
        reference_feed_mg_l=x[7],
        reference_feed_brine_mg_l=x[8],
    )


def drop(*x: Any) -> Any:
    """`standardized_pressure_drop` by place."""
    return normalize.standardized_pressure_drop(
        *x[:3], reference_average_flow_m3h=x[3], reference_viscosity_mpa_s=x[4], exponent=1.6
    )


POWER_LAWS: dict[str, tuple[Callable[..., Any], tuple[float, ...]]] = {
    "water_permeability": (partial(normalize.water_permeability, area_m2=7.0), (1, -1, -1)),
    "salt_permeability": (partial(normalize.salt_permeability, area_m2=7.0), (1, 1, -1, -1)),
    "pressure_drop_coefficient": (
        partial(normalize.pressure_drop_coefficient, exponent=1.6),
        (1, -1.6, -0.4),
    ),
    "standardized_permeate_flow": (flow, (1, -1, -1, 1, 1)),
    "standardized_salt_passage": (passage, (1, 1, -1, 1, -1, -1, 1, -1, 1)),
    "standardized_pressure_drop": (drop, (1, -1.6, -0.4, 1.6, 0.4)),
}
"""Functions that are products of powers of their arguments."""


@pytest.mark.parametrize("name", POWER_LAWS)
@given(data=st.data(), factor=st.floats(0.01, 100.0))
@settings(max_examples=25, deadline=None)
def test_units_scale_and_odd_readings_are_nan(
    name: str, data: st.DataObject, factor: float
) -> None:
    """Each argument in another unit by its power; NaN, zero and below give NaN; shapes broadcast; inputs stay."""
    function, powers = POWER_LAWS[name]
    args = [data.draw(POSITIVE) for _ in powers]
    base = np.asarray(function(*args))
    assert base.shape == ()
    for i, power in enumerate(powers):
        moved = [x * factor if j == i else x for j, x in enumerate(args)]
        np.testing.assert_allclose(function(*moved), base * factor**power, rtol=1e-9)
        column = np.array([[args[i]], [np.nan], [0.0], [-1.0]])
        kept = column.copy()
        wide = [column if j == i else np.array([x, x, x]) for j, x in enumerate(args)]
        got = np.asarray(function(*wide))
        assert got.shape == (4, 3)
        np.testing.assert_allclose(got[0], base, rtol=1e-14)
        assert np.isnan(got[1:]).all()
        np.testing.assert_array_equal(column, kept)


@given(
    st.floats(1.0, 100.0),
    st.floats(0.01, 0.9),
    st.floats(1.0, 80.0),
    st.floats(0.0, 0.95),
    st.floats(0.01, 100.0),
)
def test_exact_means_scale_and_stay_within_their_bounds(
    feed: float, recovery: float, pressure: float, share: float, factor: float
) -> None:
    """Flows and pressures in any unit; driving pressure and flow between those of the two ends."""
    salt = share * pressure * (1.0 - recovery)
    got = profile.exact_means(feed, feed * recovery, pressure, salt)
    end = pressure - salt / (1.0 - recovery)
    assert end * (1 - 1e-9) <= float(got.ndp_bar) <= (pressure - salt) * (1 + 1e-9)
    assert feed * (1 - recovery) * (1 - 1e-9) <= float(got.flow_m3h) <= feed * (1 + 1e-9)
    assert 1 - 1e-9 <= float(got.concentration_ratio) <= (1 + 1e-9) / (1 - recovery)
    flows = profile.exact_means(feed * factor, feed * recovery * factor, pressure, salt)
    np.testing.assert_allclose(flows.ndp_bar, got.ndp_bar, rtol=1e-6)
    np.testing.assert_allclose(flows.flow_m3h, got.flow_m3h * factor, rtol=1e-6)
    units = profile.exact_means(feed, feed * recovery, pressure * factor, salt * factor)
    np.testing.assert_allclose(units.ndp_bar, got.ndp_bar * factor, rtol=1e-6)


@given(
    st.floats(0.0, 1.0),
    st.floats(0.0, 0.1),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
    st.floats(-100.0, 100.0),
)
def test_every_part_of_an_accuracy_adds(
    absolute: float, relative: float, resolution: float, drift: float, reading: float
) -> None:
    """Accuracy is never better with resolution and drift, nor than its parts, and does not know the sign."""
    plain = Instrument("feed_flow", absolute, relative)
    full = Instrument("feed_flow", absolute, relative, resolution=resolution, drift_per_year=drift)
    got = float(full.standard_uncertainty(reading))
    assert got >= float(plain.standard_uncertainty(reading)) * (1 - 1e-12) - 1e-150
    for part in (absolute, relative * abs(reading), resolution / np.sqrt(12.0), drift / 2.0):
        assert got >= part * (1 - 1e-12) - 1e-150  # squares below it are lost
    assert got == float(full.standard_uncertainty(-reading))
