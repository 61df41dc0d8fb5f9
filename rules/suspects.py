"""Suspects: which meter stands in the way of the balances, or among which it must be one."""

import math
from dataclasses import dataclass

import numpy as np

from rules.fits import Array
from rules.quantiles import chi2_quantile, chi2_tail, sidak_quantile
from rules.reconcile import LEVEL, Reconciliation

ALIKE = 0.01
"""Two meters are alike when less than this share of the one's squared test could not come of the other: an
error that shows with 10 standard deviations then leaves 1 to tell them apart. [-]"""

RIVAL = 3.841
"""A meter that explains the balances worse than the best one by less than this in squared tests is
a rival: chi-square of one degree of freedom at 5 %, a likelihood ratio of 7. [-]"""

MOST_SUSPECTS = 2
"""Errors that are looked for in one set of values; with more, the balances of a train say no more who."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """One error that the balances show, and whose it may be. Variables by their number.

    group : meters that the balances cannot tell apart, one of which is in error; ordered.
    rivals : others that would explain the same values nearly as well this time.
    test, critical : measurement test of the group and its critical value. [-]
    error, error_uncertainty : for each of `group`, how much it reads too much if it is the one, in its unit.
    """

    group: tuple[int, ...]
    rivals: tuple[int, ...]
    test: float
    critical: float
    error: tuple[float, ...]
    error_uncertainty: tuple[float, ...]

    @property
    def located(self) -> bool:
        """Whether it can only be one meter."""
        return len(self.group) == 1 and not self.rivals


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the tests of one set of values say, at `level`.

    statistic, dof, critical, tail : global test with all meters; `tail` the probability of a larger statistic
        when no meter errs. [-] NaN when nothing can be tested.
    detected : something is wrong. suspects : one for each error that was eliminated, the largest first;
        empty when no single meter stands out.
    left, left_dof : statistic and degrees of freedom without the suspects.
    explained : without the suspects the tests find nothing more.
    """

    level: float
    statistic: float
    dof: int
    critical: float
    tail: float
    detected: bool
    suspects: tuple[Suspect, ...]
    left: float
    left_dof: int
    explained: bool

    @property
    def located(self) -> bool:
        """Whether every error has been traced to one meter."""
        return (
            self.detected
            and self.explained
            and bool(self.suspects)
            and all(s.located for s in self.suspects)
        )


def alike(one: Reconciliation) -> tuple[tuple[int, ...], ...]:
    """Groups of two or more meters of one row that no error can tell apart: their columns are parallel."""
    left = set(np.flatnonzero(one.redundant).tolist())
    groups = []
    while left:
        first = min(left)
        group = _alike(one.directions, first, left)
        left -= set(group)
        if len(group) > 1:
            groups.append(group)
    return tuple(groups)


def _alike(directions: Array, best: int, among: set[int]) -> tuple[int, ...]:
    """All of `among` whose column is parallel to that of `best`, which is one of them."""
    size = np.linalg.norm(directions, axis=0)
    cosine = directions.T @ directions[:, best]
    return tuple(
        i
        for i in sorted(among)
        if i == best or cosine[i] ** 2 >= (1.0 - ALIKE) * (size[i] * size[best]) ** 2
    )


def judge(one: Reconciliation, level: float = LEVEL, *, positive: bool = False) -> Verdict:
    """Serial elimination: the meter that explains most is taken out, then the rest is tested again.

    one : a single row. level : of the global test, and of all measurement tests together.
    positive : no true value can be below zero, so that a meter which would then have to read less than its
        error is no suspect, unless it is the only one.
    Stops when no test finds anything, when no measurement test exceeds its critical value, after
    `MOST_SUSPECTS`, or when no balance is left to test with. Meters that the balances cannot tell
    apart are taken out together (they share one direction) and named together.

    Source: measurement test and serial elimination; Narasimhan and Jordache, Data Reconciliation and
    Gross Error Detection, 2000; Mah and Tamhane 1982; both from memory. For independent meters the test of a meter
    squared is what the global statistic falls by without it.
    """
    if one.statistic.ndim:
        raise ValueError("judge takes a single row; use Reconciliation.row")
    detected = bool(one.detected(level))
    dof, statistic = int(one.dof), float(one.statistic)
    t, n = one.residuals.copy(), one.directions.copy()
    among = set(np.flatnonzero(one.redundant).tolist())
    suspects: list[Suspect] = []
    left, left_dof, wrong = statistic, dof, detected
    while wrong and among and left_dof > 0 and len(suspects) < MOST_SUSPECTS:
        order = sorted(among)
        size = np.linalg.norm(n[:, order], axis=0)
        tests = np.abs(n[:, order].T @ t) / size
        best = order[int(np.argmax(tests))]
        critical = sidak_quantile(level, len(order))
        # All tests at once may find what no single meter explains: then none is named.
        if not tests.max() > critical:
            break
        group = _alike(n, best, among)
        near = tests**2 > tests.max() ** 2 - RIVAL
        others = [i for i, r in zip(order, near, strict=True) if r and i not in group]
        error = {i: float(one.sigma[i] * (n[:, i] @ t) / (n[:, i] @ n[:, i])) for i in order}
        able = {i for i in (*group, *others) if not positive or one.measured[i] > error[i]}
        named = tuple(i for i in group if i in able) or group
        suspects.append(
            Suspect(
                group=named,
                rivals=tuple(i for i in others if i in able),
                test=float(tests.max()),
                critical=critical,
                error=tuple(error[i] for i in named),
                error_uncertainty=tuple(
                    float(one.sigma[i] / np.linalg.norm(n[:, i])) for i in named
                ),
            )
        )
        along = n[:, best] / np.linalg.norm(n[:, best])
        t -= along * (along @ t)
        n -= np.outer(along, along @ n)
        left, left_dof = float(t @ t), left_dof - 1
        whole = np.linalg.norm(one.directions, axis=0)
        among = {
            i for i in among - set(group) if np.linalg.norm(n[:, i]) > math.sqrt(ALIKE) * whole[i]
        }
        wrong = left_dof > 0 and left > chi2_quantile(1.0 - level, left_dof)
    return Verdict(
        level=level,
        statistic=statistic,
        dof=dof,
        critical=float(one.critical(level)),
        tail=chi2_tail(statistic, dof) if dof else math.nan,
        detected=detected,
        suspects=tuple(suspects),
        left=left,
        left_dof=left_dof,
        explained=not wrong,
    )
