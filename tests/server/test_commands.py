"""The commands as a person runs them: processes, exit codes, what they print and write."""

import contextlib
import csv
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from daemon import plantfile
from daemon.notices import Notices
from daemon.record import Record
from rules.findings import CauseProbability, Finding, Presence
from tests.story.plant_kit import ROOT, simulated


def brinelark(*arguments: object, columns: int = 160) -> subprocess.CompletedProcess[str]:
    """One run of the command line."""
    return subprocess.run(
        [sys.executable, "-m", "daemon", *map(str, arguments)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=240,
        env={**os.environ, "COLUMNS": str(columns)},
    )


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with 20 days of a scaling train as a historian CSV every five minutes, and its plant file."""
    folder = tmp_path_factory.mktemp("export")
    made = brinelark(
        "simulate", "tail_scaling", "--days", 20, "--step-minutes", 5,
        "--export", folder / "history.csv", "--write-plant", folder / "plant.toml",
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    return folder


def test_help_names_every_command() -> None:
    """`brinelark --help` lists the commands and says what the tool is not."""
    shown = brinelark("--help")
    assert shown.returncode == 0
    for name in ("demo", "run", "check", "replay", "simulate", "notices", "log"):
        assert f" {name} " in shown.stdout
    assert "no safety system" in " ".join(shown.stdout.replace("│", " ").split())


def test_replay_tells_the_scaling_before_its_limit(export: Path, tmp_path: Path) -> None:
    """The notice comes with cause, stage, action and forecast; the lines have the keys of the contract."""
    out, trends = tmp_path / "out.jsonl", tmp_path / "trends.csv"
    done = brinelark(
        "replay", export / "plant.toml", "--data", export / "history.csv",
        "--notices", out, "--trends", trends, "--json",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    summary = json.loads(done.stdout)
    assert summary["raised"] == sum(line["event"] == "raised" for line in lines) == 1
    first = lines[0]
    assert list(first) == [
        "time", "train", "event", "notice", "stage", "cause", "causes", "action", "priority",
        "since", "forecast", "deviation", "message",
    ]  # fmt: skip
    assert (first["cause"], first["stage"], first["action"]) == ("scaling", 2, "clean")
    assert first["since"] < first["time"] < first["forecast"]["limit_at"]
    with trends.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 1500
    assert float(rows[-1]["2/permeate_flow"]) < -0.02
    assert abs(float(rows[-1]["1/permeate_flow"])) < 0.02


def test_replay_takes_an_events_log(export: Path, tmp_path: Path) -> None:
    """Membranes replaced on day 12: the decline so far becomes the new baseline; return and what goes on are told."""
    log, out = tmp_path / "events.csv", tmp_path / "out.jsonl"
    log.write_text(
        "time,train,event,detail\n2026-01-17T00:00:00Z,A,membranes_replaced,all of stage 2\n"
    )
    done = brinelark(
        "replay", export / "plant.toml", "--data", export / "history.csv",
        "--notices", out, "--log", log, "--json",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    first, *later = [line for line in lines if line["event"] == "raised"]
    assert "fit for service" in first["message"]
    assert json.loads(done.stdout)["raised"] == 1 + len(later)
    # The export knows nothing of the new membranes: its scale grows on, told by what came since alone.
    assert all(line["cause"] == "scaling" and line["since"] > "2026-01-18" for line in later)
    assert all(0.0 < line["deviation"]["2"]["salt_passage"] < 0.08 for line in later)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("when,train\n", "events.csv:1: the header must be time,train,event,detail"),
        (
            "time,train,event,detail\n2026-01-17,A,note,\n",
            "events.csv:2: time '2026-01-17' has no zone",
        ),
        (
            "time,train,event,detail\n2026-01-17T00:00:00Z,B,cleaned,\n",
            "events.csv:2: train 'B' is not in the plant file; it has A",
        ),
        (
            "time,train,event,detail\n2026-01-17T00:00:00Z,A,cleaned,\n",
            "event 'cleaned' is not known",
        ),
    ],
)
def test_a_bad_events_log_is_refused_with_its_line(
    export: Path, tmp_path: Path, content: str, told: str
) -> None:
    """Exit code 2, the place, and what would do."""
    log = tmp_path / "events.csv"
    log.write_text(content)
    done = brinelark(
        "replay", export / "plant.toml", "--data", export / "history.csv",
        "--notices", tmp_path / "out.jsonl", "--log", log,
    )  # fmt: skip
    assert done.returncode == 2
    assert told in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("", "history.csv"),
        ("time,X\n2026-01-01T00:00:00Z,1\n", "none of its columns is named in the plant file"),
    ],
)
def test_data_that_cannot_be_used_is_refused(
    export: Path, tmp_path: Path, content: str, told: str
) -> None:
    """Exit code 2 and the reason, no traceback."""
    data = tmp_path / "history.csv"
    data.write_text(content)
    done = brinelark(
        "replay", export / "plant.toml", "--data", data, "--notices", tmp_path / "out.jsonl"
    )
    assert done.returncode == 2
    assert told in done.stderr
    assert "Traceback" not in done.stderr


def test_a_bad_plant_file_is_refused_with_all_its_problems(tmp_path: Path) -> None:
    """Exit code 2 and one line for each problem, for every command that takes a plant file."""
    plant = tmp_path / "plant.toml"
    plant.write_text(
        '[site]\nname = "x"\ncolor = "red"\n[[device]]\nid = "p"\nprotocol = "smoke"\n'
    )
    for command in (["check"], ["run"], ["notices"]):
        done = brinelark(*command, plant)
        assert done.returncode == 2, command
        assert 'plant.toml:3: unknown key "color"' in done.stderr.replace("site: ", "")
        assert "plant.toml:6" in done.stderr
        assert "Traceback" not in done.stderr


def test_check_finds_a_sound_plant_sound_and_a_wrong_register(tmp_path: Path) -> None:
    """Exit code 0 and every point ok; then 1 and what to look at, when one register is wrong."""
    with simulated(tmp_path, "healthy", speed=1.0, interval_s=1.0) as plant:
        sound = brinelark("check", plant.plant_file, "--json")
        assert sound.returncode == 0, sound.stdout
        (train,) = json.loads(sound.stdout)
        assert {p["verdict"] for p in train["points"]} == {"ok"}
        assert train["sound"] is True
        sheet = brinelark("check", plant.plant_file).stdout
        assert "normalized for stage 2: permeate flow, salt passage, pressure drop" in sheet
        text = plant.plant_file.read_text(encoding="utf-8")
        wrong = tmp_path / "wrong.toml"
        wrong.write_text(text.replace("register = 104", "register = 106"), encoding="utf-8")
        looked = brinelark("check", wrong)
        assert looked.returncode == 1
        assert "feed_conductivity" in looked.stdout
        assert "permeate conductivity" in looked.stdout
    gone = brinelark("check", plant.plant_file, "--json")
    assert gone.returncode == 1
    (train,) = json.loads(gone.stdout)
    assert {p["verdict"] for p in train["points"]} == {"bad"}
    assert all(p["value"] is None and p["reason"] for p in train["points"])


def test_notices_are_shown_acknowledged_and_shelved(export: Path, tmp_path: Path) -> None:
    """The list, one notice with its journal, and what a person does to it."""
    text = (export / "plant.toml").read_text(encoding="utf-8")
    plant_file = tmp_path / "plant.toml"
    plant_file.write_text(re.sub(r"(?m)^folder = .*$", 'folder = "store"', text), encoding="utf-8")
    if 'folder = "store"' not in plant_file.read_text(encoding="utf-8"):
        plant_file.write_text(text + '\n[store]\nfolder = "store"\n', encoding="utf-8")
    nothing = brinelark("notices", plant_file)
    assert nothing.returncode == 1
    assert "no record" in nothing.stderr
    plant = plantfile.load(plant_file)
    plant.store.folder.mkdir(parents=True)
    with Record.open(plant.store.folder) as record:
        finding = Finding(
            "frozen:A/1/feed_pressure",
            Presence.PRESENT,
            stage=1,
            causes=(CauseProbability("instrument_fault", 0.99, "A/1/feed_pressure"),),
            action="check_instrument",
            priority="high",
            notice_class="alarm",
            message="A/1/feed_pressure has not moved at all.",
        )
        Notices(record, plant).process("A", 1_767_571_200.0, [finding], state="steady", progress=1)
    listed = json.loads(brinelark("notices", plant_file, "--json").stdout)
    assert [(n["notice"], n["state"], n["action"]) for n in listed] == [
        ("A-0001", "UNACK", "check_instrument")
    ]
    nameless = brinelark("notices", plant_file, "--acknowledge", "A-0001")
    assert nameless.returncode == 2
    assert "--by" in nameless.stderr
    seen = brinelark("notices", plant_file, "--acknowledge", "A-0001", "--by", "Kim")
    assert seen.returncode == 0, seen.stderr
    assert "acknowledged" in brinelark("notices", plant_file).stdout
    again = brinelark("notices", plant_file, "--acknowledge", "A-0001", "--by", "Kim")
    assert again.returncode == 2
    assert "Kim" in again.stderr
    aside = brinelark(
        "notices", plant_file, "--shelve", "A-0001", "--by", "Kim", "--hours", 2, "--reason", "spare ordered"
    )  # fmt: skip
    assert aside.returncode == 0, aside.stderr
    shown = json.loads(brinelark("notices", plant_file, "--show", "A-0001", "--json").stdout)
    assert [line["event"] for line in shown["journal"]] == ["raised", "acknowledged", "shelved"]
    assert brinelark("notices", plant_file, "--show", "A-0009").returncode == 1


def test_a_demo_that_is_killed_leaves_no_simulator(tmp_path: Path) -> None:
    """The simulator sees that its parent has gone, and ends: its port is free again."""
    demo = subprocess.Popen(
        [sys.executable, "-m", "daemon", "demo", "--port", "0", "--speed", "10"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "TMPDIR": str(tmp_path), "PYTHONUNBUFFERED": "1"},
    )
    assert demo.stdout is not None
    try:
        assert "Page: " in "".join(line for line, _ in zip(demo.stdout, range(2), strict=False))
        (plant_file,) = tmp_path.glob("brinelark-demo-*/plant.toml")
        device = plantfile.load(plant_file).devices["plc1"]
        assert device.host is not None
        assert device.port is not None
        with socket.create_connection((device.host, device.port), timeout=60) as link:
            demo.kill()
            demo.wait()
            with contextlib.suppress(ConnectionResetError):
                assert link.recv(1) == b""
        # A process that is being killed closes its sockets in any order.
        for _ in range(100):
            try:
                socket.create_connection((device.host, device.port), timeout=60).close()
            except ConnectionRefusedError:
                break
            time.sleep(0.1)
        else:
            pytest.fail("the simulator still takes connections")
    finally:
        demo.kill()
        demo.communicate()


def test_run_finds_a_port_in_use_before_it_warns(tmp_path: Path) -> None:
    """Exit code 2 and the port; the standing warnings of the plant file come only when it runs."""
    with (
        simulated(tmp_path, "healthy", speed=1.0, interval_s=1.0) as plant,
        socket.socket() as other,
    ):
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        text = plant.plant_file.read_text(encoding="utf-8")
        text = re.sub(r"(?ms)^\[page\]\n.*?(?=^\[|\Z)", f"[page]\nport = {port}\n\n", text)
        plant.plant_file.write_text(text, encoding="utf-8")
        done = brinelark("run", plant.plant_file)
    assert done.returncode == 2
    assert f"cannot listen on 127.0.0.1 port {port}" in done.stderr
    assert "no [[contact]]" not in done.stderr


def test_run_speaks_for_itself_only(tmp_path: Path) -> None:
    """When a plant goes away, our own lines tell it; the libraries' do not."""
    with simulated(tmp_path, "healthy", speed=1.0, interval_s=0.2) as plant:
        run = subprocess.Popen(
            [sys.executable, "-m", "daemon", "run", str(plant.plant_file)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        assert run.stdout is not None
        said: list[str] = []
        try:
            for line in run.stdout:
                said.append(line)
                if line.startswith("watching; page at http://127.0.0.1:"):
                    break
            plant.process.kill()
            lost = 0
            for line in run.stdout:
                said.append(line)
                lost += "link lost" in line
                if lost == 2:
                    break
            run.send_signal(signal.SIGTERM)
            rest, _ = run.communicate(timeout=30)
        finally:
            run.kill()
            run.communicate()
    assert run.returncode == 0
    text = "".join(said) + rest
    assert text.index("no [[contact]]") < text.index("watching; page at")
    for line in text.splitlines():
        assert not re.search("pymodbus|asyncua|uvicorn", line), line


def test_demo_tells_the_first_notice_and_shows_it_on_the_page() -> None:
    """Within its time the demo prints the notice with cause, action and forecast; Ctrl-C ends all of it."""
    demo = subprocess.Popen(
        [sys.executable, "-m", "daemon", "demo", "--port", "0", "--speed", "30000"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "COLUMNS": "160", "PYTHONUNBUFFERED": "1"},
    )
    assert demo.stdout is not None
    try:
        said: list[str] = []
        address = ""
        for line in demo.stdout:
            said.append(line)
            found = re.search(r"http://127\.0\.0\.1:\d+/", line)
            address = found.group() if found else address
            if "Forecast:" in line:
                break
        text = "".join(said)
        assert "raised" in text
        assert "Cause:    scaling" in text
        assert "Action:   clean" in text
        with urllib.request.urlopen(address, timeout=10) as page:
            assert "Scaling, stage 2" in page.read().decode()
        demo.send_signal(signal.SIGINT)
        rest, errors = demo.communicate(timeout=30)
        assert demo.returncode == 0, errors
        assert rest.rstrip().endswith("Stopped.")
        assert "Traceback" not in errors
    finally:
        demo.kill()
        demo.communicate()
