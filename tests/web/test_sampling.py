"""Entering a survey on a phone in a real Chromium: saved one by one, kept while there is no connection, printed."""

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Page, expect

from daemon import survey_record
from daemon.history_reader import HistoryReader
from daemon.page import create_app
from daemon.people import Cost, People
from daemon.plantfile import load
from daemon.record import Record
from tests.fake_clock import FakeClock
from tests.sampling_kit import sampled
from tests.web.test_pages import Visit, browser, desk, phone
from tests.web.test_writing import SMALL_TARGETS

__all__ = ["browser", "desk", "phone"]

NAME, PASSWORD = "R. Vidal", "three green pumps"
SURVEY = "/train/A/survey/1"


class Served:
    """The page of a simulated plant with a leak at 1-03/4-5, on loopback."""

    def __init__(self, folder: Path) -> None:
        self.sampled = sampled(folder)
        plant = load(self.sampled.plant_file)
        self.record = Record.open(plant.store.folder, durable=False)
        People(self.record, Cost(n=2**4, r=8, p=1)).set_password(NAME, PASSWORD)
        clock = FakeClock(start=self.sampled.now_s)
        app = create_app(plant, self.record, HistoryReader(plant.store.folder), clock=clock)
        config = uvicorn.Config(
            app, host="127.0.0.1", port=0, ws="none", lifespan="off", log_level="error"
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, name="page")
        self._thread.start()
        for _ in range(1000):
            if self._server.started:
                break
            assert self._thread.is_alive(), "the page could not be served"
            time.sleep(0.01)
        self.url = f"http://127.0.0.1:{self._server.servers[0].sockets[0].getsockname()[1]}"

    def close(self) -> None:
        self._server.should_exit = True
        self._thread.join(20)
        assert not self._thread.is_alive()
        self.record.close()

    def kept(self) -> dict[str, float]:
        """What the record has of the open survey."""
        sheet = survey_record.opened(self.record, "survey", "A", "1")
        return {} if sheet is None else {s.place: s.us_cm for s in sheet.samples}


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    served = Served(tmp_path)
    yield served
    served.close()


def sign_in(page: Page, url: str) -> None:
    page.goto(f"{url}/login?next={SURVEY}")
    page.get_by_label("Name").fill(NAME)
    page.get_by_label("Password").fill(PASSWORD)
    page.locator("form.sheet").get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"**{SURVEY}")


def row(page: Page, vessel: str):  # type: ignore[no-untyped-def]
    return page.locator(f'form[data-reading="{vessel}"]')


def test_nothing_is_lost_without_a_connection(served: Served, phone: Visit) -> None:
    """A field that is left is saved; without a connection it is kept on the phone, survives a reload, and is sent."""
    page = phone.page
    sign_in(page, served.url)
    row(page, "1-01").locator("[name=value]").fill("21.3")
    row(page, "1-02").locator("[name=value]").focus()
    expect(row(page, "1-01")).to_have_class("stop saved")
    assert served.kept() == {"1-01": 21.3}
    expect(page.get_by_role("heading", name="So far: 1 of 8 read")).to_be_visible()
    phone.context.set_offline(True)
    row(page, "1-02").locator("[name=value]").fill("19.4")
    row(page, "1-02").get_by_role("button").click()
    expect(row(page, "1-02").locator(".stop-state")).to_contain_text("kept on this device")
    row(page, "1-03").locator("[name=value]").fill("115.5")
    phone.context.set_offline(False)
    page.reload()
    expect(row(page, "1-02")).to_have_class("stop saved")
    expect(row(page, "1-03")).to_have_class("stop saved")
    assert served.kept() == {"1-01": 21.3, "1-02": 19.4, "1-03": 115.5}
    expect(page.locator(".vessels .s3")).to_contain_text("probe")


def test_a_wrong_reading_stays_where_it_was_typed(served: Served, phone: Visit) -> None:
    """The question stands at the field, what was typed stays in it, and the next value mends it."""
    page = phone.page
    sign_in(page, served.url)
    row(page, "1-04").locator("[name=value]").fill("-20")
    row(page, "1-04").get_by_role("button").click()
    expect(row(page, "1-04").locator(".stop-state")).to_contain_text("impossible")
    expect(row(page, "1-04").locator("[name=value]")).to_have_value("-20")
    row(page, "1-04").locator("[name=value]").fill("20,5")
    row(page, "1-04").get_by_role("button").click()
    expect(row(page, "1-04")).to_have_class("stop saved")
    assert served.kept() == {"1-04": 20.5}


@pytest.mark.parametrize("path", [SURVEY, "/train/A/probe/1-03"])
def test_fields_fit_a_phone_and_can_be_touched(served: Served, phone: Visit, path: str) -> None:
    """Nothing to move sideways; no target under 44 px, and every field asks for a decimal keyboard."""
    page = phone.page
    sign_in(page, served.url)
    page.goto(served.url + path)
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    for closed in page.locator("summary").all():
        closed.click()
    assert page.evaluate(SMALL_TARGETS) == []
    fields = page.locator("form[data-reading] input:not([type=hidden])")
    assert fields.count() >= 16
    assert {f.get_attribute("inputmode") for f in fields.all()} == {"decimal"}
    assert phone.complaints == []


@pytest.mark.parametrize("paper", [(703, "A4"), (725, "Letter")])
def test_sheets_fit_their_paper(served: Served, desk: Visit, paper: tuple[int, str]) -> None:
    """The sheets in print are no wider than the paper, without the page's frame, with every stop and caution."""
    page = desk.page
    page.set_viewport_size({"width": paper[0], "height": 1000})
    page.emulate_media(media="print")
    for path, stops in ((f"{SURVEY}/sheet", 9), ("/train/A/probe/1-03/sheet", 19)):
        page.goto(served.url + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= paper[0]
        assert page.locator(".fill tbody tr").count() == stops
        expect(page.locator(".top")).to_be_hidden()
        expect(page.locator("#mind")).to_contain_text("Two people")
        expect(page.locator("#mind")).to_contain_text("local codes")
