"""A CSV file as a device: the newest whole row, read from where the last read ended."""

import os
import threading

import pytest

from drivers import csvtail
from drivers.csvtail import CsvDriver
from drivers.protocol import CsvAddress, Device, LinkDown, Point, Quality

FT, PT = Point("A/FT", CsvAddress("FT")), Point("A/PT", CsvAddress("PT", scale=0.1))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "live.csv"


def driver(path):
    return CsvDriver(Device("historian", "csv", path=str(path), timeout_s=10.0))


def append(path, text):
    with path.open("a") as file:
        file.write(text)


@pytest.mark.asyncio
async def test_rows_are_taken_as_they_are_appended(path):
    """Each read gives the newest whole row with its time; half a row waits for its end."""
    device = driver(path)
    path.write_text("time,FT,PT\n2024-05-01T06:00:00Z,1,10\n")
    first = await device.read([FT, PT])
    assert [(r.value, r.quality) for r in first] == [(1.0, Quality.GOOD), (1.0, Quality.GOOD)]
    append(path, "2024-05-01T06:01:00Z,2.5")
    assert await device.read([FT, PT]) == first
    append(path, "5,20\n")
    flow, pressure = await device.read([FT, PT])
    assert (flow.value, pressure.value) == (2.55, 2.0)
    assert flow.source_at.isoformat() == "2024-05-01T06:01:00+00:00"
    append(path, "2024-05-01T05:00:00Z,9,90\n")  # late: not the newest
    assert await device.read([FT, PT]) == [flow, pressure]


@pytest.mark.asyncio
async def test_only_what_was_appended_is_read(path, monkeypatch):
    """A big file costs its end, and then only its new bytes."""
    rows = "".join(f"2024-05-01T06:00:00.{i:06}Z,{i},0\n" for i in range(20_000))
    path.write_text("time,FT,PT\n" + rows)
    taken = []
    take = CsvDriver._take
    monkeypatch.setattr(
        CsvDriver,
        "_take",
        lambda self, data, header: (taken.append(len(data)), take(self, data, header)),
    )
    device = driver(path)
    assert (await device.read([FT]))[0].value == 19999.0
    new = "2024-05-01T07:00:00Z,5,0\n"
    append(path, new)
    assert (await device.read([FT]))[0].value == 5.0
    await device.read([FT])
    assert taken[0] <= csvtail.TAIL_BYTES < path.stat().st_size
    assert taken[1:] == [len(new), 0]


@pytest.mark.asyncio
async def test_a_usable_row_is_found_before_a_long_bad_end(path):
    """Rubbish longer than the first look back does not hide the last good row."""
    rubbish = "rubbish\n" * (csvtail.TAIL_BYTES // 4)
    path.write_text("time,FT,PT\n2024-05-01T06:00:00Z,1,10\n" + rubbish)
    assert (await driver(path).read([FT]))[0].value == 1.0


@pytest.mark.asyncio
async def test_a_file_that_is_replaced_or_cut_is_read_anew(path):
    """A new file, a shorter one and another header are noticed; no old value is shown."""
    device = driver(path)
    path.write_text("time,FT,PT\n2024-05-01T06:00:00Z,1,10\n2024-05-01T06:01:00Z,2,20\n")
    assert (await device.read([FT]))[0].value == 2.0
    path.write_text("time,FT,PT\n2024-05-01T05:00:00Z,3,30\n")  # shorter, and older
    assert (await device.read([FT]))[0].value == 3.0
    path.write_text("time,PT,FT\n2024-05-01T05:00:00Z,4,40\n")
    assert (await device.read([FT]))[0].value == 40.0
    other = path.with_name("next.csv")
    other.write_text("time,PT,FT\n" + "2024-05-01T04:00:00Z,5,50\n" * 3)
    os.replace(other, path)
    assert (await device.read([FT]))[0].value == 50.0


@pytest.mark.asyncio
async def test_cells_without_a_number_are_bad_with_the_reason(path):
    """Empty cells, text and columns that are missing or twice are BAD; the row's time stays."""
    path.write_text("time,FT,PT,X,X\n2024-05-01T06:00:00Z,,Bad,1,2\n")
    wanted = [FT, PT, Point("A/X", CsvAddress("X")), Point("A/Q", CsvAddress("Q"))]
    readings = await driver(path).read(wanted)
    assert {(r.value, r.quality, r.source_at is None) for r in readings} == {
        (None, Quality.BAD, False)
    }
    said = ["missing value: FT", 'text in a number: PT "Bad"', "more than one", 'no column "Q"']
    for reading, words in zip(readings, said, strict=True):
        assert words in reading.reason


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "No such file"),
        ("", "header is not complete"),
        ("time,FT", "header is not complete"),
        ("date,FT\n", 'the first column must be "time", found "date"'),
        ("time,FT\n", "no usable row yet"),
        ("time,FT\n2024-05-01T06:00:00Z,1", "no usable row yet"),
        ("time,FT\n2024-05-01T06:00:00,1\n", "time without zone: 2024-05-01T06:00:00"),
        ("time,FT\n2024-05-01T06:00:00Z\n", "wrong number of fields: 1 fields"),
    ],
)
async def test_a_file_without_a_row_is_a_dead_link(path, content, words):
    """LinkDown names device, file and what is missing, and the driver recovers."""
    device = driver(path)
    if content is not None:
        path.write_text(content)
    with pytest.raises(LinkDown) as caught:
        await device.read([FT])
    assert words in str(caught.value)
    assert f"historian: {path}" in str(caught.value)
    path.write_text("time,FT\n2024-05-01T06:00:00Z,1\n")
    assert (await device.read([FT]))[0].value == 1.0


@pytest.mark.asyncio
async def test_a_drive_that_hangs_is_a_dead_link_within_the_deadline(path):
    """Opening blocks (a named pipe without a writer): LinkDown, and only one thread waits."""
    os.mkfifo(path)
    device = CsvDriver(Device("historian", "csv", path=str(path), timeout_s=0.1))
    try:
        for _ in range(3):
            with pytest.raises(LinkDown, match=r"was not read within 0\.1 s"):
                await device.read([FT])
        waiting = [t for t in threading.enumerate() if t.name.startswith("asyncio_")]
        assert len(waiting) == 1
    finally:
        os.close(os.open(path, os.O_WRONLY))  # the other end: ends the waiting
        await device.close()
