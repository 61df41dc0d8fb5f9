"""README.md says what there is: commands and their options, settings, causes, roles, events."""

import re
from pathlib import Path

import pytest
from typer.main import get_command

from daemon import plantfile
from daemon.commands import app
from daemon.record import EVENTS
from rules import sections
from rules.actions import ACTION
from rules.findings import ACTIONS, CAUSES
from rules.train import STAGE_ROLES, TRAIN_ROLES, VESSEL_ROLES
from tests.docs import settings

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = get_command(app).commands  # type: ignore[attr-defined]


def test_readme_opens_with_the_job() -> None:
    """The first paragraph after the title speaks of the technician and the job."""
    first = README.split("\n\n")[1]
    assert first.startswith("A field technician")
    assert "clean, probe or replace" in first.replace("\n", " ")


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_is_in_the_table(name: str) -> None:
    """Each command has a row."""
    assert f"`brinelark {name}" in README


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - {"simulate"}))
def test_every_option_is_in_the_row_of_its_command(name: str) -> None:
    """Each option of a command, but --json and --help, stands in the row."""
    (row,) = [line for line in README.splitlines() if line.startswith(f"| `brinelark {name}")]
    for parameter in COMMANDS[name].params:
        options = [o for o in (*parameter.opts, *parameter.secondary_opts) if o.startswith("--")]
        wanted = [o for o in options if o not in ("--json", "--help")]
        assert not wanted or any(option in row for option in wanted), wanted


def test_settings_table_is_the_one_of_the_models() -> None:
    """The settings stand as `python -m tests.docs.settings --write` writes them."""
    assert settings.between(README) == settings.table()


@pytest.mark.parametrize("cause", CAUSES)
def test_every_cause_has_a_row_with_its_action(cause: str) -> None:
    """Each cause is explained, with the action that the rules give it."""
    (row,) = [line for line in README.splitlines() if line.startswith(f"| `{cause}` |")]
    assert f"`{ACTION[cause]}`" in row


@pytest.mark.parametrize("word", [*TRAIN_ROLES, *STAGE_ROLES, *VESSEL_ROLES, *EVENTS, *ACTIONS])
def test_every_role_event_and_action_is_named(word: str) -> None:
    """Roles, events and actions are all there."""
    assert f"`{word}`" in README


def test_the_smallest_plant_file_loads(tmp_path: Path) -> None:
    """The example can be copied: one stage, all three quantities, no warning that it would be judged worse."""
    (text,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    (tmp_path / "plant.toml").write_text(text, encoding="utf-8")
    plant = plantfile.load(tmp_path / "plant.toml")
    (section,) = sections.plan(plant.train("A").model).sections
    assert section.quantities == ("permeate_flow", "salt_passage", "pressure_drop")
    assert len(text.splitlines()) <= 18


def test_the_box_of_the_demo_is_one_that_it_prints() -> None:
    """The sample has every line that a first notice of the demo has, at the width of 80 columns."""
    (box,) = re.findall(r"```\n(┌.*?┘)\n```", README, re.DOTALL)
    assert {len(line) for line in box.splitlines()} == {80}
    for start in (
        "Train A stage 2: scaling",
        "Cause:",
        "Action:",
        "Forecast:",
        "Stage 1:",
        "Stage 2:",
    ):
        assert f"│ {start}" in box


def test_paths_that_are_named_exist() -> None:
    """Files of the project that README names are there."""
    for path in re.findall(r"`((?:deploy|tests|daemon|rules|drivers|simulator)/[\w./-]+)`", README):
        assert (ROOT / path).exists(), path
