"""Gross errors: how often the balances of a two-stage train find the one transmitter that errs, and name it.

Run with `python -m tests.bench.gross_errors`. Two layouts: every meter that a plant file can name (5 flows,
5 conductivities, none between the stages), and these with flow and conductivity between the stages.

Sigma is a transmitter's standard uncertainty: 0.5 % of a flow, 2 % of a conductivity. The error of a sound
transmitter has exactly that spread, and little of it averages out:

- half of its variance is calibration, constant for a train;
- 35 % wanders slowly (Ornstein-Uhlenbeck, 3 days of memory);
- 15 % moves from minute to minute (AR(1), 0.9 from one minute to the next), averaged to digests.

Judged is the mean of the last day's 96 digests, at every quarter hour, at `rules.network.LEVEL`. A false alarm is
a finding that lasts an hour on a sound train; one that comes back within a day is the same.
"""

import argparse
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules import quantiles, reconcile
from rules.network import LEVEL, Network, network
from rules.reconcile import Reconciliation
from rules.suspects import alike, judge
from rules.train import Compensation, Instrument, Stage, Train, Water, signal

Array = NDArray[np.float64]

CALIBRATION, WANDERING, MINUTES = 0.5, 0.35, 0.15  # shares of the variance
MEMORY_S = 3 * 86400.0
MINUTE_TO_MINUTE = 0.9
DIGEST_S, DIGESTS_A_DAY, DIGESTS_A_YEAR = 900.0, 96, 35040
SIZES = (3.0, 5.0, 10.0)
FAULTS = 500
TRAINS = 24  # one year each
LASTING = 4  # digests


def two_stage() -> Train:
    """An invented train with every meter that a plant file can name; 0.5 mg/L per µS/cm."""
    flows = ["feed_flow", "permeate_flow", "concentrate_flow"]
    salts = ["feed_conductivity", "permeate_conductivity", "concentrate_conductivity"]
    for k in (1, 2):
        flows.append(signal("permeate_flow", k))
        salts.append(signal("permeate_conductivity", k))
    return Train(
        id="A",
        stages=(Stage(10, 6, 37.0), Stage(5, 6, 37.0)),
        instruments=(
            Instrument("feed_temperature", 0.2),
            *(Instrument(name, 0.0, 0.005) for name in flows),
            *(Instrument(name, 0.0, 0.02, compensation=Compensation("natural")) for name in salts),
        ),
        water=Water("nacl", factor=0.5),
    )


@dataclass(frozen=True)
class Layout:
    """Meters on the streams of a train.

    names : of the variables, flows first. metered : which of them have a meter. own : standard uncertainty
    of the transmitter, relative; believed : that of the value that is reconciled, relative.
    """

    title: str
    network: Network
    names: tuple[str, ...]
    metered: NDArray[np.bool_]
    own: Array
    believed: Array

    def reconcile(self, values: Array) -> Reconciliation:
        """values : (..., variables)."""
        y = np.where(self.metered, values, np.nan)
        n = len(self.names) // 2
        sigma = self.believed * np.abs(y)
        return reconcile.bilinear(
            self.network.incidence, y[..., :n], sigma[..., :n], y[..., n:], sigma[..., n:]
        )


def layouts() -> tuple[Layout, Layout]:
    """Without and with meters between the stages."""
    its = network(two_stage())
    n = len(its.streams)
    names = tuple(f"{kind}, {stream.name}" for kind in ("flow", "salt") for stream in its.streams)
    own = np.where(np.arange(2 * n) < n, 0.005, 0.02)
    signals = [s for s in its.train.signals]
    row = np.array([25.0 if s == "feed_temperature" else 100.0 for s in signals])
    amount, sigma = its.amounts(row)
    metered = np.isfinite(amount)
    believed = np.where(metered, sigma / amount, own)
    more = np.ones_like(metered)
    between = np.where(metered, believed, np.where(np.arange(2 * n) < n, believed[0], believed[n]))
    return (
        Layout("every meter that a plant file can name", its, names, metered, own, believed),
        Layout("with flow and conductivity between the stages", its, names, more, own, between),
    )


def operating_points(count: int, rng: np.random.Generator) -> Array:
    """True flows and concentrations of as many invented trains, (count, variables)."""
    feed, salt = rng.uniform(60.0, 200.0, count), rng.uniform(800.0, 5000.0, count)
    flows, salts, permeates, passed = [feed], [salt], [], []
    for _ in range(2):
        made = flows[-1] * rng.uniform(0.42, 0.55, count)
        fresh = salts[-1] * rng.uniform(0.008, 0.025, count)
        permeates.append(made)
        passed.append(fresh)
        salts.append((flows[-1] * salts[-1] - made * fresh) / (flows[-1] - made))
        flows.append(flows[-1] - made)
    total = permeates[0] + permeates[1]
    mixed = (permeates[0] * passed[0] + permeates[1] * passed[1]) / total
    return np.stack([*flows, *permeates, total, *salts, *passed, mixed], axis=-1)


class Errors:
    """Errors of sound transmitters in units of their standard uncertainty, digest by digest."""

    def __init__(self, shape: tuple[int, ...], rng: np.random.Generator) -> None:
        self._rng, self._shape = rng, shape
        self._calibration = np.sqrt(CALIBRATION) * rng.standard_normal(shape)
        self._slow, self._quick = rng.standard_normal(shape), rng.standard_normal(shape)
        self._keep = np.exp(-DIGEST_S / MEMORY_S)
        # Mean over 15 minutes, and the last minute, given the minute before: exact, jointly normal.
        f, n = MINUTE_TO_MINUTE, 15
        of_shock = (1.0 - f ** np.arange(n, 0, -1)) / (1.0 - f) / n
        end = f ** np.arange(n - 1, -1, -1)
        both = np.sqrt(1.0 - f * f) * np.stack([of_shock, end])
        self._from_last = np.array([(f ** np.arange(1, n + 1)).mean(), f**n])
        self._shocks = np.linalg.cholesky(both @ both.T)

    def digests(self, count: int) -> Array:
        """The next digests, (count, *shape)."""
        out = np.empty((count, *self._shape))
        for i in range(count):
            a, b, c = self._rng.standard_normal((3, *self._shape))
            self._slow = self._keep * self._slow + np.sqrt(1.0 - self._keep**2) * a
            mean = self._from_last[0] * self._quick + self._shocks[0, 0] * b
            self._quick = (
                self._from_last[1] * self._quick + self._shocks[1, 0] * b + self._shocks[1, 1] * c
            )
            out[i] = np.sqrt(WANDERING) * self._slow + np.sqrt(MINUTES) * mean
        return out + self._calibration


@dataclass(frozen=True)
class Rates:
    """Of faults of one size: shares of all of them; `by_meter` : meter -> (faults, detected, to its group, located).

    grouped : the first suspects with their rivals contain the meter.
    wrong : one meter was named, and it was another.
    """

    size: float
    faults: int
    detected: float
    grouped: float
    located: float
    wrong: float
    by_meter: dict[str, tuple[int, int, int, int]]


def faults(layout: Layout, count: int = FAULTS, seed: int = 1, level: float = LEVEL) -> list[Rates]:
    """The same `count` seeded trains, each with one transmitter in error by 3, 5 and 10 sigma for a day."""
    rng = np.random.default_rng(seed)
    truth = operating_points(count, rng)
    meters = np.flatnonzero(layout.metered)
    who = meters[rng.integers(len(meters), size=count)]
    sign = rng.choice([-1.0, 1.0], count)
    sound = Errors(truth.shape, rng).digests(DIGESTS_A_DAY).mean(axis=0)
    rates = []
    for size in SIZES:
        error = sound.copy()
        error[np.arange(count), who] += sign * size
        found = layout.reconcile(truth * (1.0 + layout.own * error))
        tally: dict[str, list[int]] = {layout.names[i]: [0, 0, 0, 0] for i in meters}
        wrong = 0
        for i, meter in enumerate(who.tolist()):
            verdict = judge(found.row(i), level, positive=True)
            first = verdict.suspects[:1]
            among = any(meter in s.group + s.rivals for s in first)
            named = verdict.located and len(verdict.suspects) == 1
            right = named and verdict.suspects[0].group == (meter,)
            wrong += named and not right
            tally[layout.names[meter]] = [
                a + b
                for a, b in zip(
                    tally[layout.names[meter]], (1, verdict.detected, among, right), strict=True
                )
            ]
        whole = np.sum(list(tally.values()), axis=0) / count
        rates.append(
            Rates(
                size=size,
                faults=count,
                detected=float(whole[1]),
                grouped=float(whole[2]),
                located=float(whole[3]),
                wrong=wrong / count,
                by_meter={k: (v[0], v[1], v[2], v[3]) for k, v in tally.items()},
            )
        )
    return rates


@dataclass(frozen=True)
class FalseAlarms:
    """Findings on sound trains. apart : largest difference of statistics from those by a straight line."""

    train_years: int
    alarms: int
    share_of_time: float
    judged: int
    apart: float

    @property
    def per_train_year(self) -> float:
        """[1/yr]"""
        return self.alarms / self.train_years


def false_alarms(
    layout: Layout, trains: int = TRAINS, seed: int = 2, level: float = LEVEL
) -> FalseAlarms:
    """A year of sound operation of each train, judged at every quarter hour.

    The balances are close to straight lines over the errors of sound meters, so a statistic by the straight
    line through the truth screens first: all that come within 20 % of a critical value are reconciled.
    """
    rng = np.random.default_rng(seed)
    truth = operating_points(trains, rng)
    errors = Errors(truth.shape, rng).digests(DIGESTS_A_YEAR + DIGESTS_A_DAY)
    total = np.cumsum(errors, axis=0)
    day = (total[DIGESTS_A_DAY:] - total[:-DIGESTS_A_DAY]) / DIGESTS_A_DAY
    at_truth = layout.reconcile(truth)
    n = at_truth.directions  # (trains, balances, variables)
    share = np.where(layout.metered, layout.own / layout.believed, 0.0)
    t = np.einsum("tkv,dtv->dtk", n * share, day)
    size = np.linalg.norm(n, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        tests = np.abs(np.einsum("tkv,dtk->dtv", n, t)) / size
    statistic = (t**2).sum(axis=-1)
    dof = int(at_truth.dof.flat[0])
    critical = quantiles.chi2_quantile(1.0 - level, dof)
    of_test = quantiles.sidak_quantile(level, int(at_truth.redundant[0].sum()))
    near = (statistic > 0.8 * critical) | (np.nanmax(tests, axis=-1) > 0.8 * of_test)
    found = layout.reconcile((truth * (1.0 + layout.own * day))[near])
    over = np.zeros(near.shape, dtype=bool)
    over[near] = found.detected(level)
    apart = np.abs(found.statistic / statistic[near] - 1.0).max(initial=0.0)
    alarms = sum(_alarms(over[:, i]) for i in range(trains))
    return FalseAlarms(trains, alarms, float(over.mean()), over.size, float(apart))


def _alarms(over: NDArray[np.bool_]) -> int:
    """Findings that last an hour; one that comes back within a day is the same."""
    count, run, quiet = 0, 0, DIGESTS_A_DAY
    for now in over.tolist():
        run = run + 1 if now else 0
        if run == LASTING and quiet >= DIGESTS_A_DAY:
            count += 1
        quiet = 0 if run >= LASTING else quiet + 1
    return count


def main() -> None:
    """Print rates by size and by meter, the groups that cannot be told apart, and false alarms."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--faults", type=int, default=FAULTS)
    parser.add_argument("--trains", type=int, default=TRAINS)
    parser.add_argument("--level", type=float, default=LEVEL)
    chosen = parser.parse_args()
    for layout in layouts():
        typical = layout.reconcile(operating_points(200, np.random.default_rng(3)))
        print(f"{layout.title}: {layout.metered.sum()} meters, {int(typical.dof[0])} balances")
        rates = faults(layout, chosen.faults, level=chosen.level)
        print(f"{'':36} " + " ".join(f"{f'{r.size:g} sigma':>24}" for r in rates))
        print(f"{'':36} " + " ".join(f"{'detected/traced/named of':>24}" for _ in rates))
        shows = np.median(np.linalg.norm(typical.directions, axis=1), axis=0)
        shows = shows * layout.own / layout.believed
        needs = float(typical.test_critical(chosen.level)[0])
        for i in np.flatnonzero(layout.metered).tolist():
            name = layout.names[i]
            cells = []
            for r in rates:
                n, found, among, named = r.by_meter[name]
                cells.append(f"{f'{found}/{among}/{named} of {n}':>24}")
            print(f"{name:27} from {needs / shows[i]:4.1f} " + " ".join(cells))
        print(
            f"from: sigma of which half is found; a test needs {needs:.1f}, and an error shows with"
            f" only {100 * shows[shows > 0].min():.0f} to {100 * shows.max():.0f} % of its size,"
            " because the other meters of the balance are no better than they are"
        )
        for label, of in (
            ("detected", "detected"),
            ("traced to a group with it", "grouped"),
            ("named, alone", "located"),
            ("another named", "wrong"),
        ):
            print(f"{label:36} " + " ".join(f"{100 * getattr(r, of):22.1f} %" for r in rates))
        seen = Counter(g for i in range(len(typical.dof)) for g in alike(typical.row(i)))
        print("cannot be told apart (share of operating points):")
        for group, count in seen.most_common(6):
            said = "; ".join(layout.names[i] for i in group)
            print(f"  {100 * count / len(typical.dof):3.0f} %  {said}")
        sound = false_alarms(layout, chosen.trains, level=chosen.level)
        print(
            f"sound trains: {sound.alarms} false alarms in {sound.train_years} train-years,"
            f" {sound.per_train_year:.2f} per train-year ({100 * sound.share_of_time:.3f} % of"
            f" {sound.judged} judgements); straight line within {100 * sound.apart:.1f} %\n"
        )


if __name__ == "__main__":
    main()
