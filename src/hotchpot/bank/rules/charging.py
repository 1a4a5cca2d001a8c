"""May it be charged to this voltage: on every cell, far enough, and how long it is held."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.rules.registry import Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import State

VOLT_TOLERANCE = 0.010
LEAD_SLIP_V = 0.05
LEAD_CELL_ABSORB_V = 2.4
ROUTINE_HOLD_H = 24.0
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
    on_units = _volts_on(case, case.charge_v)
    rows: dict[str, tuple[State, float]] = {}
    for state in case.units:
        cell_v = on_units[state.unit.id] / state.unit.cells
        held = rows.get(state.chem.key)
        if held is None or _harder(state, cell_v) > _harder(*held):
            rows[state.chem.key] = (state, cell_v)
    return list(rows.values())


def _volts_on(case: Case, charge_v: float) -> dict[str, float]:
    return case.bank.volts_on(charge_v) if case.bank else {state.unit.id: charge_v for state in case.units}


def _harder(state: State, cell_v: float) -> tuple[float, float]:
    """Order units by how hard a charge is on them: by voltage, then lead by heat and compensated lithium by cold."""
    colder = state.chem.kind == "lithium"
    return round(cell_v, 9), -state.temperature_c if colder else state.temperature_c


def _voltage_finding(self: Rule, case: Case, state: State, cell_v: float) -> Outcome:
    chem, charger = state.chem, case.plan.charger
    top = chem.num("charge_max_v")
    hot_limit = top + min(0.0, chem.num("temp_comp") * 1e-3 * (state.temperature_c - 25.0))
    applied = cell_v + (compensation_v(state, cell_v, state.temperature_c) if charger.compensated else 0.0)
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


def compensation_v(state: State, cell_v: float, temperature_c: float) -> float:
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
        if cell_v + compensation_v(state, cell_v, coldest) > top:
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
        low = state.chem.band("float_v")
        if state.chem.kind != "lithium" and low is not None and cell_v < low[0] - VOLT_TOLERANCE:
            yield _never_fills(self, case, state, cell_v, low[0])
    for state, cell_v, reached in _least_filled(case, case.charge_v):
        chem = state.chem
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


def _least_filled(case: Case, charge_v: float) -> list[tuple[State, float, float]]:
    """Return the lithium unit of each chemistry that the charge fills least, by its own curve where it was measured."""
    on_units = _volts_on(case, charge_v)
    rows: dict[str, tuple[State, float, float]] = {}
    for state in case.units:
        cell_v = on_units[state.unit.id] / state.unit.cells
        reached = state.ocv_curve.soc_at(cell_v)
        held = rows.get(state.chem.key)
        if state.chem.kind == "lithium" and (held is None or reached < held[2]):
            rows[state.chem.key] = (state, cell_v, reached)
    return list(rows.values())


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
