"""What people write on the page: notices acknowledged and put aside, work entered; once each, by name."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon import plantfile, words
from daemon.lifecycle import State
from daemon.notices import Notices
from daemon.page.context import Link, Links
from daemon.page.times import SiteTime
from daemon.people import People
from daemon.record import EVENTS
from rules.findings import Finding, Presence
from tests.unit.test_page_access import NAME, PASSWORD, QUICK, Desk, hidden
from tests.web import month


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A plant with notice A-0001 raised an hour ago, and R. Vidal signed in."""
    desk = Desk(tmp_path)
    desk.bench.tell(month.scaling())
    desk.sign_in()
    yield desk
    desk.close()


def state(desk: Desk, notice: str = "A-0001") -> State:
    found = desk.record.notice(notice)
    assert found is not None
    return found.state


def post(desk: Desk, do: str, *, page: str | None = None, **fields: str):
    """Send the form of the notice's page as it is now, or as it was when `page` was loaded."""
    page = page or desk.client.get("/notice/A-0001").text
    data = {"do": do, "step": hidden(page, "step"), "csrf": hidden(page, "csrf")} | fields
    return desk.client.post("/notice/A-0001", data=data)


def text(answer) -> str:
    """The page's words without tags."""
    return " ".join(re.sub(r"<[^>]*>", " ", answer.text).split())


def after(desk: Desk, answer) -> str:
    """What the page says after a form was taken."""
    assert answer.status_code == 303, text(answer)
    return text(desk.client.get(answer.headers["location"]))


# notices


def test_the_page_of_a_notice_says_everything(desk: Desk) -> None:
    """What, where, since when, how sure, why, what to do, by when, the forecast, and its journal."""
    desk.client.cookies.clear()
    page = text(desk.client.get("/notice/A-0001"))
    for part in (
        "Scaling, stage 2",
        "Not acknowledged yet",
        "Plan an acid clean of stage 2.",
        "Before Thu 2 Apr (in 2 days).",
        "Since Fri 20 Mar, 10:04 CET",
        "Permeate flow reaches its limit about Fri 3 Apr",
        "Scaling 81 %",
        "Normalized permeate flow of stage 2: −9.0 % against",
        words.CAUSES["scaling"].neglect,
        "Raised Tue 31 Mar, 10:04 CEST [A-0001/1]",
        "Sign in to acknowledge",
    ):
        assert part in page, part
    assert "<form" not in desk.client.get("/notice/A-0001").text
    assert 'href="/notice/A-0001"' in desk.client.get("/train/A").text


def test_a_notice_that_is_not_there_names_those_that_are(desk: Desk) -> None:
    """404 with the open ones."""
    answer = desk.client.get("/notice/A-0009")
    assert answer.status_code == 404
    assert "There is no notice 'A-0009' here. Open notices: A-0001." in text(answer).replace(
        "&#39;", "'"
    )


def test_acknowledging_is_journalled_by_name_and_shown(desk: Desk) -> None:
    """One press; the page then shows who has seen it, and no longer asks."""
    page = after(desk, post(desk, "acknowledge", why="  on my  way "))
    assert f"Acknowledged by {NAME}: on my way" in page
    assert f"Acknowledged by {NAME}." in page
    line = desk.record.journal(notice="A-0001")[-1]
    assert (line.event, line.at) == ("acknowledged", desk.bench.clock.now().timestamp())
    assert state(desk) is State.ACKED
    assert 'name="do" value="acknowledge"' not in desk.client.get("/notice/A-0001").text


def test_shelving_needs_a_time_and_a_reason_and_comes_back(desk: Desk) -> None:
    """Until when in plant time, why and by whom; then off the shelf again."""
    page = after(desk, post(desk, "shelve", hours="72", why="acid is ordered"))
    assert f"Shelved until Fri 3 Apr, 11:04 CEST by {NAME}: acid is ordered" in page
    notice = desk.record.notice("A-0001")
    assert notice is not None
    assert notice.shelved_until == month.NOW + 72 * 3600
    assert f"Off the shelf by {NAME}" in after(desk, post(desk, "unshelve"))
    assert state(desk) is State.UNACK


def test_out_of_service_and_back(desk: Desk) -> None:
    """It stays out until somebody puts it back."""
    page = after(desk, post(desk, "out_of_service", why="stage 2 is open"))
    assert f"Taken out of service by {NAME}: stage 2 is open" in page
    assert state(desk) is State.OOSRV
    assert f"In service again by {NAME}" in after(desk, post(desk, "back"))
    assert state(desk) is State.UNACK


def test_what_has_gone_is_closed_by_acknowledging_it(desk: Desk) -> None:
    """The page of a closed notice stays, with its journal and nothing to press."""
    for at in (month.NOW - 1800, month.NOW - 60):
        gone = replace(month.scaling(), presence=Presence.ABSENT, clear_s=60.0)
        Notices(desk.record, desk.bench.plant).process(
            "A", at, [gone], state="steady", progress=at - 60
        )
    assert state(desk) is State.RTNUN
    page = after(desk, post(desk, "acknowledge"))
    assert "Closed Tue 31 Mar, 11:04 CEST." in page
    assert "Nothing to do" in page
    assert 'name="do"' not in desk.client.get("/notice/A-0001").text
    assert "None. Nothing to do." in desk.client.get("/train/A").text
    listed = text(desk.client.get("/notices?train=A"))
    assert "Open None. Closed Over Back to normal: scaling, stage 2 Train A" in listed
    assert "A-0001, closed Tue 31 Mar, 11:04 CEST" in listed
    assert 'href="/notice/A-0001"' in desk.client.get("/notices").text
    assert "A-0001" not in text(desk.client.get("/notices?train=B"))
    assert desk.client.get("/notices?train=Z").status_code == 404


@pytest.mark.parametrize(
    ("do", "fields"),
    [("acknowledge", {}), ("shelve", {"hours": "8", "why": "w"}), ("out_of_service", {"why": "w"})],
)
def test_a_form_sent_twice_does_its_work_once(desk: Desk, do: str, fields: dict) -> None:
    """A second press of the same button shows the same result, and nothing more is journalled."""
    page = desk.client.get("/notice/A-0001").text
    first = post(desk, do, page=page, **fields)
    written = desk.record.journal()
    second = post(desk, do, page=page, **fields)
    assert (first.status_code, second.status_code) == (303, 303)
    assert first.headers["location"] == second.headers["location"]
    assert desk.record.journal() == written


def test_what_somebody_else_did_meanwhile_is_shown_first(desk: Desk) -> None:
    """A form of an older state changes nothing: the page shows how it stands now."""
    page = desk.client.get("/notice/A-0001").text
    Notices(desk.record, desk.bench.plant).acknowledge("A-0001", "S. Okoye")
    written = desk.record.journal()
    for do in ("acknowledge", "shelve"):
        answer = post(desk, do, page=page, hours="8", why="w")
        assert answer.status_code == 409
        assert "It has changed while you looked." in text(answer)
        assert "Acknowledged by S. Okoye" in text(answer)
    assert desk.record.journal() == written


@pytest.mark.parametrize(
    ("do", "fields", "said"),
    [
        ("shelve", {"hours": "8", "why": " "}, "Say why; the journal keeps it."),
        ("shelve", {"hours": "9", "why": "w"}, "Say for how long."),
        ("shelve", {"hours": "", "why": "w"}, "Say for how long."),
        ("out_of_service", {}, "Say why; the journal keeps it."),
        ("acknowledge", {"why": "x" * 501}, "The text has 501 characters; at most 500"),
        ("burn", {}, "asks for something that a notice does not know"),
        ("acknowledge", {"step": "-1"}, "asks for something that a notice does not know"),
    ],
)
def test_what_is_missing_is_asked_for_and_nothing_is_lost(
    desk: Desk, do: str, fields: dict, said: str
) -> None:
    """422 with a sentence; what was typed stands in the form again."""
    answer = post(desk, do, **fields)
    assert answer.status_code == 422
    assert said in text(answer)
    assert state(desk) is State.UNACK
    if fields.get("why") == "w":
        assert 'name="why" value="w"' in answer.text
        assert "<details open>" in answer.text


def test_what_the_life_cycle_forbids_is_refused_in_its_words(desk: Desk) -> None:
    """A hand-made form gets the same answer as the command."""
    answer = post(desk, "unshelve")
    assert answer.status_code == 409
    assert "unshelve is not possible: the notice is not acknowledged yet, not shelved" in text(
        answer
    )


def test_nobody_writes_without_signing_in(desk: Desk) -> None:
    """Every form leads to the sign-in page, which says that it was not saved, and back to its page."""
    page = desk.client.get("/notice/A-0001").text
    desk.client.cookies.clear()
    answer = post(desk, "acknowledge", page=page)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/login?next=/notice/A-0001&unsaved=1"
    assert "What you just sent was not saved" in text(desk.client.get(answer.headers["location"]))
    data = {"train": "A", "event": "note", "detail": "x"}
    for path, back in (
        ("/log", "/log"),
        ("/train/A/survey/1/reading", "/train/A/survey/1"),
        ("/logout", "/"),
    ):
        answer = desk.client.post(path, data=data)
        assert answer.headers["location"] == f"/login?next={back}&unsaved=1", path
    assert state(desk) is State.UNACK
    assert desk.record.events() == []


def test_what_people_type_is_text_and_never_markup(desk: Desk) -> None:
    """Names, reasons and details are escaped wherever they are shown."""
    nasty = '<script>alert("x")</script>'
    People(desk.record, QUICK).set_password(nasty, PASSWORD)
    desk.client.cookies.clear()
    desk.sign_in(nasty)
    post(desk, "shelve", hours="8", why=nasty)
    enter(desk, event="note", detail=nasty)
    for path in ("/", "/train/A", "/notice/A-0001?done=1", "/log", "/login"):
        assert "<script>alert" not in desk.client.get(path).text, path
    assert desk.client.get("/notice/A-0001").text.count("&lt;script&gt;alert") >= 3


def test_features_say_where_their_pages_are_reached() -> None:
    """Links come in the order of the features; one that offers nothing adds nothing."""
    links = Links()
    assert links.of_train(None) == ()  # type: ignore[arg-type]
    links.for_trains(lambda train: [Link("One", "/1")])
    links.for_trains(lambda train: [])
    links.for_trains(lambda train: [Link("Two", "/2")])
    assert [link.title for link in links.of_train(None)] == ["One", "Two"]  # type: ignore[arg-type]


# work done


def enter(desk: Desk, *, page: str | None = None, **fields: str):
    page = page or desk.client.get("/log").text
    data = {
        "csrf": hidden(page, "csrf"),
        "once": re.findall(r'name="once" value="([^"]+)', page)[-1],
    }
    return desk.client.post("/log", data=data | {"train": "A"} | fields)


def test_every_event_has_its_words() -> None:
    """The page offers what the record knows, in the same order."""
    assert tuple(words.EVENTS) == EVENTS


def test_work_is_entered_by_name_and_shown(desk: Desk) -> None:
    """Now when no time is given; the page says what it has taken and what follows."""
    page = after(desk, enter(desk, event="cleaning_start", detail="stage 2,\r\n acid"))
    assert "Entered: Train A, cleaning started, Tue 31 Mar, 11:04 CEST." in page
    assert "Until its end is entered the train is not judged." in page
    (event,) = desk.record.events("A")
    assert (event.event, event.t, event.detail, event.by) == (
        "cleaning_start", month.NOW, "stage 2,\nacid", NAME,
    )  # fmt: skip


def test_work_of_earlier_is_entered_on_the_clock_of_the_site(desk: Desk) -> None:
    """11:40 on a day before the change to summer time is 10:40 UTC."""
    after(desk, enter(desk, train="B", event="calibrated", at="2026-03-27T11:40"))
    (event,) = desk.record.events("B")
    assert event.t == datetime(2026, 3, 27, 10, 40, tzinfo=UTC).timestamp()


def test_work_sent_twice_is_in_the_log_once(desk: Desk) -> None:
    """A second press does nothing and says so; the same work again from a new form is another one."""
    page = desk.client.get("/log").text
    after(desk, enter(desk, page=page, event="note", detail="pump is loud"))
    again = after(desk, enter(desk, page=page, event="note", detail="pump is loud"))
    assert "it is in the log once" in again
    assert len(desk.record.events()) == 1
    after(desk, enter(desk, event="note", detail="pump is loud"))
    assert len(desk.record.events()) == 2


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"train": "Z", "event": "note", "detail": "x"}, "Say which train."),
        ({"detail": "x"}, "Say what was done."),
        ({"event": "note"}, "A note needs a text."),
        ({"event": "note", "detail": "x" * 1001}, "longer than 1000 characters"),
        ({"event": "calibrated", "at": "tomorrow"}, "The time is not one"),
        ({"event": "calibrated", "at": "2026-03-31T13:00"}, "13:00 CEST is in the future: it is Tue 31 Mar"),
        ({"event": "calibrated", "at": "2026-03-29T02:30"}, "02:30 did not exist that day"),
        ({"event": "calibrated", "at": "2025-10-26T02:30"}, "02:30 came twice that day"),
    ],
)  # fmt: skip
def test_wrong_work_is_asked_again_and_nothing_is_lost(desk: Desk, fields: dict, said: str) -> None:
    """422 with what is wrong; what was typed stands in the form again, and the log is as before."""
    answer = enter(desk, **fields)
    assert answer.status_code == 422
    assert said in text(answer)
    assert desk.record.events() == []
    if fields.get("at"):
        assert f'value="{fields["at"]}"' in answer.text
    if fields.get("detail") == "x":
        assert ">x</textarea>" in answer.text


def test_a_time_with_its_zone_is_taken_as_it_is() -> None:
    """Whoever knows the offset may give it; the hour that comes twice is then no question."""
    time = SiteTime("Europe/Madrid", month.NOW)
    at = datetime(2025, 10, 26, 0, 30, tzinfo=UTC).timestamp()
    assert time.entered("2025-10-26T02:30+02:00") == at
    assert time.entered("2025-10-26T02:30+01:00") == at + 3600.0


def test_messages_link_to_the_page_of_the_notice(tmp_path: Path) -> None:
    """With [page] address each message ends with where to look; without it there is no link."""
    desk = Desk(tmp_path)
    desk.bench.tell(month.scaling())
    path = tmp_path / "plant.toml"
    path.write_text(path.read_text() + '[page]\naddress = "https://ro.example.org/"\n')
    plant = plantfile.load(path)
    finding = Finding("value:B/feed_flow", Presence.PRESENT, message="No value.")
    month.raise_notice(desk.record, plant, "B", finding, month.NOW)
    bodies = [message.body for message in desk.record.outgoing()]
    desk.close()
    assert len(bodies) == 2
    assert "http" not in bodies[0]
    assert bodies[1].splitlines()[-1] == "https://ro.example.org/notice/B-0001"
