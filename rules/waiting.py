"""What it costs to wait with a clean: extra energy a day, and the date at which cleaning costs least.

Model. At the set-points of the plant a train whose permeability has fallen and whose channels are blocked needs
more feed pressure: to keep the flux, the net driving pressure grows by the lost permeability; the pressure
drop comes on top, half of it before the middle of the section it blocks and all of it for what lies behind. The
power of that pressure at the feed flow, over the efficiency of the pump set, is the extra power. While the loss grows
evenly, so does the power, by g kW each day; after a time T without a clean the energy spent extra is g T²/2, and the
cost of a day over the whole cycle, (clean + price · 24 g T²/2) / T, is least at T = √(2 · clean / (24 g · price)).
Common practice (cost of a cycle over its length), no source; derived here. Water that the train can no longer make is
left out while its pump still holds the set-point.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, isfinite, sqrt

from rules.series import DAY_S

EFFICIENCY = 0.75
"""Of pump, motor and drive together. Common practice, no source. [-]"""

BAR_M3H_KW = 1.0 / 36.0
"""Power of one bar on one cubic meter an hour. [kW]"""


@dataclass(frozen=True, slots=True)
class Waiting:
    """What waiting costs.

    extra_kw : extra power now. per_day : its cost, None without a price of energy. [currency/d]
    cheapest_at : when a clean costs least, None when a price or a growth is not known. [s since 1970-01-01 UTC]
    """

    extra_kw: float
    per_day: float | None
    cheapest_at: float | None


def extra_power_kw(
    deviation: Mapping[str, Mapping[str, float]], operating: Mapping[str, float]
) -> float | None:
    """Power that the deviations of the sections cost. [kW]

    deviation : section -> quantity -> ln(actual/baseline).
    operating : of now, ``1/ndp_bar``, ``1/average_flow_m3h`` ...
    returns : None when no section has what is needed; 0 where a train needs less than at its baseline.
    """
    flow = max(
        (
            operating[f"{s}/average_flow_m3h"] + operating[f"{s}/permeate_flow_m3h"] / 2.0
            for s in deviation
            if {f"{s}/average_flow_m3h", f"{s}/permeate_flow_m3h"} <= set(operating)
        ),
        default=None,
    )
    if flow is None:
        return None
    made = {s: operating.get(f"{s}/permeate_flow_m3h", 0.0) for s in deviation}
    total = sum(made.values())
    bar = 0.0
    for section, quantities in deviation.items():
        driving = operating.get(f"{section}/ndp_bar")
        drop = operating.get(f"{section}/pressure_drop_bar")
        if driving is not None and "permeate_flow" in quantities and total > 0.0:
            # What this section lacks, spread over the permeate of the whole train.
            bar += driving * (1.0 - exp(quantities["permeate_flow"])) * made[section] / total
        if drop is not None and "pressure_drop" in quantities:
            bar += drop * (1.0 - exp(-quantities["pressure_drop"])) / 2.0
    power = max(bar, 0.0) * flow * BAR_M3H_KW / EFFICIENCY
    return power if isfinite(power) else None


def waiting(extra_kw: float, since: float, now: float, prices: Mapping[str, float]) -> Waiting:
    """What waiting with a clean costs, when the loss has grown evenly since its onset.

    prices : ``energy_per_kwh``, ``cleaning``, as far as they are known.
    """
    energy, clean = prices.get("energy_per_kwh"), prices.get("cleaning")
    per_day = None if energy is None else 24.0 * extra_kw * energy
    cheapest = None
    days = (now - since) / DAY_S
    if energy and clean and days > 0.0 and extra_kw > 0.0:
        growth = 24.0 * extra_kw / days * energy
        cheapest = since + sqrt(2.0 * clean / growth) * DAY_S
    return Waiting(extra_kw, per_day, cheapest)
