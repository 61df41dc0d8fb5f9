"""Work packs of any geometry: complete, consistent with the geometry, and printable."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon import plantfile
from daemon.plantfile import TrainConfig
from daemon.workpack import Situation, order, pack, printed
from daemon.workpack.model import Pack
from rules.train import Stage
from rules.workparts import Vessel

PLANT = plantfile.load(
    Path(__file__).parents[2] / "deploy" / "plants" / "two-stage.toml", secrets=False
)

stages = st.builds(
    Stage,
    vessels=st.integers(1, 30),
    elements_per_vessel=st.integers(1, 10),
    element_area_m2=st.just(37.0),
    element_length_mm=st.sampled_from([1016.0, 1524.0, 533.4]),
    permeate_port=st.sampled_from(["concentrate", "feed", "both"]),
)


@st.composite
def trains(draw: st.DrawFn) -> TrainConfig:
    """The train of the example with other stages, its vessels described, in part or not at all."""
    shapes = tuple(draw(st.lists(stages, min_size=1, max_size=3)))
    described = draw(st.booleans())
    vessels = ()
    if described:
        vessels = tuple(
            Vessel(
                inside_diameter_mm=draw(st.sampled_from([None, 101.0, 202.0])),
                inside_length_mm=s.elements_per_vessel * s.element_length_mm
                + draw(st.floats(-20.0, 400.0)),
                feed_adapter_mm=draw(st.sampled_from([None, 60.0])),
                thrust_ring_mm=draw(st.sampled_from([0.0, 58.0])),
                shims_mm=draw(st.sampled_from([(), (5.0,), (6.4, 3.2)])),
                joints=draw(st.sampled_from(["interconnector", "interlocking"])),
            )
            for s in shapes
        )
    train = PLANT.train("A")
    return replace(
        train,
        stages=shapes,
        vessels=vessels,
        isolation=train.isolation if draw(st.booleans()) else (),
        cleaning=train.cleaning if draw(st.booleans()) else None,
    )


@st.composite
def jobs(draw: st.DrawFn) -> tuple[TrainConfig, dict[str, Any]]:
    """A train, and a job that can be done on it."""
    train = draw(trains())
    stage = draw(st.integers(1, len(train.stages)))
    shape = train.stages[stage - 1]
    vessel = f"{stage}-{draw(st.integers(1, shape.vessels)):02d}"
    places = [str(k) for k in range(1, shape.elements_per_vessel + 1)] + ["feed", "concentrate"]
    places += [f"{k}-{k + 1}" for k in range(1, shape.elements_per_vessel)]
    asked: dict[str, Any] = draw(
        st.sampled_from(
            [
                {"job": "clean", "stage": stage, "solution": "citric_acid"},
                {"job": "clean", "stage": stage, "solution": "detergent"},
                {"job": "probe", "vessel": vessel},
                {"job": "probe", "stage": stage},
                {
                    "job": "element",
                    "vessel": vessel,
                    "position": draw(st.sampled_from(places)),
                },
                {"job": "membranes", "stage": stage},
                {"job": "membranes"},
            ]
        )
    )
    return train, asked


def rows(found: Pack, key: str) -> dict[str, tuple[str, ...]]:
    """The first table of a section: its second column -> row."""
    (section,) = [s for s in found.sections if s.key == key]
    table = next(b for b in section.blocks if b.kind == "table")
    return {row[1]: row for row in table.rows}


@settings(max_examples=60, deadline=None)
@given(jobs())
def test_every_job_on_every_train_has_a_pack(asked: tuple[TrainConfig, dict[str, Any]]) -> None:
    """Isolation, people and signatures are never missing; parts agree with the geometry; it prints."""
    train, job = asked
    found = pack(order(PLANT, train, **job), Situation(0.0))
    keys = [s.key for s in found.sections]
    assert {"scope", "people", "isolation", "sign_off"} <= set(keys)
    assert len(keys) == len(set(keys))
    text = printed.html(found)
    assert "None" not in text
    assert "nan" not in text.split()
    shapes = train.stages if "stage" not in job else train.stages[job["stage"] - 1 :][:1]
    if job["job"] == "membranes":
        parts = rows(found, "parts")
        places = sum(s.vessels * s.elements_per_vessel for s in shapes)
        counts = parts["Membrane elements, of the type in the load map"]
        assert sum(int(c) for c in counts[2 : 2 + len(shapes)]) == places
        assert int(counts[3 + len(shapes)]) > places
    elif job["job"] == "element":
        stage = train.stages[int(job["vessel"].partition("-")[0]) - 1]
        seals = rows(found, "parts")["Brine seals"]
        assert int(seals[2]) == stage.elements_per_vessel
