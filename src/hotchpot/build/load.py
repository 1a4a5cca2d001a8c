"""From stillness to work: pre-charge, first load, first charge, trips, and the readings to keep."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from hotchpot.bank.bank import Bank, Node, sum_over_cells
from hotchpot.bank.ratings import capacity_shares
from hotchpot.bank.rules.charging import VOLT_TOLERANCE
from hotchpot.bank.rules.fuses import FUSE_LOAD_FRAC
from hotchpot.bank.rules.protection import HARMLESS_INRUSH_J
from hotchpot.bank.rules.registry import Case
from hotchpot.bank.rules.wiring import JOINT_MOHM, JOINT_MV
from hotchpot.bank.surge import unit_currents
from hotchpot.bench.state import State
from hotchpot.build.charge import TIMED_C
from hotchpot.build.step import Step, amps, between, gathered, names, step, volts
from hotchpot.build.topup import NIMH_HOURS, NIMH_TOP_V
from hotchpot.electrics.fault import precharge

FIRST_LOAD_C, FIRST_LOAD_MIN = 0.1, 10.0
SHARE_TOLERANCE = 0.20
PRECHARGE_OHM, PRECHARGED_FRAC = 47.0, 0.95
UNIT_SPREAD_FRAC = 0.02  # of a unit's volts at absorb; midpoint alarms of battery monitors, common practice
CELL_SPREAD_V = 0.15  # lithium at full; common practice, no source
HOT_LEAD_C, HOT_LITHIUM_C = 50.0, 45.0
MOST_SHARES = 8


def branch_amps(node: Node, parts: Mapping[str, float]) -> float:
    """Return a block's current from those of its units: one path through a string, all branches of a group. [A]"""
    while node.is_series:
        node = node.children[0]
    if not node.children:
        return abs(parts[node.ids[0]])
    return sum(branch_amps(child, parts) for child in node.children)


def precharged(case: Case, rest_v: float) -> Iterator[Step]:
    """Yield the pre-charge of an inverter's capacitors, where a bare closing would weld contacts."""
    capacitance, bank = case.plan.protection.inverter_capacitance_mf, case.bank
    if bank is None:
        return
    if not capacitance:
        yield _isolator(bank, " If an inverter hangs on it, first hold 47 Ω across the isolator until its volts stand.")
        return
    bare = precharge(bank.root.resistance_ohm.value, capacitance * 1e-3, rest_v)
    if bare.energy_j < HARMLESS_INRUSH_J:
        yield _isolator(bank, "")
        return
    ohm = case.plan.protection.precharge_ohm or PRECHARGE_OHM
    filled = precharge(ohm, capacitance * 1e-3, rest_v)
    target = PRECHARGED_FRAC * rest_v
    yield step(
        "Pre-charge the inverter",
        f"Hold the pre-charge contact ({ohm:g} Ω, {filled.peak_w:.0f} W at first) for {max(filled.time_s, 1.0):.3g} s "
        "or more, reading the volts at the inverter; then close the isolator.",
        units=bank.root.ids,
        reads=f"{volts(target)} or more, rising to {volts(rest_v)}",
        expect=rest_v,
        tolerance=rest_v - target,
        unit="V",
        stop_if=f"below {volts(target)} after {max(5 * filled.time_s, 5.0):.3g} s: something draws current; open.",
        why=f"Closed bare, the capacitors draw {bare.peak_a:.0f} A at first and weld the contact.",
        minutes=filled.time_s / 60.0,
    )


def _isolator(bank: Bank, first: str) -> Step:
    return step(
        "Close the isolator",
        f"Loads switched off, close the isolator.{first}",
        units=bank.root.ids,
        reads="0 A on the clamp at the main lead",
        expect=0.0,
        tolerance=0.5,
        unit="A",
        stop_if="it sparks hard, or current flows with all loads off: open it.",
        why="Nothing should flow until a load is switched on.",
    )


def first_load(case: Case) -> Iterator[Step]:
    """Yield the first load and what each branch should carry of it."""
    assert case.bank is not None
    bank, root = case.bank, case.bank.root
    load, parts = _first_load_a(case, bank)
    joint_mv = min(JOINT_MV, JOINT_MOHM * load)
    yield step(
        "First load",
        f"Draw {amps(load)} from the bank for {FIRST_LOAD_MIN:g} min.",
        units=root.ids,
        reads=f"{amps(load)} on the clamp at the main lead",
        expect=load,
        tolerance=0.1 * load,
        unit="A",
        stop_if=f"the bank falls below {volts(sum_over_cells(root, 'lvd_v'))}, or a unit warms or hisses.",
        why="A tenth of the capacity an hour shows bad joints and shares, and harms nothing.",
        minutes=FIRST_LOAD_MIN,
    )
    yield from _shares(case, parts)
    yield step(
        "Read the joints",
        "With the load on, read across every joint, lug to post, and feel it.",
        units=root.ids,
        reads=f"{joint_mv:.2g} mV or less (or the meter's last digit), no warmer than the lead",
        expect=0.0,
        tolerance=joint_mv,
        unit="mV",
        stop_if=f"a joint shows more than {joint_mv:.2g} mV or warms: load off, clean it, set its torque, read again.",
        why="A bad joint heats, loosens and starts fires.",
    )


def _first_load_a(case: Case, bank: Bank) -> tuple[float, dict[str, float]]:
    """A tenth of the capacity, less where a share would pass a unit's limit, a fuse, or the load is smaller; with shares."""
    protection = case.plan.protection
    load = FIRST_LOAD_C * bank.root.capacity_ah.value
    parts = unit_currents(bank.root, load, bank.branch_ohm)
    rooms = [state.discharge_limit_a() / max(parts[state.unit.id], 1e-9) for state in bank.units]
    if protection.main_fuse_a:
        rooms.append(FUSE_LOAD_FRAC * protection.main_fuse_a / load)
    if protection.unit_fuse_a:
        branches = [child for node in case.parallels for child in node.children]
        rooms += [FUSE_LOAD_FRAC * protection.unit_fuse_a / max(branch_amps(c, parts), 1e-9) for c in branches]
    if case.load_a:
        rooms.append(case.load_a / load)
    ease = min(1.0, *rooms)
    return load * ease, {name: ease * part for name, part in parts.items()}


def _shares(case: Case, parts: Mapping[str, float]) -> Iterator[Step]:
    nodes = list(case.parallels)
    for group in gathered(nodes, id, lambda n: (len(n.children), n.cells), most=MOST_SHARES):
        branches = [(child, branch_amps(child, parts)) for node in group for child in node.children]
        currents = [current for _, current in branches]
        middle = 0.5 * (min(currents) + max(currents))
        spread = (1.0 + SHARE_TOLERANCE) * max(currents) - middle
        each = "; ".join(f"{names(child.ids)} {amps(current)}" for child, current in branches)
        if len(branches) > MOST_SHARES:
            each = f"{between(currents, amps)} in each branch"
        units = [name for node in group for name in node.ids]
        yield step(
            f"Clamp the branches of {names(units)}",
            "With the load on, clamp each branch lead in turn.",
            units=units,
            reads=f"{each}; each ± {100 * SHARE_TOLERANCE:.0f} %",
            expect=middle,
            tolerance=spread,
            unit="A",
            stop_if=f"a branch is off by more than {100 * SHARE_TOLERANCE:.0f} %: load off, check its joints.",
            why="At first current divides by resistance; a branch that carries too little has a bad joint or unit.",
        )


def absorb_v(case: Case) -> float:
    """Return what the first charge is watched to: the charger's setting, else the lowest absorb voltage. [V]"""
    assert case.bank is not None
    own = _absorb_v(case.bank.root)
    return own if case.charge_v is None else min(case.charge_v, sum_over_cells(case.bank.root, "charge_max_v"))


def _absorb_v(node: Node) -> float:
    if not node.children:
        state = node.states[0]
        return state.unit.cells * (state.chem.band("absorb_v") or (0.0, state.chem.num("charge_max_v")))[1]
    parts = [_absorb_v(child) for child in node.children]
    return sum(parts) if node.is_series else min(parts)


def _compensation_v(node: Node) -> float:
    """What the temperature adds to a block's charge voltage, by its chemistry's coefficient. [V]"""
    if not node.children:
        state = node.states[0]
        return state.unit.cells * state.chem.num("temp_comp") * 1e-3 * (state.temperature_c - 25.0)
    parts = [_compensation_v(child) for child in node.children]
    return sum(parts) if node.is_series else min(parts)


def first_charge(case: Case) -> Iterator[Step]:
    """Yield the first charge, watched unit by unit to the absorb voltage."""
    assert case.bank is not None
    bank, target = case.bank, absorb_v(case)
    if any(state.chem.key == "nimh" for state in bank.units):
        yield _timed_charge(case, bank)
        return
    shift = _compensation_v(bank.root)
    target_now = target + (shift if case.plan.charger.compensated else 0.0)
    top = max(sum_over_cells(bank.root, "charge_max_v") + max(shift, 0.0), target_now) + VOLT_TOLERANCE * case.cells
    top = min(top, (1.0 + UNIT_SPREAD_FRAC) * target_now)
    setting = f"Set the charger to {volts(target)}"
    if case.plan.charger.compensated and abs(shift) > 0.05:
        setting += f" (its setting for 25 °C; its sensor makes that {volts(target_now)} here)"
    most_a = _first_charge_a(case, bank)
    yield step(
        "Connect the charger",
        f"Charger off, or its panels or turbine disconnected: join it to the bank, plus to plus. {setting}, {amps(most_a)} or "
        "less, equalise off.",
        units=bank.root.ids,
        reads="the bank's own volts at the charger's terminals, plus on plus",
        stop_if="the sign is wrong, or the settings cannot be made.",
        why="A charger feels for its battery first: battery before panels, always.",
    )
    yield step(
        "First charge",
        f"Switch the charger on, with somebody beside it, until the bank stands at {volts(target_now)}; {amps(most_a)} or less.",
        units=bank.root.ids,
        reads=f"{volts(target_now)} at the bank's terminals",
        expect=target_now,
        tolerance=VOLT_TOLERANCE * case.cells,
        unit="V",
        stop_if=f"the bank passes {volts(top)}: charger off, mend its setting.",
        why="A wrong setting or a weak unit shows here for the first time.",
    )
    if not bank.strings:
        return  # side by side every unit has the bank's voltage: there is nothing more to read
    on_units = bank.volts_on(target_now)
    for group in gathered(bank.units, lambda s: (s.chem.key, s.unit.cells), lambda s: s.chem.key, most=MOST_SHARES):
        yield _at_absorb(group, [on_units[state.unit.id] for state in group])


def _first_charge_a(case: Case, bank: Bank) -> float:
    """The largest first charge current: each unit's limit at its temperature over its share, and the charger's own. [A]"""
    shares = unit_currents(bank.root, 1.0, bank.branch_ohm)
    late = capacity_shares(bank)
    limits = [s.charge_limit_at(s.temperature_c) / max(shares[s.unit.id], late[s.unit.id], 1e-9) for s in bank.units]
    return min([*limits, case.plan.charger.amps] if case.plan.charger.amps else limits)


def _timed_charge(case: Case, bank: Bank) -> Step:
    """Sealed nickel-metal hydride has no absorb voltage: its charge ends by time, falling voltage or warmth."""
    amp = TIMED_C * min(state.capacity_ah.value for state in bank.units)
    top = bank.root.cells * NIMH_TOP_V
    apart = " Charge each string by itself, the fuses of the others out." if case.parallels else ""
    return step(
        "First charge",
        f"After the first load has been taken out, charge at {amps(amp)} with a charger that stops on falling voltage or "
        f"rising temperature, {NIMH_HOURS:g} h at most from empty and much less from here, with somebody beside it.{apart}",
        units=bank.root.ids,
        reads=f"{amps(amp)}, each unit no more than hand-warm",
        expect=amp,
        tolerance=0.1 * amp,
        unit="A",
        stop_if=f"a unit passes {HOT_LITHIUM_C:.0f} °C, the bank {volts(top)}, or the voltage falls: it is full.",
        why="Past full all of the charge becomes heat and gas in a sealed can.",
        minutes=60.0 * NIMH_HOURS,
    )


def _at_absorb(group: list[State], expected: list[float]) -> Step:
    chem, units = group[0].chem, [state.unit.id for state in group]
    lithium = chem.kind == "lithium"
    middle = 0.5 * (min(expected) + max(expected))
    tops = [_stop_v(state, unit_v) for state, unit_v in zip(group, expected, strict=True)]
    spread = min([UNIT_SPREAD_FRAC, *(top / unit_v - 1.0 for top, unit_v in zip(tops, expected, strict=True))])
    tolerance = spread * max(expected) + max(expected) - middle
    cell = f", or a cell above {chem.num('charge_max_v'):.2f} V or {CELL_SPREAD_V:g} V from the rest" if lithium else ""
    hot = HOT_LITHIUM_C if lithium else HOT_LEAD_C
    return step(
        f"Read each {chem.name} unit at absorb",
        f"While the charger holds its absorb voltage, read {names(units)} one by one"
        + (", and every cell behind its own protection." if lithium else "."),
        units=units,
        reads=f"{between(expected, volts)} each, ± {100 * spread:.1g} %",
        expect=middle,
        tolerance=tolerance,
        unit="V",
        stop_if=f"a unit passes {between(tops, volts)}{cell}, or {hot:.0f} °C: charger off.",
        why="A string's volts hide a unit that is full before the others, or weak.",
    )


def _stop_v(state: State, expected_v: float) -> float:
    """The voltage at which a unit ends the first charge: lithium's limit is strict, others spread round their share."""
    colder = max(0.0, state.chem.num("temp_comp") * 1e-3 * (state.temperature_c - 25.0))
    limit = state.unit.cells * (state.chem.num("charge_max_v") + colder + VOLT_TOLERANCE)
    return limit if state.chem.kind == "lithium" else max(limit, (1.0 + UNIT_SPREAD_FRAC) * expected_v)


def trips(case: Case) -> Iterator[Step]:
    """Yield a trial of everything that is to protect the bank."""
    assert case.bank is not None
    root = case.bank.root
    planned, floor = case.plan.protection.disconnect_v, sum_over_cells(root, "discharge_min_v")
    disconnect = planned if planned is not None and planned >= floor else sum_over_cells(root, "lvd_v")
    yield step(
        "Trip the low-voltage disconnect",
        "Charger off and a small load on, raise its setting until it opens, and set it back. If there is none, fit one.",
        units=root.ids,
        reads=f"opens at the bank's volts; then set to {volts(disconnect)}",
        expect=disconnect,
        tolerance=0.01 * disconnect,
        unit="V",
        stop_if="it does not open, or closes again by itself at once.",
        why="It is what keeps the weakest unit from reversal.",
    )
    guarded = [s.unit.id for s in root.states if s.unit.bms or (case.plan.protection.bms and s.chem.kind == "lithium")]
    if guarded:
        yield step(
            f"Trip the protection of {names(guarded)}",
            "Where it has a test button or a setting, let each open on charge and on discharge; where it has none, "
            "find its limits in its papers and write them down.",
            units=guarded,
            reads="0 A on the clamp while it is open",
            expect=0.0,
            tolerance=0.5,
            unit="A",
            stop_if="one does not open both ways.",
            why="It is the last thing between a cell and fire; it must not be tried for the first time in need.",
        )


def dump_load(case: Case) -> Iterator[Step]:
    """Yield the trial of what takes a turbine's power, before the first charge depends on it."""
    assert case.bank is not None
    if case.plan.charger.source != "wind":
        return
    yield step(
        "Try the dump load",
        "In light wind, the battery connected and the brake in reach, lower the dump's setting below the bank's volts "
        "until the dump load takes over; then set it back.",
        units=case.bank.root.ids,
        stop_if="the turbine speeds up: brake it.",
        why="A turbine without a load destroys itself and what it is joined to.",
    )


def baseline(case: Case) -> Iterator[Step]:
    """Yield what to write down while all is new."""
    assert case.bank is not None
    yield step(
        "Keep the baseline",
        "Write down the date, every unit's rest volts and temperature, the branch amps and joint millivolts at the "
        "first load, and every unit's volts at absorb; read the same again after a week.",
        units=case.bank.root.ids,
        why="A unit that drifts is found by comparing with its own first day.",
    )
