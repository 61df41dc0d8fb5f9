"""What a person may do to a served plant while it runs: its time, its faults, its sample valves.

Errors: Refused, with what was asked and what would be right.
"""

import contextlib
import dataclasses
import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np

from simulator import handheld
from simulator.faults import LEAKS, Fault
from simulator.hydraulics import NotSettled
from simulator.link_faults import TAKES, BadLink
from simulator.links import link_fault_of
from simulator.operation import DAY_S, Mode
from simulator.scenario import ScenarioError, parse
from simulator.serve import Served, StillRunning
from simulator.site import Site, UnknownTrain
from simulator.truth import condition, iso, trips

MOST_STEP_S = 400.0 * DAY_S
MOST_SEVERITY = 50.0
MOST_LEAK = 0.9
"""Limits of severity: far beyond any plant, but the train still runs; of leaks it is the part that leaks."""
PLACE = "fault"  # what the reader of scenarios calls the file


class Refused(ValueError):
    """Something that was asked cannot be done; the text says why and what would do."""


def fault_of(table: Mapping[str, Any], site: Site) -> Fault:
    """The fault that a table describes, beginning now; keys as in a [[fault]] of a scenario but `onset_day`.

    It is read as a scenario with this one fault, so that a scenario and a running plant never
    take different things.
    """
    if "onset_day" in table:
        raise Refused("fault: onset_day: the fault begins now; leave onset_day out")
    now_day = (site.now_s - site.start_s) / DAY_S
    lines = ['title = ""', 'description = ""']
    for train in site.trains:
        lines += ["[[train]]", f"id = {json.dumps(train.id)}", "[train.plant]", "stages = ["]
        for shape in train.shapes:
            sizes = ", ".join(f"{k} = {v!r}" for k, v in dataclasses.asdict(shape).items())
            lines.append(f"  {{ {sizes} }},")
        lines.append("]")
    lines += ["[[fault]]", f"onset_day = {now_day!r}"]
    lines += [f"{json.dumps(name)} = {_toml(name, value)}" for name, value in table.items()]
    try:
        (fault,) = parse("\n".join(lines), PLACE, "").faults
    except ScenarioError as exc:
        raise Refused(str(exc).replace(f"{PLACE}: fault 1", PLACE)) from exc
    most = MOST_LEAK if fault.kind in LEAKS else MOST_SEVERITY
    if not 0.0 < fault.severity <= most:
        raise Refused(
            f"fault ({fault.kind}): severity is {fault.severity:g}; it must be above 0, "
            f"at most {most:g}"
        )
    if fault.until_day is not None and fault.until_day <= now_day:
        raise Refused(f"fault: until_day is {fault.until_day:g}; now is day {now_day:.3f}")
    return fault


def _toml(name: str, value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, int):
        return repr(value)
    if isinstance(value, float) and math.isfinite(value):
        return repr(value)
    raise Refused(f"fault: {name} is {value!r}; write a number or a text")


class Control:
    """The panel of one served site."""

    def __init__(self, served: Served):
        self._served = served
        self._site = served.site
        self._asked = 0

    def state(self, *, truth: bool = False) -> dict[str, Any]:
        """Time and pace of the plant, and what its trains do; what is wrong only when the truth is asked for."""
        site, served = self._site, self._served
        out: dict[str, Any] = {
            "time": iso(site.now_s),
            "day": round((site.now_s - site.start_s) / DAY_S, 5),
            "speed": served.speed,
            "paused": served.paused,
            "trains": self._trains(),
        }
        if truth:
            out |= {
                "scenario": site.scenario.name,
                "seed": site.seed,
                "expected": dataclasses.asdict(site.scenario.expected),
                "faults": self.faults(),
                "links": self.links(),
                "change_percent": self._condition(),
                "trips": trips(site),
            }
        return out

    def _trains(self) -> dict[str, dict[str, str]]:
        """What every train is doing; of one that has tripped also why."""
        out: dict[str, dict[str, str]] = {}
        for train in self._site.trains:
            mode, _ = train.mode(np.array([train.now_s]))
            out[train.id] = {"mode": Mode(int(mode[0])).name.lower()}
            if train.tripped is not None:
                out[train.id]["reason"] = train.tripped.reason
        return out

    def faults(self) -> list[dict[str, Any]]:
        """Every fault of the run so far and to come, by its number, with its size now (0 to 1)."""
        site = self._site
        day = (site.now_s - site.start_s) / DAY_S
        found = []
        for number, fault in enumerate(site.scenario.faults, 1):
            plain = dataclasses.asdict(fault)
            told = {k: v for k, v in plain.items() if v is not None and v != ""}
            ended = fault.until_day is not None and day >= fault.until_day
            train = site.train(fault.train)
            size = fault.size(np.array([day]), train.timeline.cleanings, train.timeline.starts)
            found.append(
                {
                    "number": number,
                    "in_force": fault.onset_day <= day and not ended,
                    "size": round(float(size[0]), 6),
                    **told,
                    "train": train.id,
                }
            )
        return found

    def links(self) -> list[dict[str, Any]]:
        """The link faults in force, by number."""
        return [
            {
                "number": number,
                "kind": fault.kind,
                "since": iso(since),
                **{name: getattr(fault, name) for name in TAKES[fault.kind]},
            }
            for number, (fault, since) in self._served.links.faults.items()
        ]

    def _condition(self) -> dict[str, dict[str, dict[str, float]]]:
        """Change of each stage of each train since the start of the run, its faults and its age together. [%]

        Without a train that could not run at all.
        """
        site = self._site
        days = np.array([0.0, (site.now_s - site.start_s) / DAY_S])
        found = {}
        for train in site.trains:
            with contextlib.suppress(NotSettled):
                found[train.id] = {
                    stage: {
                        name: round(100.0 * math.expm1(logs[-1]), 3)
                        for name, logs in values.items()
                    }
                    for stage, values in condition(train, days).items()
                }
        return found

    async def pause(self) -> None:
        """Let plant time stand still."""
        await self._served.pause()

    async def resume(self) -> None:
        """Let plant time go on."""
        await self._served.resume()

    async def step(self, seconds: object) -> None:
        """Bring the paused plant forward; a train that cannot run there trips, and says so."""
        length = _number("step", "seconds", seconds)
        if not 0.0 < length <= MOST_STEP_S:
            raise Refused(f"step: seconds is {length:g}; give more than 0, at most {MOST_STEP_S:g}")
        try:
            await self._served.step(length)
        except StillRunning as exc:
            raise Refused(f"step: {exc}") from exc

    async def set_speed(self, speed: object) -> None:
        """Let time run at another speed."""
        try:
            await self._served.set_speed(_number("speed", "speed", speed))
        except Refused:
            raise
        except ValueError as exc:
            raise Refused(str(exc)) from exc

    async def inject(self, table: Mapping[str, Any]) -> int:
        """Let a fault begin now; its number. It shows from the next instant of plant time on.

        Refused when the train could not run with it, fully grown, as it runs now.
        """
        site = self._site
        fault = fault_of(table, site)
        before = site.scenario.faults
        try:
            # On a site of its own, so that this one never starts from what was only tried.
            start = datetime.fromtimestamp(site.start_s, UTC)
            trial = Site(
                dataclasses.replace(site.scenario, faults=(*before, fault)), site.seed, start
            )
            trial.sample(site.now_s + np.array([1.0, fault.grows_days * DAY_S]))
            site.set_faults((*before, fault))
        except NotSettled as exc:
            raise Refused(
                f"fault ({fault.kind}): the train could not run with it, fully grown: {exc}; "
                "take a smaller severity"
            ) from exc
        except ValueError as exc:
            raise Refused(str(exc).partition(": ")[2]) from exc
        return len(site.scenario.faults)

    async def clear(self, number: object = None) -> list[int]:
        """Repair one fault by its number, or all that are not over; the numbers of those repaired.

        A train that had tripped starts again when it can.
        """
        site = self._site
        day = (site.now_s - site.start_s) / DAY_S
        faults = site.scenario.faults
        standing = [
            index
            for index, fault in enumerate(faults, 1)
            if fault.until_day is None or fault.until_day > day
        ]
        if number is None:
            chosen = standing
        elif not isinstance(number, int) or isinstance(number, bool) or number not in standing:
            known = ", ".join(map(str, standing)) or "none"
            raise Refused(f"clear: fault {number!r}; faults that can be cleared: {known}")
        else:
            chosen = [number]
        try:
            site.set_faults(
                tuple(
                    dataclasses.replace(fault, until_day=day) if index in chosen else fault
                    for index, fault in enumerate(faults, 1)
                )
            )
        except NotSettled as exc:
            raise Refused(f"clear: the train cannot run then: {exc}") from exc
        await self._served.refresh()
        return chosen

    async def restart(self, train: object = None) -> None:
        """Start a train that has tripped; refused when it could not run as it is now."""
        try:
            started = self._site.restart("" if train is None else str(train))
        except UnknownTrain as exc:
            raise Refused(f"restart: {exc}") from exc
        except NotSettled as exc:
            raise Refused(
                f"restart: the train cannot run now: {exc}; clear the fault that stops it"
            ) from exc
        if not started:
            raise Refused("restart: the train has not tripped")
        await self._served.refresh()

    async def spoil(self, table: Mapping[str, Any]) -> int:
        """Let a link fault begin now; its number. The plant stays as it is."""
        try:
            fault = link_fault_of(table, self._site)
        except BadLink as exc:
            raise Refused(str(exc)) from exc
        number = self._served.links.add(fault, self._site.now_s)
        await self._served.relink()
        return number

    async def mend(self, number: object = None) -> list[int]:
        """End one link fault by its number, or all; the numbers of those that ended."""
        standing = list(self._served.links.faults)
        if number is None:
            chosen = standing
        elif not isinstance(number, int) or isinstance(number, bool) or number not in standing:
            known = ", ".join(map(str, standing)) or "none"
            raise Refused(f"mend: link fault {number!r}; those that can be mended: {known}")
        else:
            chosen = [number]
        for one in chosen:
            self._served.links.remove(one)
        await self._served.relink()
        return chosen

    def read(
        self,
        *,
        train: str = "",
        vessel: str | None = None,
        depths_mm: tuple[float, ...] = (),
        every_mm: float | None = None,
        stage: int | None = None,
        meter: handheld.Meter,
        truth: bool = False,
    ) -> list[dict[str, object]]:
        """Readings of a handheld meter now; each time it is asked the hand is a little different."""
        self._asked += 1
        try:
            plant = self._site.train(train)
        except UnknownTrain as exc:
            raise handheld.NoReading(str(exc)) from exc
        readings = handheld.taken(
            plant,
            plant.now_s,
            meter,
            vessel=vessel,
            depths_mm=depths_mm,
            every_mm=every_mm,
            stage=stage,
            attempt=self._asked,
        )
        return handheld.table(readings, truth=truth)


def _number(what: str, name: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise Refused(f"{what}: {name} is {value!r}; give a number")
    return float(value)
