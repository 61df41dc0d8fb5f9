"""The plant file that fits the simulated plant, ready for `brinelark run` or `brinelark replay`."""

import json
from dataclasses import dataclass
from pathlib import Path

from simulator.instruments import PER_SI, Instrument
from simulator.plant import Plant
from simulator.site import Site

CLOCK_REGISTER = 94  # beside the points, so that one request gets values and their time
STATUS_REGISTER, STATUS_REGISTERS = 90, 4
BITS = 16  # of a register
FIRST_REGISTER = 100
NAMESPACE = "urn:brinelark:simulator"
UNIT_ID = 1
ON_OPCUA = (
    "feed_ph",
    "feed_orp",
    "feed_turbidity",
    "permeate_flow",
    "permeate_conductivity",
    "concentrate_flow",
    "concentrate_conductivity",
)


@dataclass(frozen=True)
class Extras:
    """Optional tables of the plant file; None leaves a table out."""

    store: str | None = None
    page_port: int | None = None


@dataclass(frozen=True)
class Place:
    """Where a served signal is found on Modbus."""

    register: int
    bit: int | None = None

    @property
    def coil(self) -> int:
        """Number of a status bit as a coil and as a discrete input."""
        return BITS * (self.register - STATUS_REGISTER) + (self.bit or 0)


def places(site: Site) -> dict[str, Place]:
    """Register of every tag; status bits share registers (and are coils and inputs too)."""
    out: dict[str, Place] = {}
    register, bit = FIRST_REGISTER, 0
    for tag, instrument in site.instruments.items():
        if instrument.status:
            out[tag] = Place(STATUS_REGISTER + bit // BITS, bit % BITS)
            bit += 1
        else:
            out[tag] = Place(register)
            register += 2
    return out


def node(tag: str) -> str:
    """Node identifier of a tag on the OPC UA server."""
    return f"nsu={NAMESPACE};s={tag}"


def points(site: Site) -> str:
    """Register map and node list of the served plant, as a table to read.

    The same on every port: Modbus TCP, RTU over TCP and TLS; OPC UA with and without security.
    """
    where = places(site)
    lines = [
        f"Modbus unit {UNIT_ID}, holding and input registers, big endian (ABCD); read only.",
        f"OPC UA namespace {NAMESPACE}; nodes nsu={NAMESPACE};s=NODE.",
        "",
        f"{'register':<12}{'type':<9}{'unit':<7}{'range':<16}node",
        f"{CLOCK_REGISTER:<12}{'float64':<9}{'s':<7}{'':<16}(plant time, seconds since 1970-01-01 UTC)",
    ]
    for tag, instrument in site.instruments.items():
        place = where[tag]
        if place.bit is not None:
            # The bits are coils and discrete inputs too.
            register, kind, span = f"{place.register} bit {place.bit}", "bool", f"coil {place.coil}"
        else:
            factor = PER_SI[instrument.unit]
            register, kind = str(place.register), "float32"
            span = f"{instrument.low * factor:g} to {instrument.high * factor:g}"
        lines.append(f"{register:<12}{kind:<9}{instrument.unit:<7}{span:<16}{tag}")
    return "\n".join(lines)


def served(
    site: Site,
    *,
    modbus_port: int,
    opcua_port: int,
    interval_s: float = 1.0,
    extras: Extras | None = None,
    host: str = "127.0.0.1",
) -> str:
    """Text of the plant file for the served plant: half of the points on each protocol."""
    lines = _head(site, extras or Extras())
    lines += [
        "[[device]]",
        'id = "plc1"',
        'protocol = "modbus-tcp"',
        f"host = {_text(host)}",
        f"port = {modbus_port}",
        f"unit_id = {UNIT_ID}",
        f"interval_s = {interval_s:g}",
        "timeout_s = 2.0",
        'clock = "device"',
        f"clock_register = {CLOCK_REGISTER}  # float64, seconds since 1970-01-01 UTC",
        "",
        "[[device]]",
        'id = "ua1"',
        'protocol = "opcua"',
        f"url = {_text(f'opc.tcp://{host}:{opcua_port}/')}",
        f"interval_s = {interval_s:g}",
        "timeout_s = 2.0",
        'clock = "device"',
        "",
    ]
    where = places(site)
    for train in site.trains:
        lines += _train(train)
        for instrument in train.instruments:
            tag = f"{train.id}/{instrument.signal}"
            lines += _point_head(instrument)
            if instrument.signal in ON_OPCUA or instrument.signal.startswith("2/"):
                lines += ['device = "ua1"', f"node = {_text(node(tag))}"]
            else:
                lines.append('device = "plc1"')
                lines += _modbus(instrument, where[tag])
            lines += _measuring(instrument, instrument.unit)
    return "\n".join(lines)


def exported(site: Site, csv_path: Path, extras: Extras | None = None) -> str:
    """Text of the plant file for a historian export: one csv device, columns named by tag."""
    lines = _head(site, extras or Extras())
    lines += [
        "[[device]]",
        'id = "historian"',
        'protocol = "csv"',
        f"path = {_text(str(csv_path))}",
        "",
    ]
    for train in site.trains:
        lines += _train(train)
        for instrument in train.instruments:
            lines += _point_head(instrument)
            column = f"{train.id}/{instrument.signal}"
            lines += ['device = "historian"', f"column = {_text(column)}"]
            lines += _measuring(instrument, inside_unit(instrument))
    return "\n".join(lines)


def inside_unit(instrument: Instrument) -> str:
    """Unit of the signal inside the simulator and in exports."""
    return {"psi": "bar", "mS/cm": "µS/cm"}.get(instrument.unit, instrument.unit)


def _text(value: str) -> str:
    # A JSON string is a TOML basic string.
    return json.dumps(value, ensure_ascii=False)


def _head(site: Site, extras: Extras) -> list[str]:
    lines = [
        "# An invented plant: written by the simulator, scenario "
        f"{site.scenario.name!r}, seed {site.seed}.",
        "",
        "[site]",
        'name = "Invented demo plant"',
        'timezone = "UTC"',
        "",
    ]
    if site.scenario.feed.water != "nacl":
        lines += ["[water]", f"kind = {_text(site.scenario.feed.water)}", ""]
    if extras.store is not None:
        lines += ["[store]", f"folder = {_text(extras.store)}", ""]
    if extras.page_port is not None:
        lines += ["[page]", f"port = {extras.page_port}", ""]
    return lines


def _train(train: Plant) -> list[str]:
    run = train.scenario.operation
    lines = [
        "[[train]]",
        f"id = {_text(train.id)}",
        f"name = {_text(train.name)}",
        "",
        "[train.design]",
        f"permeate_flow_m3h = {run.permeate_m3h:g}",
        f"recovery = {run.recovery:g}",
        "",
    ]
    for shape in train.shapes:
        lines += [
            "[[train.stage]]",
            f"vessels = {shape.vessels}",
            f"elements_per_vessel = {shape.elements}",
            f"element_area_m2 = {shape.area_m2:g}",
            f"element_length_mm = {shape.length_m * 1000.0:g}",
            'permeate_port = "concentrate"',
            "",
        ]
    return [*lines, *_for_work_packs(train)]


def _for_work_packs(train: Plant) -> list[str]:
    """Vessels, points of isolation and a cleaning station, invented as the rest: a pack then has its numbers."""
    lines = []
    for number, shape in enumerate(train.shapes, 1):
        row_mm = shape.elements * shape.length_m * 1000.0
        lines += [
            "[[train.vessel]]",
            f"stage = {number}",
            "inside_diameter_mm = 202",
            f"inside_length_mm = {row_mm + 60.0 + 58.0 + 16.0:g}",
            "feed_adapter_mm = 60",
            "thrust_ring_mm = 58",
            "shims_mm = [5, 3]",
            "element_mass_kg = 16",
            "",
        ]
    for tag, line, state in (
        ("HV-101", "feed", "closed"),
        ("HV-111", "permeate", "closed"),
        ("HV-121", "concentrate", "closed"),
        ("HV-131", "cleaning", "closed"),
        ("P-101", "power", "off"),
        ("HV-151", "drain", "open"),
    ):
        lines += [
            "[[train.isolation]]",
            f'tag = "{tag}"',
            f'line = "{line}"',
            f'state = "{state}"',
            "",
        ]
    vessels = max(shape.vessels for shape in train.shapes)
    return [
        *lines,
        "[train.cleaning]",
        "ph_min = 1.5",
        "ph_max = 12",
        "temperature_max_c = 35",
        f"tank_m3 = {1.0 + 0.25 * vessels:g}",
        "heel_m3 = 0.3",
        f"pump_m3h = {7.5 * vessels:g}",
        "heater_kw = 36",
        "pipes = [[100, 30]]",
        "",
    ]


def _point_head(instrument: Instrument) -> list[str]:
    stage, slash, role = instrument.signal.rpartition("/")
    lines = ["[[train.point]]", f"role = {_text(role)}"]
    if slash:
        lines.append(f"stage = {stage}")
    return lines


def _modbus(instrument: Instrument, place: Place) -> list[str]:
    # The three status bits come from three different tables, so that a run exercises them all.
    if instrument.signal == "running":
        return ['table = "coil"', f"register = {place.coil}", 'type = "bool"']
    if instrument.signal == "cleaning":
        return ['table = "discrete"', f"register = {place.coil}", 'type = "bool"']
    if place.bit is not None:
        return [f"register = {place.register}", 'type = "bool"', f"bit = {place.bit}"]
    table = ['table = "input"'] if instrument.signal == "feed_temperature" else []
    return [*table, f"register = {place.register}", 'type = "float32"']


def _measuring(instrument: Instrument, unit: str) -> list[str]:
    if instrument.status:
        return [""]
    factor = PER_SI[unit]
    lines = [
        f"unit = {_text(unit)}",
        f"range = [{instrument.low * factor:.6g}, {instrument.high * factor:.6g}]",
    ]
    if instrument.of_reading:
        lines.append(f"accuracy_of_reading = {instrument.accuracy_percent:g}")
    else:
        lines.append(f"accuracy = {instrument.accuracy_percent:g}")
    if "conductivity" in instrument.signal:
        lines.append('compensation = "linear 2.0"')
    return [*lines, ""]
