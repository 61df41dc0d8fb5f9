"""The balances of a train: streams, nodes and meters, and what its signals say once they close.

Nodes are the stages and, where the train's whole permeate is a stream of its own, the permeate header.
Water and salt are balanced over each; streams without a meter (always the one between two stages)
drop out, so that what is left are the balances over what meters enclose: the train, its header.

The logarithmic ratios ``balance/...`` of `rules.sections` are another use of the same meters. They are
observables: compared with the train's own baseline, they carry the evidence of a meter that has *changed*
into the likelihood of causes, with the membranes' evidence beside them. Here the question is whether
the meters agree *as they read*, within their stated accuracy, without any baseline: at commissioning, and
whenever someone argues about a number. An error as old as the baseline shows here only.
"""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rules import conductivity, reconcile, suspects
from rules.fits import Array
from rules.reconcile import Reconciliation
from rules.suspects import Verdict
from rules.train import Train, signal

LEVEL = 0.01
"""Level of the global test, and of all measurement tests together, of the mean of a day's digests.

With it a sound train is accused less than once a year, measured on noise that does not average out:
`tests.bench.gross_errors`. [-]"""

DAY_S = 86400.0
"""Digests of this long are averaged before they are judged. [s]"""

LAW = 0.01
"""Standard uncertainty of a concentration from the law that makes it of a conductivity, beside that of the
cell: no plant's water is the water of the law. Common practice, no source. [-]"""


@dataclass(frozen=True, slots=True)
class Stream:
    """One stream; the signals of its meters, or None where it has none."""

    name: str
    flow: str | None
    salt: str | None


@dataclass(frozen=True, slots=True)
class Result:
    """Reconciled flows and concentrations; the raw ones are kept beside them.

    Variables are the flows of all streams [m3/h], then their concentrations [mg/L], in the order of
    `Network.variables`.
    """

    network: "Network"
    found: Reconciliation

    def balances(self, index: tuple[int, ...] | int = ()) -> tuple[tuple[str, float], ...]:
        """Balances that are left of one set of values, each with its |z|: ``water over stage 1 and stage 2``."""
        one = self.found.row(index)
        nodes = self.network.nodes
        found = []
        for k in np.flatnonzero(np.isfinite(one.balance_test)).tolist():
            over = sorted({b % len(nodes) for b in np.flatnonzero(one.made_of[k]).tolist()})
            kind = "water" if k < len(nodes) else "salt"
            found.append(
                (f"{kind} over {' and '.join(nodes[b] for b in over)}", float(one.balance_test[k]))
            )
        return tuple(found)

    def verdict(self, index: tuple[int, ...] | int = (), level: float = LEVEL) -> Verdict:
        """What the tests say of one set of values."""
        return suspects.judge(self.found.row(index), level, positive=True)


@dataclass(frozen=True, slots=True)
class Network:
    """Balances of one train. Made by `network`.

    nodes : "stage 1", ..., "permeate header". incidence : (nodes, streams), +1 in, -1 out.
    dof : how many balances test anything when every meter gives a value; 0 when none does.
    groups : meters, by signal, that these balances cannot tell apart, at an ordinary operating point.
    """

    train: Train
    streams: tuple[Stream, ...]
    nodes: tuple[str, ...]
    incidence: Array
    dof: int
    groups: tuple[tuple[str, ...], ...]

    @property
    def variables(self) -> tuple[str | None, ...]:
        """Signal behind every variable, flows first, then concentrations; None where there is no meter."""
        return tuple(s.flow for s in self.streams) + tuple(s.salt for s in self.streams)

    def amounts(self, values: ArrayLike) -> tuple[Array, Array]:
        """Flows and concentrations with their standard uncertainties.

        values : (..., n_signals) in SI, columns in the order of `train.signals`.
        returns : two arrays (..., 2 * streams), see `variables`. NaN without a meter, and where a
            signal, or the temperature that a concentration needs, is NaN.
        """
        v = np.asarray(values, dtype=np.float64)
        signals = self.train.signals
        if v.ndim == 0 or v.shape[-1] != len(signals):
            raise ValueError(
                f"values must have {len(signals)} columns, one for each signal of train "
                f"{self.train.id!r}; got shape {v.shape}"
            )
        amount, sigma = np.full((2, *v.shape[:-1], 2 * len(self.streams)), np.nan)
        instruments = dict(zip(signals, self.train.instruments, strict=True))
        at = {name: v[..., j] for j, name in enumerate(signals)}
        n = len(self.streams)
        for j, name in enumerate(self.variables):
            if name is None or (j >= n and "feed_temperature" not in at):
                continue
            meter, reading = instruments[name], at[name]
            spread = meter.standard_uncertainty(reading)
            if j < n:
                amount[..., j], sigma[..., j] = reading, spread
                continue
            step = 1e-4 * np.abs(reading)
            here, up, down = conductivity.concentration_mg_l(
                np.stack([reading, reading + step, reading - step]),
                at["feed_temperature"],
                meter.compensation,
                self.train.water,
            )
            with np.errstate(invalid="ignore", divide="ignore"):
                slope = (up - down) / (2.0 * step)
            amount[..., j], sigma[..., j] = here, np.hypot(slope * spread, LAW * here)
        return amount, sigma

    def reconcile(self, values: ArrayLike, *, without: Collection[int] = ()) -> Result:
        """Reconciled flows and concentrations of medians, digests or minutes of the signals.

        values : (..., n_signals) in SI, columns in the order of `train.signals`. A signal that is NaN is not
            measured in that row: its balances are combined without it. Flows that are not above zero
            and concentrations that no law gives count as not measured.
        without : variables whose meters are not believed; they are estimated where the others allow.
        """
        amount, sigma = self.amounts(values)
        with np.errstate(invalid="ignore"):
            amount = np.where(amount > 0.0, amount, np.nan)
        amount[..., list(without)] = np.nan
        n = len(self.streams)
        found = reconcile.bilinear(
            self.incidence, amount[..., :n], sigma[..., :n], amount[..., n:], sigma[..., n:]
        )
        return Result(self, found)

    def average(self, values: ArrayLike) -> Array:
        """Mean of the rows that give the same signals as the last one; NaN where that gives none.

        values : (n, n_signals), at least one. returns : (n_signals,). Means rather than medians, because means
            of balances that close still close.
        """
        v = np.asarray(values, dtype=np.float64)
        used = [self.train.signals.index(s) for s in self.variables if s is not None]
        used += [j for j, s in enumerate(self.train.signals) if s == "feed_temperature"]
        given = np.isfinite(v[:, used])
        return np.asarray(v[(given == given[-1]).all(axis=1)].mean(axis=0))


def network(train: Train) -> Network:
    """Streams, nodes and meters of a train. Needs no data."""
    numbers = range(1, len(train.stages) + 1)
    has = set(train.signals)

    def meters(name: str, flow: str, salt: str) -> Stream:
        return Stream(name, flow if flow in has else None, salt if salt in has else None)

    feed = meters("feed", "feed_flow", "feed_conductivity")
    permeates = [
        meters(
            f"permeate of stage {k}",
            signal("permeate_flow", k),
            signal("permeate_conductivity", k),
        )
        for k in numbers
    ]
    total = meters("permeate", "permeate_flow", "permeate_conductivity")
    between = [Stream(f"between stages {k} and {k + 1}", None, None) for k in numbers[:-1]]
    concentrate = meters("concentrate", "concentrate_flow", "concentrate_conductivity")
    streams = [feed, *between, concentrate, *permeates, total]
    n = len(numbers)
    incidence = np.zeros((n + 1, len(streams)))
    for k in range(n):
        incidence[k, k], incidence[k, k + 1] = 1.0, -1.0
        incidence[k, n + 1 + k], incidence[n, n + 1 + k] = -1.0, 1.0
    incidence[n, -1] = -1.0
    nodes = (*(f"stage {k}" for k in numbers), "permeate header")
    bare = Network(train, tuple(streams), nodes, incidence, 0, ())
    return _examined(bare)


def _examined(bare: Network) -> Network:
    """The network with what its meters can test, found at an ordinary operating point."""
    n = len(bare.train.stages)
    # Each stage makes permeate of half of its feed; its salt stays behind but for 1 to 2 %.
    feed = 100.0 * 0.5 ** np.arange(n + 1)
    salt = 2000.0 * 2.0 ** np.arange(n + 1)
    permeate, passed = feed[1:], 0.015 * salt[:-1]
    flows = [*feed, *permeate, permeate.sum()]
    salts = [*salt, *passed, (permeate * passed).sum() / permeate.sum()]
    instruments = {i.signal: i for i in bare.train.instruments}
    known = [s is not None for s in bare.variables]
    size = np.array([*flows, *salts])
    part = [0.0 if s is None else max(instruments[s].relative, 0.005) for s in bare.variables]
    if "feed_temperature" not in instruments:
        known[len(bare.streams) :] = [False] * len(bare.streams)
    y = np.where(known, size, np.nan)
    half = len(bare.streams)
    found = reconcile.bilinear(
        bare.incidence, y[:half], (part * size)[:half], y[half:], (part * size)[half:]
    )
    groups = tuple(tuple(str(bare.variables[i]) for i in group) for group in suspects.alike(found))
    return Network(bare.train, bare.streams, bare.nodes, bare.incidence, int(found.dof), groups)
