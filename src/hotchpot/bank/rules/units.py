"""Is this unit fit to be joined to anything: by look, touch and rest voltage."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.rules.registry import EVERY_USE, Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import State

MISLABELLED_FRAC, CELLS_OF_A_BLOCK = 0.7, 6
_FLAG_WHY = {
    "swollen": "Gas inside means side reactions that do not stop",
    "leaking": "Electrolyte outside is corrosive, and what is left inside no longer protects the plates",
    "immersed": "Water leaves salts and corrosion that short cells weeks later",
    "burnt": "A separator that has seen fire shorts without warning",
    "crashed": "Crushed plates or foils short without warning",
    "hot": "Heat without load is an internal short",
    "dented": "A pressed can or pouch may have its separator pinched",
    "unknown_history": "Nobody knows how low, hot or long it stood",
}


@rule(
    "unit-look",
    title="Damage that is seen, smelt or felt",
    gate=Gate.UNIT,
    questions=(*EVERY_USE, "site", "test"),
    decides="the flags of the pile entry",
    source="common practice, no source",
)
def look(self: Rule, case: Case) -> Iterator[Outcome]:
    """Reject every unit with a flag that means damage; ask for tests where only the history is unknown."""
    for state in case.units:
        for flag in state.unit.flags:
            verdict = Verdict.FORBID
            if flag == "unknown_history":
                verdict = Verdict.CAUTION if state.unit.capacity_ah is not None else Verdict.ONLY_IF
            elif flag == "dented" and state.chem.kind != "lithium":
                verdict = Verdict.CAUTION
            do = "Do not join, charge or store it indoors; take it to a licensed battery collection."
            if verdict is not Verdict.FORBID:
                do = "Test capacity, resistance and a month's self-discharge before it joins anything; watch it warm."
            yield self.finding(
                verdict,
                [state.unit.id],
                "look",
                says=f"{state.unit.id} is marked {flag.replace('_', ' ')}.",
                why=f"{_FLAG_WHY[flag]}.",
                do=do,
            )


@rule(
    "unit-polarity",
    title="Reversed units",
    gate=Gate.UNIT,
    questions=EVERY_USE,
    decides="sign of the rest voltage",
    source="common practice, no source",
)
def polarity(self: Rule, case: Case) -> Iterator[Outcome]:
    """Reject a unit whose voltage is negative."""
    for state in case.units:
        volts = state.unit.rest_v
        if volts is not None and volts < 0:
            yield self.finding(
                Verdict.FORBID,
                [state.unit.id],
                "rest voltage",
                value=volts,
                limit=0.0,
                unit="V",
                says=f"{state.unit.id} reads {volts:.2f} V: reversed, or read with the leads the wrong way round.",
                why="A unit driven below zero is damaged inside, and across a live bank it is a short circuit.",
                do="Put the red lead on the post marked plus and the black on minus, and read again; if that reads negative, "
                "it is reversed: scrap it.",
            )


@rule(
    "unit-rest-voltage",
    title="Dead cells and deep discharge, by rest voltage",
    gate=Gate.UNIT,
    questions=EVERY_USE,
    decides="rest voltage per cell against the lowest from which the chemistry recovers, and against all cells alive",
    source="chemistry data; common practice",
)
def rest_voltage(self: Rule, case: Case) -> Iterator[Outcome]:
    """Reject units found too low, and lead units whose voltage leaves room for a dead cell."""
    for state in case.units:
        volts = state.unit.rest_v
        if volts is None or volts < 0:
            continue
        found = _low_voltage(self, case, state, volts) or _high_voltage(self, state, volts)
        if found is not None:
            yield found


def _low_voltage(self: Rule, case: Case, state: State, volts: float) -> Outcome | None:
    unit, chem = state.unit, state.chem
    per_cell, reject = volts / unit.cells, chem.num("reject_rest_v")
    live = chem.get("live_cells_v", reject)
    if unit.cells > CELLS_OF_A_BLOCK:
        # Among many cells a dead one hardly shows: less than empty is too little. Held to the chemistry's curve, as a
        # dead cell is in the unit's own.
        live = max(live, chem.ocv.volts(0.0))
    if chem.kind != "lead":
        live = chem.num("discharge_min_v")
    if per_cell >= live:
        return None
    rejected = per_cell < reject - 1e-9
    verdict = Verdict.FORBID if rejected else Verdict.ONLY_IF
    if chem.kind == "nickel" and not chem.sealed:
        verdict = Verdict.CAUTION  # vented nickel stands at nothing unharmed
    if chem.kind == "lead" and set(case.plan.question) != {"accept"}:
        verdict = Verdict.FORBID  # joined to others, one dead cell is overcharged and boiled by all the rest
    says = f"{unit.id} rests at {volts:.2f} V: {per_cell:.3f} V a cell, below {reject if rejected else live:.3g} V."
    why, do = _low_words(state, per_cell)
    return self.finding(
        verdict,
        [unit.id],
        "rest voltage per cell",
        value=per_cell,
        limit=reject if rejected else live,
        unit="V",
        says=says,
        why=why,
        do=do,
        source=chem.cite("reject_rest_v"),
    )


def _low_words(state: State, per_cell: float) -> tuple[str, str]:
    unit, chem = state.unit, state.chem
    lowest = chem.num("reject_rest_v")
    if chem.kind == "lead":
        alive = per_cell * unit.cells / chem.ocv.volts(0.8)
        why = f"That is what about {alive:.0f} live cells of {unit.cells} read: a shorted cell takes the others' charge, gasses and overheats for ever."
        healthy = unit.cells * chem.ocv.volts(0.5)
        if alive <= MISLABELLED_FRAC * unit.cells:
            why = f"It reads as {alive:.0f} cells do: either its cell count is entered wrong, or most of it is dead."
            return why, "Look at the label and count the cells first. Never charge it for more cells than it has."
        do = f"Charge it alone, outdoors, to its absorb voltage; rest it a day; below {healthy:.1f} V or any cell apart from the rest: scrap it."
    elif chem.kind == "lithium" and unit.bms and per_cell < 0.5 * lowest:
        why = "Its protection has switched off, so the terminals tell nothing of the cells; woken on a live bus it slams in."
        do = f"Read every cell directly: all must show {lowest:.1f} V or more; then wake and charge it alone."
    elif chem.kind == "lithium":
        why = "Below this, copper dissolves into the cell and shorts it at a later charge."
        do = "Reject it. No slow recharge gives back what is dissolved."
        if per_cell >= lowest:
            do = "Charge it alone at 0.1C or less to mid charge, watch its temperature, rest it a day and read again."
    else:
        why = "Empty or with a shorted cell; the terminal voltage cannot tell which."
        do = "Charge it alone, rest it and read every cell."
    return why, do


def _high_voltage(self: Rule, state: State, volts: float) -> Outcome | None:
    unit, chem = state.unit, state.chem
    per_cell, top = volts / unit.cells, chem.num("charge_max_v")
    margin = 0.02 if chem.kind == "lithium" else 0.15
    if per_cell <= top + margin:
        return None
    lithium = chem.kind == "lithium"
    return self.finding(
        Verdict.FORBID if lithium else Verdict.ONLY_IF,
        [unit.id],
        "rest voltage per cell",
        value=per_cell,
        limit=top,
        unit="V",
        says=f"{unit.id} rests at {per_cell:.2f} V a cell, above its charge limit of {top:.2f} V.",
        why="Either it was overcharged, or its cell count or chemistry is entered wrong.",
        do="Check the label and the cell count; an overcharged lithium unit is rejected, outdoors."
        if lithium
        else "Check the cell count, rest it a day and read again.",
        source=chem.cite("charge_max_v"),
    )


@rule(
    "unit-warm",
    title="Warm at rest",
    gate=Gate.UNIT,
    questions=(*EVERY_USE, "site", "test"),
    decides="temperature above surroundings with nothing connected",
    source="common practice, no source",
)
def warm(self: Rule, case: Case) -> Iterator[Outcome]:
    """Reject a unit that makes heat with nothing connected."""
    for state in case.units:
        rise = state.unit.rest_rise_k
        if rise is not None and rise > 1.0:
            yield self.finding(
                Verdict.FORBID,
                [state.unit.id],
                "temperature rise at rest",
                value=rise,
                limit=1.0,
                unit="K",
                says=f"{state.unit.id} is {rise:.1f} K warmer than its surroundings with nothing connected.",
                why="Heat at rest is an internal short.",
                do="Carry it outdoors, away from anything that burns, and keep it apart; reject it.",
            )
