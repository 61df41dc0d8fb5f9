"""Link faults of the served plant, met by protocol clients over real sockets."""

import asyncio
import math
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import NamedTuple

import pytest
from asyncua.client.client import Client
from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusIOException

from simulator.control import Control, Refused
from simulator.plantfile import CLOCK_REGISTER, FIRST_REGISTER, NAMESPACE
from simulator.serve import Ports, Served
from simulator.site import Site
from tests.server.processes import nothing_left


@asynccontextmanager
async def modbus(
    port: int, framer: FramerType, answers_s: float = 5.0
) -> AsyncIterator[AsyncModbusTcpClient]:
    """A Modbus client that asks once."""
    client = AsyncModbusTcpClient(
        "127.0.0.1", port=port, framer=framer, timeout=answers_s, retries=0, reconnect_delay=0
    )
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


class Seen(NamedTuple):
    """What an OPC UA client gets of a variable."""

    value: object
    status: str
    at_s: float


async def seen(link: Served, tags: list[str]) -> list[Seen]:
    """Variables by OPC UA."""
    async with Client(f"opc.tcp://127.0.0.1:{link.ports.opcua}/") as client:
        index = await client.get_namespace_index(NAMESPACE)
        values = await client.read_attributes([client.get_node(f"ns={index};s={t}") for t in tags])
    out = []
    for value in values:
        assert value.SourceTimestamp is not None
        assert value.StatusCode is not None
        held = None if value.Value is None else value.Value.Value
        out.append(Seen(held, value.StatusCode.name, value.SourceTimestamp.timestamp()))
    return out


@pytest.mark.asyncio
async def test_links_fail_and_are_mended() -> None:
    """Exceptions, short replies, silence, statuses, stale samples and servers that are gone, one after another."""
    plant = Site("healthy")
    async with Served(plant, ports=Ports(modbus_rtu=0)) as link:
        await link.pause()
        panel = Control(link)
        assert link.ports.modbus_rtu is not None
        doors = ((link.ports.modbus, FramerType.SOCKET), (link.ports.modbus_rtu, FramerType.RTU))
        for door in doors:
            async with modbus(*door) as client:
                number = await panel.spoil({"kind": "exception", "code": 6})
                for read in (client.read_holding_registers, client.read_coils):
                    reply = await read(0, count=1)
                    assert reply.isError()
                    assert reply.exception_code == 6
                assert await panel.mend(number) == [number]
                number = await panel.spoil({"kind": "short"})
                reply = await client.read_holding_registers(FIRST_REGISTER, count=10)
                assert len(reply.registers) == 9
                await panel.mend(number)
                reply = await client.read_holding_registers(FIRST_REGISTER, count=10)
                assert len(reply.registers) == 10
            async with modbus(*door, answers_s=0.2) as client:
                number = await panel.spoil({"kind": "silent"})
                with pytest.raises(ModbusIOException):
                    await client.read_holding_registers(FIRST_REGISTER, count=10)
                assert client.connected
                await panel.mend(number)

        tags = ["A/permeate_flow", "A/concentrate_flow", "A/2/feed_pressure"]
        for kind, tag in zip(("uncertain_status", "bad_status", "nan"), tags, strict=True):
            await panel.spoil({"kind": kind, "tag": tag.partition("/")[2]})
        flow, bad, nan = await seen(link, tags)
        assert flow[:2] == (plant.readings()["A/permeate_flow"], "UncertainSensorNotAccurate")
        assert bad[:2] == (None, "BadSensorFailure")
        assert nan.status == "Good"
        assert isinstance(nan.value, float)
        assert math.isnan(nan.value)
        assert len(await panel.mend()) == 3

        await panel.spoil({"kind": "hold", "protocol": "opcua"})
        before = plant.now_s
        await panel.step(600.0)
        (stale,) = await seen(link, tags[:1])
        assert stale.at_s == before
        async with modbus(*doors[0]) as client:
            reply = await client.read_holding_registers(CLOCK_REGISTER, count=4)
            (stamp,) = struct.unpack(">d", struct.pack(">4H", *reply.registers))
            assert stamp == before + 600.0
        await panel.mend()
        (fresh,) = await seen(link, tags[:1])
        assert fresh.at_s == before + 600.0

        number = await panel.spoil({"kind": "down", "protocol": "modbus"})
        for port, _ in doors:
            assert not await AsyncModbusTcpClient("127.0.0.1", port=port, timeout=1).connect()
        assert (await seen(link, tags[:1]))[0].status == "Good"
        await panel.mend(number)
        async with modbus(*doors[0]) as client:
            assert not (await client.read_holding_registers(FIRST_REGISTER, count=2)).isError()
        await panel.spoil({"kind": "down"})
        with pytest.raises(ConnectionRefusedError):
            await seen(link, tags)
        await panel.mend()
        assert {one.status for one in await seen(link, tags)} == {"Good"}
        with pytest.raises(Refused, match="those that can be mended: none"):
            await panel.mend(1)
    await nothing_left()


@pytest.mark.asyncio
async def test_a_silent_opcua_server_takes_connections_and_answers_nothing() -> None:
    """The old connection stays open unanswered, a new one too; Modbus goes on; mended, the old one is answered."""
    plant = Site("healthy")
    async with Served(plant) as link:
        await link.pause()
        panel = Control(link)
        address = f"opc.tcp://127.0.0.1:{link.ports.opcua}/"
        async with Client(address) as client:
            index = await client.get_namespace_index(NAMESPACE)
            node = client.get_node(f"ns={index};s=A/permeate_flow")
            before = await node.read_value()
            number = await panel.spoil({"kind": "silent", "protocol": "opcua"})
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(node.read_value(), 0.3)
            _, writer = await asyncio.open_connection("127.0.0.1", link.ports.opcua)
            writer.close()
            await writer.wait_closed()
            with pytest.raises(TimeoutError):
                await Client(address, timeout=0.3).connect()
            async with modbus(link.ports.modbus, FramerType.SOCKET) as other:
                assert not (await other.read_holding_registers(FIRST_REGISTER, count=2)).isError()
            assert await panel.mend(number) == [number]
            assert await node.read_value() == before
    await nothing_left()


@pytest.mark.asyncio
async def test_a_planned_silence_of_opcua_comes_and_goes() -> None:
    """The story of the silent OPC UA server: no answer from day 9.2 to 9.6, the same connection answers then."""
    plant = Site("link_half_open_opcua")
    async with Served(plant) as link:
        await link.pause()
        async with Client(f"opc.tcp://127.0.0.1:{link.ports.opcua}/") as client:
            index = await client.get_namespace_index(NAMESPACE)
            node = client.get_node(f"ns={index};s=A/permeate_flow")
            await link.step(9.1 * 86400.0)
            await node.read_value()
            await link.step(0.2 * 86400.0)
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(node.read_value(), 0.3)
            await link.step(0.4 * 86400.0)
            assert await node.read_value() == plant.readings()["A/permeate_flow"]


@pytest.mark.asyncio
async def test_a_planned_loss_comes_and_goes_by_itself() -> None:
    """A story that says the link is lost from day 9.2 to 10.1: nobody listens in between, then as before."""
    plant = Site("link_lost_for_a_day")
    async with Served(plant) as link:
        await link.pause()
        await link.step(9.1 * 86400.0)
        async with modbus(link.ports.modbus, FramerType.SOCKET) as client:
            assert (
                len((await client.read_holding_registers(FIRST_REGISTER, count=4)).registers) == 4
            )
        await link.step(0.2 * 86400.0)
        gone = AsyncModbusTcpClient(
            "127.0.0.1", port=link.ports.modbus, retries=0, reconnect_delay=0
        )
        assert not await gone.connect()
        gone.close()
        await link.step(1.0 * 86400.0)
        async with modbus(link.ports.modbus, FramerType.SOCKET) as client:
            assert (
                len((await client.read_holding_registers(FIRST_REGISTER, count=4)).registers) == 4
            )
