"""The panel of a served plant over HTTP and from the command line, and the certificates of secure ports."""

import http.client
import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from pymodbus import FramerType

from simulator import modbus, remote
from simulator.__main__ import main
from simulator.links import Links
from simulator.modbus import Registers
from simulator.opcua import OpcuaLink
from simulator.serve import Ports, Served
from simulator.site import Site
from simulator.tls import Certificates, CertificatesUnusable, prepared
from tests.server.processes import ROOT, nothing_left

ENDS_S = 120.0
SERVING = [sys.executable, "-W", "error", "-m", "simulator"]


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    """Port of the panel of `o_ring_leak`, paused at its start, in a process of its own."""
    command = [*SERVING, "o_ring_leak", "--paused", "--control-port", "0", "--speed", "2000"]
    command += ["--end-with-parent", str(os.getpid())]
    process = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        words = process.stdout.readline().split()
        assert words[:1] == ["ready"], process.communicate(timeout=ENDS_S)
        yield int(dict(word.split("=") for word in words[1:])["control"])
        process.terminate()
        out, err = process.communicate(timeout=ENDS_S)
        assert (process.returncode, err) == (0, "")
        assert out.startswith("achieved speed ")
    finally:
        process.kill()
        process.wait()


class Panel:
    """The command `control` and `handheld` on a panel."""

    def __init__(self, port: int, capsys: pytest.CaptureFixture[str]):
        self.url = f"http://127.0.0.1:{port}"
        self._capsys = capsys

    def run(self, *words: str, status: int = 0) -> str:
        """What `control` prints: its answer, or its refusal."""
        assert main(["control", self.url, *words]) == status
        told = self._capsys.readouterr()
        assert (told.err == "") == (status == 0)
        return told.err if status else told.out

    def state(self, *words: str) -> dict[str, Any]:
        """What `control` answers."""
        answer = json.loads(self.run(*words))
        assert isinstance(answer, dict)
        return answer

    def read(self, *words: str, status: int = 0) -> list[str]:
        """Lines of `handheld`."""
        assert main(["handheld", self.url, *words]) == status
        told = self._capsys.readouterr()
        return (told.err if status else told.out).splitlines()


def test_a_plant_is_driven_from_the_command_line(
    port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Step, fault, survey, probe, clear, speed, resume and pause, each by one command on the running plant."""
    panel = Panel(port, capsys)
    assert panel.state("state") == {
        "time": "2026-01-05T00:00:00Z",
        "day": 0.0,
        "speed": 2000.0,
        "paused": True,
        "trains": {"A": {"mode": "running"}},
    }
    assert panel.state("step", "12h")["time"] == "2026-01-05T12:00:00Z"
    assert panel.state("step", "3d")["day"] == 3.5
    leak = ["o_ring_leak", "vessel=3", "joint=2", "severity=0.05", "growth=step"]
    assert panel.state("fault", *leak)["number"] == 2
    panel.run("step", "60")
    told = panel.state("state", "--truth")
    assert [fault["in_force"] for fault in told["faults"]] == [False, True]
    assert told["scenario"] == "o_ring_leak"
    survey = [line.split(",") for line in panel.read("--stage", "1")]
    assert survey[0][:3] == ["time", "vessel", "conductivity_us_cm"]
    assert max(survey[1:], key=lambda row: float(row[2]))[1] == "1-03"
    # Joint 2 lies after two elements of 1016 mm from the feed end, 200 mm of adapter not counted.
    probed = panel.read("--vessel", "1-03", "--depth-mm", "4314", "4214", "--truth")
    deeper, nearer = (float(line.split(",")[3]) for line in probed[1:])
    assert nearer > 1.5 * deeper
    assert panel.read("--train", "A", "--stage", "1")[0].startswith("time,vessel,")
    assert (
        "there is no train 'B'; trains are A"
        in panel.read("--train", "B", "--stage", "1", status=2)[0]
    )
    assert "the train has not tripped" in panel.run("restart", status=2)
    assert "there is no train 'B'" in panel.run("restart", "B", status=2)
    assert panel.state("clear", "2")["cleared"] == [2]
    assert panel.state("link", "clock_step", "protocol=opcua", "seconds=-3600")["number"] == 1
    (link,) = panel.state("state", "--truth")["links"]
    assert (link["kind"], link["protocol"], link["seconds"]) == ("clock_step", "opcua", -3600)
    assert panel.state("mend")["mended"] == [1]
    assert panel.state("speed", "100000")["speed"] == 100_000.0
    before = panel.state("state")["day"]
    assert not panel.state("resume")["paused"]
    for _ in range(10_000):
        if panel.state("state")["day"] > before:
            break
    after = panel.state("pause")
    assert after["paused"]
    assert after["day"] > before
    assert panel.state("state") == after


def test_refusals_reach_the_command_line(port: int, capsys: pytest.CaptureFixture[str]) -> None:
    """What the panel refuses ends a command with 2 and its words; a survey of nothing too."""
    panel = Panel(port, capsys)
    assert "did you mean 'scaling'" in panel.run("fault", "scalling", status=2)
    assert "until_day is 0.5; now is day" in panel.run(
        "fault", "scaling", "until_day=0.5", status=2
    )
    assert "speed must be 1 to 100000" in panel.run("speed", "0.5", status=2)
    assert "faults that can be cleared: 1" in panel.run("clear", "7", status=2)
    assert "use one of both, modbus, opcua" in panel.run("link", "hold", "protocol=x", status=2)
    assert "those that can be mended: none" in panel.run("mend", "4", status=2)
    assert panel.read("--stage", "3", status=2) == ["stage 3; the train has stages 1 to 2"]
    for words in (["step", "soon"], ["fault", "scaling", "stage"], ["dance"]):
        with pytest.raises(SystemExit) as ended:
            panel.run(*words)
        assert ended.value.code == 2
    with pytest.raises(SystemExit):
        panel.read("--stage", "1", "--day", "3")
    assert "--day is for a scenario" in capsys.readouterr().err


def asked(
    port: int,
    method: str,
    path: str,
    body: str | bytes | None = None,
    **headers: str,
) -> tuple[int, str]:
    """Status and text of one raw request."""
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=ENDS_S)
    try:
        link.request(method, path, body, {k.replace("_", "-"): v for k, v in headers.items()})
        answer = link.getresponse()
        return answer.status, answer.read().decode()
    finally:
        link.close()


@pytest.mark.parametrize(
    ("method", "path", "body", "kind", "status", "words"),
    [
        ("GET", "/nothing", None, "", 404, "known are GET /state"),
        ("POST", "/dance", "{}", "application/json", 404, "known are GET /state"),
        ("GET", "/pause", None, "", 404, "known are GET /state"),
        ("DELETE", "/state", None, "", 404, "known are GET /state"),
        ("GET", "/docs", None, "", 404, "known are GET /state"),
        ("POST", "/pause", "", "", 422, "send JSON as application/json"),
        ("POST", "/pause", "x=1", "application/x-www-form-urlencoded", 422, "send JSON"),
        ("POST", "/step", "{", "application/json", 422, "the body is not JSON"),
        ("POST", "/step", b"\xff", "application/json", 422, "the body is not JSON"),
        ("POST", "/step", "[1]", "application/json", 422, "must be one JSON object"),
        ("POST", "/step", '{"second": 1}', "application/json", 422, "it takes seconds"),
        ("POST", "/pause", '{"now": 1}', "application/json", 422, "it takes nothing"),
        ("POST", "/step", "{}", "application/json", 422, "seconds is None; give a number"),
        ("POST", "/fault", '{"kind": 5}', "application/json", 422, '"kind"'),
        ("POST", "/fault", " " * 20_000, "application/json", 422, "more than 10000 bytes"),
        ("GET", "/state?truth=maybe", None, "", 422, "write yes or no"),
        ("GET", "/state?thruth=yes", None, "", 422, 'unknown key "thruth"'),
        ("GET", "/handheld?vessel=1-03&depth_mm=deep", None, "", 422, "depth_mm is 'deep'"),
        ("GET", "/handheld?stage=one", None, "", 422, "stage is 'one'; give a whole number"),
        ("GET", "/handheld?stage=1&meter=-1", None, "", 422, "meter is '-1'"),
        ("GET", "/handheld?stage=1&compensation=odd", None, "", 422, "use one of linear, none"),
    ],
)
def test_what_the_panel_does_not_take(
    port: int, method: str, path: str, body: str | None, kind: str, status: int, words: str
) -> None:
    """Wrong paths, forms of other sites, broken bodies and unknown keys are answered with what is right."""
    headers = {"content_type": kind} if kind else {}
    got, text = asked(port, method, path, body, **headers)
    assert got == status, text
    assert words in json.loads(text)["error"]


def test_the_panel_is_for_this_machine_only(port: int) -> None:
    """It listens on loopback only, and not for a page whose name was made to point here."""
    status, _ = asked(port, "GET", "/state", host="plant.example")
    assert status == 400
    assert asked(port, "GET", "/state", host=f"localhost:{port}")[0] == 200
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as other:
        # All of 127/8 is this machine: a panel on every address would answer there too.
        assert other.connect_ex(("127.0.0.2", port)) != 0


def test_nobody_there_is_said_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    """A port where nothing, or something else, listens ends the command with 1; no address at all with 2."""
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        assert main(["control", f"http://127.0.0.1:{closed.getsockname()[1]}", "state"]) == 1
    assert "no answer" in capsys.readouterr().err
    assert main(["control", "127.0.0.1:5", "state"]) == 2
    assert "write it as http://127.0.0.1:PORT" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--modbus-tls-port", "0"], "a secure port needs --certificates FOLDER"),
        (["--opcua-secure-port", "0"], "a secure port needs --certificates FOLDER"),
        (["--paused"], "--paused needs --control-port"),
        (["--control-port", "70000"], "a port must be 0 to 65535"),
    ],
)
def test_options_that_need_others_say_so(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2 before anything is opened."""
    with pytest.raises(SystemExit) as ended:
        main(["healthy", *arguments])
    assert ended.value.code == 2
    assert words in capsys.readouterr().err


def test_points_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """`--points` names every register and node with unit and range, and opens nothing."""
    assert main(["healthy", "--points"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "unit 1" in lines[0]
    assert lines[1] == (
        "OPC UA namespace urn:brinelark:simulator; nodes nsu=urn:brinelark:simulator;s=NODE."
    )
    table = {line.split()[-1]: line for line in lines[5:]}
    assert len(table) == 23
    assert table["A/feed_flow"].split() == [
        "100",
        "float32",
        "m3/h",
        "0",
        "to",
        "160",
        "A/feed_flow",
    ]
    assert table["A/cleaning"].split()[:4] == ["90", "bit", "1", "bool"]


@pytest.mark.asyncio
@pytest.mark.parametrize("name", ["modbus-rtu", "modbus-tls", "opcua-secure", "control"])
async def test_a_taken_port_is_named(name: str, files: Certificates) -> None:
    """A further port that is in use is an error with its name, and leaves nothing open."""
    plant = Site("healthy")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(OSError, match="the port cannot be opened") as refused:
            await open_one(name, plant, port, files)
    assert refused.value.filename == f"{name} port {port}"
    await nothing_left()


async def open_one(name: str, plant: Site, port: int, files: Certificates) -> None:
    """Open one port of a plant as it is opened when it is served."""
    registers, host = Registers(plant, Links(plant)), "127.0.0.1"
    if name == "modbus-rtu":
        await modbus.opened(registers, host, port, name=name, framer=FramerType.RTU)
    elif name == "modbus-tls":
        await modbus.opened(registers, host, port, name=name, tls=files.server_context())
    elif name == "opcua-secure":
        await OpcuaLink(plant, host, port, files).open(name)
    else:
        async with remote.opened(Served(plant, ports=Ports(modbus=1, opcua=1)), port):
            raise AssertionError("opened a port that is taken")


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """Certificates in a folder of their own."""
    return prepared(tmp_path_factory.mktemp("certificates"), datetime.now(UTC))


def test_certificates_are_made_once_and_checked(tmp_path: Path) -> None:
    """A folder is filled for its owner only, used again, and refused when a file is gone or a year has passed."""
    now = datetime.now(UTC)
    folder = tmp_path / "new"
    files = prepared(folder, now)
    assert all(path.is_file() for path in files.all_files())
    assert all(path.stat().st_mode & 0o077 == 0 for path in files.all_files())
    before = files.authority.read_bytes()
    assert prepared(folder, now).authority.read_bytes() == before
    for side in ("server", "client"):
        signed = x509.load_pem_x509_certificate(files.modbus(side)[0].read_bytes())
        signed.verify_directly_issued_by(x509.load_pem_x509_certificate(before))
        own = x509.load_der_x509_certificate(files.opcua(side)[0].read_bytes())
        own.verify_directly_issued_by(own)
    with pytest.raises(CertificatesUnusable, match="empty the folder, and new ones are made"):
        prepared(folder, now + timedelta(days=366))
    files.modbus("client")[1].unlink()
    with pytest.raises(CertificatesUnusable, match=r"modbus-client\.key\.pem missing"):
        prepared(folder, now)
