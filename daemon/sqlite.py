"""SQLite files of the daemon: opening, numbered migrations, readers, and errors in plain words.

Shared by the history and the maintenance record. The tree of errors:

    StoreError
      NewerDatabase      written by a newer version; refused and left untouched
      CorruptedDatabase  not a database, or a damaged one; nothing is deleted
      ForeignDatabase    a healthy database, but not one of ours
      StoreInUse         another process holds it
      WriteFailed        the disk is full, read-only or failing
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

BUSY_TIMEOUT_MS = 5000
WAL_LIMIT_BYTES = 32 * 1024 * 1024
_SMALLEST_BYTES = 512  # one page of the smallest size, from the SQLite file format document


class StoreError(Exception):
    """A database file cannot be used; the text names the file and what would help."""


class NewerDatabase(StoreError):
    """The file was written by a newer version of brinelark."""


class CorruptedDatabase(StoreError):
    """The file is damaged or no database at all."""


class ForeignDatabase(StoreError):
    """The file is a database of something else."""


class StoreInUse(StoreError):
    """Another process is writing to the file."""


class WriteFailed(StoreError):
    """The file could not be written: disk full, read-only, or failing."""


def plain_error(error: sqlite3.Error, path: Path) -> StoreError:
    """The error of the library in plain words, with the path and what would help."""
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return CorruptedDatabase(
            f"{path}: the file is damaged ({error}); nothing was deleted. Move the file and its"
            f" -wal and -shm companions aside, then restore a backup or start without it"
        )
    if name.startswith("SQLITE_FULL"):
        return WriteFailed(f"{path}: the disk is full; free some space on it")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreInUse(
            f"{path}: held by another process for more than {BUSY_TIMEOUT_MS / 1000:g} s;"
            f" see which other brinelark or database tool has it open"
        )
    if name.startswith("SQLITE_READONLY"):
        return WriteFailed(
            f"{path}: cannot be written ({error}); give the user of the service write permission"
            f" on the file and on its folder"
        )
    if name.startswith("SQLITE_IOERR"):
        return WriteFailed(f"{path}: the disk failed ({error}); check the disk and its cable")
    if name.startswith("SQLITE_CANTOPEN"):
        return StoreError(
            f"{path}: cannot be opened; see that the folder exists and that the user of the"
            f" service may read and write it"
        )
    return StoreError(f"{path}: {error}")


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Turn every error of the library inside the block into a `StoreError` about `path`."""
    try:
        yield
    except sqlite3.Error as error:
        raise plain_error(error, path) from error


def open_database(
    path: Path,
    migrations: Path,
    *,
    synchronous: Literal["NORMAL", "FULL"],
    check_same_thread: bool = True,
) -> sqlite3.Connection:
    """Open `path` for writing, made or brought up to date by the numbered SQL in `migrations`.

    migrations : folder with ``0001.sql``, ``0002.sql`` and so on, without a gap. All that the
        file lacks are applied in one transaction, so that a failure leaves the file as it was.
    synchronous : ``FULL`` for what must survive a power cut, ``NORMAL`` where the last second
        may be lost; neither loses anything when only the process is killed.
    returns : a connection in autocommit; write inside ``with transaction(connection):``.
    """
    scripts = _scripts(migrations)
    refuse_newer(path, len(scripts))
    with plain_errors(path):
        connection = sqlite3.connect(
            path, isolation_level=None, check_same_thread=check_same_thread
        )
        try:
            connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
            # Reading the schema first: a damaged or foreign file is refused before
            # the switch to WAL would write to it.
            version = user_version(connection)
            tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
            if version == 0 and tables:
                raise ForeignDatabase(
                    f"{path}: a database, but not one of brinelark; give another folder"
                )
            mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
            if mode != "wal":
                raise StoreError(
                    f"{path}: write-ahead logging is not possible here (got {mode!r});"
                    f" put the store on a local disk"
                )
            connection.execute(f"PRAGMA synchronous = {synchronous}")
            connection.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")
            connection.execute("PRAGMA foreign_keys = ON")
            _migrate(connection, path, scripts)
        except BaseException:
            connection.close()
            raise
    return connection


def open_reader(path: Path, *, check_same_thread: bool = True) -> sqlite3.Connection:
    """Open an existing `path` read-only, from any thread or process. Keep it short: it holds back
    the emptying of the write-ahead log while a query is unfinished."""
    if not path.is_file():
        raise StoreError(f"{path}: no such file; has the service been started with this store?")
    with plain_errors(path):
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=ro",
            uri=True,
            isolation_level=None,
            check_same_thread=check_same_thread,
        )
        try:
            connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
            user_version(connection)
        except BaseException:
            connection.close()
            raise
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """A write transaction: committed at the end of the block, rolled back when it raises."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection
        connection.execute("COMMIT")
    except BaseException:
        # A full disk may have ended the transaction already.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def user_version(connection: sqlite3.Connection) -> int:
    """Number of the newest migration that the file has seen; 0 for a new file."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def refuse_newer(path: Path, newest: int) -> None:
    """Raise `NewerDatabase` when the file has seen more than `newest` migrations; never writes.

    Also raises `CorruptedDatabase` for a file that is no SQLite database.
    """
    try:
        size = path.stat().st_size
    except FileNotFoundError:
        return
    except OSError as error:
        raise StoreError(f"{path}: cannot be read ({error.strerror})") from error
    if size == 0:
        return  # SQLite itself makes an empty file before its first write
    if size < _SMALLEST_BYTES:
        raise CorruptedDatabase(
            f"{path}: only {size} bytes, no database; nothing was deleted. Move the file aside,"
            f" then restore a backup or start without it"
        )
    # After a kill the newest version may still stand in the write-ahead log. Without a log the
    # file is read as immutable, which makes no companion files. Never by plain `open`: closing
    # that would take away the locks that this process already holds on the file (POSIX locks).
    wal = path.with_name(path.name + "-wal")
    mode = "ro" if wal.exists() and wal.stat().st_size else "ro&immutable=1"
    with plain_errors(path):
        reader = sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True)
        try:
            reader.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
            version = user_version(reader)
        finally:
            reader.close()
    if version > newest:
        raise NewerDatabase(
            f"{path}: written by a newer brinelark (format {version}, this one knows {newest});"
            f" the file was not touched. Install the newer version, or give another folder"
        )


def _scripts(folder: Path) -> list[Path]:
    scripts = sorted(folder.glob("*.sql"))
    expected = [f"{number:04d}.sql" for number in range(1, len(scripts) + 1)]
    if not scripts or [script.name for script in scripts] != expected:
        raise ValueError(
            f"{folder} must hold 0001.sql, 0002.sql and so on without a gap,"
            f" got {[script.name for script in scripts]}"
        )
    return scripts


def _statements(script: str) -> Iterator[str]:
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
    if statement.strip():
        yield statement


def _migrate(connection: sqlite3.Connection, path: Path, scripts: list[Path]) -> None:
    if user_version(connection) == len(scripts):
        return
    with transaction(connection):
        # Asked again under the lock: another process may have come first.
        done = user_version(connection)
        for script in scripts[done:]:
            for statement in _statements(script.read_text(encoding="utf-8")):
                try:
                    connection.execute(statement)
                except sqlite3.Error as error:
                    raise StoreError(
                        f"{path}: migration {script.name} failed ({error}) and was undone;"
                        f" the file is as before: {statement.strip()[:80]}"
                    ) from error
                if not connection.in_transaction:
                    raise ValueError(f"{script} must not end the transaction it runs in")
        connection.execute(f"PRAGMA user_version = {len(scripts)}")
