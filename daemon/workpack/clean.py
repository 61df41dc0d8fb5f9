"""Cleaning one stage in place: volume, chemicals, limits, flows, steps and log."""

from dataclasses import dataclass

from daemon.workpack.model import BOX, Block, Section, caution, checks, plain, steps, table, text
from daemon.workpack.orders import Order, Situation, WorkPackError
from rules import cleaningplan
from rules.cleaningplan import Flow, NotPossible, Recipe, Solution, Volume

CHEMICALS = {
    "citric_acid": "Citric acid",
    "hydrochloric_acid": "Hydrochloric acid",
    "sodium_hydroxide": "Sodium hydroxide",
    "tetrasodium_edta": "Tetrasodium EDTA",
    "detergent": "Sodium dodecyl sulfate (detergent)",
}
SOLUTIONS = {
    "citric_acid": "citric acid, 2 %",
    "hydrochloric_acid": "hydrochloric acid, to pH 2",
    "edta": "sodium hydroxide with tetrasodium EDTA, 1 %",
    "detergent": "sodium hydroxide with detergent, 0.025 %",
}


@dataclass(frozen=True, slots=True)
class Plan:
    """A cleaning in numbers; None where the plant file lacks what it takes, named in `lacking`."""

    recipe: Recipe
    volume: Volume | None
    solution: Solution | None
    flow: Flow | None
    per_1000_l: Solution
    lacking: tuple[str, ...]


def plan_of(order: Order) -> Plan:
    """Volume, solution and flows of a clean. Raises WorkPackError when limits and solution clash."""
    assert order.solution is not None
    recipe = cleaningplan.RECIPES[order.solution]
    stage, vessel, station = (
        order.stage,
        order.train.vessel(order.stages[0]),
        order.train.cleaning,
    )
    lacking = []
    if vessel.inside_diameter_mm is None:
        lacking.append("inside_diameter_mm of [[train.vessel]]")
    if station is None:
        lacking.append("[train.cleaning] with ph_min, ph_max and temperature_max_c")
    else:
        lacking += [
            f"{name} of [train.cleaning]"
            for name in ("tank_m3", "heel_m3", "pump_m3h", "heater_kw", "pipes")
            if getattr(station, name) is None
        ]
    volume = None
    if (
        vessel.inside_diameter_mm is not None
        and station is not None
        and station.pipes is not None
        and station.heel_m3 is not None
    ):
        volume = cleaningplan.volume(
            vessels=stage.vessels,
            inside_diameter_mm=vessel.inside_diameter_mm,
            length_mm=vessel.inside_length_mm
            or stage.elements_per_vessel * stage.element_length_mm,
            water_share=vessel.water_share,
            pipes=station.pipes,
            heel_l=1000.0 * station.heel_m3,
        )
    flow = None
    if vessel.inside_diameter_mm is not None:
        flow = cleaningplan.flow(
            vessels=stage.vessels,
            inside_diameter_mm=vessel.inside_diameter_mm,
            per_vessel_m3h=None if station is None else station.flow_per_vessel_m3h,
            pump_m3h=None if station is None else station.pump_m3h,
        )
    limits = None if station is None else station.limits
    strength = cleaningplan.SUPPLIED_PERCENT if station is None else station.strength_percent
    try:
        per_1000_l = cleaningplan.solution(recipe, 1000.0, limits, strength)
        solution = (
            None
            if volume is None
            else cleaningplan.solution(recipe, volume.total_l, limits, strength)
        )
    except NotPossible as error:
        raise WorkPackError(f"{SOLUTIONS[recipe.name]}: {error}") from error
    return Plan(recipe, volume, solution, flow, per_1000_l, tuple(lacking))


def sections(order: Order, situation: Situation) -> list[Section]:
    """Everything of a clean between isolation and return."""
    plan = plan_of(order)
    return [
        Section("limits", "Limits that hold all the time", tuple(_limits(order, plan))),
        Section("solution", "The solution", tuple(_solution(order, plan, situation))),
        Section("tools", "Tools", (checks(*_tools()),)),
        Section("chemicals_handling", "Handling chemicals", (checks(*_handling(plan.recipe)),)),
        Section("clean", "Clean, in flow direction", tuple(_steps(order, plan))),
        Section("log", "Log of the cleaning", (_log(),)),
    ]


def _limits(order: Order, plan: Plan) -> list[Block]:
    station, limits = order.train.cleaning, order.train.limits
    n = order.stage.elements_per_vessel
    drop = min(limits.pressure_drop_per_vessel_bar, n * limits.pressure_drop_per_element_bar)
    if station is None:
        ph, warm, pressure = "____ to ____", "____ °C", f"{cleaningplan.PRESSURE_MAX_BAR:g} bar"
    else:
        ph = f"{station.limits.ph_min:g} to {station.limits.ph_max:g}"
        warm = f"{station.limits.temperature_max_c:g} °C"
        pressure = f"{station.pressure_max_bar:g} bar"
    flow = plan.flow
    each = "____" if flow is None else _span(flow.least_m3h, flow.most_m3h)
    rows = [
        ("pH of the solution", ph, "membrane, plant file"),
        ("Temperature, at most", warm, "membrane at this pH, plant file"),
        ("Feed pressure, at most", pressure, "so low that hardly any permeate is made"),
        ("Pressure drop of a vessel, at most", f"{drop:g} bar", f"{n} elements, plant file"),
        ("Flow through one vessel", f"{each} m³/h", "never more than the element's data sheet"),
        (
            "Drift of pH that calls for more chemical",
            f"{cleaningplan.DRIFT_PH:g}",
            "acid: rise; alkaline: fall",
        ),
    ]
    blocks = []
    if station is None:
        blocks.append(
            caution(
                "The plant file gives no limits of the membrane ([train.cleaning]). Nobody starts before they "
                "are written here from the element's data sheet."
            )
        )
    blocks.append(table(("Limit", "Value", "Why"), rows, numeric=(1,)))
    return blocks


def _span(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _solution(order: Order, plan: Plan, situation: Situation) -> list[Block]:
    blocks: list[Block] = []
    made = plan.solution or plan.per_1000_l
    volume, station = plan.volume, order.train.cleaning
    vessel = order.train.vessel(order.stages[0])
    if volume is not None and station is not None:
        pipes = " + ".join(
            f"{length:g} m of {inside:g} mm" for inside, length in station.pipes or ()
        )
        rows = [
            (
                f"{order.stage.vessels} vessels, {vessel.inside_diameter_mm:g} mm inside, "
                f"{100 * vessel.water_share:.0f} % water",
                _liters(volume.vessels_l),
            ),
            (f"Pipes and hoses: {pipes}", _liters(volume.pipes_l)),
            ("Heel of the tank", _liters(volume.heel_l)),
            ("Solution to make up", _liters(volume.total_l)),
        ]
        blocks.append(table(("Volume", "Liters"), rows, numeric=(1,)))
        tank = None if station.tank_m3 is None else 1000.0 * station.tank_m3
        if tank is not None and volume.total_l > tank:
            blocks.append(
                caution(
                    f"The tank holds {_liters(tank)} L: fill vessels and pipes with permeate first, make up the "
                    f"chemicals for {_liters(volume.total_l)} L in the tank, and let the loop mix."
                )
            )
    else:
        blocks.append(
            text(
                "The volume cannot be computed; amounts are for 1000 L. Volume made up: ________ L."
            )
        )
    assumed = frozenset(CHEMICALS) if station is None else station.assumed
    rows_of = []
    for dose in made.doses:
        how = "in portions, by the pH meter" if dose.adjusts else "all of it, dissolved"
        amount = _kg(dose.kg) + ("" if dose.liters is None else f" = {_l(dose.liters)}")
        rows_of.append(
            (
                BOX,
                CHEMICALS[dose.chemical],
                f"{dose.strength_percent:g} %" + (" *" if dose.chemical in assumed else ""),
                amount,
                _kg(dose.active_kg),
                how,
                "",
            )
        )
    for_volume = f"{_liters(made.volume_l)} L"
    blocks.append(
        table(
            ("", "Chemical", "As supplied", f"For {for_volume}", "Pure", "Add", "Added"),
            rows_of,
            numeric=(2, 3, 4),
        )
    )
    aim = "Aim, if the membrane's limits allow it" if station is None else "Aim"
    said = [
        f"{aim}: pH {made.ph:.1f} (estimated at 25 °C in permeate; hard water takes more), up to "
        f"{made.temperature_c:g} °C. The meter decides, not the amount: stop at the aim. When twice the amount "
        "does not reach it, stop and ask.",
    ]
    if any(d.chemical in assumed for d in made.doses):
        said.append(
            "* assumed; read the label. Other strength: amount × (strength here / strength on the label)."
        )
    said.append(_heat(order, made, situation))
    blocks.append(plain(*said))
    return blocks


def _heat(order: Order, made: Solution, situation: Situation) -> str:
    station = order.train.cleaning
    kw = None if station is None else station.heater_kw
    start = situation.values.get("feed_temperature")
    if start is None:
        kwh = cleaningplan.heat_kwh(made.volume_l, 0.0, 10.0)
        said = f"Heat: {kwh:.0f} kWh for every 10 K"
    else:
        kwh = cleaningplan.heat_kwh(made.volume_l, start, made.temperature_c)
        said = f"Heat: {kwh:.0f} kWh from {start:.0f} °C (the feed's) to {made.temperature_c:g} °C"
    return f"{said}, {60 * kwh / kw:.0f} min at {kw:g} kW." if kw else f"{said}."


def _liters(value: float) -> str:
    return f"{value:.0f}"


def _kg(value: float) -> str:
    return (
        f"{value:.0f} kg"
        if value >= 20
        else f"{value:.1f} kg"
        if value >= 2
        else f"{1000 * value:.0f} g"
    )


def _l(value: float) -> str:
    return (
        f"{value:.0f} L"
        if value >= 20
        else f"{value:.1f} L"
        if value >= 2
        else f"{1000 * value:.0f} mL"
    )


def _tools() -> list[str]:
    return [
        "pH meter calibrated today in two buffers around the aim; thermometer; scale; measuring jug.",
        "Cleaning pump, tank, heater and new cartridge filter; hoses and blanks; gauges at feed and return.",
        "Permeate or softened, chlorine-free water for the solution and three flushes.",
        "Sample bottles: first return, end of soak, end of flush; deposits kept for the laboratory.",
    ]


def _handling(recipe: Recipe) -> list[str]:
    other = "alkali or hypochlorite" if recipe.acid else "acid"
    return [
        f"{'Acid' if recipe.acid else 'Alkali'} into water, slowly, stirring; never water into it. It gets hot.",
        f"No {other} near tank, hoses or drain before the loop is rinsed to neutral: gas or heat. One chemistry "
        "at a time.",
        "Never a cationic detergent, chlorine or another oxidant on the membrane.",
        "Permeate port open to the tank all through: the permeate side must never hold pressure.",
        "Spent solution: neutralize and discharge only as the site's permit says. Nothing to the permeate line.",
    ]


def _steps(order: Order, plan: Plan) -> list[Block]:
    recipe, flow, volume, made = (
        plan.recipe,
        plan.flow,
        plan.volume,
        plan.solution or plan.per_1000_l,
    )
    stage = order.stages[0]
    loop = "the loop's volume" if volume is None else f"{_liters(volume.loop_l)} L"
    blocks: list[Block] = []
    low = high = "____ m³/h"
    if flow is not None:
        low = f"{flow.all_least_m3h / 2:g} m³/h"
        high = f"{flow.all_least_m3h:g} m³/h"
        if flow.each_m3h is not None and flow.at_once == flow.vessels:
            high = (
                f"{flow.each_m3h * flow.vessels:g} m³/h ({flow.each_m3h:.1f} through each of "
                f"{flow.vessels} vessels)"
            )
        elif flow.each_m3h is None:
            high += f" or more ({flow.least_m3h:g} through each of {flow.vessels} vessels)"
        else:
            blocks.append(caution(_short_pump(flow)))
            blocks_of = f"{flow.at_once} vessels at a time" if flow.at_once else "each vessel"
            high = f"{flow.least_m3h:g} m³/h through each of {blocks_of}"
            low = "half of it"
    drift = "rises" if recipe.acid else "falls"
    drift_ph = f"{cleaningplan.DRIFT_PH:g}"
    # Without the membrane's limits the temperature stays for somebody to write in.
    warm = "____ °C" if order.train.cleaning is None else f"{made.temperature_c:g} °C"
    said = [
        f"Blank or lock every stage but stage {stage}. Connect the loop: pump to the feed end of stage "
        f"{stage}, return from its concentrate end, permeate to the tank.",
        f"Flush stage {stage} with permeate at low pressure to drain until it runs clear.",
        "Make up the solution in the tank: water first, then as listed above. Mix by the bypass, warm to "
        f"{warm}, check pH. Nothing enters the vessels before pH and temperature are inside the limits.",
        f"Fill slowly, {low}, feed end to concentrate end. The first return, about {loop}, goes to drain as "
        "the permit allows until pH or color shows the solution; then turn it to the tank.",
        f"Recirculate at {low} for {recipe.recirculate_min} min. Log every 10 min. When pH {drift} by "
        f"{drift_ph}, add in portions; when the color is heavy, make up anew.",
        f"Stop and soak for {recipe.soak_min} min; hold the temperature, a trickle of a tenth of the flow is "
        "enough.",
        f"Recirculate at full flow, {high}, for {recipe.recirculate_min} min, pressure and pressure drop "
        "inside the limits.",
        f"Drain to the neutralizing tank. Flush with permeate, at least {cleaningplan.FLUSH_LOOPS} × {loop}, "
        "to drain, until pH and conductivity of the return are those of the flush water within 10 %.",
        "Second chemistry, if one follows: a pack of its own, after this flush.",
        "Disconnect hoses; blank both ends; cleaning valves closed and locked.",
    ]
    blocks.append(steps(*(("", line) for line in said)))
    return blocks


def _short_pump(flow: Flow) -> str:
    assert flow.each_m3h is not None
    have = (
        f"The pump gives {flow.each_m3h:.1f} m³/h through each of {flow.vessels} vessels at once; "
    )
    need = f"{flow.least_m3h:g} are needed to sweep deposits out. "
    if flow.at_once == 0:
        return f"{have}{need}It is too small even for one vessel: bring another."
    return (
        f"{have}{need}Clean in {flow.blocks} blocks of {flow.at_once} where valves allow, else bring a larger "
        "pump."
    )


def _log() -> Block:
    phases = ("solution", "fill", "recirculate", "", "", "soak", "", "full flow", "", "flush", "")
    return table(
        (
            "Phase",
            "Time",
            "pH",
            "°C",
            "Flow, m³/h",
            "Feed, bar",
            "Return, bar",
            "Tank, m³",
            "Color, added",
        ),
        [(phase, *([""] * 8)) for phase in phases],
        tall=True,
    )
