"""Sample valves, probe tube and the handheld meter of the simulated plant."""

import csv
import io
import math
from typing import Any

import numpy as np
import pytest

from simulator.__main__ import main
from simulator.handheld import (
    CELL_PART,
    COMPENSATIONS,
    NOISE_PART,
    SENSOR_K,
    Meter,
    NoReading,
    depths_every,
    probe,
    survey,
    table,
    taken,
    valve,
)
from simulator.plant import Plant
from simulator.sampling import (
    ADAPTER_MM,
    Tube,
    tube,
    tube_profile,
    vessel_conductivity,
    vessel_salt_mg_l,
)
from simulator.water import transmitter_conductivity_us_cm

DAY = 86400.0
ELEMENT_MM = 1016.0


def plant_at(scenario: str, day: float) -> Plant:
    """A plant at a day of its scenario."""
    plant = Plant(scenario)
    plant.advance(plant.start_s + day * DAY)
    return plant


def test_water_in_a_tube_mixes_as_by_hand() -> None:
    """Two elements of 1 m3/h with 10 and 30 g/h, a joint that leaks 0.5 m3/h with 100 g/h: worked by hand."""
    found = Tube(
        1000.0,
        np.array([1.0, 1.0]),
        np.array([10.0, 30.0]),
        np.array([0.0, 0.5, 0.0]),
        np.array([0.0, 100.0, 0.0]),
    )
    assert found.deepest_mm == 2000.0 + ADAPTER_MM
    for from_feed_mm, expected in (
        (500.0, 10.0),
        (999.0, 10.0),
        (1000.0, (10.0 + 100.0) / 1.5),
        (1500.0, (10.0 + 100.0 + 15.0) / 2.0),
        (2000.0, 140.0 / 2.5),
        (2150.0, 140.0 / 2.5),
    ):
        depth = found.deepest_mm - from_feed_mm
        assert found.salt_mg_l(depth) == pytest.approx(expected, rel=1e-12), from_feed_mm
    assert found.salt_mg_l(0.0) == pytest.approx(56.0, rel=1e-12)
    assert found.salt_mg_l(found.deepest_mm) == pytest.approx(10.0, rel=1e-12)
    for outside in (-1.0, found.deepest_mm + 1.0, math.nan):
        with pytest.raises(ValueError, match="from 0 at the permeate port to 2200 mm"):
            found.salt_mg_l(outside)


@pytest.mark.parametrize("scenario", ["healthy", "o_ring_leak", "damaged_element", "abrasion"])
def test_tube_and_valve_meet_at_the_permeate_port(scenario: str) -> None:
    """What leaves the tube of each vessel is what its sample valve gives, and what the stage collects."""
    plant = plant_at(scenario, 18.0)
    for stage, shape in enumerate(plant.shapes, 1):
        salts, warmth = vessel_salt_mg_l(plant, stage, plant.now_s)
        flows = []
        for vessel in range(1, shape.vessels + 1):
            found, same = tube(plant, stage, vessel, plant.now_s)
            assert same == warmth
            assert found.salt_mg_l(0.0) == pytest.approx(salts[vessel - 1], rel=1e-9)
            flows.append(found.made.sum() + found.joint.sum())
        mixed = float(np.average(salts, weights=flows))
        permeate, recovery = plant.timeline.setpoints(np.array([plant.now_s]))
        result = plant.solved(
            np.array([plant.now_s]),
            permeate=permeate,
            feed=plant.inlet_m3h(permeate, recovery),
            temperature_c=plant.feed.temperature_c(np.array([plant.now_s])),
            salt_mg_l=plant.feed.salt_mg_l(np.array([plant.now_s])),
        )
        assert mixed == pytest.approx(float(result.stages[stage - 1].permeate_mg_l[0]), rel=1e-6)


def test_a_leak_shows_as_a_jump_at_its_joint_and_nowhere_else() -> None:
    """Joint 3 of vessel 1-05 leaks: conductivity jumps between the two sides of it, and only there."""
    plant = plant_at("o_ring_leak", 15.0)
    (fault,) = plant.scenario.faults
    assert (fault.stage, fault.vessel, fault.joint) == (1, 5, 3)
    profile = tube_profile(plant, 1, 5, plant.now_s)
    shown = np.array([reading.conductivity_us_cm for reading in profile])
    steps = np.diff(shown) / shown[:-1]
    place = int(np.argmax(steps))
    joint_mm = ADAPTER_MM + (plant.shapes[0].elements - 3) * ELEMENT_MM
    assert profile[place].distance_mm == pytest.approx(joint_mm + 50.0)
    assert profile[place + 1].distance_mm == pytest.approx(joint_mm - 50.0)
    assert steps[place] > 1.0
    assert np.all(np.delete(steps, place) < 0.2)


def test_a_meter_has_errors_of_its_own() -> None:
    """Meters differ by 1 % and 0.2 K, each for good, and the readings of one by 0.5 %."""
    biases, warmths = [], []
    for number in range(1, 61):
        shown = [Meter(number).shows(1, 100.0, 25.0, attempt) for attempt in range(40)]
        values = np.array([value for value, _ in shown])
        # The temperature error works through the compensation, 2 % for each kelvin.
        assert 0.3 * NOISE_PART < values.std() / values.mean() < 2.0 * NOISE_PART
        biases.append(values.mean())
        warmths.append(np.mean([warmth for _, warmth in shown]))
    spread = float(np.std(biases) / np.mean(biases))
    expected = math.hypot(CELL_PART, 0.02 * SENSOR_K)
    assert 0.7 * expected < spread < 1.4 * expected
    assert 0.7 * SENSOR_K < float(np.std(warmths)) < 1.4 * SENSOR_K
    # Sodium chloride, 100 mg/L = 1.711 mmol/L at 25 degC: between 123.68 at 1 and 120.59 S cm2/mol at
    # 5 mmol/L (Robinson and Stokes, from memory), over the root of concentration: 122.91, so 210.3 uS/cm.
    assert float(np.mean(biases)) == pytest.approx(210.3, rel=0.01)


def test_compensation_refers_to_25_degrees() -> None:
    """Off, the display shows the water as it is: at 12 degC a quarter less than with 2 % for each kelvin."""
    linear, none = (Meter(1, name).shows(1, 20.0, 12.0, "here") for name in COMPENSATIONS)
    assert linear[1] == none[1]
    assert none[0] / linear[0] == pytest.approx(1.0 + 0.02 * (linear[1] - 25.0), rel=0.01)
    with pytest.raises(NoReading, match="use one of linear, none"):
        Meter(1, "natural")
    with pytest.raises(NoReading, match="numbered from 1"):
        Meter(0)


def test_readings_lie_around_the_truth_and_do_not_tell_it() -> None:
    """A survey and a probe are within 5 % of what an ideal meter shows, and only on request say what."""
    plant = plant_at("healthy", 3.0)
    ideal = vessel_conductivity(plant, 2, plant.now_s)
    readings = survey(plant, 2, plant.now_s, Meter())
    assert [r.vessel for r in readings] == ["2-01", "2-02", "2-03", "2-04"]
    for reading, truth in zip(readings, ideal.tolist(), strict=True):
        assert reading.truth_us_cm == pytest.approx(truth, abs=1e-3)
        assert reading.conductivity_us_cm == pytest.approx(truth, rel=0.05)
        assert reading.conductivity_us_cm != reading.truth_us_cm
    assert valve(plant, "2-03", plant.now_s, Meter()) == readings[2]
    along = probe(plant, "1-03", depths_every(plant, "1-03", 100.0), plant.now_s, Meter())
    assert along[0].depth_mm == 6200.0
    assert along[-1].depth_mm == 0.0
    assert all("truth_us_cm" not in row for row in table(along, truth=False))
    assert all("truth_us_cm" in row for row in table(along, truth=True))


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({}, "name a vessel, as 1-03, or a stage"),
        ({"vessel": "1-03", "stage": 1}, "one of the two"),
        ({"stage": 3}, "stage 3; the train has stages 1 to 2"),
        ({"stage": 1, "depths_mm": [100.0]}, "a depth belongs to one vessel"),
        ({"vessel": "3-01"}, "stage 3; the train has stages 1 to 2"),
        ({"vessel": "2-05"}, "stage 2 has vessels 2-01 to 2-04"),
        ({"vessel": "third"}, "write stage and number, as 1-03"),
        ({"vessel": "1-03", "depths_mm": [7000.0]}, "from 0 at the permeate port to 6296 mm"),
        ({"vessel": "1-03", "depths_mm": [math.nan]}, "depth nan mm"),
        ({"vessel": "1-03", "every_mm": 0.0}, "every 0 mm; give 1 or more"),
    ],
)
def test_what_cannot_be_read_is_said(asked: dict[str, Any], words: str) -> None:
    """A reading that makes no sense is refused, with what would do."""
    plant = plant_at("healthy", 1.0)
    with pytest.raises(NoReading) as refused:
        taken(plant, plant.now_s, Meter(), **asked)
    assert words in str(refused.value)


def test_a_train_at_rest_gives_no_sample() -> None:
    """While the train is cleaned there is no permeate to sample."""
    plant = plant_at("cleaned_scale", 26.5)
    for asked in ({"stage": 1}, {"vessel": "1-03", "depths_mm": [500.0]}):
        with pytest.raises(NoReading, match="the train is cleaning at 2026-01-31T12:00:00Z"):
            taken(plant, plant.now_s, Meter(), **asked)


@pytest.mark.parametrize(("name", "hours"), [("healthy_stops", 0.0), ("element_replaced", 0.5)])
def test_after_a_start_the_valves_show_what_the_meters_show(name: str, hours: float) -> None:
    """Salt of the standstill, and the preservative of a new element, are in the samples as in the permeate lines."""
    plant = Plant(name)
    events = [e for e in plant.timeline.renewals if not e.seals]
    ends = plant.timeline.standstills[0].running_s
    if events:
        ends = plant.start_s + events[0].day * DAY
        ends = next(s.running_s for s in plant.timeline.standstills if s.end == ends)
    for at, least in ((ends + 1.0 + hours * 3600.0, 1.1), (ends + 2.0 * DAY, 1.0)):
        truth = plant.truth(np.array([at]))
        assert truth["running"][0] == 1.0
        raised = []
        for stage in range(1, len(plant.shapes) + 1):
            salts, warmth = vessel_salt_mg_l(plant, stage, at)
            tubes = [tube(plant, stage, v, at)[0] for v in range(1, len(salts) + 1)]
            assert [t.salt_mg_l(0.0) for t in tubes] == pytest.approx(salts.tolist(), rel=1e-9)
            flows = [float(t.made.sum() + t.joint.sum()) for t in tubes]
            mixed = transmitter_conductivity_us_cm(
                np.array([np.average(salts, weights=flows)]), np.array([warmth])
            )
            # The meters see a flow that hunts by 0.2 % around its set-point, the valves the set-point.
            assert mixed[0] == pytest.approx(truth[f"{stage}/permeate_conductivity"][0], rel=0.01)
            raised.append(np.max(salts / np.median(salts)) * plant.washout(np.array([at]))[0])
        if least > 1.0:
            assert max(raised) > least


def rows(text: str) -> list[dict[str, str]]:
    """CSV as printed."""
    return list(csv.DictReader(io.StringIO(text)))


def test_handheld_command_prints_csv(capsys: pytest.CaptureFixture[str]) -> None:
    """A survey of a scenario finds the leaking vessel, the probe the place; the truth only on request."""
    assert main(["handheld", "o_ring_leak", "--stage", "1", "--day", "15"]) == 0
    found = rows(capsys.readouterr().out)
    assert len(found) == 8
    assert set(found[0]) == {
        "time",
        "vessel",
        "conductivity_us_cm",
        "temperature_c",
        "compensation",
    }
    assert max(found, key=lambda r: float(r["conductivity_us_cm"]))["vessel"] == "1-05"
    probe_it = ["handheld", "o_ring_leak", "--vessel", "1-05", "--day", "15"]
    assert main([*probe_it, "--depth-mm", "3300", "3200", "--truth"]) == 0
    deeper, nearer = rows(capsys.readouterr().out)
    assert float(nearer["truth_us_cm"]) > 2.0 * float(deeper["truth_us_cm"])
    assert main([*probe_it, "--every-mm", "500", "--compensation", "none"]) == 0
    along = rows(capsys.readouterr().out)
    assert [float(r["depth_mm"]) for r in along] == [500.0 * n for n in range(12, -1, -1)]
    assert {r["compensation"] for r in along} == {"none"}
    for attempt in ("2", "3"):
        assert main([*probe_it, "--attempt", attempt]) == 0
    header, second, again, third = capsys.readouterr().out.splitlines()
    assert header == again
    assert second != third


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["healthy"], "name a vessel, as 1-03, or a stage"),
        (["helthy", "--stage", "1"], "did you mean 'healthy'"),
        (["healthy", "--stage", "1", "--meter", "0"], "numbered from 1"),
        (["healthy", "--stage", "1", "--depth-mm", "5"], "a depth belongs to one vessel"),
    ],
)
def test_handheld_command_says_what_is_wrong(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2 and words on stderr, nothing on stdout."""
    assert main(["handheld", *arguments]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert words in told.err
