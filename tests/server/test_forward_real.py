"""Forwarding to servers that are real: VictoriaMetrics, and an HTTP server that answers any status."""

import asyncio
import gzip
import json
import math
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.clock import SystemClock
from daemon.forward import BACK, LOST, REFUSED
from daemon.influx import Answer, InfluxWriter, Reply
from daemon.plantfile.result import Forward
from daemon.record import MIGRATIONS, Record
from daemon.service import serve
from tests.forward_kit import (
    SITE,
    Body,
    forward_plant,
    forward_until,
    lines_until,
    minute,
    open_history,
    put,
    store_minutes,
)
from tests.notices_kit import quick_record
from tests.server.processes import ROOT, free_port, need

QUICK: dict[str, Any] = {"first_s": 0.05, "longest_s": 0.2, "person_s": 0.1, "look_every_s": 0.05}
LINE = b"ro_minute,train=A feed_flow=1.5 1767571200"
REMEDY = "apt-get install -y --no-install-recommends victoria-metrics"


def yesterday() -> int:
    """A minute of yesterday: VictoriaMetrics takes nothing from the future."""
    return int(time.time()) // 60 * 60 - 86400


class VictoriaMetrics:
    """VictoriaMetrics on loopback with its data in `folder`; dies with the test run."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        # From util-linux: when the test run is killed, so is the server.
        self._command = [
            need("setpriv", "apt-get install -y --no-install-recommends util-linux"),
            "--pdeathsig",
            "KILL",
            need("victoria-metrics", REMEDY),
            f"-httpListenAddr=127.0.0.1:{self.port}",
            f"-storageDataPath={folder}",
            "-retentionPeriod=100y",
            "-search.latencyOffset=0s",
            "-search.disableCache",
            "-dedup.minScrapeInterval=1ms",
            "-loggerLevel=ERROR",
            *options,
        ]
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start and wait until it answers."""
        self._process = subprocess.Popen(
            self._command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        waiting = threading.Event()
        for _ in range(600):
            assert self._process.poll() is None, "VictoriaMetrics ended at its start"
            try:
                self.get("/health")
            except urllib.error.HTTPError:
                return  # it wants a password: it is there
            except OSError:
                waiting.wait(0.05)
            else:
                return
        raise AssertionError("VictoriaMetrics does not answer")

    def get(self, path: str) -> bytes:
        """Body of a GET."""
        with urllib.request.urlopen(self.url + path, timeout=10) as answer:
            return bytes(answer.read())

    def series(self) -> dict[tuple[str, str, str, str], dict[int, float]]:
        """What it has stored: (name, stage, vessel, section) -> time -> value."""
        self.get("/internal/force_flush")
        query = urllib.parse.urlencode({"match[]": '{__name__=~"ro_.*"}'})
        found = {}
        for text in self.get(f"/api/v1/export?{query}").splitlines():
            row = json.loads(text)
            labels = row["metric"]
            assert (labels["site"], labels["train"]) == (SITE, "A")
            key = (labels["__name__"], *(labels.get(k, "") for k in ("stage", "vessel", "section")))
            stamps = [stamp // 1000 for stamp in row["timestamps"]]
            found[key] = dict(zip(stamps, row["values"], strict=True))
        return found

    def kill(self) -> None:
        """Kill it at once; safe to call twice."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[VictoriaMetrics]:
    server = VictoriaMetrics(tmp_path / "vm")
    try:
        server.start()
        yield server
    finally:
        server.kill()


class Stub:
    """An HTTP server that answers writes as `answer(lines, count)` says: status, headers and body.

    None closes the connection without an answer.
    """

    def __init__(self) -> None:
        self.answer: Callable[[list[bytes], int], tuple[int, dict[str, str], bytes] | None]
        self.answer = lambda lines, count: (204, {}, b"")
        self.taken: list[bytes] = []
        self.seen: list[tuple[str, dict[str, str]]] = []
        lock = threading.Lock()
        stub = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                with lock:
                    stub.seen.append((self.path, dict(self.headers)))
                    count = len(stub.seen)
                given = stub.answer(body.split(b"\n"), count)
                if given is None:
                    self.close_connection = True
                    return
                status, headers, text = given
                if status == 204:
                    stub.taken += body.split(b"\n")
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                if status != 204:
                    self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text)

            def log_message(self, format: str, *args: Any) -> None:
                """Say nothing on the error stream."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}"
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.05,))
        self.thread.start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@pytest.fixture
def stub() -> Iterator[Stub]:
    made = Stub()
    yield made
    made.close()


def write_once(target: Forward, lines: bytes = LINE, **deadlines: float) -> Reply:
    """One write by the real client."""
    writer = InfluxWriter(target, **deadlines)
    try:
        return writer.write(lines)
    finally:
        writer.close()


def json_error(code: str, message: str) -> bytes:
    return json.dumps({"code": code, "message": message}).encode()


# VictoriaMetrics


@pytest.mark.asyncio
async def test_victoriametrics_holds_what_the_history_holds(
    tmp_path: Path, victoria: VictoriaMetrics
) -> None:
    """Every value is found at its own time under its own names, gaps are gaps, odd names survive."""
    plant = forward_plant(tmp_path, victoria.url)
    start = yesterday()
    with open_history(plant) as history, quick_record(tmp_path) as record:
        times = await store_minutes(history, plant, start, 200)
        gap = minute(plant, start + 60 * 200)
        gap.values[1] = math.nan
        await history.append_minute(gap)
        times.append(gap.time)
        put(
            record,
            baselines=[Body(start, {"1/permeate_flow": 0.5, "train/pressure_drop": 1.0})],
            digests=[
                Body(start + 900.0 * n, {"1/permeate_flow": 0.5 - n, "train/pressure_drop": 3.0})
                for n in range(3)
            ],
        )
        await forward_until(
            lambda: (
                lines_until(record) == times[-1]
                and lines_until(record, "normalized") == start + 1800
            ),
            plant,
            record,
            history,
            SystemClock(),
            batch_lines=100,
            **QUICK,
        )
        stored = victoria.series()
        train = plant.train("A")
        arrays = history.minute_arrays("A", signals=train.model.signals)
    for point in train.points:
        column = train.model.signals.index(point.signal)
        stage = "" if point.stage is None else str(point.stage)
        vessel = "" if point.vessel is None else f"{point.stage}-{point.vessel:02d}"
        expected = {
            int(t): float(v)
            for t, v in zip(arrays.times, arrays.values[:, column], strict=True)
            if np.isfinite(v)
        }
        assert len(expected) in (200, 201)
        assert stored.pop((f"ro_minute_{point.role}", stage, vessel, "")) == expected
    assert stored.pop(("ro_normalized_permeate_flow", "", "", "1")) == {
        start: 0.0,
        start + 900: -1.0,
        start + 1800: -2.0,
    }
    assert set(stored.pop(("ro_normalized_pressure_drop", "", "", "train")).values()) == {2.0}
    assert stored == {}


@pytest.mark.asyncio
async def test_a_killed_victoriametrics_gets_again_what_it_lost(
    tmp_path: Path, victoria: VictoriaMetrics
) -> None:
    """A server killed right after its yes loses lines; after its return it has all of them."""
    plant = forward_plant(tmp_path, victoria.url)
    start = yesterday()
    steps: list[str] = []
    tasks: list[asyncio.Task[list[int]]] = []
    loop = asyncio.get_running_loop()
    back: asyncio.Future[None] | None = None
    last = start + 60 * 30
    with open_history(plant) as history, quick_record(tmp_path) as record:
        await store_minutes(history, plant, start, 30)

        def done() -> bool:
            nonlocal back
            if not steps and lines_until(record) == last - 60:
                victoria.kill()
                steps.append("killed")
                tasks.append(asyncio.create_task(store_minutes(history, plant, last, 1)))
            elif steps == ["killed"] and history.facts(kinds=(LOST,)):
                steps.append("noticed")
                back = loop.run_in_executor(None, victoria.start)
            return lines_until(record) == last

        await forward_until(done, plant, record, history, SystemClock(), **QUICK)
        await tasks[0]
        assert back is not None
        await back
        await history.flush()
        facts = [(f.kind, f.subject) for f in history.facts(kinds=(LOST, REFUSED, BACK))]
        stored = victoria.series()
    assert facts == [(LOST, "forward"), (BACK, "forward")]
    assert sorted(stored[("ro_minute_feed_flow", "", "", "")]) == list(range(start, last + 60, 60))


def test_victoriametrics_with_a_password_says_401(tmp_path: Path) -> None:
    """A real refusal needs a person."""
    server = VictoriaMetrics(tmp_path / "vm", "-httpAuth.username=u", "-httpAuth.password=p")
    try:
        server.start()
        reply = write_once(Forward(server.url, "plant", "ro", "wrong-token"))
    finally:
        server.kill()
    assert reply.answer is Answer.NEEDS_PERSON
    assert "401" in reply.error
    assert "wrong-token" not in reply.error


# any status


def test_a_write_is_one_compressed_request_with_its_token(stub: Stub) -> None:
    """Bucket, organization, precision, token and gzip are as the InfluxDB 2 API reference wants them."""
    target = Forward(stub.url, "my plant", "ro&more", "s3cret")
    assert write_once(target, LINE + b"\n" + LINE) == Reply(Answer.TAKEN)
    ((path, headers),) = stub.seen
    parts = urllib.parse.urlsplit(path)
    assert parts.path == "/api/v2/write"
    asked = urllib.parse.parse_qs(parts.query)
    assert asked == {"org": ["my plant"], "bucket": ["ro&more"], "precision": ["s"]}
    assert headers["Authorization"] == "Token s3cret"
    assert headers["Content-Encoding"] == "gzip"
    assert stub.taken == [LINE, LINE]


@pytest.mark.parametrize(
    ("status", "headers", "body", "answer", "wait_s"),
    [
        (400, {}, json_error("invalid", "partial write: dropped=1"), Answer.BAD_LINE, None),
        (401, {}, json_error("unauthorized", "for s3cret"), Answer.NEEDS_PERSON, None),
        (404, {}, json_error("not found", "bucket not found"), Answer.NEEDS_PERSON, None),
        (413, {}, b"<html>too large", Answer.TOO_LARGE, None),
        (422, {}, json_error("unprocessable entity", "old"), Answer.BAD_VALUE, None),
        (429, {"Retry-After": "7"}, json_error("too many requests", "x"), Answer.LATER, 7.0),
        (500, {}, b"<html>boom", Answer.LATER, None),
        (503, {"Retry-After": "9"}, b"", Answer.LATER, 9.0),
        (503, {}, b"", Answer.GONE, None),
        (200, {}, b"<html>a login page", Answer.NEEDS_PERSON, None),
        (302, {"Location": "/login"}, b"", Answer.NEEDS_PERSON, None),
    ],
)
def test_statuses_of_a_server(
    stub: Stub,
    status: int,
    headers: dict[str, str],
    body: bytes,
    answer: Answer,
    wait_s: float | None,
) -> None:
    """Each status is understood, tried once, and told with its number and without the token."""
    stub.answer = lambda lines, count: (status, headers, body)
    reply = write_once(Forward(stub.url, "o", "b", "s3cret"))
    assert (reply.answer, reply.retry_after_s) == (answer, wait_s)
    assert str(status) in reply.error
    assert "s3cret" not in reply.error
    assert len(stub.seen) == 1


def test_servers_that_do_not_answer(stub: Stub) -> None:
    """Refused, cut and silent are told apart; a token that cannot be sent is no crash."""
    refused = write_once(Forward(f"http://127.0.0.1:{free_port()}", "o", "b"))
    assert refused.answer is Answer.GONE
    stub.answer = lambda lines, count: None
    assert write_once(Forward(stub.url, "o", "b")).answer is Answer.GONE
    end = threading.Event()

    def silent(lines: list[bytes], count: int) -> None:
        end.wait(60)

    stub.answer = silent
    assert write_once(Forward(stub.url, "o", "b"), answer_s=0.2).answer is Answer.SLOW
    end.set()
    for token in ("two\nlines", "snow☃man"):
        reply = write_once(Forward(stub.url, "o", "b", token))
        assert reply.answer is Answer.NEEDS_PERSON
        assert token not in reply.error


@pytest.mark.asyncio
async def test_a_server_in_every_trouble_has_all_in_the_end(tmp_path: Path, stub: Stub) -> None:
    """Through refusals, overload, cuts and errors nothing is lost, and trouble and return are facts."""
    troubles = {
        1: (503, {}, b""),
        2: (500, {}, b"boom"),
        3: (429, {"Retry-After": "0"}, b""),
        4: (401, {}, json_error("unauthorized", "no")),
        5: None,
        6: (404, {}, b""),
        9: (413, {}, b""),
        14: (502, {}, b""),
    }
    stub.answer = lambda lines, count: troubles.get(count, (204, {}, b""))
    plant = forward_plant(tmp_path, stub.url, token="s3cret")
    start = yesterday()
    with open_history(plant) as history, quick_record(tmp_path) as record:
        times = await store_minutes(history, plant, start, 60)
        await forward_until(
            lambda: lines_until(record) == times[-1],
            plant,
            record,
            history,
            SystemClock(),
            batch_lines=12,
            **QUICK,
        )
        await history.flush()
        facts = [(f.kind, f.subject) for f in history.facts(kinds=(LOST, REFUSED, BACK))]
        details = " ".join(f.detail for f in history.facts(kinds=(LOST, REFUSED)))
    assert len(set(stub.taken)) == 3 * 60
    once = [(LOST, "forward"), (REFUSED, "forward"), (BACK, "forward")]
    assert facts == [*once, (LOST, "forward"), (BACK, "forward")]
    assert "s3cret" not in details


@pytest.mark.asyncio
async def test_the_service_forwards(tmp_path: Path, stub: Stub) -> None:
    """A plant file with a [forward] table is enough: the service sends what its store holds."""
    plant = forward_plant(tmp_path, stub.url)
    with open_history(plant) as history:
        times = await store_minutes(history, plant, yesterday(), 20)
    (tmp_path / "export.csv").write_text("time," + ",".join(f"X{n}" for n in range(8)) + ",V3\n")
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    wanted = {str(t).encode() for t in times}

    def answer(lines: list[bytes], count: int) -> tuple[int, dict[str, str], bytes]:
        wanted.difference_update(line.rsplit(b" ", 1)[1] for line in lines)
        if not wanted:
            loop.call_soon_threadsafe(stop.set)
        return 204, {}, b""

    stub.answer = answer
    async with asyncio.timeout(60):
        await serve(plant, stop, page=False)
    assert wanted == set()


# kills

CHILD = """
import asyncio, sys
from pathlib import Path
from daemon.clock import SystemClock
from daemon.forward import Forwarder
from daemon.record import Record
from tests.forward_kit import forward_plant, open_history

async def main(folder, url):
    plant = forward_plant(folder, url)
    with open_history(plant) as history, Record.open(folder) as record:
        forwarder = Forwarder(record, history, plant, SystemClock(), note=history.add_fact,
                              batch_lines=30, look_every_s=0.05)
        await forwarder.run()

asyncio.run(main(Path(sys.argv[1]), sys.argv[2]))
"""


def start_child(folder: Path, url: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder), url],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


@pytest.mark.asyncio
async def test_a_kill_between_yes_and_mark_loses_nothing(tmp_path: Path, stub: Stub) -> None:
    """Killed when the server has taken lines and the mark has not moved: sent twice, never lost."""
    plant = forward_plant(tmp_path, stub.url)
    quick_record(tmp_path).close()
    with open_history(plant) as history:
        times = await store_minutes(history, plant, yesterday(), 100)
    kills = {2, 5, 9}
    children: list[subprocess.Popen[bytes]] = []
    killed: list[bytes] = []

    def answer(lines: list[bytes], count: int) -> tuple[int, dict[str, str], bytes] | None:
        if count in kills:
            children[-1].send_signal(signal.SIGKILL)
            children[-1].wait()
            # The server has them; its yes comes to nobody.
            stub.taken.extend(lines)
            killed.extend(lines)
            return None
        return 204, {}, b""

    stub.answer = answer
    try:
        for n in range(len(kills) + 1):
            children.append(start_child(tmp_path, stub.url))
            if n < len(kills):
                assert children[-1].wait(timeout=60) == -signal.SIGKILL
        with Record.open(tmp_path, read_only=True) as record:
            async with asyncio.timeout(60):
                while True:
                    if lines_until(record) == times[-1]:
                        break
                    await asyncio.sleep(0.02)
    finally:
        for child in children:
            child.kill()
            child.wait()
    with open_history(plant) as history:
        assert [f.subject for f in history.facts(kinds=("daemon_killed",))] == ["daemon"] * 4
    sent = {int(line.rsplit(b" ", 1)[1]) for line in stub.taken}
    assert len(set(stub.taken)) == 3 * 100, "lost"
    assert sent == set(times)
    assert all(stub.taken.count(line) >= 2 for line in killed), "the unmarked are sent again"


def test_a_store_with_the_first_migration_only_is_brought_up(tmp_path: Path) -> None:
    """A record from before forwarding gets its tables, and keeps what it holds."""
    connection = sqlite3.connect(tmp_path / "record.db")
    connection.executescript((MIGRATIONS / "0001.sql").read_text(encoding="utf-8"))
    with connection:
        connection.execute("INSERT INTO event VALUES (1, 1.0, 'A', 'note', 'kept', '')")
        connection.execute("PRAGMA user_version = 1")
    connection.close()
    with Record.open(tmp_path) as record:
        assert record.forwarded("A", "minute") is None
        record.put_forwarded("A", "minute", 120.0, -math.inf)
        record.put_forwarded("A", "minute", 180.0, 60.0)
        record.park_line(5.0, "m f=1.0 1", "bad")
        record.park_line(6.0, "m f=1.0 1", "bad again")
        assert record.forwarded("A", "minute") == (180.0, 60.0)
        assert record.dead_lines() == [(5.0, "m f=1.0 1", "bad")]
        assert [e.detail for e in record.events("A")] == ["kept"]
        assert record.learned("A") == []
