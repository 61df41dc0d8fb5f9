"""Other limits for the same past: how they are written, checked and put in place."""

from pathlib import Path

import pytest

from daemon.compare import CompareError, Variant, parse, with_limits
from daemon.plantfile import load
from tests.commands_kit import CommandLine, exported


def test_limits_are_read_by_name() -> None:
    """Names of [train.limits] with numbers, separated by commas."""
    assert parse("pressure_drop=0.2, horizon_days=7") == {"pressure_drop": 0.2, "horizon_days": 7.0}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("drop=0.2", "'drop=0.2' is not a limit"),
        ("pressure_drop", "NAME=VALUE"),
        ("pressure_drop=much", "'much' is not a number"),
        ("pressure_drop=0.1,pressure_drop=0.2", "twice"),
    ],
)
def test_what_is_no_limit_is_told(text: str, said: str) -> None:
    """Each with what would be right."""
    with pytest.raises(CompareError, match=said):
        parse(text)


def test_every_train_gets_them(tmp_path: Path) -> None:
    """Both the train of the plant file and what the rules see; the other limits stay."""
    plant = load(exported(tmp_path, "healthy", days=0.1, step_minutes=15))
    other = with_limits(plant, {"pressure_drop": 0.3})
    for before, after in zip(plant.trains, other.trains, strict=True):
        assert after.limits.pressure_drop == after.model.limits.pressure_drop == 0.3
        assert after.limits.salt_passage == before.limits.salt_passage
    with pytest.raises(CompareError, match="permeate_flow"):
        with_limits(plant, {"permeate_flow": 0.1})


def test_a_past_is_judged_with_other_limits_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Scale that is told with the usual limits is not with limits ten times as wide, and both are shown."""
    line = CommandLine(monkeypatch, capsys)
    plant_file = exported(tmp_path, "fast_scaling", days=14, step_minutes=15)
    wide = "permeate_flow=-0.8,salt_passage=4,pressure_drop=4,horizon_days=0.1"
    asked = ["replay", plant_file, "--data", tmp_path / "h.csv", "--notices", tmp_path / "n.jsonl"]
    said = line(*asked, "--compare", wide)
    assert said.code == 0
    table = said.out.partition("raised with other limits")[2]
    assert [row.split()[-1] for row in table.splitlines() if "scaling" in row] == ["-"]
    assert [row.split()[-2:] for row in table.splitlines() if "notices raised" in row] == [
        ["1", "0"]
    ]
    said = line(*asked, "--compare", "drop=1")
    assert said.code == 2
    assert "is not a limit" in said.err


def test_notices_are_matched_by_cause() -> None:
    """The first scaling of one stands beside the first scaling of the other."""
    one = Variant("a", ({"train": "A", "cause": "scaling"}, {"train": "A", "cause": "scaling"}))
    assert list(one.by_cause()) == [("A", "scaling", 1), ("A", "scaling", 2)]
