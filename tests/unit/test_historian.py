"""Historian CSV: what can be used is used, everything else is counted with its line."""

from zoneinfo import ZoneInfo

import pytest

from drivers import csvlines as kinds
from drivers.historian import HistorianCsv, Row
from drivers.protocol import BadSource

# 2024-05-01T06:00:00Z is 1714543200 s (19844 days * 86400 s + 6 h; POSIX.1 seconds since the epoch)
T0 = 1714543200.0
H = "time,FT,PT\n"
FIRST = "2024-05-01T06:00:00Z,1.5,2\n"
SECOND = "2024-05-01T06:01:00Z,2.5,3\n"
THIRD = "2024-05-01T06:02:00Z,3.5,4\n"
GOOD = [Row(T0, {"FT": 1.5, "PT": 2.0}), Row(T0 + 60, {"FT": 2.5, "PT": 3.0})]
LAST = Row(T0 + 120, {"FT": 3.5, "PT": 4.0})


def write(folder, content):
    path = folder / "export.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_a_clean_file_has_nothing_to_report(tmp_path):
    """Rows come out in order with their numbers, and the report is empty."""
    history = HistorianCsv(write(tmp_path, H + FIRST + SECOND + THIRD))
    assert list(history.rows()) == [*GOOD, LAST]
    report = history.report
    assert report.anomalies == ()
    assert (report.rows, report.used, report.step_s) == (3, 3, 60.0)
    assert (report.start_s, report.end_s, report.longest_gap_s) == (T0, T0 + 120, 0.0)
    assert str(report).endswith("3 of 3 rows used, 2024-05-01T06:00:00Z to 2024-05-01T06:02:00Z")


ODD = [
    # (what is wrong, file, kind, how often, first line, rows that still come out)
    ("empty cell", H + FIRST + "2024-05-01T06:01:00Z,,3\n", kinds.MISSING_VALUE, 1, 3, None),
    ("text", H + FIRST + "2024-05-01T06:01:00Z,Bad,3\n", kinds.TEXT, 1, 3, None),
    ("unit in cell", H + FIRST + "2024-05-01T06:01:00Z,2.5 bar,3\n", kinds.TEXT, 1, 3, None),
    ("underscore", H + FIRST + "2024-05-01T06:01:00Z,2_5,3\n", kinds.TEXT, 1, 3, None),
    ("other digits", H + FIRST + "2024-05-01T06:01:00Z,٢,3\n", kinds.TEXT, 1, 3, None),
    ("hexadecimal", H + FIRST + "2024-05-01T06:01:00Z,0x1F,3\n", kinds.TEXT, 1, 3, None),
    ("thousands", H + FIRST + '2024-05-01T06:01:00Z,"1,250",3\n', kinds.TEXT, 1, 3, None),
    ("nan", H + FIRST + "2024-05-01T06:01:00Z,NaN,3\n", kinds.NOT_FINITE, 1, 3, None),
    ("infinity", H + FIRST + "2024-05-01T06:01:00Z,-INF,3\n", kinds.NOT_FINITE, 1, 3, None),
    ("overflow", H + FIRST + "2024-05-01T06:01:00Z,1e999,3\n", kinds.NOT_FINITE, 1, 3, None),
    ("quoted comma", H + FIRST + '2024-05-01T06:01:00Z,"2,5",3\n', kinds.DECIMAL_COMMA, 1, 3, None),
    ("same row twice", H + FIRST + SECOND + SECOND, kinds.DUPLICATE_TIME, 1, 4, GOOD),
    ("late row", H + SECOND + FIRST, kinds.OUT_OF_ORDER, 1, 3, GOOD),
    ("bad time", H + FIRST + "1.5.24 06:00,1,2\n" + SECOND, kinds.BAD_TIME, 1, 3, GOOD),
    ("no such day", H + FIRST + "2024-02-30T06:00:00Z,1,2\n" + SECOND, kinds.BAD_TIME, 1, 3, GOOD),
    ("empty time", H + FIRST + ",1,2\n" + SECOND, kinds.BAD_TIME, 1, 3, GOOD),
    ("unset clock", H + "1970-01-01T00:00:09Z,1,2\n" + FIRST + SECOND, kinds.BAD_TIME, 1, 2, GOOD),
    ("no zone", H + FIRST + "2024-05-01T06:00:30,1,2\n" + SECOND, kinds.MISSING_ZONE, 1, 3, GOOD),
    ("short row", H + FIRST + "2024-05-01T06:00:30Z,1\n" + SECOND, kinds.FIELDS, 1, 3, GOOD),
    ("long row", H + FIRST + "2024-05-01T06:00:30Z,1,2,3\n" + SECOND, kinds.FIELDS, 1, 3, GOOD),
    ("bare comma", H + FIRST + "2024-05-01T06:00:30Z,1,5,2\n" + SECOND, kinds.FIELDS, 1, 3, GOOD),
    ("open quote", H + FIRST + '2024-05-01T06:00:30Z,"1,2\n' + SECOND, kinds.QUOTES, 1, 3, GOOD),
    ("empty lines", H + FIRST + "\n  \r\n" + SECOND, kinds.EMPTY_LINE, 2, 3, GOOD),
    ("NUL", H + FIRST + "\0\0\0\0\n" + SECOND, kinds.NUL, 1, 3, GOOD),
    ("BOM", "\ufeff" + H + FIRST + SECOND, kinds.BOM, 1, 1, GOOD),
    ("gap", H + FIRST + SECOND + THIRD + "2024-05-01T07:00:00Z,1,2\n", kinds.GAP, 1, 5, None),
    ("semicolon", (H + FIRST + SECOND).replace(",", ";"), kinds.DELIMITER, 1, 1, GOOD),
    ("tab", (H + FIRST + SECOND).replace(",", "\t"), kinds.DELIMITER, 1, 1, GOOD),
    (
        "not UTF-8",
        (H + FIRST).encode() + b"\xb5S,1,2\n" + SECOND.encode(),
        kinds.ENCODING,
        1,
        3,
        GOOD,
    ),
    ("end cut off", H + FIRST + SECOND + "2024-05-01T06:02:0", kinds.FIELDS, 1, 4, GOOD),
]


@pytest.mark.parametrize(
    ("content", "kind", "count", "line", "rows"), [o[1:] for o in ODD], ids=[o[0] for o in ODD]
)
def test_each_oddity_is_counted_with_its_line(tmp_path, content, kind, count, line, rows):
    """One kind of trouble is reported, often enough and where; the other rows come out."""
    history = HistorianCsv(write(tmp_path, content))
    got = list(history.rows())
    report = history.report
    assert (report.count(kind), report.line(kind)) == (count, line)
    also = {kinds.BAD_TIME} if kind is kinds.ENCODING else set()  # its odd byte is in the time
    assert {a.kind for a in report.anomalies} == {kind} | also
    assert f"export.csv:{line}: {kind.name}" in str(report)
    if rows is None:
        assert got[0] == GOOD[0]
        if kind is not kinds.GAP:
            assert got[1] == Row(T0 + 60, {"FT": None, "PT": 3.0})
    else:
        assert got == rows


def test_semicolons_with_decimal_commas_are_not_guessed(tmp_path):
    """A decimal comma gives no value and says so; whole numbers of the same file are used."""
    history = HistorianCsv(write(tmp_path, "time;FT;PT\n2024-05-01T06:00:00Z;1,5;2\n"))
    assert list(history.rows()) == [Row(T0, {"FT": None, "PT": 2.0})]
    assert history.report.count(kinds.DECIMAL_COMMA) == 1
    assert history.report.delimiter == ";"


def test_duplicates_that_disagree_lose_only_what_differs(tmp_path):
    """Three rows of one time give one: agreed values stay, lone values stay, the rest is None."""
    text = "time,A,B,C\n" + "".join(
        f"2024-05-01T06:00:00Z,{row}\n" for row in ("1,,5", "2,7,5", "1,,5")
    )
    history = HistorianCsv(write(tmp_path, text + "2024-05-01T06:01:00Z,1,1,1\n"))
    assert next(history.rows()) == Row(T0, {"A": None, "B": 7.0, "C": 5.0})
    assert history.report.count(kinds.DUPLICATE_TIME) == 2
    assert history.report.count(kinds.CONFLICT) == 1
    assert history.report.used == 2


def test_offsets_and_fractions(tmp_path):
    """ISO 8601 offsets shift, fractions of a second stay, and rows of two zones sort as one."""
    text = H + "2024-05-01T08:01:00.25+02:00,2,2\n2024-05-01T01:00:00-05:00,1,1\n"
    history = HistorianCsv(write(tmp_path, text))
    assert [r.time for r in history.rows()] == [T0, T0 + 60.25]


def test_a_given_zone_is_used_and_its_double_hour_is_not_guessed(tmp_path):
    """Local times need zone=; 02:30 on the day clocks go back or forward stays out.

    Source: EU Directive 2000/84/EC, summer time ends on the last Sunday of October at 01:00 UTC
    and begins on the last Sunday of March.
    """
    text = (
        H
        + "2024-03-31T02:30:00,1,1\n2024-05-01T08:00:00,1.5,2\n"
        + "2024-10-27T02:30:00,1,1\n2024-10-27T03:30:00,1,1\n"
    )
    for zone in ("Europe/Madrid", ZoneInfo("Europe/Madrid")):
        history = HistorianCsv(write(tmp_path, text), zone=zone)
        rows = list(history.rows())
        assert rows[0] == GOOD[0]
        assert len(rows) == 2
        assert history.report.count(kinds.AMBIGUOUS_TIME) == 2
        assert history.report.line(kinds.AMBIGUOUS_TIME) == 2
    with pytest.raises(ValueError, match="Europe/Madird"):
        HistorianCsv("x.csv", zone="Europe/Madird")


def test_columns_are_chosen_by_name(tmp_path):
    """Wanted columns come in the wanted order; others are unknown; absent ones have no value."""
    path = write(tmp_path, "time,FT,XX,PT\n2024-05-01T06:00:00Z,1,9,2\n")
    history = HistorianCsv(path, ["PT", "QT", "FT"])
    assert list(history.rows()) == [Row(T0, {"PT": 2.0, "QT": None, "FT": 1.0})]
    assert [(a.kind, a.found) for a in history.report.anomalies] == [
        (kinds.MISSING_COLUMN, "QT"),
        (kinds.UNKNOWN_COLUMN, "XX"),
    ]


def test_a_column_name_that_occurs_twice_is_not_guessed(tmp_path):
    """Neither of two columns of one name is used."""
    history = HistorianCsv(write(tmp_path, "time,FT,PT,FT\n2024-05-01T06:00:00Z,1,2,3\n"))
    assert list(history.rows()) == [Row(T0, {"PT": 2.0})]
    assert history.report.count(kinds.DUPLICATE_COLUMN) == 1


def test_a_quoted_file_reads_like_a_plain_one(tmp_path):
    """Quotation marks around header, time and numbers change nothing."""
    text = '"time","FT","PT"\r\n"2024-05-01T06:00:00Z","1.5","2"\r\n'
    history = HistorianCsv(write(tmp_path, text))
    assert list(history.rows()) == GOOD[:1]
    assert history.report.anomalies == ()


UNUSABLE = [
    ("", "no header"),
    ("\n\n", "no header"),
    ("stamp,FT\n1,2\n", 'the first column must be "time", found "stamp"'),
    ("2024-05-01T06:00:00Z,1,2\n", 'the first column must be "time"'),
    ("time\n2024-05-01T06:00:00Z\n", 'first column must be "time"'),
    ("time,\n2024-05-01T06:00:00Z,\n", "no column beside time"),
    ('time,"FT\n2024-05-01T06:00:00Z,1\n', "broken quotation marks in the header"),
    (H, "no row below the header"),
    (H + "2024-05-01T06:00:00,1,2\n", "time without zone, first in line 2"),
    (H + "01/05/2024,1,2\n01/06/2024,1,2\n", "none of 2 rows can be used; most often bad time"),
    ((H + FIRST).encode("utf-16"), "save it as UTF-8"),
    ((H + FIRST).encode("utf-16-be"), 'first column must be "time"'),
    ("time,XX\n2024-05-01T06:00:00Z,1\n", "none of the wanted columns is in the file"),
]


@pytest.mark.parametrize(("content", "words"), UNUSABLE)
def test_a_file_without_anything_usable_is_refused(tmp_path, content, words):
    """BadSource names the file, what was found and what would do."""
    path = write(tmp_path, content)
    with pytest.raises(BadSource) as caught:
        HistorianCsv(path, ["FT"]).report  # noqa: B018
    assert str(path) in str(caught.value)
    assert words in str(caught.value)


def test_a_file_that_is_not_there_is_refused(tmp_path):
    """A missing file and a folder are named with the remedy."""
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(BadSource, match="check the path"):
            HistorianCsv(path).table()


def test_everything_wrong_at_once_loses_only_what_is_wrong(tmp_path):
    """A file with fifteen kinds of trouble still gives its good rows."""
    text = "\ufefftime;FT;PT;ZZ\n" + "".join(
        line.replace(",", ";")
        for line in (
            FIRST.replace("\n", ",x\n"),
            "\n",
            "garbage\n",
            "\0\n",
            "2024-05-01T06:05:00Z,1,2,\n",
            "2024-05-01T06:01:00Z,2.5,3,\n",
            "2024-05-01T06:01:00Z,2.5,3,\n",
            "2024-05-01T06:01:30,2.5,3,\n",
            "yesterday,2.5,3,\n",
            "2024-05-01T06:02:00Z,inf,oops,\n",
        )
    )
    history = HistorianCsv(write(tmp_path, text), ["FT", "PT", "QQ"])
    rows = list(history.rows())
    assert [r.time - T0 for r in rows] == [0, 60, 120, 300]
    assert rows[1].values == {"FT": 2.5, "PT": 3.0, "QQ": None}
    met = {a.kind for a in history.report.anomalies}
    assert met == {
        kinds.BOM,
        kinds.DELIMITER,
        kinds.UNKNOWN_COLUMN,
        kinds.MISSING_COLUMN,
        kinds.EMPTY_LINE,
        kinds.FIELDS,
        kinds.NUL,
        kinds.OUT_OF_ORDER,
        kinds.DUPLICATE_TIME,
        kinds.MISSING_ZONE,
        kinds.BAD_TIME,
        kinds.NOT_FINITE,
        kinds.TEXT,
        kinds.GAP,
    }
    assert history.report.longest_gap_s == 180.0
