"""One train that runs a scenario: what its instruments show at any time, and what is true."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Self

import numpy as np
from numpy.typing import NDArray

from simulator import faults as fault_kinds
from simulator.faults import Fault
from simulator.feed import Feeding, FeedWater, Made, PermeateWater
from simulator.hydraulics import Demand, NotSettled, Start, TrainResult, solve
from simulator.instruments import Instrument, Transmitters, fitted
from simulator.noise import gauss, key, wander
from simulator.operation import DAY_S, STARTING_S, Downtime, Logged, Mode, Modes, Timeline
from simulator.scenario import DEFAULT_START, Scenario, TrainSpec, load
from simulator.transmitter_faults import Scene, spoiled
from simulator.vessels import StageFlow, StageState, Surroundings
from simulator.water import LAWS, NACL, Floats, WaterLaw, transmitter_conductivity_us_cm

CHUNK = 1500  # instants solved at once: large enough for numpy, small enough for the cache
FLUSH_FEED_PART = 0.6
FLUSH_PERMEATE_PART = 0.04
FLUSH_BAR = (3.0, 2.2, 2.1, 1.5)  # inlet and outlet of each stage at the flush flow
CLEANING_FEED_PART = 0.45
STANDING_BAR = 0.3
STALE_PART = 0.03  # salt of the permeate of a train that stands still, of its usual feed
CLEANING_MG_L = 4000.0
START_UP_EXTRA, START_UP_DECAY_S = 1.5, 300.0
PRESERVATIVE, PRESERVATIVE_HOURS = 4.0, 1.5  # new elements are rinsed for hours; common practice
RINSED = 20.0  # times its hours after which nothing of it is left


def _ends(fault: Fault) -> tuple[tuple[str, Fault], ...]:
    """The transmitters of a fault, each with the fault as it sees it: swapped wires have two ends."""
    if fault.kind != "transmitter_swapped":
        return ((fault.tag, fault),)
    back = replace(fault, tag=fault.other, other=fault.tag)
    return ((fault.tag, fault), (fault.other, back))


def _instruments(scenario: Scenario, salt_mg_l: float | None = None) -> tuple[Instrument, ...]:
    """What the train of a scenario measures. salt_mg_l : usual salt of its feed, when it is not feed water."""
    spec, run = scenario.plant, scenario.operation
    salt = scenario.feed.salt_mg_l if salt_mg_l is None else salt_mg_l
    feed = run.permeate_m3h / run.recovery * (1.0 + spec.recirculated)
    return fitted(
        stages=len(spec.stages),
        feed_m3h=feed,
        permeate_m3h=run.permeate_m3h,
        salt_mg_l=salt,
        concentrate_mg_l=salt / (1.0 - run.recovery),
        highest_bar=spec.highest_feed_bar,
        measured=spec.instruments,
        bits=spec.bits == "yes",
    )


class Plant:
    """One train of a scenario; everything it shows depends only on scenario, seed and time.

    What it shows is not what it would be after a trip (`advance`): then also on when that was.

    source : the train whose permeate feeds this one, for a scenario that says so (`simulator.site` does it all).
    """

    def __init__(
        self,
        scenario: Scenario | str,
        seed: int = 1,
        start: datetime = DEFAULT_START,
        source: Self | None = None,
    ):
        self.scenario = load(scenario) if isinstance(scenario, str) else scenario
        spec = self.scenario.only
        if spec.fed_by != (source.id if source is not None else ""):
            raise ValueError(
                f"train {spec.id} is fed by {spec.fed_by!r}: give that train as source"
            )
        self.id: str = spec.id
        self.name: str = spec.name
        self.seed = seed
        # The first train of a site is the one that a seed has always drawn.
        self.own_seed = seed if self.id == TrainSpec().id else key(seed, "train", self.id)
        if start.tzinfo is None:
            raise ValueError("start must have a time zone, for example 2026-01-05T00:00:00Z")
        self.start_s = start.timestamp()
        self.now_s = self.start_s
        self.shapes = self.scenario.plant.stages
        self._source = source
        self._usual_mg_l = self.scenario.feed.salt_mg_l
        self.law: WaterLaw = LAWS[self.scenario.feed.water]
        self.feed: Feeding = FeedWater(self.scenario.feed, seed, self.start_s, self.scenario.events)
        if source is not None:
            self._usual_mg_l = float(source.at_one_point(np.zeros(1)).permeate_mg_l[0])
            self.feed, self.law = PermeateWater(source), NACL
        upstream = None if source is None else source.timeline
        self.timeline: Timeline = Timeline(self.scenario, self.own_seed, self.start_s, upstream)
        self.instruments = _instruments(self.scenario, self._usual_mg_l)
        self._transmitters = Transmitters(self.instruments, self.own_seed)
        self._check_faults()
        self._new = tuple(self._as_built(number) for number in range(1, len(self.shapes) + 1))
        self._start: Start | None = None
        self._frozen: dict[tuple[str, float], float] = {}
        self._made: tuple[Floats, Made] | None = None
        self.trips: list[Downtime] = []
        self._readings = self._at(self.start_s)

    def _check_faults(self) -> None:
        signals = [i.signal for i in self.instruments]
        for fault in self.scenario.faults:
            for tag in (fault.tag, fault.other):
                if tag and tag not in signals:
                    raise ValueError(
                        f"scenario {self.scenario.name}: fault {fault.kind}: there is no instrument "
                        f"{tag!r}; instruments are {', '.join(signals)}"
                    )
            if fault.begins(self.timeline.cleanings, self.timeline.starts) is None:
                what = "cleaning" if fault.kind in fault_kinds.AT_CLEANING else "stop"
                raise ValueError(
                    f"scenario {self.scenario.name}: fault {fault.kind} comes with a {what}, and none "
                    f"ends after onset_day {fault.onset_day:g}: plan an event of this kind"
                )

    def set_faults(self, faults: tuple[Fault, ...]) -> None:
        """Go on with other faults than those of the scenario; what was shown before is not told again.

        Raises when there is no such instrument, or when the train cannot run with them now; then nothing
        has changed.
        """
        before = self.scenario, dict(self._frozen)
        self.scenario = replace(self.scenario, faults=faults)
        self._made = None
        try:
            self._check_faults()
            self._readings = self._at(self.now_s)
        except (ValueError, NotSettled):
            self.scenario, self._frozen = before
            self._made = None
            raise

    @property
    def tags(self) -> tuple[str, ...]:
        """Tags of all instruments, in the order of the plant file."""
        return tuple(f"{self.id}/{i.signal}" for i in self.instruments)

    def advance(self, to_s: float) -> None:
        """Let the train run until a time. [s since 1970-01-01 UTC]

        When it cannot run as it is asked to then, it trips: it stands still from there on.
        """
        if to_s < self.now_s:
            raise ValueError(f"time runs forward: now {self.now_s}, asked for {to_s}")
        self.now_s = to_s
        try:
            self._readings = self._at(to_s)
        except NotSettled as exc:
            self.trips.append(Downtime(to_s, f"pressure and flow cannot be held: {exc}"))
            self.timeline.log.append(Logged(to_s, "tripped", self.trips[-1].reason))
            self._made = None
            self._readings = self._at(to_s)

    @property
    def tripped(self) -> Downtime | None:
        """The trip that holds the train now."""
        return self.trips[-1] if self.trips and self.trips[-1].end_s > self.now_s else None

    def restart(self) -> None:
        """Start after a trip: flush, then production. Raises NotSettled when it could not run now either."""
        if self.tripped is None:
            return
        now = np.array([self.now_s])
        permeate, feed = self.drawn(now, *self.timeline.setpoints(now))
        if permeate[0] > 0.0:
            self.solved(
                now,
                permeate=permeate,
                feed=feed,
                temperature_c=self.feed.temperature_c(now),
                salt_mg_l=self.feed.salt_mg_l(now),
            )
        self.trips[-1] = replace(self.trips[-1], end_s=self.now_s)
        self.timeline.log.append(Logged(self.now_s, "restarted", ""))
        self._made = None
        self._readings = self._at(self.now_s)

    def _downtimes(self) -> list[Downtime]:
        """Standstills that nobody planned: own trips, and those of the train that feeds this one."""
        above = [] if self._source is None else self._source._downtimes()
        return self.trips + [
            replace(down, end_s=down.running_s, mode=Mode.STOPPED) for down in above
        ]

    def mode(self, times_s: Floats) -> tuple[Modes, Floats]:
        """The mode at each time, and since how many seconds it lasts."""
        mode, since = self.timeline.mode(times_s)
        for down in self._downtimes():
            mode, since = down.over(mode, since, times_s)
        return mode, since

    def made(self, times_s: Floats) -> Made:
        """Its permeate at each time, for a train that lives on it."""
        if self._made is None or not np.array_equal(self._made[0], times_s):
            self._truth_part(times_s)
        assert self._made is not None
        return self._made[1]

    def readings(self) -> dict[str, float]:
        """What the instruments show now, by tag, in bar, m3/h, degC, uS/cm; NaN = no signal."""
        return dict(self._readings)

    def _at(self, time_s: float) -> dict[str, float]:
        return {tag: float(v[0]) for tag, v in self.sample(np.array([time_s])).items()}

    def sample(self, times_s: Floats) -> dict[str, Floats]:
        """What the instruments show at many times at once, by tag."""
        times_s = np.asarray(times_s, dtype=float)
        parts = [
            self._sample_part(times_s[begin : begin + CHUNK])
            for begin in range(0, len(times_s), CHUNK)
        ]
        table = parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)
        return dict(zip(self.tags, table, strict=True))

    def _sample_part(self, times_s: Floats) -> Floats:
        sensed = self._sensed(times_s)
        shown = sensed.copy()
        day = (times_s - self.start_s) / DAY_S
        for fault in self.scenario.faults:
            if not fault.tag:
                continue
            active = day >= fault.onset_day
            if fault.until_day is not None:
                active &= day < fault.until_day
            if not np.any(active):
                continue
            scene = Scene(self.instruments, sensed, times_s, fault.size(day), self.own_seed)
            for tag, one in _ends(fault):
                row = self._transmitters.row(tag)
                if fault.kind == "transmitter_freeze":
                    spoilt = np.full_like(shown[row], self._value_at_onset(one))
                else:
                    spoilt = spoiled(one, shown[row], scene)
                shown[row] = np.where(active, spoilt, shown[row])
        return self._transmitters.shown(shown)

    def _sensed(self, times_s: Floats) -> Floats:
        truth = self._truth_part(times_s)
        table = np.stack([truth[i.signal] for i in self.instruments])
        return self._transmitters.measured(table, times_s)

    def _value_at_onset(self, fault: Fault) -> float:
        place = (fault.tag, fault.onset_day)
        if place not in self._frozen:
            onset = np.array([self.start_s + fault.onset_day * DAY_S])
            row = self._transmitters.row(fault.tag)
            self._frozen[place] = float(self._sensed(onset)[row, 0])
        return self._frozen[place]

    def _as_built(self, number: int, batch: str = "built") -> StageState:
        """The elements of a stage as they left their makers; each batch is drawn anew."""
        spec, shape = self.scenario.plant, self.shapes[number - 1]
        size = (shape.elements, 1, shape.vessels)
        count = np.arange(shape.elements * shape.vessels)

        def scatter(name: str, spread: float) -> Floats:
            drawn = np.clip(gauss(key(self.own_seed, batch, number, name), count), -2.5, 2.5)
            return np.exp(spread * drawn).reshape(size)

        return StageState(
            water=spec.water_lmh_bar * scatter("water", spec.water_scatter),
            salt=spec.salt_lmh * scatter("salt", spec.salt_scatter),
            friction=scatter("friction", spec.friction_scatter),
            bypass=np.zeros(size),
            element_leak=np.zeros(size),
            joint_leak=np.zeros((shape.elements + 1, 1, shape.vessels)),
        )

    def stage_state(self, number: int, times_s: Floats) -> StageState:
        """The elements of a stage at each time: as built, aged, and with the faults so far."""
        built, ageing = self._new[number - 1], self.scenario.ageing
        day = (times_s - self.start_s) / DAY_S
        years = (day / 365.25)[None, :, None]
        for index, renewal in enumerate(self.timeline.renewals):
            if renewal.stage != number or renewal.seals or not np.any(day >= renewal.day):
                continue
            fresh = self._as_built(number, f"renewal {index}")
            new = renewal.places(self.shapes[number - 1]) & (day >= renewal.day)[None, :, None]
            years = np.where(new, ((day - renewal.day) / 365.25)[None, :, None], years)
            built = replace(
                built,
                water=np.where(new, fresh.water, built.water),
                salt=np.where(new, fresh.salt, built.salt),
                friction=np.where(new, fresh.friction, built.friction),
            )
        aged = StageState(
            water=built.water * np.exp(np.log1p(ageing.water_percent_year / 100.0) * years),
            salt=built.salt * np.exp(np.log1p(ageing.salt_percent_year / 100.0) * years),
            friction=built.friction,
            bypass=built.bypass,
            element_leak=built.element_leak,
            joint_leak=built.joint_leak,
        )
        shapes = self.shapes
        vessel_permeate = self.scenario.operation.permeate_m3h / sum(s.vessels for s in shapes)
        return fault_kinds.apply(
            aged,
            shapes[number - 1],
            number,
            len(shapes),
            self.scenario.faults,
            day,
            vessel_permeate,
            self.timeline.cleanings,
            self.timeline.renewals,
            self.timeline.starts,
        )

    def inlet_m3h(self, permeate_m3h: Floats, recovery: Floats) -> Floats:
        """Flow into the first stage, what is led back included; the recovery is that of fresh water. [m3/h]"""
        return np.asarray(permeate_m3h / recovery * (1.0 + self.scenario.plant.recirculated))

    def drawn(
        self, times_s: Floats, permeate_m3h: Floats, recovery: Floats
    ) -> tuple[Floats, Floats]:
        """Permeate and flow into the first stage that the controllers hold, as far as there is water. [m3/h]"""
        feed = self.inlet_m3h(permeate_m3h, recovery)
        fresh = permeate_m3h / recovery
        part = np.minimum(self.feed.available_m3h(times_s) / fresh, 1.0)
        return permeate_m3h * part, feed * part

    def solved(
        self,
        times_s: Floats,
        *,
        permeate: Floats,
        feed: Floats,
        temperature_c: Floats,
        salt_mg_l: Floats,
        highest_bar: float | None = None,
    ) -> TrainResult:
        """The steady state of the train, as it is at each time, for given flows and fresh water.

        feed : into the first stage, what is led back included. [m3/h]
        """
        spec = self.scenario.plant
        day = (times_s - self.start_s) / DAY_S
        count = len(self.shapes)
        states = [self.stage_state(number, times_s) for number in range(1, count + 1)]
        concentrated = 0.5 * (1.0 + feed / np.maximum(feed - permeate, 0.05 * feed))
        around = Surroundings(
            temperature_c[:, None],
            spec.water_activation_k,
            spec.salt_activation_k,
            self.law,
            (salt_mg_l * concentrated)[:, None],
        )
        demand = Demand(
            permeate_m3h=permeate,
            feed_m3h=feed,
            feed_mg_l=salt_mg_l,
            permeate_static=[
                spec.permeate_static_bar
                + fault_kinds.line_pressure(self.scenario.faults, number, count, day)
                for number in range(1, count + 1)
            ],
            permeate_line=[4.0e-3 / shape.vessels**2 for shape in self.shapes],
            interstage_bar=spec.interstage_bar,
            boost_bar=(spec.booster_bar,) * (count - 1),
            recirculated_m3h=feed * spec.recirculated / (1.0 + spec.recirculated),
            highest_bar=spec.highest_feed_bar if highest_bar is None else highest_bar,
        )
        try:
            return solve(self.shapes, states, around, demand, self._start)
        except NotSettled as exc:
            if len(times_s) == 1:
                raise
            when = datetime.fromtimestamp(times_s[exc.instant], UTC).isoformat(timespec="seconds")
            raise NotSettled(f"at {when[:-6]}Z: {exc}", exc.instant) from exc

    def at_one_point(self, day: Floats) -> TrainResult:
        """The train as it is on each day since the start, at mean temperature, usual salt and its set-points."""
        run, one = self.scenario.operation, np.ones_like(day)
        return self.solved(
            self.start_s + day * DAY_S,
            permeate=run.permeate_m3h * one,
            feed=self.inlet_m3h(run.permeate_m3h * one, run.recovery * one),
            temperature_c=self.scenario.feed.temperature_mean_c * one,
            salt_mg_l=self._usual_mg_l * one,
            highest_bar=max(80.0, 1.5 * self.scenario.plant.highest_feed_bar),
        )

    def washout(self, times_s: Floats) -> Floats:
        """Salt of a running train's permeate over that which the membranes let pass now, above 1 after a start.

        What diffused through the membranes at rest is washed out within a quarter of an hour.
        """
        mode, since = self.mode(times_s)
        elapsed = np.where(mode == Mode.RUNNING, since + STARTING_S, since)
        return np.asarray(
            1.0 + START_UP_EXTRA * np.exp(-np.maximum(elapsed, 0.0) / START_UP_DECAY_S)
        )

    def preservative(self, number: int, times_s: Floats) -> Floats | None:
        """Salt that new elements of a stage add to their permeate, (element, time, vessel); None when all are old.

        It comes on top of what their membranes let pass, as a multiple of it, and is rinsed out within hours.
        """
        extra: Floats | None = None
        for renewal in self.timeline.renewals:
            hours = (times_s - self.start_s - renewal.day * DAY_S) / 3600.0
            fresh = (hours >= 0.0) & (hours < RINSED * PRESERVATIVE_HOURS)
            if renewal.seals or renewal.stage != number or not np.any(fresh):
                continue
            rinse = np.where(fresh, PRESERVATIVE * np.exp(-hours / PRESERVATIVE_HOURS), 0.0)
            new = renewal.places(self.shapes[number - 1])
            extra = np.maximum(0.0 if extra is None else extra, np.where(new, rinse[:, None], 0.0))
        return extra

    def permeate_load(self, number: int, flow: StageFlow, times_s: Floats) -> Floats:
        """Salt in the permeate of each vessel of a stage, (time, vessel), washout and preservative included. [g/h]"""
        load = flow.permeate_salt * self.washout(times_s)[:, None]
        extra = self.preservative(number, times_s)
        if extra is not None:
            made = flow.flux * self.shapes[number - 1].area_m2 / 1000.0
            load = load + np.sum(extra * made * flow.local_salt, axis=0)
        return np.asarray(load)

    def truth(self, times_s: Floats) -> dict[str, Floats]:
        """The noiseless value of every signal at each time."""
        times_s = np.atleast_1d(np.asarray(times_s, dtype=float))
        parts = [
            self._truth_part(times_s[begin : begin + CHUNK])
            for begin in range(0, len(times_s), CHUNK)
        ]
        return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}

    def _truth_part(self, times_s: Floats) -> dict[str, Floats]:
        mode, since = self.mode(times_s)
        permeate, recovery = self.timeline.setpoints(times_s)
        # Real loops hunt a little around their set-points.
        own = self.own_seed
        permeate = permeate * (1.0 + 0.002 * wander(key(own, "hunt flow"), times_s, 240.0))
        recovery = recovery + 0.001 * wander(key(own, "hunt recovery"), times_s, 400.0)
        permeate, feed = self.drawn(times_s, permeate, recovery)
        temperature, salt = self.feed.temperature_c(times_s), self.feed.salt_mg_l(times_s)
        starting = mode == Mode.STARTING
        ramp = np.where(starting, 0.4 + 0.6 * np.clip(since / 240.0, 0.0, 1.0), 1.0)
        permeate, feed = permeate * ramp, feed * ramp
        out = self._standing(times_s, mode, feed, temperature, salt)
        made = Made(np.zeros_like(times_s), np.full_like(times_s, STALE_PART * self._usual_mg_l))
        moving = (mode == Mode.STARTING) | (mode == Mode.RUNNING)
        if np.any(moving):
            result = self.solved(
                times_s[moving],
                permeate=permeate[moving],
                feed=feed[moving],
                temperature_c=temperature[moving],
                salt_mg_l=salt[moving],
            )
            made.flow_m3h[moving] = result.permeate_m3h
            made.salt_mg_l[moving] = self._fill(out, moving, result, feed[moving], times_s[moving])
            if np.all(mode == Mode.RUNNING):
                self._start = result.start
        self._made = times_s.copy(), made
        return out

    def _standing(
        self, times_s: Floats, mode: Modes, feed: Floats, temperature: Floats, salt: Floats
    ) -> dict[str, Floats]:
        """Signals of a train at rest or in cleaning, and those that do not depend on it."""
        cleaning = mode == Mode.CLEANING
        size = np.ones_like(times_s)
        flushing = mode == Mode.FLUSHING
        circulation = np.where(cleaning, CLEANING_FEED_PART * feed, 0.0)
        circulation = np.where(flushing, FLUSH_FEED_PART * feed, circulation)
        made = np.where(flushing, FLUSH_PERMEATE_PART * circulation, 0.0)
        stale = transmitter_conductivity_us_cm(STALE_PART * self._usual_mg_l * size, temperature)
        # Nothing passes at the pressure of a flush against the osmotic pressure of seawater: it is flushed, and
        # left, with permeate. Brackish trains are flushed with their feed.
        raw = transmitter_conductivity_us_cm(salt, temperature, law=self.law)
        if self.law is not NACL:
            raw = stale
        solution = transmitter_conductivity_us_cm(CLEANING_MG_L * size, temperature)
        conducted = np.where(cleaning, solution, raw)
        upstream = {
            "feed_ph": self.feed.ph(times_s),
            "feed_orp": self.feed.orp_mv(times_s),
            "feed_turbidity": self.feed.turbidity_ntu(times_s),
        }
        day = (times_s - self.start_s) / DAY_S
        for fault in self.scenario.faults:
            if fault.kind in fault_kinds.CLUES:
                clue = fault_kinds.CLUES[fault.kind]
                part = fault.size(day)
                shows = (part > 0.0) & ((part < 1.0) | clue.lasts)
                value = upstream[clue.signal]
                upstream[clue.signal] = np.where(shows, value * clue.factor + clue.offset, value)
        out = {
            "feed_flow": circulation,
            "feed_temperature": temperature,
            "feed_conductivity": conducted,
            **upstream,
            "permeate_flow": made,
            "permeate_conductivity": stale,
            "concentrate_flow": circulation - made,
            "concentrate_conductivity": conducted,
            "running": ((mode == Mode.RUNNING) | (mode == Mode.STARTING)).astype(float),
            "cleaning": cleaning.astype(float),
            "flushing": (mode == Mode.FLUSHING).astype(float),
        }
        count = len(self.shapes)
        for number in range(1, count + 1):
            for end, name in enumerate(("feed_pressure", "concentrate_pressure")):
                bar = np.where(cleaning, 2.8 - 0.5 * end - 0.7 * number, STANDING_BAR)
                flush_bar = np.interp(2 * (number - 1) + end, range(len(FLUSH_BAR)), FLUSH_BAR)
                out[f"{number}/{name}"] = np.where(flushing, flush_bar, bar)
            out[f"{number}/permeate_flow"] = made / count
            out[f"{number}/permeate_conductivity"] = stale
            out[f"{number}/permeate_pressure"] = 0.2 * size
        return {name: np.array(value, dtype=float) for name, value in out.items()}

    def _fill(
        self,
        out: Mapping[str, Floats],
        moving: NDArray[np.bool_],
        result: TrainResult,
        feed: Floats,
        times_s: Floats,
    ) -> Floats:
        """Write the solved train into the signals at the times when it moves; the salt of its permeate. [mg/L]"""
        temperature = out["feed_temperature"][moving]
        salts = [
            self.permeate_load(number, stage.flow, times_s).sum(axis=1) / stage.permeate_m3h
            for number, stage in enumerate(result.stages, 1)
        ]
        carried = [s.permeate_m3h * salt for s, salt in zip(result.stages, salts, strict=True)]
        permeate_mg_l = np.asarray(np.sum(carried, axis=0) / result.permeate_m3h)
        last = result.stages[-1]
        values = {
            "feed_flow": feed,
            "feed_conductivity": transmitter_conductivity_us_cm(
                result.stages[0].feed_mg_l, temperature, law=self.law
            ),
            "permeate_flow": result.permeate_m3h,
            "permeate_conductivity": transmitter_conductivity_us_cm(permeate_mg_l, temperature),
            "concentrate_flow": last.concentrate_m3h,
            "concentrate_conductivity": transmitter_conductivity_us_cm(
                last.concentrate_mg_l, temperature, law=self.law
            ),
        }
        for number, (stage, salt) in enumerate(zip(result.stages, salts, strict=True), 1):
            values |= {
                f"{number}/feed_pressure": stage.feed_bar,
                f"{number}/concentrate_pressure": stage.concentrate_bar,
                f"{number}/permeate_flow": stage.permeate_m3h,
                f"{number}/permeate_conductivity": transmitter_conductivity_us_cm(
                    salt, temperature
                ),
                f"{number}/permeate_pressure": stage.permeate_bar,
            }
        for name, value in values.items():
            out[name][moving] = value
        return permeate_mg_l
