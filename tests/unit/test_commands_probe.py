"""`brinelark probe` on a simulated plant: answers, bad sheets, the sheet to take along."""

import json
from pathlib import Path

import pytest

from tests.commands_kit import CommandLine
from tests.sampling_kit import Sampled, sampled

MARKS = (6196, 5788, 5380, 5180, 4772, 4364, 4164, 3756, 3348, 3148, 2740, 2332, 2132, 1724, 1316)
MARKS = (*MARKS, 1116, 708, 300, 100)


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Sampled:
    """A plant with a leak at the interconnector 1-03/4-5 and a history of its last hour."""
    return sampled(tmp_path_factory.mktemp("plant"))


@pytest.fixture(scope="module")
def sheet(plant: Sampled) -> str:
    """A probe of the leaking vessel, with half-element steps."""
    return plant.probe("1-03", MARKS)


@pytest.fixture
def cli(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys)


def written(folder: Path, text: str) -> Path:
    path = folder / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_answer_as_json(plant: Sampled, sheet: str, cli: CommandLine, tmp_path: Path) -> None:
    """The interconnector is named; the shape is that of the design, with a part for each element."""
    said = cli(
        "probe",
        plant.plant_file,
        "--train",
        "A",
        "--vessel",
        "1-03",
        written(tmp_path, sheet),
        "--json",
    )
    assert said.code == 0, said.err
    found = json.loads(said.out)
    assert list(found) == [
        "vessel",
        "profile",
        "verdict",
        "where",
        "confidence",
        "contributions",
        "next",
    ]
    assert (found["vessel"], found["verdict"], found["where"]) == (
        "1-03",
        "o_ring_leak",
        "1-03/4-5",
    )
    assert found["confidence"] > 0.9
    assert "interconnector 4-5" in found["next"]
    assert [p["distance_mm"] for p in found["profile"]] == list(MARKS)
    assert [c["position"] for c in found["contributions"]] == [1, 2, 3, 4, 5, 6]
    for part in found["contributions"][:4]:
        assert part["conductivity"] == pytest.approx(part["expected"], rel=0.3)


def test_a_sound_vessel(plant: Sampled, cli: CommandLine, tmp_path: Path) -> None:
    """Nothing stands out: no place, and the words say to leave it closed."""
    file = written(tmp_path, plant.probe("1-05", MARKS))
    found = json.loads(cli("probe", plant.plant_file, "--vessel", "1-05", file, "--json").out)
    assert (found["verdict"], found["where"]) == ("sound", None)
    assert "Leave the vessel closed" in found["next"]


def test_without_history(sheet: str, cli: CommandLine, tmp_path: Path) -> None:
    """The leak is found by its shape alone, and what is not known is said."""
    plant = sampled(tmp_path, history=False)
    said = cli("probe", plant.plant_file, "--vessel", "1-03", written(tmp_path, sheet))
    assert said.code == 0, said.err
    assert "o ring leak at 1-03/4-5" in said.out
    assert "conditions are not known" in " ".join(said.out.split())


def test_inches(plant: Sampled, sheet: str, cli: CommandLine, tmp_path: Path) -> None:
    """Distances that only make sense in inches are asked about; named so they give the same answer."""
    head, *rows = sheet.splitlines()
    cells = [r.split(",") for r in rows]
    lines = [f"{float(mm) / 25.4:.1f},{k},{t}" for mm, k, t in cells]
    said = cli(
        "probe", plant.plant_file, "--vessel", "1-03", written(tmp_path, "\n".join([head, *lines]))
    )
    assert said.code == 2
    assert "distance_in" in said.err
    named = "\n".join([head.replace("distance_mm", "depth (inch)"), *lines])
    found = cli("probe", plant.plant_file, "--vessel", "1-03", written(tmp_path, named), "--json")
    assert json.loads(found.out)["where"] == "1-03/4-5"


def test_everything_that_is_wrong_at_once(
    plant: Sampled, sheet: str, cli: CommandLine, tmp_path: Path
) -> None:
    """Beyond the tube, impossible, twice, in mS, a gap: each asked with its line, and the rest still answers."""
    rows = sheet.splitlines()
    rows[1] = "16196,11.2,12.5"
    rows[2] = "5788,0,12.4"
    rows[4] = "5180,0.0115,12.4"
    rows += ["100,300,12.4"]
    del rows[7:12]
    said = cli("probe", plant.plant_file, "--vessel", "1-03", written(tmp_path, "\n".join(rows)))
    assert said.code == 1
    for line, words in (
        (2, "outside the tube"),
        (3, "impossible"),
        (5, "in mS/cm"),
        (16, "more than once"),
    ):
        assert any(f"readings.csv:{line}" in q and words in q for q in said.err.splitlines()), words
    assert "No sample along element 3" in said.err or "No sample along elements" in said.err
    assert "1-03/4-5" in said.out


def test_of_another_vessel(plant: Sampled, sheet: str, cli: CommandLine, tmp_path: Path) -> None:
    """A sheet that names another vessel is not judged as this one."""
    head, *rows = sheet.splitlines()
    text = "\n".join([f"vessel,{head}", *(f"1-04,{r}" for r in rows)])
    said = cli("probe", plant.plant_file, "--vessel", "1-03", written(tmp_path, text))
    assert said.code == 2
    assert "vessel 1-04, not of 1-03" in said.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "--vessel"),
        (("--vessel", "nine"), "as 1-08"),
        (("--vessel", "1-09"), "1-01 to 1-08"),
        (("--vessel", "1-03", "--from", "feed"), "blocked"),
        (("--vessel", "1-03", "--meter-error", "90"), "--meter-error"),
    ],
)
def test_used_wrongly(
    plant: Sampled,
    sheet: str,
    cli: CommandLine,
    tmp_path: Path,
    arguments: tuple[str, ...],
    words: str,
) -> None:
    """Exit code 2, with what was wrong and what would do."""
    said = cli("probe", plant.plant_file, written(tmp_path, sheet), *arguments)
    assert said.code == 2
    assert words in said.err


def test_too_few(plant: Sampled, cli: CommandLine, tmp_path: Path) -> None:
    """Two samples are not judged: told where to take more."""
    text = "distance_mm,conductivity_us_cm\n6196,11.2\n100,116\n"
    said = cli("probe", plant.plant_file, "--vessel", "1-03", written(tmp_path, text))
    assert said.code == 2
    assert "Sample at 6196" in said.err


def test_the_sheet(plant: Sampled, cli: CommandLine) -> None:
    """Distances from the port, deepest first; with half-steps the middles too; what to mind."""
    said = cli("probe", plant.plant_file, "--vessel", "1-03", "--sheet").out
    assert "6196" in said
    assert "middle" not in said
    for caution in ("pressure", "Two people", "local codes", "gland"):
        assert caution in said
    marks = json.loads(
        cli("probe", plant.plant_file, "--vessel", "1-03", "--sheet", "--half-steps", "--json").out
    )["marks"]
    assert [m["distance_mm"] for m in marks] == list(MARKS)


def test_what_is_kept(sheet: str, cli: CommandLine, tmp_path: Path) -> None:
    """A probe with --by is in the record with its readings, and is listed."""
    plant = sampled(tmp_path)
    cli("probe", plant.plant_file, "--vessel", "1-03", written(tmp_path, sheet), "--by", "Ben")
    (kept,) = json.loads(cli("probe", plant.plant_file, "--list", "--json").out)
    assert (kept["place"], kept["by"], len(kept["readings"])) == ("1-03", "Ben", len(MARKS))
    assert kept["answer"]["where"] == "1-03/4-5"
    assert "6196 mm" in cli("probe", plant.plant_file, "--show", kept["number"]).out
    assert cli("probe", plant.plant_file, "--show", 7).code == 2
