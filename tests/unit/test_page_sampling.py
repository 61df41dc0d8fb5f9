"""The pages of surveys and probes: saved one by one, asked about, finished, opened again; shut to strangers."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from daemon import survey_record
from daemon.history_reader import HistoryReader
from daemon.page import create_app
from daemon.people import Cost, People
from daemon.plantfile import load
from daemon.record import Record
from simulator import handheld
from tests.fake_clock import FakeClock
from tests.sampling_kit import Sampled, sampled

NAME, PASSWORD = "R. Vidal", "three green pumps"
SURVEY, PROBE = "/train/A/survey/1", "/train/A/probe/1-03"


class Desk:
    """The page of a simulated plant with a leak at 1-03/4-5, and a technician who may write."""

    def __init__(self, folder: Path, port: str = "concentrate") -> None:
        self.sampled: Sampled = sampled(folder)
        file = self.sampled.plant_file
        text = file.read_text(encoding="utf-8")
        text = text.replace('permeate_port = "concentrate"', f'permeate_port = "{port}"')
        file.write_text(text, encoding="utf-8")
        plant = load(self.sampled.plant_file)
        self.record = Record.open(plant.store.folder, durable=False)
        People(self.record, Cost(n=2**4, r=8, p=1)).set_password(NAME, PASSWORD)
        app = create_app(
            plant,
            self.record,
            HistoryReader(plant.store.folder),
            clock=FakeClock(start=self.sampled.now_s),
        )
        self.client = TestClient(app, follow_redirects=True)
        self.csrf = ""

    def sign_in(self) -> None:
        self.client.get("/login")
        token = self.client.cookies["brinelark-form"]
        form = {"token": token, "name": NAME, "password": PASSWORD, "next": SURVEY}
        page = self.client.post("/login", data=form).text
        found = re.search(r'name="csrf" value="([^"]+)"', page)
        assert found is not None
        self.csrf = found[1]

    def post(self, path: str, **fields: str) -> tuple[int, str]:
        form = {"csrf": self.csrf} | fields
        answer = self.client.post(path, data=form, follow_redirects=False)
        return answer.status_code, answer.text

    def read(self, place: str, value: object, temperature: object = "") -> tuple[int, str]:
        address = SURVEY if "-" in place else PROBE
        return self.post(
            f"{address}/reading", place=place, value=str(value), temperature=str(temperature)
        )

    def page(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.text

    def survey(self) -> None:
        for r in handheld.survey(self.sampled.plant, 1, self.sampled.now_s, handheld.Meter()):
            status, _ = self.read(r.vessel, r.conductivity_us_cm, r.temperature_c)
            assert status == 303

    def probe(self, distances: list[str]) -> None:
        depths = [float(d) for d in distances]
        for r in handheld.probe(
            self.sampled.plant, "1-03", depths, self.sampled.now_s, handheld.Meter()
        ):
            self.read(f"{r.depth_mm:g}", r.conductivity_us_cm, r.temperature_c)

    def marks(self) -> list[str]:
        return re.findall(r'data-reading="([^"]+)"', self.page(PROBE))


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    desk = Desk(tmp_path)
    yield desk
    desk.client.close()
    desk.record.close()


def test_reading_is_open_and_writing_is_not(desk: Desk) -> None:
    """Everybody sees the pages and sheets; a reading without sign-in leads to the sign-in page and is not kept."""
    for path in (SURVEY, PROBE):
        text = desk.page(path)
        assert "Sign in to enter readings" in text
        assert "data-reading" not in text
        assert "local codes" in desk.page(f"{path}/sheet")
    answer = desk.client.post(
        f"{SURVEY}/reading", data={"place": "1-01", "value": "20"}, follow_redirects=False
    )
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/login")
    desk.sign_in()
    desk.csrf = "wrong"
    assert desk.read("1-01", 20)[0] == 403
    assert survey_record.samplings(desk.record) == []


def test_a_survey_from_first_reading_to_probe(desk: Desk) -> None:
    """Each reading is kept as it comes; the leak stands out, is finished, and leads to its probe."""
    desk.sign_in()
    assert f'href="{SURVEY}">Survey stage 1</a>' in desk.page("/train/A")
    assert "8 vessels to read" in desk.page(SURVEY)
    desk.read("1-01", "21,3", "12.5")
    (sheet,) = survey_record.samplings(desk.record, "survey")
    assert [(s.place, s.us_cm, s.temperature_c, s.by) for s in sheet.samples] == [
        ("1-01", 21.3, 12.5, NAME)
    ]
    assert "1 of 8 read" in desk.page(SURVEY)
    desk.survey()
    text = desk.page(SURVEY)
    assert "Probe vessel 1-03 first" in text
    assert re.search(r'class="s3"><span class="vessel-name">1-03<', text)
    assert desk.client.get(f"/api{SURVEY}").json()["suspects"] == ["1-03"]
    desk.post(f"{SURVEY}/finish")
    text = desk.page(SURVEY)
    assert "Finished" in text
    assert f'href="{PROBE}"' in text
    assert "stands out: 1-03" in text
    (sheet,) = survey_record.samplings(desk.record, "survey")
    assert sheet.answer is not None
    assert sheet.conditions["source"] == "history"
    desk.post(f"{SURVEY}/again", number=str(sheet.id))
    assert "So far: 8 of 8 read" in desk.page(SURVEY)
    desk.post(f"{SURVEY}/finish")
    desk.post(f"{SURVEY}/new")
    assert "So far: 0 of 8 read" in desk.page(SURVEY)
    assert "Finished" in desk.page(f"{SURVEY}?n={sheet.id}")


def test_what_cannot_be_is_asked_and_nothing_is_lost(desk: Desk) -> None:
    """Impossible values and words are refused where they were typed; a slip of unit is kept and asked about."""
    desk.sign_in()
    desk.survey()
    for typed, words in (("-3", "impossible"), ("abc", "no number"), ("0", "impossible")):
        status, text = desk.read("1-06", typed)
        assert status == 422
        assert words in text
        assert f'value="{typed}"' in text
    (sheet,) = survey_record.samplings(desk.record, "survey")
    assert len(sheet.samples) == 8
    desk.read("1-06", "0.0199", "12.5")
    assert "in mS/cm: 19.9" in desk.page(SURVEY)
    desk.read("1-06", "")
    assert "So far: 7 of 8 read" in desk.page(SURVEY)
    desk.read("1-01 again", "21.4", "12.5")
    assert "more than once" not in desk.page(SURVEY)
    desk.read("1-01 again", "30", "12.5")
    assert "has the train moved meanwhile" in desk.page(SURVEY)
    assert desk.read("2-01", 20)[0] == 422
    assert desk.read("1-06", "19.9", "warm")[0] == 422
    kept = desk.record.select("SELECT count(*) AS n FROM sample")[0]["n"]
    assert kept == 11  # the slip and the first of the two readings again too, set aside


def test_another_meter(desk: Desk) -> None:
    """In mS/cm and Fahrenheit the fields say so, and what is kept is the same."""
    desk.sign_in()
    fields = {"setting": "linear 2.0", "error": "3", "unit": "ms_cm", "warmth_unit": "f"}
    status, _ = desk.post(f"{SURVEY}/meter", **fields, temperature="54F")
    assert status == 303
    assert "mS/cm</span><input" in desk.page(SURVEY)
    desk.read("1-01", "0.0213", "54.5")
    (sheet,) = survey_record.samplings(desk.record, "survey")
    assert sheet.samples[0].us_cm == pytest.approx(21.3)
    assert sheet.samples[0].temperature_c == pytest.approx(12.5)
    assert 'value="0.0213"' in desk.page(SURVEY)
    status, text = desk.post(f"{SURVEY}/meter", **fields | {"error": "90"}, temperature="70")
    assert status == 422
    assert "70°F" in text
    assert "0.1 to 20" in text


def test_a_probe_names_the_joint(desk: Desk) -> None:
    """The picture and the answer follow the readings; both the mark and the joint are drawn."""
    desk.sign_in()
    marks = desk.marks()
    assert len(marks) == 19
    desk.probe(marks[:2])
    assert "2 of 19 read" in desk.page(PROBE)
    desk.probe(marks)
    text = desk.page(PROBE)
    assert "O-ring leak, 1-03/4-5" in text
    assert 'class="joint accused"' in text
    assert text.count('class="dot"') == 19
    (repair,) = re.findall(r'href="([^"]+job=element[^"]+)"', text)
    assert "1-03" in desk.page(repair.replace("&amp;", "&"))
    found = desk.client.get(f"/api{PROBE}").json()
    assert (found["verdict"], found["where"]) == ("o_ring_leak", "1-03/4-5")
    assert desk.read("7000", 20)[0] == 422
    desk.post(f"{PROBE}/finish")
    assert "o ring leak at 1-03/4-5" in desk.page(PROBE)
    (sheet,) = survey_record.samplings(desk.record, "probe")
    assert sheet.answer is not None
    assert sheet.answer["where"] == "1-03/4-5"


def test_one_more_sample_where_it_would_decide(desk: Desk) -> None:
    """With samples after the joints only, the page asks for one more and gives it a field."""
    desk.sign_in()
    meter = {"setting": "linear 2.0", "error": "2", "unit": "us_cm", "warmth_unit": "c"}
    desk.post(f"{PROBE}/meter", **meter, half_steps="no")
    desk.probe([f"{200 + 1016 * k - 50}" for k in range(6)])
    text = desk.page(PROBE)
    assert "Not decided yet" in text
    (wanted,) = re.findall(r'class="stop wanted"[^>]*data-reading="([^"]+)"', text)
    desk.probe([wanted])
    assert "O-ring leak, 1-03/4-5" in desk.page(PROBE)


@pytest.mark.parametrize(
    "path",
    [
        "/train/A/survey/3",
        "/train/B/survey/1",
        "/train/A/probe/1-09",
        "/train/A/probe/x",
        f"{SURVEY}?n=9",
    ],
)
def test_what_is_not_there(desk: Desk, path: str) -> None:
    """A stage, vessel or survey that there is not: said so."""
    assert desk.client.get(path).status_code == 404


def test_a_tube_open_at_both_ends(tmp_path: Path) -> None:
    """The page asks by which port the tube goes in; marks and picture are counted from there."""
    desk = Desk(tmp_path, port="both")
    try:
        desk.sign_in()
        assert "The tube goes in at" in desk.page(PROBE)
        deepest = desk.marks()[0]
        assert "in the feed adapter" in desk.page(PROBE).split(f'id="d{deepest}"')[1][:900]
        meter = {"setting": "linear 2.0", "error": "2", "unit": "us_cm", "warmth_unit": "c"}
        desk.post(f"{PROBE}/meter", **meter, end="feed")
        deepest = desk.marks()[0]
        assert "in the concentrate adapter" in desk.page(PROBE).split(f'id="d{deepest}"')[1][:900]
        sheet = desk.page(f"{PROBE}/sheet?end=feed")
        assert "counted from the face of the port at the feed end" in sheet
    finally:
        desk.client.close()
        desk.record.close()
