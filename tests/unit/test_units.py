"""Units at the edge (published conversions: tests/reference/check_units.py), and each role against its own kinds."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.plantfile import units
from rules.train import STAGE_ROLES, TRAIN_ROLES, VESSEL_ROLES


@pytest.mark.parametrize(
    ("unit", "value", "si"),
    [
        ("bar", 13.8, 13.8),
        ("kPa", 1380.0, 13.8),
        ("MPa", 1.38, 13.8),
        ("mbar", 600.0, 0.6),
        ("m3/h", 7.2, 7.2),
        ("L/min", 120.0, 7.2),
        ("L/s", 2.0, 7.2),
        ("m3/d", 172.8, 7.2),
        ("°C", 18.5, 18.5),
        ("µS/cm", 1500.0, 1500.0),
        ("mS/cm", 1.5, 1500.0),
        ("pH", 7.1, 7.1),
        ("mV", 230.0, 230.0),
        ("V", 0.23, 230.0),
        ("NTU", 0.4, 0.4),
    ],
)
def test_decimal_units(unit: str, value: float, si: float) -> None:
    """Powers of ten, 60 s, 60 min and 24 h, worked out by hand from the SI prefixes."""
    assert units.unit(unit).to_si(value) == pytest.approx(si, rel=1e-12)


def test_dissolved_solids_are_taken_back_to_conductivity() -> None:
    """By hand: 500 mg/L shown with 0.5 mg/L for each µS/cm are 1000 µS/cm."""
    assert units.unit("mg/L", factor=0.5).to_si(500.0) == pytest.approx(1000.0, rel=1e-12)


@pytest.mark.parametrize("factor", [None, 0.0, -0.5, math.nan])
def test_dissolved_solids_need_a_factor(factor: float | None) -> None:
    """mg/L without a factor above 0 says nothing of conductivity, so it raises."""
    with pytest.raises(ValueError, match="factor"):
        units.unit("mg/L", factor=factor)


def test_a_factor_is_for_dissolved_solids_only() -> None:
    """A factor with another unit is a wrong argument."""
    with pytest.raises(ValueError, match="belongs to mg/L"):
        units.unit("µS/cm", factor=0.5)


def test_an_unknown_unit_raises() -> None:
    """A gauge suffix is not guessed away."""
    with pytest.raises(ValueError, match="psig"):
        units.unit("psig")
    assert units.kind_of("psig") is None


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("degC", "°C"),
        ("C", "°C"),
        ("degF", "°F"),
        ("F", "°F"),
        ("uS/cm", "µS/cm"),
        ("\u03bcS/cm", "µS/cm"),
        ("m³/h", "m3/h"),
    ],
)
def test_other_spellings(written: str, name: str) -> None:
    """What a keyboard can type means the same as the proper sign."""
    assert units.unit(written) == units.unit(name)


def test_a_status_is_zero_or_one() -> None:
    """Any other number is no status, so it is NaN instead of true."""
    status = units.unit("bool")
    assert status.to_si(0) == 0.0
    assert status.to_si(1) == 1.0
    assert math.isnan(status.to_si(2))
    assert math.isnan(status.to_si(math.nan))


def test_every_role_has_a_kind_with_units() -> None:
    """No role of the rules is without units, and no unit is without a role."""
    roles = {*TRAIN_ROLES, *STAGE_ROLES, *VESSEL_ROLES}
    assert set(units.KIND_OF_ROLE) == roles
    assert all(units.names(kind) for kind in units.KIND_OF_ROLE.values())


@given(
    unit=st.sampled_from(["bar", "psi", "kPa", "gpm", "m3/d", "°F", "mS/cm", "V"]),
    value=st.floats(-1e6, 1e6),
)
def test_there_and_back(unit: str, value: float) -> None:
    """A value brought to SI and back is the same value."""
    found = units.unit(unit)
    assert found.from_si(found.to_si(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(unit=st.sampled_from(["bar", "psi", "gpm", "°F", "mS/cm"]))
def test_nan_stays_nan(unit: str) -> None:
    """A gap stays a gap."""
    assert math.isnan(units.unit(unit).to_si(math.nan))
