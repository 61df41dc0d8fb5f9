"""The record: what is written together and read back, by whom, and which files are refused."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.notices import Notices
from daemon.record import Record
from daemon.rows import JournalLine
from daemon.sqlite import NewerDatabase, StoreError, WriteFailed
from tests.notices_kit import HOUR, START, finding, plant, quick_record


class World:
    """A record with its notices."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.record = quick_record(folder)
        self.notices = Notices(self.record, plant(folder))

    def raised(self) -> None:
        """A notice A-0001, raised at START + 0.5 h."""
        for hours in (0.0, 0.5):
            self.notices.process("A", START + hours * HOUR, [finding()], state="steady", progress=0)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.record.close()


def test_a_reader_reads_and_does_not_write(world: World) -> None:
    """The read-only record shows what is there, follows new commits, and refuses to write."""
    with Record.open(world.folder, read_only=True) as reader:
        assert reader.open_notices() == []
        before = reader.version()
        world.raised()
        assert reader.version() != before
        assert [n.id for n in reader.open_notices("A")] == ["A-0001"]
        with pytest.raises(WriteFailed, match="cannot be written"):
            reader.add_event(START, "A", "note", "no")


def test_a_missing_or_newer_file_is_refused(tmp_path: Path) -> None:
    """Reading needs a record that exists and is not newer than this program."""
    with pytest.raises(StoreError, match="no such file"):
        Record.open(tmp_path, read_only=True)
    with Record.open(tmp_path) as record, record.transaction() as connection:
        connection.execute("PRAGMA user_version = 99")
    for read_only in (True, False):
        with pytest.raises(NewerDatabase, match="format 99"):
            Record.open(tmp_path, read_only=read_only)


def test_the_record_waits_for_the_disk(tmp_path: Path) -> None:
    """record.db is opened with synchronous=FULL (2) in write-ahead mode."""
    with Record.open(tmp_path) as record, record.transaction() as connection:
        assert connection.execute("PRAGMA synchronous").fetchone()[0] == 2
        assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_maintenance_events(world: World) -> None:
    """Events are kept by time with who told them; an unknown kind is refused."""
    world.record.add_event(START + 60, "A", "cleaning_end", "acid, then alkaline", "Kim")
    world.record.add_event(START, "A", "cleaning_start", by="Kim")
    world.record.add_event(START, "B", "note", "pump changed")
    assert [(e.event, e.by) for e in world.record.events("A")] == [
        ("cleaning_start", "Kim"),
        ("cleaning_end", "Kim"),
    ]
    assert len(world.record.events()) == 3
    with pytest.raises(ValueError, match="event 'cleaned' is not known"):
        world.record.add_event(START, "A", "cleaned")


def test_the_journal_can_be_asked_in_parts(world: World) -> None:
    """Journal lines come in order, after a given one, of one notice, or of one train."""
    world.raised()
    world.notices.process("B", START, [finding(confirm_s=0.0)], state="steady", progress=0)
    world.notices.acknowledge("A-0001", "Kim")
    lines: list[JournalLine] = world.record.journal()
    assert [(line.notice, line.number) for line in lines] == [
        ("A-0001", 1),
        ("B-0001", 1),
        ("A-0001", 2),
    ]
    assert world.record.journal(after=lines[0].seq) == lines[1:]
    assert world.record.journal(notice="A-0001") == [lines[0], lines[2]]
    assert world.record.journal(train="B") == [lines[1]]
