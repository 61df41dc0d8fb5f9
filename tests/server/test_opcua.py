"""OPC UA against node-opcua: statuses, source times, kinds of values, limits, namespaces, losses."""

import asyncio
import signal
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from asyncua import ua

from drivers.link import Backoff
from drivers.opcua import Opcua, node_id, severity, to_reading
from drivers.protocol import Device, LinkDown, OpcuaAddress, Point, Quality
from tests.server.processes import Server, free_port, node_command

PATIENT_S = 10.0
AT = datetime(2024, 5, 1, 6, tzinfo=UTC)  # as in opcua_server.js


def point(name: str, uri: str = "urn:tests:plant", **rest) -> Point:
    return Point(f"A/{name}", OpcuaAddress(f"nsu={uri};s={name}", **rest))


def driver_of(server: Server, timeout_s: float = PATIENT_S) -> Opcua:
    device = Device("ua", "opcua", url=f"opc.tcp://127.0.0.1:{server.port}/", timeout_s=timeout_s)
    return Opcua(device, backoff=Backoff(first_s=0.02, longest_s=0.1))


async def read(server, *points):
    driver = driver_of(server)
    try:
        return await driver.read(points), driver.requests
    finally:
        await driver.close()


@pytest.mark.asyncio
async def test_statuses_and_source_times_are_kept(node_opcua):
    """Uncertain keeps its value, bad has none, and each has its own source time."""
    readings, _ = await read(
        node_opcua,
        *map(point, ["T4", "LastUsable", "SensorOff", "DeviceFailure", "SensorFailure"]),
    )
    assert [(r.value, r.quality, r.source_at - AT, r.reason) for r in readings] == [
        (4.5, Quality.GOOD, timedelta(seconds=4), ""),
        (
            7.0,
            Quality.UNCERTAIN,
            timedelta(seconds=2),
            "the server says UncertainLastUsableValue",
        ),
        (
            7.0,
            Quality.UNCERTAIN,
            timedelta(seconds=2),
            "the server says UncertainSensorNotAccurate",
        ),
        (None, Quality.BAD, timedelta(seconds=3), "the server says BadDeviceFailure"),
        (None, Quality.BAD, timedelta(seconds=3), "the server says BadSensorFailure"),
    ]


@pytest.mark.asyncio
async def test_kinds_of_values(node_opcua):
    """Numbers and booleans are read; text, arrays and what is no number are BAD with the reason."""
    readings, _ = await read(
        node_opcua,
        point("Float"),
        point("Int16", scale=0.5, offset=10.0),
        point("UInt32"),
        point("On"),
        point("Off"),
        point("Text"),
        point("List"),
        point("NaN"),
        point("Infinity"),
        point("Plant"),
    )
    assert [r.value for r in readings[:5]] == [3.25, 9.0, 4e9, 1.0, 0.0]
    assert {r.quality for r in readings[:5]} == {Quality.GOOD}
    assert {(r.value, r.quality) for r in readings[5:]} == {(None, Quality.BAD)}
    assert [r.reason for r in readings[5:9]] == [
        "a String is not a number",
        "an array is not a number",
        "the device says NaN (not a number)",
        "the device says infinity",
    ]
    assert readings[9].reason == "the server says BadAttributeIdInvalid"


@pytest.mark.asyncio
async def test_the_limit_of_nodes_in_a_request_is_kept(node_opcua):
    """A server that allows ten nodes in a request gets 30 points in three."""
    readings, requests = await read(node_opcua, *(point(f"T{i}") for i in range(30)))
    assert [r.value for r in readings] == [i + 0.5 for i in range(30)]
    assert [(r.source_at - AT).total_seconds() for r in readings] == list(range(30))
    assert requests == 3


@pytest.mark.asyncio
async def test_a_limit_that_the_server_hides_is_found(node_opcua):
    """BadTooManyOperations halves the request until it is taken, and the size is remembered."""
    driver = driver_of(node_opcua)
    wanted = [point(f"T{i}") for i in range(30)]
    try:
        await driver.read(wanted[:1])
        driver._chunk = 500  # as if the server had named no limit
        before = driver.requests
        readings = await driver.read(wanted)
        assert [r.value for r in readings] == [i + 0.5 for i in range(30)]
        refused = 6  # 30 nodes in one request of up to 500, 250, 125, 62, 31 and 15
        assert driver.requests - before == refused + 5  # then 7, 7, 7, 7, 2
        await driver.read(wanted)
        assert driver.requests - before == refused + 10
    finally:
        await driver.close()


@pytest.mark.asyncio
async def test_nodes_that_cannot_be_are_bad_with_a_reason(node_opcua):
    """An unknown namespace, an unknown node and nonsense are BAD; the others are read."""
    bad, unknown, nonsense, good = (
        await read(
            node_opcua,
            point("T0", uri="urn:tests:elsewhere"),
            point("Nowhere"),
            Point("A/nonsense", OpcuaAddress("T0")),
            point("T0"),
        )
    )[0]
    assert 'the server has no namespace "urn:tests:elsewhere"; it has ' in bad.reason
    assert unknown.reason == "the server says BadNodeIdUnknown"
    assert 'node "T0" is not understood; write ns=2;s=NAME' in nonsense.reason
    assert good.value == 0.5


@pytest.fixture
def shifting(pki) -> Iterator[Server]:
    """A node-opcua server of this test's own."""
    command, env = node_command("opcua_server.js", "node-opcua")
    server = Server([*command, str(free_port()), str(pki), "1000"], env=env)
    try:
        yield server
    finally:
        server.kill()


@pytest.mark.asyncio
async def test_a_namespace_that_moves_is_found_again(shifting):
    """After a restart with other namespaces before it, the same node is read, not its neighbor."""
    driver = driver_of(shifting.start())
    wanted = [point("T3")]
    try:
        assert (await driver.read(wanted))[0].value == 3.5
        index = driver._namespaces.index("urn:tests:plant")
        shifting.kill()
        shifting.command.extend(["urn:tests:first", "urn:tests:second"])
        shifting.start()
        for _ in range(1000):
            try:
                (reading,) = await driver.read(wanted)
                break
            except LinkDown:
                await asyncio.sleep(0.02)
        assert (reading.value, reading.quality) == (3.5, Quality.GOOD)
        assert driver._namespaces.index("urn:tests:plant") == index + 2
    finally:
        await driver.close()


@pytest.mark.asyncio
async def test_a_frozen_server_is_a_dead_link_within_the_deadline(node_opcua):
    """A server that stops answering gives LinkDown, and its values again when it goes on."""
    driver = driver_of(node_opcua, timeout_s=2.0)
    wanted = [point("T3")]
    try:
        assert (await driver.read(wanted))[0].value == 3.5
        node_opcua.signal(signal.SIGSTOP)
        with pytest.raises(LinkDown, match="ua: "):
            await asyncio.wait_for(driver.read(wanted), 15.0)
        node_opcua.signal(signal.SIGCONT)
        for _ in range(1000):
            try:
                (reading,) = await driver.read(wanted)
                break
            except LinkDown:
                await asyncio.sleep(0.02)
        assert reading.value == 3.5
    finally:
        node_opcua.signal(signal.SIGCONT)
        await driver.close()


@pytest.mark.asyncio
async def test_a_session_that_is_not_closed_is_soon_forgotten(node_opcua):
    """The server agrees to drop a lost session within 30 s, so that its few places stay free."""
    driver = driver_of(node_opcua)
    try:
        await driver.read([point("T0")])
        assert driver._client.session_timeout <= 30_000  # as the server revised it
    finally:
        await driver.close()


class Cable:
    """Passes bytes between a client and a server until it is cut after so many requests."""

    def __init__(self, to_port: int) -> None:
        self.to_port = to_port
        self.requests_left = 1_000_000
        self.port = 0
        self._ends: list[asyncio.StreamWriter] = []
        self._tasks: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> "Cable":
        self._server = await asyncio.start_server(self._plug, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for end in self._ends:
            end.close()
        await asyncio.gather(*self._tasks)
        await self._server.wait_closed()

    async def _plug(self, reader, writer) -> None:
        server_reader, server_writer = await asyncio.open_connection("127.0.0.1", self.to_port)
        self._ends += [writer, server_writer]
        self._tasks.append(asyncio.create_task(self._pass(server_reader, writer, False)))
        self._tasks.append(asyncio.create_task(self._pass(reader, server_writer, True)))

    async def _pass(self, reader, writer, counted) -> None:
        try:
            while piece := await reader.read(65536):
                self.requests_left -= counted
                if self.requests_left < 0:
                    break
                writer.write(piece)
        except ConnectionError:
            pass
        for end in self._ends if self.requests_left < 0 else [writer]:
            end.close()


@pytest.mark.asyncio
async def test_what_was_read_before_a_cut_is_kept(node_opcua):
    """When the connection breaks between two requests of a poll, only the rest is BAD."""
    wanted = [point(f"T{i}") for i in range(25)]  # three requests of ten, ten and five
    async with Cable(node_opcua.port) as cable:
        device = Device("ua", "opcua", url=f"opc.tcp://127.0.0.1:{cable.port}/", timeout_s=10.0)
        driver = Opcua(device, backoff=Backoff(first_s=0.02, longest_s=0.1))
        try:
            assert (await driver.read(wanted[:1]))[0].value == 0.5
            cable.requests_left = 2
            readings = await driver.read(wanted)
            assert [r.value for r in readings] == [i + 0.5 for i in range(20)] + [None] * 5
            assert {(r.quality, r.reason[:5]) for r in readings[20:]} == {(Quality.BAD, "lost ")}
            cable.requests_left = 1_000_000
            readings = await driver.read(wanted)
            assert [r.value for r in readings] == [i + 0.5 for i in range(25)]
        finally:
            await driver.close()


@pytest.mark.asyncio
@pytest.mark.parametrize("answer", [None, b"", b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\0" * 64])
async def test_a_port_that_speaks_no_opc_ua_is_a_dead_link(answer):
    """Silence, a hang-up, another protocol and zeros all end in LinkDown and leave nothing open."""
    ended = []

    async def serve(reader, writer):
        await reader.read(8)
        if answer is not None:
            writer.write(answer)
            if not answer:
                writer.close()
        while await reader.read(1000):
            pass
        writer.close()
        ended.append(True)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    driver = Opcua(Device("ua", "opcua", url=f"opc.tcp://127.0.0.1:{port}/", timeout_s=0.3))
    try:
        with pytest.raises(
            LinkDown, match=f"ua: no OPC UA session with opc.tcp://127.0.0.1:{port}"
        ):
            await driver.read([point("T0")])
        for _ in range(1000):
            if ended:
                break
            await asyncio.sleep(0.01)
        assert ended == [True]
    finally:
        await driver.close()
        server.close()
        await server.wait_closed()


def test_the_reserved_severity_is_bad():
    """The fourth class has no meaning (OPC UA Part 4), so it is not trusted."""
    assert severity(0xC0000000) is Quality.BAD


def test_a_source_time_that_cannot_be_makes_a_reading_uncertain():
    """1601, the OPC UA zero time, is no time of a reading; the value is kept as UNCERTAIN."""
    data = ua.DataValue(
        ua.Variant(3.25, ua.VariantType.Double), SourceTimestamp=datetime(1601, 1, 1, tzinfo=UTC)
    )
    reading = to_reading(point("x"), data)
    assert (reading.value, reading.quality, reading.source_at) == (3.25, Quality.UNCERTAIN, None)
    assert "1601" in reading.reason


def test_no_source_time_is_none():
    """A server that sends no source time gives a GOOD reading without one."""
    reading = to_reading(point("x"), ua.DataValue(ua.Variant(3.25, ua.VariantType.Double)))
    assert (reading.value, reading.quality, reading.source_at) == (3.25, Quality.GOOD, None)
    reading = to_reading(point("x"), ua.DataValue())
    assert (reading.value, reading.quality) == (None, Quality.BAD)


def test_node_ids():
    """Numeric, text and GUID identifiers, with index, URI or neither."""
    spaces = ["http://opcfoundation.org/UA/", "urn:a", "urn:b;c"]
    assert node_id("i=2258", spaces) == ua.NodeId(ua.Int32(2258), ua.Int16(0))
    assert node_id("ns=2;s=a;b=c", spaces) == ua.NodeId("a;b=c", ua.Int16(2))
    assert node_id("nsu=urn:a;s=x=1", spaces) == ua.NodeId("x=1", ua.Int16(1))
    guid = "72962b91-fa75-4ae6-8d28-b404dc7daf63"
    assert str(node_id(f"ns=1;g={guid}", spaces).Identifier) == guid
    for wrong in ("", "x=1", "ns=a;i=1", "ns=1;i=abc", "g=12", "nsu=urn:z;i=1"):
        with pytest.raises(ValueError, match=r"not understood|no namespace"):
            node_id(wrong, spaces)
