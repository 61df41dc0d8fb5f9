"""Sheets of handheld readings, spoiled in any way: an answer that is JSON, or words with a place; never a crash."""

import json
import random
from pathlib import Path

import pytest

from daemon import probe, sheets_reader, survey
from daemon.conditions import StageState
from daemon.plantfile import Plant, load
from daemon.probe import At
from daemon.sheets_checks import Taken
from daemon.sheets_reader import ReadingsUnusable, Sheet
from tests.sampling_kit import sampled

MARKS = (6196, 5380, 5180, 4364, 4164, 3348, 3148, 2332, 2132, 1316, 1116, 300, 100)
WORDS = (
    *("", "-", "nan", "inf", "1e9", "0", "-5", "1-03", "2-09", "abc", ",", ";", '"', "µ"),
    "1,5",
    "\t",
    "\x00",
    "#",
)


def spoiled(text: str, rng: random.Random) -> str:
    """The sheet after one to six accidents: a cell, a line, a few characters."""
    for _ in range(rng.randint(1, 6)):
        lines = text.splitlines() or [""]
        i, kind = rng.randrange(len(lines)), rng.random()
        if kind < 0.4:
            cells = lines[i].split(",")
            cells[rng.randrange(len(cells))] = rng.choice(WORDS)
            lines[i] = ",".join(cells)
        elif kind < 0.6:
            lines.insert(i, rng.choice(lines))
        elif kind < 0.75:
            del lines[i]
        else:
            at = rng.randrange(len(lines[i]) + 1)
            lines[i] = lines[i][:at] + rng.choice(WORDS) + lines[i][at + rng.randint(0, 2) :]
        text = "\n".join(lines)
    return text


def taken(sheet: Sheet) -> list[Taken]:
    return [Taken(sheet.at(r.line), r.place, r.us_cm, r.temperature_c) for r in sheet.readings]


def judged(plant: Plant, kind: str, sheet: Sheet) -> dict[str, object]:
    train = plant.trains[0]
    if kind == "survey":
        return survey.judge(plant, train, 1, taken(sheet), StageState("none")).to_json()
    readings = [
        At(r.distance_mm, t)
        for r, t in zip(sheet.readings, taken(sheet), strict=True)
        if r.distance_mm is not None
    ]
    tube = probe.tube_of(train, 1)
    return probe.judge(plant, "1-03", tube, readings, StageState("none")).to_json()


@pytest.mark.parametrize(("kind", "times"), [("survey", 250), ("probe", 30)])
def test_any_accident(tmp_path: Path, kind: str, times: int) -> None:
    """Every spoiled sheet is answered or refused in words that name the file or the reading."""
    plant = sampled(tmp_path, history=False)
    text = plant.survey(1) if kind == "survey" else plant.probe("1-03", MARKS)
    loaded = load(plant.plant_file)
    answered, refused = [], []
    for seed in range(times):
        broken = spoiled(text, random.Random(seed))
        try:
            answered.append(judged(loaded, kind, sheets_reader.read_text(broken, "x.csv", kind)))
        except ReadingsUnusable as error:
            refused.append(str(error))
    assert all(any(word in said for word in ("x.csv", "usable", "vessel")) for said in refused)
    assert all(found["next"] for found in answered)
    json.dumps(answered, allow_nan=False)
    assert len(answered) > times / 2
