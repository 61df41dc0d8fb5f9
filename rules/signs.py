"""What else the instruments show: oxidant, turbid water, high pH, recovery, heat, a clean just done.

Each sign of `rules.signatures.SIGNS` is shown, not shown, or not known (absent): what is not measured says nothing.
Thresholds: common practice, no source.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from rules.series import DAY_S, History
from rules.signatures import SIGNS

Array = NDArray[np.float64]

LOOK_BACK_D = 21.0
"""How far back a passing event such as an oxidant is looked for. [d]"""

LATELY_D = 5.0
"""How far back a lasting state such as a recovery is looked at. [d]"""

ORP_MV = 100.0
TURBID = 1.5
TURBID_SHARE = 0.25
PH = 0.3
RECOVERY = 0.02
HOT_C = 35.0

CLEANED_S = 48 * 3600.0
"""For so long after a clean its residue may show: 24 to 48 h by the reference. [s]"""


def shown(
    history: History,
    names: tuple[str, ...],
    usual: Mapping[str, float],
    now_d: float,
    *,
    cleaned: float = -np.inf,
) -> dict[str, bool]:
    """Which signs show at `now_d`; those that cannot be known are left out.

    history : medians of the weeks. names : columns of its points (`rules.digest.operating_names`).
    usual : the operating point of the baseline, by the same names.
    cleaned : end of the last clean. [s since 1970-01-01 UTC]
    """
    found: dict[str, bool] = {}

    def column(name: str, days: float) -> Array | None:
        """Values of the last days, where the quantity is known now and at the baseline."""
        if name not in names or not np.isfinite(usual.get(name, np.nan)):
            return None
        values = history.points[history.days >= now_d - days, names.index(name)]
        values = values[np.isfinite(values)]
        return values if len(values) else None

    orp = column("feed_orp", LOOK_BACK_D)
    if orp is not None:
        found["orp_raised"] = bool(orp.max() >= usual["feed_orp"] + ORP_MV)
    turbidity = column("feed_turbidity", LOOK_BACK_D)
    if turbidity is not None:
        high = turbidity >= TURBID * usual["feed_turbidity"]
        found["turbid"] = bool(high.mean() >= TURBID_SHARE)
    ph = column("feed_ph", LATELY_D)
    if ph is not None:
        found["ph_raised"] = bool(np.median(ph) >= usual["feed_ph"] + PH)
    warm = column("feed_temperature", LOOK_BACK_D)
    if warm is not None:
        found["hot"] = bool(warm.max() >= HOT_C)
    recovery = column("recovery", LATELY_D)
    if recovery is not None:
        found["recovery_raised"] = bool(np.median(recovery) >= usual["recovery"] + RECOVERY)
    found["just_cleaned"] = now_d * DAY_S - CLEANED_S <= cleaned <= now_d * DAY_S
    return found


def evidence(under: Mapping[str, float], seen: Mapping[str, bool]) -> float:
    """Log-likelihood ratio of what is seen under a cause against what is usual. [nats]

    under : sign -> probability that it shows under the cause; signs that are not named say nothing.
    """
    total = 0.0
    for sign, p in under.items():
        if sign in seen:
            usual = SIGNS[sign]
            total += np.log(p / usual) if seen[sign] else np.log((1.0 - p) / (1.0 - usual))
    return float(total)
