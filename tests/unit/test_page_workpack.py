"""Work packs on the page: reached from notices and trains, asked for by a form, never with inline style."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.loadmap import Change, LoadMap
from tests.web import month
from tests.web.bench import Bench


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A plant with fresh readings of train A, and a notice of scaling."""
    bench = Bench(tmp_path_factory.mktemp("page"))
    bench.feed("A")
    bench.tell(month.scaling())
    yield bench
    bench.close()


def test_a_notice_leads_to_its_pack(bench: Bench) -> None:
    """The link of notice A-0001 opens the cleaning of stage 2, with the present readings."""
    page = bench.client.get("/notice/A-0001").text
    assert 'href="/train/A/workpack?notice=A-0001"' in page
    pack = bench.client.get("/train/A/workpack?notice=A-0001")
    assert pack.status_code == 200
    assert "<h1>Clean in place</h1>" in pack.text
    assert "Train A, stage 2" in pack.text
    assert "11.82 bar" in pack.text
    assert "Now, 11:04" in pack.text


def test_a_notice_without_such_a_job_offers_none(bench: Bench) -> None:
    """A lost link needs no vessel opened."""
    number = bench.tell(month.lost_link(), "B")
    assert "/workpack" not in bench.client.get(f"/notice/{number}").text


def test_a_pack_keeps_to_the_policy_of_the_page(bench: Bench) -> None:
    """Style comes from the page's own files: nothing inline, no script."""
    pack = bench.client.get("/train/A/workpack?job=membranes")
    assert "<style" not in pack.text
    assert " style=" not in pack.text
    assert "<script" not in pack.text
    assert "default-src 'self'" in pack.headers["Content-Security-Policy"]
    (address,) = [part.partition('"')[0] for part in pack.text.split('stylesheet" href="')[1:]]
    assert bench.client.get(address).status_code == 200


def test_a_train_leads_to_a_form(bench: Bench) -> None:
    """Every job, stage and solution can be chosen."""
    assert 'href="/train/A/workpack"' in bench.client.get("/train/A").text
    form = bench.client.get("/train/A/workpack")
    assert form.status_code == 200
    for value in ("clean", "probe", "element", "membranes", "citric_acid", "detergent"):
        assert f'value="{value}"' in form.text


def test_what_is_left_empty_in_the_form_is_not_asked_for(bench: Bench) -> None:
    """A form sends all of its fields."""
    asked = "job=probe&stage=&vessel=1-02&position=&solution="
    pack = bench.client.get(f"/train/A/workpack?{asked}")
    assert pack.status_code == 200
    assert "vessel 1-02" in pack.text


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("job=element&vessel=1-99", "There is no vessel 1-99; stage 1 has"),
        ("job=clean&stage=1", "Say which solution: citric_acid"),
        ("job=clean&stage=one", "Stage one is not a number."),
        ("job=clean&stage=²", "Stage ² is not a number."),
    ],
)
def test_what_cannot_be_made_brings_the_form_back(bench: Bench, asked: str, said: str) -> None:
    """With what is wrong, and with what was entered; under /api the same sentence."""
    form = bench.client.get(f"/train/A/workpack?{asked}")
    assert form.status_code == 422
    assert said in form.text
    value = asked.partition("&")[2].partition("=")[2]
    assert f'value="{value}"' in form.text or value in ("1", "one", "²")
    answer = bench.client.get(f"/api/train/A/workpack?{asked}")
    assert answer.status_code == 422
    assert answer.json()["error"].startswith(said)


def test_trains_and_notices_that_are_not_there(bench: Bench) -> None:
    """404, in words."""
    assert bench.client.get("/train/Z/workpack").status_code == 404
    gone = bench.client.get("/train/A/workpack?notice=A-9999")
    assert gone.status_code == 404
    assert "There is no notice" in gone.text


def test_a_notice_of_another_train_is_no_reason_here(bench: Bench) -> None:
    """The form says where to look."""
    wrong = bench.client.get("/train/B/workpack?notice=A-0001")
    assert wrong.status_code == 422
    assert "is about train A, not B" in wrong.text


def test_json_is_the_same_pack(bench: Bench) -> None:
    """Sections by name."""
    found = bench.get("/api/train/A/workpack?job=probe&vessel=1-01")
    assert found["job"] == "probe"
    assert [s["key"] for s in found["sections"]][-1] == "sign_off"


def test_a_pack_tells_what_is_loaded_on_the_shelf_and_done_before(tmp_path: Path) -> None:
    """Serial numbers of the load map, spare elements, and the newest work on this train with its outcome."""
    bench = Bench(tmp_path)
    try:
        train = bench.plant.train("A")
        changes = [Change("SN-77", "1-02/3"), Change("SN-90", "shelf")]
        LoadMap(bench.record, bench.plant).apply(train, changes, at=month.NOW - 60, by="Kim")
        for day, detail in ((40, "first"), (30, "second"), (20, "third"), (10, "stage 2, acid")):
            at = month.NOW - day * month.DAY
            bench.record.add_event(at, "A", "cleaning_end", detail, "Kim")
        bench.record.add_event(month.NOW - month.DAY, "A", "note", "looked at it", "Kim")
        pack = bench.client.get("/train/A/workpack?job=element&vessel=1-02&position=3").text
        assert "SN-77" in pack
        assert "On the shelf, by the load map: 1 (SN-90)." in pack
        assert "2026-03-21 cleaning ended (stage 2, acid)." in pack
        assert pack.index("stage 2, acid") < pack.index("third") < pack.index("second")
        assert "(first)" not in pack
        assert "looked at it" not in pack
    finally:
        bench.close()
