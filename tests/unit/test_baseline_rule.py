"""The plant file's [train.baseline] as the rule that the watch gets."""

from pathlib import Path

import pytest

from daemon import normalize
from daemon.plantfile import load
from rules.baseline import BaselineRule
from rules.design import ElementTest
from simulator import plantfile
from simulator.site import Site

DESIGN = """
[train.element_test]
nominal_flow_m3d = 41.5
rejection = 0.9966
pressure_bar = 15.5
concentration_mg_l = 2000
"""
WINDOW = """
start = 2026-01-05T06:00:00Z
end = 2026-01-07T06:00:00Z
"""
CASES = {
    'kind = "first_steady"\nhours = 72': BaselineRule("first_steady", 72.0),
    f'kind = "window"{WINDOW}': BaselineRule("window", 48.0, start=1767592800.0, end=1767765600.0),
    f'kind = "design"{DESIGN}': BaselineRule(
        "design", 48.0, element_test=ElementTest(41.5, 0.9966, 15.5, 25.0, 2000.0, 0.15)
    ),
}


@pytest.mark.parametrize("text", list(CASES))
def test_the_plant_file_decides(tmp_path: Path, text: str) -> None:
    """Each kind of baseline reaches the rules with all of its numbers."""
    lines = plantfile.exported(Site("healthy"), tmp_path / "data.csv")
    place = lines.index("[[train.stage]]")
    path = tmp_path / "plant.toml"
    path.write_text(f"{lines[:place]}[train.baseline]\n{text}\n{lines[place:]}", encoding="utf-8")
    assert normalize._rule(load(path).trains[0]) == CASES[text]
