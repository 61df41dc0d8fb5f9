"""A CSV file that something appends to, read like a device: the newest row is its reading."""

import asyncio
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drivers import csvlines
from drivers.csvlines import Header, Kind
from drivers.link import scaled
from drivers.protocol import BadSource, CsvAddress, Device, LinkDown, Point, Quality, Reading

TAIL_BYTES = 65536
"""Read from the end at first; more only when no usable row is in it."""
_LONGEST_LINE = 1 << 20


@dataclass(frozen=True, slots=True)
class _Newest:
    time_s: float
    fields: tuple[str, ...]


class CsvDriver:
    """`drivers.protocol.Driver` for a historian CSV file.

    Every reading carries the time of its row. A line without its end is still being written and
    waits for the next poll; a file that was replaced or cut is read anew.
    """

    def __init__(self, device: Device) -> None:
        if not device.path:
            raise BadSource(f'{device.id}: a csv device needs `path = "FILE.csv"`')
        if device.clock is not None:
            raise BadSource(f"{device.id}: a csv device needs no clock; it has its time column")
        self.device = device
        self._path = Path(device.path)
        self._lock = asyncio.Lock()
        self._pending: asyncio.Future[None] | None = None
        self._closed = False
        self._forget()

    def _forget(self) -> None:
        self._file: tuple[int, int] | None = None
        self._first = b""
        self._header: Header | None = None
        self._offset = 0
        self._newest: _Newest | None = None
        self._trouble = ""

    async def read(self, points: Sequence[Point]) -> list[Reading]:
        """One Reading for each Point, in order; see `drivers.protocol.Driver.read`."""
        async with self._lock:
            if not points:
                return []
            if self._closed:
                raise LinkDown(f"{self.device.id}: the driver is closed")
            for point in points:
                if not isinstance(point.address, CsvAddress):
                    raise TypeError(
                        f"{point.tag}: {self.device.id} reads columns, not {point.address}"
                    )
            await self._refresh()
            return [self._reading(point) for point in points]

    async def close(self) -> None:
        """Nothing stays open between reads; safe to call twice."""
        self._closed = True

    async def _refresh(self) -> None:
        # a file on a dead network drive blocks: in a thread, and with a deadline
        if self._pending is None:
            self._pending = asyncio.get_running_loop().run_in_executor(None, self._look)
            self._pending.add_done_callback(_seen)
        try:
            async with asyncio.timeout(self.device.timeout_s):
                await asyncio.shield(self._pending)
        except TimeoutError as exc:
            raise LinkDown(
                f"{self.device.id}: {self._path} was not read within {self.device.timeout_s:g} s"
            ) from exc
        except OSError as exc:
            raise LinkDown(f"{self.device.id}: {self._path}: {exc.strerror}") from exc
        except csvlines.Unusable as exc:
            raise LinkDown(f"{self.device.id}: {self._path}: {exc}") from exc
        finally:
            if self._pending.done():
                self._pending = None
        if self._newest is None:
            why = f"; {self._trouble}" if self._trouble else ""
            raise LinkDown(f"{self.device.id}: {self._path} has no usable row yet{why}")

    def _look(self) -> None:
        """Take in what was appended since the last look."""
        with self._path.open("rb") as file:
            status = os.fstat(file.fileno())
            first = file.readline(_LONGEST_LINE)
            if (status.st_dev, status.st_ino) != self._file or first != self._first:
                self._forget()
            elif self._offset:
                file.seek(self._offset - 1)
                if status.st_size < self._offset or file.read(1) != b"\n":
                    self._forget()
            if self._header is None:
                if not first.endswith(b"\n"):
                    raise csvlines.Unusable("line 1: the header is not complete yet")
                text = first.decode("utf-8", "replace").removeprefix("\ufeff")
                self._header = Header.parse(text.rstrip("\r\n"), self._complain)
                self._file, self._first = (status.st_dev, status.st_ino), first
            window = TAIL_BYTES
            known = max(self._offset, len(first))
            while True:
                start = max(known, status.st_size - window)
                file.seek(start)
                data = file.read(status.st_size - start)
                end = data.rfind(b"\n") + 1
                # a start in the middle of a file is in the middle of a line
                begin = 0 if start == known else data.find(b"\n") + 1
                self._take(data[begin:end], self._header)
                if self._newest is not None or start == known:
                    break
                window *= 16
            if end:
                self._offset = start + end

    def _take(self, data: bytes, header: Header) -> None:
        for line in data.decode("utf-8", "replace").split("\n")[:-1]:
            fields = csvlines.cells(line, header, 0, self._complain)
            if fields is None:
                continue
            time_s = csvlines.time_of(fields[0], None, 0, self._complain)
            if time_s is not None and (self._newest is None or time_s >= self._newest.time_s):
                self._newest = _Newest(time_s, tuple(fields))

    def _complain(self, kind: Kind, line: int, found: str) -> None:
        self._trouble = f"{kind.name}: {found} ({kind.effect})"

    def _reading(self, point: Point) -> Reading:
        assert isinstance(point.address, CsvAddress)  # checked in read()
        assert self._newest is not None
        assert self._header is not None
        source_at = datetime.fromtimestamp(self._newest.time_s, UTC)
        column = point.address.column
        count = self._header.columns.count(column)
        if count != 1:
            reason = f'{self._path} has {"no" if not count else "more than one"} column "{column}"'
            return Reading(point.tag, None, Quality.BAD, source_at, reason)
        reasons: list[str] = []
        raw = csvlines.number_of(
            self._newest.fields[self._header.columns.index(column) + 1],
            column,
            0,
            lambda kind, _, found: reasons.append(f"{kind.name}: {found}"),
        )
        if reasons:
            return Reading(point.tag, None, Quality.BAD, source_at, reasons[0])
        value, wrong = scaled(raw, point.address.scale, point.address.offset)
        quality = Quality.BAD if value is None else Quality.GOOD
        return Reading(point.tag, value, quality, source_at, wrong)


def _seen(look: asyncio.Future[None]) -> None:
    """Take note of how a look ended, also when nobody waits for it any more."""
    if not look.cancelled():
        look.exception()
