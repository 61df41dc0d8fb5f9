"""Normalized values of arbitrary operation: coefficients and standardized values tell the same."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rules import normalize

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
