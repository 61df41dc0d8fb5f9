"""The tables of a plant file as pydantic models: every key, its type, its limits and its meaning.

The models check one key at a time. What keys mean together is checked in devices.py, points.py,
trains.py and people.py.
"""

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Text = Annotated[str, StringConstraints(min_length=1)]
Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_.-]+$", max_length=40)]
ByteOrderName = Literal["ABCD", "CDAB", "BADC", "DCBA"]


def key(meaning: str, example: object, default: Any = ..., **limits: Any) -> Any:
    """A key of a table: one line that says what it means, and what one would write."""
    return Field(default, description=meaning, examples=[example], **limits)


class TableModel(BaseModel):
    """A table. Unknown keys are errors; a number in quotes is text, not a number."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class SiteTable(TableModel):
    """The plant as a whole."""

    name: Text = key("name of the plant, as messages and pages show it", "North well field")
    timezone: Text = key(
        "tz database name, for working hours and for times on pages", "Europe/Madrid", "UTC"
    )
    drinking_water: bool | None = key(
        "whether people drink the permeate; work packs then bring it back by flush and sample",
        True,
        None,
    )


class WaterTable(TableModel):
    """The one law of concentration and osmotic pressure of the plant."""

    kind: Literal["nacl", "seawater"] = key(
        "nacl (sodium-chloride equivalent) or seawater", "nacl", "nacl"
    )
    factor: float | None = key(
        "mg/L for each µS/cm at 25 °C of natural water; without it the law of kind is used",
        0.65,
        None,
        ge=0.3,
        le=1.2,
    )


class DeviceTable(TableModel):
    """One PLC, OPC UA server or historian file."""

    id: Name = key("short name, used by points and in messages", "plc1")
    protocol: Text = key("modbus-tcp, opcua or csv", "modbus-tcp")
    host: Text | None = key("modbus: address of the device", "10.0.0.7", None)
    port: int | None = key("modbus: TCP port, default 502", 502, None, ge=1, le=65535)
    unit_id: int | None = key("modbus: unit identifier, default 1", 1, None, ge=0, le=255)
    url: Text | None = key("opcua: endpoint", "opc.tcp://10.0.0.8:4840", None)
    path: Text | None = key(
        "csv: historian export, relative to the plant file; replay can name it instead",
        "export.csv",
        None,
    )
    timeout_s: float = key("deadline of one request [s]", 1.0, 1.0, gt=0, le=60)
    interval_s: float = key("time between polls [s]", 1.0, 1.0, ge=0.01, le=3600)
    clock: Literal["gateway", "device"] | None = key(
        "whose clock stamps the readings: gateway (default) or device (csv: always device)",
        "gateway",
        None,
    )
    clock_register: int | None = key(
        "modbus with clock = device: first of 4 registers, float64 seconds since 1970 UTC",
        900,
        None,
        ge=0,
        le=65532,
    )
    clock_byte_order: ByteOrderName | None = key(
        "byte order of clock_register, default ABCD", "ABCD", None
    )
    clock_table: Literal["holding", "input"] | None = key(
        "table of clock_register, default holding", "holding", None
    )


class StageTable(TableModel):
    """Pressure vessels in parallel, each with elements in series."""

    vessels: int = key("vessels in parallel", 8, ge=1, le=200)
    elements_per_vessel: int = key("elements in series in each vessel", 6, ge=1, le=10)
    element_area_m2: float = key("membrane area of one element [m2]", 37.2, ge=1, le=60)
    element_length_mm: float = key("length of one element [mm]", 1016, 1016.0, ge=200, le=2000)
    permeate_port: Literal["concentrate", "feed", "both"] = key(
        "end where permeate leaves the vessel: concentrate, feed or both",
        "concentrate",
        "concentrate",
    )
    adapter_length_mm: float = key(
        "port face to first element, for the probe sheet [mm]", 200, 200.0, ge=0, le=2000
    )


class PointTable(TableModel):
    """One instrument signal, bound to a role."""

    role: Text = key("what it measures", "feed_pressure")
    stage: int | None = key("stage it belongs to, from 1; none: the whole train", 1, None, ge=1)
    vessel: Text | None = key("vessel it belongs to, stage-vessel", "1-03", None)
    device: Text = key("id of the device it is read from", "plc1")
    register_: int | None = Field(
        None,
        alias="register",
        ge=0,
        le=65535,
        description="modbus: zero-based protocol address (not 40001 style)",
        examples=[100],
    )
    type: Literal["bool", "int16", "uint16", "int32", "uint32", "float32", "float64"] | None = key(
        "modbus: number in the registers, default uint16 (bool for a bit or a coil)",
        "float32",
        None,
    )
    table: Literal["holding", "input", "coil", "discrete"] | None = key(
        "modbus: table, default holding", "holding", None
    )
    bit: int | None = key(
        "modbus: one bit of a register, 0 is the least significant", 0, None, ge=0, le=15
    )
    byte_order: ByteOrderName | None = key(
        "modbus: order of the bytes, default ABCD (most significant first)", "CDAB", None
    )
    node: Text | None = key("opcua: node", "ns=2;s=PT-101", None)
    column: Text | None = key(
        "csv: header of the column; on other devices the column in an export, for replay",
        "PT-101",
        None,
    )
    scale: float = key(
        "value = raw * scale + offset; -1 with offset 1 inverts a status", 0.1, 1.0, ge=-1e9, le=1e9
    )
    offset: float = key("value = raw * scale + offset", 0, 0.0, ge=-1e9, le=1e9)
    unit: Text | None = key("unit of the value; status, pH and turbidity need none", "bar", None)
    range: list[float] | None = key(
        "lowest and highest value the transmitter can give, in unit",
        [0, 25],
        None,
        min_length=2,
        max_length=2,
    )
    accuracy: float | None = key(
        "standard error in per cent of span (needs range)", 0.25, None, gt=0, le=20
    )
    accuracy_of_reading: float | None = key(
        "standard error in per cent of the reading", 0.5, None, gt=0, le=50
    )
    resolution: float | None = key("smallest step of the reading, in unit", 0.1, None, gt=0, le=1e6)
    drift_per_year: float | None = key(
        "standard error that a year adds, in per cent of span (needs range)", 0.1, None, gt=0, le=20
    )
    drift_of_reading_per_year: float | None = key(
        "standard error that a year adds, in per cent of the reading", 1.0, None, gt=0, le=50
    )
    calibration_years: float = key(
        "years between calibrations; a drift is counted over half of them", 1.0, 1.0, gt=0, le=20
    )
    instrument: Text | None = key(
        "kind of instrument, for the accuracy when none is given", "electromagnetic", None
    )
    compensation: Text | None = key(
        'conductivity: "linear 2.0" (%/K, default), "natural" (ISO 7888) or "none"',
        "linear 2.0",
        None,
    )
    factor: float | None = key(
        "unit mg/L: mg/L that the transmitter shows for each µS/cm", 0.5, None, ge=0.3, le=1.2
    )


class DesignTable(TableModel):
    """What the train was designed for."""

    permeate_flow_m3h: float | None = key(
        "design permeate flow of the train [m3/h]", 75.0, None, gt=0, le=100000
    )
    permeate_flow: float | None = key(
        "the same without its unit in the name: taken as m3/h, with a warning",
        75.0,
        None,
        gt=0,
        le=100000,
    )
    recovery: float | None = key("design recovery, a fraction", 0.75, None, ge=0.05, le=0.95)


class ElementTestTable(TableModel):
    """The element's data sheet: nominal values and the conditions they were measured at."""

    nominal_flow_m3d: float = key("permeate flow of one element [m3/d]", 40.0, gt=0, le=200)
    rejection: float = key("salt rejection, a fraction", 0.995, ge=0.5, lt=1)
    pressure_bar: float = key("feed pressure of the test [bar]", 15.5, gt=0, le=120)
    temperature_c: float = key("temperature of the test [°C]", 25.0, 25.0, ge=1, le=60)
    concentration_mg_l: float = key("NaCl in the feed of the test [mg/L]", 2000, gt=0, le=60000)
    recovery: float = key("recovery of the test, a fraction", 0.15, 0.15, gt=0, le=0.5)


class NormalizationTable(TableModel):
    """How the means along a stage are taken. Another choice needs a new store: levels would not compare."""

    means: Literal["exact", "log_mean"] = key(
        "exact: over the membrane, with polarization; log_mean: those of ASTM D4516",
        "exact",
        "exact",
    )


class LimitsTable(TableModel):
    """The last line: changes against the baseline as fractions, and absolute pressure drops."""

    permeate_flow: float = key("relative change, below 0", -0.10, -0.10, ge=-0.9, lt=0)
    salt_passage: float = key("relative change, above 0", 0.10, 0.10, gt=0, le=5)
    pressure_drop: float = key("relative change, above 0", 0.15, 0.15, gt=0, le=5)
    pressure_drop_per_element_bar: float = key(
        "pressure drop of one element [bar]", 1.0, 1.0, gt=0, le=10
    )
    pressure_drop_per_vessel_bar: float = key(
        "pressure drop of one vessel [bar]", 3.5, 3.5, gt=0, le=20
    )
    horizon_days: float = key("how far ahead a forecast may warn [days]", 14.0, 14.0, gt=0, le=365)


class BaselineTable(TableModel):
    """Where the reference level comes from."""

    kind: Literal["first_steady", "window", "design"] = key(
        "first_steady, window (start to end) or design (element_test)",
        "first_steady",
        "first_steady",
    )
    hours: float | None = key(
        "first_steady: hours of steady operation that make it, default 48", 48, None, ge=1, le=2000
    )
    start: datetime | Text | None = key(
        "window: from, ISO 8601 with zone", "2026-01-05T06:00:00Z", None
    )
    end: datetime | Text | None = key(
        "window: until, ISO 8601 with zone", "2026-01-07T06:00:00Z", None
    )


class PricesTable(TableModel):
    """What the plant pays, in its own currency."""

    energy_per_kwh: float | None = key("price of 1 kWh", 0.14, None, ge=0)
    water_per_m3: float | None = key("worth of 1 m3 of permeate", 0.6, None, ge=0)
    cleaning: float | None = key("cost of one cleaning of one stage", 900, None, ge=0)
    element: float | None = key("price of one element", 550, None, ge=0)
    currency: Text | None = key("how prices are shown", "EUR", None)


class VesselTable(TableModel):
    """Pressure vessels of a stage in detail, for work packs: what is not given is left to measure."""

    stage: int | None = key(
        "stage they belong to, from 1; none: every stage without a table of its own", 1, None, ge=1
    )
    inside_diameter_mm: float | None = key(
        "inside diameter of the shell [mm]", 202.0, None, ge=40, le=500
    )
    inside_length_mm: float | None = key(
        "between the seats of the two heads that hold the row of elements [mm]",
        6230.0,
        None,
        ge=200,
        le=20000,
    )
    feed_adapter_mm: float | None = key(
        "what the feed adapter takes of that length, first element to seat of the shims [mm]",
        60.0,
        None,
        ge=0,
        le=1000,
    )
    thrust_ring_mm: float | None = key(
        "what the thrust ring takes of it at the concentrate end; 0 without one [mm]",
        58.0,
        None,
        ge=0,
        le=1000,
    )
    joint_mm: float = key(
        "what a joint adds to the row, 0 where elements touch [mm]", 0, 0.0, ge=0, le=200
    )
    length_tolerance_mm: float = key(
        "how much one element may be longer or shorter than nominal [mm]", 1.5, 1.5, ge=0, le=20
    )
    shims_mm: list[float] | None = key(
        "thicknesses of the shims at hand [mm]", [5.0, 3.0], None, min_length=1
    )
    least_play_mm: float = key(
        "play to be left at the least after shimming [mm]", 0.5, 0.5, ge=0, le=20
    )
    most_play_mm: float = key("play that may be left after shimming [mm]", 5.0, 5.0, ge=0.1, le=50)
    joints: Literal["interconnector", "interlocking"] = key(
        "interconnector (a tube between two elements) or interlocking (ends with a seal)",
        "interconnector",
        "interconnector",
    )
    o_rings_per_joint: int = key("O-rings of one joint between elements", 4, 4, ge=1, le=12)
    o_rings_per_adapter: int = key("O-rings of one end adapter", 2, 2, ge=1, le=12)
    seals_per_head: int = key("seals of one head, that of its port too", 2, 2, ge=1, le=12)
    water_share: float = key(
        "share of the inside volume that water fills with the elements in", 0.8, 0.8, ge=0.3, le=1
    )
    element_mass_kg: float | None = key(
        "mass of one element, wet and drained [kg]", 16.0, None, gt=0, le=200
    )


class IsolationTable(TableModel):
    """One point that isolates the train for work, by the tag that hangs on it."""

    tag: Text = key("what stands on the valve or breaker", "HV-101")
    line: Literal[
        "feed", "permeate", "concentrate", "cleaning", "drain", "vent", "dosing", "power", "other"
    ] = key("what it shuts or opens", "feed")
    state: Literal["closed", "open", "off"] = key("how it stands while people work", "closed")
    stage: int | None = key("stage it belongs to, from 1; none: the whole train", 1, None, ge=1)
    note: Text | None = key("where it is, or what to mind", "behind the feed pump", None)


class CleaningTable(TableModel):
    """Cleaning in place: what the membrane stands, from its data sheet, and the cleaning station."""

    ph_min: float = key("lowest pH that the membrane stands in a cleaning", 2.0, ge=0, le=6)
    ph_max: float = key("highest pH that the membrane stands in a cleaning", 12.0, ge=8, le=14)
    temperature_max_c: float = key(
        "highest temperature of the solution at these pH [°C]", 35.0, ge=15, le=80
    )
    pressure_max_bar: float = key(
        "highest feed pressure while cleaning [bar]", 4.0, 4.0, ge=0.5, le=20
    )
    flow_per_vessel_m3h: float | None = key(
        "flow through one vessel, from the element's data sheet [m3/h]", 8.0, None, gt=0, le=30
    )
    tank_m3: float | None = key("useful volume of the tank [m3]", 2.0, None, gt=0, le=200)
    heel_m3: float | None = key(
        "what stays in the tank so that the pump draws no air [m3]", 0.3, None, ge=0, le=100
    )
    pump_m3h: float | None = key("flow of the cleaning pump [m3/h]", 60.0, None, gt=0, le=2000)
    heater_kw: float | None = key("power of the heater [kW]", 24.0, None, gt=0, le=2000)
    pipes: list[list[float]] | None = key(
        "pipes and hoses of the loop, each as [inside mm, length m]",
        [[100, 24], [50, 12]],
        None,
        min_length=1,
    )
    citric_acid_percent: float = key("strength as supplied, by mass [%]", 100, 100.0, gt=0, le=100)
    hydrochloric_acid_percent: float = key(
        "strength as supplied, by mass [%]", 32, 32.0, gt=0, le=40
    )
    sodium_hydroxide_percent: float = key(
        "strength as supplied, by mass; from 60 on it is dry [%]", 50, 50.0, gt=0, le=100
    )
    tetrasodium_edta_percent: float = key(
        "strength as supplied, by mass [%]", 100, 100.0, gt=0, le=100
    )
    detergent_percent: float = key("strength as supplied, by mass [%]", 100, 100.0, gt=0, le=100)


class TrainTable(TableModel):
    """One RO train. Its stages, points and sub-tables are models of their own."""

    id: Name = key("short name, first part of every tag", "A")
    name: Text | None = key("longer name for pages", "Train A", None)
    stage: list[Any] = key("[[train.stage]], feed side first", None)
    point: list[Any] = key("[[train.point]], one for each signal", None)
    vessel: list[Any] | None = key("[[train.vessel]]", None, None)
    isolation: list[Any] | None = key("[[train.isolation]]", None, None)
    cleaning: dict[str, Any] | None = key("[train.cleaning]", None, None)
    design: dict[str, Any] | None = key("[train.design]", None, None)
    element_test: dict[str, Any] | None = key("[train.element_test]", None, None)
    normalization: dict[str, Any] | None = key("[train.normalization]", None, None)
    limits: dict[str, Any] | None = key("[train.limits]", None, None)
    baseline: dict[str, Any] | None = key("[train.baseline]", None, None)
    prices: dict[str, Any] | None = key("[train.prices]", None, None)
    water_activation_k: float = key(
        "E/R of the water permeability, from the element's data sheet [K]",
        2640.0,
        2640.0,
        ge=500,
        le=6000,
    )
    salt_activation_k: float = key(
        "E/R of the salt permeability, from the element's data sheet [K]",
        2640.0,
        2640.0,
        ge=500,
        le=8000,
    )
    pressure_drop_exponent: float = key(
        "n in pressure drop ~ flow^n * viscosity^(2-n)", 1.6, 1.6, ge=1, le=2
    )


class ContactTable(TableModel):
    """Somebody to tell."""

    name: Text = key("name or duty of the person", "technician on call")
    urls: list[Text] | None = key(
        "apprise URLs (secrets: better in urls_file or urls_env)", ["json://127.0.0.1:8080"], None
    )
    urls_file: Text | None = key(
        "file with one URL a line, relative to the plant file", "contacts/technician.urls", None
    )
    urls_env: Text | None = key(
        "environment variable with URLs, separated by blanks", "BRINELARK_TECHNICIAN", None
    )
    classes: list[Literal["advisory", "alarm"]] = key(
        "classes of notice to send, default both", ["advisory", "alarm"], ["advisory", "alarm"]
    )
    hours: Text = key(
        "working hours in site time, also over midnight; advisories wait for them, alarms do not",
        "07:00-17:00",
        "07:00-17:00",
    )
    days: list[Text] = key(
        "working days",
        ["mon", "tue", "wed", "thu", "fri"],
        ["mon", "tue", "wed", "thu", "fri"],
    )


class StoreTable(TableModel):
    """Where history and record are kept, and for how long."""

    folder: Text = key(
        "folder of the databases, relative to the plant file",
        "/var/lib/brinelark",
        "brinelark-data",
    )
    raw_hours: float = key("hours that raw readings are kept", 72, 72.0, ge=1, le=8760)
    minutes_years: float = key("years that minutes are kept", 5, 5.0, ge=0.1, le=50)


class PageTable(TableModel):
    """Where the web page is served."""

    host: Text = key(
        "address to listen on; 127.0.0.1 is this machine only", "127.0.0.1", "127.0.0.1"
    )
    port: int = key("port to listen on; 0 takes any free one", 8350, 8350, ge=0, le=65535)
    address: Text | None = key(
        "where people reach the page, for links in messages; with https (a reverse proxy does it) "
        "nobody stays signed in over http",
        "https://ro.example.org",
        None,
    )


class ForwardTable(TableModel):
    """An InfluxDB v2 compatible target for minutes."""

    url: Text = key("address of the server", "http://10.0.0.9:8086")
    org: Text = key("organization", "plant")
    bucket: Text = key("bucket", "ro")
    token_file: Text | None = key(
        "file with the token, relative to the plant file", "influx.token", None
    )
    token_env: Text | None = key(
        "environment variable with the token", "BRINELARK_INFLUX_TOKEN", None
    )


SINGLE: dict[str, type[TableModel]] = {
    "site": SiteTable,
    "water": WaterTable,
    "store": StoreTable,
    "page": PageTable,
    "forward": ForwardTable,
}
"""Tables that stand once in the file: ``[site]``."""

REPEATED: dict[str, type[TableModel]] = {
    "device": DeviceTable,
    "train": TrainTable,
    "contact": ContactTable,
}
"""Tables that may stand several times: ``[[device]]``."""

OF_TRAIN_SINGLE: dict[str, type[TableModel]] = {
    "design": DesignTable,
    "element_test": ElementTestTable,
    "normalization": NormalizationTable,
    "limits": LimitsTable,
    "baseline": BaselineTable,
    "prices": PricesTable,
    "cleaning": CleaningTable,
}
OF_TRAIN_REPEATED: dict[str, type[TableModel]] = {
    "stage": StageTable,
    "vessel": VesselTable,
    "isolation": IsolationTable,
    "point": PointTable,
}
