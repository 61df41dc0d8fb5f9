"""Signing in and writing in a real Chromium: on a phone, without JavaScript, and with a nervous thumb."""

import pytest
from playwright.sync_api import Browser, Page, expect

from daemon.notices import Notices
from daemon.people import Cost, People
from tests.web.test_pages import (  # the fixtures of the pages that are read
    PHONE,
    Site,
    Visit,
    browser,
    desk,
    phone,
    refreshed,
    site,
    template,
)

__all__ = ["browser", "desk", "phone", "site", "template"]

NAME, PASSWORD = "R. Vidal", "three green pumps"

# A choice is touched by its whole row, the label.
SMALL_TARGETS = """() => [...document.querySelectorAll('a[href], button, summary, input, select, textarea')]
    .filter(e => e.checkVisibility() && !e.classList.contains('skip'))
    .map(e => [e.textContent.trim() || e.name, (e.type === 'radio' ? e.closest('label') : e).getBoundingClientRect()])
    .filter(([, r]) => r.height < 44 || r.width < 44)
    .map(([text, r]) => `${text}: ${r.width} x ${r.height}`)"""


def sign_in(page: Page) -> None:
    """Fill in the form that is shown."""
    page.get_by_label("Name").fill("r. vidal")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


def may_write(site: Site) -> None:
    People(site.record, Cost(n=2**4, r=8, p=1)).set_password(NAME, PASSWORD)


@pytest.mark.parametrize("device", ["phone", "desk"])
def test_pages_for_writing_fit_and_can_be_touched(
    site: Site, device: str, request: pytest.FixtureRequest
) -> None:
    """No sideways scrolling, no target under 44 px, nothing from elsewhere, no complaint."""
    visit: Visit = request.getfixturevalue(device)
    may_write(site)
    site.tell("A")
    page = visit.page
    for path in ("/login", "/notice/A-0001", "/log", "/log?train=A"):
        page.goto(site.url + path)
        if path == "/login":
            assert page.evaluate(SMALL_TARGETS) == []
            sign_in(page)
            page.goto(site.url + path)
        for closed in page.locator("summary").all():
            closed.click()
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= page.viewport_size["width"], path
        assert page.evaluate(SMALL_TARGETS) == [], path
    assert all(address.startswith(site.url) for address in visit.addresses)
    assert visit.complaints == []


def test_whole_way_on_a_phone_without_javascript(site: Site, browser: Browser) -> None:
    """From the link of a message: sign in, acknowledge, shelve with a reason, enter work, sign out."""
    may_write(site)
    notice = site.tell("A")
    visit = Visit(browser, PHONE, java_script_enabled=False, is_mobile=True, has_touch=True)
    page = visit.page
    page.goto(f"{site.url}/notice/{notice}")
    page.get_by_role("link", name="Sign in to acknowledge").tap()
    sign_in(page)
    page.wait_for_url(f"**/notice/{notice}")
    expect(page.locator(".who")).to_contain_text(NAME)
    page.get_by_role("button", name="Acknowledge").first.tap()
    expect(page.get_by_role("status")).to_have_text(f"Acknowledged by {NAME}")
    page.get_by_text("Shelve for a while").tap()
    page.get_by_label("3 days").check()
    page.locator("#why-shelve").fill("acid is ordered")
    page.get_by_role("button", name="Shelve").tap()
    expect(page.get_by_role("status")).to_contain_text("Shelved until Fri 3 Apr")
    page.goto(f"{site.url}/train/A")
    page.get_by_role("link", name="Enter work done").tap()
    page.get_by_label("Seals replaced").check()
    page.get_by_label("In your words").fill("1-03, all O-rings")
    page.get_by_role("button", name=f"Enter it as {NAME}").tap()
    expect(page.get_by_role("status")).to_contain_text(
        "Entered: Train A, seals replaced, Tue 31 Mar"
    )
    page.get_by_role("button", name="Sign out").tap()
    expect(page.get_by_role("link", name="Sign in")).to_be_visible()
    visit.context.close()
    assert [line.event for line in site.record.journal()] == ["raised", "acknowledged", "shelved"]
    (event,) = site.record.events("A")
    assert (event.event, event.detail, event.by) == ("seals_replaced", "1-03, all O-rings", NAME)


def test_two_presses_do_it_once(site: Site, desk: Visit) -> None:
    """A double click sends the form twice; the journal has one line, the log one entry."""
    may_write(site)
    notice = site.tell("A")
    page = desk.page
    page.goto(f"{site.url}/login?next=/notice/{notice}")
    sign_in(page)
    page.wait_for_url(f"**/notice/{notice}")
    page.get_by_role("button", name="Acknowledge").first.dblclick()
    expect(page.get_by_role("status")).to_have_text(f"Acknowledged by {NAME}")
    page.goto(f"{site.url}/log?train=A")
    page.get_by_label("Cleaning started").check()
    page.get_by_role("button", name=f"Enter it as {NAME}").dblclick()
    expect(page.get_by_role("status")).to_be_visible()
    assert [line.event for line in site.record.journal()] == ["raised", "acknowledged"]
    assert len(site.record.events()) == 1


def test_open_notice_follows_what_others_do_and_keeps_what_is_typed(
    site: Site, desk: Visit
) -> None:
    """Somebody else acknowledges it: the page shows it by itself, and a reason half typed stays."""
    may_write(site)
    notice = site.tell("A")
    page = desk.page
    page.goto(f"{site.url}/login?next=/notice/{notice}")
    sign_in(page)
    page.wait_for_url(f"**/notice/{notice}")
    page.get_by_text("Shelve for a while").click()
    page.locator("#why-shelve").fill("acid is")
    Notices(site.record, site.plant).acknowledge(notice, "S. Okoye")
    expect(page.locator(".journal")).to_contain_text("Acknowledged by S. Okoye")
    expect(page.locator("article")).to_contain_text("Acknowledged by S. Okoye.")
    refreshed(page)
    expect(page.locator("#why-shelve")).to_have_value("acid is")
    page.get_by_role("button", name="Shelve").click()
    expect(page.get_by_role("alert").last).to_contain_text("It has changed while you looked.")
    expect(page.locator("#why-shelve")).to_have_value("acid is")
    page.get_by_role("button", name="Shelve").click()
    expect(page.get_by_role("status")).to_contain_text("Shelved until")
