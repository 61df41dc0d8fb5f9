"""OPC UA: values read with their status and source time, in as few requests as the server allows."""

import asyncio
import logging
import re
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from urllib.parse import urlsplit

from asyncua import ua
from asyncua.client.client import Client
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError, UaStatusCodeError

from drivers.link import Backoff, believable, scaled
from drivers.protocol import BadSource, Device, LinkDown, OpcuaAddress, Point, Quality, Reading

NODES_PER_READ = 500
"""Nodes in one request when the server names no limit of its own."""
SESSION_MS = 30_000
"""How long a server keeps a session that was not closed. Small ones have room for a few only,
and the library's default of an hour would lock us out after a few broken connections. [ms]"""
KEEP_ALIVE_S = 10.0
"""The library's own request, which keeps the session of a slowly polled server. [s]"""
CONNECT_DEADLINES = 5
"""Connecting takes five exchanges (hello, channel, session, activation, namespaces)."""

_NUMBERS = frozenset(
    {
        ua.VariantType.Boolean,
        ua.VariantType.SByte,
        ua.VariantType.Byte,
        ua.VariantType.Int16,
        ua.VariantType.UInt16,
        ua.VariantType.Int32,
        ua.VariantType.UInt32,
        ua.VariantType.Int64,
        ua.VariantType.UInt64,
        ua.VariantType.Float,
        ua.VariantType.Double,
    }
)
_NODE = re.compile(r"(?:(?:ns=(?P<index>\d+)|nsu=(?P<uri>[^;]+));)?(?P<rest>[isg]=.+)", re.DOTALL)
# what the library raises when the server or the connection is gone, or says no to a whole request
_TROUBLE = (OSError, TimeoutError, UaError)


class _Lost(Exception):
    """No usable answer: this connection is finished."""

    def __init__(self, why: str, *, silent: bool = False) -> None:
        super().__init__(why)
        self.silent = silent  # the server said nothing: no use in saying goodbye


def severity(status: int) -> Quality:
    """Quality of an OPC UA status code, from its top two bits; the reserved fourth class is BAD.

    Source: OPC UA Part 4, StatusCode. Never by equality: the low bits carry flags.
    """
    return (Quality.GOOD, Quality.UNCERTAIN, Quality.BAD, Quality.BAD)[status >> 30 & 3]


def node_id(node: str, namespaces: Sequence[str]) -> ua.NodeId:
    """The node on a server with these namespaces; ValueError in words when there is none.

    node : `i=`, `s=` or `g=`, with `ns=N;` or `nsu=URI;` before it or nothing for namespace 0.
    """
    match = _NODE.fullmatch(node)
    if match is None:
        raise ValueError(f'node "{node}" is not understood; write ns=2;s=NAME or nsu=URI;s=NAME')
    uri, index, rest = match["uri"], match["index"] or "0", match["rest"]
    if uri is not None:
        if uri not in namespaces:
            raise ValueError(f'the server has no namespace "{uri}"; it has {", ".join(namespaces)}')
        index = str(namespaces.index(uri))
    try:
        return ua.NodeId.from_string(f"ns={index};{rest}")
    except (UaError, ValueError) as exc:
        raise ValueError(f'node "{node}" is not understood: {exc}') from exc


def to_reading(point: Point, data: ua.DataValue) -> Reading:
    """The Reading of one point from what the server sent: status kept, nothing guessed."""
    if not isinstance(point.address, OpcuaAddress):
        raise TypeError(f"{point.tag}: an OPC UA device reads nodes, not {point.address}")
    status = data.StatusCode or ua.StatusCode(ua.UInt32(0))  # left out by servers when good
    quality = severity(status.value)
    reason = "" if quality is Quality.GOOD else f"the server says {status.name}"
    source_at, doubt = _source_at(data.SourceTimestamp)
    if doubt and quality is Quality.GOOD:
        quality, reason = Quality.UNCERTAIN, doubt
    if quality is Quality.BAD:
        return Reading(point.tag, None, quality, source_at, reason)
    variant = data.Value
    if variant is None or variant.Value is None:
        return Reading(point.tag, None, Quality.BAD, source_at, "the server sent no value")
    if variant.is_array or variant.VariantType not in _NUMBERS:
        kind = "an array" if variant.is_array else f"a {variant.VariantType.name}"
        return Reading(point.tag, None, Quality.BAD, source_at, f"{kind} is not a number")
    value, wrong = scaled(float(variant.Value), point.address.scale, point.address.offset)
    if value is None:
        return Reading(point.tag, None, Quality.BAD, source_at, wrong)
    return Reading(point.tag, value, quality, source_at, reason)


def _source_at(at: datetime | None) -> tuple[datetime | None, str]:
    if at is None:
        return None, ""
    at = at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    if not believable(at.timestamp()):
        return None, f"source time {at.isoformat()} is no time from 2000 to 2100"
    return at, ""


class Opcua:
    """`drivers.protocol.Driver` for an OPC UA server without security.

    Namespace indexes are looked up at each connect, because they may move when the server
    restarts. After any failure the client object is thrown away.
    """

    def __init__(
        self,
        device: Device,
        *,
        backoff: Backoff | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        parts = urlsplit(device.url)
        if parts.scheme != "opc.tcp" or not parts.hostname:
            raise BadSource(
                f'{device.id}: url "{device.url}" is no OPC UA endpoint; write opc.tcp://HOST:4840/'
            )
        if device.clock is not None:
            raise BadSource(
                f"{device.id}: an OPC UA device needs no clock; its values carry a source time"
            )
        self.device = device
        self.requests = 0
        self._backoff = backoff or Backoff(monotonic=monotonic)
        self._lock = asyncio.Lock()
        self._client: Client | None = None
        self._closed = False
        self._namespaces: tuple[str, ...] = ()
        self._chunk = NODES_PER_READ
        self._points: tuple[Point, ...] = ()
        self._nodes: list[ua.NodeId | str] = []
        # the library logs each loss with a traceback; we report it in words
        log = logging.getLogger("asyncua")
        if log.level == logging.NOTSET:
            log.setLevel(logging.CRITICAL)

    async def read(self, points: Sequence[Point]) -> list[Reading]:
        """One Reading for each Point, in order; see `drivers.protocol.Driver.read`."""
        async with self._lock:
            if not points:
                return []
            if self._closed:
                raise LinkDown(f"{self.device.id}: the driver is closed")
            for point in points:
                if not isinstance(point.address, OpcuaAddress):
                    raise TypeError(
                        f"{point.tag}: {self.device.id} reads nodes, not {point.address}"
                    )
            if text := self._backoff.waiting():
                raise LinkDown(f"{self.device.id}: {text}")
            try:
                if self._client is not None and self._client.state.name != "CONNECTED":
                    await self._drop()  # lost since the last poll; no failure of this one
                if self._client is None:
                    await self._connect()
                readings = await self._read(tuple(points))
            except _Lost as exc:
                await self._drop(silent=exc.silent)
                raise LinkDown(f"{self.device.id}: {self._backoff.failed(str(exc))}") from exc
            except BaseException:
                await self._drop()
                raise
            self._backoff.worked()
            return readings

    async def close(self) -> None:
        """Close the session and the connection; safe to call twice."""
        self._closed = True
        async with self._lock:
            await self._drop()

    async def _connect(self) -> None:
        device = self.device
        self._client = client = Client(
            device.url, timeout=device.timeout_s, watchdog_intervall=KEEP_ALIVE_S
        )
        client.name = "brinelark"
        client.session_timeout = SESSION_MS
        deadline_s = device.timeout_s * CONNECT_DEADLINES
        try:
            async with asyncio.timeout(deadline_s):
                await client.connect()
                self._namespaces = tuple(await client.get_namespace_array())
                self._chunk = await self._nodes_per_read(client)
        except TimeoutError as exc:
            raise _Lost(
                f"no OPC UA session with {device.url} within {deadline_s:g} s", silent=True
            ) from exc
        except _TROUBLE as exc:
            raise _Lost(f"no OPC UA session with {device.url}: {_words(exc)}") from exc
        self._points = ()

    async def _nodes_per_read(self, client: Client) -> int:
        node = ua.NodeId(
            ua.Int32(ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead)
        )
        (data,) = await client.read_attributes([client.get_node(node)])
        limit = data.Value.Value if data.Value is not None else None
        # 0 means no limit (OPC UA Part 5, OperationLimitsType)
        return (
            min(limit, NODES_PER_READ) if isinstance(limit, int) and limit > 0 else NODES_PER_READ
        )

    def _resolve(self, points: tuple[Point, ...]) -> None:
        if points == self._points:
            return
        nodes: list[ua.NodeId | str] = []
        for point in points:
            assert isinstance(point.address, OpcuaAddress)  # checked in read()
            try:
                nodes.append(node_id(point.address.node, self._namespaces))
            except ValueError as exc:
                nodes.append(str(exc))
        self._points, self._nodes = points, nodes

    async def _read(self, points: tuple[Point, ...]) -> list[Reading]:
        self._resolve(points)
        found = [(i, node) for i, node in enumerate(self._nodes) if isinstance(node, ua.NodeId)]
        readings = {
            i: Reading(points[i].tag, None, Quality.BAD, reason=node)
            for i, node in enumerate(self._nodes)
            if isinstance(node, str)
        }
        answered = False
        at = 0
        while at < len(found):
            part = found[at : at + self._chunk]
            try:
                values = await self._ask([node for _, node in part])
            except _Lost as exc:
                if not answered:
                    raise
                # the device did answer: keep what it said
                await self._drop(silent=exc.silent)
                for i, _ in found[at:]:
                    readings[i] = Reading(points[i].tag, None, Quality.BAD, reason=str(exc))
                break
            if values is None:
                self._chunk = max(1, self._chunk // 2)
                continue
            answered = True
            for (i, _), data in zip(part, values, strict=True):
                readings[i] = to_reading(points[i], data)
            at += len(part)
        return [readings[i] for i in range(len(points))]

    async def _ask(self, nodes: list[ua.NodeId]) -> list[ua.DataValue] | None:
        """The values, or None when the server wants fewer nodes in one request."""
        assert self._client is not None
        device = self.device
        self.requests += 1
        try:
            async with asyncio.timeout(device.timeout_s):
                values = await self._client.read_attributes(
                    [self._client.get_node(node) for node in nodes]
                )
        except TimeoutError as exc:
            raise _Lost(
                f"no answer from {device.url} within {device.timeout_s:g} s", silent=True
            ) from exc
        except UaStatusCodeError as exc:
            if exc.code == StatusCodes.BadTooManyOperations and len(nodes) > 1:
                return None
            raise _Lost(f"{device.url} refuses to be read: {_words(exc)}") from exc
        except _TROUBLE as exc:
            raise _Lost(f"lost {device.url}: {_words(exc)}") from exc
        if len(values) != len(nodes):
            raise _Lost(f"{device.url}: asked for {len(nodes)} values, got {len(values)}")
        return values

    async def _drop(self, *, silent: bool = False) -> None:
        client, self._client = self._client, None
        if client is None:
            return
        if silent:
            # without a socket, disconnect() below does not wait for an answer
            client.disconnect_socket()
        try:
            async with asyncio.timeout(self.device.timeout_s):
                await client.disconnect()  # also ends the library's own tasks
        except _TROUBLE:
            client.disconnect_socket()
        await asyncio.sleep(0)  # the transport closes in the next round of the loop


def _words(exc: BaseException) -> str:
    return str(exc) or type(exc).__name__
