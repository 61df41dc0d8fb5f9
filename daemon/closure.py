"""Whether the meters of a train agree, for people: rows of raw and reconciled values, and the verdict in words."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rules.network import Network
from rules.reconcile import Reconciliation
from rules.suspects import Suspect, Verdict

FAR_APART = (
    "The readings are so far apart that no flows and concentrations near them close the balances:"
    " check units, scale, byte order and addresses."
)


@dataclass(frozen=True, slots=True)
class Meter:
    """One meter that balances test: what it reads, and what the balances make of it.

    unit : m3/h, or mg/L for what a conductivity stands for. Uncertainties are standard uncertainties.
    reconciled : by the meters that are not accused; NaN when these do not give it.
    accused : whether the verdict names it, alone or with others.
    """

    signal: str
    unit: str
    measured: float
    measured_uncertainty: float
    reconciled: float
    uncertainty: float
    accused: bool


@dataclass(frozen=True, slots=True)
class Closure:
    """The balances of one set of values.

    meters : those whose reading the balances would give without them.
    balances : those that are tested, by name, with the standard deviations that each is open by. [-]
    sentences : the verdict, what first; `detected` when it is that meters disagree.
    """

    meters: tuple[Meter, ...]
    balances: Mapping[str, float]
    detected: bool
    sentences: tuple[str, ...]


def closure(
    network: Network, values: ArrayLike, name: Callable[[str], str] = str
) -> Closure | None:
    """What the balances say of one row of signal values (n_signals,); None when they can test nothing.

    name : what a signal is called in the sentences.
    """
    result = network.reconcile(values)
    found = result.found
    if not int(found.dof):
        return None
    if not np.isfinite(found.statistic):
        return Closure((), {}, True, (FAR_APART,))
    verdict = result.verdict()
    # A wrong meter pulls the others along: what is offered as reconciled does without all that it may be.
    accused = {i for suspect in verdict.suspects for i in suspect.group + suspect.rivals}
    sound = network.reconcile(values, without=accused).found if accused else found
    both = np.where(np.isfinite(sound.reconciled), sound.reconciled, sound.estimate)
    spread = np.where(np.isfinite(sound.reconciled), sound.uncertainty, sound.estimate_uncertainty)
    return Closure(
        meters=tuple(
            Meter(
                signal=str(network.variables[i]),
                unit=_unit(network, i),
                measured=float(found.measured[i]),
                measured_uncertainty=float(found.sigma[i]),
                reconciled=float(both[i]),
                uncertainty=float(spread[i]),
                accused=i in accused,
            )
            for i in np.flatnonzero(found.redundant).tolist()
        ),
        balances=dict(result.balances()),
        detected=verdict.detected,
        sentences=_sentences(network, found, verdict, name),
    )


def _unit(network: Network, variable: int) -> str:
    return "m3/h" if variable < len(network.streams) else "mg/L"


def _sentences(
    network: Network, found: Reconciliation, verdict: Verdict, name: Callable[[str], str]
) -> tuple[str, ...]:
    count = "1 balance" if verdict.dof == 1 else f"{verdict.dof} balances"
    measure = f"{count}, chi-square {verdict.statistic:.1f}, limit {verdict.critical:.1f}"
    if not verdict.detected:
        return (f"The meters agree within their accuracy ({measure}).",)
    said = [f"The meters disagree by more than their accuracy allows ({measure})."]
    if not verdict.suspects:
        said.append("No single meter explains it: check all of them.")
    for suspect in verdict.suspects:
        said.append(_accused(network, found, suspect, name))
    if verdict.suspects and not verdict.explained:
        said.append("Without it the rest still disagree: more than one meter is wrong.")
    return tuple(said)


def _accused(
    network: Network, found: Reconciliation, suspect: Suspect, name: Callable[[str], str]
) -> str:
    names = [name(str(network.variables[i])) for i in suspect.group]
    off = [
        _off(float(found.measured[i]), error, spread, _unit(network, i))
        for i, error, spread in zip(
            suspect.group, suspect.error, suspect.error_uncertainty, strict=True
        )
    ]
    others = _or([name(str(network.variables[i])) for i in suspect.rivals])
    if suspect.located:
        return f"{names[0]} reads {off[0]}."
    if len(names) == 1:
        return f"Likely {names[0]}, which then reads {off[0]}; perhaps {others} instead."
    either = _or([f"{n} reads {o}" for n, o in zip(names, off, strict=True)])
    text = f"The balances cannot tell which: {either}"
    return f"{text}; perhaps {others} instead." if others else f"{text}."


def _or(parts: list[str]) -> str:
    if not parts:
        return ""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} or {parts[-1]}"


def _off(measured: float, error: float, spread: float, unit: str) -> str:
    """``2.5 ± 0.5 m3/h (11 %) too much``; the share is of what it should read."""
    true = measured - error
    share = f" ({abs(100.0 * error / true):.0f} %)" if true > 0.0 else ""
    digits = max(0, 1 - int(np.floor(np.log10(spread)))) if spread > 0.0 else 0
    size = f"{abs(error):.{digits}f} ± {spread:.{digits}f} {unit}{share}"
    return f"{size} too {'much' if error > 0.0 else 'little'}"
