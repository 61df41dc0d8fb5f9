"""All trains of a scenario together: what is served, exported and worked on.

Errors: UnknownTrain, with the ids that there are.
"""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime

import numpy as np

from simulator.faults import Fault
from simulator.hydraulics import NotSettled
from simulator.instruments import Instrument
from simulator.plant import CHUNK, Plant
from simulator.scenario import DEFAULT_START, Scenario, load, of_train
from simulator.water import Floats


class UnknownTrain(ValueError):
    """There is no such train, or it was not said which of several; the text names them."""


class Site:
    """The trains of a scenario at one time: a single one is a site of one.

    Trains share the feed water, or one lives on the permeate of another. Each has instruments, set-points and
    faults of its own.
    """

    def __init__(self, scenario: Scenario | str, seed: int = 1, start: datetime = DEFAULT_START):
        self.scenario = load(scenario) if isinstance(scenario, str) else scenario
        self.seed = seed
        made: dict[str, Plant] = {}
        for own in self.scenario.each():
            fed_by = own.only.fed_by
            made[own.only.id] = Plant(own, seed, start, made[fed_by] if fed_by else None)
        self.trains = tuple(made.values())
        self.start_s = self.trains[0].start_s
        self.instruments: dict[str, Instrument] = {
            f"{train.id}/{i.signal}": i for train in self.trains for i in train.instruments
        }
        self.tags = tuple(self.instruments)

    @property
    def now_s(self) -> float:
        """Plant time. [s since 1970-01-01 UTC]"""
        return self.trains[0].now_s

    def train(self, name: str = "") -> Plant:
        """A train by its id; the only one when none is named."""
        known = {train.id: train for train in self.trains}
        if name in known:
            return known[name]
        if not name and len(known) == 1:
            return self.trains[0]
        said = f"there is no train {name!r}" if name else "which train?"
        raise UnknownTrain(f"{said}; trains are {', '.join(known)}")

    def advance(self, to_s: float) -> None:
        """Let all trains run until a time; one that cannot trips. [s since 1970-01-01 UTC]"""
        for train in self.trains:
            train.advance(to_s)

    def readings(self) -> dict[str, float]:
        """What the instruments show now, by tag, in bar, m3/h, degC, uS/cm; NaN = no signal."""
        return {tag: value for train in self.trains for tag, value in train.readings().items()}

    def sample(self, times_s: Floats) -> dict[str, Floats]:
        """What the instruments show at many times at once, by tag."""
        return self._together(times_s, lambda train, part: train.sample(part))

    def truth(self, times_s: Floats) -> dict[str, Floats]:
        """The noiseless value of every signal at each time, by tag."""

        def of(train: Plant, part: Floats) -> dict[str, Floats]:
            return {f"{train.id}/{name}": values for name, values in train.truth(part).items()}

        return self._together(times_s, of)

    def _together(
        self, times_s: Floats, of: Callable[[Plant, Floats], dict[str, Floats]]
    ) -> dict[str, Floats]:
        # Chunk by chunk, so that what one train makes is at hand for the one that it feeds.
        times_s = np.atleast_1d(np.asarray(times_s, dtype=float))
        parts: list[dict[str, Floats]] = []
        for begin in range(0, len(times_s), CHUNK):
            part = times_s[begin : begin + CHUNK]
            parts.append({k: v for train in self.trains for k, v in of(train, part).items()})
        if len(parts) == 1:
            return parts[0]
        return {tag: np.concatenate([part[tag] for part in parts]) for tag in parts[0]}

    def set_faults(self, faults: tuple[Fault, ...]) -> None:
        """Go on with other faults than those of the scenario; what was shown before is not told again.

        A train that had tripped starts again when it can. Raises when there is no such instrument, or when a
        train cannot run with them now; then nothing has changed.
        """
        before = self.scenario.faults
        try:
            self._set(faults)
        except (ValueError, NotSettled):
            self._set(before)
            raise
        for train in self.trains:
            if train.tripped is not None:
                with suppress(NotSettled):
                    train.restart()
        self._reread()

    def _set(self, faults: tuple[Fault, ...]) -> None:
        self.scenario = replace(self.scenario, faults=faults)
        for train in self.trains:
            train.set_faults(of_train(faults, train.id))

    def restart(self, name: str = "") -> bool:
        """Start a train after a trip; False when it had not tripped. Raises NotSettled when it cannot run."""
        train = self.train(name)
        if train.tripped is None:
            return False
        train.restart()
        self._reread()
        return True

    def _reread(self) -> None:
        """A train shows what those before it make of it now."""
        for train in self.trains:
            train.advance(train.now_s)
