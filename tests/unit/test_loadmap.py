"""The load map: what sits where, moved and replaced as a whole or not at all, in and out as CSV."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.loadmap import Change, Element, LoadMap, LoadMapError, placed, positions
from daemon.loadmap_csv import parse, written
from daemon.plantfile import Plant
from daemon.plantfile.result import TrainConfig
from daemon.record import Record, SubmittedTwice
from daemon.rows import iso
from tests.commands_kit import CommandLine, exported
from tests.notices_kit import DAY, START, plant, quick_record

HEADER = "position,serial,type,installed,history\n"


@pytest.fixture
def known(tmp_path: Path) -> Iterator[LoadMap]:
    """An empty load map of the small plant."""
    with quick_record(tmp_path) as record:
        yield LoadMap(record, plant(tmp_path))


@pytest.fixture
def small(tmp_path: Path) -> Plant:
    """Trains A and B of four vessels with six elements."""
    return plant(tmp_path)


def full(train: TrainConfig) -> list[Change]:
    """An element in every position, E001 at the feed end of the first vessel."""
    return [
        Change(f"E{i:03d}", place, type="X-400", installed=START)
        for i, place in enumerate(positions(train), 1)
    ]


def sits(known: LoadMap, train: str = "A") -> dict[str, str]:
    """Position -> serial."""
    return {place: e.serial for place, e in known.loaded(train).items()}


def test_a_rotation_needs_no_free_position(known: LoadMap, small: Plant) -> None:
    """Lead and tail of a vessel change places at once; history keeps where each was, and who moved it."""
    train = small.train("A")
    assert len(known.apply(train, full(train), at=START, by="Ana").new) == 24
    done = known.apply(
        train, [Change("E001", "1-01/6"), Change("E006", "1-01/1")], at=START + DAY, by="Kim"
    )
    assert done.moved == ("E001", "E006")
    assert sits(known)["1-01/1"] == "E006"
    (lead,) = [e for e in known.elements() if e.serial == "E001"]
    assert [(s.at, s.place, s.by) for s in lead.history] == [
        (START, "1-01/1", "Ana"),
        (START + DAY, "1-01/6", "Kim"),
    ]
    assert known.apply(train, full(train)[2:4], at=START + 2 * DAY, by="") == replace(
        done, new=(), moved=()
    )


def test_storage_and_the_other_train(known: LoadMap, small: Plant) -> None:
    """An element goes to the shelf and from there into another train; the shelf knows it in between."""
    train, other = small.train("A"), small.train("B")
    known.apply(train, full(train), at=START, by="")
    known.apply(train, [Change("E003", "shelf")], at=START + DAY, by="")
    assert [e.serial for e in known.shelf()] == ["E003"]
    assert "1-01/3" not in sits(known)
    known.apply(other, [Change("E003", "1-04/6")], at=START + 2 * DAY, by="")
    assert sits(known, "B") == {"1-04/6": "E003"}
    assert not known.shelf()


def test_everything_wrong_is_said_and_nothing_is_done(known: LoadMap, small: Plant) -> None:
    """Occupied, double, unknown and backdated changes are told together; the map stays as it was."""
    train = small.train("A")
    known.apply(train, full(train), at=START, by="")
    before = sits(known)
    wrong = [
        Change("E001", "1-01/2", where="a"),
        Change("E001", "1-01/3", where="b"),
        Change("N1", "1-02/1", where="c"),
        Change("N2", "1-02/1", where="d"),
        Change("N3", "1-09/1", where="e"),
        Change("N4", "2-01/1", where="f"),
        Change("N5", "1-01/7", where="g"),
        Change("N6", "attic", where="h"),
        Change("E020", "shelf", where="i", at=START - 1.0),
    ]
    with pytest.raises(LoadMapError) as told:
        known.apply(train, wrong, at=START + DAY, by="", event="element_replaced")
    lines = str(told.value).splitlines()
    for expected in (
        "b: serial E001 stands here a second time; first in a",
        "a: position 1-01/2 holds serial E002; say where that goes (shelf, scrapped or another position)",
        "c: position 1-02/1 holds serial E007; say where that goes (shelf, scrapped or another position)",
        "d: position 1-02/1 is given to serial N2 and to N1 (c)",
        "e: position 1-09/1: stage 1 of train A has vessels 1-01 to 1-04",
        "f: position 2-01/1: train A has 1 stage",
        "g: position 1-01/7: a vessel of stage 1 has positions 1 to 6, from the feed end",
        "h: position 'attic' is not known; write 1-03/4, shelf or scrapped",
        f"i: serial E020 was put to A 1-04/2 on {iso(START)}; {iso(START - 1.0)} is before that",
    ):
        assert expected in lines
    assert len(lines) == 9
    assert sits(known) == before


def test_a_form_that_is_sent_twice_is_done_once(known: LoadMap, small: Plant) -> None:
    """The token of the form keeps a second sending from doing anything."""
    train = small.train("A")
    known.apply(train, full(train)[:1], at=START, by="", once="token")
    with pytest.raises(SubmittedTwice):
        known.apply(train, [Change("E001", "shelf")], at=START + DAY, by="", once="token")
    assert sits(known) == {"1-01/1": "E001"}


def test_a_file_is_refused_with_line_and_column(small: Plant) -> None:
    """Every bad cell of a file is named at once, by line, column and what would do."""
    text = HEADER + (
        "1-01/1,,X-400,2026-01-05,\n"
        "1-99/1,S2,X-400,2026-13-05,\n"
        "1-01/3,S3,X-400,2026-01-05T10:00:00,\n"
        '1-01/4,S4,X-400,2026-01-05,"2026-01-05 1-01/5"\n'
        '1-01/5,S5,X-400,,"sometime 1-01/5; 2026-02-01 C 1-01/5; 2026-03-01 1-01/9"\n'
        "1-01/6,S6,X-400,,,more\n"
    )
    with pytest.raises(LoadMapError) as told:
        parse(text, "map.csv", small, small.train("A"))
    lines = str(told.value).splitlines()
    assert [line.partition(": ")[0] for line in lines] == [
        f"map.csv:{n}" for n in (2, 3, 3, 4, 5, 6, 6, 6, 7)
    ]
    for part in (
        "2: column 2 (serial): is empty",
        "3: column 1 (position): position 1-99/1: stage 1 of train A has vessels 1-01 to 1-04",
        "3: column 4 (installed): '2026-13-05' is not a date; write 2026-01-05",
        "4: column 4 (installed): time '2026-01-05T10:00:00' has no zone",
        "5: column 5 (history): ends at 1-01/5, but the position is 1-01/4",
        "6: column 5 (history): time 'sometime' is not ISO 8601",
        "6: column 5 (history): '2026-02-01 C 1-01/5' is not a time with a place",
        "7: 6 fields for 5 columns",
    ):
        assert any(part in line for line in lines), (part, lines)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "map.csv: is empty; the header is position,serial,type,installed,history"),
        ("place,serial\n", "map.csv:1: the header has no column 'position'"),
        ("position,serial,serial\n", "map.csv:1: column 'serial' stands there twice"),
        ('position,serial\n"1-01/1,S1\n', "map.csv:2: not a CSV"),
    ],
)
def test_a_file_without_a_usable_header_is_refused(text: str, told: str, small: Plant) -> None:
    """What is missing or odd in the header is said before any row is read."""
    with pytest.raises(LoadMapError) as refused:
        parse(text, "map.csv", small, small.train("A"))
    assert told in str(refused.value)


def test_a_spreadsheet_with_semicolons_is_read(known: LoadMap, small: Plant) -> None:
    """Semicolons between the columns, a byte-order mark's worth of blanks, and capitals do not matter."""
    train = small.train("A")
    text = 'Position;Serial;History\n1-01/1 ; S1 ;"2026-01-05 1-01/2; 2026-02-05 1-01/1"\nShelf;S2;\n\n'
    known.apply(train, parse(text, "map.csv", small, train), at=START + 90 * DAY, by="")
    assert sits(known) == {"1-01/1": "S1"}
    assert [e.serial for e in known.shelf()] == ["S2"]
    assert len(known.loaded("A")["1-01/1"].history) == 2


@settings(
    max_examples=20,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_out_and_in_again_is_the_same(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """After any moves, a file that was exported makes the same map in an empty record."""

    def facts(elements: tuple[Element, ...]) -> list[object]:
        return [
            (e.serial, e.type, e.installed, [(s.at, s.train, s.place) for s in e.history])
            for e in elements
        ]

    folder = tmp_path_factory.mktemp("map")
    small = plant(folder)
    train = small.train("A")
    with quick_record(folder) as record:
        known = LoadMap(record, small)
        count = data.draw(st.integers(1, 6))
        known.apply(train, full(train)[:count], at=START, by="Ana")
        for step in range(1, data.draw(st.integers(0, 4)) + 1):
            serial = f"E{data.draw(st.integers(1, count)):03d}"
            place = data.draw(st.sampled_from(("shelf", "1-02/1", "1-02/2", "1-03/6")))
            if place not in sits(known):
                known.apply(train, [Change(serial, place)], at=START + step * DAY, by="Kim")
        before = known.elements()
    text = written(before, train)
    again = tmp_path_factory.mktemp("again")
    with quick_record(again) as record:
        other = LoadMap(record, plant(again))
        other.apply(train, parse(text, "map.csv", small, train), at=START + 99 * DAY, by="")
        assert facts(other.elements()) == facts(before)
        assert written(other.elements(), train) == text
        # A second import of the same file changes nothing.
        done = other.apply(train, parse(text, "map.csv", small, train), at=START + 100 * DAY, by="")
        assert (done.new, done.moved, done.corrected) == ((), (), ())


def test_a_position_is_written_one_way(small: Plant) -> None:
    """1-3/4 and 1-03/4 are the same position."""
    assert placed(small.train("A"), " 1-3/4 ") == ("1-03/4", "")


def test_a_record_of_an_earlier_version_has_no_elements(small: Plant, tmp_path: Path) -> None:
    """A file without the tables, opened for reading only, shows an empty map."""
    folder = tmp_path / "old"
    folder.mkdir()
    with quick_record(folder) as record, record.transaction() as connection:
        connection.execute("DROP TABLE element_move")
        connection.execute("DROP TABLE element")
    with Record.open(folder, read_only=True) as record:
        assert LoadMap(record, small).elements() == ()


# -- the command -----------------------------------------------------------------------------------


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """The command line in this process."""
    return CommandLine(monkeypatch, capsys)


@pytest.fixture
def plant_file(tmp_path: Path) -> Path:
    """An invented plant whose record has been begun."""
    made = exported(tmp_path, "healthy", days=0.02, step_minutes=10)
    (tmp_path / "store").mkdir()
    quick_record(tmp_path / "store").close()
    return made


AT = "--at=2026-01-05T10:00:00Z"


def test_the_command_from_a_list_to_a_replacement(
    line: CommandLine, plant_file: Path, tmp_path: Path
) -> None:
    """A list goes in, elements are swapped and replaced, the event is entered, and a list comes out."""
    file = tmp_path / "map.csv"
    file.write_text("position,serial\n1-01/1,S1\n1-01/2,S2\nshelf,S3\n", encoding="utf-8")
    arguments = ["elements", plant_file, "--train", "A"]
    assert "No element is known" in line(*arguments).out
    assert line(*arguments, "--import", file, AT).out == "train A: 3 elements new\n"
    moved = line(*arguments, "--move=1-01/1=1-01/2", "--move=S2=1-01/1", AT, "--by=Kim")
    assert moved.out == "train A: 2 elements moved\n"
    put = line(*arguments, "--replace=1-01/1=S3", AT)
    assert put.out == (
        "train A: 2 elements moved\n"
        "element_replaced at 2026-01-05T10:00:00Z is in the log: 1-01/1: S3 in place of S2\n"
    )
    found = json.loads(line(*arguments, "--json").out)
    assert [(e["position"], e["serial"]) for e in found] == [("1-01/1", "S3"), ("1-01/2", "S1")]
    assert [h["place"] for h in found[1]["history"]] == ["1-01/1", "1-01/2"]
    said = line(*arguments, "--vessel=1-01").out
    assert "by Kim" in said
    log = json.loads(line("log", plant_file, "--json").out)
    assert [(e["event"], e["detail"]) for e in log] == [
        ("element_replaced", "1-01/1: S3 in place of S2")
    ]
    twice = line(*arguments, "--replace=1-01/2=S3", AT)
    assert (twice.code, twice.err) == (
        2,
        "--replace 1-01/2=S3: serial S3 sits in A 1-01/1; correct the number, or move it to the shelf first\n",
    )
    out = tmp_path / "out.csv"
    assert line(*arguments, "--export", out).code == 0
    assert "scrapped,S2,," in out.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--vessel=1-99"], "position 1-99/1: stage 1 of train A has vessels 1-01 to 1-08"),
        (
            ["--vessel=x"],
            "--vessel x: position 'x/1' is not known; write 1-03/4, shelf or scrapped",
        ),
        (["--by=Kim"], "say what was done with --import, --move or --replace"),
        (["--move=1-01/1=shelf", "--replace=1-01/2=S9"], "are done one after the other"),
        (["--move=1-01/1", AT], "--move 1-01/1: write it with = between two names"),
        (["--move=1-01/1=shelf", AT], "--move 1-01/1=shelf: 1-01/1: no element is known there"),
        (["--move=S9=shelf", AT], "no position and no serial number known"),
        (["--replace=1-55/1=S9", AT], "--replace 1-55/1=S9: position 1-55/1: stage 1"),
        (["--move=1-01/1=shelf", "--at=2031-01-05T10:00:00Z"], "is in the future"),
        (["--import=/nowhere.csv", AT], "/nowhere.csv: cannot be read"),
        (["--export=/nowhere/out.csv"], "there is no folder /nowhere"),
    ],
)
def test_what_cannot_be_done_is_said_plainly(
    arguments: list[str], told: str, line: CommandLine, plant_file: Path
) -> None:
    """Wrong places, missing parts and unreadable files are told with what would do; exit code 2."""
    said = line("elements", plant_file, "--train", "A", *arguments)
    assert said.code == 2
    assert told in " ".join(said.err.split())
