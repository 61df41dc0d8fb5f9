"""What the demo prints about a notice, and how it starts its simulator."""

import io
import json
from pathlib import Path

import pytest
from rich.console import Console

from daemon.commands.demo import _Teller
from daemon.notices import Notices
from daemon.record import Record
from rules.findings import CauseProbability, Finding
from tests.notices_kit import START, finding, plant


def panel(folder: Path, found: Finding) -> str:
    """The panel of the notice that a finding raises, on one line."""
    with Record.open(folder) as record:
        lines = Notices(record, plant(folder)).process(
            "A", START, [found], state="steady", progress=START
        )
    out = io.StringIO()
    body = json.loads(lines[0].body)
    Console(file=out, width=80).print(_Teller._panel(lines[0].event, lines[0].key, body))
    return " ".join(out.getvalue().replace("│", " ").split())


def test_a_conclusion_has_causes_action_and_numbers(tmp_path: Path) -> None:
    """A notice of performance shows what it rests on."""
    said = panel(tmp_path, finding(confirm_s=0.0, deviation={"1": {"permeate_flow": -0.05}}))
    assert "Cause: scaling 80 %, biofouling 10 %" in said
    assert "Action: clean (priority medium)" in said
    assert "Stage 1: permeate flow -4.9 %" in said


@pytest.mark.parametrize(
    ("matter", "cause"),
    [
        ("link:plc1", CauseProbability("instrument_fault", 1.0)),
        ("limit:1/pressure_drop", CauseProbability("none", 1.0)),
        ("frozen:A/feed_flow", CauseProbability("instrument_fault", 0.99, "A/feed_flow")),
    ],
)
def test_what_was_seen_has_a_message_and_an_action_only(
    tmp_path: Path, matter: str, cause: CauseProbability
) -> None:
    """A certain cause of what was seen says nothing new."""
    said = panel(
        tmp_path,
        finding(
            matter=matter, causes=(cause,), confirm_s=0.0, message="Seen [here].", action="watch"
        ),
    )
    assert "Seen [here]." in said
    assert "Action: watch (priority medium)" in said
    assert "Cause" not in said
