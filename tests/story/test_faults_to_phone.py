"""The whole road over real sockets: simulator, daemon, notice, and the message at its receivers."""

import asyncio
import contextlib
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.record import Record
from tests.story.plant_kit import (
    ROOT,
    Simulated,
    journal_of_replay,
    load,
    receivers,
    simulated,
    watch,
)

QUIET = 'title = "{kind}"\ndescription = "{kind}"\ndays = 60\n[expected]\noutcome = "notice"\n{expected}\n[[fault]]\n'

# kind -> what is expected, the fault (from the third day on), and how fast to run.
FAULTS = {
    "biofouling": (
        {"cause": "biofouling", "stage": 1, "action": "clean"},
        'kind = "biofouling"\nonset_day = 3\ngrowth = "accelerating"\ngrows_days = 28',
        40_000,
    ),
    "scaling": (
        {"cause": "scaling", "stage": 2, "action": "clean"},
        'kind = "scaling"\nonset_day = 3\ngrowth = "linear"\ngrows_days = 26',
        40_000,
    ),
    "oxidation": (
        {"cause": "oxidation_damage", "stage": 1, "action": "replace"},
        'kind = "oxidation_damage"\nonset_day = 3\ngrowth = "linear"\ngrows_days = 25',
        40_000,
    ),
    "leak": (
        {"cause": "o_ring_leak", "stage": 1, "action": "probe"},
        'kind = "o_ring_leak"\nonset_day = 3\ngrowth = "step"\nstage = 1\nvessel = 3\njoint = 4\nseverity = 0.02',
        20_000,
    ),
    "offset": (
        {"cause": "instrument_fault", "stage": 1, "action": "check_instrument"},
        'kind = "transmitter_offset"\ntag = "1/concentrate_pressure"\nonset_day = 3\ngrowth = "step"\noffset = 0.5',
        20_000,
    ),
    "freeze": (
        {"cause": "instrument_fault", "stage": 1, "action": "check_instrument"},
        'kind = "transmitter_freeze"\ntag = "1/feed_pressure"\nonset_day = 3\ngrowth = "step"',
        10_000,
    ),
}
POINTS = {"offset": "A/1/concentrate_pressure", "freeze": "A/1/feed_pressure"}


def scenario(kind: str) -> str:
    """The text of a scenario with one fault on a train that is sound otherwise."""
    expected, fault, _ = FAULTS[kind]
    lines = "\n".join(
        f'{name} = "{value}"' if isinstance(value, str) else f"{name} = {value}"
        for name, value in expected.items()
    )
    return QUIET.format(kind=kind, expected=lines) + fault + "\n"


YEAR_S = 365 * 86400.0
START = datetime(2026, 1, 5, tzinfo=UTC).timestamp()


@pytest.fixture(scope="module")
def sound_plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulated]:
    """A sound plant at 100 000 times real time with a daemon of its own, beside the other stories."""
    folder = tmp_path_factory.mktemp("sound")
    with contextlib.ExitStack() as stack:
        plant_of = stack.enter_context(simulated(folder, "healthy", speed=100_000))
        daemon = subprocess.Popen(
            [sys.executable, "-m", "daemon", "run", str(plant_of.plant_file), "--no-page"],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            yield Simulated(plant_of.plant_file, daemon)
        finally:
            daemon.kill()
            daemon.wait()


@pytest.mark.usefixtures("sound_plant")  # its year runs meanwhile
@pytest.mark.parametrize("kind", FAULTS)
def test_a_fault_reaches_both_receivers_with_cause_stage_and_action(
    kind: str, tmp_path: Path
) -> None:
    """Half of the points by Modbus, half by OPC UA: mail and HTTP name the fault, and a replay agrees."""
    expected, _, speed = FAULTS[kind]

    with (
        receivers() as got,
        simulated(tmp_path, scenario(kind), speed=speed, contacts=got.contacts()) as plant_of,
    ):
        plant = load(plant_of)
        assert {d.protocol for d in plant.devices.values()} == {"modbus-tcp", "opcua"}
        heard = asyncio.run(
            watch(plant, lambda heard: bool(got.posts and got.mails), limit_s=180.0)
        )
    with Record.open(tmp_path / "store", read_only=True) as record:
        journal = [line.body for line in record.journal()]
    assert journal_of_replay(plant, tmp_path / "store") == journal
    (first,) = heard.bodies()
    assert {name: first[name] for name in expected} == expected, first["message"]
    assert first["causes"][0]["point"] == POINTS.get(kind)
    title = f"[{first['notice']}/1]"
    assert got.keys() == [title]
    assert first["message"] in got.posts[0]["message"]
    (mail,) = got.mails
    assert str(mail["Subject"]).startswith(title)
    text = mail.get_body(("plain",))
    assert text is not None
    assert " ".join(first["message"].split()) in " ".join(text.get_content().split())


def test_a_sound_year_is_silent(sound_plant: Simulated) -> None:
    """A year of weather, set-points, stops and wandering salt over real sockets raises no membrane notice."""
    folder = sound_plant.plant_file.parent / "store"
    limit = time.monotonic() + 600.0
    with Record.open(folder, read_only=True) as record:
        while (at := record.progress("A")) is None or at.minute < START + YEAR_S:
            assert sound_plant.process.poll() is None, "the daemon ended by itself"
            assert time.monotonic() < limit, "the year did not come to its end"
            time.sleep(0.5)
        sound_plant.process.send_signal(signal.SIGTERM)
        assert sound_plant.process.wait(30.0) == 0
        assert len(record.baselines("A")) == 1
        assert len(record.digests("A")) > 2000, "too little was looked at to call it silence"
        # A machine that is busy with other tests may lose a poll: the link is another matter.
        membrane = [n.message for n in record.notices("A") if not n.matter.startswith("link:")]
    assert membrane == []
