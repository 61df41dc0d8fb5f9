"""The served plant, read by clients that others wrote: libmodbus, modbus-serial, jsmodbus, node-opcua."""

import json
import os
import selectors
import struct
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from simulator import client
from simulator.instruments import PER_SI
from simulator.plantfile import CLOCK_REGISTER, FIRST_REGISTER, NAMESPACE, STATUS_REGISTER, places
from simulator.site import Site
from simulator.tls import CLIENT_URI, USER, Certificates, prepared
from tests.server.processes import ROOT, compiled, need, node_command

ENDS_S = 120.0
STEP_S = 3.0 * 86400.0
BEYOND = 5000
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS = 1, 2  # exception codes of the Modbus specification


@dataclass(frozen=True)
class Line:
    """A simulator in a process of its own, with every port open, paused; and the same plant here."""

    ports: dict[str, int]
    files: Certificates
    plant: Site

    @property
    def panel(self) -> str:
        """Address of its panel."""
        return f"http://127.0.0.1:{self.ports['control']}"


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Line]:
    """`healthy` with a transmitter that is lost, three days on, and time standing still."""
    folder = tmp_path_factory.mktemp("certificates")
    command = [sys.executable, "-W", "error", "-m", "simulator", "healthy", "--paused"]
    command += ["--end-with-parent", str(os.getpid()), "--certificates", str(folder)]
    for port in ("modbus-rtu", "modbus-tls", "opcua-secure", "control"):
        command += [f"--{port}-port", "0"]
    errors = folder / "errors.txt"
    with errors.open("w") as sink:
        process = subprocess.Popen(
            command, cwd=ROOT, stdout=subprocess.PIPE, stderr=sink, text=True
        )
    try:
        assert process.stdout is not None
        words = process.stdout.readline().split()
        assert words[:1] == ["ready"], errors.read_text()
        ports = {name: int(port) for name, port in (word.split("=") for word in words[1:])}
        plant = Site("healthy")
        here = Line(ports, Certificates(folder), plant)
        lost = {"kind": "transmitter_lost", "tag": "concentrate_flow"}
        client.call(here.panel, "fault", body=lost)
        client.call(here.panel, "step", body={"seconds": STEP_S})
        plant.advance(plant.start_s + STEP_S)
        yield here
        process.terminate()
        assert process.wait(timeout=ENDS_S) == 0
        assert errors.read_text() == "", "refused clients are no news"
    finally:
        process.kill()
        process.communicate()


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """Certificates that look the same and are of another authority."""
    return prepared(tmp_path_factory.mktemp("stranger"), datetime.now(UTC))


def reads(plant: Site) -> list[tuple[str, int, int]]:
    """What every Modbus client reads: all registers from both tables, all bits, beyond, and a write."""
    count = 2 * sum(1 for i in plant.instruments.values() if not i.status)
    whole = FIRST_REGISTER + count - STATUS_REGISTER
    return [
        ("holding", STATUS_REGISTER, whole),
        ("input", STATUS_REGISTER, whole),
        ("coil", 0, 3),
        ("discrete", 0, 3),
        ("holding", BEYOND, 2),
        ("write", FIRST_REGISTER, 7),
        ("holding", STATUS_REGISTER, whole),
    ]


def check_words(plant: Site, words: list[int]) -> None:
    """All registers from the status word on are the plant's readings, in edge units."""

    def at(register: int, count: int) -> bytes:
        begin = register - STATUS_REGISTER
        return struct.pack(f">{count}H", *words[begin : begin + count])

    assert struct.unpack(">d", at(CLOCK_REGISTER, 4)) == (plant.now_s,)
    readings = plant.readings()
    for tag, place in places(plant).items():
        expected = readings[tag] * PER_SI[plant.instruments[tag].unit]
        if place.bit is not None:
            assert words[0] >> place.bit & 1 == expected, tag
            continue
        (got,) = struct.unpack(">f", at(place.register, 2))
        if tag == "A/concentrate_flow":
            assert got != got, "a lost transmitter is NaN"
        else:
            assert got == pytest.approx(expected, rel=1e-6), tag


def check_answers(plant: Site, answers: list[object]) -> None:
    """The answers to `reads`."""
    holding, inputs, coils, discrete, beyond, written, again = answers
    assert isinstance(holding, list)
    check_words(plant, holding)
    assert inputs == again == holding
    assert coils == discrete == [1, 0, 0]
    assert beyond == {"error": ILLEGAL_ADDRESS}
    assert written == {"error": ILLEGAL_FUNCTION}


def libmodbus_answers(program: Path, where: list[str], plant: Site) -> list[object]:
    """What the libmodbus client answers to `reads`."""
    asked = "".join(f"{table} {first} {count}\n" for table, first, count in reads(plant))
    done = subprocess.run(
        [str(program), *where], input=asked, capture_output=True, text=True, timeout=ENDS_S
    )
    assert done.returncode == 0, done.stderr
    answers: list[object] = []
    for text in done.stdout.splitlines():
        words = text.split()
        answers.append(
            {"error": int(words[1])} if words[0] == "error" else [int(word) for word in words]
        )
    return answers


@pytest.fixture(scope="module")
def libmodbus_client(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The libmodbus client of this folder."""
    return compiled("modbus_client", tmp_path_factory.mktemp("client"))


def test_libmodbus_reads_the_plant(line: Line, libmodbus_client: Path) -> None:
    """A C client on libmodbus finds every value and the clock, is told what does not exist, and cannot write."""
    where = ["tcp", "127.0.0.1", str(line.ports["modbus"])]
    check_answers(line.plant, libmodbus_answers(libmodbus_client, where, line.plant))


def test_libmodbus_reads_the_plant_as_rtu(
    line: Line, libmodbus_client: Path, tmp_path: Path
) -> None:
    """The same over RTU frames, with checksums, through a serial line that leads to the TCP port."""
    tty = tmp_path / "tty"
    socat = need("socat", "apt-get install -y --no-install-recommends socat")
    bridge = subprocess.Popen(
        [
            *(socat, "-d", "-d"),
            f"PTY,link={tty},raw,echo=0",
            f"TCP:127.0.0.1:{line.ports['modbus_rtu']}",
        ],
        stderr=subprocess.PIPE,
    )
    try:
        assert bridge.stderr is not None
        wait_for(bridge.stderr.fileno(), b"starting data transfer loop")
        answers = libmodbus_answers(libmodbus_client, ["rtu", str(tty)], line.plant)
        check_answers(line.plant, answers)
    finally:
        bridge.kill()
        bridge.communicate()


def wait_for(descriptor: int, words: bytes) -> None:
    """Read until some words were said."""
    heard = b""
    with selectors.DefaultSelector() as selector:
        selector.register(descriptor, selectors.EVENT_READ)
        while words not in heard:
            assert selector.select(ENDS_S), heard
            piece = os.read(descriptor, 4096)
            assert piece, heard
            heard += piece


def node_told(script: str, package: str, plan: dict[str, object]) -> dict[str, object]:
    """What a client script on node prints."""
    command, env = node_command(script, package)
    done = subprocess.run(
        [*command, json.dumps(plan)], env=env, capture_output=True, text=True, timeout=ENDS_S
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert isinstance(told, dict)
    return told


def test_npm_clients_read_the_plant(line: Line, stranger: Certificates) -> None:
    """modbus-serial on TCP, RTU over TCP and TLS, jsmodbus on TCP and TLS; a foreign certificate is refused."""
    ports = {"tcp": line.ports["modbus"], "rtu": line.ports["modbus_rtu"]}
    cert, key = line.files.modbus("client")
    other_cert, other_key = stranger.modbus("client")
    plan: dict[str, object] = {
        "ports": {**ports, "tls": line.ports["modbus_tls"]},
        "files": {
            "ca": str(line.files.authority),
            "cert": str(cert),
            "key": str(key),
            "stranger": {"cert": str(other_cert), "key": str(other_key)},
        },
        "reads": reads(line.plant),
    }
    told = node_told("modbus_clients.js", "modbus-serial", plan)
    for name in ("serial_tcp", "serial_rtu", "serial_tls", "js_tcp", "js_tls"):
        answers = told[name]
        assert isinstance(answers, list)
        check_answers(line.plant, answers)
    assert told["stranger"] == "closed" or str(told["stranger"]).startswith("refused")


def test_node_opcua_reads_the_plant(line: Line, stranger: Certificates, tmp_path: Path) -> None:
    """node-opcua without security and signed and encrypted; others are refused, and nobody can write."""
    nodes = list(line.plant.tags)
    cert, key = line.files.opcua("client")
    other_cert, other_key = stranger.opcua("client")
    plan: dict[str, object] = {
        "plain": f"opc.tcp://127.0.0.1:{line.ports['opcua']}/",
        "secure": f"opc.tcp://127.0.0.1:{line.ports['opcua_secure']}/",
        "folder": str(tmp_path / "pki"),
        "cert": str(cert),
        "key": str(key),
        "strangerCert": str(other_cert),
        "strangerKey": str(other_key),
        "uri": CLIENT_URI,
        "user": USER,
        "password": line.files.password(),
        "namespace": NAMESPACE,
        "nodes": nodes,
    }
    told = node_told("opcua_client.js", "node-opcua", plan)
    at = datetime.fromtimestamp(line.plant.now_s, UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")
    readings = line.plant.readings()
    for name in ("plain", "secure"):
        answer = told[name]
        assert isinstance(answer, dict)
        assert "refused" not in answer, answer
        for tag, got in zip(nodes, answer["readings"], strict=True):
            assert got["at"] == at
            if tag == "A/concentrate_flow":
                assert got["status"] == "BadSensorFailure"
                continue
            assert got["status"] == "Good"
            factor = PER_SI[line.plant.instruments[tag].unit]
            assert got["value"] == pytest.approx(readings[tag] * factor, rel=1e-9)
        assert answer["written"].startswith("Bad"), answer["written"]
    for name, word in (
        ("wrong_password", "BadUserAccessDenied"),
        ("anonymous", ""),
        ("stranger", ""),
        ("unsecured", ""),
    ):
        answer = told[name]
        assert isinstance(answer, dict)
        assert word in answer["refused"], told
