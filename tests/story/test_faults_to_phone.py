"""The whole road over real sockets: simulator, daemon, notice, and the message at its receivers."""

import asyncio
from pathlib import Path

import pytest

from tests.story.plant_kit import load, receivers, simulated, watch

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


@pytest.mark.parametrize("kind", FAULTS)
def test_a_fault_reaches_both_receivers_with_cause_stage_and_action(
    kind: str, tmp_path: Path
) -> None:
    """Half of the points over Modbus, half over OPC UA: the first notice names the fault, by mail and HTTP."""
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
