"""May it be charged this fast, and what ends the charge where no voltage does."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.ratings import capacity_shares
from hotchpot.bank.rules.registry import EVERY_BANK, Case, Outcome, Rule, rule
from hotchpot.bank.surge import unit_currents
from hotchpot.bank.verdict import Finding, Gate, Verdict
from hotchpot.bench.state import State

ROUTINE_HOLD_H = 24.0
NIMH_CHARGE_FACTOR = 1.6  # 16 h at 0.1C, the makers' timed charge; from memory
RATE_TOLERANCE, GROSS_RATE = 1.01, 2.0


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
    sealed = [row for row in _charge_amps(case) if row[0].chem.key == "nimh"]
    state, amps = max(sealed, key=lambda row: row[1] / row[0].capacity_ah.value)
    given = amps * hours / state.capacity_ah.value
    if given <= NIMH_CHARGE_FACTOR:
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
