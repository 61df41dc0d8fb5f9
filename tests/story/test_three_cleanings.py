"""A film that comes off less and less: three cleanings of the simulated plant, and what is said of them."""

import itertools
from pathlib import Path

from rules.cleanings import SETTLED_S
from rules.findings import Finding, Presence
from simulator.plant import Plant
from tests.simulated import DAY_S, Confirmed, run

CLEANED = (22.3, 42.3, 62.3)
RESTORES = (0.9, 0.65, 0.25)
"""Share of the film that comes off each time; the simulator takes 5 per cent off that with each cleaning."""

SCENARIO = """
title = "Cleaned three times"
description = "A film grows on stage 1; each cleaning restores less than the one before."
days = 69

[expected]
outcome = "notice"
cause = "biofouling"
action = "clean"
stage = 1

[[fault]]
kind = "biofouling"
onset_day = 2.5
growth = "linear"
grows_days = 60
severity = 1.8
"""

EVENT = """
[[event]]
kind = "cleaning"
at_day = {day}
hours = 8
chemistry = "alkaline"
restores = {restores}
"""


def test_three_cleanings_of_diminishing_effect_end_in_replace(tmp_path: Path) -> None:
    """Each is assessed with its share, as the simulator took it off; after the third: replace, with the figures."""
    path = tmp_path / "three.toml"
    cleanings = (EVENT.format(day=d, restores=r) for d, r in zip(CLEANED, RESTORES, strict=True))
    path.write_text(SCENARIO + "".join(cleanings), encoding="utf-8")
    plant = run(str(path), 69.0, 3600.0)
    log = [(e.time_s, e.event, e.detail) for e in Plant(str(path), 1).timeline.log]
    watch, confirmed = plant.watch(), Confirmed()
    found: list[tuple[float, Finding]] = []
    for time, row in plant.rows():
        while log and log[0][0] < time + 60.0:
            watch.event(*log.pop(0))
        step = watch.minute(time, row)
        confirmed.take(time, step.findings)
        found += [
            (time, f)
            for f in step.findings
            if f.matter == "cleanings" and f.presence is Presence.PRESENT
        ]
        cleanings_now = watch.upkeep.cleanings
        if cleanings_now is not None and cleanings_now.last_end is not None:
            settling = time < cleanings_now.last_end + SETTLED_S
            assert cleanings_now.settling(time) or not settling
    assert watch.upkeep.cleanings is not None
    first, second, third = watch.upkeep.cleanings.history
    shares = []
    for one in (first, second, third):
        assert one.leading == "1/pressure_drop"
        assert one.chemistry == ("alkaline",)
        effect = one.effect(one.leading)
        assert effect is not None
        assert effect.restored is not None
        assert effect.restored_error is not None
        shares.append((effect.restored, effect.restored_error))
    for (more, error), (less, other) in itertools.pairwise(shares):
        assert more - less > error + other
    assert (first.verdict, second.verdict, third.verdict) == (
        "restored",
        "partly_restored",
        "partly_restored",
    )
    # Nothing of it before the third had settled; from then on it stays.
    assert plant.day(found[0][0]) > CLEANED[2] + 8 / 24 + SETTLED_S / DAY_S
    last = found[-1][1]
    assert (last.action, last.stage, last.cause) == ("replace", 1, "biofouling")
    assert "cleaning has stopped paying" in last.message
    assert "the last 2 cleans missed their target" in last.message
    assert last.message.rstrip(".").endswith("Plan replacement")
    for share, error in shares:
        assert any(f"{100 * share:.0f} ± {100 * error:.0f} %" in line for line in last.evidence)
    assert "cleanings" in confirmed.active
    fit = [f for _, f in confirmed.raised if f.matter == "fit_for_service"]
    assert len(fit) == 3
    assert fit[0].message.startswith("Train A: fit for service since 27 Jan")
