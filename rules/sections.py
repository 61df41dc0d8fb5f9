"""Sections: what a train's instruments allow to be normalized, and the numbers that are judged.

`plan` reads the list of instruments once and decides where every quantity of every section comes
from. The decision is fixed: a signal that fails later gives NaN in what needs it, and no other
source takes over silently. Where a flow is measured more than once the mathematics of the sections
uses the first of these, always (so that an error of one transmitter has one definite effect):

- permeate of a stage: its own meter; the train's for a single stage; train minus the other stages;
  with no meter at any stage but all pressures, a split of the train's by one water permeability of
  all stages (`rules.driving.split`): then only the pressure drop is the stage's own, and flow and
  passage are the train's, with the means of its stages;
- permeate of the train: the sum of the stage meters when every stage has one; the train's meter;
  feed minus concentrate;
- feed of the train: its meter; else permeate plus concentrate;
- feed of stage k: feed of the train minus the permeate of the stages before it;
- concentrate of a section: feed minus permeate. The concentrate meter is kept for the balance.

Observables are logarithms, so that a difference of two is ln(actual/baseline):

- permeate_flow : ln A, A = Qp / (area · TCF · NDP)                 = ln Qps + constant (ASTM D4516)
- salt_passage  : ln B, B = Qp · Cp / (area · STCF · Cfb)           = fixed-flux convention
- pressure_drop : ln K, K = ΔP / (Qavg^n · μ^(2−n))                 = tied exponents
- balance/water : ln((Qp + Qc)/Qf)
- balance/permeate_flow : ln(Qp of the train / sum of the stages)
- balance/permeate_salt : ln(Cp of the train · ΣQp / Σ(Qp Cp))
- balance/salt : ln((Qc Cc + Qp Cp)/(Qf Cf)), with Qc = Qf − Qp
- balance/stage_k_to_k+1_pressure : ln(feed pressure of stage k+1 / concentrate pressure of stage k), its level that
  of the pipe and of a booster pump between them
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from rules import recipes as resolve
from rules.fits import Array
from rules.graph import Columns, Recipe, downward
from rules.recipes import SectionRecipes
from rules.train import QUANTITIES, Means, Train

_BLOCK = 8192  # rows evaluated together: temporaries then stay in the processor's cache


@dataclass(frozen=True, slots=True)
class Section:
    """A stretch of membranes that is normalized by itself.

    name : "1", "2", ... for a stage, "train" for the whole train.
    stages : stage numbers it covers, from 1.
    quantities : what can be normalized, in the order of `rules.train.QUANTITIES`.
    missing : quantity -> reason in plain words why it cannot.
    """

    name: str
    stages: tuple[int, ...]
    quantities: tuple[str, ...]
    missing: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class SectionInputs:
    """Everything that enters the normalization of one section; arrays of the leading shape.

    NaN where a signal is missing now, and everywhere for what the instruments never give.
    feed_brine_mg_l : average on the feed side by the log mean. ndp_bar : net driving pressure.
    Pressures are gauge pressures.
    """

    feed_flow_m3h: Array
    permeate_flow_m3h: Array
    concentrate_flow_m3h: Array
    feed_pressure_bar: Array
    concentrate_pressure_bar: Array
    permeate_pressure_bar: Array
    temperature_c: Array
    feed_mg_l: Array
    permeate_mg_l: Array
    feed_brine_mg_l: Array
    ndp_bar: Array
    recovery: Array
    flux_lmh: Array


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Everything from one pass: see `Plan.observe`, `Plan.uncertainty` and `Plan.inputs`."""

    observables: Array
    uncertainty: Array
    inputs: Mapping[str, SectionInputs]


@dataclass(frozen=True, slots=True)
class Plan:
    """What the instruments of a train allow, and how to compute it. Made by `plan`.

    observables : names of the columns of `observe`, "{section}/{quantity}" and "balance/{name}".
    reasons : one sentence for each quantity that cannot be normalized.
    notes : one sentence for each assumption made in place of an instrument.
    """

    train: Train
    means: Means
    signals: tuple[str, ...]
    sections: tuple[Section, ...]
    balances: tuple[str, ...]
    observables: tuple[str, ...]
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    _recipes: tuple[Recipe, ...]
    _paths: tuple[tuple[Recipe, ...], ...]
    _inputs: Mapping[str, SectionRecipes]
    _split: bool

    @property
    def basis(self) -> str:
        """All that gives the observables their meaning, in words; two bases must not be mixed."""
        train = self.train
        law = train.water.kind if train.water.factor is None else f"factor {train.water.factor:g}"
        areas = " + ".join(f"{stage.area_m2:g}" for stage in train.stages)
        return (
            f"means {self.means}, water {law}, exponent {train.pressure_drop_exponent:g},"
            f" E/R {train.water_activation_k:g} and {train.salt_activation_k:g} K, area {areas} m2"
            + (", permeate of the stages split by one permeability" if self._split else "")
        )

    @property
    def usable(self) -> bool:
        """Whether anything at all can be normalized."""
        return any(s.quantities for s in self.sections)

    def needs(self, observable: str) -> frozenset[str]:
        """Signals that enter an observable."""
        return self._recipes[self.observables.index(observable)].signals

    def observe(self, values: ArrayLike) -> Array:
        """Observables from signals.

        values : shape (..., n_signals), columns in the order of `train.signals`, SI.
        returns : shape (..., n_observables). Natural logarithms. [-] NaN where a signal that is
            needed is NaN, or a flow, pressure drop or net driving pressure is not above zero.
        """
        v = self._checked(values)
        out = np.empty((_rows(v), len(self._recipes)))
        with np.errstate(all="ignore"):
            for block, columns in self._blocks(v):
                self._into(out[block], columns)
        out[~np.isfinite(out)] = np.nan
        return out.reshape(*v.shape[:-1], len(self._recipes))

    def inputs(self, values: ArrayLike) -> dict[str, SectionInputs]:
        """What enters the normalization, section by section; arrays of shape values.shape[:-1]."""
        v = self._checked(values)
        made = self._empty_inputs(_rows(v))
        with np.errstate(all="ignore"):
            for block, columns in self._blocks(v):
                self._inputs_into(made, block, columns)
        return _shaped(made, v.shape[:-1])

    def jacobian(self, values: ArrayLike) -> Array:
        """Change of every observable for a unit change of every signal.

        values : shape (..., n_signals).
        returns : shape (..., n_observables, n_signals). [1/unit of the signal] By reverse
            accumulation over the steps of the recipes, each step by a one-sided difference: right
            to about 1e-7. Signals that an observable does not use have exactly 0; NaN where the
            observable is NaN.
        """
        v = self._checked(values)
        place = {name: j for j, name in enumerate(self.signals)}
        out = np.zeros((_rows(v), len(self._recipes), len(self.signals)))
        with np.errstate(all="ignore"):
            for block, columns in self._blocks(v, slopes=True):
                for i, path in enumerate(self._paths):
                    known = np.isfinite(columns.of(path[0]))
                    for name, slope in columns.gradient(path):
                        out[block, i, place[name]] = np.where(known, slope, np.nan)
        out[~np.isfinite(out)] = np.nan
        return out.reshape(*v.shape[:-1], len(self._recipes), len(self.signals))

    def uncertainty(self, values: ArrayLike) -> Array:
        """Standard uncertainty of every observable from the accuracy of the instruments.

        values : shape (..., n_signals).
        returns : shape (..., n_observables). [-] First order, instruments independent:
            the root of the sum of (slope · standard uncertainty of the signal)². Agrees with Monte
            Carlo within 5 % while it is below about 0.15. NaN where the observable is NaN.
        Source: JCGM 100:2008 5.1.2 (from memory).
        """
        return self._evaluate(values, inputs=False).uncertainty

    def evaluate(self, values: ArrayLike) -> Evaluation:
        """Observables, their uncertainty and the inputs in one pass; values of shape (..., n_signals)."""
        return self._evaluate(values, inputs=True)

    def _evaluate(self, values: ArrayLike, *, inputs: bool) -> Evaluation:
        v = self._checked(values)
        shape = (_rows(v), len(self._recipes))
        observables, uncertainty = np.empty(shape), np.zeros(shape)
        made = self._empty_inputs(shape[0]) if inputs else {}
        instruments = {i.signal: i for i in self.train.instruments}
        with np.errstate(all="ignore"):
            for block, columns in self._blocks(v, slopes=True):
                sigma = {
                    name: instruments[name].standard_uncertainty(columns.signal(name))
                    for name in self._entering()
                }
                self._into(observables[block], columns)
                for j, path in enumerate(self._paths):
                    total = np.zeros(block.stop - block.start)
                    for name, slope in columns.gradient(path):
                        share = slope * sigma[name]
                        share *= share
                        total += share
                    np.sqrt(total, out=uncertainty[block, j])
                self._inputs_into(made, block, columns)
        observables[~np.isfinite(observables)] = np.nan
        uncertainty[~np.isfinite(observables) | ~np.isfinite(uncertainty)] = np.nan
        wide = (*v.shape[:-1], len(self._recipes))
        return Evaluation(
            observables.reshape(wide), uncertainty.reshape(wide), _shaped(made, v.shape[:-1])
        )

    def _blocks(self, v: Array, *, slopes: bool = False) -> Iterator[tuple[slice, Columns]]:
        """Blocks of rows as columns."""
        count = _rows(v)
        rows = v.reshape(count, len(self.signals))
        for start in range(0, count, _BLOCK):
            block = slice(start, min(start + _BLOCK, count))
            wide = np.ascontiguousarray(rows[block].T)
            columns = dict(zip(self.signals, wide, strict=True))
            yield block, Columns(columns, block.stop - block.start, slopes=slopes)

    def _into(self, out: Array, columns: Columns) -> None:
        for j, recipe in enumerate(self._recipes):
            out[:, j] = columns.of(recipe)

    def _empty_inputs(self, rows: int) -> dict[str, dict[str, Array]]:
        return {
            name: {field.name: np.empty(rows) for field in fields(SectionInputs)}
            for name in self._inputs
        }

    def _inputs_into(
        self, made: Mapping[str, Mapping[str, Array]], block: slice, columns: Columns
    ) -> None:
        for name, arrays in made.items():
            for field, recipe in self._inputs[name].inputs.items():
                arrays[field][block] = columns.of(recipe)

    def _entering(self) -> frozenset[str]:
        return frozenset[str]().union(*(r.signals for r in self._recipes))

    def _checked(self, values: ArrayLike) -> Array:
        v = np.asarray(values, dtype=np.float64)
        if v.ndim == 0 or v.shape[-1] != len(self.signals):
            raise ValueError(
                f"values must have {len(self.signals)} columns, one for each signal of train "
                f"{self.train.id!r}; got shape {v.shape}"
            )
        return v


def _rows(v: Array) -> int:
    return math.prod(v.shape[:-1])


def _shaped(
    made: Mapping[str, Mapping[str, Array]], shape: tuple[int, ...]
) -> dict[str, SectionInputs]:
    return {
        name: SectionInputs(**{field: array.reshape(shape) for field, array in arrays.items()})
        for name, arrays in made.items()
    }


def _reasons(section: SectionRecipes, *, skip: set[str]) -> list[str]:
    """One sentence for each reason, naming all the quantities that it costs."""
    by_reason: dict[str, list[str]] = {}
    for quantity, reason in section.missing.items():
        if quantity not in skip:
            by_reason.setdefault(reason, []).append(quantity.replace("_", " "))
    return [
        f"{section.title}: {' and '.join(lost)} cannot be normalized: {reason}"
        for reason, lost in by_reason.items()
    ]


def plan(train: Train, *, means: Means | None = None) -> Plan:
    """Which sections, quantities and balances the instruments of a train allow. Needs no data.

    Every stage that its instruments allow is a section. Quantities that not every stage has are
    normalized over the whole train as section "train", when that is possible.

    means : along a section, those of the train when not given. "d4516": mean of the end pressures,
        log-mean concentration, mean of the end flows, as the standard says. "profile": the exact
        means of `rules.profile` with polarization; flatter over weather and set-points, but no
        longer the standard's numbers. The choice belongs to a baseline: two plans of different
        means must not be compared.
    """
    means = train.means if means is None else means
    twice = sorted({s for s in train.signals if train.signals.count(s) > 1})
    if twice:
        raise ValueError(f"train {train.id!r} lists these signals twice: {', '.join(twice)}")
    if not train.stages:
        raise ValueError(f"train {train.id!r} has no stages")
    if means not in ("d4516", "profile"):
        raise ValueError(f"means must be 'd4516' or 'profile', got {means!r}")
    found, balances, is_split = resolve.recipes(train, means)
    sections: list[Section] = []
    kept: dict[str, SectionRecipes] = {}
    reasons: list[str] = []
    notes: list[str] = []
    recipes: dict[str, Recipe] = {}
    by_stage = [r for r in found if r.name != "train"]
    complete = {q for q in QUANTITIES if all(q in r.observables for r in by_stage)}
    for section in found:
        whole = section.name == "train"
        quantities = tuple(
            q for q in QUANTITIES if q in section.observables and not (whole and q in complete)
        )
        reasons += _reasons(section, skip=complete if whole else set())
        if not quantities:
            continue
        notes += [n for n in section.notes if n not in notes]
        kept[section.name] = section
        sections.append(Section(section.name, section.stages, quantities, dict(section.missing)))
        for q in quantities:
            recipes[f"{section.name}/{q}"] = section.observables[q]
    recipes.update({f"balance/{name}": recipe for name, recipe in balances.items()})
    return Plan(
        train=train,
        means=means,
        signals=train.signals,
        sections=tuple(sections),
        balances=tuple(balances),
        observables=tuple(recipes),
        reasons=tuple(reasons),
        notes=tuple(notes),
        _recipes=tuple(recipes.values()),
        _paths=tuple(downward(recipe) for recipe in recipes.values()),
        _inputs=kept,
        _split=is_split,
    )
