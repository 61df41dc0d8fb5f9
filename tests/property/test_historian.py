"""Historian CSV: any table comes back as written, and no rubbish is fatal or becomes a number."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers import csvlines
from drivers.historian import HistorianCsv
from drivers.protocol import BadSource

START = datetime(2024, 5, 1, 6, tzinfo=UTC)
NUMBERS = st.none() | st.floats(allow_nan=False, allow_infinity=False, width=64)
LOSING = csvlines.COST_A_ROW

within = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "export.csv"


def line(minute: int, cells) -> str:
    at = (START + timedelta(minutes=minute)).isoformat()
    return ",".join([at, *("" if c is None else repr(c) for c in cells)]) + "\n"


@within
@given(
    st.lists(
        st.tuples(st.integers(0, 10_000), st.tuples(NUMBERS, NUMBERS, NUMBERS)),
        min_size=1,
        max_size=30,
        unique_by=lambda row: row[0],
    )
)
def test_a_table_comes_back_as_written(path, rows):
    """Rows in any order come out sorted, with every number to the last bit and every gap a gap."""
    path.write_text("time,A,B,C\n" + "".join(line(m, cells) for m, cells in rows))
    history = HistorianCsv(path)
    got = [(r.time, tuple(r.values.values())) for r in history.rows()]
    assert got == [
        (START.timestamp() + 60 * m, cells) for m, cells in sorted(rows, key=lambda row: row[0])
    ]
    empty = sum(cell is None for _, cells in rows for cell in cells)
    assert history.report.count(csvlines.MISSING_VALUE) == empty
    late = sum(m < max((n for n, _ in rows[:i]), default=-1) for i, (m, _) in enumerate(rows))
    assert history.report.count(csvlines.OUT_OF_ORDER) == late


@within
@given(st.lists(st.binary(max_size=40), max_size=12), st.integers(0, 12))
def test_rubbish_costs_only_itself(path, rubbish, at):
    """Lines of any bytes around a good row: the row comes out, and every line is accounted for."""
    lines = [piece.replace(b"\n", b"") + b"\n" for piece in rubbish]
    lines.insert(at, line(0, (1.5, 2.5)).encode())
    path.write_bytes(b"time,A,B\n" + b"".join(lines))
    history = HistorianCsv(path)
    table = history.table()
    assert np.all(np.diff(table.times) > 0)
    assert not np.isinf(table.values).any()
    row = int(np.flatnonzero(table.times == START.timestamp())[0])
    assert table.values[row].tolist() == [1.5, 2.5]
    report = history.report
    lost = sum(report.count(kind) for kind in LOSING) + report.count(csvlines.DUPLICATE_TIME)
    assert report.used + lost + report.count(csvlines.EMPTY_LINE) == len(lines)


@within
@given(st.binary(max_size=200))
def test_a_file_of_any_bytes_is_read_or_refused(path, content):
    """Whatever the file holds, the answer is a table or BadSource with its path."""
    path.write_bytes(content)
    try:
        outcome = HistorianCsv(path).report.path
    except BadSource as refused:
        outcome = str(refused)
    assert str(path) in str(outcome)
