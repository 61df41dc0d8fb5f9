"""What the textbook constants miss: how a train's own membranes answer to temperature, flux and salt.

The deviation of every normalized quantity of a section is followed by a dynamic linear model

    deviation(t) = level(t) + sum over drivers of coefficient · coordinate(t) + noise
    level(t + dt) = level(t) + slope(t) dt + noise,   slope(t + dt) = slope(t) + noise

Level and slope are the membrane: fouling, scaling, ageing. The coefficients are constants of the
plant that normalization got a little wrong, such as the activation energy of its membranes or the
exponent of its pressure drop. Coordinates are zero at the baseline. The priors of the coefficients are tight
(what is known of such constants), so that a season may be explained by them and a fouling may not.

`Dependence.correction` is taken off the deviations; `Dependence.covariance` is what is left unknown of
it. Before anything is learned the correction is zero and the covariance that of the priors.

Source: Kalman filter of a local linear trend with regression, West and Harrison, Bayesian Forecasting
and Dynamic Models, 2nd ed. (1997), chapters 7 and 9, from memory; a level that jumps is taken as new
information on the level alone (their feed-forward intervention, chapter 11).
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from rules.noise import FLOOR, STATED, WANDER, split
from rules.temperature import KELVIN
from rules.train import QUANTITIES
from rules.water import viscosity_mpa_s

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Driver:
    """One constant of a quantity that normalization may have got wrong.

    name : ``temperature`` (Arrhenius, kelvin at the baseline's temperature), ``flux``, ``flow``,
        ``brine`` (logarithms of the ratio to the baseline) or ``reynolds`` (logarithm of flow over viscosity).
    prior : standard deviation of its coefficient before anything is known. [1/K] or [-]
    """

    name: str
    prior: float


DRIVERS: Mapping[str, tuple[Driver, ...]] = {
    "permeate_flow": (Driver("temperature", 0.004), Driver("flux", 0.06), Driver("brine", 0.05)),
    "salt_passage": (
        Driver("temperature", 0.006),
        Driver("flux", 0.08),
        Driver("flow", 0.04),
        Driver("brine", 0.08),
    ),
    "pressure_drop": (Driver("reynolds", 0.12), Driver("temperature", 0.002)),
}
"""Priors: 0.004/K is 13 per cent of 3 %/K, the spread of published temperature laws (1.7 to 3.5 %/K);
exponents of the pressure drop 1.4 to 1.75 about 1.6; the others common practice, no source."""

OWN = 0.3
"""Part of a coefficient's prior that each section has for itself; the membranes of a train are alike. [-]"""

LEVEL_WALK, SLOPE_WALK = 0.12, 0.01
"""How far level and slope may wander in a day, in floors (`rules.noise.FLOOR`): a slope may grow within a month
to what takes a sound membrane to its limit in two. [-], [1/d]"""

BIN_FLOOR = 0.25
"""Part of the floor that stays in a six-hour median. [-]"""

JUMP = 3.0
"""An innovation beyond this many standard deviations is a jump of the level. [-]"""

LEARNED = 0.6
"""A coefficient is told to people when its uncertainty fell below this part of its prior. [-]"""

DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Learned:
    """What has been learned of one driver in one section, in the units that people use.

    driver : ``temperature`` (value, textbook and error in 1/K at the baseline's temperature), ``reynolds``
        (value is the exponent of the pressure drop), or ``flux``, ``flow``, ``brine`` (power of the ratio).
    activation_k : fitted E/R with its standard uncertainty, for temperature; None else. [K]
    """

    section: str
    quantity: str
    driver: str
    value: float
    error: float
    textbook: float
    activation_k: tuple[float, float] | None = None

    def to_json(self) -> str:
        """All of it as one JSON object."""
        return json.dumps(asdict(self), separators=(",", ":"), allow_nan=False)


_KEYS = {"flux": "flux_lmh", "flow": "average_flow_m3h", "brine": "feed_brine_mg_l"}


class _Coordinates:
    """Coordinates of drivers in sections at operating points, all together; zero at the baseline.

    pairs : (section, driver) of each column that `at` returns.
    """

    def __init__(
        self,
        pairs: Sequence[tuple[str, str]],
        operating: Sequence[str],
        reference: Mapping[str, float],
    ) -> None:
        self.pairs = tuple(pairs)
        known = {name: i for i, name in enumerate(operating)}

        def place(pair: int, key: str) -> tuple[int, int, float] | None:
            """Pair, column of the operating quantity and its value at the baseline; None when not known."""
            name = f"{self.pairs[pair][0]}/{key}"
            then = reference.get(name, np.nan)
            return (pair, known[name], then) if name in known and np.isfinite(then) else None

        kelvin = "temperature_c"
        ratios, warmths, reynolds = [], [], []
        for pair, (_, driver) in enumerate(self.pairs):
            if driver == "temperature":
                warmths.append(place(pair, kelvin))
            elif driver == "reynolds":
                flow, warmth = place(pair, _KEYS["flow"]), place(pair, kelvin)
                reynolds.append((flow, warmth) if flow and warmth else None)
            else:
                ratios.append(place(pair, _KEYS[driver]))
        self._ratio = _columns([x for x in ratios if x])
        self._warmth = _columns([x for x in warmths if x])
        self._flow = _columns([x[0] for x in reynolds if x])
        self._viscosity = _columns([x[1] for x in reynolds if x])
        self._viscosity_then = viscosity_mpa_s(self._viscosity[2])

    def at(self, points: Array) -> Array:
        """(..., n_pairs) at points (..., n_operating); NaN where unknown, now or at the baseline."""
        x: Array = np.full((*points.shape[:-1], len(self.pairs)), np.nan)
        with np.errstate(invalid="ignore", divide="ignore"):
            pair, column, then = self._ratio
            x[..., pair] = np.log(points[..., column] / then)
            pair, column, then = self._warmth
            t0 = then + KELVIN
            x[..., pair] = t0 * t0 * (1.0 / t0 - 1.0 / (points[..., column] + KELVIN))
            if len(self._flow[0]):
                pair, column, then = self._flow
                thick = viscosity_mpa_s(points[..., self._viscosity[1]]) / self._viscosity_then
                x[..., pair] = np.log(points[..., column] / then / thick)
        return x


def _columns(
    places: Sequence[tuple[int, int, float]],
) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    pairs, columns, values = zip(*places, strict=True) if places else ((), (), ())
    return np.array(pairs, dtype=int), np.array(columns, dtype=int), np.array(values, dtype=float)


class _Filter:
    """The model of one quantity over all sections that have it.

    State: level and slope of each section, then for each driver the coefficient common to the
    sections, then for each driver the own part of each section.
    """

    def __init__(self, quantity: str, sections: int, level_error: float) -> None:
        self.drivers = DRIVERS[quantity]
        self.sections = sections
        floor = FLOOR[quantity]
        k = len(self.drivers)
        size = 2 * sections + k + k * sections
        priors = np.array([d.prior for d in self.drivers])
        # A single section has no use for a split into a common and an own part.
        own = OWN if sections > 1 else 0.0
        variance = np.concatenate(
            [
                np.tile([level_error**2, (0.1 * floor / 30.0) ** 2], sections),
                (priors * np.sqrt(1.0 - own**2)) ** 2,
                np.tile((priors * own) ** 2, sections),
            ]
        )
        self.mean = np.zeros(size)
        self.covariance = np.diag(variance)
        self._walk = np.zeros(size)
        self._walk[0 : 2 * sections : 2] = (LEVEL_WALK * floor) ** 2
        self._walk[1 : 2 * sections : 2] = (SLOPE_WALK * floor) ** 2

    def advance(self, days: float) -> None:
        """Let levels and slopes go on for some days."""
        if days <= 0.0:
            return
        step = np.eye(len(self.mean))
        for s in range(self.sections):
            step[2 * s, 2 * s + 1] = days
        self.mean = step @ self.mean
        self.covariance = step @ self.covariance @ step.T
        self.covariance[np.diag_indices_from(self.covariance)] += self._walk * days

    def row(self, section: int, x: Array) -> Array:
        """Coefficients of the state for one section at coordinates `x` (n_drivers,), level included."""
        h = np.zeros(len(self.mean))
        h[2 * section] = 1.0
        first, k = 2 * self.sections, len(self.drivers)
        h[first : first + k] = x
        own = first + k + k * section
        h[own : own + k] = x
        return h

    def rows(self, x: Array) -> Array:
        """Coefficients of the state for all sections at coordinates (n_sections, n_drivers), without the level."""
        found = np.array([self.row(s, own) for s, own in enumerate(x)])
        found[:, : 2 * self.sections] = 0.0
        return found

    def take(self, section: int, x: Array, value: float, variance: float) -> None:
        """Learn from one median of one section."""
        h = self.row(section, x)
        off = value - float(h @ self.mean)
        gain = self.covariance @ h
        total = float(h @ gain) + variance
        if off * off > JUMP**2 * total:
            self.covariance[2 * section, 2 * section] += off * off
            gain = self.covariance @ h
            total = float(h @ gain) + variance
        self.mean = self.mean + gain * (off / total)
        self.covariance = self.covariance - np.outer(gain, gain) / total
        self.covariance = (self.covariance + self.covariance.T) / 2.0

    def coefficients(self, section: int) -> tuple[Array, Array]:
        """Coefficients of one section and their standard uncertainty, (n_drivers,) each."""
        k = len(self.drivers)
        rows = np.array([self.row(section, unit) for unit in np.eye(k)])
        rows[:, 2 * section] = 0.0
        variance = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        return rows @ self.mean, np.sqrt(variance)


class Dependence:
    """Learns the drivers of a train against one baseline, from medians of six hours.

    observables : names of the deviations. operating : names of the columns of operating points.
    reference : operating point of the baseline. spread : baseline standard deviation of one digest.
    stated : the levels of the baseline are those of a data sheet, and may be off (`noise.STATED`).

    Its state follows from the medians given to `take` since the baseline, whatever the evaluations between.
    """

    def __init__(
        self,
        observables: Sequence[str],
        operating: Sequence[str],
        reference: Mapping[str, float],
        spread: Mapping[str, float],
        *,
        stated: bool = False,
    ) -> None:
        self.observables = tuple(observables)
        self.operating = tuple(operating)
        self.reference = dict(reference)
        self._spread = np.array([spread.get(name, 0.0) for name in self.observables])
        self._filters: dict[str, _Filter] = {}
        self._places: dict[str, list[tuple[str, int]]] = {}
        pairs: dict[tuple[str, str], int] = {}
        self._drivers: dict[str, NDArray[np.int64]] = {}
        for quantity in QUANTITIES:
            here = [
                (section, i)
                for i, (section, q) in enumerate(split(o) for o in self.observables)
                if q == quantity and section != "balance"
            ]
            if here:
                error = float(np.hypot(FLOOR[quantity], STATED[quantity] if stated else 0.0))
                self._filters[quantity] = _Filter(quantity, len(here), error)
                self._places[quantity] = here
                # Where the drivers of each section stand among all coordinates, (n_sections, n_drivers).
                self._drivers[quantity] = np.array(
                    [
                        [pairs.setdefault((section, d.name), len(pairs)) for d in DRIVERS[quantity]]
                        for section, _ in here
                    ]
                )
        self._coordinates = _Coordinates(tuple(pairs), self.operating, self.reference)
        same = np.array([self.reference.get(name, np.nan) for name in self.operating])
        self._given = np.isfinite(self._coordinates.at(same))
        self._last: float | None = None
        self._coefficients: Array | None = None

    def take(self, time: float, count: float, deviation: Array, point: Array) -> None:
        """Learn from the medians of `count` digests at a mean time. [s]

        deviation : (n_observables,) against the baseline, uncorrected; NaN is left out.
        point : (n_operating,) operating point; an observable whose drivers are not all known is left out.
        """
        if self._last is not None and time <= self._last:
            raise ValueError(f"medians must come in order: {time} after {self._last}")
        days = 0.0 if self._last is None else (time - self._last) / DAY_S
        self._last, self._coefficients = time, None
        # A driver that the instruments never give is left out; one that is missing now, waited for.
        x = np.where(self._given, self._coordinates.at(point), 0.0)
        for quantity, model in self._filters.items():
            model.advance(days)
            for s, (_, i) in enumerate(self._places[quantity]):
                own = x[self._drivers[quantity][s]]
                if not (np.isfinite(deviation[i]) and np.isfinite(own).all()):
                    continue
                variance = self._spread[i] ** 2 * (1.0 / max(count, 1.0) + WANDER)
                variance += (BIN_FLOOR * FLOOR[quantity]) ** 2
                model.take(s, own, float(deviation[i]), float(variance))

    def _known(self, points: Array) -> Array:
        """Coordinates (..., n_pairs); what is not known counts as unchanged."""
        x = self._coordinates.at(points)
        x[~np.isfinite(x)] = 0.0
        return x

    def correction(self, points: Array) -> Array:
        """What the learned drivers explain at operating points, to be taken off the deviations.

        points : (..., n_operating). returns : (..., n_observables). [-] What is not known counts as unchanged.
        """
        if self._coefficients is None:
            self._coefficients = np.zeros((len(self._coordinates.pairs), len(self.observables)))
            for quantity, model in self._filters.items():
                for s, (_, i) in enumerate(self._places[quantity]):
                    self._coefficients[self._drivers[quantity][s], i] = model.coefficients(s)[0]
        return np.asarray(self._known(points) @ self._coefficients)

    def covariance(self, point: Array, since: Array | None = None) -> Array:
        """What is left unknown of the correction at an operating point, (n, n).

        since : of its change from this point to the other, not from the baseline's.
        """
        n = len(self.observables)
        total = np.zeros((n, n))
        x = self._known(point) if since is None else self._known(point) - self._known(since)
        for quantity, model in self._filters.items():
            rows = model.rows(x[self._drivers[quantity]])
            at = [i for _, i in self._places[quantity]]
            total[np.ix_(at, at)] = rows @ model.covariance @ rows.T
        return total

    def learned(self, textbook: Mapping[str, float]) -> tuple[Learned, ...]:
        """Every driver that is known clearly better than before, in the units that people use.

        textbook : constants in use: ``permeate_flow`` and ``salt_passage`` E/R [K], ``pressure_drop``
            the exponent [-].
        """
        found = []
        for quantity, model in self._filters.items():
            for s, (section, _) in enumerate(self._places[quantity]):
                values, errors = model.coefficients(s)
                for d, value, error in zip(model.drivers, values, errors, strict=True):
                    if error <= LEARNED * d.prior:
                        found.append(
                            self._told(section, quantity, d, float(value), float(error), textbook)
                        )
        return tuple(found)

    def _told(
        self,
        section: str,
        quantity: str,
        driver: Driver,
        value: float,
        error: float,
        textbook: Mapping[str, float],
    ) -> Learned:
        base, activation = 0.0, None
        if driver.name == "reynolds":
            base = textbook[quantity]
        elif driver.name == "temperature" and quantity != "pressure_drop":
            square = (self.reference[f"{section}/temperature_c"] + KELVIN) ** 2
            base = textbook[quantity] / square
            activation = (textbook[quantity] + value * square, error * square)
        return Learned(section, quantity, driver.name, base + value, error, base, activation)
