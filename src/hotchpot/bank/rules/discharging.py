"""May it be discharged so: current, cut-off and temperature."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.bank import sum_over_cells
from hotchpot.bank.rules.registry import Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict

LOW_SYSTEM_FRAC, HIGH_SYSTEM_FRAC = 0.15, 0.25


@rule(
    "discharge-rate",
    title="Load against the whole bank",
    gate=Gate.CURRENT,
    questions=("discharge", "operate", "build"),
    decides="load over capacity against lasting and peak rates",
    source="chemistry data (discharge_c_cont, discharge_c_peak) or labels",
)
def rate(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the lasting load to the bank's lasting rate."""
    if case.bank is None:
        return
    load = case.load_a
    if load is None:
        yield self.unasked("duty.load_a or duty.load_w", "The load is not stated.")
        return
    capacity = case.bank.root.capacity_ah
    state = min(case.units, key=lambda s: s.discharge_limit_a() / s.capacity_ah.value)
    lasting = capacity.value * state.discharge_limit_a() / state.capacity_ah.value
    peak = capacity.value * state.peak_limit_a() / state.capacity_ah.value
    verdict = Verdict.FORBID if load > peak else Verdict.ONLY_IF if load > lasting * 1.0001 else Verdict.FINE
    yield self.finding(
        verdict,
        case.bank.root.ids,
        "load over capacity",
        value=load,
        limit=peak if verdict is Verdict.FORBID else lasting,
        unit="A",
        says=f"The load draws {load:.3g} A from {capacity:.3g} Ah: {load / capacity.value:.2g}C, against {lasting:.3g} A lasting "
        f"and {peak:.3g} A peak.",
        why="Inside the lasting rate."
        if verdict is Verdict.FINE
        else "Fast discharge gives fewer amp-hours, sags below the cut-off, and heats joints and plates.",
        do="Nothing."
        if verdict is Verdict.FINE
        else f"Cut the load to {lasting:.3g} A, or use {load / lasting * capacity.value:.0f} Ah or more.",
        source=state.chem.cite("discharge_c_cont"),
    )


@rule(
    "discharge-temperature",
    title="Cold and hot discharge",
    gate=Gate.WINDOW,
    questions=("discharge", "operate"),
    decides="unit temperature against the discharge window of its chemistry",
    source="chemistry data (discharge_t)",
)
def temperature(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid discharge outside the chemistry's temperatures."""
    if case.bank is None and "discharge" not in case.plan.question:
        return
    for state in case.units:
        low, high = (float(t) for t in state.chem.row("discharge_t"))
        t = state.temperature_c
        if low <= t <= high:
            continue
        yield self.finding(
            Verdict.FORBID,
            [state.unit.id],
            "temperature on discharge",
            value=t,
            limit=low if t < low else high,
            unit="°C",
            says=f"{state.unit.id} is at {t:.0f} °C; discharge it between {low:.0f} and {high:.0f} °C.",
            why="Outside its window resistance soars or the cells break down.",
            do="Bring it back inside its temperatures first.",
            source=state.chem.cite("discharge_t"),
        )


@rule(
    "disconnect",
    title="Low-voltage disconnect",
    gate=Gate.WINDOW,
    questions=("discharge", "build", "operate", "charge"),
    decides="disconnect volts per cell against the lowest allowed and the usual setting",
    source="chemistry data (discharge_min_v, lvd_v)",
)
def disconnect(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the low-voltage disconnect above what harms the cells."""
    volts = case.plan.protection.disconnect_v
    if case.bank is None:
        return
    if volts is None:
        if "discharge" in case.plan.question or not case.plan.question:
            yield self.unasked("protection.disconnect_v", "The low-voltage disconnect is not stated.")
        return
    floor, usual = sum_over_cells(case.bank.root, "discharge_min_v"), sum_over_cells(case.bank.root, "lvd_v")
    lithium = any(state.chem.kind == "lithium" for state in case.units)
    state = case.units[0]
    verdict = Verdict.FINE
    if volts < floor - 0.01:
        verdict = Verdict.FORBID if lithium else Verdict.ONLY_IF
    elif volts < usual - 0.1 * case.cells:
        verdict = Verdict.CAUTION
    if verdict is Verdict.FINE:
        return
    yield self.finding(
        verdict,
        case.bank.root.ids,
        "low-voltage disconnect",
        value=volts,
        limit=floor if verdict is not Verdict.CAUTION else usual,
        unit="V",
        says=f"The disconnect opens at {volts:.1f} V, {volts / case.cells:.2f} V a cell; {floor / case.cells:.2f} V is the lowest "
        f"allowed and {usual / case.cells:.2f} V is usual.",
        why="The weakest cell is far below the average by then, and is driven into reversal.",
        do=f"Set it to {usual:.1f} V.",
        source=state.chem.cite("discharge_min_v"),
    )


@rule(
    "duty-energy",
    title="Energy for the still days",
    gate=Gate.SITE,
    questions=("operate", "discharge"),
    decides="energy the bank may give against the duty's energy over its still days",
    source="common practice: depth of discharge 0.5 for lead, 0.8 for others",
)
def energy(self: Rule, case: Case) -> Iterator[Outcome]:
    """Warn when the bank cannot carry the duty through its still days."""
    duty = case.plan.duty
    if case.bank is None or duty.energy_wh_per_day is None or duty.still_days is None:
        return
    root = case.bank.root
    depth = min(0.5 if s.chem.kind == "lead" else 0.8 for s in case.units)
    cold = 1.0
    if duty.ambient_c is not None:
        cold = min(s.chem.at_temperature("capacity_t_slow", duty.ambient_c) for s in case.units)
    energy_wh = root.capacity_ah * root.nominal_v * depth * cold
    needed = duty.energy_wh_per_day * duty.still_days
    enough = energy_wh.lower() >= needed
    yield self.finding(
        Verdict.FINE if enough else Verdict.CAUTION,
        root.ids,
        "energy for the still days",
        value=energy_wh,
        limit=needed,
        unit="Wh",
        says=f"{energy_wh.value:.0f} Wh may be used (to {100 * depth:.0f} % depth, cold counted); the duty needs {needed:.0f} Wh.",
        why="A bank run deeper than this wears out fast, and a cold one holds less.",
        do="Nothing." if enough else "Add units, cut loads, or plan a generator for the still days.",
    )


@rule(
    "system-voltage",
    title="Bank against system voltage",
    gate=Gate.CELLS,
    questions=("join", "build", "operate", "discharge", "charge"),
    decides="nominal voltage of the bank against that of the system",
    source="project rule: from 15 % below to 25 % above covers every chemistry; beyond, it is another system",
)
def system_voltage(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the bank to the voltage that its loads are made for."""
    wanted = case.plan.duty.system_v
    if case.bank is None or wanted is None:
        return
    nominal = case.bank.root.nominal_v
    if -LOW_SYSTEM_FRAC * wanted <= nominal - wanted <= HIGH_SYSTEM_FRAC * wanted:
        return
    high = nominal > wanted
    yield self.finding(
        Verdict.FORBID if high else Verdict.ONLY_IF,
        case.bank.root.ids,
        "nominal voltage",
        value=nominal,
        limit=wanted,
        unit="V",
        says=f"The bank is {nominal:.1f} V nominal, the system {wanted:g} V.",
        why="Loads made for less are destroyed at once." if high else "Loads made for more do not start.",
        do="Arrange units for the system's voltage, or put a converter made for both between them.",
    )
