"""Devices: what their keys mean together, and conversion to what drivers take."""

from pathlib import Path
from urllib.parse import urlsplit

from daemon.plantfile.problems import Report, either, shown
from daemon.plantfile.result import DeviceClock
from daemon.plantfile.schema import DeviceTable
from daemon.plantfile.validate import Checked
from drivers.protocol import Device, ModbusAddress

PROTOCOLS = ("modbus-tcp", "opcua", "csv")
LATER = {
    "modbus-tls": "use modbus-tcp on a protected network",
    "modbus-rtu-tcp": "use modbus-tcp, which most gateways also speak",
    "modbus-serial": "use modbus-tcp through a serial gateway",
}
"""Names of the contract that this version knows and refuses, with the way around."""

_KEYS_OF = {
    "modbus-tcp": {
        "host",
        "port",
        "unit_id",
        "clock_register",
        "clock_byte_order",
        "clock_table",
    },
    "opcua": {"url"},
    "csv": {"path"},
}
_OWN = set().union(*_KEYS_OF.values())


def known_protocol(device: Checked[DeviceTable]) -> str | None:
    """The protocol, when it is one that points can be checked against."""
    if device.ok("protocol") and device.table.protocol in PROTOCOLS:
        return device.table.protocol
    return None


def check(device: Checked[DeviceTable], report: Report) -> None:
    """Report everything that is wrong between the keys of one device."""
    table, loc = device.table, device.loc
    if device.ok("protocol"):
        _check_protocol(table.protocol, device, report)
    protocol = known_protocol(device)
    if protocol is None:
        return
    given = table.model_fields_set
    for name in sorted((given & _OWN) - _KEYS_OF[protocol]):
        takes = either(sorted(_KEYS_OF[protocol]), "and")
        report.problem(
            (*loc, name),
            f"{name} does not belong to a device of protocol {protocol}",
            f"remove it; {protocol} takes {takes}",
        )
    if protocol == "modbus-tcp":
        _check_modbus(device, report)
    elif protocol == "opcua":
        _check_opcua(device, report)
    else:
        if table.path is None and device.ok("path"):
            report.warning(loc, "no path, so only replay with --data can read it")
        if device.ok("clock") and table.clock == "gateway":
            report.problem(
                (*loc, "clock"),
                'clock "gateway" does not fit a csv device, whose rows carry their own time',
                'remove clock, or write clock = "device"',
            )


def _check_protocol(protocol: str, device: Checked[DeviceTable], report: Report) -> None:
    at = (*device.loc, "protocol")
    if protocol in LATER:
        report.problem(at, f'protocol "{protocol}" is not in this version', LATER[protocol])
    elif protocol not in PROTOCOLS:
        report.problem(at, f'protocol "{protocol}" is not known', f"use {either(PROTOCOLS)}")


def _check_modbus(device: Checked[DeviceTable], report: Report) -> None:
    table, loc = device.table, device.loc
    if device.ok("host"):
        if table.host is None:
            report.problem(
                loc, '"host" is missing', 'add the address of the device, like host = "10.0.0.7"'
            )
        elif not _is_host(table.host):
            report.problem(
                (*loc, "host"),
                f"host {shown(table.host)} is not a host name or address",
                'write the bare name or address, like host = "10.0.0.7", and the port as port = 502',
            )
    if not device.ok("clock", "clock_register"):
        return
    if table.clock == "device" and table.clock_register is None:
        report.problem(
            (*loc, "clock"),
            'clock = "device" without clock_register',
            "add clock_register, the first of 4 registers with float64 seconds since 1970 UTC, "
            'or write clock = "gateway"',
        )
    for name in ("clock_register", "clock_byte_order", "clock_table"):
        if table.clock != "device" and getattr(table, name) is not None:
            report.problem(
                (*loc, name),
                f'{name} is given but clock is not "device"',
                f'add clock = "device", or remove {name}',
            )


def _check_opcua(device: Checked[DeviceTable], report: Report) -> None:
    table, loc = device.table, device.loc
    remedy = 'write url = "opc.tcp://HOST:PORT", like url = "opc.tcp://10.0.0.8:4840"'
    if not device.ok("url"):
        return
    if table.url is None:
        report.problem(loc, '"url" is missing', remedy)
    elif not _is_url(table.url, ("opc.tcp",)):
        report.problem((*loc, "url"), f"url {shown(table.url)} is not an OPC UA endpoint", remedy)


def _is_host(text: str) -> bool:
    """A bare host name, IPv4 or IPv6 address: no scheme, no port, no blanks."""
    if any(c.isspace() or c in "/@?#[]" for c in text):
        return False
    return text.count(":") != 1  # one colon is a port; IPv6 has more


def _is_url(text: str, schemes: tuple[str, ...]) -> bool:
    try:
        parts = urlsplit(text)
        port_is_fine = parts.port is None or parts.port > 0
    except ValueError:
        return False
    return parts.scheme in schemes and bool(parts.hostname) and port_is_fine and " " not in text


def clock_of(table: DeviceTable) -> DeviceClock:
    """Whose clock stamps the readings of this device."""
    if table.protocol == "csv":
        return "device"
    return table.clock or "gateway"


def convert(table: DeviceTable, folder: Path) -> Device:
    """A checked device as drivers take it. Relative paths start at the plant file's folder."""
    clock = None
    if table.clock == "device" and table.clock_register is not None:
        clock = ModbusAddress(
            register=table.clock_register,
            type="float64",
            table=table.clock_table or "holding",
            byte_order=table.clock_byte_order or "ABCD",
        )
    return Device(
        id=table.id,
        protocol=table.protocol,
        host=table.host or "127.0.0.1",
        port=502 if table.port is None else table.port,
        unit_id=1 if table.unit_id is None else table.unit_id,
        url=table.url or "",
        path="" if table.path is None else str(folder / table.path),
        timeout_s=table.timeout_s,
        interval_s=table.interval_s,
        clock=clock,
    )
