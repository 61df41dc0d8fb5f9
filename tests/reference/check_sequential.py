"""CUSUM, EWMA, their run lengths, Theil-Sen and Mann-Kendall against handbook examples and general libraries."""

from dataclasses import replace
from itertools import groupby

import numpy as np
from numpy.typing import ArrayLike

from rules import runlength, slopes
from rules.sequential import Cusum, CusumRun, Ewma, EwmaRun
from tests.reference.checks import absolute, check, relative
from tests.reference.tables import columns, rows

CUSUM = "cusum_examples.csv"
EWMA = "ewma_examples.csv"
CUSUM_ARL = "cusum_arl.csv"
EWMA_ARL = "ewma_arl.csv"
SLOPES = "theil_sen_mann_kendall.csv"

NIST = Cusum(0.3175, 4.1959)
LUCAS_CROSIER = {
    "LucasCrosier-noFIR-k0.5-h5": Cusum(0.5, 5.0),
    "LucasCrosier-FIR2.5-k0.5-h5": Cusum(0.5, 5.0, head_start=2.5),
}


def _column(table: list[dict[str, str]], name: str) -> np.ndarray:
    return np.array([float(row[name]) if row[name] else np.nan for row in table])


def _examples(name: str) -> dict[str, list[dict[str, str]]]:
    """Rows of each example of a table, in order of time."""
    table = sorted(rows(name), key=lambda row: (row["example"], int(row["i"])))
    return {example: list(part) for example, part in groupby(table, lambda row: row["example"])}


def _charts() -> list[tuple[str, list[dict[str, str]], CusumRun]]:
    found = []
    for example, table in _examples(CUSUM).items():
        chart = NIST if example == "NIST-6.3.2.3" else LUCAS_CROSIER[example]
        # The example gives the head start to the upper sum only.
        begin = replace(chart.begin(), low=np.zeros(()))
        found.append((example, table, chart.run(_column(table, "x_minus_target"), begin)))
    return found


@check(
    "CUSUM, handbook example, upper, lower and plain sum",
    source="NIST/SEMATECH e-Handbook 6.3.2.3",
    status="from memory",
    tolerance=0.005,
    measure="absolute",
    table=CUSUM,
)
def cusum_handbook() -> ArrayLike:
    """Sums after each sample; the deviations are x − 325, the plain sum is theirs."""
    [(table, run)] = [(t, r) for name, t, r in _charts() if name == "NIST-6.3.2.3"]
    x = _column(table, "x") - 325.0
    return np.concatenate(
        [
            absolute(x, _column(table, "x_minus_target")),
            absolute(np.cumsum(x), _column(table, "cusum")),
            absolute(run.high, _column(table, "S_hi")),
            absolute(run.low, _column(table, "S_lo")),
        ]
    )


@check(
    "CUSUM with and without head start, upper and lower sum",
    source="Lucas and Crosier (1982), fast initial response",
    status="read",
    tolerance=0.05,
    measure="absolute",
    table=CUSUM,
)
def cusum_head_start() -> ArrayLike:
    """Sums after each sample, from 0 and from half the limit."""
    found = []
    for name, table, run in _charts():
        if name in LUCAS_CROSIER:
            found.append(absolute(run.high, _column(table, "S_hi")))
            found.append(absolute(run.low, _column(table, "S_lo")))
    return np.concatenate(found)


@check(
    "CUSUM, samples that signal",
    source="NIST/SEMATECH e-Handbook 6.3.2.3; Lucas and Crosier (1982)",
    status="mixed",
    tolerance=0.0,
    measure="mismatches",
    table=CUSUM,
)
def cusum_signals() -> ArrayLike:
    """A signal where the source has one, and nowhere else."""
    return [
        np.sum(run.signal != np.array([row["signal"] == "true" for row in table]))
        for _, table, run in _charts()
    ]


def _ewma() -> tuple[list[dict[str, str]], Ewma, EwmaRun]:
    [table] = _examples(EWMA).values()
    chart = Ewma(float(table[0]["lambda"]), 3.0, float(table[0]["sigma"]))
    return table, chart, chart.run(_column(table, "x") - _column(table, "target"))


@check(
    "EWMA, handbook example, means, first and final limits",
    source="NIST/SEMATECH e-Handbook 6.3.2.4",
    status="mixed",
    tolerance=0.005,
    measure="absolute",
    table=EWMA,
)
def ewma_handbook() -> ArrayLike:
    """Weighted mean and limits after each sample; the final limits are those after very many."""
    table, chart, run = _ewma()
    target = _column(table, "target")
    final = chart.limit(chart.run(np.zeros(2000)).state)
    return np.concatenate(
        [
            absolute(target + run.mean, _column(table, "z")),
            absolute(target + run.limit, _column(table, "ucl_exact")),
            absolute(target - run.limit, _column(table, "lcl_exact")),
            absolute(target + final, _column(table, "ucl_asym")),
            absolute(target - final, _column(table, "lcl_asym")),
        ]
    )


@check(
    "EWMA, samples that signal at the final limits",
    source="NIST/SEMATECH e-Handbook 6.3.2.4",
    status="mixed",
    tolerance=0.0,
    measure="mismatches",
    table=EWMA,
)
def ewma_signals() -> ArrayLike:
    """None, in the source and here."""
    table, chart, run = _ewma()
    final = float(chart.limit(chart.run(np.zeros(2000)).state))
    expected = np.array([row["signal"] == "true" for row in table])
    return [np.sum((np.abs(run.mean) > final) != expected)]


@check(
    "CUSUM average run length, one and two sums, head start, single samples",
    source="Page (1954), integral equation",
    status="computed",
    tolerance=0.005,
    table=CUSUM_ARL,
)
def cusum_arl() -> ArrayLike:
    """Every row; a limit on single samples is a CUSUM with reference 3 and limit 0."""
    found = []
    for row in rows(CUSUM_ARL):
        k, h, shift = (float(row[c]) for c in ("k", "h", "shift_sigma"))
        got = [
            runlength.cusum_arl(shift, reference=k, limit=h, two_sided=False),
            runlength.cusum_arl(shift, reference=k, limit=h),
            runlength.cusum_arl(shift, reference=k, limit=h, head_start=h / 2.0, two_sided=False),
            runlength.cusum_arl(shift, reference=3.0, limit=0.0),
        ]
        wanted = ("arl_one_sided", "arl_two_sided", "arl_one_sided_fir_h2", "arl_shewhart3")
        found.append(relative(got, [float(row[c]) for c in wanted]))
    return np.concatenate(found)


@check(
    "CUSUM average run length, handbook table",
    source="NIST/SEMATECH e-Handbook 6.3.2.3.1 (one-sided at no shift, two-sided else)",
    status="from memory",
    tolerance=0.005,
    table=CUSUM_ARL,
)
def cusum_arl_handbook() -> ArrayLike:
    """The values that the handbook prints, to three digits."""
    found = []
    for row in rows(CUSUM_ARL):
        if row["nist_table"]:
            k, h, shift = (float(row[c]) for c in ("k", "h", "shift_sigma"))
            got = runlength.cusum_arl(shift, reference=k, limit=h, two_sided=shift != 0.0)
            found.append(relative(got, float(row["nist_table"])))
    return np.concatenate(found)


@check(
    "EWMA average run length",
    source="Crowder (1987), integral equation",
    status="computed",
    tolerance=0.005,
    table=EWMA_ARL,
)
def ewma_arl() -> ArrayLike:
    """Every row."""
    table = columns(EWMA_ARL)
    got = [
        runlength.ewma_arl(shift, weight=weight, factor=factor)
        for weight, factor, shift in zip(
            table["lambda"], table["L"], table["shift_sigma"], strict=True
        )
    ]
    return relative(got, table["arl"])


def _series(row: dict[str, str]) -> tuple[np.ndarray, np.ndarray]:
    t, y = (np.array([float(x) for x in row[c].split(";")]) for c in ("t", "y"))
    return t, y


@check(
    "Theil-Sen slope and intercept; Mann-Kendall S, tau-b and p",
    source="scipy.stats (theilslopes, kendalltau)",
    status="computed",
    tolerance=1e-6,
    measure="absolute",
    table=SLOPES,
)
def theil_sen_mann_kendall() -> ArrayLike:
    """Every set, from whole series and from a window."""
    found = []
    for row in rows(SLOPES):
        t, y = _series(row)
        window = slopes.Window.empty(len(t))
        for time, value in zip(t, y, strict=True):
            window = window.add(time, value)
        for line in (slopes.theil_sen(t, y), window.line()):
            got = [line.slope, line.intercept]
            found.append(absolute(got, [float(row["slope"]), float(row["intercept"])]))
        trend = slopes.mann_kendall(t, y)
        got = [trend.s, trend.tau, trend.p]
        found.append(absolute(got, [float(row[c]) for c in ("S", "tau", "p")]))
    return np.concatenate(found)


@check(
    "Theil-Sen interval, 95 %",
    source="scipy.stats (theilslopes)",
    status="computed",
    tolerance=1e-4,
    measure="absolute",
    table=SLOPES,
)
def theil_sen_interval() -> ArrayLike:
    """Every set."""
    found = []
    for row in rows(SLOPES):
        line = slopes.theil_sen(*_series(row))
        expected = [float(row["slope_lo95"]), float(row["slope_hi95"])]
        found.append(absolute([line.low, line.high], expected))
    return np.concatenate(found)
