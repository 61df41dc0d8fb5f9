"""Work packs through a real Chromium: sheets of A4 and Letter, and nothing wider than its sheet or phone."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from daemon import plantfile
from daemon.workpack import Situation, order, pack, printed
from daemon.workpack.model import Pack
from tests.web.test_pages import CHROMIUM

EXAMPLE = Path(__file__).parents[2] / "deploy" / "plants" / "two-stage.toml"
JOBS = {
    "clean": {"job": "clean", "stage": 1, "solution": "edta"},
    "probe": {"job": "probe", "vessel": "1-03"},
    "element": {"job": "element", "vessel": "1-03", "position": "4"},
    "membranes": {"job": "membranes"},
}
SHEET_PX = 183 / 25.4 * 96
"""Width of A4, the narrower of the two, without its margins."""
TOO_WIDE = """() => [...document.querySelectorAll('main *, header *')]
  .filter(e => !e.closest('svg') && !e.classList.contains('unseen')
    && e.getBoundingClientRect().right > document.body.getBoundingClientRect().right + 1)
  .map(e => e.tagName + ' ' + e.textContent.slice(0, 40))"""


def made(name: str) -> Pack:
    """The pack of a job on the example plant."""
    plant = plantfile.load(EXAMPLE, secrets=False)
    known = Situation(1.767e9, values={"feed_flow": 88.1, "1/feed_pressure": 13.4}, read_at=1.767e9)
    return pack(order(plant, plant.train("A"), **JOBS[name]), known)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium of the system; without it these tests fail, because paper is then not tested."""
    if not CHROMIUM.exists():
        pytest.fail(f"{CHROMIUM} is missing; install it with: apt-get install chromium")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.mark.parametrize("name", JOBS)
def test_nothing_is_wider_than_its_sheet(browser: Browser, name: str) -> None:
    """In print every table and drawing keeps to the width of A4, which is less than that of Letter."""
    page = browser.new_page(viewport={"width": round(SHEET_PX), "height": 900})
    page.emulate_media(media="print")
    page.set_content(printed.html(made(name)))
    assert page.evaluate(TOO_WIDE) == []
    page.close()


@pytest.mark.parametrize("name", JOBS)
def test_a_phone_shows_it_without_moving_sideways(browser: Browser, name: str) -> None:
    """Wide tables move by themselves, the page does not."""
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.set_content(printed.html(made(name)))
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.close()


@pytest.mark.parametrize(
    ("name", "paper", "size", "most"),
    [("probe", "a4", (595, 842), 3), ("element", "letter", (612, 792), 5)],
)
def test_a_pdf_has_the_paper_asked_for(
    tmp_path: Path, name: str, paper: printed.Paper, size: tuple[int, int], most: int
) -> None:
    """Size in points, and few sheets: two for a probe and four for an element, one more with wide fonts."""
    out = tmp_path / "pack.pdf"
    printed.pdf(made(name), out, paper)
    data = out.read_bytes()
    assert data.startswith(b"%PDF")
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", data)
    assert {(round(float(w)), round(float(h))) for w, h in boxes} == {size}
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", data)) <= most
