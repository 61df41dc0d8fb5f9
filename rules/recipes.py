"""Recipes: where every quantity of a section comes from, given the instruments of a train.

A recipe is a computation with the names of the signals that enter it. What cannot be had is a
`Lack`: the reason in plain words. Both are decided before any data are seen.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from rules import conductivity, normalize, profile, temperature, water
from rules.fits import Array, above_zero
from rules.train import Instrument, Stage, Train, signal


class Columns:
    """The rows of a block as columns by signal, with everything already computed from them."""

    def __init__(self, signals: Sequence[str], rows: Array) -> None:
        self._columns = dict(
            zip(signals, np.ascontiguousarray(rows.T, dtype=np.float64), strict=True)
        )
        self._known: dict[int, Array] = {}
        self.rows = rows.shape[0]

    def __getitem__(self, name: str) -> Array:
        return np.asarray(self._columns[name])

    def of(self, recipe: "Recipe") -> Array:
        """Value of a recipe, computed once for each block."""
        found = self._known.get(id(recipe))
        if found is None:
            found = self._known[id(recipe)] = recipe.compute(self)
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Recipe:
    """A computation and the signals that enter it."""

    signals: frozenset[str]
    compute: Callable[[Columns], Array]


@dataclass(frozen=True, slots=True)
class Lack:
    """Why a quantity cannot be had, ready to follow "because"."""

    reason: str


Found = Recipe | Lack
Means = Literal["d4516", "profile"]


@dataclass(frozen=True, slots=True)
class SectionRecipes:
    """Everything that can be computed for one section."""

    name: str
    title: str
    stages: tuple[int, ...]
    observables: Mapping[str, Recipe]
    missing: Mapping[str, str]
    inputs: Mapping[str, Recipe]
    notes: tuple[str, ...] = field(default=())


def combine(function: Callable[..., Array], *parts: Found) -> Found:
    """A recipe from others; the first one that is lacking decides the reason."""
    recipes: list[Recipe] = []
    for part in parts:
        if isinstance(part, Lack):
            return part
        recipes.append(part)
    fixed = tuple(recipes)
    return Recipe(
        frozenset().union(*(r.signals for r in fixed)),
        lambda columns: function(*(columns.of(r) for r in fixed)),
    )


def _column(name: str) -> Recipe:
    return Recipe(frozenset({name}), lambda columns: columns[name])


def _constant(value: float) -> Recipe:
    return Recipe(frozenset(), lambda columns: np.full(columns.rows, value))


def _total(*parts: Array) -> Array:
    return np.asarray(sum(parts[1:], start=parts[0]))


def _first(*choices: Found) -> Found:
    """The first choice that can be had, else the reason of the last."""
    for choice in choices:
        if isinstance(choice, Recipe):
            return choice
    return choices[-1]


class _Sources:
    """Resolves flows, pressures and concentrations of one train; each name resolves to one recipe."""

    def __init__(self, train: Train) -> None:
        self.train = train
        self.instruments: dict[str, Instrument] = {i.signal: i for i in train.instruments}
        self.numbers = tuple(range(1, len(train.stages) + 1))
        self.notes: dict[str, list[str]] = {}
        self.temperature = self.measured("feed_temperature")
        self.own_permeate = {k: self.measured("permeate_flow", k) for k in self.numbers}
        self.permeate = self._permeate()
        self.train_permeate = self._train_permeate()
        self.feed = _first(
            self.measured("feed_flow"),
            combine(_total, self.train_permeate, self.measured("concentrate_flow")),
            Lack(
                "the feed flow is not known; add feed_flow, or concentrate_flow with the permeate flow"
            ),
        )
        self.stage_feed = {
            k: combine(
                lambda f, *p: f - sum(p), self.feed, *(self.permeate[j] for j in range(1, k))
            )
            for k in self.numbers
        }
        self.own_passed = {k: self.concentration("permeate_conductivity", k) for k in self.numbers}
        self.train_passed = self._train_passed()
        self.passed = self._passed()
        self.feed_salt = self._feed_salt()
        self.stage_salt = self._stage_salt()

    def measured(self, role: str, stage: int | None = None) -> Found:
        name = signal(role, stage)
        if name in self.instruments:
            return _column(name)
        return Lack(f"{name} is not measured")

    def concentration(self, role: str, stage: int | None = None) -> Found:
        shown = self.measured(role, stage)
        if isinstance(shown, Lack):
            return shown
        compensation = self.instruments[signal(role, stage)].compensation
        return combine(
            lambda k, t: conductivity.concentration_mg_l(k, t, compensation, self.train.water),
            shown,
            self.temperature,
        )

    def _permeate(self) -> dict[int, Found]:
        total = _first(
            self.measured("permeate_flow"),
            combine(np.subtract, self.measured("feed_flow"), self.measured("concentrate_flow")),
            Lack("the permeate flow of the train is not known"),
        )
        permeate: dict[int, Found] = {}
        for k in self.numbers:
            others = [self.own_permeate[j] for j in self.numbers if j != k]
            name = signal("permeate_flow", k)
            hint = (
                "the permeate flow is not known; add permeate_flow"
                if len(self.numbers) == 1
                else f"its permeate flow is not known; add {name}, or permeate_flow with the other stages"
            )
            by_difference = combine(lambda q, *p: q - sum(p), total, *others)
            permeate[k] = _first(self.own_permeate[k], by_difference, Lack(hint))
        return permeate

    def _train_permeate(self) -> Found:
        return _first(
            combine(_total, *self.own_permeate.values()),
            self.measured("permeate_flow"),
            combine(np.subtract, self.measured("feed_flow"), self.measured("concentrate_flow")),
            Lack(
                "the permeate flow of the train is not known; add permeate_flow, "
                "or feed_flow and concentrate_flow"
            ),
        )

    def _train_passed(self) -> Found:
        """Concentration of the train's permeate."""
        n = len(self.numbers)

        def mixed(*parts: Array) -> Array:
            flows, salts = parts[:n], parts[n:]
            return np.asarray(sum(q * c for q, c in zip(flows, salts, strict=True)) / sum(flows))

        return _first(
            self.concentration("permeate_conductivity"),
            combine(mixed, *self.permeate.values(), *self.own_passed.values()),
            self._lack_or(
                "the permeate conductivity is not measured; add permeate_conductivity",
            ),
        )

    def _lack_or(self, reason: str) -> Lack:
        """`reason`, unless the temperature that every concentration needs is the lack."""
        return self.temperature if isinstance(self.temperature, Lack) else Lack(reason)

    def _passed(self) -> dict[int, Found]:
        """Concentration of each stage's permeate: its own, the train's for one stage, or by difference."""
        passed: dict[int, Found] = {}
        train_own = self.concentration("permeate_conductivity")
        for k in self.numbers:
            others = [j for j in self.numbers if j != k]
            n = len(others)

            def rest(c: Array, q: Array, *parts: Array, n: int = n) -> Array:
                flows, salts = parts[:n], parts[n:]
                total = q + sum(flows)
                left = total * c - sum(f * s for f, s in zip(flows, salts, strict=True))
                return np.asarray(above_zero(left) / above_zero(q))

            by_difference = combine(
                rest,
                train_own,
                self.permeate[k],
                *(self.permeate[j] for j in others),
                *(self.own_passed[j] for j in others),
            )
            name = signal("permeate_conductivity", k)
            hint = f"its permeate conductivity is not known; add {name}" + (
                " or permeate_conductivity" if n == 0 else ""
            )
            passed[k] = _first(self.own_passed[k], by_difference, self._lack_or(hint))
        return passed

    def _feed_salt(self) -> Found:
        """Concentration of the train's feed: measured, else from the concentrate by mass balance."""

        def back(cc: Array, cp: Array, q: Array, p: Array) -> Array:
            return np.asarray(((q - p) * cc + p * cp) / above_zero(q))

        cp = self.train_passed if isinstance(self.train_passed, Recipe) else _constant(0.0)
        found = _first(
            self.concentration("feed_conductivity"),
            combine(
                back,
                self.concentration("concentrate_conductivity"),
                cp,
                self.feed,
                self.train_permeate,
            ),
            self._lack_or(
                "the feed concentration is not known; add feed_conductivity, or "
                "concentrate_conductivity with the feed and permeate flows"
            ),
        )
        if "feed_conductivity" not in self.instruments and isinstance(found, Recipe):
            self._note(
                1, "the feed concentration is computed from the concentrate's by a salt balance"
            )
            if isinstance(self.train_passed, Lack):
                self._note(1, "the permeate is taken as salt-free in that balance")
        return found

    def _stage_salt(self) -> dict[int, Found]:
        """Feed concentration of each stage, by salt balance over the stages before it."""

        def onward(c: Array, q: Array, p: Array, cp: Array, left: Array) -> Array:
            return np.asarray((q * c - p * cp) / above_zero(left))

        salt: dict[int, Found] = {1: self.feed_salt}
        for k in self.numbers[1:]:
            before = _first(self.passed[k - 1], self.train_passed)
            if isinstance(self.passed[k - 1], Lack):
                taken = "the train's permeate" if isinstance(before, Recipe) else "salt-free"
                self._note(
                    k,
                    f"for its feed concentration the permeate of stage {k - 1} is taken as {taken}",
                )
            salt[k] = combine(
                onward,
                salt[k - 1],
                self.stage_feed[k - 1],
                self.permeate[k - 1],
                before if isinstance(before, Recipe) else _constant(0.0),
                self.stage_feed[k],
            )
        return salt

    def _note(self, stage: int, text: str) -> None:
        self.notes.setdefault(str(stage), []).append(text)

    def feed_pressure(self, k: int, notes: list[str]) -> Found:
        own = self.measured("feed_pressure", k)
        if isinstance(own, Recipe):
            return own
        hint = f"its feed pressure is not measured; add {signal('feed_pressure', k)}"
        if k == 1:
            return Lack(hint)
        before = self.measured("concentrate_pressure", k - 1)
        if isinstance(before, Recipe):
            notes.append(
                f"its feed pressure is taken from the concentrate of stage {k - 1}, "
                "as if no booster pump stood between them"
            )
            return before
        return Lack(f"{hint} or {signal('concentrate_pressure', k - 1)}")

    def concentrate_pressure(self, k: int, notes: list[str]) -> Found:
        own = self.measured("concentrate_pressure", k)
        if isinstance(own, Recipe):
            return own
        hint = f"its concentrate pressure is not measured; add {signal('concentrate_pressure', k)}"
        if k == len(self.numbers):
            return Lack(hint)
        after = self.measured("feed_pressure", k + 1)
        if isinstance(after, Recipe):
            notes.append(
                f"its concentrate pressure is taken from the feed of stage {k + 1}, "
                "as if no booster pump stood between them"
            )
            return after
        return Lack(f"{hint} or {signal('feed_pressure', k + 1)}")

    def permeate_pressure(self, stages: Sequence[int], notes: list[str]) -> Recipe:
        if len(stages) == 1:
            own = self.measured("permeate_pressure", stages[0])
            if isinstance(own, Recipe):
                return own
        train = self.measured("permeate_pressure")
        if isinstance(train, Recipe):
            return train
        areas = np.array([self.train.stages[k - 1].area_m2 for k in stages])
        if len(stages) > 1:
            mean = combine(
                lambda *p: np.asarray(
                    sum(a * x for a, x in zip(areas / areas.sum(), p, strict=True))
                ),
                *(self.measured("permeate_pressure", k) for k in stages),
            )
            if isinstance(mean, Recipe):
                return mean
        notes.append("the permeate pressure is not measured and taken as 0 bar")
        return _constant(0.0)


def _section(
    train: Train,
    name: str,
    numbers: tuple[int, ...],
    source: _Sources,
    *,
    feed: Found,
    permeate: Found,
    salt: Found,
    passed: Found,
    means: Means,
) -> SectionRecipes:
    """Recipes of one section from its flows and concentrations."""
    stages: tuple[Stage, ...] = tuple(train.stages[k - 1] for k in numbers)
    area_m2 = sum(s.area_m2 for s in stages)
    title = "train" if name == "train" else f"stage {name}"
    notes = [f"{title}: {text}" for text in source.notes.get(str(numbers[0]), ())]
    extra: list[str] = []
    pressures: list[str] = []
    t = source.temperature
    if isinstance(t, Lack):
        t = Lack("the feed temperature is not measured; add feed_temperature")
    p_feed = source.feed_pressure(numbers[0], pressures)
    p_conc = source.concentrate_pressure(numbers[-1], pressures)
    p_perm: Found = source.permeate_pressure(numbers, extra)
    law = train.water
    exponent = train.pressure_drop_exponent

    def osmotic(c: Array, temperature_c: Array) -> Array:
        return water.osmotic_pressure_bar(c, temperature_c, law)

    recovery = combine(lambda q, f: q / above_zero(f), permeate, feed)
    average = combine(water.feed_brine_average, salt, recovery)
    pi_feed = combine(osmotic, average, t)
    pi_perm: Found
    if isinstance(passed, Recipe):
        pi_perm = combine(osmotic, passed, t)
    else:
        pi_perm = _constant(0.0)
        extra.append("the permeate is taken as salt-free in the net driving pressure")
    drop = combine(np.subtract, p_feed, p_conc)
    ndp = combine(normalize.net_driving_pressure_bar, p_feed, drop, p_perm, pi_feed, pi_perm)
    water_factor = combine(
        lambda x: temperature.arrhenius_factor(x, activation_k=train.water_activation_k), t
    )
    salt_factor = combine(
        lambda x: temperature.arrhenius_factor(x, activation_k=train.salt_activation_k), t
    )
    viscosity = combine(water.viscosity_mpa_s, t)
    average_flow = combine(lambda f, q: f - q / 2.0, feed, permeate)
    flux = combine(lambda q: q * (1000.0 / area_m2), permeate)
    at_membrane = average
    if means == "profile":
        ndp, at_membrane, along = _along(
            stages,
            feed=feed,
            permeate=permeate,
            flux=flux,
            temperature_c=t,
            pressure=combine(
                lambda pf, pc, pp, p: (pf + pc) / 2.0 - pp + p, p_feed, p_conc, p_perm, pi_perm
            ),
            salt=salt,
            average=average,
            pi_average=pi_feed,
        )
        if isinstance(along, Recipe):
            average_flow = along
        else:
            pressures.append("the mean of the end flows is used for the pressure drop")
    found: dict[str, Found] = {
        "permeate_flow": combine(
            lambda q, p, f: np.log(normalize.water_permeability(q, p, f, area_m2=area_m2)),
            permeate,
            ndp,
            water_factor,
        ),
        "salt_passage": combine(
            lambda q, c, a, f: np.log(normalize.salt_permeability(q, c, a, f, area_m2=area_m2)),
            permeate,
            passed,
            at_membrane,
            salt_factor,
        ),
        "pressure_drop": combine(
            lambda d, q, x: np.log(normalize.pressure_drop_coefficient(d, q, x, exponent=exponent)),
            drop,
            average_flow,
            viscosity,
        ),
    }
    inputs: dict[str, Found] = {
        "feed_flow_m3h": feed,
        "permeate_flow_m3h": permeate,
        "concentrate_flow_m3h": combine(np.subtract, feed, permeate),
        "feed_pressure_bar": p_feed,
        "concentrate_pressure_bar": p_conc,
        "permeate_pressure_bar": p_perm,
        "temperature_c": t,
        "feed_mg_l": salt,
        "permeate_mg_l": passed,
        "feed_brine_mg_l": average,
        "ndp_bar": ndp,
        "recovery": recovery,
        "flux_lmh": flux,
    }
    observables = {q: r for q, r in found.items() if isinstance(r, Recipe)}
    if "permeate_flow" in observables or "pressure_drop" in observables:
        notes += [f"{title}: {text}" for text in pressures]
    if "permeate_flow" in observables:
        notes += [f"{title}: {text}" for text in extra]
    never = _constant(float("nan"))
    return SectionRecipes(
        name=name,
        title=title,
        stages=numbers,
        observables=observables,
        missing={q: r.reason for q, r in found.items() if isinstance(r, Lack)},
        inputs={k: r if isinstance(r, Recipe) else never for k, r in inputs.items()},
        notes=tuple(notes),
    )


def _along(
    stages: Sequence[Stage],
    *,
    feed: Found,
    permeate: Found,
    flux: Found,
    temperature_c: Found,
    pressure: Found,
    salt: Found,
    average: Found,
    pi_average: Found,
) -> tuple[Found, Found, Found]:
    """Net driving pressure, concentration at the membrane and flow, as means over the membrane.

    The osmotic law is taken as a straight line through its value at the average concentration.
    """
    # Polarization at the mean flow of a vessel; over several stages, of the stage in the middle.
    vessels = sum(s.vessels * s.elements_per_vessel for s in stages) / sum(
        s.elements_per_vessel for s in stages
    )
    transfer = combine(
        lambda f, q, x: profile.mass_transfer_lmh((f - q / 2.0) / vessels, x, stages[0]),
        feed,
        permeate,
        temperature_c,
    )
    piled = combine(profile.polarization, flux, transfer)

    def solve(*parts: Array) -> Array:
        f, q, p, c, a, pi, e = parts
        found = profile.exact_means(f, q, p, pi * c / a * e)
        return np.stack([found.ndp_bar, found.flow_m3h, c * found.concentration_ratio * e])

    solved = combine(solve, feed, permeate, pressure, salt, average, pi_average, piled)
    ndp, flow, at_membrane = (combine(lambda x, i=i: x[i], solved) for i in range(3))
    return ndp, at_membrane, flow


def recipes(train: Train, means: Means) -> tuple[tuple[SectionRecipes, ...], dict[str, Recipe]]:
    """Recipes of every section and every balance of a train, sharing what they have in common."""
    sources = _Sources(train)
    return _sections(train, sources, means), _balances(sources)


def _sections(train: Train, s: _Sources, means: Means) -> tuple[SectionRecipes, ...]:
    """Recipes of every stage, and of the train as a whole when it has more than one stage."""
    sections = [
        _section(
            train,
            str(k),
            (k,),
            s,
            feed=s.stage_feed[k],
            permeate=s.permeate[k],
            salt=s.stage_salt[k],
            passed=s.passed[k],
            means=means,
        )
        for k in s.numbers
    ]
    if len(s.numbers) > 1:
        sections.append(
            _section(
                train,
                "train",
                s.numbers,
                s,
                feed=s.feed,
                permeate=s.train_permeate,
                salt=s.feed_salt,
                passed=s.train_passed,
                means=means,
            )
        )
    return tuple(sections)


def _balances(s: _Sources) -> dict[str, Recipe]:
    """Balances whose every term is measured by an instrument of its own."""
    every_stage = combine(_total, *s.own_permeate.values())
    permeate = _first(every_stage, s.measured("permeate_flow"))
    n = len(s.numbers)

    def ratio(over: Array, under: Array) -> Array:
        return np.asarray(np.log(above_zero(over) / above_zero(under)))

    def mixed(*parts: Array) -> Array:
        flows, salts = parts[:n], parts[n:]
        return np.asarray(sum(q * c for q, c in zip(flows, salts, strict=True)) / sum(flows))

    def salt_out(f: Array, q: Array, cc: Array, cp: Array, cf: Array) -> Array:
        return ratio((f - q) * cc + q * cp, f * cf)

    found: dict[str, Found] = {
        "water": combine(
            ratio,
            combine(_total, permeate, s.measured("concentrate_flow")),
            s.measured("feed_flow"),
        ),
        "permeate_flow": combine(ratio, s.measured("permeate_flow"), every_stage),
        "permeate_salt": combine(
            ratio,
            s.concentration("permeate_conductivity"),
            combine(mixed, *s.own_permeate.values(), *s.own_passed.values()),
        ),
        "salt": combine(
            salt_out,
            s.feed,
            s.train_permeate,
            s.concentration("concentrate_conductivity"),
            s.train_passed,
            s.concentration("feed_conductivity"),
        ),
    }
    return {name: r for name, r in found.items() if isinstance(r, Recipe)}
