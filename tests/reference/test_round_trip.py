"""Round trip: what normalizing does with the simulator's constant membranes, and the exact means alone."""

import numpy as np

from rules import profile, sections
from tests.reference.check_round_trip import simulated, spread, without_stage_flows


def test_exact_means_are_flatter_than_those_of_the_standard() -> None:
    """Over weather and set-points the log mean wanders where the exact means do not; balances close by both."""
    standard, exact = spread("d4516"), spread("profile")
    assert len(exact) == 10
    for k in ("1", "2"):
        for quantity in ("permeate_flow", "salt_passage"):
            assert exact[f"{k}/{quantity}"] < standard[f"{k}/{quantity}"]
    for name in ("water", "permeate_flow", "permeate_salt"):
        assert standard[f"balance/{name}"] == exact[f"balance/{name}"] < 0.001


def test_split_knows_the_permeability_of_the_stages() -> None:
    """Equal membranes without flow meters: the train's permeability is that of its stages with meters."""
    few, values = without_stage_flows()
    full, all_values = simulated()
    split, metered = sections.plan(few), sections.plan(full)
    got = split.observe(values)[:, split.observables.index("train/permeate_flow")]
    expected = metered.observe(all_values)[:, metered.observables.index("1/permeate_flow")]
    np.testing.assert_allclose(got, expected, atol=0.02)


def test_means_of_the_closed_form_by_integration() -> None:
    """Mean concentration and flow over the membrane as a fine sum along the vessel gives them."""
    for s, y in ((0.2, 0.5), (0.45, 0.4), (0.05, 0.9)):
        # Membrane area is made in proportion to permeate over local driving pressure.
        made = (np.arange(200_000) + 0.5) / 200_000 * y
        left = 1.0 - made
        weight = 1.0 / (1.0 - s / left)
        got = profile.exact_means(1.0, y, 1.0, s)
        assert abs(np.sum(weight / left) / np.sum(weight) / got.concentration_ratio - 1) < 1e-6
        assert abs(np.sum(weight * left) / np.sum(weight) / got.flow_m3h - 1) < 1e-6
        assert abs(y / (np.sum(weight) * y / 200_000) / got.ndp_bar - 1) < 1e-6


def test_exact_means_of_pure_water_are_the_plain_ones() -> None:
    """Without salt the driving pressure is the pressure, the flow the mean of its ends."""
    got = profile.exact_means(10.0, 5.0, 8.0, 0.0)
    assert abs(float(got.ndp_bar) - 8.0) < 1e-12
    assert abs(float(got.flow_m3h) - 7.5) < 1e-12
    assert abs(float(got.concentration_ratio) - np.log(2.0) / 0.5) < 1e-12


def test_brine_beyond_the_pressure_is_nan() -> None:
    """A brine whose osmotic pressure exceeds the pressure cannot be: NaN, no warning."""
    assert np.isnan(profile.exact_means(10.0, 5.0, 8.0, 4.5).ndp_bar)
