"""May it be charged so: voltage on every cell, temperature, frozen acid, current, and how long it is held."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.ratings import capacity_shares
from hotchpot.bank.rules.registry import EVERY_BANK, Case, Outcome, Rule, rule
from hotchpot.bank.surge import unit_currents
from hotchpot.bank.verdict import Finding, Gate, Verdict
from hotchpot.bench.state import DERATED_FROM_C, State
from hotchpot.chemistry import interpolate

VOLT_TOLERANCE = 0.010
LEAD_SLIP_V = 0.05
LEAD_CELL_ABSORB_V = 2.4
FREEZING_MARGIN_K = 5.0
ALWAYS_LIQUID_C = -2.0  # the weakest acid of the table freezes at -7 °C
ROUTINE_HOLD_H = 24.0
NIMH_CHARGE_FACTOR = 1.6  # 16 h at 0.1C, the makers' timed charge; from memory
RATE_TOLERANCE, GROSS_RATE = 1.01, 2.0
EQUALISE_MOST_H = 3.0


@rule(
    "charge-voltage",
    title="Charge voltage on every cell",
    gate=Gate.WINDOW,
    questions=("join", "charge", "build", "operate"),
    decides="charger volts per cell, with compensation and equalise, against the chemistry's limit",
    source="chemistry data (charge_max_v, equalise_v, temp_comp)",
)
def voltage(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the charge voltage on every cell to its chemistry's window, hot and cold."""
    if case.charge_v is None or case.plan.charger.separate_converters:
        if "charge" in case.plan.question:
            yield self.unasked("charger.volts or charger.volts_per_cell", "The charge voltage is not stated.")
        return
    for state, cell_v in _hardest_per_chemistry(case):
        yield _voltage_finding(self, case, state, cell_v)


def _hardest_per_chemistry(case: Case) -> list[tuple[State, float]]:
    assert case.charge_v is not None
    on_units = case.bank.volts_on(case.charge_v) if case.bank else {s.unit.id: case.charge_v for s in case.units}
    rows: dict[str, tuple[State, float]] = {}
    for state in case.units:
        cell_v = on_units[state.unit.id] / state.unit.cells
        held = rows.get(state.chem.key)
        if held is None or cell_v > held[1] + 1e-12:
            rows[state.chem.key] = (state, cell_v)
    return list(rows.values())


def _voltage_finding(self: Rule, case: Case, state: State, cell_v: float) -> Outcome:
    chem, charger = state.chem, case.plan.charger
    top = chem.num("charge_max_v")
    hot_limit = top + min(0.0, chem.num("temp_comp") * 1e-3 * (state.temperature_c - 25.0))
    applied = cell_v + (_compensation_v(state, cell_v, state.temperature_c) if charger.compensated else 0.0)
    verdict, limit, do = Verdict.FINE, top, "Nothing; measure it at the bank's terminals at the first absorb."
    if chem.kind == "lithium":
        verdict, do = _lithium_voltage(case, state, cell_v, applied, top)
    elif cell_v > top + VOLT_TOLERANCE:
        verdict, do = _above_lead_limit(case, state, cell_v, top)
    elif charger.stage == "equalise" and chem.kind == "lead" and chem.band("equalise_v") is None:
        verdict, do = (
            Verdict.ONLY_IF,
            "Switch equalise off: this type never gets it, and the stage does not stay so low.",
        )
    elif not charger.compensated and cell_v > hot_limit + VOLT_TOLERANCE:
        verdict, limit = Verdict.CAUTION, hot_limit
        fitting = (cell_v + chem.num("temp_comp") * 1e-3 * (state.temperature_c - 25.0)) * state.unit.cells
        do = f"Fit a temperature sensor; at {state.temperature_c:.0f} °C it should give {fitting:.1f} V on this unit."
    shown = applied if chem.kind == "lithium" and charger.compensated else cell_v
    return self.finding(
        verdict,
        [state.unit.id],
        "charge voltage per cell",
        value=shown,
        limit=limit,
        unit="V",
        says=f"{shown:.2f} V on each {chem.name} cell, limit {limit:.2f} V"
        + (f" at {state.temperature_c:.0f} °C." if limit != top or shown != cell_v else "."),
        why=_voltage_why(state, verdict),
        do=do,
        source=chem.cite("charge_max_v"),
    )


def _compensation_v(state: State, cell_v: float, temperature_c: float) -> float:
    """What a compensated charger adds to each cell; one made for lead counts its cells at 2.4 V each. [V]"""
    per_cell = state.chem.num("temp_comp") * 1e-3
    if state.chem.kind == "lithium":
        per_cell = -5.0e-3 * cell_v / LEAD_CELL_ABSORB_V
    return per_cell * (temperature_c - 25.0)


def _lithium_voltage(case: Case, state: State, cell_v: float, applied: float, top: float) -> tuple[Verdict, str]:
    off = "Switch off equalise and temperature compensation first; set the charger for this chemistry."
    if cell_v > top + VOLT_TOLERANCE / 2 or applied > top + VOLT_TOLERANCE / 2:
        return Verdict.FORBID, off
    if case.plan.charger.compensated:
        coldest = min(0.0, case.plan.duty.ambient_c if case.plan.duty.ambient_c is not None else 0.0)
        if cell_v + _compensation_v(state, cell_v, coldest) > top:
            return Verdict.ONLY_IF, off
    if case.plan.charger.stage == "equalise":
        return Verdict.CAUTION, off
    return Verdict.FINE, "Nothing; lithium also needs its cells watched one by one."


def _above_lead_limit(case: Case, state: State, cell_v: float, top: float) -> tuple[Verdict, str]:
    chem, charger = state.chem, case.plan.charger
    band = chem.band("equalise_v")
    setting = f"Set the charger to {top * state.unit.cells:.1f} V on this unit, equalise off."
    if band is None:
        return (Verdict.ONLY_IF if cell_v <= top + LEAD_SLIP_V + 1e-9 else Verdict.FORBID), setting
    if cell_v > band[1] + VOLT_TOLERANCE:
        return Verdict.FORBID, setting
    if chem.sealed:
        return Verdict.ONLY_IF, setting + " More only if its maker prints an equalise voltage for this very model."
    short = charger.hours is not None and charger.hours <= EQUALISE_MOST_H
    if charger.stage == "equalise" and short:
        return Verdict.FINE, "Vents open, ventilated, watched; top up water after, not before."
    return (
        Verdict.CAUTION,
        "That is an equalise voltage: by hand, 1 to 3 h, ventilated and watched, not as a daily charge.",
    )


def _voltage_why(state: State, verdict: Verdict) -> str:
    if verdict is Verdict.FINE:
        return "Inside the window."
    if state.chem.kind == "lithium":
        return "Overcharged lithium heats itself, vents and burns."
    if state.chem.sealed:
        return "Gassing dries a sealed battery out for good; hot, it heats itself further (thermal runaway)."
    return "Gassing boils off water, makes hydrogen, and sheds the plates."


@rule(
    "charge-reach",
    title="Does it ever fill",
    gate=Gate.WINDOW,
    questions=("charge", "operate"),
    decides="state of charge at which a cell rests at the charge voltage",
    source="open-circuit curves and float voltages of the chemistry data",
)
def reach(self: Rule, case: Case) -> Iterator[Outcome]:
    """Say when the charger stops far below full, and what a low-voltage cut-off made for lead would do."""
    if case.charge_v is None:
        return
    for state, cell_v in _hardest_per_chemistry(case):
        chem = state.chem
        low = chem.band("float_v")
        if chem.kind != "lithium":
            if low is not None and cell_v < low[0] - VOLT_TOLERANCE:
                yield _never_fills(self, case, state, cell_v, low[0])
            continue
        reached = chem.ocv.soc_at(cell_v)
        if reached >= 0.5:
            continue
        lead_cells = max(1, round(case.charge_v / LEAD_CELL_ABSORB_V))
        cut = 1.75 * lead_cells / case.cells
        tail = f" A lead cut-off of {1.75 * lead_cells:.1f} V would let each cell fall to {cut:.2f} V."
        yield self.finding(
            Verdict.CAUTION,
            [state.unit.id],
            "state of charge reached",
            value=reached,
            limit=0.5,
            says=f"{cell_v:.2f} V a cell fills {chem.name} to about {100 * reached:.0f} %."
            + (tail if cut < chem.num("lvd_v") else ""),
            why="Safe at the top, but most of it lies unused, and a cut-off made for another chemistry empties it too far.",
            do=f"Set the charger to {case.cells * (chem.band('absorb_v') or (0, cell_v))[0]:.1f} V if the loads allow, and the "
            f"disconnect to {case.cells * chem.num('lvd_v'):.1f} V.",
            source=chem.cite("absorb_v"),
        )


def _never_fills(self: Rule, case: Case, state: State, cell_v: float, float_v: float) -> Outcome:
    band = state.chem.band("absorb_v") or (float_v, float_v)
    return self.finding(
        Verdict.CAUTION,
        [state.unit.id],
        "charge voltage per cell",
        value=cell_v,
        limit=float_v,
        unit="V",
        says=f"{cell_v:.2f} V a cell does not even float {state.chem.name}, which needs {float_v:.2f} V; it never fills.",
        why="Never full, lead sulphates and nickel loses capacity.",
        do=f"Set the charger to {case.cells * band[0]:.1f} to {case.cells * band[1]:.1f} V for absorb.",
        source=state.chem.cite("float_v"),
    )


@rule(
    "charge-hold",
    title="Held at a high voltage",
    gate=Gate.WINDOW,
    questions=("charge", "operate"),
    decides="volts per cell held for long against the float band",
    source="float voltages of the chemistry data",
)
def hold(self: Rule, case: Case) -> Iterator[Outcome]:
    """Warn of a bank held above its float voltage for long."""
    charger = case.plan.charger
    long = charger.hours is not None and charger.hours > ROUTINE_HOLD_H
    if case.charge_v is None or not (long or charger.stage == "float"):
        return
    for state, cell_v in _hardest_per_chemistry(case):
        band = state.chem.band("float_v")
        top = band[1] if band else state.chem.num("nominal_v")
        if cell_v <= top + VOLT_TOLERANCE:
            continue
        gassing = state.chem.get("gassing_onset_v", 99.0)
        sealed_gassing = state.chem.kind == "lead" and state.chem.sealed and cell_v >= gassing
        yield self.finding(
            Verdict.ONLY_IF if sealed_gassing else Verdict.CAUTION,
            [state.unit.id],
            "held voltage per cell",
            value=cell_v,
            limit=top,
            unit="V",
            says=f"{cell_v:.2f} V a cell held for "
            + (f"{charger.hours:.0f} h" if charger.hours else "as long as it floats")
            + f"; float is {top:.2f} V at most.",
            why="Standing full and high ages lithium for nothing."
            if state.chem.kind == "lithium"
            else "Held above float it gasses all the time: water goes, plates corrode, a sealed unit dries out.",
            do=f"Float at {top * case.cells:.1f} V or less, or stop charging when full.",
            source=state.chem.cite("float_v"),
        )


@rule(
    "charge-temperature",
    title="Cold and hot charge",
    gate=Gate.WINDOW,
    questions=("charge", "operate"),
    decides="unit temperature against the charge window of its chemistry",
    source="chemistry data (charge_t)",
)
def temperature(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid charging outside the chemistry's temperatures; warn of hot lead."""
    if not _charging(case):
        return
    yield from _temperature_unknown(self, case)
    for state in _extremes(case):
        low, high = (float(t) for t in state.chem.row("charge_t"))
        t = state.temperature_c
        outside = t < low or t > high
        hot_lead = state.chem.kind == "lead" and t >= 40.0
        hot_lithium = state.chem.kind == "lithium" and t > DERATED_FROM_C
        ambient = case.plan.duty.ambient_c
        if not outside and ambient is not None and ambient < low:
            yield _cold_site(self, state, ambient, low)
        if not outside and not hot_lead and not hot_lithium:
            continue
        yield self.finding(
            Verdict.FORBID if outside else Verdict.CAUTION,
            [state.unit.id],
            "temperature on charge",
            value=t,
            limit=low if t < low else high,
            unit="°C",
            says=f"{state.unit.id} is at {t:.0f} °C; charge it between {low:.0f} and {high:.0f} °C.",
            why=_temperature_why(state, t),
            do="Warm it first, slowly and evenly."
            if t < low
            else "Cool it and lower the charge voltage; stop at 50 °C.",
            source=state.chem.cite("charge_t"),
        )


def _temperature_unknown(self: Rule, case: Case) -> Iterator[Outcome]:
    unread = [s for s in case.units if not s.temperature_known]
    lithium = [s for s in unread if s.chem.kind == "lithium"]
    if lithium and "charge" in case.plan.question:
        low, high = (float(t) for t in lithium[0].chem.row("charge_t"))
        yield self.finding(
            Verdict.ONLY_IF,
            [s.unit.id for s in lithium],
            "temperature on charge",
            limit=low,
            unit="°C",
            says="Nobody read these units' temperature, nor says how cold their place gets.",
            why="Lithium charged in the cold plates metal instead of storing it; a short follows later.",
            do=f"Read the temperature of a cell's case: it must be {low:.0f} to {high:.0f} °C.",
            source=lithium[0].chem.cite("charge_t"),
        )
    elif unread:
        yield self.unasked("temperature_c or duty.ambient_c", "The units' temperature is not known.")


def _cold_site(self: Rule, state: State, ambient_c: float, low: float) -> Outcome:
    return self.finding(
        Verdict.ONLY_IF,
        [state.unit.id],
        "coldest temperature on charge",
        value=ambient_c,
        limit=low,
        unit="°C",
        says=f"{state.unit.id} is warm now, but its place falls to {ambient_c:.0f} °C; charge it at {low:.0f} °C or more.",
        why=_temperature_why(state, ambient_c),
        do="Fit a charger or protection that stops the charge when the cells are too cold, or insulate and warm them.",
        source=state.chem.cite("charge_t"),
    )


def _temperature_why(state: State, t: float) -> str:
    if state.chem.kind == "lithium" and t < 5:
        return "Cold lithium plates metal instead of storing it: lost capacity and a short later."
    if state.chem.kind == "lithium" and t > DERATED_FROM_C:
        return "Hot lithium ages fast; its charge current falls to nothing from 45 to 55 °C."
    if state.chem.kind == "lead" and t >= 40:
        return "Every 10 K doubles gassing and ageing; sealed lead can heat itself away."
    return "Outside this window its maker's cells take harm."


def _extremes(case: Case) -> list[State]:
    """The coldest and the hottest unit of each chemistry."""
    found: dict[str, State] = {}
    for key in {s.chem.key for s in case.units}:
        same = [s for s in case.units if s.chem.key == key]
        for state in (min(same, key=lambda s: s.temperature_c), max(same, key=lambda s: s.temperature_c)):
            found[state.unit.id] = state
    return list(found.values())


def _charging(case: Case) -> bool:
    """Whether charging is really asked about: named in the question, or the plan describes a charger."""
    charger = case.plan.charger
    stated = any(v is not None for v in (case.charge_v, charger.amps, charger.charge_frac_per_hour))
    return "charge" in case.plan.question or stated


@rule(
    "charge-frozen",
    title="Frozen acid",
    gate=Gate.WINDOW,
    questions=("charge", "operate", "join"),
    decides="temperature against the freezing point of the acid at its state of charge",
    source="freezing points: US Army TM 9-6140 and a vehicle maker's table, spliced; stay 5 K above",
)
def frozen(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid charging or joining lead whose acid may be ice; bind it to a condition where only the place may freeze it."""
    if not (_charging(case) or "join" in case.plan.question):
        return
    for state in case.units:
        if state.chem.kind != "lead":
            continue
        coldest = min(state.temperature_c, _or_warm(case.plan.duty.ambient_c))
        if coldest >= ALWAYS_LIQUID_C:
            continue
        if state.soc_frac is None and not state.unit.gravity:
            yield _frozen_finding(self, state, state.chem.row("freeze_sg_t")[0][0], coldest, Verdict.ONLY_IF)
            continue
        density = min(state.unit.gravity) if state.unit.gravity else _density(state)
        limit = _freezing_c(state, density) + FREEZING_MARGIN_K
        if state.temperature_c < limit:
            yield _frozen_finding(self, state, density, state.temperature_c, Verdict.FORBID)
        elif coldest < limit:
            yield _frozen_finding(self, state, density, coldest, Verdict.ONLY_IF)


def _or_warm(ambient_c: float | None) -> float:
    return 1e9 if ambient_c is None else ambient_c


def _frozen_finding(self: Rule, state: State, density: float, at_c: float, verdict: Verdict) -> Outcome:
    freezing = _freezing_c(state, density)
    known = state.soc_frac is not None or bool(state.unit.gravity)
    return self.finding(
        verdict,
        [state.unit.id],
        "temperature above freezing acid",
        value=at_c,
        limit=freezing + FREEZING_MARGIN_K,
        unit="°C",
        says=f"Acid of {density:.3f} freezes near {freezing:.0f} °C; {state.unit.id} is, or may come, at {at_c:.0f} °C."
        + ("" if known else " Nobody read its acid or charge: it is taken as empty."),
        why="Ice splits plates and cases; a frozen cell that is charged may burst.",
        do="Thaw it slowly in a warm, ventilated place, look for cracks, and only then charge it, gently."
        if verdict is Verdict.FORBID
        else "Read its acid or rest voltage; keep it charged in the cold, and never charge it when it may be ice.",
        source=state.chem.cite("freeze_sg_t"),
    )


def _density(state: State) -> float:
    """Specific gravity from state of charge by OCV = SG + 0.845 V; sealed types follow the flooded line."""
    from hotchpot.chemistry import chemistry

    assert state.soc_frac is not None
    return chemistry("lead_flooded").ocv.volts(state.soc_frac.value) - 0.845


def _freezing_c(state: State, density: float) -> float:
    table = state.chem.row("freeze_sg_t")
    gravities, temperatures = [1.0, *(float(r[0]) for r in table)], [0.0, *(float(r[1]) for r in table)]
    return interpolate(density, gravities, temperatures)


@rule(
    "charge-rate",
    title="Charge current",
    gate=Gate.CURRENT,
    questions=("charge", "operate", "build"),
    decides="each unit's charge current against its limit at its temperature",
    source="chemistry data (charge_c_max, charge_c_cold) or the unit's label; derated to nothing from 45 to 55 °C",
)
def rate(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold every unit's charge current to its limit, lower when cold or hot, now and on the coldest day."""
    charger = case.plan.charger
    if charger.amps is None and charger.charge_frac_per_hour is None:
        if "charge" in case.plan.question:
            yield self.unasked("charger.amps or charger.charge_frac_per_hour", "The charge current is not stated.")
        return
    amps = _charge_amps(case)
    yield _rate_finding(self, amps, None)
    coldest = case.plan.duty.ambient_c
    if coldest is not None and any(coldest < state.temperature_c for state, _ in amps):
        cold = _rate_finding(self, amps, coldest)
        if cold.verdict is not Verdict.FINE and any(s.charge_limit_at(coldest) > 0 for s, _ in amps):
            yield cold


def _rate_finding(self: Rule, amps: list[tuple[State, float]], ambient_c: float | None) -> Finding:
    """The hardest charged unit, at its own temperature or at that of the coldest day."""

    def limit_a(state: State) -> float:
        return state.charge_limit_at(state.temperature_c if ambient_c is None else min(ambient_c, state.temperature_c))

    state, current = max(amps, key=lambda row: row[1] / max(limit_a(row[0]), 1e-9))
    limit = limit_a(state)
    at = state.temperature_c if ambient_c is None else ambient_c
    ratio = current / max(limit, 1e-9)
    cold = state.cold_charge_c(at) is not None
    verdict = Verdict.FINE
    if ratio > RATE_TOLERANCE:
        verdict = Verdict.FORBID if (ratio > GROSS_RATE or cold) and ambient_c is None else Verdict.ONLY_IF
    return self.finding(
        verdict,
        [state.unit.id],
        "charge current",
        value=current,
        limit=limit,
        unit="A",
        says=f"{state.unit.id} takes {current:.3g} A, {current / state.capacity_ah.value:.2g}C, against {limit:.3g} A at "
        f"{at:.0f} °C" + ("." if ambient_c is None else ", the coldest here."),
        why="Inside its limit."
        if verdict is Verdict.FINE
        else "Too fast heats, gasses, or plates lithium in the cold.",
        do="Nothing."
        if verdict is Verdict.FINE
        else f"Set the charger so that {state.unit.id} takes {limit:.3g} A or less"
        + (", or warm the unit above 15 °C." if cold else "."),
        source=state.chem.cite("charge_c_cold" if cold and "charge_c_cold" in state.chem.values else "charge_c_max"),
    )


def _charge_amps(case: Case) -> list[tuple[State, float]]:
    """Each unit's charge current; of two ways to state it the larger counts. [A]"""
    charger = case.plan.charger
    frac, amps = charger.charge_frac_per_hour or 0.0, charger.amps or 0.0
    if case.bank is None:
        return [(s, max(amps, frac * s.capacity_ah.value)) for s in case.units]
    early = unit_currents(case.bank.root, amps, case.bank.branch_ohm)
    late = capacity_shares(case.bank)
    return [(s, max(early[s.unit.id], amps * late[s.unit.id], frac * s.capacity_ah.value)) for s in case.units]


@rule(
    "charge-nimh",
    title="Ending the charge of sealed nickel-metal hydride",
    gate=Gate.WINDOW,
    questions=EVERY_BANK,
    decides="whether a constant-voltage charger is meant to end the charge",
    source="maker's handbook in the chemistry data: terminate on falling voltage, temperature rise or time",
)
def nimh(self: Rule, case: Case) -> Iterator[Outcome]:
    """A sealed nickel-metal hydride cell has no voltage that ends its charge."""
    units = [s for s in case.units if s.chem.key == "nimh"]
    charger = case.plan.charger
    if units and charger.amps is not None and charger.hours is not None:
        yield from _nimh_overcharge(self, case, charger.hours)
    if not units or case.charge_v is None:
        return
    held = charger.stage == "float" or (charger.hours is not None and charger.hours > ROUTINE_HOLD_H)
    yield self.finding(
        Verdict.FORBID if held else Verdict.ONLY_IF,
        [s.unit.id for s in units],
        "end of charge",
        says="Sealed nickel-metal hydride has no constant-voltage end of charge.",
        why="Its voltage falls when full, so a constant-voltage charger goes on and overheats it.",
        do="Use a charger that stops on falling voltage, on temperature rise, or by time at 0.1C.",
        source=units[0].chem.cite("absorb_v"),
    )


def _nimh_overcharge(self: Rule, case: Case, hours: float) -> Iterator[Outcome]:
    state, amps = max(_charge_amps(case), key=lambda row: row[1] / row[0].capacity_ah.value)
    given = amps * hours / state.capacity_ah.value
    if state.chem.key != "nimh" or given <= NIMH_CHARGE_FACTOR:
        return
    yield self.finding(
        Verdict.FORBID,
        [state.unit.id],
        "charge given over capacity",
        value=given,
        limit=NIMH_CHARGE_FACTOR,
        says=f"{amps:.3g} A for {hours:g} h puts {given:.1f} times its capacity into {state.unit.id}.",
        why="Beyond full, all of it becomes heat and gas in a sealed can.",
        do=f"Stop after {NIMH_CHARGE_FACTOR * state.capacity_ah.value / amps:.1f} h, or on falling voltage or rising temperature.",
        source=state.chem.cite("coulombic_eff"),
    )
