"""What the year of `check_year` would look like with the textbook's constants alone."""

import pytest

from tests.reference.check_year import OFF, PLANTS, RATE, year


@pytest.mark.parametrize("plant_type", PLANTS)
@pytest.mark.parametrize("off", OFF)
def test_without_learning_the_season_is_taken_for_a_change(plant_type: str, off: float) -> None:
    """Half a year of warming: the error of the yearly rate is several times that with what is learned."""
    flow, _, half, plain_half = year(plant_type, off)["1/permeate_flow"]
    assert abs(flow - RATE) < 0.005
    assert abs(half - RATE) < 0.04
    assert abs(plain_half - RATE) > 1.8 * abs(half - RATE)
