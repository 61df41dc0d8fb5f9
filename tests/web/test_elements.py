"""The load map in a real Chromium: pictures that fit, targets that can be touched, an element replaced on a phone."""

import pytest
from playwright.sync_api import expect

from daemon.loadmap import Change, LoadMap
from daemon.loadmap import positions as all_positions
from tests.web import month
from tests.web.test_pages import (  # the fixtures of the pages that are read
    Site,
    Visit,
    browser,
    desk,
    phone,
    site,
    template,
)
from tests.web.test_writing import NAME, SMALL_TARGETS, may_write, sign_in

__all__ = ["browser", "desk", "phone", "site", "template"]

LONG = "SERIAL-NUMBER-THAT-IS-LONG-0000"


def loaded(site: Site) -> None:
    """An element with a long serial number in every position but the last, and one on the shelf."""
    train = site.plant.train("A")
    changes = [
        Change(
            f"{LONG}{i:03d}", place, type="8040, invented", installed=month.NOW - 400 * month.DAY
        )
        for i, place in enumerate(all_positions(train)[:-1], 1)
    ]
    changes.append(Change("SHELVED-1", "shelf"))
    LoadMap(site.record, site.plant).apply(train, changes, at=month.NOW - 400 * month.DAY, by="Ana")


@pytest.mark.parametrize("device", ["phone", "desk"])
def test_the_load_map_fits_and_can_be_touched(
    site: Site, device: str, request: pytest.FixtureRequest
) -> None:
    """No sideways scrolling, no target under 44 px, nothing from elsewhere, no complaint."""
    visit: Visit = request.getfixturevalue(device)
    may_write(site)
    loaded(site)
    page = visit.page
    page.goto(f"{site.url}/login")
    sign_in(page)
    for path in ("/train/A/elements", "/train/A/elements/2-04", "/train/B/elements"):
        page.goto(site.url + path)
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= page.viewport_size["width"], path
        assert page.evaluate(SMALL_TARGETS) == [], path
    assert all(address.startswith(site.url) for address in visit.addresses)
    assert visit.complaints == []


def test_an_element_from_the_shelf_is_put_in_on_a_phone(site: Site, phone: Visit) -> None:
    """From the train to the vessel, position and serial entered with a thumb; the picture then shows it."""
    may_write(site)
    loaded(site)
    page = phone.page
    page.goto(f"{site.url}/login?next=/train/A")
    sign_in(page)
    page.wait_for_url("**/train/A")
    page.get_by_role("link", name="Elements").first.tap()
    page.locator('a[href="/train/A/elements/2-04"]').tap()
    page.get_by_role("radio", name="2-04/6").check()
    page.get_by_label("Serial number of the element that went in").fill("SHELVED-1")
    page.get_by_role("button", name=f"Enter it as {NAME}").tap()
    expect(page.get_by_role("status")).to_contain_text("The return to service is followed")
    expect(page.get_by_role("heading", name="2-04/6: SHELVED-1")).to_be_visible()
    page.get_by_text("Where this element has been").tap()
    expect(page.get_by_text("shelf, by Ana.")).to_be_visible()
    (event,) = site.record.events("A")
    assert (event.event, event.detail, event.by) == ("element_replaced", "2-04/6: SHELVED-1", NAME)
    assert phone.complaints == []
