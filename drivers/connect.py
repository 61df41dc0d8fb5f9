"""The driver of a device, by the name of its protocol. A new protocol is one more entry here."""

from collections.abc import Callable

from drivers.protocol import BadSource, Device, Driver


def _modbus_tcp(device: Device) -> Driver:
    from drivers.modbus import ModbusTcp

    return ModbusTcp(device)


def _opcua(device: Device) -> Driver:
    from drivers.opcua import Opcua  # 0.3 s and 40 MB: only where there is such a device

    return Opcua(device)


def _csv(device: Device) -> Driver:
    from drivers.csvtail import CsvDriver

    return CsvDriver(device)


PROTOCOLS: dict[str, Callable[[Device], Driver]] = {
    "modbus-tcp": _modbus_tcp,
    "opcua": _opcua,
    "csv": _csv,
}
LATER = ("modbus-tls", "modbus-rtu-tcp", "modbus-serial")
"""In the plant file's contract, but not in this version."""


def connect(device: Device) -> Driver:
    """The driver for `device`. It connects at its first read; BadSource when it never could."""
    factory = PROTOCOLS.get(device.protocol)
    if factory is None:
        what = "comes in a later version" if device.protocol in LATER else "is not known"
        raise BadSource(
            f'{device.id}: protocol "{device.protocol}" {what}; '
            f"this version reads {', '.join(PROTOCOLS)}"
        )
    if not device.timeout_s > 0.0:
        raise BadSource(f"{device.id}: timeout_s must be above 0 s, got {device.timeout_s!r}")
    return factory(device)
