"""Blind trials of probes: vessels of the simulated plant with a known fault, sampled by a poor meter.

The mixing along the tube is written out here once more, element by element and either way, so that
it can disagree with `rules.tube`.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.probe import Explanation
from rules.train import Stage
from rules.tube import Conditions, Healthy, Tube, healthy_vessel, positions
from simulator.faults import Fault
from simulator.hydraulics import StageResult
from simulator.operation import DAY_S
from simulator.plant import Plant
from simulator.scenario import load
from simulator.vessels import StageFlow, StageShape
from simulator.water import transmitter_conductivity_us_cm

Floats = NDArray[np.float64]
DAY = 2.0
GRADUAL = {"lead": "oxidation_damage", "tail": "scaling"}
"""Faults of the simulator that die away from one end; their size is its severity."""


def told(explanation: Explanation) -> tuple[tuple[str, int], ...]:
    """The places of an explanation, as a `Trial` states its truth."""
    if explanation.kind in GRADUAL:
        return ((explanation.kind, 0),)
    return tuple(sorted(explanation.where))


@dataclass(frozen=True)
class Trial:
    """One vessel: the truth (kind and number, several of them, or none), and what the meter showed.

    take : more samples at distances, by the same meter.
    """

    truth: tuple[tuple[str, int], ...]
    tube: Tube
    healthy: Healthy
    distance_mm: Floats
    shown_us_cm: Floats
    temperature_c: float
    meter: float
    take: Callable[[Floats], Floats]


def sampled(tube: Tube, flow: StageFlow, vessel: int, area_k: float, distance_mm: Floats) -> Floats:
    """Salt at each distance, from the blocked end onward. [mg/L]"""
    made = flow.flux[:, 0, vessel] * area_k
    salt = made * flow.local_salt[:, 0, vessel] + flow.leaked_salt[:, 0, vessel]
    made = made + flow.leaked[:, 0, vessel]
    joint, joint_salt = flow.joint_leaked[:, 0, vessel], flow.joint_leaked_salt[:, 0, vessel]
    found = []
    for mm in distance_mm:
        depth = (mm - tube.adapter_length_mm) / tube.element_length_mm
        water = load = 0.0
        for e in range(tube.elements):
            # counted from the port: element 0 is the one next to it
            own = tube.elements - 1 - e if tube.port == "concentrate" else e
            part = min(max(e + 1.0 - depth, 0.0), 1.0)
            water, load = water + part * made[own], load + part * salt[own]
        for j in range(tube.elements + 1):
            own = tube.elements - j if tube.port == "concentrate" else j
            if j >= depth:
                water, load = water + joint[own], load + joint_salt[own]
        found.append(load / water)
    return np.array(found)


def _places(
    rng: np.random.Generator, kind: str, elements: int, meter: float, excess: tuple[float, float]
) -> list[tuple[str, int, float]]:
    """Kind, number and wanted excess of the faults of one vessel."""
    what = {"sound": [], "two": [str(w) for w in rng.choice(["joint", "element"], 2)]}.get(
        kind, [kind]
    )
    found: list[tuple[str, int, float]] = []
    if kind in GRADUAL:
        return [(kind, 0, float(rng.uniform(0.5, 1.0)))]
    while len(found) < len(what):
        w = what[len(found)]
        number = int(rng.integers(0 if w == "joint" else 1, elements + 1))
        if (w, number) not in [f[:2] for f in found]:
            found.append((w, number, 0.0))
    while True:
        sizes = meter * np.exp(rng.uniform(*np.log(excess), size=len(found)))
        # The meter errs in proportion to its reading, which the other fault has raised.
        if all(s >= excess[0] * meter * (1.0 + sizes.sum() - s) for s in sizes):
            break
    found = [(w, number, float(s)) for (w, number, _), s in zip(found, sizes, strict=True)]
    return found


def trials(
    seed: int,
    elements: int,
    kinds: Sequence[str],
    *,
    half_steps: bool = True,
    excess: tuple[float, float] = (4.0, 40.0),
) -> Iterator[Trial]:
    """Twelve vessels of two stages, each with a fault of one of `kinds`, ports and meters drawn.

    kinds : ``sound``, ``joint``, ``element``, ``two``, ``lead``, ``tail``. excess : salt that a fault lets in, in meter
    errors of the salt of the sound vessel; drawn evenly in its logarithm, met within some ten per cent. Of two
    faults each is as large against the vessel with the other.
    """
    rng = np.random.default_rng(seed)
    base = load("healthy")
    shapes = (StageShape(8, elements), StageShape(4, elements))
    scenario = replace(
        base,
        plant=replace(base.plant, stages=shapes),
        operation=replace(base.operation, permeate_m3h=13.0 * elements),
    )
    spec, operation = scenario.plant, scenario.operation
    sound = Plant(scenario, seed)
    when = np.array([sound.start_s + DAY * DAY_S])
    drawn: list[tuple[int, int, float, list[tuple[str, int, float]]]] = []
    faults = []
    for number, stage in enumerate(_solved(sound, when), 1):
        for v in range(shapes[number - 1].vessels):
            meter = float(rng.choice([0.02, 0.03]))
            places = _places(rng, str(rng.choice(kinds)), elements, meter, excess)
            drawn.append((number, v, meter, places))
            for kind, at, size in places:
                if kind in GRADUAL:
                    faults.append(
                        Fault(GRADUAL[kind], 0.5, "step", severity=size, stage=number, vessel=v + 1)
                    )
                    continue
                part = (at - 0.5 * (kind == "element")) / elements
                feed, end = float(stage.feed_mg_l[0]), float(stage.concentrate_mg_l[0])
                brine = 1.0 / ((1.0 - part) / feed + part / end)
                leak = size * float(stage.flow.permeate_salt[0, v]) / brine
                faults.append(
                    Fault(
                        "o_ring_leak" if kind == "joint" else "damaged_element",
                        0.5,
                        "step",
                        severity=leak / (operation.permeate_m3h / 12.0),
                        stage=number,
                        vessel=v + 1,
                        joint=at if kind == "joint" else None,
                        element=at if kind == "element" else None,
                    )
                )
    plant = Plant(replace(scenario, faults=tuple(faults)), seed)
    temperature = plant.feed.temperature_c(when)
    result = _solved(plant, when)
    for number, v, meter, places in drawn:
        shape, stage = shapes[number - 1], result[number - 1]
        healthy = healthy_vessel(
            Stage(shape.vessels, elements, shape.area_m2),
            Conditions(
                float(stage.feed_m3h[0]) / shape.vessels,
                float(stage.feed_mg_l[0]),
                float(stage.feed_bar[0]),
                float(temperature[0]),
                float(stage.permeate_bar[0]),
                float(stage.concentrate_bar[0]),
            ),
            water_lmh_bar=spec.water_lmh_bar,
            salt_lmh=spec.salt_lmh,
        )
        tube = Tube(elements, port="concentrate" if rng.random() < 0.5 else "feed")
        at_mm = np.array([p.distance_mm for p in positions(tube, half_steps=half_steps)])

        def take(
            distance_mm: Floats,
            tube: Tube = tube,
            flow: StageFlow = stage.flow,
            v: int = v,
            area_k: float = shape.area_m2 / 1000.0,
            meter: float = meter,
        ) -> Floats:
            salt = sampled(tube, flow, v, area_k, distance_mm)
            shown = transmitter_conductivity_us_cm(salt, temperature)
            return np.asarray(shown * (1.0 + meter * rng.standard_normal(len(distance_mm))))

        yield Trial(
            tuple(sorted((kind, at) for kind, at, _ in places)),
            tube,
            healthy,
            at_mm,
            take(at_mm),
            float(temperature[0]),
            meter,
            take,
        )


def _solved(plant: Plant, when: Floats) -> tuple[StageResult, ...]:
    permeate, recovery = plant.timeline.setpoints(when)
    return plant.solved(
        when,
        permeate=permeate,
        feed=permeate / recovery,
        temperature_c=plant.feed.temperature_c(when),
        salt_mg_l=plant.feed.salt_mg_l(when),
    ).stages
