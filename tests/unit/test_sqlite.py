"""Opening, migrating and refusing database files."""

import hashlib
import sqlite3
from pathlib import Path

import pytest

from daemon import sqlite
from daemon.sqlite import (
    CorruptedDatabase,
    ForeignDatabase,
    NewerDatabase,
    StoreError,
    StoreInUse,
    WriteFailed,
)


@pytest.fixture
def migrations(tmp_path: Path) -> Path:
    """Two migrations: a table, then a second column and a second table."""
    folder = tmp_path / "migrations"
    folder.mkdir()
    (folder / "0001.sql").write_text("-- first\nCREATE TABLE a (x INTEGER);\n")
    (folder / "0002.sql").write_text(
        "ALTER TABLE a ADD COLUMN y TEXT;\nCREATE TABLE b (\n    z REAL -- with; a semicolon\n);\n"
    )
    return folder


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_new_file_gets_every_migration_and_the_pragmas(tmp_path: Path, migrations: Path) -> None:
    """A new file ends at the newest version, in WAL mode, with the wanted pragmas."""
    connection = sqlite.open_database(tmp_path / "x.db", migrations, synchronous="FULL")
    pragma = {
        name: connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("user_version", "journal_mode", "synchronous", "busy_timeout", "foreign_keys")
    }
    limit = connection.execute("PRAGMA journal_size_limit").fetchone()[0]
    connection.execute("INSERT INTO a (x, y) VALUES (1, 'one')")
    connection.close()
    # 2 is FULL in the documentation of PRAGMA synchronous.
    assert pragma == {
        "user_version": 2,
        "journal_mode": "wal",
        "synchronous": 2,
        "busy_timeout": 5000,
        "foreign_keys": 1,
    }
    assert limit == sqlite.WAL_LIMIT_BYTES


def test_an_old_file_is_brought_up_to_date_with_its_rows(tmp_path: Path, migrations: Path) -> None:
    """Opening a file of version 1 applies only the second migration and keeps the rows."""
    second = migrations / "0002.sql"
    kept = second.read_text()
    second.unlink()
    connection = sqlite.open_database(tmp_path / "x.db", migrations, synchronous="NORMAL")
    connection.execute("INSERT INTO a (x) VALUES (7)")
    connection.close()
    second.write_text(kept)
    connection = sqlite.open_database(tmp_path / "x.db", migrations, synchronous="NORMAL")
    rows = connection.execute("SELECT x, y FROM a").fetchall()
    version = sqlite.user_version(connection)
    connection.close()
    assert rows == [(7, None)]
    assert version == 2


def test_a_failing_migration_changes_nothing(tmp_path: Path, migrations: Path) -> None:
    """When the last statement of the last migration fails, not even the first is applied."""
    (migrations / "0003.sql").write_text("CREATE TABLE c (x);\nINSERT INTO nowhere VALUES (1);\n")
    with pytest.raises(StoreError, match=r"migration 0003\.sql failed .*nowhere.* was undone"):
        sqlite.open_database(tmp_path / "x.db", migrations, synchronous="NORMAL")
    connection = sqlite3.connect(tmp_path / "x.db")
    tables = connection.execute("SELECT name FROM sqlite_schema").fetchall()
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    connection.close()
    assert tables == []
    assert version == 0


def test_a_migration_may_not_end_the_transaction(tmp_path: Path, migrations: Path) -> None:
    """A COMMIT inside a migration is a mistake of ours and raises."""
    (migrations / "0003.sql").write_text("COMMIT;\nCREATE TABLE c (x);\n")
    with pytest.raises(ValueError, match="must not end the transaction"):
        sqlite.open_database(tmp_path / "x.db", migrations, synchronous="NORMAL")


def test_a_gap_in_the_migrations_is_a_mistake_of_ours(tmp_path: Path, migrations: Path) -> None:
    """Migrations 1 and 3 without 2 raise before the file is made."""
    (migrations / "0002.sql").rename(migrations / "0003.sql")
    with pytest.raises(ValueError, match="without a gap"):
        sqlite.open_database(tmp_path / "x.db", migrations, synchronous="NORMAL")
    assert not (tmp_path / "x.db").exists()


def test_a_newer_file_is_refused_untouched(tmp_path: Path, migrations: Path) -> None:
    """A file of version 3 is refused by a program that knows 2, and not one byte changes."""
    path = tmp_path / "x.db"
    sqlite.open_database(path, migrations, synchronous="NORMAL").close()
    newer = sqlite3.connect(path)
    newer.execute("PRAGMA user_version = 3")
    newer.close()
    before = digest(path)
    with pytest.raises(NewerDatabase, match=r"format 3, this one knows 2.*Install the newer"):
        sqlite.open_database(path, migrations, synchronous="NORMAL")
    assert digest(path) == before
    assert [p.name for p in tmp_path.glob("x.db*")] == ["x.db"]


def test_a_newer_version_is_seen_in_the_write_ahead_log(tmp_path: Path, migrations: Path) -> None:
    """After a kill the newer version stands only in the log; file and log stay untouched."""
    path, copy = tmp_path / "x.db", tmp_path / "killed.db"
    sqlite.open_database(path, migrations, synchronous="NORMAL").close()
    newer = sqlite3.connect(path)
    newer.execute("PRAGMA user_version = 3")
    # The files as a kill would leave them: copied while the log is not yet emptied.
    copy.write_bytes(path.read_bytes())
    log = copy.with_name("killed.db-wal")
    log.write_bytes((tmp_path / "x.db-wal").read_bytes())
    newer.close()
    before = digest(copy), digest(log)
    with pytest.raises(NewerDatabase):
        sqlite.open_database(copy, migrations, synchronous="NORMAL")
    assert (digest(copy), digest(log)) == before


@pytest.mark.parametrize(
    "content", [b"time,A\n2026-01-01,3\n" * 40, b"x", b"SQLite", b"\x00" * 4096]
)
def test_a_file_that_is_no_database_is_named_and_kept(
    tmp_path: Path, migrations: Path, content: bytes
) -> None:
    """Text, stumps and zeros are refused with path and remedy, and nothing is deleted."""
    path = tmp_path / "x.db"
    path.write_bytes(content)
    with pytest.raises(CorruptedDatabase, match=r"x\.db: .*restore a backup"):
        sqlite.open_database(path, migrations, synchronous="NORMAL")
    assert path.read_bytes() == content


def test_looking_at_the_version_keeps_the_locks_of_this_process(
    tmp_path: Path, migrations: Path
) -> None:
    """A second look at a file that is open here leaves the first connection's locks in place."""
    path = tmp_path / "x.db"
    connection = sqlite.open_database(path, migrations, synchronous="NORMAL")
    connection.execute("SELECT count(*) FROM a").fetchone()
    inode = f":{path.stat().st_ino} "

    def locks() -> int:
        return sum(inode in line for line in Path("/proc/locks").read_text().splitlines())

    held = locks()
    sqlite.refuse_newer(path, 2)
    assert held > 0
    assert locks() == held
    connection.close()


def test_a_truncated_database_is_named_and_kept(tmp_path: Path, migrations: Path) -> None:
    """A file cut off behind its first page, as by a full disk, is refused and kept."""
    path = tmp_path / "x.db"
    connection = sqlite.open_database(path, migrations, synchronous="NORMAL")
    connection.executemany("INSERT INTO a (x) VALUES (?)", [(i,) for i in range(5000)])
    connection.close()
    whole = path.read_bytes()
    path.write_bytes(whole[:5000])
    with pytest.raises(CorruptedDatabase, match=r"x\.db: .*nothing was deleted"):
        sqlite.open_database(path, migrations, synchronous="NORMAL")
    assert path.read_bytes() == whole[:5000]


def test_a_database_of_something_else_is_refused(tmp_path: Path, migrations: Path) -> None:
    """A healthy database with tables but no version of ours is not written to."""
    path = tmp_path / "x.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE theirs (x)")
    other.commit()
    other.close()
    before = digest(path)
    with pytest.raises(ForeignDatabase, match="give another folder"):
        sqlite.open_database(path, migrations, synchronous="NORMAL")
    assert digest(path) == before


def test_a_missing_folder_is_named(tmp_path: Path, migrations: Path) -> None:
    """A folder that does not exist gives path and remedy."""
    with pytest.raises(StoreError, match=r"nowhere/x\.db: cannot be opened; see that the folder"):
        sqlite.open_database(tmp_path / "nowhere" / "x.db", migrations, synchronous="NORMAL")


def test_a_reader_cannot_write_and_sees_what_is_committed(tmp_path: Path, migrations: Path) -> None:
    """A reader beside the writer sees committed rows, and its writes are refused in plain words."""
    path = tmp_path / "x.db"
    writer = sqlite.open_database(path, migrations, synchronous="NORMAL")
    with sqlite.transaction(writer):
        writer.execute("INSERT INTO a (x) VALUES (1)")
    reader = sqlite.open_reader(path)
    rows = reader.execute("SELECT x FROM a").fetchall()
    with pytest.raises(WriteFailed, match="write permission"), sqlite.plain_errors(path):
        reader.execute("DELETE FROM a")
    reader.close()
    writer.close()
    assert rows == [(1,)]


def test_a_reader_makes_no_file(tmp_path: Path) -> None:
    """Reading a store that does not exist is an error, not an empty store."""
    with pytest.raises(StoreError, match="no such file"):
        sqlite.open_reader(tmp_path / "x.db")
    assert list(tmp_path.iterdir()) == []


def test_a_transaction_is_undone_when_its_block_raises(tmp_path: Path, migrations: Path) -> None:
    """Nothing of a block that raises stays, and the connection is usable afterwards."""
    connection = sqlite.open_database(tmp_path / "x.db", migrations, synchronous="NORMAL")

    def break_in_the_middle() -> None:
        with sqlite.transaction(connection):
            connection.execute("INSERT INTO a (x) VALUES (1)")
            raise RuntimeError("in the middle")

    with pytest.raises(RuntimeError):
        break_in_the_middle()
    with sqlite.transaction(connection):
        connection.execute("INSERT INTO a (x) VALUES (2)")
    rows = connection.execute("SELECT x FROM a").fetchall()
    connection.close()
    assert rows == [(2,)]


def test_a_full_disk_is_said_in_plain_words(tmp_path: Path, migrations: Path) -> None:
    """SQLITE_FULL, brought about by a page limit, tells to free space and undoes the write."""
    path = tmp_path / "x.db"
    connection = sqlite.open_database(path, migrations, synchronous="NORMAL")
    connection.execute("PRAGMA max_page_count = 4")
    with (
        pytest.raises(WriteFailed, match="disk is full; free some space"),
        sqlite.plain_errors(path),
        sqlite.transaction(connection),
    ):
        connection.executemany("INSERT INTO a (y) VALUES (?)", [("y" * 900,)] * 50)
    rows = connection.execute("SELECT count(*) FROM a").fetchone()[0]
    connection.close()
    assert rows == 0


def test_a_locked_file_is_said_in_plain_words(tmp_path: Path, migrations: Path) -> None:
    """A write against another writer's transaction tells that another process holds the file."""
    path = tmp_path / "x.db"
    first = sqlite.open_database(path, migrations, synchronous="NORMAL")
    second = sqlite.open_database(path, migrations, synchronous="NORMAL")
    second.execute("PRAGMA busy_timeout = 0")
    with (
        sqlite.transaction(first),
        pytest.raises(StoreInUse, match="held by another process"),
        sqlite.plain_errors(path),
        sqlite.transaction(second),
    ):
        pass
    first.close()
    second.close()
