"""Mixing along the tube and the probe: inverse pairs, scaling, mirror image, NaN, inputs unchanged."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rules.probe import probe
from rules.train import Water
from rules.tube import (
    Healthy,
    Tube,
    dividing_point,
    expected_mg_l,
    mixed,
    own,
    own_error,
    positions,
    upstream_share,
)

FLOW = st.floats(0.05, 5.0)
SALT = st.floats(1.0, 5000.0)
PORTS = st.sampled_from(["concentrate", "feed", "both"])
MIRROR = {"concentrate": "feed", "feed": "concentrate", "both": "both"}
LINEAR = Water(factor=0.5)


def inflows(shape: tuple[int, ...] = (3, 8)) -> st.SearchStrategy[tuple[np.ndarray, np.ndarray]]:
    return st.tuples(
        hnp.arrays(np.float64, shape, elements=FLOW), hnp.arrays(np.float64, shape, elements=SALT)
    )


@given(inflows())
def test_mixing_and_own_are_inverse(both: tuple[np.ndarray, np.ndarray]) -> None:
    """Mixed and taken apart again is the same to 1e-9 of the saltiest; the inputs are kept."""
    flow, salt = both
    kept = flow.copy(), salt.copy()
    back = own(flow, mixed(flow, salt))
    total = (flow * salt).sum(axis=-1, keepdims=True) / flow.min(axis=-1, keepdims=True)
    assert (np.abs(back - salt) <= 1e-9 * total).all()
    np.testing.assert_array_equal(flow, kept[0])
    np.testing.assert_array_equal(salt, kept[1])


@given(inflows(), st.floats(0.1, 10.0), st.floats(0.1, 10.0))
def test_mixing_scales(both: tuple[np.ndarray, np.ndarray], wider: float, saltier: float) -> None:
    """Other units of flow change nothing; other units of salt change the mixture alike."""
    flow, salt = both
    np.testing.assert_allclose(
        mixed(wider * flow, saltier * salt), saltier * mixed(flow, salt), rtol=1e-9
    )
    np.testing.assert_allclose(
        own_error(wider * flow, saltier), saltier * own_error(flow, 1.0), rtol=1e-9
    )


@given(inflows((8,)), st.integers(0, 7))
def test_a_gap_stays_a_gap(both: tuple[np.ndarray, np.ndarray], at: int) -> None:
    """A missing mixture leaves the inflows on either side of it unknown, and no others."""
    flow, salt = both
    mixture = mixed(flow, salt)
    mixture[at] = np.nan
    lost = np.isnan(own(flow, mixture))
    assert lost[at : at + 2].all()
    assert lost.sum() == len(lost[at : at + 2])
    salt = salt.copy()
    salt[at] = np.nan
    assert np.isnan(mixed(flow, salt)).sum() == 8 - at


@given(st.integers(1, 8), PORTS, hnp.arrays(np.float64, 8, elements=FLOW), st.floats(0.0, 300.0))
def test_all_permeate_leaves(elements: int, port: str, flows: np.ndarray, dead: float) -> None:
    """At the open ends together all permeate passes; shares lie between none and all of an element."""
    tube = Tube(elements, port=port, dead_mm=dead)  # type: ignore[arg-type]
    flow = flows[:elements]
    divide = dividing_point(tube, flow)
    ends = {"concentrate": [elements], "feed": [0.0], "both": [0.0, elements]}[port]
    share = upstream_share(tube, np.array(ends, dtype=float), divide)
    np.testing.assert_allclose(share.sum(axis=0), 1.0, rtol=1e-9)
    inside = upstream_share(tube, np.linspace(-0.5, elements + 0.5, 40), divide)
    assert ((inside >= 0.0) & (inside <= 1.0)).all()


@given(st.integers(1, 8), PORTS, st.floats(0.0, 9000.0))
def test_places_and_distances_are_inverse(elements: int, port: str, mm: float) -> None:
    """Distance to place and back is the same number."""
    tube = Tube(elements, port=port)  # type: ignore[arg-type]
    assert float(tube.distance_mm(tube.along(mm))) == pytest.approx(mm, abs=1e-6)
    assert all(0.0 < p.distance_mm < tube.length_mm for p in positions(tube, half_steps=True))


@settings(max_examples=15, deadline=None)
@given(st.integers(3, 8), PORTS, hnp.arrays(np.float64, 8, elements=st.floats(0.5, 1.0)), st.data())
def test_the_mirror_image(elements: int, port: str, flows: np.ndarray, data: st.DataObject) -> None:
    """The same readings from the other end of a mirrored vessel have the mirrored answer, as surely."""
    flow = flows[:elements]
    salt = np.geomspace(15.0, 15.0 * 1.2 ** (elements - 1), elements)
    tube = Tube(elements, port=port, measured_from="feed" if port == "feed" else "concentrate")  # type: ignore[arg-type]
    turned = Tube(
        elements,
        port=MIRROR[port],  # type: ignore[arg-type]
        measured_from="concentrate" if port == "feed" else "feed",
    )
    vessel, other = Healthy(flow, salt), Healthy(flow[::-1], salt[::-1])
    # Off the joints: a sample at a joint counts as after it.
    mm = np.array([p.distance_mm for p in positions(tube, half_steps=True)])
    noise = data.draw(hnp.arrays(np.float64, len(mm), elements=st.floats(0.8, 1.6)))
    shown = expected_mg_l(tube, vessel, mm) / 0.5 * noise
    one = probe(tube, mm, shown, healthy=vessel, water=LINEAR)
    two = probe(turned, mm, shown, healthy=other, water=LINEAR)
    # With both ends open the permeate parts inside an element, which the grid of holes meets from one side.
    near = 1e-3 if port == "both" else 1e-6
    assert one.fault == pytest.approx(two.fault, abs=near)
    end = {"lead": "tail", "tail": "lead"}
    want = {
        (
            end.get(e.kind, e.kind),
            frozenset((k, elements - n if k == "joint" else elements + 1 - n) for k, n in e.where),
        ): e.probability
        for e in one.explanations
        if e.probability > 2e-3
    }
    got = {(e.kind, frozenset(e.where)): e.probability for e in two.explanations}
    for key, probability in want.items():
        assert got[key] == pytest.approx(probability, abs=near)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.3, 30.0), st.integers(0, 6), st.integers(0, 2**32 - 1))
def test_the_level_does_not_matter(level: float, joint: int, seed: int) -> None:
    """Ten times the salt everywhere, conditions not known: the same answer. Inputs are kept."""
    tube = Tube(6)
    rng = np.random.default_rng(seed)
    mm = np.array([p.distance_mm for p in positions(tube)])
    vessel = Healthy(np.linspace(1.0, 0.7, 6), np.linspace(20.0, 45.0, 6))
    shown = expected_mg_l(tube, vessel, mm) / 0.5 * (1.0 + 0.02 * rng.standard_normal(len(mm)))
    shown[tube.along(mm) > joint] *= 1.5
    kept = mm.copy(), shown.copy()
    one = probe(tube, mm, shown, water=LINEAR)
    many = probe(tube, mm, level * shown, water=LINEAR)
    assert one.fault == pytest.approx(many.fault, abs=1e-6)
    assert [e.where for e in one.explanations] == [e.where for e in many.explanations]
    np.testing.assert_array_equal(mm, kept[0])
    np.testing.assert_array_equal(shown, kept[1])
    assert len(one.explanations) > 0
    assert sum(e.probability for e in one.explanations) <= 1.0 + 1e-9


@settings(max_examples=25, deadline=None)
@given(
    hnp.arrays(np.float64, 9, elements=st.floats(allow_nan=True, allow_infinity=True)),
    hnp.arrays(np.float64, 9, elements=st.floats(allow_nan=True, allow_infinity=True)),
    PORTS,
)
def test_any_numbers_at_all(mm: np.ndarray, shown: np.ndarray, port: str) -> None:
    """Any numbers: an answer or none, every reading used or left out with a reason, no warning."""
    got = probe(Tube(6, port=port), mm, shown)  # type: ignore[arg-type]
    used = np.isfinite(got.concentration_mg_l)
    assert not set(np.flatnonzero(used)) & {o.index for o in got.left_out}
    assert used.sum() + len(got.left_out) == len(mm)
    assert all(o.reason for o in got.left_out)
    assert got.next_step
