"""The served plant, read by protocol clients over real sockets on free ports."""

import asyncio
import math
import os
import signal
import socket
import struct
import subprocess
import sys
import tomllib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
from asyncua import Client, ua
from pymodbus.client import AsyncModbusTcpClient

from simulator.instruments import PER_SI
from simulator.plantfile import CLOCK_REGISTER, NAMESPACE, places, served
from simulator.serve import Achieved, Served, serve
from simulator.site import Site

ROOT = Path(__file__).resolve().parents[2]
HOUR = 3600.0


def plant_table(plant: Site, link: Served) -> dict[str, list[dict[str, object]]]:
    """The plant file of a served plant, parsed; the points of all trains under "point", each with its train."""
    text = served(plant, modbus_port=link.ports.modbus, opcua_port=link.ports.opcua)
    table = tomllib.loads(text)
    points = [{**p, "train": train["id"]} for train in table["train"] for p in train["point"]]
    return {"device": table["device"], "point": points}


def tag_of(point: dict[str, object]) -> str:
    """Tag that a point of the plant file stands for."""
    stage = f"{point['stage']}/" if "stage" in point else ""
    return f"{point['train']}/{stage}{point['role']}"


async def modbus_value(client: AsyncModbusTcpClient, point: dict[str, object]) -> float:
    """Value of one Modbus point, decoded by the rules of the plant file."""
    register = int(str(point["register"]))
    table = point.get("table", "holding")
    if table == "coil":
        return float((await client.read_coils(register, count=1)).bits[0])
    if table == "discrete":
        return float((await client.read_discrete_inputs(register, count=1)).bits[0])
    read = client.read_input_registers if table == "input" else client.read_holding_registers
    if point["type"] == "bool":
        words = (await read(register, count=1)).registers
        return float(words[0] >> int(str(point["bit"])) & 1)
    words = (await read(register, count=2)).registers
    return float(struct.unpack(">f", struct.pack(">2H", *words))[0])


async def clock(client: AsyncModbusTcpClient) -> float:
    """The plant's clock register."""
    words = (await client.read_holding_registers(CLOCK_REGISTER, count=4)).registers
    return float(struct.unpack(">d", struct.pack(">4H", *words))[0])


async def opcua_values(client: Client, nodes: Sequence[str]) -> list[ua.DataValue]:
    """Data values of nodes given with a namespace URI."""
    index = await client.get_namespace_index(NAMESPACE)
    names = [node.replace(f"nsu={NAMESPACE};", f"ns={index};") for node in nodes]
    return await client.read_attributes([client.get_node(name) for name in names])


async def connected(link: Served) -> AsyncModbusTcpClient:
    """A Modbus client of a served plant."""
    client = AsyncModbusTcpClient("127.0.0.1", port=link.ports.modbus, timeout=3, retries=0)
    assert await client.connect()
    return client


@pytest.mark.asyncio
@pytest.mark.parametrize("scenario", ["healthy", "two_pass_healthy"])
async def test_both_protocols_show_the_readings_in_edge_units(scenario: str) -> None:
    """Every point of the plant file, of every train, read where it says, is the plant's reading in its unit."""
    plant = Site(scenario)
    async with Served(plant) as link:
        await link.tick(plant.start_s + 30.0 * HOUR)
        table = plant_table(plant, link)
        readings = plant.readings()
        on_modbus = [p for p in table["point"] if p["device"] == "plc1"]
        on_opcua = [p for p in table["point"] if p["device"] == "ua1"]
        assert len(on_modbus) + len(on_opcua) == len(readings)
        assert min(len(on_modbus), len(on_opcua)) >= 10
        client = await connected(link)
        for point in on_modbus:
            factor = PER_SI[str(point.get("unit", ""))]
            got = await modbus_value(client, point)
            assert got == pytest.approx(readings[tag_of(point)] * factor, rel=1e-6), point
        assert await clock(client) == plant.now_s
        client.close()
        async with Client(f"opc.tcp://127.0.0.1:{link.ports.opcua}/") as ua_client:
            values = await opcua_values(ua_client, [str(p["node"]) for p in on_opcua])
        for point, value in zip(on_opcua, values, strict=True):
            factor = PER_SI[str(point.get("unit", ""))]
            assert value.Value.Value == pytest.approx(readings[tag_of(point)] * factor, rel=1e-9)
            assert value.StatusCode.is_good()
            stamp = value.SourceTimestamp
            assert abs(stamp.timestamp() - plant.now_s) < 1e-3
        units = {str(p.get("unit")) for p in table["point"]}
        assert {"bar", "psi", "µS/cm", "mS/cm", "°C", "m3/h"} <= units


@pytest.mark.asyncio
async def test_status_bits_follow_the_plant() -> None:
    """While cleaning: coil, discrete input and register bit say so on Modbus, Booleans on OPC UA."""
    plant = Site("cleaned_scale")
    async with Served(plant) as link:
        table = plant_table(plant, link)
        status = {
            str(p["role"]): p
            for p in table["point"]
            if p["role"] in ("running", "cleaning", "flushing")
        }
        client = await connected(link)
        seen = []
        for day in (26.0, 26.302, 26.5):
            await link.tick(plant.start_s + day * 24.0 * HOUR)
            seen.append(
                [await modbus_value(client, status[r]) for r in ("running", "cleaning", "flushing")]
            )
        client.close()
        async with Client(f"opc.tcp://127.0.0.1:{link.ports.opcua}/") as ua_client:
            (value,) = await opcua_values(ua_client, [f"nsu={NAMESPACE};s=A/cleaning"])
        assert value.Value.Value is True
    assert seen == [[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, 1.0, 0.0]]


@pytest.mark.asyncio
async def test_a_failed_transmitter_is_bad_and_nan() -> None:
    """A tag marked bad has a Bad status on OPC UA and NaN on Modbus; its neighbors stay good."""
    plant = Site("healthy")
    async with Served(plant) as link:
        link.bad = {"A/permeate_flow", "A/1/feed_pressure"}
        await link.tick(plant.start_s + HOUR)
        client = await connected(link)
        register = places(plant)["A/1/feed_pressure"].register
        point: dict[str, object] = {"register": register, "type": "float32"}
        assert math.isnan(await modbus_value(client, point))
        point["register"] = register + 2
        assert math.isfinite(await modbus_value(client, point))
        async with Client(f"opc.tcp://127.0.0.1:{link.ports.opcua}/") as ua_client:
            nodes = [f"nsu={NAMESPACE};s=A/{s}" for s in ("permeate_flow", "concentrate_flow")]
            bad, good = await opcua_values(ua_client, nodes)
            assert bad.StatusCode.is_bad()
            assert good.StatusCode.is_good()
            link.bad.clear()
            await link.tick(plant.start_s + 2 * HOUR)
            (mended,) = await opcua_values(ua_client, nodes[:1])
            assert mended.StatusCode.is_good()
        client.close()


@pytest.mark.asyncio
async def test_nobody_can_write() -> None:
    """Writes are refused on both protocols and change nothing; a wrong register is an exception reply."""
    plant = Site("healthy")
    async with Served(plant) as link:
        client = await connected(link)
        before = (await client.read_holding_registers(100, count=2)).registers
        assert (await client.write_registers(100, [1, 2])).isError()
        assert (await client.write_coil(0, False)).isError()
        assert (await client.read_holding_registers(100, count=2)).registers == before
        assert (await client.read_coils(0, count=1)).bits[0] is True
        assert (await client.read_holding_registers(5000, count=2)).isError()
        client.close()
        async with Client(f"opc.tcp://127.0.0.1:{link.ports.opcua}/") as ua_client:
            index = await ua_client.get_namespace_index(NAMESPACE)
            node = ua_client.get_node(f"ns={index};s=A/permeate_flow")
            with pytest.raises(ua.UaStatusCodeError):
                await node.write_value(1.0)


@pytest.mark.asyncio
async def test_plant_time_runs_at_its_speed() -> None:
    """At 20 000x the clock register runs forward with the readings until the plant time asked for."""
    plant = Site("healthy")
    ready: asyncio.Future[Served] = asyncio.get_running_loop().create_future()
    stop = asyncio.Event()
    until = plant.start_s + 8.0 * HOUR
    running = asyncio.create_task(
        serve(plant, speed=20_000.0, stop=stop, on_ready=ready.set_result, until_s=until)
    )
    link = await ready
    client = await connected(link)
    stamps = []
    while len(stamps) < 6:
        stamp = await clock(client)
        if not stamps or stamp != stamps[-1]:
            stamps.append(stamp)
        await asyncio.sleep(0.005)
    client.close()
    achieved = await running
    assert stamps == sorted(stamps)
    assert all(plant.start_s <= s <= until for s in stamps)
    assert plant.now_s == until
    assert isinstance(achieved, Achieved)
    assert achieved.plant_s == 8.0 * HOUR
    # Never faster than asked; how much slower is up to the machine, and is told.
    assert achieved.speed <= 20_000.0 * 1.001
    assert "achieved speed" in str(achieved)


@pytest.mark.asyncio
async def test_ports_are_free_again_after_stopping() -> None:
    """A stopped plant leaves its ports, so that another can be served on the same ones at once."""
    async with Served(Site("healthy")) as link:
        ports = link.ports
    again = Served(Site("healthy"), ports=ports)
    async with again as link:
        client = await connected(link)
        assert await clock(client) == link.site.now_s
        client.close()
    await again.close()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_command_serves_and_stops_cleanly(number: signal.Signals, tmp_path: Path) -> None:
    """The command says `ready` with its ports, writes the plant file before, and a signal ends it with 0."""
    plant_file = tmp_path / "plant.toml"
    command = [sys.executable, "-W", "error", "-m", "simulator", "demo", "--speed", "5000"]
    command += ["--write-plant", str(plant_file), "--interval", "0.2", "--page-port", "0"]
    process = subprocess.Popen(
        command,
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline().split()
        assert line[0] == "ready", process.communicate(timeout=20)
        ports = {part.partition("=")[0]: int(part.partition("=")[2]) for part in line[1:]}
        table = tomllib.loads(plant_file.read_text())
        process.send_signal(number)
        out, err = process.communicate(timeout=30)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, err
    assert out.startswith("achieved speed ")
    assert err == ""
    modbus, opcua = table["device"]
    assert modbus["port"] == ports["modbus"]
    assert opcua["url"] == f"opc.tcp://127.0.0.1:{ports['opcua']}/"
    assert modbus["interval_s"] == 0.2
    assert modbus["clock"] == opcua["clock"] == "device"
    assert table["page"]["port"] == 0


@pytest.mark.parametrize("option", ["--modbus-port", "--opcua-port"])
def test_port_in_use_is_said_in_words(option: str) -> None:
    """A port that is taken ends the command with status 1 and names the port."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "simulator", "demo", option, str(port)],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=60,
        )
    assert done.returncode == 1
    assert f"port {port}: the port cannot be opened" in done.stderr
    assert "Traceback" not in done.stderr


def test_speed_out_of_range_is_refused() -> None:
    """Speeds below 1 and above 100 000 raise."""
    plant = Site("healthy", start=datetime(2026, 3, 1, tzinfo=UTC))
    for speed in (0.5, 200_000.0):
        with pytest.raises(ValueError, match="speed must be 1 to 100000"):
            Served(plant, speed=speed)
