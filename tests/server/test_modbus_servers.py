"""Values of Modbus servers built on other people's stacks: libmodbus (C) and two npm packages."""

import pytest

from drivers.modbus import ModbusTcp
from drivers.protocol import Device, ModbusAddress, Point, Quality

PATIENT_S = 10.0


def point(register, kind="uint16", **rest):
    return Point(f"A/{register}/{kind}", ModbusAddress(register, kind, **rest))


async def read(server, *points, clock=None):
    device = Device("plc", "modbus-tcp", port=server.port, timeout_s=PATIENT_S, clock=clock)
    driver = ModbusTcp(device)
    try:
        return await driver.read(points), driver.requests
    finally:
        await driver.close()


@pytest.mark.asyncio
async def test_every_type_from_libmodbus(libmodbus):
    """Each type and byte order of the C server's hand-written registers, in one request a table."""
    wanted = {
        point(8, "int16"): -2,
        point(8): 65534,
        point(9, "bool", bit=2): 1,
        point(9, "bool", bit=3): 0,
        point(9, bit=15): 1,
        point(10, "int32"): -2,
        point(12, "uint32", byte_order="CDAB"): 0x01020304,
        point(14, "float64"): 3.25,
        point(18, "float64", byte_order="DCBA"): 3.25,
        point(30, "uint32"): 1700000000,
        point(99, table="input", scale=0.1): 109.9,
        point(0, table="input"): 1000,
        point(63, "bool", table="coil"): 1,
        point(62, "bool", table="coil"): 0,
        point(60, "bool", table="discrete"): 1,
        point(61, "bool", table="discrete"): 0,
    }
    readings, requests = await read(libmodbus, *wanted)
    assert [r.value for r in readings] == pytest.approx(list(wanted.values()))
    assert {r.quality for r in readings} == {Quality.GOOD}
    assert requests == 5  # the two input registers are too far apart for one


@pytest.mark.asyncio
async def test_what_is_no_number_in_libmodbus(libmodbus):
    """NaN and infinity of the C server are BAD, and its clock stamps what is GOOD."""
    clock = ModbusAddress(26, "float64")
    readings, requests = await read(
        libmodbus, point(22, "float32"), point(24, "float32"), point(8), clock=clock
    )
    assert [r.quality for r in readings] == [Quality.BAD, Quality.BAD, Quality.GOOD]
    # 1700000000 s since 1970 by `date -u -d @1700000000` of GNU coreutils
    assert readings[2].source_at.isoformat() == "2023-11-14T22:13:20+00:00"
    assert requests == 1


@pytest.mark.asyncio
async def test_the_npm_servers_give_their_values(modbus_serial, jsmodbus):
    """Registers of modbus-serial and jsmodbus hold their own address; 125 come in one request."""
    for server in (modbus_serial, jsmodbus):
        wanted = [point(r) for r in range(10, 135)]
        readings, requests = await read(server, *wanted)
        assert [r.value for r in readings] == list(range(10, 135))
        assert requests == 1


@pytest.mark.asyncio
async def test_the_other_tables_of_modbus_serial(modbus_serial):
    """Input registers, coils and discrete inputs of the npm server."""
    readings, _ = await read(
        modbus_serial,
        point(40, table="input"),
        point(12, "bool", table="coil"),
        point(13, "bool", table="coil"),
        point(25, "bool", table="discrete"),
        point(26, "bool", table="discrete"),
    )
    assert [r.value for r in readings] == [1040, 1, 0, 1, 0]


@pytest.mark.asyncio
async def test_each_stack_says_no_in_its_own_way(libmodbus, modbus_serial, jsmodbus):
    """Exception 2, exception 4 and an empty answer all end in one BAD point beside a good one."""
    said = {
        libmodbus: "exception 2",
        modbus_serial: "exception 4",
        jsmodbus: "asked for 1, the device sent 0",
    }
    for server, words in said.items():
        (good, bad), _ = await read(server, point(199), point(200))
        assert good.quality is Quality.GOOD
        assert (bad.value, bad.quality) == (None, Quality.BAD)
        assert words in bad.reason
