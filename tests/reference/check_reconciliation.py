"""Data reconciliation against published examples, and its quantiles against a general library."""

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from rules import quantiles, reconcile
from rules.reconcile import Reconciliation
from rules.suspects import judge
from tests.reference.checks import check, relative
from tests.reference.tables import rows

LINEAR = "data_reconciliation_linear.csv"
BILINEAR = "data_reconciliation_bilinear.csv"
TEXTBOOK = "Narasimhan and Jordache, Data Reconciliation and Gross Error Detection, 2000"

BALANCES = {
    # A splitter, the two branches through the exchanger and its bypass valve, and a mixer.
    "NJ-bypass": [
        [1, -1, -1, 0, 0, 0],
        [0, 1, 0, -1, 0, 0],
        [0, 0, 1, 0, -1, 0],
        [0, 0, 0, 1, 1, -1],
    ],
    "RO-1stage": [[1, -1, -1]],
    # Qf, Qp1, Qc1, Qp2, Qc2, Qpt: two stages and the permeate header.
    "RO-2stage": [[1, -1, -1, 0, 0, 0], [0, 0, 1, -1, -1, 0], [0, 1, 0, 1, 0, -1]],
}  # fmt: skip
WHO = {"NJ-bypass-bias4": "s2", "RO-2stage-bias": "Qc1"}
"""The meter that was put in error, by the descriptions of the table."""


def _balances(example: str) -> list[list[int]]:
    return next(a for name, a in BALANCES.items() if example.startswith(name))


def _examples(table: str) -> Iterator[tuple[str, dict[str, list[str]]]]:
    """Name and columns of every example of a table."""
    every = rows(table)
    for name in dict.fromkeys(row["example"] for row in every):
        mine = [row for row in every if row["example"] == name]
        yield name, {column: [row[column] for row in mine] for column in mine[0]}


def _numbers(texts: list[str]) -> NDArray[np.float64]:
    return np.array([float(x) for x in texts])


def _linear() -> Iterator[tuple[str, dict[str, list[str]], Reconciliation]]:
    for name, columns in _examples(LINEAR):
        found = reconcile.linear(
            _balances(name), _numbers(columns["measured"]), _numbers(columns["sigma"])
        )
        yield name, columns, found


def _bilinear() -> Iterator[tuple[str, dict[str, list[str]], Reconciliation]]:
    for name, columns in _examples(BILINEAR):
        (flow, salt), (flow_sigma, salt_sigma) = (
            _numbers(columns[c]).reshape(2, 3) for c in ("measured", "sigma")
        )
        found = reconcile.bilinear([[1, -1, -1]], flow, flow_sigma, salt, salt_sigma)
        yield name, columns, found


def _compared(
    every: Callable[[], Iterator[tuple[str, dict[str, list[str]], Reconciliation]]],
    got: Callable[[Reconciliation], ArrayLike],
    *columns: str,
) -> ArrayLike:
    return np.concatenate(
        [
            relative(np.broadcast_to(got(one), len(table[column])), _numbers(table[column]))
            for _, table, one in every()
            for column in columns
        ]
    )


@check(
    "Linear reconciliation: reconciled values",
    source=TEXTBOOK,
    status="computed",
    tolerance=1e-4,
    table=LINEAR,
)
def linear_values() -> ArrayLike:
    """Every reconciled flow; the two textbook sets are from memory."""
    return _compared(_linear, lambda one: one.reconciled, "reconciled")


@check(
    "Linear reconciliation: adjustments",
    source=TEXTBOOK,
    status="computed",
    tolerance=1e-4,
    table=LINEAR,
)
def linear_adjustments() -> ArrayLike:
    """Every adjustment."""
    return _compared(_linear, lambda one: one.adjustment, "adjustment")


@check(
    "Linear reconciliation: measurement tests",
    source="Mah and Tamhane 1982, in " + TEXTBOOK,
    status="computed",
    tolerance=1e-4,
    table=LINEAR,
)
def linear_tests() -> ArrayLike:
    """On the adjustments and of maximum power: the same, for independent meters."""
    return _compared(_linear, lambda one: one.test, "z_a", "z_d")


@check(
    "Linear reconciliation: global test",
    source=TEXTBOOK,
    status="computed",
    tolerance=1e-4,
    table=LINEAR,
)
def linear_global() -> ArrayLike:
    """Statistic and critical value, 16.67 against 9.49 for the textbook's bypass."""
    return np.concatenate(
        [
            _compared(_linear, lambda one: one.statistic, "global_test"),
            _compared(_linear, lambda one: one.critical(0.05), "chi2_crit_95"),
            _compared(_linear, lambda one: one.dof, "dof"),
        ]
    )


@check(
    "Linear reconciliation: Sidak critical values",
    source="Mah and Tamhane 1982",
    status="computed",
    tolerance=1e-6,
    table=LINEAR,
)
def linear_sidak() -> ArrayLike:
    """Of all measurement tests of a set together, at 5 %."""
    return _compared(_linear, lambda one: one.test_critical(0.05), "z_crit_sidak_95")


@check(
    "Linear reconciliation: who is found",
    source=TEXTBOOK,
    status="computed",
    tolerance=0,
    measure="mismatches",
    table=LINEAR,
)
def linear_found() -> ArrayLike:
    """Error or none by the global test, and the one meter that was put in error, without a rival."""
    wrong = 0
    for name, table, one in _linear():
        verdict = judge(one, 0.05)
        wrong += (verdict.statistic > verdict.critical) != (table["gross_error_flag"][0] == "true")
        found = [table["variable"][i] for s in verdict.suspects for i in s.group + s.rivals]
        wrong += found != [WHO[name]] if name in WHO else verdict.detected
    return wrong


@check(
    "One balance cannot say which meter",
    source="REFERENCE section 9, example RO-1stage-ok",
    status="computed",
    tolerance=1e-12,
    table=LINEAR,
)
def one_balance() -> ArrayLike:
    """All measurement tests are equal, and an error of any size is laid to all three meters alike."""
    name, table, one = next(e for e in _linear() if e[0].startswith("RO-1stage"))
    off = _numbers(table["measured"]) * [1.0, 1.1, 1.0]
    verdict = judge(reconcile.linear(_balances(name), off, _numbers(table["sigma"])), 0.05)
    blamed = [s.group for s in verdict.suspects] == [(0, 1, 2)] and not verdict.located
    return np.append(one.test / one.test[0] - 1.0, 0.0 if blamed else 1.0)


@check(
    "Bilinear reconciliation: values and adjustments",
    source="weighted least squares with flow and component balances",
    status="computed",
    tolerance=1e-4,
    table=BILINEAR,
)
def bilinear_values() -> ArrayLike:
    """Flows and concentrations of one stage. The adjustments have the digits of the table."""
    return np.concatenate(
        [
            _compared(_bilinear, lambda one: one.reconciled, "reconciled"),
            _compared(_bilinear, lambda one: one.adjustment, "adjustment"),
        ]
    )


@check(
    "Bilinear reconciliation: global test",
    source="weighted least squares with flow and component balances",
    status="computed",
    tolerance=1e-4,
    table=BILINEAR,
)
def bilinear_global() -> ArrayLike:
    """Objective, degrees of freedom, critical value, and whether an error is seen."""
    seen = [
        float((one.statistic > one.critical(0.05)) != (table["gross_error_flag"][0] == "true"))
        for _, table, one in _bilinear()
    ]
    return np.concatenate(
        [
            _compared(_bilinear, lambda one: one.statistic, "objective_J"),
            _compared(_bilinear, lambda one: one.critical(0.05), "chi2_crit_95"),
            _compared(_bilinear, lambda one: one.dof, "dof"),
            seen,
        ]
    )


LEVELS = (0.5, 0.9, 0.95, 0.99, 0.999, 0.99999)


@check(
    "Quantiles of chi-square",
    source="scipy.stats",
    status="computed",
    tolerance=1e-9,
)
def chi2_quantiles() -> ArrayLike:
    """1 to 30 degrees of freedom."""
    levels = np.array([0.01, 0.5, 0.9, 0.95, 0.99, 0.999, 0.99999])
    return np.concatenate(
        [
            relative(
                [quantiles.chi2_quantile(p, d) for p in levels.tolist()], stats.chi2.ppf(levels, d)
            )
            for d in range(1, 31)
        ]
    )


@check(
    "Sidak critical values, 1 to 40 tests",
    source="scipy.stats",
    status="computed",
    tolerance=1e-9,
)
def sidak_quantiles() -> ArrayLike:
    """At 20 %, 5 %, 0.1 % and 1e-6."""
    return np.concatenate(
        [
            relative(
                quantiles.sidak_quantile(level, n),
                stats.norm.isf((1.0 - (1.0 - level) ** (1.0 / n)) / 2.0),
            )
            for level in (0.2, 0.05, 0.001, 1e-6)
            for n in (1, 2, 3, 10, 40)
        ]
    )


@check(
    "Tail of chi-square",
    source="scipy.stats",
    status="computed",
    tolerance=1e-9,
)
def chi2_tails() -> ArrayLike:
    """From far below to far above its mean."""
    x = np.array([0.01, 0.5, 1.0, 3.0, 10.0, 30.0, 100.0])
    return np.concatenate(
        [
            relative([quantiles.chi2_tail(v, d) for v in x.tolist()], stats.chi2.sf(x, d))
            for d in (1, 2, 3, 4, 5, 10, 25)
        ]
    )
