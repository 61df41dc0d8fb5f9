"""The sheet of trends is drawn, also for plants that measure little."""

from pathlib import Path

from simulator import plots


def test_sheet_is_a_picture(tmp_path: Path) -> None:
    """A PNG of some size for a leak, and for a train without stage flows."""
    out = tmp_path / "sheet.png"
    plots.sheet(out, ("o_ring_leak", "few_instruments_fouling"))
    data = out.read_bytes()
    assert data.startswith(b"\x89PNG")
    assert len(data) > 20_000


def test_usual_sheet_has_ten_stories() -> None:
    """The sheet that is looked at has ten different stories."""
    assert len(set(plots.USUAL)) == 10
