"""How a fault grows from its onset: 0 before, 1 when it has reached its full size."""

import math
from collections.abc import Callable

import numpy as np

from simulator.water import Floats


def _linear(part: Floats) -> Floats:
    return part


def _accelerating(part: Floats) -> Floats:
    return np.expm1(3.0 * part) / math.expm1(3.0)


def _saturating(part: Floats) -> Floats:
    return np.expm1(-3.0 * part) / math.expm1(-3.0)


def _step(part: Floats) -> Floats:
    return np.where(part > 0.0, 1.0, 0.0)


LAWS: dict[str, Callable[[Floats], Floats]] = {
    "linear": _linear,
    "accelerating": _accelerating,
    "saturating": _saturating,
    "step": _step,
}


def grown(law: str, days_since_onset: Floats, grows_days: float) -> Floats:
    """Part of the full size that has been reached; it stays at 1 after `grows_days`."""
    if law not in LAWS:
        raise ValueError(f"growth {law!r} is not known; use one of {', '.join(LAWS)}")
    if not grows_days > 0.0:
        raise ValueError(f"grows_days must be above 0, got {grows_days!r}")
    return LAWS[law](np.clip(np.asarray(days_since_onset, dtype=float) / grows_days, 0.0, 1.0))
