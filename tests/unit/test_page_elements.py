"""The pages of the load map: what sits where, what was said of each place, and an element replaced on the phone."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from daemon import positions, survey_record
from daemon.loadmap import Change, LoadMap
from daemon.loadmap import positions as all_positions
from rules.assessment import Assessment, Effect
from rules.service import Service
from tests.unit.test_page_access import NAME, Desk, hidden
from tests.web import month

DAY = month.DAY
NOW = month.NOW


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """Train A full of elements, two on the shelf; vessels 1-03 and 1-05 stood out, 1-03 was probed."""
    desk = Desk(tmp_path)
    train = desk.bench.plant.train("A")
    known = LoadMap(desk.record, desk.bench.plant)
    changes = [
        Change(f"E{i:03d}", place, type="X-400", installed=NOW - 800 * DAY)
        for i, place in enumerate(all_positions(train), 1)
    ]
    changes += [Change("N001", "shelf", type="X-500"), Change("<b>N2</b>", "shelf")]
    known.apply(train, changes, at=NOW - 800 * DAY, by="Ana")
    number = survey_record.begin(
        desk.record, "survey", "A", "1", at=NOW - 9 * DAY, by="Kim", meter={}
    )
    vessels = [
        {"vessel": f"1-{v:02d}", "conductivity": 41.0 if v in (3, 5) else 22.0, "expected": 22.5,
         "score": 6.0, "suspect": v in (3, 5)}
        for v in range(1, 9)
    ]  # fmt: skip
    answer = {"stage": 1, "vessels": vessels, "suspects": ["1-03", "1-05"], "next": ""}
    survey_record.finish(desk.record, number, answer, {}, at=NOW - 9 * DAY)
    number = survey_record.begin(
        desk.record, "probe", "A", "1-03", at=NOW - 8 * DAY, by="Kim", meter={}
    )
    answer = {"vessel": "1-03", "verdict": "o_ring_leak", "where": "1-03/4-5", "confidence": 0.93}
    survey_record.finish(desk.record, number, answer, {}, at=NOW - 8 * DAY)
    desk.sign_in()
    yield desk
    desk.close()


def text(answer) -> str:
    """The page's words without tags."""
    return " ".join(re.sub(r"<[^>]*>", " ", answer.text).split())


def held(desk: Desk) -> dict[str, str]:
    """Place -> what is held against it."""
    train = desk.bench.plant.train("A")
    return {p: s.text for p, s in positions.accused(desk.record, train).items()}


def test_the_picture_shows_every_vessel_and_what_is_held_against_it(desk: Desk) -> None:
    """Serials by position, the joint that the probe named, the vessel that still stands out."""
    page = desk.client.get("/train/A/elements")
    assert page.status_code == 200
    assert page.text.count('class="vessel-name"') == 12
    assert "All 72 elements are known." in text(page)
    assert "Probe of vessel 1-03: O-ring leak, 1-03/4-5, 93 % sure." in text(page)
    assert (
        "Survey of stage 1: vessel 1-05 stands out, permeate 41.0 µS/cm, expected 22.5 µS/cm."
        in text(page)
    )
    assert page.text.count('class="slot accused"') == 2
    assert "<b>N2</b>" not in page.text, "what people enter is escaped"
    assert 'href="/train/A/elements"' in desk.client.get("/train/A").text


def test_a_vessel_tells_what_was_said_of_each_position(desk: Desk) -> None:
    """Both sides of the joint are marked, with the way to the probe; the survey stands with the vessel."""
    page = desk.client.get("/train/A/elements/1-03")
    for part in ("1-03/4: E016", "X-400, installed", "2.2 years", "Survey of stage 1: vessel 1-03"):
        assert part in text(page), part
    assert page.text.count('href="/train/A/probe/1-03?n=2"') == 2
    assert page.text.count('class="element accused"') == 2
    assert "Survey of stage 1: vessel 1-04 as expected" in text(
        desk.client.get("/train/A/elements/1-04")
    )
    for wrong in ("1-99", "x", "2-05"):
        answer = desk.client.get(f"/train/A/elements/{wrong}")
        assert answer.status_code == 404
        assert f"There is no vessel {wrong!r} in train A." in answer.text.replace("&#39;", "'")


@pytest.mark.parametrize(
    ("event", "detail", "left"),
    [
        ("seals_replaced", "1-03/4-5, both O-rings", {"1-05"}),
        ("seals_replaced", "vessel 1-05", {"1-03/4-5"}),
        ("seals_replaced", "vessel 11-03", {"1-03/4-5", "1-05"}),
        ("note", "1-03 looked at", {"1-03/4-5", "1-05"}),
        ("membranes_replaced", "all", set()),
    ],
)
def test_what_was_mended_is_not_held_against_it(
    desk: Desk, event: str, detail: str, left: set[str]
) -> None:
    """A replacement after the probe clears the place that it names, and only that."""
    desk.record.add_event(NOW - DAY, "A", event, detail)
    assert set(held(desk)) == left


def test_a_later_probe_takes_the_place_of_the_survey(desk: Desk) -> None:
    """Probed and found sound, vessel 1-05 is no longer held suspect; a survey after that counts again."""
    number = survey_record.begin(
        desk.record, "probe", "A", "1-05", at=NOW - 2 * DAY, by="", meter={}
    )
    answer = {"vessel": "1-05", "verdict": "sound", "where": None, "confidence": 0.9}
    survey_record.finish(desk.record, number, answer, {}, at=NOW - 2 * DAY)
    assert set(held(desk)) == {"1-03/4-5"}
    number = survey_record.begin(desk.record, "survey", "A", "1", at=NOW - DAY, by="", meter={})
    again = {"stage": 1, "vessels": [], "suspects": ["1-05"], "next": ""}
    survey_record.finish(desk.record, number, again, {}, at=NOW - DAY)
    assert set(held(desk)) == {"1-03/4-5", "1-05"}


def post(desk: Desk, **fields: str):
    """Send the form of vessel 1-03."""
    page = desk.client.get("/train/A/elements/1-03").text
    data = {"csrf": hidden(page, "csrf"), "once": hidden(page, "once")} | fields
    return desk.client.post("/train/A/elements/1-03", data=data)


def test_an_element_is_replaced_on_the_phone(desk: Desk) -> None:
    """New in, old away, the event entered by name, and its return to service can be followed; sent twice, done once."""
    fields = {
        "number": "4",
        "serial": "N100",
        "type": "X-500",
        "old": "scrapped",
        "at": "2026-03-31T10:40",
    }
    page = desk.client.get("/train/A/elements/1-03").text
    data = {"csrf": hidden(page, "csrf"), "once": hidden(page, "once")} | fields
    for _ in range(2):
        answer = desk.client.post("/train/A/elements/1-03", data=data)
        assert answer.status_code == 303
    assert "The return to service is followed" in text(desk.client.get(answer.headers["location"]))
    known = LoadMap(desk.record, desk.bench.plant)
    put = known.loaded("A")["1-03/4"]
    assert (put.serial, put.type, put.history[-1].by) == ("N100", "X-500", NAME)
    assert put.installed == NOW - 24 * 60.0 - 5.0
    (old,) = [e for e in known.elements() if e.serial == "E016"]
    assert old.place == "scrapped"
    (event,) = desk.record.events("A")
    assert (event.event, event.detail, event.by) == (
        "element_replaced",
        "1-03/4: N100 in place of E016",
        NAME,
    )
    assert held(desk).keys() == {"1-05"}


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({}, "Say which position. Enter the serial number"),
        ({"number": "9", "serial": "N100"}, "Say which position."),
        ({"number": "4", "serial": "N" * 201}, "at most 200 characters"),
        ({"number": "4", "serial": "N1", "old": "attic"}, "Say where the old element went."),
        ({"number": "4", "serial": "N1", "at": "2026-05-01T10:00"}, "is in the future"),
        ({"number": "4", "serial": "N1", "at": "noon"}, "The time is not one"),
        (
            {"number": "4", "serial": "E017"},
            "Not done. serial E017 sits in A 1-03/5; correct the number",
        ),
    ],
)
def test_what_cannot_be_done_keeps_what_was_entered(
    desk: Desk, fields: dict[str, str], told: str
) -> None:
    """422 with everything that is wrong; the form comes back filled, and nothing has changed."""
    before = LoadMap(desk.record, desk.bench.plant).elements()
    answer = post(desk, **({"old": "scrapped"} | fields))
    assert answer.status_code == 422
    assert told in text(answer)
    if fields.get("serial"):
        assert f'value="{fields["serial"]}"' in answer.text
    assert LoadMap(desk.record, desk.bench.plant).elements() == before


def test_who_is_not_signed_in_reads_only(desk: Desk) -> None:
    """The picture is open, the form is not, and the file can be saved."""
    desk.client.cookies.clear()
    page = desk.client.get("/train/A/elements/1-03")
    assert "<form" not in page.text
    assert "Sign in to enter it" in page.text
    assert desk.client.post("/train/A/elements/1-03", data={"number": "4"}).status_code == 303
    file = desk.client.get("/train/A/elements.csv")
    assert file.headers["content-type"].startswith("text/csv")
    assert file.text.splitlines()[0] == "position,serial,type,installed,history"
    assert len(file.text.splitlines()) == 75


def test_work_done_tells_what_became_of_it(desk: Desk) -> None:
    """On the train's page and on the log: the return to service and the assessment, with true minus signs."""
    at = NOW - 5 * DAY
    desk.record.add_event(at, "A", "seals_replaced", "1-03/4-5", "Kim")
    effect = Effect("1/salt_passage", 0.4, 0.02, -0.01, 0.02, 1.02, 0.05, earlier=0.0)
    back = Service(
        "seals_replaced", at, {}, True, "the best of the weeks before", None, at + 3600.0
    )
    back = replace(
        back, production_s=3600.0, feed_m3=64.0, fit_at=at + 3600.0, evidence=("steady",)
    )
    with desk.record.transaction():
        desk.record.put_assessment(
            "A",
            Assessment(
                "seals_replaced", at, at, "returned", (effect,), "1/salt_passage", final=True
            ),
        )
        desk.record.put_service("A", back)
    for path in ("/train/A", "/log"):
        page = text(desk.client.get(path))
        for part in (
            "Fit for service at Thu 26 Mar, 11:04 CET",
            "64 m3 of feed used",
            "Back at the earlier level.",
            "+49.2 % before, −1.0 % after, 102 ± 5 % of the loss restored",
        ):
            assert part in page, (path, part)
    shown = desk.client.get("/api/train/A").json()["work"]
    assert shown[0]["became"][1] == "Back at the earlier level."
