"""Where every quantity of a section comes from, given the instruments of a train."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from rules import conductivity, normalize, temperature, water
from rules.driving import Driving, Feed, driving, onward, split
from rules.fits import Array, above_zero
from rules.graph import Found, Lack, Recipe, column, combine, constant, first, linear
from rules.train import Instrument, Means, Stage, Train, interstage, signal


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


def _total(*parts: Found) -> Found:
    return linear(*((1.0, part) for part in parts))


def _less(whole: Found, *parts: Found) -> Found:
    return linear((1.0, whole), *((-1.0, part) for part in parts))


def _mixed(flows: Sequence[Found], salts: Sequence[Found]) -> Found:
    """Concentration of several waters together."""
    n = len(flows)

    def mean(*x: Array) -> Array:
        q, c = x[:n], x[n:]
        return np.asarray(sum(a * b for a, b in zip(q, c, strict=True)) / sum(q))

    def slopes(mixed: Array, *x: Array) -> list[Array]:
        q, c = x[:n], x[n:]
        total = sum(q)
        return [*((one - mixed) / total for one in c), *(one / total for one in q)]

    return combine(mean, *flows, *salts, slopes=slopes)


class _Sources:
    """Resolves flows, pressures and concentrations of one train; each name resolves to one recipe.

    shared : why flow and passage of the stages cannot be normalized, when their permeate flows are
        only a split of the train's (`rules.driving.split`); empty otherwise.
    taken : what the split takes the permeate's concentration of each stage for; empty otherwise.
    """

    def __init__(self, train: Train, means: Means) -> None:
        self.train = train
        self.means = means
        self.instruments: dict[str, Instrument] = {i.signal: i for i in train.instruments}
        self._made: dict[tuple[str, str], Recipe] = {}
        self.numbers = tuple(range(1, len(train.stages) + 1))
        self.notes: dict[str, list[str]] = {}
        self.temperature = self.measured("feed_temperature")
        self.own_permeate = {k: self.measured("permeate_flow", k) for k in self.numbers}
        self.permeate = self._permeate()
        self.train_permeate = self._train_permeate()
        self.feed = first(
            self.measured("feed_flow"),
            _total(self.train_permeate, self.measured("concentrate_flow")),
            Lack(
                "the feed flow is not known; add feed_flow, or concentrate_flow with the permeate flow"
            ),
        )
        self.own_passed = {k: self.concentration("permeate_conductivity", k) for k in self.numbers}
        self.train_passed = self._train_passed()
        self.feed_salt = self._feed_salt()
        self.shared: dict[int, Lack] = {}
        self.taken: dict[int, Found] = {}
        self._share()
        self.stage_feed = {
            k: _less(self.feed, *(self.permeate[j] for j in range(1, k))) for k in self.numbers
        }
        self.passed = self._passed()
        self.stage_salt = self._stage_salt()
        t = self.temperature
        if isinstance(t, Lack):
            t = Lack("the feed temperature is not measured; add feed_temperature")
        self.named_temperature = t
        self.water_factor, self.salt_factor = (
            combine(lambda x, k=k: temperature.arrhenius_factor(x, activation_k=k), t)
            for k in (train.water_activation_k, train.salt_activation_k)
        )
        self.viscosity = combine(water.viscosity_mpa_s, t)

    def measured(self, role: str, stage: int | None = None) -> Found:
        name = signal(role, stage)
        if name not in self.instruments:
            return Lack(f"{name} is not measured")
        return self._once("signal", name, column(name))

    def _once(self, kind: str, name: str, recipe: Recipe) -> Recipe:
        """The recipe made first for a name, so that it is computed once."""
        return self._made.setdefault((kind, name), recipe)

    def concentration(self, role: str, stage: int | None = None) -> Found:
        shown = self.measured(role, stage)
        if isinstance(shown, Lack):
            return shown
        name = signal(role, stage)
        compensation = self.instruments[name].compensation
        found = combine(
            lambda k, t: conductivity.concentration_mg_l(k, t, compensation, self.train.water),
            shown,
            self.temperature,
        )
        return found if isinstance(found, Lack) else self._once("concentration", name, found)

    def _permeate(self) -> dict[int, Found]:
        total = first(
            self.measured("permeate_flow"),
            _less(self.measured("feed_flow"), self.measured("concentrate_flow")),
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
            by_difference = _less(total, *others)
            permeate[k] = first(self.own_permeate[k], by_difference, Lack(hint))
        return permeate

    def _share(self) -> None:
        """Split the train's permeate among its stages, when no stage has a flow meter but all pressures."""
        metered = any(isinstance(self.permeate[k], Recipe) for k in self.numbers)
        if metered or len(self.numbers) == 1:
            return
        feeds = []
        for k in self.numbers:
            flow = self.feed if k == 1 else constant(float("nan"))  # of later stages it follows
            passed = first(self.own_passed[k], self.concentration("permeate_conductivity"))
            feeds.append(
                Feed(
                    flow,
                    self.permeate[k],
                    self.feed_salt,
                    passed,
                    self.temperature,
                    self.feed_pressure(k, []),
                    self.concentrate_pressure(k, []),
                    self.permeate_pressure((k,), []),
                )
            )
        found = split(self.train.stages, feeds, self.train_permeate, self.train.water, self.means)
        for k, x, flow in zip(self.numbers, feeds, found, strict=True):
            if isinstance(flow, Lack):
                return
            lack = self.permeate[k]
            assert isinstance(lack, Lack)
            self.shared[k], self.taken[k] = lack, x.passed
            self.permeate[k] = flow
        if isinstance(self.train_passed, Lack):
            self.train_passed = self._train_passed()

    def _train_permeate(self) -> Found:
        return first(
            _total(*self.own_permeate.values()),
            self.measured("permeate_flow"),
            _less(self.measured("feed_flow"), self.measured("concentrate_flow")),
            Lack(
                "the permeate flow of the train is not known; add permeate_flow, "
                "or feed_flow and concentrate_flow"
            ),
        )

    def _train_passed(self) -> Found:
        """Concentration of the train's permeate."""
        return first(
            self.concentration("permeate_conductivity"),
            _mixed(list(self.permeate.values()), list(self.own_passed.values())),
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
            passed[k] = first(self.own_passed[k], by_difference, self._lack_or(hint))
        return passed

    def _feed_salt(self) -> Found:
        """Concentration of the train's feed: measured, else from the concentrate by mass balance."""

        def back(cc: Array, cp: Array, q: Array, p: Array) -> Array:
            return np.asarray(((q - p) * cc + p * cp) / above_zero(q))

        cp = self.train_passed if isinstance(self.train_passed, Recipe) else constant(0.0)
        found = first(
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

        salt: dict[int, Found] = {1: self.feed_salt}
        for k in self.numbers[1:]:
            before = self.taken.get(k - 1, first(self.passed[k - 1], self.train_passed))
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
                before if isinstance(before, Recipe) else constant(0.0),
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
        if len(stages) > 1:
            mean = _mean(
                [self.train.stages[k - 1] for k in stages],
                [self.measured("permeate_pressure", k) for k in stages],
            )
            if isinstance(mean, Recipe):
                return mean
        notes.append("the permeate pressure is not measured and taken as 0 bar")
        return constant(0.0)


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
    stages_driving: Sequence[Driving] = (),
) -> tuple[SectionRecipes, Driving]:
    """Recipes of one section from its flows and concentrations, and what drives it.

    stages_driving : of its stages, when the means of the section are to be those of its stages.
    """
    stages: tuple[Stage, ...] = tuple(train.stages[k - 1] for k in numbers)
    area_m2 = sum(s.area_m2 for s in stages)
    title = "train" if name == "train" else f"stage {name}"
    notes = [f"{title}: {text}" for text in source.notes.get(str(numbers[0]), ())]
    extra: list[str] = []
    pressures: list[str] = []
    t = source.named_temperature
    p_feed = source.feed_pressure(numbers[0], pressures)
    p_conc = source.concentrate_pressure(numbers[-1], pressures)
    p_perm: Found = source.permeate_pressure(numbers, extra)
    exponent = train.pressure_drop_exponent
    lack = source.shared.get(numbers[0]) if len(numbers) == 1 else None
    within = passed if lack is None else source.taken[numbers[0]]
    if isinstance(within, Lack):
        extra.append("the permeate is taken as salt-free in the net driving pressure")
    by = driving(
        stages,
        Feed(feed, permeate, salt, within, t, p_feed, p_conc, p_perm),
        train.water,
        source.means,
    )
    ndp, at_membrane = by.ndp_bar, by.at_membrane_mg_l
    if stages_driving:
        ndp, at_membrane = (
            _mean(stages, [d.ndp_bar for d in stages_driving]),
            _mean(stages, [d.at_membrane_mg_l for d in stages_driving]),
        )
    if source.means == "profile" and isinstance(by.ndp_bar, Lack):
        pressures.append("the mean of the end flows is used for the pressure drop")
    drop = _less(p_feed, p_conc)
    found: dict[str, Found] = {
        "permeate_flow": lack
        or combine(
            lambda q, p, f: np.log(normalize.water_permeability(q, p, f, area_m2=area_m2)),
            permeate,
            ndp,
            source.water_factor,
            slopes=lambda y, *x: (1.0 / x[0], -1.0 / x[1], -1.0 / x[2]),
        ),
        "salt_passage": lack
        or combine(
            lambda q, c, a, f: np.log(normalize.salt_permeability(q, c, a, f, area_m2=area_m2)),
            permeate,
            passed,
            at_membrane,
            source.salt_factor,
            slopes=lambda y, *x: (1.0 / x[0], 1.0 / x[1], -1.0 / x[2], -1.0 / x[3]),
        ),
        "pressure_drop": combine(
            lambda d, q, x: np.log(normalize.pressure_drop_coefficient(d, q, x, exponent=exponent)),
            drop,
            by.channel_m3h,
            source.viscosity,
            slopes=lambda y, d, q, x: (1.0 / d, -exponent / q, (exponent - 2.0) / x),
        ),
    }
    inputs: dict[str, Found] = {
        "feed_flow_m3h": feed,
        "permeate_flow_m3h": permeate,
        "concentrate_flow_m3h": _less(feed, permeate),
        "feed_pressure_bar": p_feed,
        "concentrate_pressure_bar": p_conc,
        "permeate_pressure_bar": p_perm,
        "temperature_c": t,
        "feed_mg_l": salt,
        "permeate_mg_l": passed,
        "feed_brine_mg_l": by.average_mg_l,
        "ndp_bar": ndp,
        "recovery": by.recovery,
        "flux_lmh": by.flux_lmh,
    }
    observables = {q: r for q, r in found.items() if isinstance(r, Recipe)}
    if lack is not None:
        extra.append(
            "its permeate flow is computed: that of the train is split as if all stages had the same "
            "water permeability"
        )
    if stages_driving:
        extra.append(
            "flow and passage are those of all stages together; which stage moved cannot be told"
        )
    if "permeate_flow" in observables or "pressure_drop" in observables:
        notes += [f"{title}: {text}" for text in pressures]
    if "permeate_flow" in observables or lack is not None:
        notes += [f"{title}: {text}" for text in extra]
    never = constant(float("nan"))
    recipes = SectionRecipes(
        name=name,
        title=title,
        stages=numbers,
        observables=observables,
        missing={q: r.reason for q, r in found.items() if isinstance(r, Lack)},
        inputs={k: r if isinstance(r, Recipe) else never for k, r in inputs.items()},
        notes=tuple(notes),
    )
    return recipes, by


def _mean(stages: Sequence[Stage], parts: Sequence[Found]) -> Found:
    """Mean over the membrane of several stages."""
    area_m2 = sum(s.area_m2 for s in stages)
    return linear(*((s.area_m2 / area_m2, part) for s, part in zip(stages, parts, strict=True)))


def recipes(
    train: Train, means: Means
) -> tuple[tuple[SectionRecipes, ...], dict[str, Recipe], bool]:
    """Recipes of every section and every balance of a train, sharing what they have in common.

    The third is whether permeate flows of the stages are a split of the train's.
    """
    sources = _Sources(train, means)
    return _sections(train, sources), _balances(sources), bool(sources.shared)


def _sections(train: Train, s: _Sources) -> tuple[SectionRecipes, ...]:
    """Recipes of every stage, and of the train as a whole when it has more than one stage."""
    stages = [
        _section(
            train,
            str(k),
            (k,),
            s,
            feed=s.stage_feed[k],
            permeate=s.permeate[k],
            salt=s.stage_salt[k],
            passed=s.passed[k],
        )
        for k in s.numbers
    ]
    sections = [recipes for recipes, _ in stages]
    if len(s.numbers) > 1:
        whole, _ = _section(
            train,
            "train",
            s.numbers,
            s,
            feed=s.feed,
            permeate=s.train_permeate,
            salt=s.feed_salt,
            passed=s.train_passed,
            stages_driving=[by for _, by in stages] if s.shared else (),
        )
        sections.append(whole)
    return tuple(sections)


def _balances(s: _Sources) -> dict[str, Recipe]:
    """Balances whose every term is measured by an instrument of its own."""
    every_stage = _total(*s.own_permeate.values())
    permeate = first(every_stage, s.measured("permeate_flow"))

    def log(over: Array, under: Array) -> Array:
        return np.asarray(np.log(above_zero(over) / above_zero(under)))

    def ratio(over: Found, under: Found) -> Found:
        return combine(log, over, under, slopes=lambda value, x, y: (1.0 / x, -1.0 / y))

    def salt(f: Array, q: Array, cc: Array, cp: Array, cf: Array) -> Array:
        return log((f - q) * cc + q * cp, f * cf)

    def salt_slopes(
        value: Array, f: Array, q: Array, cc: Array, cp: Array, cf: Array
    ) -> list[Array]:
        out = (f - q) * cc + q * cp
        return [cc / out - 1.0 / f, (cp - cc) / out, (f - q) / out, q / out, -1.0 / cf]

    found: dict[str, Found] = {
        "water": ratio(_total(permeate, s.measured("concentrate_flow")), s.measured("feed_flow")),
        "permeate_flow": ratio(s.measured("permeate_flow"), every_stage),
        "permeate_salt": ratio(
            s.concentration("permeate_conductivity"),
            _mixed(list(s.own_permeate.values()), list(s.own_passed.values())),
        ),
        "salt": combine(
            salt,
            s.feed,
            s.train_permeate,
            s.concentration("concentrate_conductivity"),
            s.train_passed,
            s.concentration("feed_conductivity"),
            slopes=salt_slopes,
        ),
    }
    for k in s.numbers[:-1]:
        found[interstage(k)] = ratio(
            s.measured("feed_pressure", k + 1), s.measured("concentrate_pressure", k)
        )
    return {name: r for name, r in found.items() if isinstance(r, Recipe)}
