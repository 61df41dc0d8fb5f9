"""Recipes: computations from signals that share their steps, with the slopes of each step.

A recipe is a computation with the names of the signals that enter it. What cannot be had is a
`Lack`: the reason in plain words. Both are decided before any data are seen. Values go upward from
the signals; slopes go downward from what is asked for, each step adding its own (reverse
accumulation), so that a derivative by all signals costs little more than the value.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rules.fits import Array

STEP: Final = 2.0**-26
"""Step of a one-sided difference over one elementwise computation, relative above 1 and absolute
below: the root of the machine's precision, so that slopes are right to about 1e-7."""


Slopes = Callable[..., Sequence[Any]]
"""From the value of a step and those of its parts: an array or a number for each part."""


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """One elementwise computation. It broadcasts; with several outputs they are stacked in front.

    slopes : its slopes by each of its parts (with several outputs, of each output), from its value
        and the values of its parts; None: by differences.
    moving : the parts that signals enter, by number.
    """

    function: Callable[..., Array]
    parts: tuple["Recipe", ...]
    slopes: Slopes | None
    moving: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Recipe:
    """A signal (`step` is its name) or an output of a step, and the signals that enter it."""

    signals: frozenset[str]
    step: str | Step
    output: int | None = None
    depth: int = 0

    @property
    def parts(self) -> tuple["Recipe", ...]:
        """The recipes that enter it directly."""
        return () if isinstance(self.step, str) else self.step.parts


@dataclass(frozen=True, slots=True)
class Lack:
    """Why a quantity cannot be had, ready to follow "because"."""

    reason: str


Found = Recipe | Lack


def column(name: str) -> Recipe:
    """The recipe of a signal."""
    return Recipe(frozenset({name}), name)


def constant(value: float) -> Recipe:
    """A number that no signal enters."""
    return Recipe(frozenset(), Step(lambda: np.asarray(value), (), None, ()))


def combine(
    function: Callable[..., Array],
    *parts: Found,
    slopes: Slopes | None = None,
) -> Found:
    """A recipe from others; the first one that is lacking decides the reason."""
    step = _step(function, parts, slopes)
    return step if isinstance(step, Lack) else _output(step, None)


def linear(*terms: tuple[float, Found]) -> Found:
    """Sum of recipes, each times a number."""
    weights = tuple(weight for weight, _ in terms)

    def total(*x: Array) -> Array:
        return np.asarray(sum(w * one for w, one in zip(weights, x, strict=True)))

    return combine(total, *(part for _, part in terms), slopes=lambda value, *x: weights)


def several(
    outputs: int,
    function: Callable[..., Array],
    *parts: Found,
    slopes: Slopes | None = None,
) -> tuple[Found, ...]:
    """Recipes of all outputs of a function that stacks them along a new first axis."""
    step = _step(function, parts, slopes)
    return tuple(step if isinstance(step, Lack) else _output(step, i) for i in range(outputs))


def _step(
    function: Callable[..., Array],
    parts: tuple[Found, ...],
    slopes: Slopes | None,
) -> Step | Lack:
    recipes: list[Recipe] = []
    for part in parts:
        if isinstance(part, Lack):
            return part
        recipes.append(part)
    moving = tuple(i for i, part in enumerate(recipes) if part.signals)
    return Step(function, tuple(recipes), slopes, moving)


def _output(step: Step, output: int | None) -> Recipe:
    signals = frozenset[str]().union(*(part.signals for part in step.parts))
    depth = 1 + max((part.depth for part in step.parts), default=0)
    return Recipe(signals, step, output, depth)


def first(*choices: Found) -> Found:
    """The first choice that can be had, else the reason of the last."""
    for choice in choices:
        if isinstance(choice, Recipe):
            return choice
    return choices[-1]


def downward(recipe: Recipe) -> tuple[Recipe, ...]:
    """A recipe and all that its signals pass on the way to it, each after everything it enters."""
    seen: dict[Recipe, None] = {}
    todo = [recipe]
    while todo:
        one = todo.pop()
        if one not in seen and one.signals:
            seen[one] = None
            todo += one.parts
    return tuple(sorted(seen, key=lambda r: -r.depth))


class Columns:
    """Rows of signals by name, with everything already computed from them.

    columns : signal -> values, all of one shape (rows,).
    slopes : whether every step is differentiated with its value.
    """

    def __init__(self, columns: Mapping[str, Array], rows: int, *, slopes: bool = False) -> None:
        self._columns = columns
        self._rows = rows
        self._differentiate = slopes
        self._values: dict[Step, Array] = {}
        self._slopes: dict[Step, Sequence[Any] | Array] = {}

    def signal(self, name: str) -> Array:
        """Values of a signal, shape (rows,)."""
        return self._columns[name]

    def of(self, recipe: Recipe) -> Array:
        """Value of a recipe, shape (rows,); each step is computed once."""
        step = recipe.step
        if isinstance(step, str):
            return self._columns[step]
        value = self._values.get(step)
        if value is None:
            parts = [self.of(part) for part in step.parts]
            if self._differentiate and recipe.signals and step.slopes is None:
                value = self._both(step, parts)
            else:
                value = step.function(*parts)
                if not step.parts:
                    value = np.full(self._rows, value)
                elif self._differentiate and step.slopes is not None:
                    self._slopes[step] = step.slopes(value, *parts)
            self._values[step] = value
        return value if recipe.output is None else np.asarray(value[recipe.output])

    def _both(self, step: Step, parts: list[Array]) -> Array:
        """Value of a step, and its slope by each part in one call: below the rows, one part moved."""
        moving = step.moving
        moved = list(parts)
        width = np.empty((len(moving), self._rows))
        for j, i in enumerate(moving):
            x = np.empty((len(moving) + 1, self._rows))
            x[:] = parts[i]
            x[j + 1] += STEP * np.maximum(np.abs(parts[i]), 1.0)
            np.subtract(x[j + 1], parts[i], out=width[j])
            moved[i] = x
        found = step.function(*moved)
        value = found[..., 0, :]
        self._slopes[step] = (found[..., 1:, :] - value[..., None, :]) / width
        return np.asarray(value)

    def gradient(self, path: tuple[Recipe, ...]) -> Iterator[tuple[str, Array | float]]:
        """Slope of the first recipe of a `downward` path by each of its signals.

        A slope has shape (rows,), or is one number for all rows.
        """
        self.of(path[0])
        above: dict[Recipe, Array | float] = {path[0]: 1.0}
        for recipe in path:
            slope = above.pop(recipe)
            step = recipe.step
            if isinstance(step, str):
                yield step, slope
                continue
            own = self._slopes[step]
            if recipe.output is not None:
                own = own[recipe.output]
            for j, i in enumerate(step.moving):
                part = step.parts[i]
                share = slope * own[j if step.slopes is None else i]
                above[part] = above[part] + share if part in above else share
