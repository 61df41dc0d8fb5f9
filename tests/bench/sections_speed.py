"""Speed of the sections: a year of one-minute data with uncertainty, beside plain pandas; one row; digests.

Run with `python -m tests.bench.sections_speed`; prints tables of processor time, no verdict.
"""

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from rules import conductivity, digest, sections, water
from rules.train import Compensation, Train, Water
from tests.unit.test_sections import instrument, train, values, without

MINUTES = 525_600
FREE = ("1/permeate_flow", "2/permeate_flow")


def seconds(work: Callable[[], object], times: int = 1) -> float:
    """Processor time of one call. [s]"""
    began = time.process_time()
    for _ in range(times):
        work()
    return (time.process_time() - began) / times


def in_pandas(f: pd.DataFrame, model: Train) -> pd.DataFrame:
    """Both stages by the standard's log mean, with the laws of `rules`, as one would write it in pandas."""
    out = pd.DataFrame(index=f.index)
    t = f["feed_temperature"]

    def concentration(name: str) -> pd.Series:
        found = conductivity.concentration_mg_l(f[name], t, Compensation(), model.water)
        return pd.Series(found, f.index)

    def osmotic(c: pd.Series) -> pd.Series:
        return pd.Series(water.osmotic_pressure_bar(c, t, model.water), f.index)

    feed, salt = f["feed_flow"], concentration("feed_conductivity")
    for k, stage in enumerate(model.stages, start=1):
        q, cp = f[f"{k}/permeate_flow"], concentration(f"{k}/permeate_conductivity")
        y = q / feed
        average = salt * np.log(1.0 / (1.0 - y)) / y
        drop = f[f"{k}/feed_pressure"] - f[f"{k}/concentrate_pressure"]
        ndp = (
            f[f"{k}/feed_pressure"]
            - drop / 2.0
            - f[f"{k}/permeate_pressure"]
            - osmotic(average)
            + osmotic(cp)
        )
        inverse = 1.0 / 298.15 - 1.0 / (t + 273.15)
        a = q / (stage.area_m2 * np.exp(model.water_activation_k * inverse) * ndp.where(ndp > 0))
        b = q * cp / (stage.area_m2 * np.exp(model.salt_activation_k * inverse) * average)
        n = model.pressure_drop_exponent
        mu = water.viscosity_mpa_s(t)
        out[f"{k}/permeate_flow"] = np.log(a)
        out[f"{k}/salt_passage"] = np.log(b)
        out[f"{k}/pressure_drop"] = np.log(
            drop.where(drop > 0) / ((feed - q / 2.0) ** n * mu ** (2.0 - n))
        )
        left = feed - q
        salt = (feed * salt - q * cp) / left
        feed = left
    return out


def in_pandas_with_uncertainty(f: pd.DataFrame, model: Train) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The same, and its uncertainty by moving one column after the other."""
    plain = in_pandas(f, model)
    total = plain * 0.0
    for name in f.columns:
        sigma = instrument(name).standard_uncertainty(f[name].to_numpy())
        step = 1e-5 * f[name].abs().clip(lower=1.0)
        moved = f.copy()
        moved[name] = f[name] + step
        slope = (in_pandas(moved, model) - plain).div(step, axis=0)
        total += slope.mul(sigma, axis=0) ** 2
    return plain, total**0.5


def year(model: Train) -> tuple[sections.Plan, np.ndarray]:
    """A plan and a year of minutes for it."""
    plan = sections.plan(model)
    row = values(plan)
    noise = np.random.default_rng(1).standard_normal((MINUTES, len(row)))
    return plan, row * (1.0 + 0.002 * noise)


def main() -> None:
    """Time a two-stage train by both kinds of means, and without flow meters at its stages."""
    full = replace(train(), water=Water("nacl"))
    cases = {
        "log mean (D4516)": replace(full, means="d4516"),
        "exact means": full,
        "exact, seawater law": replace(full, water=Water("seawater")),
        "exact, no stage flows": replace(train(without(*FREE)), water=Water("nacl")),
    }
    print(f"Processor time, {MINUTES} rows, fully instrumented two-stage train; ± with uncertainty")
    print(
        f"{'':22} {'year':>8} {'year ±':>8} {'year ± and inputs':>18}"
        f" {'one row':>9} {'Jacobian':>9} {'digest':>9}"
    )
    spent = {}
    for name, model in cases.items():
        plan, minutes = year(model)
        row, block = minutes[0], minutes[:15]
        spent[name] = seconds(lambda p=plan, y=minutes: p.uncertainty(y))  # type: ignore[misc]
        print(
            f"{name:22} {seconds(lambda p=plan, y=minutes: p.observe(y)):6.2f} s"  # type: ignore[misc]
            f" {spent[name]:6.2f} s"
            f" {seconds(lambda p=plan, y=minutes: p.evaluate(y)):16.2f} s"  # type: ignore[misc]
            f" {1e3 * seconds(lambda p=plan, r=row: p.observe(r), 200):6.2f} ms"  # type: ignore[misc]
            f" {1e3 * seconds(lambda p=plan, r=row: p.jacobian(r), 50):6.2f} ms"  # type: ignore[misc]
            f" {1e3 * seconds(lambda p=plan, b=block: digest.summarize(p, 0.0, b, {}), 50):6.2f} ms"  # type: ignore[misc]
        )
    model = cases["log mean (D4516)"]
    plan, minutes = year(model)
    used = sorted(_PANDAS)
    frame = pd.DataFrame(minutes, columns=list(plan.signals))[used]
    alone = seconds(lambda: in_pandas(frame, model))
    began = time.process_time()
    plain, spread = in_pandas_with_uncertainty(frame, model)
    both = time.process_time() - began
    ours = plan.evaluate(minutes)
    columns = [plan.observables.index(name) for name in plain.columns]
    apart = np.nanmax(np.abs(ours.observables[:, columns] - plain.to_numpy()))
    apart_spread = np.nanmax(np.abs(ours.uncertainty[:, columns] / spread.to_numpy() - 1.0))
    print(
        f"\nThe same in pandas, log mean without balances: year {alone:.2f} s, year ± {both:.2f} s"
    )
    print(f"largest difference of values {apart:.1e}, of uncertainties {apart_spread:.1e}")
    print(f"pandas ± over ours ±: {both / spent['log mean (D4516)']:.1f}")


_PANDAS = frozenset(
    {
        "feed_flow",
        "feed_temperature",
        "feed_conductivity",
        *(
            f"{k}/{role}"
            for k in (1, 2)
            for role in (
                "feed_pressure",
                "concentrate_pressure",
                "permeate_pressure",
                "permeate_flow",
                "permeate_conductivity",
            )
        ),
    }
)
"""Signals that enter the normalization of both stages."""


if __name__ == "__main__":
    main()
