"""The steady state of a whole train: pump and valve set so that flow and recovery are held."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.vessels import (
    LEAST_FLUX_LMH,
    MOST_DRAWN,
    StageFlow,
    StageShape,
    StageState,
    Surroundings,
    first_guess,
    pass_through,
)
from simulator.water import Floats

Indices: TypeAlias = NDArray[np.int64]

SETTLED = 1e-6
MOST_PASSES = 200
CAREFUL_PASSES = 600
CAREFUL_PART = 0.35  # of each step, when the usual way has failed
ANEW = 3  # passes from one to the next that works out what a bar more would make
PATIENCE = 60  # passes after which only careful steps are taken
SPARSE = 30  # instants from one to the next that is solved before those between them


class NotSettled(RuntimeError):
    """The balance of a train was not found; the text says what did not settle, and in which stage or vessel.

    instant : number of the instant for which it was not found.
    """

    def __init__(self, text: str, instant: int = 0):
        super().__init__(text)
        self.instant = instant


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
    """The train at each time, with what a following solution can start from.

    shares : part of each vessel in the feed of its stage, (time, vessel).
    """

    stages: tuple[StageResult, ...]
    permeate_m3h: Floats
    permeate_mg_l: Floats
    passes: int
    start: "Start"
    shares: tuple[Floats, ...]


@dataclass(frozen=True)
class Start:
    """A solved instant to start the next solution from. supposed_bar : what `_supposed_bar` said of it."""

    feed_bar: float
    supposed_bar: float
    permeate_m3h: float
    fluxes: tuple[Floats, ...]
    local_salts: tuple[Floats, ...]
    shares: tuple[Floats, ...]


@dataclass
class _Unknowns:
    """What the passes move. For each stage flux and salt of its permeate (element, time, vessel) and share of each
    vessel in its feed (time, vessel); feed pressure (time, 1).
    """

    fluxes: list[Floats]
    salts: list[Floats]
    shares: list[Floats]
    feed_bar: Floats


@dataclass(frozen=True)
class _More:
    """What a bar more of feed pressure would make: flux (element, time, vessel) [L/m2/h/bar] and permeate (time, 1)
    [m3/h/bar] of each stage."""

    fluxes: tuple[Floats, ...]
    permeates: tuple[Floats, ...]


def _reach(shapes: Sequence[StageShape], states: Sequence[StageState]) -> float:
    """Permeate that a bar of net driving pressure makes at 25 degC. [m3/h/bar]"""
    return sum(
        float(np.mean(state.water)) * shape.vessels * shape.elements * shape.area_m2 / 1000.0
        for shape, state in zip(shapes, states, strict=True)
    )


def _supposed_bar(
    shapes: Sequence[StageShape],
    states: Sequence[StageState],
    around: Surroundings,
    demand: Demand,
) -> Floats:
    """Feed pressure by mean values of the train: net driving and osmotic pressure, and something for friction. [bar]"""
    driving = demand.permeate_m3h[:, None] / (_reach(shapes, states) * around.water_factor)
    recovery = np.clip(demand.permeate_m3h / demand.feed_m3h, 0.0, 0.9)[:, None]
    mean_salt = demand.feed_mg_l[:, None] * (1.0 + 0.5 * recovery / (1.0 - recovery))
    osmotic = around.law.osmotic_bar(1.1 * mean_salt, around.osmotic_factor)
    back = np.mean(np.stack(demand.permeate_static), axis=0)[:, None]
    supposed = back + 0.5 * len(shapes) + driving + osmotic
    return np.asarray(np.clip(supposed, 0.05, demand.highest_bar))


def _cold(
    shapes: Sequence[StageShape],
    states: Sequence[StageState],
    around: Surroundings,
    demand: Demand,
) -> _Unknowns:
    """Every vessel alike, by mean values."""
    area = sum(s.vessels * s.elements * s.area_m2 for s in shapes)
    guesses = [first_guess(shape, demand.permeate_m3h / area * 1000.0) for shape in shapes]
    times = len(demand.permeate_m3h)
    return _Unknowns(
        fluxes=[flux for flux, _ in guesses],
        salts=[np.minimum(salt, 0.1 * demand.feed_mg_l[:, None]) for _, salt in guesses],
        shares=[np.full((times, shape.vessels), 1.0 / shape.vessels) for shape in shapes],
        feed_bar=_supposed_bar(shapes, states, around, demand),
    )


def _warm(
    shapes: Sequence[StageShape],
    states: Sequence[StageState],
    around: Surroundings,
    demand: Demand,
    start: Start,
) -> _Unknowns:
    """As at an instant solved before, moved by what mean values say of the difference."""
    part = demand.permeate_m3h[:, None] / start.permeate_m3h
    fluxes, salts, shares = [], [], []
    for number, shape in enumerate(shapes):
        size = (shape.elements, len(part), shape.vessels)
        fluxes.append(start.fluxes[number] * np.broadcast_to(part, size))
        salt = np.broadcast_to(start.local_salts[number], size)
        salts.append(np.minimum(salt, 0.5 * demand.feed_mg_l[:, None]))
        shares.append(np.array(np.broadcast_to(start.shares[number], size[1:])))
    moved = _supposed_bar(shapes, states, around, demand) - start.supposed_bar
    return _Unknowns(
        fluxes,
        salts,
        shares,
        np.clip(start.feed_bar + moved, 0.05, demand.highest_bar),
    )


def _between(
    found: TrainResult, places: Indices, supposed_bar: Floats, demand: Demand
) -> _Unknowns:
    """Between instants solved already, which stand at `places` of all."""
    times = np.arange(len(demand.permeate_m3h))
    after = np.clip(np.searchsorted(places, times, side="right"), 1, len(places) - 1)
    before = after - 1
    right = (times - places[before]) / (places[after] - places[before])
    left = 1.0 - right

    def mean(values: Floats) -> Floats:
        """Values with time on their last axis but one."""
        one, other = (np.take(values, places, axis=-2) for places in (before, after))
        return np.asarray(one * left[:, None] + other * right[:, None])

    part = demand.permeate_m3h[:, None] / mean(found.permeate_m3h[:, None])
    near_bar = mean(found.stages[0].feed_bar[:, None] - supposed_bar[places])
    return _Unknowns(
        fluxes=[mean(s.flow.flux) * part for s in found.stages],
        salts=[mean(s.flow.local_salt) for s in found.stages],
        shares=[mean(share) for share in found.shares],
        feed_bar=np.clip(near_bar + supposed_bar, 0.05, demand.highest_bar),
    )


def solve(
    shapes: Sequence[StageShape],
    states: Sequence[StageState],
    around: Surroundings,
    demand: Demand,
    start: Start | None = None,
) -> TrainResult:
    """Find the feed pressure and the split over the vessels that meet the demand.

    Of many instants every thirtieth is solved first; the others begin between these. What cannot be solved from
    `start` begins anew from mean values, and then once more with small steps. Raises NotSettled.
    """
    _check(shapes, states, demand)
    supposed = _supposed_bar(shapes, states, around, demand)
    count = len(supposed)
    guesses: list[_Unknowns] = []
    if count > 4 * SPARSE:
        places = np.append(np.arange(0, count - 1, SPARSE), count - 1)
        try:
            sparse = solve(
                shapes,
                [_state_at(state, places) for state in states],
                around.at(places),
                _demand_at(demand, places),
                start,
            )
        except NotSettled as exc:
            raise NotSettled(str(exc), int(places[exc.instant])) from exc
        guesses.append(_between(sparse, places, supposed, demand))
    elif start is not None:
        guesses.append(_warm(shapes, states, around, demand, start))
    for guess in guesses:
        with suppress(NotSettled):
            return _settled(shapes, states, around, demand, guess, careful=False)
    cold = _cold(shapes, states, around, demand)
    with suppress(NotSettled):
        return _settled(shapes, states, around, demand, cold, careful=False)
    return _settled(shapes, states, around, demand, cold, careful=True)


def _state_at(state: StageState, places: Indices) -> StageState:
    """The elements at some of the instants."""

    def at(values: Floats) -> Floats:
        return values if values.shape[1] == 1 else values[:, places]

    return StageState(**{f.name: at(getattr(state, f.name)) for f in fields(state)})


def _demand_at(demand: Demand, places: Indices) -> Demand:
    """The demand at some of the instants."""
    led_back = np.broadcast_to(np.asarray(demand.recirculated_m3h), demand.feed_m3h.shape)
    return replace(
        demand,
        permeate_m3h=demand.permeate_m3h[places],
        feed_m3h=demand.feed_m3h[places],
        feed_mg_l=demand.feed_mg_l[places],
        permeate_static=[bar[places] for bar in demand.permeate_static],
        recirculated_m3h=led_back[places],
    )


def _check(shapes: Sequence[StageShape], states: Sequence[StageState], demand: Demand) -> None:
    """Refuse what no pressure can do, with the place."""
    wrong = ~(
        (demand.permeate_m3h > 0.0)
        & (demand.permeate_m3h < demand.feed_m3h)
        & (demand.feed_mg_l > 0.0)
    )
    if np.any(wrong):
        at = int(np.argmax(wrong))
        raise NotSettled(
            f"permeate of {demand.permeate_m3h[at]:.4g} m3/h cannot be made of a feed of "
            f"{demand.feed_m3h[at]:.4g} m3/h with {demand.feed_mg_l[at]:.4g} mg/L",
            at,
        )
    for number, (shape, state) in enumerate(zip(shapes, states, strict=True), 1):
        size = (shape.elements, 1, shape.vessels)
        for what, bad in (
            ("lets no water through", ~(state.water > 0.0)),
            ("has no salt permeability", ~(state.salt >= 0.0)),
            ("has no friction", ~(state.friction > 0.0)),
            ("gets no feed, all of it goes around", ~(state.bypass < 1.0)),
        ):
            if np.any(bad):
                full = np.broadcast_to(bad, np.broadcast_shapes(bad.shape, size))
                element, at, vessel = np.argwhere(full)[0].tolist()
                raise NotSettled(f"element {number}-{vessel + 1:02d}/{element + 1} {what}", at)


def _settled(
    shapes: Sequence[StageShape],
    states: Sequence[StageState],
    around: Surroundings,
    demand: Demand,
    guess: _Unknowns,
    *,
    careful: bool,
) -> TrainResult:
    """Pass through the train until nothing moves any more.

    All unknowns move together, one pass of the train at a time: the fluxes by Newton steps, the
    feed pressure by what a bar more would make, the shares of the vessels until all have the same pressure drop.
    """
    try:
        # Water that flows backwards shows as an impossible logarithm before anything settles.
        with np.errstate(invalid="raise", divide="raise", over="raise"):
            return _passes(shapes, states, around, demand, guess, careful=careful)
    except FloatingPointError as exc:
        raise NotSettled(f"flows without sense on the way to a steady state ({exc})") from exc


def _passes(
    shapes: Sequence[StageShape],
    states: Sequence[StageState],
    around: Surroundings,
    demand: Demand,
    guess: _Unknowns,
    *,
    careful: bool,
) -> TrainResult:
    fluxes, salts, shares = list(guess.fluxes), list(guess.salts), list(guess.shares)
    feed_bar, more = guess.feed_bar, None
    wanted = demand.permeate_m3h[:, None]
    reach = _reach(shapes, states) * around.water_factor
    least_slope = 0.1 * reach
    stage_permeate = [
        np.sum(flux, axis=(0, 2))[:, None] * (shape.area_m2 / 1000.0)
        for flux, shape in zip(fluxes, shapes, strict=True)
    ]
    led_back = np.broadcast_to(np.asarray(demand.recirculated_m3h), demand.feed_m3h.shape)[:, None]
    led_back = led_back / demand.feed_m3h[:, None]
    fresh_salt = demand.feed_mg_l[:, None]
    recovery = np.minimum(wanted / demand.feed_m3h[:, None], 0.95)
    # With no salt lost the mix settles at this; the passes correct it.
    mixed = fresh_salt * (1.0 - led_back) / (1.0 - led_back / (1.0 - recovery))
    most = CAREFUL_PASSES if careful else MOST_PASSES
    for passes in range(1, most + 1):
        flows: list[StageFlow] = []
        pressures: list[tuple[Floats, Floats]] = []
        # It hardly changes from one pass to the next.
        anew = passes % ANEW == 1
        gains: list[Floats] = []
        makes: list[Floats] = []
        inlet, salt, pressure = demand.feed_m3h[:, None], mixed, feed_bar
        unsettled, taken, arrives = 0.0, np.zeros_like(feed_bar), np.ones_like(feed_bar)
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
                (taken * shares[number], arrives) if anew else None,
            )
            if anew:
                # More permeate meets more pressure in its line, which takes a part of that bar.
                makes.append(np.sum(flow.taken, axis=1, keepdims=True) - taken)
                taken = taken + makes[-1]
                arrives = np.mean(flow.arrives, axis=1, keepdims=True)
                line = 2.0 * demand.permeate_line[number] * stage_permeate[number]
                left = 1.0 / (1.0 + line * makes[-1])
                gains.append(flow.gain * left)
                makes[-1] = makes[-1] * left
            flows.append(flow)
            pressures.append((pressure, back))
            share = shares[number]
            mean_drop = np.sum(flow.drop_bar * share, axis=1, keepdims=True)
            uneven = flow.drop_bar / mean_drop
            unsettled = max(unsettled, flow.unsettled, float(np.max(np.abs(uneven - 1.0))))
            if careful:
                fluxes[number] = fluxes[number] + CAREFUL_PART * (flow.flux - fluxes[number])
                shares[number] = share * uneven ** (-0.42 * CAREFUL_PART)
            else:
                fluxes[number] = flow.flux
                shares[number] = share * uneven**-0.42
            salts[number] = flow.local_salt
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
        missing = np.where(at_limit, 0.0, np.abs(short) / wanted)
        off = max(float(np.max(missing, initial=0.0)), unsettled)
        if off < SETTLED:
            break
        if anew:
            more = _More(tuple(gains), tuple(makes))
        assert more is not None
        slope = np.maximum(np.sum(np.stack(more.permeates), axis=0), least_slope)
        # Where part of the train has no driving pressure the slope misleads: no leaps.
        reach_bar = 0.5 + 0.3 * feed_bar
        step = np.clip(short / slope, -reach_bar, reach_bar)
        # Pressure and the fluxes of the pass before can chase each other: go gently for a while.
        gentle = 0.4 if passes > PATIENCE or passes // 20 % 2 else 1.0
        step = step * (CAREFUL_PART * gentle if careful else gentle)
        moved_bar = np.clip(feed_bar + step, 0.05, demand.highest_bar)
        # The fluxes go with the pressure.
        step = moved_bar - feed_bar
        for number, (flux, permeate) in enumerate(zip(more.fluxes, more.permeates, strict=True)):
            fluxes[number] = np.maximum(fluxes[number] + flux * step, LEAST_FLUX_LMH)
            stage_permeate[number] = np.maximum(stage_permeate[number] + permeate * step, 0.0)
        feed_bar = moved_bar
    else:
        raise _unsettled(most, missing, feed_bar, flows, fluxes, shares)
    supposed = _supposed_bar(shapes, states, around, demand)
    found = _result(demand, inflow_salt[:, 0], shares, flows, pressures, passes, supposed)
    _check_drawn(shapes, found)
    return found


def _unsettled(
    passes: int,
    missing: Floats,
    feed_bar: Floats,
    flows: Sequence[StageFlow],
    fluxes: Sequence[Floats],
    shares: Sequence[Floats],
) -> NotSettled:
    """What has not settled, of the instant that is furthest from it."""
    worst, at = float(missing.max()), int(np.argmax(missing))
    text = f"permeate flow is off by {worst:.1e} of what is asked for"
    for number, (flow, share) in enumerate(zip(flows, shares, strict=True), 1):
        mean = np.sum(flow.drop_bar * share, axis=1, keepdims=True)
        uneven = np.abs(flow.drop_bar / mean - 1.0)
        moved = np.max(np.abs(flow.flux - fluxes[number - 1]) / (flow.flux + 1.0), axis=0)
        for values, what in (
            (
                uneven,
                "the pressure drop of vessel {} differs from that of its stage by {:.1e} of it",
            ),
            (moved, "the flux of vessel {} still moves by {:.1e} of itself"),
        ):
            if values.max() > worst:
                worst = float(values.max())
                at, vessel = (int(i) for i in np.unravel_index(np.argmax(values), values.shape))
                text = what.format(f"{number}-{vessel + 1:02d}", worst)
    return NotSettled(
        f"no steady state after {passes} passes: at a feed pressure of {feed_bar[at, 0]:.4g} bar {text}",
        at,
    )


def _check_drawn(shapes: Sequence[StageShape], found: TrainResult) -> None:
    """Refuse a solution in which an element draws as much of its feed as a pass allows at most."""
    for number, (shape, stage) in enumerate(zip(shapes, found.stages, strict=True), 1):
        flow = stage.flow
        made = flow.flux * (shape.area_m2 / 1000.0)
        if made.max() < MOST_DRAWN * flow.concentrate.min():
            continue
        lost = made + flow.leaked + flow.joint_leaked[1:]
        # Feed of every element, from the brine of the last one backwards.
        feed = flow.concentrate + np.cumsum(lost[::-1], axis=0)[::-1]
        drawn = made / feed
        if drawn.max() > 0.99 * MOST_DRAWN:
            element, at, vessel = np.unravel_index(np.argmax(drawn), drawn.shape)
            raise NotSettled(
                f"element {number}-{vessel + 1:02d}/{element + 1} would draw {drawn.max():.0%} of its feed",
                int(at),
            )


def _result(
    demand: Demand,
    feed_mg_l: Floats,
    shares: Sequence[Floats],
    flows: Sequence[StageFlow],
    pressures: Sequence[tuple[Floats, Floats]],
    passes: int,
    supposed_bar: Floats,
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
        supposed_bar=float(supposed_bar[-1, 0]),
        permeate_m3h=float(permeate[-1]),
        fluxes=tuple(f.flux[:, -1:, :].copy() for f in flows),
        local_salts=tuple(f.local_salt[:, -1:, :].copy() for f in flows),
        shares=tuple(s[-1:, :].copy() for s in shares),
    )
    return TrainResult(
        tuple(stages), permeate, permeate_salt / permeate, passes, start, tuple(shares)
    )
