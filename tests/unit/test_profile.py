"""Exact means along a section: what an error of the osmotic pressure does to them."""

import numpy as np
import pytest

from rules.profile import exact_means, osmotic_slopes


@pytest.mark.parametrize(
    ("recovery", "share"), [(0.2, 0.1), (0.5, 0.3), (0.75, 0.2), (0.45, 0.45), (0.57, 0.42)]
)
def test_osmotic_slopes_are_those_of_the_means(recovery: float, share: float) -> None:
    """Slopes of flow and passage by the osmotic pressure, against central differences of the means themselves."""

    def logs(s: float) -> tuple[float, float]:
        found = exact_means(1.0, recovery, 1.0, s)
        return -float(np.log(found.ndp_bar)), -float(np.log(found.concentration_ratio))

    d = 1e-6
    low, high = logs(share * (1.0 - d)), logs(share * (1.0 + d))
    expected = [(b - a) / (2.0 * d) for a, b in zip(low, high, strict=True)]
    drive = float(exact_means(1.0, recovery, 1.0, share).ndp_bar)
    assert osmotic_slopes(recovery, drive) == pytest.approx(expected, rel=1e-6)


def test_osmotic_slopes_grow_where_the_tail_comes_to_rest() -> None:
    """With little pressure left at the tail a small error of the osmotic pressure is a large one of the flow."""
    steep = [
        osmotic_slopes(0.5, float(exact_means(1.0, 0.5, 1.0, s).ndp_bar))[0]
        for s in (0.3, 0.4, 0.45, 0.49)
    ]
    assert steep == sorted(steep)
    assert steep[-1] > 10.0 * steep[0]


def test_osmotic_slopes_without_an_operating_point() -> None:
    """No recovery, or a driving pressure at or above the pressure: nothing is said."""
    for recovery, drive in ((np.nan, 0.5), (0.5, np.nan), (0.5, 1.0), (1.0, 0.5), (0.0, 0.5)):
        assert np.isnan(osmotic_slopes(recovery, drive)).all()
