"""`brinelark survey` on a simulated plant: answers, earlier surveys, bad sheets, the sheet to take along."""

import json
from pathlib import Path

import pytest

from tests.commands_kit import CommandLine
from tests.sampling_kit import LEAK, Sampled, sampled, when


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Sampled:
    """A plant with a leak in vessel 1-03 and a history of its last hour; nothing is written to its record."""
    return sampled(tmp_path_factory.mktemp("plant"))


@pytest.fixture
def cli(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys)


def written(folder: Path, text: str) -> Path:
    path = folder / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_answer_as_json(plant: Sampled, cli: CommandLine, tmp_path: Path) -> None:
    """The leaking vessel is the one suspect; the shape is that of the design, for all eight vessels."""
    file = written(tmp_path, plant.survey(1))
    said = cli("survey", plant.plant_file, "--train", "A", "--stage", 1, file, "--json")
    assert said.code == 0, said.err
    found = json.loads(said.out)
    assert list(found) == ["stage", "vessels", "suspects", "next"]
    assert found["stage"] == 1
    assert found["suspects"] == ["1-03"]
    assert "1-03" in found["next"]
    assert [v["vessel"] for v in found["vessels"]] == [f"1-{n:02d}" for n in range(1, 9)]
    leaking = found["vessels"][2]
    assert list(leaking) == ["vessel", "conductivity", "expected", "score", "suspect"]
    assert leaking["suspect"] is True
    assert leaking["conductivity"] > 2 * leaking["expected"]


def test_without_history_or_conditions(cli: CommandLine, tmp_path: Path) -> None:
    """The vessels are still compared with each other, and the answer says that the conditions are not known."""
    plant = sampled(tmp_path, history=False)
    file = written(tmp_path, plant.survey(1))
    said = cli("survey", plant.plant_file, "--stage", 1, file)
    assert said.code == 0, said.err
    assert "PROBE  1-03" in said.out
    assert "Conditions: not known" in said.out
    told = cli("survey", plant.plant_file, "--stage", 1, file, "--conditions", "temperature=54°F")
    assert "temperature 12.22 °C" in " ".join(told.out.split())
    assert not (tmp_path / "store").exists()


def test_what_is_kept_and_used_next_time(cli: CommandLine, tmp_path: Path) -> None:
    """A survey with --by is in the record with its readings; the next one compares each vessel with its past."""
    plant = sampled(tmp_path, faults=())
    file = written(tmp_path, plant.survey(1))
    first = cli(
        "survey", plant.plant_file, "--stage", 1, file, "--by", "Ana", "--at", when(plant.now_s)
    )
    assert first.code == 0, first.err
    assert "In the record as survey 1" in first.out
    listed = json.loads(cli("survey", plant.plant_file, "--list", "--json").out)
    assert [(s["number"], s["place"], s["by"]) for s in listed] == [(1, "1", "Ana")]
    assert listed[0]["time"] == when(plant.now_s)
    assert len(listed[0]["readings"]) == 8
    assert listed[0]["conditions"]["source"] == "history"
    assert "survey 1: train A, stage 1" in cli("survey", plant.plant_file, "--list").out
    assert "1-08:" in cli("survey", plant.plant_file, "--show", 1).out
    rows = plant.survey(1).splitlines()
    name, shown, warmth = rows[8].split(",")
    rows[8] = (
        f"{name},{1.12 * float(shown):.1f},{warmth}"  # 12 % more: too little for a first survey
    )
    file = written(tmp_path, "\n".join(rows))
    later = when(plant.now_s + 60.0)
    second = cli("survey", plant.plant_file, "--stage", 1, file, "--at", later)
    assert "PROBE  1-08" in second.out
    assert "own past" in second.out
    alone = sampled(tmp_path_factory_of(tmp_path), faults=(), history=False)
    assert "PROBE" not in cli("survey", alone.plant_file, "--stage", 1, file).out


def tmp_path_factory_of(folder: Path) -> Path:
    other = folder / "other"
    other.mkdir()
    return other


def test_everything_that_is_wrong_at_once(plant: Sampled, cli: CommandLine, tmp_path: Path) -> None:
    """Impossible, wrong vessel, twice, missing, a slip of one unit, words: each is asked, the rest counts."""
    rows = plant.survey(1).splitlines()
    rows[1] = "1-01,-20,12.5"
    rows[2] = "2-02,20.1,12.4"
    rows[4] = "1-04,0.0205,12.4"
    rows[5] = "1-05,twenty,12.5"
    rows += ["1-06,39.0,12.5", "1-12,20,12.5"]
    said = cli("survey", plant.plant_file, "--stage", 1, written(tmp_path, "\n".join(rows)))
    assert said.code == 1
    for line, words in (
        (2, "impossible"),
        (3, "no vessel of stage 1"),
        (5, "in mS/cm: 20.5"),
        (6, "no number"),
        (7, "more than once"),
        (11, "no vessel of stage 1"),
    ):
        assert any(f"readings.csv:{line}" in q and words in q for q in said.err.splitlines()), words
    assert "No reading of 1-02, 1-05" in said.err
    assert "PROBE 1-03" in " ".join(said.out.split())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda v: f"{float(v) / 1000:g}", "conductivity_ms_cm"),
        (lambda v: f"{float(v) * 1000:g}", "µS/cm, and the column is named in mS/cm"),
    ],
)
def test_a_whole_sheet_in_another_unit(
    plant: Sampled, cli: CommandLine, tmp_path: Path, change: object, words: str
) -> None:
    """Nothing is judged until somebody says which unit it was; saying so is enough."""
    assert callable(change)
    head, *rows = plant.survey(1).splitlines()
    cells = [r.split(",") for r in rows]
    slipped = "\n".join([head, *(f"{v},{change(k)},{t}" for v, k, t in cells)])
    said = cli("survey", plant.plant_file, "--stage", 1, written(tmp_path, slipped))
    assert said.code == 2
    assert said.out == ""
    assert words in said.err
    if "ms_cm" in words:
        plain = slipped.replace("conductivity_us_cm", "conductivity")
        file = written(tmp_path, plain)
        mended = cli(
            "survey", plant.plant_file, "--stage", 1, file, "--units", "conductivity=mS/cm"
        )
        assert mended.code == 0, mended.err
        assert "PROBE  1-03" in mended.out


def test_fahrenheit_is_recognized(plant: Sampled, cli: CommandLine, tmp_path: Path) -> None:
    """Temperatures that can only be Fahrenheit are asked about; a column named so is read so."""
    head, *rows = plant.survey(1).splitlines()
    cells = [r.split(",") for r in rows]
    lines = [f"{v},{k},{float(t) * 1.8 + 32:.1f}" for v, k, t in cells]
    said = cli(
        "survey", plant.plant_file, "--stage", 1, written(tmp_path, "\n".join([head, *lines]))
    )
    assert said.code == 1
    assert "looks like Fahrenheit (12.5 °C)" in said.err
    named = head.replace("temperature_c", "temperature_f")
    fine = cli(
        "survey", plant.plant_file, "--stage", 1, written(tmp_path, "\n".join([named, *lines]))
    )
    assert fine.code == 0, fine.err
    assert "PROBE  1-03" in fine.out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "--stage"),
        (("--stage", 3), "no stage 3"),
        (("--stage", 1), "--sheet"),
        (("--stage", 1, "--conditions", "feed_flux=3,temperature=70"), "feed_flux"),
        (("--stage", 1, "--conditions", "temperature=70"), "70°F"),
        (("--stage", 1, "--units", "conductivity=furlong"), "mS/cm"),
        (("--stage", 1, "--compensation", "sideways"), "natural"),
        (("--train", "B", "--stage", 1), "train B"),
    ],
)
def test_used_wrongly(
    plant: Sampled, cli: CommandLine, tmp_path: Path, arguments: tuple[object, ...], words: str
) -> None:
    """Exit code 2, with what was wrong and what would do."""
    file = [] if words == "--sheet" else [written(tmp_path, plant.survey(1))]
    said = cli("survey", plant.plant_file, *file, *arguments)
    assert said.code == 2
    assert words in said.err


def test_the_sheet(plant: Sampled, cli: CommandLine) -> None:
    """All valves in walking order and the first again, with what to mind."""
    said = cli("survey", plant.plant_file, "--stage", 2, "--sheet").out
    order = [said.index(f"2-{n:02d} ") for n in range(1, 5)]
    assert order == sorted(order)
    assert "2-01 again" in said
    for caution in ("pressure", "Two people", "local codes", "sample valve"):
        assert caution in said
    walk = json.loads(cli("survey", plant.plant_file, "--stage", 2, "--sheet", "--json").out)[
        "walk"
    ]
    assert [s["vessel"] for s in walk] == ["2-01", "2-02", "2-03", "2-04", "2-01"]


def test_a_train_that_stood_still(cli: CommandLine, tmp_path: Path) -> None:
    """Conditions of another time than the history has are said to be not known."""
    plant = sampled(tmp_path, faults=(LEAK,))
    file = written(tmp_path, plant.survey(1))
    later = when(plant.now_s + 86400.0)
    said = cli("survey", plant.plant_file, "--stage", 1, file, "--at", later)
    assert said.code == 0
    assert "no readings within" in said.out
