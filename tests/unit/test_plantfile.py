"""Good plant files: what everybody gets from them, and what they are warned of."""

import dataclasses
import math
import os
import pickle
from pathlib import Path

import pytest

from daemon.plantfile import Plant, PlantFileError, load
from drivers.protocol import CsvAddress, ModbusAddress, OpcuaAddress
from rules import sections
from rules.train import Compensation, Instrument, Limits, Water
from tests.reference.tables import rows

GOOD = Path(__file__).parent / "plants" / "good"
EXAMPLE = Path(__file__).parents[2] / "deploy" / "plants" / "two-stage.toml"


@pytest.fixture
def two_stage(monkeypatch: pytest.MonkeyPatch) -> Plant:
    monkeypatch.setenv("BRINELARK_TECHNICIAN", "json://127.0.0.1:9/topsecret json://127.0.0.1:9/b")
    return load(EXAMPLE)


def _instrument(plant: Plant, signal: str) -> Instrument:
    return next(i for i in plant.trains[0].model.instruments if i.signal == signal)


def _write(folder: Path, text: str) -> Path:
    path = folder / "plant.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_example_is_complete(two_stage: Plant) -> None:
    """The example to copy has nothing to warn of."""
    assert two_stage.warnings == ()


def test_devices_as_drivers_take_them(two_stage: Plant) -> None:
    """Each protocol gets its own address, and the clock says whose time counts."""
    plc, skid = two_stage.devices["plc1"], two_stage.devices["skid"]
    assert (plc.protocol, plc.host, plc.port, plc.unit_id) == ("modbus-tcp", "10.0.0.7", 502, 1)
    assert (skid.protocol, skid.url) == ("opcua", "opc.tcp://10.0.0.8:4840")
    assert two_stage.device_clock == {"plc1": "gateway", "skid": "gateway"}
    assert load(GOOD / "few_instruments.toml").device_clock == {"plc1": "device"}


def test_points_as_drivers_take_them(two_stage: Plant) -> None:
    """Register, type, byte order, scale and bit arrive unchanged; tags are train and signal."""
    points = {p.signal: p for p in two_stage.train("A").points}
    assert points["feed_flow"].point.address == ModbusAddress(100, "float32", byte_order="CDAB")
    assert points["feed_temperature"].point.address == ModbusAddress(102, "int16", scale=0.1)
    assert points["flushing"].point.address == ModbusAddress(120, "bool", bit=1)
    assert points["2/feed_pressure"].point.address == OpcuaAddress("ns=2;s=PT-121")
    assert points["2/feed_pressure"].tag == points["2/feed_pressure"].point.tag
    assert points["2/feed_pressure"].tag == "A/2/feed_pressure"
    assert (points["2/feed_pressure"].stage, points["2/feed_pressure"].vessel) == (2, None)


def test_signals_are_in_the_order_of_the_points(two_stage: Plant) -> None:
    """Columns of all value arrays follow the file, status bits included."""
    train = two_stage.train("A")
    assert train.model.signals == tuple(point.signal for point in train.points)
    assert train.model.signals[:2] == ("feed_flow", "feed_temperature")
    assert "running" in train.model.signals
    assert train.devices() == ("plc1", "skid")


def test_the_points_of_a_device_are_those_that_name_it(two_stage: Plant) -> None:
    """Each point belongs to one device, and none is left over."""
    of_plc, of_skid = two_stage.points("plc1"), two_stage.points("skid")
    assert {p.device for p in of_plc} == {"plc1"}
    assert len(of_plc) + len(of_skid) == len(two_stage.train("A").points)


def test_several_addresses_in_one_variable(two_stage: Plant) -> None:
    """Blanks separate them."""
    (contact,) = two_stage.contacts
    assert contact.urls == ("json://127.0.0.1:9/topsecret", "json://127.0.0.1:9/b")


def test_geometry_and_settings_of_the_example(two_stage: Plant) -> None:
    """Stages, limits, design, test, prices, store and page come through."""
    train = two_stage.train("A")
    assert [stage.vessels for stage in train.stages] == [8, 4]
    assert train.stages[0].area_m2 == pytest.approx(8 * 6 * 37.2)
    assert train.stages[1].element_length_mm == 1016.0
    assert train.limits == Limits()
    assert train.design.recovery == 0.75
    assert train.model.design == {"permeate_flow_m3h": 66.0, "recovery": 0.75}
    assert train.element_test is not None
    assert train.element_test.nominal_flow_m3d == 40.0
    assert (train.baseline.kind, train.baseline.hours) == ("first_steady", 48.0)
    assert (train.prices.energy_per_kwh, train.prices.currency) == (0.14, "EUR")
    assert two_stage.store.folder == Path("/var/lib/brinelark")
    assert (two_stage.page.host, two_stage.page.port) == ("127.0.0.1", 8350)
    assert two_stage.water == Water()


def test_an_unknown_train_raises(two_stage: Plant) -> None:
    """There is no train to stand in for another."""
    with pytest.raises(KeyError):
        two_stage.train("B")


def test_a_plant_is_read_only_and_travels_between_processes(two_stage: Plant) -> None:
    """Frozen all the way, and equal after pickling."""
    with pytest.raises(dataclasses.FrozenInstanceError):
        two_stage.site.name = "other"  # type: ignore[misc]
    assert pickle.loads(pickle.dumps(two_stage)) == two_stage


# Source: tests/reference/instrument_uncertainty.csv (IEC 60751 for Pt100; the rest common practice).
ACCURACY = {
    row["instrument"]: row["typical_standard_error"] for row in rows("instrument_uncertainty.csv")
}


def test_default_accuracy_of_the_reference_table(two_stage: Plant) -> None:
    """Per cent of reading become a fraction, per cent of span an absolute part."""
    percent_flow = float(ACCURACY["electromagnetic flow meter"])
    percent_conductivity = float(ACCURACY["conductivity, contacting or inductive"])
    percent_span = float(ACCURACY["gauge pressure transmitter"])
    flow = _instrument(two_stage, "permeate_flow")
    assert (flow.absolute, flow.relative) == (0.0, pytest.approx(percent_flow / 100))
    salt = _instrument(two_stage, "feed_conductivity")
    assert (salt.absolute, salt.relative) == (0.0, pytest.approx(percent_conductivity / 100))
    pressure = _instrument(two_stage, "2/feed_pressure")
    assert (pressure.absolute, pressure.relative) == (pytest.approx(percent_span / 100 * 25), 0.0)


def test_default_accuracy_of_a_resistance_thermometer(two_stage: Plant) -> None:
    """IEC 60751 class A at 25 °C, the middle of what RO feeds have: 0.15 + 0.002 * 25 K."""
    constant, slope = ACCURACY["Pt100 class A"].removesuffix("|t|").split("+")
    expected = float(constant) + float(slope) * 25.0
    assert _instrument(two_stage, "feed_temperature").absolute == pytest.approx(expected)


def test_accuracy_of_the_file_replaces_the_default(tmp_path: Path) -> None:
    """By hand: 0.5 % of 300 psi is 1.5 psi or 0.1034214 bar; turbine meters 1.5 % of reading."""
    text = (GOOD / "few_instruments.toml").read_text(encoding="utf-8")
    text = text.replace('unit = "gpm", range = [0, 300]', 'unit = "gpm", instrument = "turbine"')
    plant = load(_write(tmp_path, text))
    assert _instrument(plant, "1/feed_pressure").absolute == pytest.approx(0.1034214, rel=1e-6)
    assert _instrument(plant, "permeate_flow").relative == pytest.approx(
        float(ACCURACY["turbine or paddle flow meter"]) / 100
    )


def test_resolution_and_drift_of_the_file(tmp_path: Path) -> None:
    """By hand: 1 psi steps, 0.2 % of 300 psi in a year over half of two years, added in squares to 1.5 psi."""
    text = (GOOD / "few_instruments.toml").read_text(encoding="utf-8")
    text = text.replace(
        'unit = "gpm", range = [0, 300]',
        'unit = "gpm", range = [0, 300], drift_of_reading_per_year = 3.0',
    )
    given = "accuracy = 0.5"
    assert text.count(given) == 1
    text = text.replace(
        given, f"{given}, resolution = 1.0, drift_per_year = 0.2, calibration_years = 2.0"
    )
    plant = load(_write(tmp_path, text))
    psi = 0.0689476
    pressure = _instrument(plant, "1/feed_pressure").standard_uncertainty(10.0)
    assert pressure == pytest.approx(psi * (1.5**2 + 0.6**2 + 1.0 / 12.0) ** 0.5, rel=1e-5)
    flow = _instrument(plant, "permeate_flow").standard_uncertainty([20.0, -40.0, float("nan")])
    # 0.5 % of the electromagnetic default, 3 % a year over half a year.
    assert flow[:2] == pytest.approx([20.0 * (0.5**2 + 1.5**2) ** 0.5 / 100, 40.0 * 0.0158114])
    assert flow[2] != flow[2]


def test_means_of_the_file(tmp_path: Path) -> None:
    """`log_mean` is the standard's; without a word the means are exact; the basis of a baseline says which."""
    text = (GOOD / "few_instruments.toml").read_text(encoding="utf-8")
    exact = load(_write(tmp_path, text)).trains[0].model
    chosen = f'{text}\n[train.normalization]\nmeans = "log_mean"\n'
    standard = load(_write(tmp_path, chosen)).trains[0].model
    assert (exact.means, standard.means) == ("profile", "d4516")
    assert sections.plan(exact).basis.startswith("means profile,")
    assert sections.plan(standard).basis.startswith("means d4516,")


@pytest.mark.parametrize(("kind", "span_bar"), [("nacl", 25.0), ("seawater", 100.0)])
def test_pressure_without_range_has_a_usual_span(
    tmp_path: Path, kind: str, span_bar: float
) -> None:
    """Common practice, no source: 0 to 25 bar, in seawater 0 to 100 bar, permeate 0 to 4 bar."""
    text = (GOOD / "csv_only.toml").read_text(encoding="utf-8")
    text = text.replace("range = [0, 25]\n", "").replace("range = [0, 4]\n", "")
    plant = load(_write(tmp_path, f'{text}\n[water]\nkind = "{kind}"\n'))
    feed, permeate = _instrument(plant, "1/feed_pressure"), _instrument(plant, "permeate_pressure")
    assert (feed.range, feed.absolute) == (None, pytest.approx(0.0025 * span_bar))
    assert permeate.absolute == pytest.approx(0.0025 * 4.0)
    assert plant.warnings[-1] == (
        'train "A": without range, so that a reading beyond the transmitter\'s range passes for good: '
        "1/feed_pressure, 1/concentrate_pressure, permeate_pressure"
    )


def test_a_csv_plant(tmp_path: Path) -> None:
    """Columns are addresses, the time column is the clock, the path starts at the plant file."""
    path = _write(tmp_path, (GOOD / "csv_only.toml").read_text(encoding="utf-8"))
    plant = load(path)
    assert plant.devices["log"].path == str(tmp_path / "export.csv")
    assert plant.device_clock == {"log": "device"}
    point = plant.train("A").points[0]
    assert (point.point.address, point.column) == (CsvAddress("FT-101"), "FT-101")
    assert plant.store.folder == tmp_path / "brinelark-data"
    assert plant.warnings == (
        "no [[contact]]: notices are shown on the page only",
        'train "A": no running is read, so a stop is told from the flow alone',
        'train "A": no cleaning or flushing is read, so cleaning and flushing cannot be told from '
        "operation",
    )
    assert (plant.contacts, plant.forward) == ((), None)


def test_few_instruments_say_what_is_lost_and_why() -> None:
    """A train that is one section says which quantities it has, and what each other one needs."""
    plant = load(GOOD / "few_instruments.toml")
    about = [w.removeprefix('train "B": ') for w in plant.warnings if w.startswith('train "B": ')]
    assert about[0] == "can be normalized: the whole train for permeate flow and pressure drop"
    assert any("salt passage" in line and "permeate_conductivity" in line for line in about[1:])
    assert any(line.startswith("stage 2: pressure drop") for line in about[1:])


def test_a_device_clock_in_registers() -> None:
    """The clock of a Modbus device is four registers with their own byte order."""
    device = load(GOOD / "few_instruments.toml").devices["plc1"]
    assert device.clock == ModbusAddress(900, "float64", byte_order="CDAB")


def test_readings_are_brought_to_si() -> None:
    """Worked out by hand: 122 °F is 50 °C, 300 psi 20.68427 bar, 10 mS/cm 10 000 µS/cm."""
    points = {p.signal: p for p in load(GOOD / "few_instruments.toml").train("B").points}
    assert points["feed_temperature"].to_si(122.0) == pytest.approx(50.0)
    assert points["feed_temperature"].si_range == pytest.approx((0.0, 50.0))
    assert points["1/feed_pressure"].to_si(300.0) == pytest.approx(20.68427, rel=1e-6)
    assert points["feed_conductivity"].to_si(10.0) == pytest.approx(10000.0)
    assert points["running"].point.address == ModbusAddress(3, "bool", table="coil")
    assert points["running"].si_range is None
    assert math.isnan(points["feed_flow"].to_si(math.nan))


def test_compensation_of_conductivities() -> None:
    """As set in the transmitter; linear 2.0 when the file does not say."""
    few, every = load(GOOD / "few_instruments.toml"), load(GOOD / "all_units.toml")
    assert _instrument(few, "feed_conductivity").compensation == Compensation("natural")
    assert _instrument(every, "feed_conductivity").compensation == Compensation("linear", 2.0)
    assert _instrument(every, "1-04/permeate_conductivity").compensation.kind == "none"


def test_every_unit_and_role() -> None:
    """All ranges of the file are the same few in SI: 0 to 25 bar, 0 to 200 µS/cm and so on."""
    plant = load(GOOD / "all_units.toml")
    ranges = {p.signal: p.si_range for p in plant.train("A-1").points}
    assert ranges["1/concentrate_pressure"] == pytest.approx((0.0, 25.0))
    assert ranges["2/feed_pressure"] == pytest.approx((0.0, 25.0))
    assert ranges["1/permeate_pressure"] == pytest.approx((0.0, 4.0))
    assert ranges["permeate_flow"] == pytest.approx((0.0, 60.0))
    assert ranges["2/permeate_flow"] == pytest.approx((0.0, 20.0))
    assert ranges["1/permeate_conductivity"] == pytest.approx((0.0, 200.0))
    assert ranges["feed_orp"] == pytest.approx((-1000.0, 1000.0))
    vessel = plant.train("A-1").points[-1]
    assert (vessel.tag, vessel.stage, vessel.vessel) == ("A-1/2-02/permeate_conductivity", 2, 2)
    model = plant.train("A-1").model
    assert (model.water_activation_k, model.salt_activation_k) == (2700.0, 3000.0)
    assert (model.pressure_drop_exponent, model.water) == (1.5, Water(factor=0.65))


def test_a_baseline_window_in_seconds() -> None:
    """By hand: 2026-01-05T06:00:00Z is 1767592800 s; the end is given an hour east of it."""
    baseline = load(GOOD / "all_units.toml").train("A-1").baseline
    assert (baseline.kind, baseline.start) == ("window", 1767592800.0)
    assert baseline.end == 1767592800.0 + 2 * 86400.0 - 3600.0


def test_contacts_with_hours_and_days() -> None:
    """Repeated addresses and days count once; days start at Monday."""
    on_call, office = load(GOOD / "all_units.toml").contacts
    assert (on_call.classes, on_call.hours, on_call.days) == (
        ("alarm",),
        ("06:30", "00:00"),
        (0, 6),
    )
    assert on_call.urls == ("json://127.0.0.1:9/topsecret",)
    assert office.urls == ("json://127.0.0.1:9/topsecret-office",)
    assert (office.hours, office.days) == (("07:00", "17:00"), (0, 1, 2, 3, 4))


@pytest.mark.parametrize(
    ("written", "hours"),
    [
        ("07:00-17:00", ("07:00", "17:00")),
        ("22:00-06:00", ("22:00", "06:00")),
        ("00:00-24:00", ("00:00", "00:00")),
    ],
)
def test_working_hours_over_midnight(tmp_path: Path, written: str, hours: tuple[str, str]) -> None:
    """A night shift ends before it begins; 24:00 is the 00:00 that follows, so equal ends are a day."""
    text = (GOOD / "csv_only.toml").read_text(encoding="utf-8")
    kim = f'\n[[contact]]\nname = "Kim"\nurls = ["json://127.0.0.1:9"]\nhours = "{written}"\n'
    assert load(_write(tmp_path, text + kim)).contacts[0].hours == hours


def test_secrets_are_never_printed(two_stage: Plant) -> None:
    """Addresses and tokens are there for who sends, and *** for who prints."""
    plant = load(GOOD / "all_units.toml")
    assert plant.forward is not None
    assert plant.forward.token == "topsecret-token"
    for printed in (repr(plant), str(plant), repr(two_stage), f"{plant.contacts[0]}"):
        assert "topsecret" not in printed
        assert "***" in printed


def test_work_that_sends_nothing_needs_no_secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    """A replay on another machine loads the same file without its environment."""
    monkeypatch.delenv("BRINELARK_TECHNICIAN", raising=False)
    with pytest.raises(PlantFileError, match="BRINELARK_TECHNICIAN is not set"):
        load(EXAMPLE)
    assert load(EXAMPLE, secrets=False).contacts[0].urls == ()
    other = load(GOOD / "all_units.toml", secrets=False)
    assert other.forward is not None
    assert other.forward.token == ""


@pytest.mark.parametrize(("mode", "warned"), [(0o644, True), (0o600, False)])
def test_a_secret_file_that_everybody_can_read(tmp_path: Path, mode: int, warned: bool) -> None:
    """The file still works, and the commissioning engineer is told."""
    (tmp_path / "kim.urls").write_text("# mine\njson://127.0.0.1:9\n", encoding="utf-8")
    os.chmod(tmp_path / "kim.urls", mode)
    text = (GOOD / "csv_only.toml").read_text(encoding="utf-8")
    plant = load(_write(tmp_path, f'{text}\n[[contact]]\nname = "Kim"\nurls_file = "kim.urls"\n'))
    expected = ['contact "Kim": urls_file "kim.urls" can be read by everybody'] if warned else []
    assert [w for w in plant.warnings if "Kim" in w] == expected
    assert plant.contacts[0].urls == ("json://127.0.0.1:9",)


def _with_points(text: str, *points: str) -> str:
    return text.replace("point = [\n", "point = [\n" + "".join(f"  {{ {p} }},\n" for p in points))


def test_overlapping_registers_are_warned_of(tmp_path: Path) -> None:
    """Two numbers over one register cannot both be right, but the file is used."""
    text = (GOOD / "few_instruments.toml").read_text(encoding="utf-8")
    extra = (
        'role = "concentrate_flow", device = "plc1", register = 1, type = "float32", unit = "gpm"'
    )
    plant = load(_write(tmp_path, _with_points(text, extra)))
    about = [w for w in plant.warnings if "registers" in w]
    assert about == [
        'train "B", point "feed_flow": registers 0 to 1 of device "plc1" are read as float32 ABCD here '
        "and as float32 ABCD (1 to 2) by the point at line 20; one is wrong",
        'train "B", point "permeate_flow": registers 2 to 3 of device "plc1" are read as float32 ABCD '
        "here and as float32 ABCD (1 to 2) by the point at line 20; one is wrong",
    ]


def test_one_transmitter_between_two_stages_may_serve_both(tmp_path: Path) -> None:
    """The end of stage 1 is the beginning of stage 2, so the same register is no slip there."""
    text = (GOOD / "few_instruments.toml").read_text(encoding="utf-8")
    end = 'role = "concentrate_pressure", stage = 1, device = "plc1", register = 8, unit = "psi"'
    begin = 'role = "feed_pressure", stage = 2, device = "plc1", register = 8, unit = "psi"'
    plant = load(_write(tmp_path, _with_points(text, end, begin)))
    assert not [w for w in plant.warnings if "register" in w]


def test_the_same_register_for_two_roles_is_warned_of(tmp_path: Path) -> None:
    """A copied line with its register left as it was."""
    text = (GOOD / "few_instruments.toml").read_text(encoding="utf-8")
    extra = 'role = "concentrate_pressure", stage = 1, device = "plc1", register = 6, unit = "psi"'
    plant = load(_write(tmp_path, _with_points(text, extra)))
    assert [w for w in plant.warnings if "register" in w] == [
        'train "B", point "feed_pressure" (stage 1): register 6 of device "plc1" is also read by the '
        "point at line 20, which measures something else"
    ]


def test_a_device_that_nothing_is_read_from_is_warned_of(tmp_path: Path) -> None:
    """It is allowed while a plant is being commissioned."""
    text = (GOOD / "csv_only.toml").read_text(encoding="utf-8")
    plant = load(_write(tmp_path, f'{text}\n[[device]]\nid = "spare"\nprotocol = "csv"\n'))
    assert plant.warnings[:2] == (
        'device "spare": no path, so only replay with --data can read it',
        'device "spare": no point is read from it',
    )


NEEDED = (
    'role = "feed_flow", device = "log", column = "a", unit = "m3/h"',
    'role = "permeate_flow", device = "log", column = "b", unit = "m3/h"',
    'role = "feed_temperature", device = "log", column = "c", unit = "°C"',
    'role = "feed_pressure", stage = 1, device = "log", column = "d", unit = "bar"',
    'role = "concentrate_pressure", stage = 1, device = "log", column = "e", unit = "bar"',
)


def _one_stage(points: tuple[str, ...]) -> str:
    return (
        '[site]\nname = "x"\n[[device]]\nid = "log"\nprotocol = "csv"\npath = "x.csv"\n'
        '[[train]]\nid = "A"\n'
        "stage = [{ vessels = 2, elements_per_vessel = 6, element_area_m2 = 37.2 }]\n"
        "point = [\n" + "".join(f"  {{ {p} }},\n" for p in points) + "]\n"
    )


@pytest.mark.parametrize("left_out", range(len(NEEDED)))
def test_what_a_refused_train_is_told_to_add_is_enough(tmp_path: Path, left_out: int) -> None:
    """Without any one of the least instruments it is refused by its name; with it, it is used."""
    fewer = NEEDED[:left_out] + NEEDED[left_out + 1 :]
    role = NEEDED[left_out].split('"')[1]
    name = f"1/{role}" if "pressure" in role else role
    with pytest.raises(PlantFileError) as caught:
        load(_write(tmp_path, _one_stage(fewer)))
    (problem,) = caught.value.problems
    assert problem.found == "its instruments allow nothing to be normalized"
    assert problem.remedy.startswith(f"add {name}, the least for the pressure drop")
    assert load(_write(tmp_path, _one_stage(NEEDED))).train("A").model.signals


def test_what_work_packs_need(two_stage: Plant) -> None:
    """One table of vessels serves both stages; what it does not give is known to be assumed."""
    train = two_stage.train("A")
    assert train.vessel(1) == train.vessel(2)
    assert train.vessel(2).inside_length_mm == 6230
    assert train.vessel(2).shims_mm == (5.0, 3.0)
    assert train.vessel(2).assumed == {
        "joint_mm", "length_tolerance_mm", "least_play_mm", "most_play_mm", "joints",
        "seals_per_head", "water_share",
    }  # fmt: skip
    assert [(i.tag, i.line, i.state) for i in train.isolation][:2] == [
        ("HV-101", "feed", "closed"),
        ("HV-111", "permeate", "closed"),
    ]
    assert train.cleaning is not None
    assert train.cleaning.pipes == ((100.0, 30.0), (65.0, 18.0))
    assert train.cleaning.limits.ph_max == 12.0
    assert train.cleaning.strength_percent["hydrochloric_acid"] == 32.0
    assert "hydrochloric_acid" in train.cleaning.assumed
    assert two_stage.site.drinking_water is True


def test_vessels_of_one_stage_only(tmp_path: Path) -> None:
    """A stage without a table of its own takes the common one, or nothing but customs."""
    text = EXAMPLE.read_text(encoding="utf-8").split(
        "# ---------------------------------------------------------------- people"
    )[0]
    plant = load(_write(tmp_path, text.replace("[[train.vessel]]", "[[train.vessel]]\nstage = 2")))
    assert plant.train("A").vessel(1).inside_length_mm is None
    assert plant.train("A").vessel(2).inside_length_mm == 6230
    bare = load(GOOD / "few_instruments.toml")
    assert bare.trains[0].vessel(1).inside_diameter_mm is None
    assert bare.trains[0].cleaning is None
    assert bare.trains[0].isolation == ()
    assert bare.site.drinking_water is None


def test_a_vessel_with_room_for_more_than_shims_is_warned_of(tmp_path: Path) -> None:
    """By hand: 6600 − 6 × 1016 − 60 − 58 = 386 mm is no gap for shims."""
    text = EXAMPLE.read_text(encoding="utf-8").split(
        "# ---------------------------------------------------------------- people"
    )[0]
    plant = load(
        _write(tmp_path, text.replace("inside_length_mm = 6230", "inside_length_mm = 6600"))
    )
    assert any("the rest, 386 mm, is too much for shims" in w for w in plant.warnings)
