"""Raw and reconciled values on a train's page, and the verdict on its meters."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from daemon import plantfile
from daemon.notices import Notices
from daemon.page import create_app
from daemon.page.balances import BalancesView, balances
from daemon.page.source import Source
from daemon.page.times import SiteTime
from daemon.plantfile import Plant
from daemon.record import Record
from rules.digest import Digest
from tests.unit.test_commands_sheet import EXAMPLE, RUNNING
from tests.web import month

Shown = Callable[[Mapping[str, float]], tuple[BalancesView | None, str]]


@pytest.fixture(scope="module")
def plant() -> Plant:
    """The example of two stages."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BRINELARK_TECHNICIAN", "json://127.0.0.1:9/")
        return plantfile.load(EXAMPLE)


@pytest.fixture
def shown(plant: Plant, tmp_path: Path) -> Iterator[Shown]:
    """The view and the page of train A after some digests with these changes to sound values."""
    with ExitStack() as stack:

        def show(changes: Mapping[str, float]) -> tuple[BalancesView | None, str]:
            record = stack.enter_context(Record.open(tmp_path, durable=False))
            history = month.open_history(plant, tmp_path, lambda: month.NOW)
            stack.callback(history.close)
            signals = {k: v for k, v in (RUNNING | dict(changes)).items() if v == v}
            for start in month.starts(days=0.1):
                digest = Digest(float(start), 15, signals, {}, {}, {}, {}, {})
                Notices(record, plant).process(
                    "A", start + 900.0, [], state="steady", progress=int(start) + 840, digest=digest
                )
            view = balances(
                plant.train("A"),
                Source(plant, record, history),
                SiteTime(plant.site.timezone, month.NOW),
            )
            with TestClient(create_app(plant, record, history)) as client:
                return view, client.get("/train/A").text

        yield show


def test_meters_that_agree(shown: Shown) -> None:
    """One sentence, and the reconciled values beside the raw ones."""
    view, page = shown({})
    assert view is not None
    assert not view.detected
    (said,) = view.sentences
    assert said == (
        "The meters agree within their accuracy (3 balances, chi-square 0.0, limit 11.3)."
    )
    assert "Do the meters agree?" in page
    assert view.meters[0].title == "Feed flow"
    assert view.meters[0].measured == "100.00"
    assert view.meters[0].reconciled.startswith("100.00 ± ")
    assert view.meters[0].change == "0.0 %"


def test_a_wrong_meter_is_named_and_left_out(shown: Shown) -> None:
    """Its reading stands, and beside it what the others say. By hand: 55 + 20 = 75."""
    view, page = shown({"permeate_flow": 70.0})
    assert view is not None
    assert view.detected
    assert view.sentences[1].startswith("Permeate flow reads 5.0")
    assert view.sentences[1].endswith("m³/h (7 %) too little.")
    (accused,) = [m for m in view.meters if m.accused]
    assert (accused.place, accused.title, accused.measured) == ("Train", "Permeate flow", "70.00")
    assert accused.reconciled.startswith("75.0")
    assert accused.change == "+7.1 %"
    assert page.count('class="accused"') == 1


def test_meters_that_cannot_be_told_apart_are_all_named(shown: Shown) -> None:
    """None of them is picked, and none of them gets a value from the others."""
    view, page = shown({"permeate_conductivity": 40.0})
    assert view is not None
    assert view.sentences[1].startswith("The balances cannot tell which: ")
    accused = [(m.place, m.title, m.reconciled) for m in view.meters if m.accused]
    assert accused == [(p, "Permeate salt", "") for p in ("Stage 1", "Stage 2", "Train")]
    assert page.count("not known") >= 3
    flows = [m for m in view.meters if m.unit == "m³/h"]
    assert all(m.change == "0.0 %" for m in flows)


def test_nothing_is_said_where_nothing_can_be_tested(shown: Shown) -> None:
    """Digests without the meters of the second opinion leave no balance."""
    nan = float("nan")
    view, page = shown(
        {"concentrate_flow": nan, "permeate_flow": nan, "permeate_conductivity": nan}
    )
    assert view is None
    assert "Do the meters agree?" not in page
