"""The sheet of `brinelark check` at 80 columns: nothing is cut, and each trouble is said once."""

import io
import math
from collections.abc import Mapping
from pathlib import Path

import pytest
from rich.console import Console

from daemon import commissioning, plantfile
from daemon.commands.check import show
from daemon.commissioning import TrainCheck
from daemon.plantfile import Plant
from drivers.protocol import OpcuaAddress, Quality, Reading
from tests.commands_kit import exported

EXAMPLE = Path(__file__).parents[2] / "deploy" / "plants" / "two-stage.toml"
RUNNING = {
    "feed_flow": 100.0, "permeate_flow": 75.0, "concentrate_flow": 25.0, "feed_temperature": 15.0,
    "feed_conductivity": 4000.0, "permeate_conductivity": 30.0, "running": 1.0, "flushing": 0.0,
    "cleaning": 0.0, "1/feed_pressure": 19.0, "1/concentrate_pressure": 17.0,
    "1/permeate_pressure": 0.6, "1/permeate_flow": 55.0, "1/permeate_conductivity": 21.0,
    "2/feed_pressure": 16.8, "2/concentrate_pressure": 14.8, "2/permeate_pressure": 0.5,
    "2/permeate_flow": 20.0, "2/permeate_conductivity": 55.0,
}  # fmt: skip
"""Values of an invented train; the two permeates mix to 30 µS/cm, and no water is lost. Hand calculation."""


@pytest.fixture(scope="module")
def plant() -> Plant:
    """The example of two stages, with Modbus registers and OPC UA nodes."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BRINELARK_TECHNICIAN", "json://127.0.0.1:9/")
        return plantfile.load(EXAMPLE)


def judged(
    plant: Plant, changes: Mapping[str, float] = {}, dead: Mapping[str, str] = {}
) -> TrainCheck:
    """The train with the values above, some of them changed, some devices dead."""
    train = plant.train("A")
    values = RUNNING | dict(changes)
    readings = {
        p.tag: Reading(p.tag, None, Quality.BAD, reason=dead[p.device])
        if p.device in dead
        else Reading(p.tag, values[p.signal], Quality.GOOD)
        for p in train.points
    }
    return commissioning._judge_train(train, readings, dead)


def sheet(one: TrainCheck) -> str:
    """What is printed for it on 80 columns."""
    out = io.StringIO()
    show(Console(file=out, width=80), one)
    text = out.getvalue()
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "…" not in text
    return text


def said(text: str) -> str:
    """The same on one line, with single blanks."""
    return " ".join(text.split())


def test_a_sound_train_shows_its_balances(plant: Plant) -> None:
    """All points ok, and how well the balances close; nothing is minus nothing."""
    text = said(sheet(judged(plant)))
    assert text.count(" ok ") == len(RUNNING)
    assert "LOOK" not in text
    assert "balances: water 0.0 %, permeate flow 0.0 %, permeate salt " in text
    assert "-0.0" not in text


def test_every_name_and_address_is_whole(plant: Plant) -> None:
    """Names are not broken, and a short node id is on one line to its end."""
    text = sheet(judged(plant))
    for point in plant.train("A").points:
        assert f" {point.signal} " in text
        if isinstance(point.point.address, OpcuaAddress):
            assert point.point.address.node in text


def test_a_long_address_is_folded_and_not_cut(tmp_path: Path) -> None:
    """The whole node id can be read, over several lines."""
    node = "ns=2;s=Building-North.Skid-A.Transmitters.Conductivity.Concentrate-Out"
    text = EXAMPLE.read_text(encoding="utf-8").replace("ns=2;s=FT-103", node)
    text = text.replace('urls_env = "BRINELARK_TECHNICIAN"', 'urls = ["json://127.0.0.1:9/"]')
    (tmp_path / "long.toml").write_text(text, encoding="utf-8")
    lines = sheet(judged(plantfile.load(tmp_path / "long.toml"))).splitlines()
    at = next(i for i, text in enumerate(lines) if " concentrate_flow " in text)
    pieces = [lines[at].split()[-1]]
    while len(lines[at + 1].split()) == 1:
        at += 1
        pieces.append(lines[at].strip())
    assert "".join(pieces) == node


def test_a_dead_device_is_one_line(plant: Plant) -> None:
    """Its reason stands once, with the number of its points; what follows from it is not said."""
    one = judged(plant, dead={"skid": "skid: no answer from opc.tcp://10.0.0.8:4840 within 1 s"})
    text = said(sheet(one))
    count = len(plant.points("skid"))
    assert text.count("no answer") == 1
    assert f"BAD skid ({count} points): no answer from opc.tcp://10.0.0.8:4840 within 1 s" in text
    assert text.count("BAD ") == count + 1
    assert "cannot be computed" not in text
    assert not one.sound


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"1/feed_pressure": 1.9}, "are the two swapped, or is a unit wrong?"),
        ({"concentrate_flow": 0.06}, "the water balance is open by -24.9 %"),
        ({"feed_flow": 45.0}, "the water balance is open by more than 100 %"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_said(plant: Plant, changes: dict[str, float], told: str) -> None:
    """With a remedy, and with a size only where it means something. Hand calculation: 75.06/100, 100/45."""
    assert told in said(sheet(judged(plant, changes)))


@pytest.mark.parametrize(
    ("part", "text"),
    [(0.0012, "+0.1 %"), (-0.0004, "0.0 %"), (0.0, "0.0 %"), (-0.2, "-20.0 %"), (9.0, "more than 100 %")],
)  # fmt: skip
def test_a_balance_in_words(part: float, text: str) -> None:
    """Signed, one decimal, never minus nothing."""
    assert commissioning.percent(part) == text


def test_a_stopped_train_has_no_balance(plant: Plant) -> None:
    """Of a train at a standstill nothing is said about what fits."""
    one = judged(plant, {"running": 0.0, "feed_flow": 0.0})
    assert one.balances == {}
    assert "(stopped)" in sheet(one)


def test_a_status_that_cannot_be_read_is_not_called_missing(tmp_path: Path) -> None:
    """There is a status bit, but its device is dead."""
    plant = plantfile.load(exported(tmp_path, "healthy", days=0.1, step_minutes=15))
    devices = dict.fromkeys(plant.devices, "gone")
    one = judged(plant, dead=devices)
    assert one.running is None
    assert "no status bit" not in sheet(one)
    assert not any(math.isfinite(b) for b in one.balances.values())
