"""What needs no likelihood: the pressure drop against its absolute limit, permeate back-pressure that is measured."""

from rules.baseline import Baseline
from rules.digest import Digest
from rules.explain import todo
from rules.findings import CauseProbability, Finding, Presence
from rules.sections import Plan
from rules.words import place

NEAR_LIMIT = 0.95
"""Share of the absolute limit above which a finding is not yet over."""

BACKPRESSURE = 0.05
"""Share of the net driving pressure that a rise of permeate pressure may cost before it is told:
half of the usual limit of permeate flow. Common practice, no source."""

BACKPRESSURE_GONE = 0.03

DROP_CONFIRM_S = 900.0
DROP_CLEAR_S = 3600.0
BACKPRESSURE_CONFIRM_S = 2 * 3600.0


def drops(plan: Plan, digest: Digest) -> list[Finding]:
    """The last line for the pressure drop of each stage, per vessel and per element."""
    found = []
    limits = plan.train.limits
    for section in plan.sections:
        drop = digest.operating.get(f"{section.name}/pressure_drop_bar")
        if drop is None or len(section.stages) != 1:
            continue
        stage = section.stages[0]
        elements = plan.train.stages[stage - 1].elements_per_vessel
        limit = min(
            limits.pressure_drop_per_vessel_bar, elements * limits.pressure_drop_per_element_bar
        )
        over = drop >= limit
        held = not over and drop > NEAR_LIMIT * limit
        found.append(
            Finding(
                matter=f"limit:{section.name}/pressure_drop",
                presence=_presence(over=over, held=held),
                stage=stage,
                causes=(CauseProbability("none", 1.0),) if over else (),
                action="adjust_operation",
                priority="high",
                notice_class="alarm",
                since=digest.start if over else None,
                message=f"{place(plan.train.id, stage)}: pressure drop {drop:.2f} bar, limit {limit:.2f} bar. "
                "Elements can be pushed together and break. Lower the feed flow or stop "
                "the train by site procedure.",
                confirm_s=DROP_CONFIRM_S,
                clear_s=DROP_CLEAR_S,
            )
        )
    return found


def backpressures(plan: Plan, digest: Digest, baseline: Baseline) -> list[Finding]:
    """Permeate pressure that has risen and costs driving pressure, where it is measured.

    Normalization takes the pressure into account, so the membrane looks sound, and is. When the
    normalized flow rises as the reading does, the transmitter is wrong rather than the pressure:
    that is left to the likelihood (`rules.causes`), and the finding is held.
    """
    found = []
    for section in plan.sections:
        if len(section.stages) != 1:
            continue
        stage = section.stages[0]
        names = [f"{stage}/permeate_pressure", "permeate_pressure"]
        name = next((n for n in names if n in plan.train.signals), None)
        ndp = baseline.operating.get(f"{section.name}/ndp_bar")
        now, then = digest.signals.get(name or ""), baseline.signals.get(name or "")
        if ndp is None or now is None or then is None:
            continue
        rise = now - then
        cost = rise / ndp
        observable = f"{section.name}/permeate_flow"
        moved = digest.values.get(observable, 0.0) - baseline.values.get(observable, 0.0)
        over = cost >= BACKPRESSURE
        presence = _presence(
            over=over and moved < cost / 2.0, held=over or cost > BACKPRESSURE_GONE
        )
        told = presence is Presence.PRESENT
        found.append(
            Finding(
                matter=f"backpressure:{section.name}",
                presence=presence,
                stage=stage,
                causes=(
                    CauseProbability("permeate_backpressure", 0.95),
                    CauseProbability("instrument_fault", 0.05, f"{plan.train.id}/{name}"),
                )
                if told
                else (),
                action="adjust_operation",
                priority="medium",
                since=digest.start if told else None,
                evidence=(
                    f"Permeate pressure {now:.2f} bar, {then:.2f} bar at the baseline.",
                    f"The normalized permeate flow moved by {100.0 * moved:+.1f} %; a transmitter "
                    f"error would move it by {100.0 * cost:+.1f} %.",
                )
                if told
                else (),
                message=f"{place(plan.train.id, stage)}: permeate pressure {now:.2f} bar, {rise:+.2f} bar "
                f"against the baseline; it takes {100.0 * cost:.0f} % of the driving pressure. "
                + todo("adjust_operation", "permeate_backpressure", stage, None),
                confirm_s=BACKPRESSURE_CONFIRM_S,
                clear_s=BACKPRESSURE_CONFIRM_S,
            )
        )
    return found


def _presence(*, over: bool, held: bool) -> Presence:
    if over:
        return Presence.PRESENT
    return Presence.HELD if held else Presence.ABSENT
