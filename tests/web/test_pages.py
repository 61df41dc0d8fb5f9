"""The pages in a real Chromium: on a phone and on a desk, fresh, stale and cut off."""

import shutil
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, ConsoleMessage, Page, expect, sync_playwright

from daemon.page import create_app
from daemon.record import Record
from tests.web import month

CHROMIUM = Path("/usr/bin/chromium")
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 800}


class RunningClock:
    """Plant time that runs with the real one, so that ages grow while a test looks."""

    def __init__(self) -> None:
        self._started = time.monotonic()

    def now(self) -> datetime:
        return datetime.fromtimestamp(month.NOW + self.monotonic(), UTC)

    def monotonic(self) -> float:
        return time.monotonic() - self._started

    async def sleep(self, seconds: float) -> None:
        raise AssertionError("the page does not sleep")


class Site:
    """A plant whose page is really served on loopback."""

    def __init__(self, folder: Path) -> None:
        self.plant = month.load_plant(folder)
        self.record = Record.open(folder, durable=False)
        # The gateway's clock stands still, so the frames stay fresh for the whole test.
        self.history = month.open_history(self.plant, folder, lambda: month.NOW)
        self.clock = RunningClock()
        self.port = 0
        for train in ("A", "B"):
            month.feed(self.plant, self.history, train)
        self.serve()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def serve(self) -> None:
        """Start to serve; the second time on the port of the first, as a restarted daemon would."""
        app = create_app(self.plant, self.record, self.history, clock=self.clock, refresh_s=0.15)
        config = uvicorn.Config(
            app,
            host="127.0.0.1",
            port=self.port,
            ws="none",
            lifespan="off",
            log_level="error",
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, name="page")
        self._thread.start()
        for _ in range(1000):
            if self._server.started:
                break
            assert self._thread.is_alive(), "the page could not be served"
            time.sleep(0.01)
        self.port = self._server.servers[0].sockets[0].getsockname()[1]

    def stop(self) -> None:
        self._server.should_exit = True
        self._thread.join(20)
        assert not self._thread.is_alive()

    def close(self) -> None:
        if self._thread.is_alive():
            self.stop()
        self.history.close()
        self.record.close()

    def tell(self, train: str = "A") -> str:
        finding = month.scaling() if train == "A" else month.lost_link()
        return month.raise_notice(self.record, self.plant, train, finding, month.NOW - 3600)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the record of a month: train A scales, train B is healthy."""
    folder = tmp_path_factory.mktemp("month")
    with Record.open(folder, durable=False) as record:
        month.write_train(record, "A", faulty=True)
        month.write_train(record, "B")
    return folder


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium of the system; without it these tests fail, because the page is then not tested."""
    if not CHROMIUM.exists():
        pytest.fail(f"{CHROMIUM} is missing; install it with: apt-get install chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def site(template: Path, tmp_path: Path) -> Iterator[Site]:
    """The plant of `template`, served."""
    shutil.copy(template / "record.db", tmp_path / "record.db")
    site = Site(tmp_path)
    yield site
    site.close()


class Visit:
    """A page with everything that went wrong on it."""

    def __init__(self, browser: Browser, size: dict, **options: object) -> None:
        self.context = browser.new_context(viewport=size, **options)
        self.page: Page = self.context.new_page()
        self.complaints: list[str] = []
        self.addresses: list[str] = []
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.addresses.append(request.url))

    def _heard(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)


@pytest.fixture
def phone(browser: Browser) -> Iterator[Visit]:
    visit = Visit(browser, PHONE, is_mobile=True, has_touch=True, device_scale_factor=2)
    yield visit
    visit.context.close()


@pytest.fixture
def desk(browser: Browser) -> Iterator[Visit]:
    visit = Visit(browser, DESK)
    yield visit
    visit.context.close()


def drawn(page: Page, times: int = 1) -> None:
    """Wait until the charts have been drawn so often."""
    page.wait_for_function(
        "n => Number(document.getElementById('trends').dataset.drawn || 0) >= n", arg=times
    )


def refreshed(page: Page) -> None:
    """Wait for one more round of news."""
    before = page.evaluate("Number(document.body.dataset.refreshed || 0)")
    page.wait_for_function("n => Number(document.body.dataset.refreshed || 0) > n", arg=before)


SMALL_TARGETS = """() => [...document.querySelectorAll('a[href], button, summary, input, select')]
    .filter(e => e.checkVisibility() && !e.classList.contains('skip'))
    .map(e => [e.textContent.trim(), e.getBoundingClientRect()])
    .filter(([, r]) => r.height < 44 || r.width < 44)
    .map(([text, r]) => `${text}: ${r.width} x ${r.height}`)"""


@pytest.mark.parametrize("device", ["phone", "desk"])
@pytest.mark.parametrize("path", ["/", "/train/A", "/train/Z"])
def test_pages_fit_and_can_be_touched(
    site: Site, device: str, path: str, request: pytest.FixtureRequest
) -> None:
    """No sideways scrolling, no target under 44 px, nothing from elsewhere, no complaint."""
    visit: Visit = request.getfixturevalue(device)
    site.tell("A")
    site.tell("B")
    page = visit.page
    page.goto(site.url + path)
    if path == "/train/A":
        drawn(page)
    if path != "/train/Z":
        refreshed(page)
    width = page.evaluate("document.documentElement.scrollWidth")
    assert width <= page.viewport_size["width"]
    assert page.evaluate(SMALL_TARGETS) == []
    assert all(address.startswith(site.url) for address in visit.addresses)
    if path != "/train/Z":  # the browser itself reports the 404
        assert visit.complaints == []


def test_one_column_on_a_phone_two_on_a_desk(site: Site, phone: Visit, desk: Visit) -> None:
    """Train cards stand below each other on a phone and beside each other on a desk."""
    lefts = {}
    for visit in (phone, desk):
        visit.page.goto(site.url)
        boxes = [card.bounding_box() for card in visit.page.locator(".card").all()]
        lefts[visit] = {round(box["x"]) for box in boxes if box}
    assert len(lefts[phone]) == 1
    assert len(lefts[desk]) == 2


def test_priority_is_shape_and_word_beside_its_color(site: Site, desk: Visit) -> None:
    """Each priority has its own mark and its own word."""
    site.tell("A")
    site.tell("B")
    desk.page.goto(site.url)
    shown = [
        (
            notice.locator(".badge").inner_text().split()[0],
            notice.locator("use").first.get_attribute("href"),
        )
        for notice in desk.page.locator(".notice").all()
    ]
    assert shown == [("High", "#mark-high"), ("Medium", "#mark-medium")]


def test_way_from_overview_to_train_and_back(site: Site, phone: Visit) -> None:
    """A tap on the notice opens the train at that notice, another leads back."""
    notice = site.tell("A")
    page = phone.page
    page.goto(site.url)
    page.locator(".notice").tap()
    page.wait_for_url(f"**/train/A#{notice}")
    expect(page.locator(f"#{notice} h3")).to_have_text("Scaling, stage 2")
    expect(page.locator(f"#{notice}")).to_contain_text("If nothing is done")
    expect(page.locator(f"#{notice}")).to_contain_text("81 %")
    page.locator(".back").tap()
    expect(page.locator("h1")).to_have_text("Example north wells")


INK = """n => { const c = document.querySelectorAll('#trends canvas')[n];
    const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
    const seen = new Map();
    for (let i = 0; i < d.length; i += 4) if (d[i + 3] === 255) {
        const k = [d[i], d[i + 1], d[i + 2]].join(); seen.set(k, (seen.get(k) || 0) + 1); }
    return [...seen].filter(([, count]) => count > 150).map(([k]) => k); }"""


def test_charts_draw_each_section_and_change_their_range(site: Site, desk: Visit) -> None:
    """Three charts with a line for each stage; the buttons change the days without a new page."""
    site.tell("A")
    page = desk.page
    page.goto(site.url + "/train/A")
    drawn(page)
    assert page.locator("#trends canvas").count() == 3
    for n in range(3):
        inks = page.evaluate(INK, n)
        assert "31,79,99" in inks, "line of stage 1"
        assert "154,91,18" in inks, "line of stage 2"
    page.evaluate("window.samePage = true")
    page.get_by_role("link", name="7 days", exact=True).click()
    drawn(page, 2)
    assert page.locator("[data-range][aria-current]").inner_text() == "7 days"
    assert page.url.endswith("?days=7")
    assert page.evaluate("window.samePage")
    assert page.locator("#trends canvas").count() == 3
    plot = page.locator(".plot").first
    assert "Stage 2" in (plot.get_attribute("aria-label") or "")
    plot.locator(".u-over").hover()
    expect(plot.locator(".u-legend")).to_be_visible()
    expect(plot.locator(".u-legend")).to_contain_text("%")
    assert desk.complaints == []


def test_charts_are_words_without_javascript(site: Site, browser: Browser) -> None:
    """Without JavaScript the train's page still tells every trend, and the ranges are links."""
    visit = Visit(browser, PHONE, java_script_enabled=False)
    visit.page.goto(site.url + "/train/A")
    captions = visit.page.locator("figcaption").all_inner_texts()
    assert len(captions) == 3
    assert captions[0].endswith("Limit −10 %.")
    assert "Stage 2: " in captions[0]
    visit.page.get_by_role("link", name="90 days").click()
    assert visit.page.locator("[data-range][aria-current]").inner_text() == "90 days"
    visit.context.close()


def test_new_notice_appears_without_a_flicker(site: Site, desk: Visit) -> None:
    """A notice comes onto the open page; the parts it does not concern are not touched."""
    page = desk.page
    page.goto(site.url)
    expect(page.locator(".lede")).to_contain_text("All quiet")
    page.evaluate("document.querySelector('[data-part=\"train-B\"]').untouched = true")
    site.tell("A")
    expect(page.locator(".lede")).to_contain_text("Most urgent: train A, scaling, stage 2.")
    expect(page.locator('[data-part="train-A"]')).to_contain_text("acid clean")
    assert page.evaluate("document.querySelector('[data-part=\"train-B\"]').untouched")
    assert desk.complaints == []


def test_new_digest_reaches_the_open_chart(site: Site, desk: Visit) -> None:
    """A digest that is written while the page is open is drawn, and only then."""
    page = desk.page
    page.goto(site.url + "/train/A")
    drawn(page)
    refreshed(page)
    assert page.locator("#trends").get_attribute("data-drawn") == "1"
    last = list(month.digests(faulty=True))[-1]
    later = type(last)(
        **{name: getattr(last, name) for name in last.__slots__} | {"start": last.start + 900}
    )
    with site.record.transaction():
        site.record.put_digest("A", later)
    drawn(page, 2)


def test_lost_gateway_is_said_and_its_return_too(site: Site, desk: Visit) -> None:
    """When the daemon is gone the page says since when, ages grow on, and it recovers by itself."""
    page = desk.page
    page.goto(site.url)
    refreshed(page)
    expect(page.locator("#banner")).to_be_hidden()
    site.stop()
    banner = page.locator("#banner")
    expect(banner).to_be_visible()
    expect(banner).to_have_text(
        "No connection to the gateway since Tue 31 Mar, 11:04"
        + banner.inner_text().partition("11:04")[2]
    )
    assert banner.inner_text().endswith("CEST; what you see is old.")
    age = page.locator("[data-at]").first
    before = age.inner_text()
    page.wait_for_function("b => document.querySelector('[data-at]').textContent !== b", arg=before)
    site.serve()
    expect(banner).to_be_hidden()
    assert not page.evaluate("document.body.classList.contains('old')")


def test_failing_gateway_is_told_from_a_silent_one(site: Site, desk: Visit) -> None:
    """An answer that is an error has its own banner, and goes with the first good answer."""
    page = desk.page
    page.goto(site.url)
    page.route("**/api/overview", lambda route: route.fulfill(status=503, body="{}"))
    expect(page.locator("#banner")).to_contain_text("The gateway answers with an error since")
    page.unroute("**/api/overview")
    expect(page.locator("#banner")).to_be_hidden()


def test_stale_train_is_marked_while_the_page_is_open(site: Site, phone: Visit) -> None:
    """A train that falls silent turns to no data on the open page."""
    page = phone.page
    page.goto(site.url)
    card = page.locator('[data-part="train-B"]')
    expect(card).to_contain_text("Running steady")
    minute = int(month.NOW // 60 * 60) - 120
    month.feed_minute(site.plant, site.history, "B", at=minute)
    month.feed(site.plant, site.history, "B", at=month.NOW + 1, down=("plc1", "ua1"))
    expect(card).to_contain_text("No data")
    expect(card).to_contain_text("Stale.")
    expect(page.locator(".lede")).to_contain_text("No fresh data from train B.")
