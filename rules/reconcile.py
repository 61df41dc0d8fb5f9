"""Data reconciliation: measured values adjusted until the balances close, and which meter stands in their way.

A meter takes part by its value and its standard uncertainty. A value that is NaN, or whose uncertainty is
not above zero, is not measured in that row: the balances that need it are combined until it has
dropped out, and what is left of them still adjusts and tests the others. Raw values stay as they are.

In units of the meters' standard uncertainties, with the balances that are left made orthonormal, the
adjustment, the global test, the measurement tests and the elimination of a suspect are all projections
on the same few directions; so one meter's column, set beside another's, shows beforehand whether
the balances could ever tell an error of the one from an error of the other.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules.fits import Array
from rules.quantiles import chi2_quantile, sidak_quantile

Flags = NDArray[np.bool_]

LEVEL = 0.05
"""Usual level of the tests of one set of values. [-]"""

_BLOCK = 2048  # rows solved together: temporaries then stay in the processor's cache
_ROUNDS = 50
_CONVERGED = 1e-9  # of the standard uncertainty
_LOST = 1e-6  # of the standard uncertainty: a row that still moves by more has no solution
_NOTHING = 1e-9  # coefficients below this share of their row are rounding errors


@dataclass(frozen=True, slots=True)
class Reconciliation:
    """Values that close the balances, with the evidence. Leading dimensions (...) as those of the values.

    measured : (..., n) as given; NaN where not measured.
    sigma : (..., n) standard uncertainty of `measured`, in its unit; NaN where not measured.
    reconciled : (..., n) adjusted values; NaN where not measured.
    uncertainty : (..., n) standard uncertainty of `reconciled`, never above that of the meter.
    adjustment : (..., n) reconciled - measured.
    estimate, estimate_uncertainty : (..., n) of what is not measured but follows from the balances.
    redundant : (..., n) measured, and the balances would give the value without the meter.
    observable : (..., n) not measured, and `estimate` says what it is. What is neither measured nor
        observable the balances cannot say.
    statistic : (...) global test, chi-square of `dof` degrees of freedom when no meter errs. [-]
    dof : (...) balances that test anything; 0 when none does, and then no test is made.
    test : (..., n) measurement test, |z|, standard normal when no meter errs; NaN unless redundant. [-]
    balance_test : (..., m) |z| of each balance by itself, with the balances added that take the unmeasured
        out of it (`made_of`); NaN where it serves to give something unmeasured, or says nothing new. [-]
    made_of : (..., m, m) which balances went into each of `balance_test`.
    residuals, directions : (..., r), (..., r, n) the balances that are left, orthonormal in units of the
        standard uncertainties; their squared residuals add up to `statistic`. Zeros beyond `dof`. [-]
    """

    measured: Array
    sigma: Array
    reconciled: Array
    uncertainty: Array
    adjustment: Array
    estimate: Array
    estimate_uncertainty: Array
    redundant: Flags
    observable: Flags
    statistic: Array
    dof: NDArray[np.int64]
    test: Array
    balance_test: Array
    made_of: Flags
    residuals: Array
    directions: Array

    def row(self, index: tuple[int, ...] | int) -> "Reconciliation":
        """One set of values out of many."""
        return Reconciliation(*(np.asarray(getattr(self, f.name)[index]) for f in fields(self)))

    def critical(self, level: float = LEVEL) -> Array:
        """(...) critical value of the global test. [-] NaN where there is none."""
        values = {d: chi2_quantile(1.0 - level, d) for d in np.unique(self.dof).tolist() if d > 0}
        return _mapped(self.dof, values)

    def test_critical(self, level: float = LEVEL) -> Array:
        """(...) critical value of each measurement test, all of them together at `level`. [-]"""
        count = np.asarray(self.redundant.sum(axis=-1))
        values = {n: sidak_quantile(level, n) for n in np.unique(count).tolist() if n > 0}
        return _mapped(count, values)

    def detected(self, level: float = LEVEL) -> Flags:
        """(...) whether the global test or any measurement test finds an error."""
        with np.errstate(invalid="ignore"):
            worst = np.where(self.redundant, self.test, 0.0).max(axis=-1, initial=0.0)
            return np.asarray(
                (self.statistic > self.critical(level)) | (worst > self.test_critical(level))
            )


def _mapped(keys: NDArray[np.int64], values: dict[int, float]) -> Array:
    out = np.full(np.shape(keys), np.nan)
    for key, value in values.items():
        out[keys == key] = value
    return out


def linear(balances: ArrayLike, measured: ArrayLike, sigma: ArrayLike) -> Reconciliation:
    """Least adjustment of measured values, in squares over their variances, until ``balances @ x = 0``.

    balances : (m, n), such as +1 for what flows in and -1 for what flows out.
    measured : (..., n); NaN where a value is not measured.
    sigma : broadcasts to `measured`: standard uncertainties, independent, in the unit of `measured`.
    returns : variables in the order of the columns of `balances`.

    Raises ValueError for shapes that do not fit, balances that are not finite, or a negative sigma.
    Source: x = y - V A'(A V A')^-1 A y; what is not measured is eliminated first (Crowe and others
    1983, from memory), by Gauss-Jordan. Checked against tests/reference/data_reconciliation_linear.csv.
    """
    a = np.asarray(balances, dtype=np.float64)
    if a.ndim != 2 or not np.isfinite(a).all():
        raise ValueError(f"balances must be a finite matrix, got shape {a.shape}")
    y, s = _given(measured, sigma, a.shape[1])

    def solve(v: Array, e: Array, known: Flags) -> _Solution:
        rows = np.broadcast_to(a, (len(v), *a.shape))
        left = _eliminated(
            rows[..., ~known], rows[..., known], np.zeros((len(v), len(a))), e[:, known]
        )
        return _projected(left, v[:, known], e[:, known], np.zeros((len(v), int((~known).sum()))))

    return _by_pattern(y, s, len(a), solve)


def bilinear(
    incidence: ArrayLike,
    flow: ArrayLike,
    flow_sigma: ArrayLike,
    concentration: ArrayLike,
    concentration_sigma: ArrayLike,
) -> Reconciliation:
    """Reconciliation of flows and concentrations with the balances of water and salt at every node.

    incidence : (nodes, streams), +1 where a stream enters a node, -1 where it leaves, else 0.
    flow, concentration : (..., streams), NaN where not measured. [m3/h and mg/L, or any other pair]
    flow_sigma, concentration_sigma : broadcast to those. Standard uncertainties, independent.
    returns : 2 * streams variables, flows first, and 2 * nodes balances, water first. The estimate of a
        concentration that is not measured is only given where the flow of its stream is known.
        NaN throughout a row for which no solution is found.

    The volumes of streams are taken as additive. Source: successive linearization about the last solution, to 1e-9
    of the standard uncertainties; Narasimhan and Jordache 2000, from memory. The statistic is chi-square only as
    far as the errors are small. Checked against tests/reference/data_reconciliation_bilinear.csv.
    """
    a = np.asarray(incidence, dtype=np.float64)
    if a.ndim != 2 or not np.isfinite(a).all():
        raise ValueError(f"incidence must be a finite matrix, got shape {a.shape}")
    streams = a.shape[1]
    q, qs = _given(flow, flow_sigma, streams)
    c, cs = _given(concentration, concentration_sigma, streams)
    q, qs, c, cs = (np.array(x) for x in np.broadcast_arrays(q, qs, c, cs))
    return _by_pattern(
        np.concatenate([q, c], axis=-1),
        np.concatenate([qs, cs], axis=-1),
        2 * len(a),
        lambda v, e, known: _bilinear(a, v, e, known),
    )


def _given(values: ArrayLike, sigma: ArrayLike, n: int) -> tuple[Array, Array]:
    v, s = np.asarray(values, dtype=np.float64), np.asarray(sigma, dtype=np.float64)
    if v.ndim == 0 or v.shape[-1] != n:
        raise ValueError(f"{n} values are needed along the last dimension, got shape {v.shape}")
    if (s < 0.0).any():
        raise ValueError("a standard uncertainty is below zero")
    s = np.broadcast_to(s, v.shape)
    usable = np.isfinite(v) & np.isfinite(s) & (s > 0.0)
    return np.where(usable, v, np.nan), np.where(usable, s, np.nan)


@dataclass(slots=True)
class _Left:
    """Balances after elimination of what is not measured; a leading dimension of rows.

    matrix, constant : (rows, k, n), (rows, k) of ``matrix @ x = constant`` on the measured alone.
    which : the balance that each came of. made_of : (k, m) the balances in it.
    pivots : (unmeasured, balance) pairs that give an unmeasured by the measured and the free.
    solved, solved_free, solved_constant : (rows, p, n), (rows, p, free), (rows, p): u = constant - ... x - ... free.
    free : unmeasured that no balance gives.
    """

    matrix: Array
    constant: Array
    which: list[int]
    made_of: Flags
    pivots: list[int]
    free: list[int]
    solved: Array
    solved_free: Array
    solved_constant: Array


@dataclass(slots=True)
class _Solution:
    """Of the rows of one pattern: measured and unmeasured by position among their own kind."""

    x: Array
    leverage: Array
    residuals: Array
    directions: Array
    u: Array
    u_sigma: Array
    balance_test: Array
    left: _Left


def _eliminated(b: Array, a: Array, constant: Array, sigma: Array) -> _Left:
    """Gauss-Jordan on ``b u + a x = constant``; pivots are chosen once, for all rows of the block."""
    rows, m, k = b.shape
    n = a.shape[-1]
    work = np.concatenate([b, a, constant[..., None], np.zeros((rows, m, m))], axis=-1)
    # Balances of water and of salt have different units: each counts by its largest coefficient.
    scale = np.abs(work[..., : k + n]).max(axis=(0, 2), initial=1e-300)
    work /= scale[:, None]
    work[:, np.arange(m), k + n + 1 + np.arange(m)] = 1.0
    free_rows = list(range(m))
    pivots: list[int] = []
    pivot_rows: list[int] = []
    free: list[int] = []
    for j in range(k):
        typical = np.median(np.abs(work[:, :, j]), axis=0)
        best = max(free_rows, key=lambda i: typical[i], default=None)
        if best is None or typical[best] <= _NOTHING:
            free.append(j)
            continue
        work[:, best] /= work[:, best, j, None]
        for i in range(m):
            if i != best and np.any(work[:, i, j]):
                work[:, i] -= work[:, i, j, None] * work[:, best]
        pivots.append(j)
        pivot_rows.append(best)
        free_rows.remove(best)
    matrix = work[..., k : k + n]
    tests = matrix[:, free_rows]
    kept = _independent(np.where(np.abs(tests) > _NOTHING, tests, 0.0) * sigma[:, None, :])
    which = [free_rows[i] for i in kept]
    composition = np.median(np.abs(work[..., k + n + 1 :]), axis=0)
    return _Left(
        matrix=matrix[:, which],
        constant=work[:, which, k + n],
        which=which,
        made_of=composition[which] > _NOTHING,
        pivots=pivots,
        free=free,
        solved=matrix[:, pivot_rows],
        solved_free=work[:, pivot_rows][..., free],
        solved_constant=work[:, pivot_rows, k + n],
    )


def _independent(scaled: Array) -> list[int]:
    """Balances that say something that those before them do not, judged at the typical row."""
    basis: list[Array] = []
    kept: list[int] = []
    for i, row in enumerate(np.median(scaled, axis=0)):
        rest = row.copy()
        for direction in basis + basis:  # twice, because once leaves rounding errors
            rest -= direction * (direction @ rest)
        size = float(np.linalg.norm(rest))
        if size > math.sqrt(_NOTHING) * float(np.linalg.norm(row)):
            basis.append(rest / size)
            kept.append(i)
    return kept


def _projected(left: _Left, y: Array, sigma: Array, guess: Array) -> _Solution:
    """Least adjustment on the balances that are left. guess : (rows, k) for the free unmeasured."""
    scaled = left.matrix * sigma[:, None, :]
    miss = np.einsum("rkn,rn->rk", left.matrix, y) - left.constant
    with np.errstate(all="ignore"):
        spread = np.linalg.norm(scaled, axis=-1)
        balance_test = np.abs(miss) / spread
        # Rows of the same size: the factorization then loses no digits between water and salt.
        even = scaled / spread[..., None]
        miss = miss / spread
    good = np.isfinite(even).all(axis=(1, 2)) & np.isfinite(miss).all(axis=1)
    square = even @ even.transpose(0, 2, 1)
    square[~good] = np.eye(square.shape[1])
    # In a row far off the typical one, balances that usually differ may say the same: no solution.
    good[good] = np.linalg.eigvalsh(square[good]).min(axis=-1, initial=1.0) > _NOTHING
    square[~good] = np.eye(square.shape[1])
    both = np.concatenate([even, miss[..., None]], axis=-1)
    both[~good] = 0.0
    both = np.linalg.solve(np.linalg.cholesky(square), both)
    both[~good] = np.nan
    directions, t = both[..., :-1], both[..., -1]
    x = y - sigma * np.einsum("rkn,rk->rn", directions, t)
    u = guess.copy()
    u_sigma = np.full_like(guess, np.nan)
    if left.pivots:
        u[:, left.pivots] = (
            left.solved_constant
            - np.einsum("rpn,rn->rp", left.solved, x)
            - np.einsum("rpf,rf->rp", left.solved_free, guess[:, left.free])
        )
        share = left.solved * sigma[:, None, :]
        inside = np.einsum("rpn,rkn->rpk", share, directions)
        u_sigma[:, left.pivots] = np.sqrt(
            np.maximum((share**2).sum(axis=-1) - (inside**2).sum(axis=-1), 0.0)
        )
        tied = [
            p
            for i, p in enumerate(left.pivots)
            if (np.median(np.abs(left.solved_free[:, i]), axis=0) > _NOTHING).any()
        ]
        u_sigma[:, tied] = np.nan
    leverage = np.einsum("rkn,rkn->rn", directions, directions)
    return _Solution(x, leverage, t, directions, u, u_sigma, balance_test, left)


def _bilinear(a: Array, v: Array, e: Array, known: Flags) -> _Solution:
    """Rows of one pattern of what is measured; flows and concentrations linearized about the last solution."""
    streams = a.shape[1]
    salts = np.abs(v[:, streams:][:, known[streams:]])
    # Concentrations of about one: pivots of water and salt can then be compared.
    size = float(np.median(salts)) if salts.size and np.median(salts) > 0.0 else 1.0
    unit = np.concatenate([np.ones(streams), np.full(streams, size)])
    y, sigma = (v / unit)[:, known], (e / unit)[:, known]
    flow_known = known[:streams]
    current = np.where(known, v / unit, 1.0)
    guess = -np.linalg.pinv(a[:, ~flow_known]) @ a[:, flow_known]
    current[:, np.flatnonzero(~flow_known)] = current[:, :streams][:, flow_known] @ guess.T
    none = np.zeros((len(v), *a.shape))
    water = np.concatenate([np.broadcast_to(a, none.shape), none], axis=-1)
    for _ in range(_ROUNDS):
        q, c = current[:, :streams], current[:, streams:]
        salt = np.concatenate([a * c[:, None], a * q[:, None]], axis=-1)
        slope = np.concatenate([water, salt], axis=1)
        constant = np.concatenate([np.zeros((len(v), len(a))), (q * c) @ a.T], axis=1)
        with np.errstate(all="ignore"):
            left = _eliminated(slope[..., ~known], slope[..., known], constant, sigma)
            found = _projected(left, y, sigma, current[:, ~known])
            moved = np.abs((found.x - current[:, known]) / sigma).max(axis=1, initial=0.0)
        current[:, known], current[:, ~known] = found.x, found.u
        if not (moved > _CONVERGED).any():
            break
    bad = ~(moved <= _LOST)
    found.x *= unit[known]
    found.u *= unit[~known]
    found.u_sigma *= unit[~known]
    for array in (found.x, found.leverage, found.residuals, found.directions, found.u_sigma):
        array[bad] = np.nan
    found.balance_test[bad] = np.nan
    return found


def _by_pattern(
    y: Array, sigma: Array, balances: int, solve: Callable[[Array, Array, Flags], _Solution]
) -> Reconciliation:
    """Solve the rows together that measure the same, and put the results where they belong."""
    shape, n = y.shape[:-1], y.shape[-1]
    rows = math.prod(shape)
    v, e = y.reshape(rows, n), sigma.reshape(rows, n)
    out = {
        name: np.full((rows, n), np.nan)
        for name in ("reconciled", "uncertainty", "estimate", "estimate_uncertainty", "test")
    }
    redundant, observable = np.zeros((2, rows, n), dtype=bool)
    dof = np.zeros(rows, dtype=np.int64)
    balance_test = np.full((rows, balances), np.nan)
    made_of = np.zeros((rows, balances, balances), dtype=bool)
    residuals = np.zeros((rows, balances))
    directions = np.zeros((rows, balances, n))
    patterns, place = np.unique(np.isfinite(v), axis=0, return_inverse=True)
    blocks = [
        (known, rows_of[start : start + _BLOCK])
        for number, known in enumerate(patterns)
        for rows_of in [np.flatnonzero(place.reshape(-1) == number)]
        for start in range(0, len(rows_of), _BLOCK)
    ]
    for known, here in blocks:
        found = solve(v[here], e[here], known)
        measured, lost = np.flatnonzero(known), np.flatnonzero(~known)
        which = np.array(found.left.which, dtype=np.int64)
        share, count = found.leverage, found.directions.shape[1]
        s = e[here][:, measured]
        tells = share > _NOTHING
        with np.errstate(invalid="ignore", divide="ignore"):
            test = np.abs(np.einsum("rkn,rk->rn", found.directions, found.residuals))
            test = np.where(tells, test / np.sqrt(share), np.nan)
        at = np.ix_(here, measured)
        out["reconciled"][at] = found.x
        out["uncertainty"][at] = s * np.sqrt(np.maximum(1.0 - share, 0.0))
        out["test"][at] = test
        redundant[at] = tells
        at = np.ix_(here, lost)
        seen = np.isfinite(found.u_sigma)
        out["estimate"][at] = np.where(seen, found.u, np.nan)
        out["estimate_uncertainty"][at] = found.u_sigma
        observable[at] = seen
        dof[here] = count
        balance_test[np.ix_(here, which)] = found.balance_test
        made_of[np.ix_(here, which)] = found.left.made_of
        residuals[here, :count] = found.residuals
        directions[np.ix_(here, np.arange(count), measured)] = found.directions
    # A row without a solution has NaN residuals; one without a test has no statistic.
    statistic = np.where(dof > 0, (residuals**2).sum(axis=-1), np.nan)

    def shaped(array: NDArray[Any]) -> NDArray[Any]:
        return array.reshape((*shape, *array.shape[1:]))

    return Reconciliation(
        measured=shaped(v),
        sigma=shaped(e),
        reconciled=shaped(out["reconciled"]),
        uncertainty=shaped(out["uncertainty"]),
        adjustment=shaped(out["reconciled"] - v),
        estimate=shaped(out["estimate"]),
        estimate_uncertainty=shaped(out["estimate_uncertainty"]),
        redundant=shaped(redundant),
        observable=shaped(observable),
        statistic=shaped(statistic),
        dof=shaped(dof),
        test=shaped(out["test"]),
        balance_test=shaped(balance_test),
        made_of=shaped(made_of),
        residuals=shaped(residuals),
        directions=shaped(directions),
    )
