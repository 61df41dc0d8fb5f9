"""From a notice to a finished job over real sockets: survey, probe, work pack, repair, and the train comes back."""

import asyncio
import csv
import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from daemon import maintenance
from daemon.eventlog import LoggedEvent
from daemon.record import Record
from daemon.replay import Source, replay
from simulator import client
from tests.story.plant_kit import ROOT, Heard, free_port, load, simulated, watch

SPEED = 16_000
AT_WORK = 60
"""While the technician is at it, a second is a minute of the plant."""

SCENARIO = """
title = "A joint lets go"
description = "From the third day on an O-ring of vessel 1-05, between its third and fourth element, wears out."
days = 60

[expected]
outcome = "notice"
cause = "o_ring_leak"
action = "probe"
stage = 1

[[fault]]
kind = "o_ring_leak"
onset_day = 2.3
growth = "linear"
grows_days = 0.6
severity = 0.02
stage = 1
vessel = 5
joint = 3
"""


class Technician:
    """Somebody with a handheld meter, a phone with the command line, and the panel of the plant."""

    def __init__(self, plant_file: Path, panel: str) -> None:
        self.plant_file = plant_file
        self.panel = panel
        self.folder = plant_file.parent

    def says(self, command: str, *arguments: object) -> str:
        """What a command answers."""
        done = subprocess.run(
            [sys.executable, "-m", "daemon", command, str(self.plant_file), *map(str, arguments)],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode in (0, 1), done.stderr
        return done.stdout

    def asks(self, command: str, *arguments: object) -> Any:
        """What a command answers to a machine."""
        return json.loads(self.says(command, *arguments, "--json"))

    def sheet(self, name: str, columns: dict[str, str], query: str) -> Path:
        """Readings of the handheld meter as a CSV: its columns by the names of the meter's."""
        readings = client.call(self.panel, "handheld", query=query)["readings"]
        out = io.StringIO()
        writer = csv.writer(out)
        writer.writerow(columns)
        writer.writerows([reading[of] for of in columns.values()] for reading in readings)
        path = self.folder / name
        path.write_text(out.getvalue(), encoding="utf-8")
        return path

    def mends_what_the_notice_asks_for(self, notice: dict[str, Any]) -> None:
        """Survey of the stage, probe of the worst vessel, work pack, new O-rings, and the log."""
        client.call(self.panel, "speed", body={"speed": AT_WORK})
        stage = notice["stage"]
        measured = {"conductivity_us_cm": "conductivity_us_cm", "temperature_c": "temperature_c"}
        sheet = self.sheet("survey.csv", {"vessel": "vessel", **measured}, f"stage={stage}")
        (vessel,) = self.asks("survey", sheet, "--train=A", f"--stage={stage}")["suspects"]
        sheet = self.sheet(
            "probe.csv",
            {"distance_mm": "depth_mm", **measured},
            f"vessel={vessel}&every_mm=508",
        )
        answer = self.asks("probe", sheet, "--train=A", f"--vessel={vessel}")
        assert (answer["verdict"], answer["where"]) == ("o_ring_leak", "1-05/3-4"), answer
        pack = self.folder / "pack.html"
        self.says("workpack", f"--notice={notice['notice']}", f"--vessel={vessel}", f"--out={pack}")
        assert vessel in pack.read_text(encoding="utf-8")
        self.says("log", "--train=A", "--event=seals_replaced", "--detail=1-05/3-4", "--by=Kim")
        cleared = client.call(self.panel, "clear", body={"number": 1})
        assert cleared["cleared"] == [1]
        client.call(self.panel, "speed", body={"speed": SPEED})


def test_from_a_notice_to_a_train_that_is_fit_for_service(tmp_path: Path) -> None:
    """A leak is told, found, mended and followed: fit for service within hours, the notice cleared and closed."""
    port = free_port()
    more = (f"--control-port={port}",)
    with simulated(tmp_path, SCENARIO, speed=SPEED, more=more) as plant_of:
        plant = load(plant_of)
        technician = Technician(plant_of.plant_file, f"http://127.0.0.1:{port}")
        work: list[asyncio.Task[None]] = []

        def finished(heard: Heard) -> bool:
            raised = heard.bodies()
            if raised and not work:
                mending = asyncio.to_thread(technician.mends_what_the_notice_asks_for, raised[0])
                work.append(asyncio.get_running_loop().create_task(mending))
            if work and work[0].done() and work[0].exception():
                return True
            return bool(raised) and any(
                body["notice"] == raised[0]["notice"] for body in heard.bodies("cleared")
            )

        async def run() -> Heard:
            heard = await watch(plant, finished, limit_s=300.0)
            await asyncio.gather(*work)
            return heard

        heard = asyncio.run(run())

    leak = heard.bodies()[0]
    (back,) = [body for body in heard.bodies() if "fit for service since" in body["message"]]
    assert (leak["cause"], leak["stage"], leak["action"]) == ("o_ring_leak", 1, "probe")
    with Record.open(tmp_path / "store") as record:
        (entry,) = maintenance.entries(record, "A")
        assert entry.service is not None
        assert entry.service.fit_at is not None, entry.service.missing
        assert 0.0 < entry.service.fit_at - entry.event.t < 6 * 3600.0
        assert len(entry.service.evidence) >= 3
        journal = [line.body for line in record.journal()]
        logged = LoggedEvent(entry.event.t, "A", entry.event.event, entry.event.detail)
    # A replay of the same minutes with the same event says the same, to the byte.
    again = tmp_path / "again"
    again.mkdir()
    replay(plant, Source(plant, tmp_path / "store"), again, events=[logged])
    with Record.open(again, read_only=True) as record:
        assert [line.body for line in record.journal()] == journal
        assert [e.plain()["service"] for e in maintenance.entries(record, "A")] == [
            entry.plain()["service"]
        ]
    technician.says("notices", f"--acknowledge={leak['notice']}", "--by=Kim")
    with Record.open(tmp_path / "store", read_only=True) as record:
        closed = record.notice(leak["notice"])
        assert closed is not None
        assert not closed.live, "back to normal and acknowledged: closed"
        good_news = record.notice(back["notice"])
        assert good_news is not None
        assert not good_news.live, "it closed by itself"
