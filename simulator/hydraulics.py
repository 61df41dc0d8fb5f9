"""The steady state of a whole train: pump and valve set so that flow and recovery are held."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulator.vessels import (
    StageFlow,
    StageShape,
    StageState,
    Surroundings,
    first_guess,
    pass_through,
)
from simulator.water import Floats

SETTLED = 1e-6
MOST_PASSES = 200
FRESH_MG_L = 500.0
PATIENCE = 60  # passes after which only careful steps are taken


class NotSettled(RuntimeError):
    """The balance of a train was not found within the allowed passes."""


@dataclass(frozen=True)
class Demand:
    """What the controllers hold, shape (time,): flows in m3/h, salt in mg/L, pressure in bar.

    permeate_static : one array for each stage, pressure of its permeate line at rest. [bar]
    permeate_line : pressure that the line adds, for each (m3/h)^2 of the stage's permeate.
    interstage_bar : pressure lost in the piping after each stage. [bar]
    boost_bar : pressure that a pump after each stage adds; nothing for stages beyond its end. [bar]
    recirculated_m3h : part of `feed_m3h` that is concentrate of the last stage, led back; the rest is fresh
        water of `feed_mg_l`. [m3/h]
    highest_bar : what the pump can give; beyond it the permeate flow falls short. [bar]
    """

    permeate_m3h: Floats
    feed_m3h: Floats
    feed_mg_l: Floats
    permeate_static: Sequence[Floats]
    permeate_line: Sequence[float]
    interstage_bar: float = 0.1
    boost_bar: Sequence[float] = ()
    recirculated_m3h: Floats | float = 0.0
    highest_bar: float = 40.0

    def boost(self, number: int) -> float:
        """Pressure that the pump after a stage adds. [bar]"""
        return self.boost_bar[number] if number < len(self.boost_bar) else 0.0


@dataclass(frozen=True)
class StageResult:
    """One stage at each time: flows m3/h, pressures bar, salt mg/L; `flow` has the vessels."""

    feed_bar: Floats
    concentrate_bar: Floats
    permeate_bar: Floats
    feed_m3h: Floats
    feed_mg_l: Floats
    permeate_m3h: Floats
    permeate_mg_l: Floats
    concentrate_m3h: Floats
    concentrate_mg_l: Floats
    flow: StageFlow


@dataclass(frozen=True)
class TrainResult:
    """The train at each time, with what a following solution can start from."""

    stages: tuple[StageResult, ...]
    permeate_m3h: Floats
    permeate_mg_l: Floats
    passes: int
    start: "Start"


@dataclass(frozen=True)
class Start:
    """A solved instant to start the next solution from."""

    feed_bar: float
    permeate_m3h: float
    slope: float
    fluxes: tuple[Floats, ...]
    local_salts: tuple[Floats, ...]
    shares: tuple[Floats, ...]


def _starting(
    shapes: Sequence[StageShape], demand: Demand, start: Start | None
) -> tuple[list[Floats], list[Floats], list[Floats], Floats]:
    times = len(demand.permeate_m3h)
    fluxes: list[Floats] = []
    salts: list[Floats] = []
    shares: list[Floats] = []
    if start is None:
        area = sum(s.vessels * s.elements * s.area_m2 for s in shapes)
        mean_flux = demand.permeate_m3h / area * 1000.0
        for shape in shapes:
            flux, salt = first_guess(shape, mean_flux)
            fluxes.append(flux)
            salts.append(salt)
            shares.append(np.full((times, shape.vessels), 1.0 / shape.vessels))
        return fluxes, salts, shares, 2.0 + 0.4 * mean_flux[:, None]
    part = demand.permeate_m3h[:, None] / start.permeate_m3h
    for number, shape in enumerate(shapes):
        size = (shape.elements, times, shape.vessels)
        fluxes.append(start.fluxes[number] * np.broadcast_to(part, size))
        salts.append(np.array(np.broadcast_to(start.local_salts[number], size)))
        shares.append(np.array(np.broadcast_to(start.shares[number], size[1:])))
    return fluxes, salts, shares, start.feed_bar * (0.2 + 0.8 * part)


def solve(
    shapes: Sequence[StageShape],
    states: Sequence[StageState],
    around: Surroundings,
    demand: Demand,
    start: Start | None = None,
) -> TrainResult:
    """Find the feed pressure and the split over the vessels that meet the demand.

    All unknowns move together, one pass of the train at a time: the fluxes by Newton steps, the
    feed pressure by a secant, the shares of the vessels until all have the same pressure drop.
    """
    fluxes, salts, shares, feed_bar = _starting(shapes, demand, start)
    wanted = demand.permeate_m3h[:, None]
    reach = sum(
        float(np.mean(state.water)) * shape.vessels * shape.elements * shape.area_m2 / 1000.0
        for shape, state in zip(shapes, states, strict=True)
    )
    # Of a bar more pressure salty water takes a part back, nearly fresh water (a second pass) gives more than it.
    response = np.where(demand.feed_mg_l[:, None] < FRESH_MG_L, 1.2, 0.8)
    slope = response * reach * around.water_factor
    if start is not None:
        slope = np.full_like(feed_bar, start.slope)
    least_slope, most_slope = 0.12 * reach * around.water_factor, reach * around.water_factor
    stage_permeate = [wanted * 0.5 for _ in shapes]
    before: tuple[Floats, Floats] | None = None
    led_back = np.broadcast_to(np.asarray(demand.recirculated_m3h), demand.feed_m3h.shape)[:, None]
    led_back = led_back / demand.feed_m3h[:, None]
    fresh_salt = demand.feed_mg_l[:, None]
    recovery = np.minimum(wanted / demand.feed_m3h[:, None], 0.95)
    # With no salt lost the mix settles at this; the passes correct it.
    mixed = fresh_salt * (1.0 - led_back) / (1.0 - led_back / (1.0 - recovery))
    for passes in range(1, MOST_PASSES + 1):
        flows: list[StageFlow] = []
        pressures: list[tuple[Floats, Floats]] = []
        inlet, salt, pressure = demand.feed_m3h[:, None], mixed, feed_bar
        unsettled = 0.0
        for number, (shape, state) in enumerate(zip(shapes, states, strict=True)):
            back = (
                demand.permeate_static[number][:, None]
                + demand.permeate_line[number] * stage_permeate[number] ** 2
            )
            flow = pass_through(
                shape,
                state,
                around,
                inlet * shares[number],
                salt,
                pressure,
                back,
                fluxes[number],
                salts[number],
            )
            flows.append(flow)
            pressures.append((pressure, back))
            fluxes[number], salts[number] = flow.flux, flow.local_salt
            share = shares[number]
            mean_drop = np.sum(flow.drop_bar * share, axis=1, keepdims=True)
            uneven = flow.drop_bar / mean_drop
            unsettled = max(unsettled, flow.unsettled, float(np.max(np.abs(uneven - 1.0))))
            shares[number] = share * uneven**-0.42
            shares[number] /= np.sum(shares[number], axis=1, keepdims=True)
            stage_permeate[number] = np.sum(flow.permeate, axis=1, keepdims=True)
            inlet = np.sum(flow.concentrate, axis=1, keepdims=True)
            salt = np.sum(flow.concentrate_salt, axis=1, keepdims=True) / inlet
            pressure = pressure - mean_drop - demand.interstage_bar + demand.boost(number)
        inflow_salt = mixed
        if np.any(led_back):
            mixed = fresh_salt * (1.0 - led_back) + salt * led_back
            unsettled = max(unsettled, float(np.max(np.abs(mixed / inflow_salt - 1.0))))
        made = np.sum(np.stack(stage_permeate), axis=0)
        short = wanted - made
        at_limit = (feed_bar >= demand.highest_bar) & (short > 0.0)
        missing = float(np.max(np.where(at_limit, 0.0, np.abs(short) / wanted), initial=0.0))
        if max(missing, unsettled) < SETTLED:
            break
        if before is not None and passes > 2:
            step = feed_bar - before[0]
            # While the fluxes still move, a change of flow says little about the pressure.
            usable = (np.abs(step) > 1e-7) & (np.abs(made - before[1]) > 3.0 * unsettled * made)
            guess = (made - before[1]) / np.where(usable, step, 1.0)
            # The secant of two nearly equal instants is noise; after a while only care helps.
            least = least_slope if passes <= PATIENCE else 0.5 * most_slope
            slope = np.where(usable, np.clip(guess, least, most_slope), np.maximum(slope, least))
        before = (feed_bar, made)
        # Where part of the train has no driving pressure the slope misleads: no leaps.
        reach_bar = 0.5 + 0.3 * feed_bar
        step = np.clip(short / slope, -reach_bar, reach_bar)
        # Pressure and the fluxes of the pass before can chase each other: go gently for a while.
        step = step * (0.4 if passes > PATIENCE or passes // 20 % 2 else 1.0)
        feed_bar = np.clip(feed_bar + step, 0.05, demand.highest_bar)
    else:
        raise NotSettled(
            f"no steady state after {MOST_PASSES} passes: permeate flow off by {missing:.1e}, "
            f"fluxes or vessel shares by {unsettled:.1e} (relative)"
        )
    return _result(demand, inflow_salt[:, 0], shares, slope, flows, pressures, passes)


def _result(
    demand: Demand,
    feed_mg_l: Floats,
    shares: Sequence[Floats],
    slope: Floats,
    flows: Sequence[StageFlow],
    pressures: Sequence[tuple[Floats, Floats]],
    passes: int,
) -> TrainResult:
    stages = []
    inlet, salt = demand.feed_m3h, feed_mg_l
    for flow, (pressure, back), share in zip(flows, pressures, shares, strict=True):
        permeate = flow.permeate.sum(axis=1)
        concentrate = flow.concentrate.sum(axis=1)
        drop = np.sum(flow.drop_bar * share, axis=1)
        stages.append(
            StageResult(
                feed_bar=pressure[:, 0],
                concentrate_bar=pressure[:, 0] - drop,
                permeate_bar=back[:, 0],
                feed_m3h=inlet,
                feed_mg_l=salt,
                permeate_m3h=permeate,
                permeate_mg_l=flow.permeate_salt.sum(axis=1) / permeate,
                concentrate_m3h=concentrate,
                concentrate_mg_l=flow.concentrate_salt.sum(axis=1) / concentrate,
                flow=flow,
            )
        )
        inlet, salt = concentrate, stages[-1].concentrate_mg_l
    permeate = np.sum([s.permeate_m3h for s in stages], axis=0)
    permeate_salt = np.sum([s.permeate_m3h * s.permeate_mg_l for s in stages], axis=0)
    start = Start(
        feed_bar=float(pressures[0][0][-1, 0]),
        permeate_m3h=float(permeate[-1]),
        slope=float(slope[-1, 0]),
        fluxes=tuple(f.flux[:, -1:, :].copy() for f in flows),
        local_salts=tuple(f.local_salt[:, -1:, :].copy() for f in flows),
        shares=tuple(s[-1:, :].copy() for s in shares),
    )
    return TrainResult(tuple(stages), permeate, permeate_salt / permeate, passes, start)
