"""Volumes, chemicals, pH, heat and flows of a cleaning, by hand and by handbook."""

import pytest
from iapws import IAPWS97

from rules import cleaningplan
from rules.cleaningplan import RECIPES, Limits, NotPossible

STRENGTH = dict(cleaningplan.SUPPLIED_PERCENT)
WIDE = Limits(1.0, 13.0, 45.0)


def test_volume_of_four_vessels() -> None:
    """By hand: π/4 · 0.202² · 6.23 = 0.19966 m3, × 4 × 0.8 = 638.9 L; π/4 · 0.1² · 24 = 188.5 L; heel 300 L."""
    found = cleaningplan.volume(
        vessels=4,
        inside_diameter_mm=202.0,
        length_mm=6230.0,
        water_share=0.8,
        pipes=[(100.0, 24.0)],
        heel_l=300.0,
    )
    assert found.vessels_l == pytest.approx(638.9, abs=0.1)
    assert found.pipes_l == pytest.approx(188.5, abs=0.1)
    assert found.loop_l == pytest.approx(827.4, abs=0.2)
    assert found.total_l == pytest.approx(1127.4, abs=0.2)


@pytest.mark.parametrize(
    ("mol_l", "ph", "within"),
    [
        ({}, 7.0, 0.01),
        ({"hydrochloric_acid": 0.1}, 1.1, 0.15),
        ({"hydrochloric_acid": 0.01}, 2.0, 0.05),
        ({"citric_acid": 0.1 / 3}, 2.2, 0.2),
        ({"sodium_hydroxide": 0.1}, 13.0, 0.1),
        ({"sodium_hydroxide": 0.01}, 12.0, 0.05),
    ],
)
def test_ph_of_solutions_in_handbooks(mol_l: dict[str, float], ph: float, within: float) -> None:
    """Approximate pH of 0.1 N and 0.01 N acids and bases (CRC Handbook, from memory)."""
    assert cleaningplan.estimated_ph(mol_l) == pytest.approx(ph, abs=within)


def test_citric_acid_for_a_thousand_liters() -> None:
    """By hand: 2 % of 1000 kg are 20 kg; of powder of 92 % it takes 21.74 kg; the pH is its own, about 2.1."""
    made = cleaningplan.solution(
        RECIPES["citric_acid"], 1000.0, WIDE, STRENGTH | {"citric_acid": 92.0}
    )
    (dose,) = made.doses
    assert (dose.active_kg, dose.liters, dose.adjusts) == (20.0, None, False)
    assert dose.kg == pytest.approx(21.739, abs=0.001)
    assert made.ph == pytest.approx(2.1, abs=0.1)


def test_hydrochloric_acid_to_ph_2() -> None:
    """By hand: 0.01 mol/L × 1000 L × 36.46 g = 0.365 kg, as 32 % 1.139 kg, at 1.159 kg/L 0.983 L."""
    made = cleaningplan.solution(RECIPES["hydrochloric_acid"], 1000.0, WIDE, STRENGTH)
    (dose,) = made.doses
    assert dose.adjusts
    assert dose.active_kg == pytest.approx(0.3646, rel=1e-3)
    assert dose.kg == pytest.approx(1.139, rel=1e-3)
    assert dose.liters == pytest.approx(0.983, rel=2e-3)


def test_sodium_hydroxide_stays_below_the_limit_of_the_membrane() -> None:
    """Limit pH 11: the aim is 10.8, by hand 10^(10.8 − 14) mol/L × 40 g × 1000 L = 25.2 g."""
    made = cleaningplan.solution(RECIPES["detergent"], 1000.0, Limits(2.0, 11.0, 30.0), STRENGTH)
    detergent, base = made.doses
    assert detergent.kg == pytest.approx(0.25)
    assert base.active_kg == pytest.approx(0.0252, abs=0.0001)
    assert made.ph == pytest.approx(10.8, abs=0.01)
    assert made.temperature_c == 30.0


def test_citric_acid_is_raised_to_the_lowest_ph_of_the_membrane() -> None:
    """Limit pH 3: 2 % citric acid would be at 2.1, so sodium hydroxide brings it to 3.2."""
    made = cleaningplan.solution(RECIPES["citric_acid"], 1000.0, Limits(3.0, 11.0, 45.0), STRENGTH)
    assert [d.chemical for d in made.doses] == ["citric_acid", "sodium_hydroxide"]
    assert made.ph == pytest.approx(3.2, abs=0.01)


@pytest.mark.parametrize(
    ("recipe", "limits"),
    [
        ("hydrochloric_acid", Limits(4.0, 11.0, 45.0)),
        ("citric_acid", Limits(4.0, 9.0, 45.0)),
        ("edta", Limits(2.0, 10.0, 45.0)),
        ("detergent", Limits(2.0, 10.0, 45.0)),
    ],
)
def test_limits_that_leave_no_useful_ph_are_refused(recipe: str, limits: Limits) -> None:
    """The limits and what the solution needs are both named."""
    with pytest.raises(NotPossible, match=f"pH {limits.ph_min:g} to {limits.ph_max:g}, leave this"):
        cleaningplan.solution(RECIPES[recipe], 1000.0, limits, STRENGTH)


def test_heat_of_a_tank() -> None:
    """By hand: 1500 kg × 4.18 kJ/kg/K × 20 K / 3600 = 34.8 kWh; nothing when it is warm already."""
    assert cleaningplan.heat_kwh(1500.0, 15.0, 35.0) == pytest.approx(34.83, abs=0.01)
    assert cleaningplan.heat_kwh(1500.0, 36.0, 35.0) == 0.0


@pytest.mark.parametrize("celsius", [10.0, 25.0, 40.0])
def test_heat_of_water_is_that_of_the_steam_tables(celsius: float) -> None:
    """IAPWS-IF97 by the library iapws: within half a per cent between 10 and 40 °C."""
    exact = IAPWS97(T=celsius + 273.15, P=0.101325).cp
    assert pytest.approx(exact, rel=0.005) == cleaningplan.WATER_KJ_KG_K


def test_a_pump_for_all_vessels() -> None:
    """8 vessels at 6 m3/h take 48; a pump of 60 gives each 7.5."""
    found = cleaningplan.flow(vessels=8, inside_diameter_mm=202.0, pump_m3h=60.0)
    assert (found.at_once, found.blocks, found.each_m3h) == (8, 1, 7.5)
    assert (found.least_m3h, found.most_m3h, found.all_least_m3h) == (6.0, 9.0, 48.0)


def test_a_pump_for_half_of_them() -> None:
    """8 vessels at 6 m3/h, a pump of 25: four at once, in two blocks."""
    found = cleaningplan.flow(vessels=8, inside_diameter_mm=202.0, pump_m3h=25.0)
    assert (found.at_once, found.blocks) == (4, 2)


def test_a_pump_for_not_even_one() -> None:
    """It is said, not rounded up."""
    found = cleaningplan.flow(vessels=8, inside_diameter_mm=202.0, pump_m3h=5.0)
    assert (found.at_once, found.blocks) == (0, None)


def test_small_vessels_take_small_flows() -> None:
    """4 inch, and the element's own value goes before custom."""
    small = cleaningplan.flow(vessels=2, inside_diameter_mm=101.0)
    assert (small.least_m3h, small.most_m3h, small.each_m3h) == (1.8, 2.3, None)
    own = cleaningplan.flow(vessels=2, inside_diameter_mm=101.0, per_vessel_m3h=2.0)
    assert (own.least_m3h, own.most_m3h) == (2.0, 2.0)


def test_densities_of_what_is_supplied() -> None:
    """Hydrochloric acid 32 % 1.159, sodium hydroxide 50 % 1.525 kg/L (handbook tables, from memory); dry ones none."""
    assert cleaningplan.density_kg_l("hydrochloric_acid", 32.0) == pytest.approx(1.159, abs=0.001)
    assert cleaningplan.density_kg_l("sodium_hydroxide", 50.0) == 1.525
    assert cleaningplan.density_kg_l("sodium_hydroxide", 98.0) is None
    assert cleaningplan.density_kg_l("citric_acid", 50.0) is None


def test_numbers_that_cannot_be_are_refused() -> None:
    """Wrong arguments raise."""
    with pytest.raises(ValueError, match="a pipe of"):
        cleaningplan.cylinder_l(0.0, 3.0)
    with pytest.raises(ValueError, match="strength_percent"):
        cleaningplan.solution(RECIPES["citric_acid"], 9.0, WIDE, STRENGTH | {"citric_acid": 0.0})
    with pytest.raises(ValueError, match="volume_l"):
        cleaningplan.solution(RECIPES["citric_acid"], 0.0, WIDE, STRENGTH)
    with pytest.raises(ValueError, match="must not be below 0"):
        cleaningplan.estimated_ph({"citric_acid": -1.0})
