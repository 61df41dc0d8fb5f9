"""What every driver does alike, each against a server that nobody here wrote, or a growing file."""

import asyncio
import contextlib
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.connect import connect
from drivers.csvtail import CsvDriver
from drivers.link import Backoff
from drivers.modbus import ModbusTcp
from drivers.opcua import Opcua
from drivers.protocol import (
    BadSource,
    CsvAddress,
    Device,
    Driver,
    LinkDown,
    ModbusAddress,
    OpcuaAddress,
    Point,
    Quality,
)
from tests.server.processes import Server, free_port, nothing_left

TIMEOUT_S = 10.0  # long: these tests wait for answers, not for deadlines


@dataclass
class Rig:
    """A device under test: good points with their known values, a bad one, and its switch."""

    device: Device
    points: tuple[Point, ...]
    values: tuple[float, ...]
    bad: Point
    build: Callable[[Device], Driver]
    stop: Callable[[], None]
    start: Callable[[], object]

    def driver(self) -> Driver:
        return self.build(self.device)


def quick() -> Backoff:
    return Backoff(first_s=0.02, longest_s=0.1)


def modbus_rig(server: Server) -> Rig:
    floats = tuple(
        Point(f"A/{order}", ModbusAddress(2 * i, "float32", byte_order=order))
        for i, order in enumerate(("ABCD", "CDAB", "BADC", "DCBA"))
    )
    return Rig(
        device=Device("plc", "modbus-tcp", port=server.port, timeout_s=TIMEOUT_S),
        points=(*floats, Point("A/scaled", ModbusAddress(0, scale=0.5, offset=1.0))),
        values=(3.25, 3.25, 3.25, 3.25, 0x4050 / 2 + 1),
        bad=Point("A/bad", ModbusAddress(205)),
        build=lambda device: ModbusTcp(device, backoff=quick()),
        stop=server.kill,
        start=server.start,
    )


def opcua_rig(server: Server) -> Rig:
    names = ("T0", "T7", "Float", "On")
    return Rig(
        device=Device(
            "ua", "opcua", url=f"opc.tcp://127.0.0.1:{server.port}/", timeout_s=TIMEOUT_S
        ),
        points=tuple(Point(f"A/{n}", OpcuaAddress(f"nsu=urn:tests:plant;s={n}")) for n in names),
        values=(0.5, 7.5, 3.25, 1.0),
        bad=Point("A/bad", OpcuaAddress("nsu=urn:tests:plant;s=Nowhere")),
        build=lambda device: Opcua(device, backoff=quick()),
        stop=server.kill,
        start=server.start,
    )


def csv_rig(folder: Path) -> Rig:
    path = folder / "live.csv"

    def start() -> None:
        path.write_text("time,FT,PT\n2024-05-01T06:00:00Z,1,1\n2024-05-01T06:01:00Z,1.5,20\n")

    start()
    return Rig(
        device=Device("historian", "csv", path=str(path), timeout_s=TIMEOUT_S),
        points=(
            Point("A/FT", CsvAddress("FT")),
            Point("A/PT", CsvAddress("PT", scale=0.1, offset=1.0)),
        ),
        values=(1.5, 3.0),
        bad=Point("A/bad", CsvAddress("QT")),
        build=CsvDriver,
        stop=path.unlink,
        start=start,
    )


@pytest.fixture(params=["libmodbus", "modbus_serial", "jsmodbus", "node_opcua", "csv"])
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Rig:
    if request.param == "csv":
        return csv_rig(tmp_path)
    server: Server = request.getfixturevalue(request.param)
    return opcua_rig(server) if request.param == "node_opcua" else modbus_rig(server)


@pytest.mark.asyncio
async def test_one_reading_for_each_point_in_order(rig):
    """Readings carry the tags in the order asked, with the server's values, poll after poll."""
    driver = rig.driver()
    try:
        for points, values in (
            (rig.points, rig.values),
            (rig.points, rig.values),
            (rig.points[::-1], rig.values[::-1]),
            (rig.points[:1] * 2, rig.values[:1] * 2),
        ):
            readings = await driver.read(points)
            assert [r.tag for r in readings] == [p.tag for p in points]
            assert [r.value for r in readings] == pytest.approx(values)
            assert {(r.quality, r.reason) for r in readings} == {(Quality.GOOD, "")}
        assert await driver.read([]) == []
    finally:
        await driver.close()
    await nothing_left()


@pytest.mark.asyncio
async def test_a_bad_point_spoils_no_other(rig):
    """A point that the device does not have is BAD with a reason; the rest stays GOOD."""
    driver = rig.driver()
    try:
        for _ in range(2):
            readings = await driver.read([rig.points[0], rig.bad, *rig.points[1:]])
            bad = readings.pop(1)
            assert (bad.tag, bad.value, bad.quality) == (rig.bad.tag, None, Quality.BAD)
            assert bad.reason
            assert [r.value for r in readings] == pytest.approx(rig.values)
            assert {r.quality for r in readings} == {Quality.GOOD}
        (alone,) = await driver.read([rig.bad])
        assert (alone.value, alone.quality) == (None, Quality.BAD)
    finally:
        await driver.close()
    await nothing_left()


@pytest.mark.asyncio
async def test_it_comes_back_after_a_restart_while_polling(rig):
    """LinkDown while the device is away, never an old value; right values once it is back."""
    driver = rig.driver()
    try:
        assert (await driver.read(rig.points))[0].value == rig.values[0]
        rig.stop()
        for _ in range(3):
            with pytest.raises(LinkDown, match=rig.device.id):
                await driver.read(rig.points)
        rig.start()
        readings = await until_up(driver, rig.points)
        assert [r.value for r in readings] == pytest.approx(rig.values)
        assert {r.quality for r in readings} == {Quality.GOOD}
    finally:
        await driver.close()
    await nothing_left()


async def until_up(driver, points):
    """Poll until there is an answer; bounded, for the case that there never is."""
    deadline = time.monotonic() + 30.0
    while True:
        try:
            return await driver.read(points)
        except LinkDown:
            assert time.monotonic() < deadline, "the driver did not come back"
            await asyncio.sleep(0.02)


@pytest.mark.asyncio
async def test_reads_at_once_are_serialized(rig):
    """Concurrent calls get each its own answer."""
    driver = rig.driver()
    try:
        answers = await asyncio.gather(*(driver.read([p]) for p in rig.points * 3))
        assert [r.value for (r,) in answers] == pytest.approx(rig.values * 3)
    finally:
        await driver.close()
    await nothing_left()


@pytest.mark.asyncio
async def test_cancelling_passes_through_and_mixes_nothing_up(rig):
    """A read that is cancelled at any step ends as cancelled, and the next one is right."""
    driver = rig.driver()
    try:
        for steps in range(12):
            task = asyncio.create_task(driver.read(rig.points))
            for _ in range(steps):
                await asyncio.sleep(0)
            if task.cancel():  # not when it has ended already
                with pytest.raises(asyncio.CancelledError):
                    await task
            readings = await driver.read(rig.points)
            assert [r.value for r in readings] == pytest.approx(rig.values)
    finally:
        await driver.close()
    await nothing_left()


@pytest.mark.asyncio
async def test_close_is_final_and_may_be_repeated(rig):
    """Closing twice, before or after reading, is fine; reading afterwards is LinkDown."""
    driver = rig.driver()
    await driver.close()
    await driver.close()
    driver = rig.driver()
    await driver.read(rig.points)
    await driver.close()
    await driver.close()
    await nothing_left()
    with pytest.raises(LinkDown, match="closed"):
        await driver.read(rig.points)


@pytest.mark.asyncio
async def test_an_address_of_another_protocol_is_a_mistake_of_the_caller(rig):
    """A point of the wrong protocol raises TypeError with its tag."""
    driver = rig.driver()
    wrong = OpcuaAddress("s=X") if rig.device.protocol != "opcua" else CsvAddress("X")
    try:
        with pytest.raises(TypeError, match="A/wrong"):
            await driver.read([Point("A/wrong", wrong)])
    finally:
        await driver.close()
    await nothing_left()


@pytest.mark.asyncio
async def test_connect_gives_the_driver_of_the_protocol(rig):
    """The driver made by name reads the same values."""
    driver = connect(rig.device)
    try:
        assert type(driver) is type(rig.driver())
        assert [r.value for r in await driver.read(rig.points)] == pytest.approx(rig.values)
    finally:
        await driver.close()
    await nothing_left()


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", ["modbus-tcp", "opcua"])
async def test_a_dead_endpoint_is_left_alone_between_tries(protocol):
    """While backing off a read fails at once, and the text names device, reason and next try."""
    now = 0.0
    port = free_port()
    backoff = Backoff(chance=lambda: 1.0, monotonic=lambda: now)
    device = Device("plc9", protocol, port=port, url=f"opc.tcp://127.0.0.1:{port}/")
    driver = {"modbus-tcp": ModbusTcp, "opcua": Opcua}[protocol](device, backoff=backoff)
    points = [
        Point("A/x", ModbusAddress(1) if protocol == "modbus-tcp" else OpcuaAddress("s=X")),
    ]
    try:
        with pytest.raises(LinkDown, match=rf"plc9: .*{port}.*\(once; next try in 0\.5 s\)"):
            await driver.read(points)
        for _ in range(50):
            with pytest.raises(LinkDown, match=r"once; next try in 0\.5 s"):
                await driver.read(points)
        now = 0.6
        with pytest.raises(LinkDown, match=r"2 times in 1 s; next try in 1\.0 s"):
            await driver.read(points)
    finally:
        await driver.close()
    await nothing_left()


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", ["modbus-tcp", "opcua"])
async def test_a_connection_that_is_never_accepted_ends_at_the_deadline(protocol):
    """A host that drops the opening packets gives LinkDown, and leaves nothing behind.

    Linux drops them while the queue of a listening socket is full (listen(2), tcp(7)).
    """
    with socket.socket() as listener, contextlib.ExitStack() as queue:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        port = listener.getsockname()[1]
        for _ in range(4):
            waiting = queue.enter_context(socket.socket())
            waiting.setblocking(False)
            waiting.connect_ex(("127.0.0.1", port))
        device = Device(
            "plc9", protocol, port=port, url=f"opc.tcp://127.0.0.1:{port}/", timeout_s=0.3
        )
        driver = connect(device)
        address = ModbusAddress(1) if protocol == "modbus-tcp" else OpcuaAddress("s=X")
        try:
            with pytest.raises(LinkDown, match=f"plc9: no .*{port}"):
                await asyncio.wait_for(driver.read([Point("A/x", address)]), 20.0)
        finally:
            await driver.close()
        await nothing_left()


@pytest.mark.parametrize(
    ("device", "words"),
    [
        (Device("d", "modbus-tls"), 'd: protocol "modbus-tls" comes in a later version'),
        (Device("d", "modbus-rtu-tcp"), "this version reads modbus-tcp, opcua, csv"),
        (Device("d", "modbus-serial"), "comes in a later version"),
        (Device("d", "profibus"), 'protocol "profibus" is not known'),
        (Device("d", "opcua", url="http://x"), "write opc.tcp://HOST:4840/"),
        (Device("d", "csv"), "needs `path ="),
        (Device("d", "modbus-tcp", timeout_s=0.0), "timeout_s must be above 0 s"),
        (Device("d", "modbus-tcp", clock=CsvAddress("t")), "must be a register"),
        (Device("d", "modbus-tcp", clock=ModbusAddress(70000)), "outside 0 to 65535"),
        (Device("d", "opcua", url="opc.tcp://h:1/", clock=OpcuaAddress("i=1")), "needs no clock"),
        (Device("d", "csv", path="x", clock=CsvAddress("t")), "needs no clock"),
    ],
)
def test_a_device_that_can_never_be_read_is_refused(device, words):
    """BadSource says what is wrong and what this version can do."""
    with pytest.raises(BadSource) as caught:
        connect(device)
    assert words in str(caught.value)
