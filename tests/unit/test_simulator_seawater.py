"""A simulated seawater train: its instruments, its plant file, and how it stands."""

from pathlib import Path

import numpy as np
import pytest

from daemon.plantfile import load
from rules.conductivity import concentration_mg_l
from simulator import plantfile
from simulator.operation import DAY_S, Mode
from simulator.plant import Plant
from simulator.scenario import ScenarioError, parse
from simulator.site import Site
from simulator.water import LAWS, NACL


def test_the_plant_file_says_seawater(tmp_path: Path) -> None:
    """The plant file of a seawater train names its water; by it the salt balance of the noiseless readings closes."""
    site = Site("healthy_seawater")
    for text in (
        plantfile.exported(site, tmp_path / "data.csv"),
        plantfile.served(site, modbus_port=5020, opcua_port=4840),
    ):
        path = tmp_path / "plant.toml"
        path.write_text(text, encoding="utf-8")
        assert load(path).train("A").model.water.kind == "seawater"
    model = load(path).train("A").model
    compensation = next(
        i for i in model.instruments if i.signal == "feed_conductivity"
    ).compensation
    times = site.start_s + np.arange(0.5, 150.0, 7.0) * DAY_S
    truth = site.truth(times)
    runs = truth["A/running"] == 1.0
    salts = {
        end: concentration_mg_l(
            truth[f"A/{end}_conductivity"], truth["A/feed_temperature"], compensation, model.water
        )
        for end in ("feed", "permeate", "concentrate")
    }
    carried = {end: truth[f"A/{end}_flow"] * salt for end, salt in salts.items()}
    # Both roads convert the conductivity by laws of their own: half a per cent each.
    balance = (carried["permeate"] + carried["concentrate"]) / carried["feed"]
    assert balance[runs] == pytest.approx(1.0, abs=0.01)


def test_a_season_stays_within_the_instruments() -> None:
    """From winter to summer feed pressure, conductivities and flows of the train use their ranges and keep within."""
    plant = Plant("healthy_seawater")
    times = plant.start_s + np.arange(0.0, 150.0, 0.21) * DAY_S
    runs = plant.mode(times)[0] == Mode.RUNNING
    truth = plant.truth(times)
    for instrument in plant.instruments:
        if instrument.status or instrument.signal in ("feed_ph", "feed_orp", "feed_turbidity"):
            continue
        values = truth[instrument.signal][runs]
        assert values.max() < instrument.high, instrument.signal
        assert values.max() > 0.1 * (instrument.high - instrument.low), instrument.signal
    # Usual values of seawater trains (common practice, no source): 50 to 70 bar, permeate of 150 to 500 mg/L.
    feed_bar = truth["1/feed_pressure"][runs]
    assert feed_bar.min() > 50.0
    assert feed_bar.max() < 70.0
    salt = np.array([plant.made(times[-1:]).salt_mg_l[0], plant.made(times[:1]).salt_mg_l[0]])
    assert np.all((salt > 150.0) & (salt < 500.0))


def test_at_rest_it_holds_permeate() -> None:
    """A stopped seawater train was flushed with permeate: its feed conducts a few per cent of the sea."""
    plant = Plant("healthy_seawater")
    times = plant.start_s + np.arange(0.0, 60.0, 0.01) * DAY_S
    mode, _ = plant.mode(times)
    truth = plant.truth(times)
    stands = (mode == Mode.STOPPED) | (mode == Mode.FLUSHING)
    assert np.any(stands)
    usual = np.median(truth["feed_conductivity"][mode == Mode.RUNNING])
    assert np.all(truth["feed_conductivity"][stands] < 0.06 * usual)


def test_a_second_pass_lives_on_sodium_chloride() -> None:
    """What the permeate of a seawater train feeds has the laws of sodium chloride; the first has those of the sea."""
    site = Site(
        parse(
            """
            title = "two passes"
            description = "the permeate of a seawater train once more"
            [feed]
            water = "seawater"
            salt_mg_l = 36000
            [[train]]
            id = "A"
            plant = { stages = [{ vessels = 8, elements = 7 }], water_lmh_bar = 1.1, highest_feed_bar = 80 }
            operation = { permeate_m3h = 29, recovery = 0.4 }
            [[train]]
            id = "B"
            fed_by = "A"
            plant = { stages = [{ vessels = 2, elements = 6 }, { vessels = 1, elements = 6 }] }
            operation = { permeate_m3h = 22, recovery = 0.85 }
            """,
            "two.toml",
            "two",
        )
    )
    assert site.train("A").law is LAWS["seawater"]
    assert site.train("B").law is NACL
    site.advance(site.start_s + DAY_S)
    readings = site.readings()
    assert readings["B/feed_conductivity"] == pytest.approx(
        readings["A/permeate_conductivity"], rel=0.05
    )


def test_other_water_is_not_known() -> None:
    """A water without laws is refused, with those that have some."""
    with pytest.raises(ScenarioError, match="feed: water 'lake'; use one of nacl, seawater"):
        parse('title = "t"\ndescription = "d"\n[feed]\nwater = "lake"', "bad.toml", "bad")
