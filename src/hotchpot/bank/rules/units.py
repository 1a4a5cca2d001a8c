"""Is this unit fit to be joined to anything: by look, touch, meter and test."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.rules.registry import EVERY_USE, Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import State
from hotchpot.measure import Basis

CONTRADICTION_FRAC, IMPLAUSIBLE_RATIO = 0.25, 0.1
MISLABELLED_FRAC, CELLS_OF_A_BLOCK = 0.7, 6
LEAK_FORBIDS = 5.0  # times a good unit's self-discharge; project rule
_FLAG_WHY = {
    "swollen": "gas inside means side reactions that do not stop",
    "leaking": "electrolyte outside is corrosive, and what is left inside no longer protects the plates",
    "immersed": "water leaves salts and corrosion that short cells weeks later",
    "burnt": "a separator that has seen fire shorts without warning",
    "crashed": "crushed plates or foils short without warning",
    "hot": "heat without load is an internal short",
    "dented": "a pressed can or pouch may have its separator pinched",
    "unknown_history": "nobody knows how low, hot or long it stood",
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
                why=_FLAG_WHY[flag] + ".",
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
        live = max(live, chem.ocv.volts(0.0))  # among many cells a dead one hardly shows: less than empty is too little
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
    says = f"{unit.id} rests at {volts:.2f} V: {per_cell:.2f} V a cell, below {reject if rejected else live:.2f} V."
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
    "unit-capacity",
    title="Capacity left",
    gate=Gate.UNIT,
    questions=EVERY_USE,
    decides="measured capacity over rated",
    source="IEEE 450 and 1188 replace standby batteries at 80 %; lower limits for light duty are common practice",
)
def capacity(self: Rule, case: Case) -> Iterator[Outcome]:
    """Reject a unit past the knee of its ageing; accept a worn one for light duty."""
    for state in case.units:
        if state.unit.capacity_ah is None:
            continue
        health, limit = state.health_frac, state.chem.num("reject_capacity_frac")
        if health >= 0.80:
            if "accept" in case.plan.question:
                yield _capacity_finding(self, state, Verdict.FINE, health, 0.80)
            continue
        light = limit + 0.05 if state.chem.kind != "lithium" else limit
        verdict = Verdict.FORBID if health < limit else Verdict.ONLY_IF if health < light else Verdict.CAUTION
        yield _capacity_finding(self, state, verdict, health, limit if verdict is not Verdict.CAUTION else 0.80)


def _capacity_finding(self: Rule, state: State, verdict: Verdict, health: float, limit: float) -> Outcome:
    name = state.unit.id
    does = {
        Verdict.FORBID: "Do not build it in; recycle it.",
        Verdict.ONLY_IF: "Light duty only, with its own fuse, and its voltage logged.",
        Verdict.CAUTION: "Usable for light duty; expect it to go first and plan its replacement.",
        Verdict.FINE: "Nothing; log it again in a year.",
    }
    return self.finding(
        verdict,
        [name],
        "capacity over rated",
        value=health,
        limit=limit,
        unit="",
        says=f"{name} holds {state.capacity_ah.value:.3g} Ah, {100 * health:.0f} % of its {state.unit.rated_ah:g} Ah.",
        why="Past the knee, fade is fast and uneven, and the string ends with its weakest unit.",
        do=does[verdict],
    )


@rule(
    "unit-resistance",
    title="Internal resistance",
    gate=Gate.UNIT,
    questions=EVERY_USE,
    decides="measured 10 s DC resistance over that of a good unit of the same size",
    source="IEEE 1188 (from memory): act at +20 to +50 %; 1.5x and 2x are common practice",
)
def resistance(self: Rule, case: Case) -> Iterator[Outcome]:
    """Reject a unit whose resistance has more than doubled."""
    for state in case.units:
        if state.unit.resistance_mohm is None:
            continue
        ratio = state.resistance_ratio
        if ratio < IMPLAUSIBLE_RATIO:
            yield _implausible(self, state, ratio)
        if ratio <= 1.5 + 1e-9:
            continue
        verdict = Verdict.FORBID if ratio > 2.0 + 1e-9 else Verdict.CAUTION
        # What a good unit has is itself only a typical value: a far larger reading is beyond that doubt, a little is not.
        yield self.finding(
            verdict,
            [state.unit.id],
            "resistance over that of a good unit",
            value=ratio,
            limit=2.0 if verdict is Verdict.FORBID else 1.5,
            says=f"{state.unit.id} has {state.resistance_mohm.value:.3g} mΩ, {ratio:.1f} times a good unit of its size.",
            why="Dry-out, corrosion or sulphate: heat concentrates there, and its voltage sags first.",
            do="Reject it."
            if verdict is Verdict.FORBID
            else "Check its terminals, read again at mid charge, and log it.",
            source=f"{self.source}; typical value: {state.chem.cite('r10s_q')}",
        )


def _implausible(self: Rule, state: State, ratio: float) -> Outcome:
    name, mohm = state.unit.id, state.resistance_mohm.value
    return self.finding(
        Verdict.ONLY_IF,
        [name],
        "resistance over that of a good unit",
        value=ratio,
        limit=IMPLAUSIBLE_RATIO,
        says=f"{name} is entered with {mohm:.3g} mΩ, where a good unit of its size has about {mohm / ratio:.3g} mΩ.",
        why="No unit is ten times better than good: a slip of the unit (Ω for mΩ), or an AC meter. Surges, shares and fault "
        "currents follow from it.",
        do="Measure it with two loads, ten seconds each, and enter milliohm.",
        source=state.chem.cite("r10s_q"),
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


@rule(
    "unit-gravity",
    title="Acid of the cells",
    gate=Gate.UNIT,
    questions=(*EVERY_USE, "test"),
    decides="spread of the cells' specific gravity after charge",
    source="0.050: equipment manuals; 0.025: US Army TM 9-6140-200-14; both limits are in use",
)
def gravity(self: Rule, case: Case) -> Iterator[Outcome]:
    """Reject a lead unit whose cells' acid differs too much."""
    for state in case.units:
        readings = state.unit.gravity
        if state.chem.kind != "lead" or len(readings) < 2:
            continue
        spread = max(readings) - min(readings)
        if spread <= 0.025 + 1e-9:
            continue
        verdict = Verdict.FORBID if spread > 0.050 + 1e-9 else Verdict.CAUTION
        yield self.finding(
            verdict,
            [state.unit.id],
            "spread of specific gravity",
            value=spread,
            limit=0.050 if verdict is Verdict.FORBID else 0.025,
            says=f"The cells of {state.unit.id} differ by {spread:.3f} in specific gravity.",
            why="A cell apart from the rest is shorted, sulphated or short of acid.",
            do="Equalise once, vented and watched; if it still differs by more than 0.050, reject the unit.",
        )


@rule(
    "unit-self-discharge",
    title="Leakage",
    gate=Gate.UNIT,
    questions=EVERY_USE,
    decides="measured self-discharge against that of a good unit",
    source="twice new is the common warning line; common practice, no source",
)
def self_discharge(self: Rule, case: Case) -> Iterator[Outcome]:
    """Warn of a leaky unit; reject a lithium unit that leaks three times as fast as a good one."""
    for state in case.units:
        measured = state.unit.self_discharge_frac_month
        typical = state.chem.num("self_discharge") / 100.0
        if measured is None or measured <= 2.0 * typical:
            continue
        grave = measured > 3.0 * typical and state.chem.kind == "lithium"
        shorted = state.chem.kind == "lithium" and measured > LEAK_FORBIDS * typical
        verdict = Verdict.FORBID if shorted or (grave and case.plan.asks("accept")) else Verdict.ONLY_IF
        if state.chem.kind != "lithium" and measured <= 4.0 * typical:
            verdict = Verdict.CAUTION
        yield self.finding(
            verdict,
            [state.unit.id],
            "self-discharge per month",
            value=state.self_discharge_frac_month,
            limit=2.0 * typical,
            says=f"{state.unit.id} loses {100 * measured:.1f} % a month; a good one {100 * typical:.1f} %.",
            why="It drains itself and pulls its string apart; in lithium it may be a growing short.",
            do="Reject it; keep it outdoors and apart."
            if verdict is Verdict.FORBID
            else "Charge it apart and repeat the stand test; in lithium at three times the usual rate, reject it.",
            source=state.chem.cite("self_discharge"),
        )


@rule(
    "unit-contradiction",
    title="Stated charge against the meter",
    gate=Gate.UNIT,
    questions=EVERY_USE,
    decides="stated state of charge against the one that the rest voltage tells",
    source="open-circuit curve and its doubt, chemistry data; a quarter of the charge: project rule",
)
def contradiction(self: Rule, case: Case) -> Iterator[Outcome]:
    """Believe neither where a stated charge and a rested voltage cannot both be true."""
    for state in case.units:
        unit, chem = state.unit, state.chem
        if unit.rest_v is None or unit.soc_frac is None or unit.rest_v < 0:
            continue
        told = chem.ocv.soc_at(unit.rest_v / unit.cells)
        apart_v = abs(unit.rest_v / unit.cells - chem.ocv.volts(unit.soc_frac))
        if abs(told - unit.soc_frac) <= CONTRADICTION_FRAC or apart_v <= 3 * chem.num("ocv_curve_sd"):
            continue
        yield self.finding(
            Verdict.ONLY_IF,
            [unit.id],
            "state of charge by voltage",
            value=told,
            limit=unit.soc_frac,
            says=f"{unit.id} is stated {100 * unit.soc_frac:.0f} % charged, but {unit.rest_v:.2f} V tells {100 * told:.0f} %.",
            why="One of the two is wrong: a weak cell, a meter, a column, or a counter that has drifted.",
            do="Charge it alone to full, rest it, read again; if it falls back, it holds a bad cell.",
            source=chem.cite("ocv_curve_sd"),
        )


@rule(
    "unit-untested",
    title="Units known only by assumption",
    gate=Gate.UNIT,
    questions=(*EVERY_USE, "site", "test"),
    decides="whether capacity, resistance and rest voltage were measured",
    source="project rule: a unit that was never measured is never fine",
)
def untested(self: Rule, case: Case) -> Iterator[Outcome]:
    """Ask for the one test that would settle a unit that was never measured."""
    for state in case.units:
        test = _missing_test(case, state)
        if test is None:
            continue
        what, do = test
        yield self.finding(
            Verdict.ONLY_IF,
            [state.unit.id],
            what,
            value=state.capacity_ah if what == "capacity" else None,
            unit="Ah" if what == "capacity" else "",
            says=f"{state.unit.id}: {what} was never measured"
            + (f"; assumed {state.capacity_ah:.0f} Ah from its age and chemistry." if what == "capacity" else "."),
            why="A verdict that rests on an assumption can be wrong either way.",
            do=do,
        )


def _missing_test(case: Case, state: State) -> tuple[str, str] | None:
    unit = state.unit
    if state.capacity_ah.basis is Basis.ASSUMED:
        rate = unit.rated_ah / unit.rated_hours
        floor = unit.cells * state.chem.num("discharge_min_v")
        return "capacity", (
            f"Test first: charge it full, rest it, discharge at {rate:.3g} A down to {floor:.1f} V and count the Ah."
        )
    joins = any(case.plan.asks(q) for q in ("accept", "join", "discharge", "build", "operate"))
    if unit.resistance_mohm is None and joins:
        step = unit.rated_ah / 10
        return "resistance", (
            f"Measure it: load it with {step:.3g} A, then {2 * step:.3g} A, read the volts 10 s after each change; "
            "R = drop / added amps."
        )
    joined = case.plan.asks("join") and case.bank is not None and len(case.units) > 1
    if state.ocv_v is None and (joined or case.plan.asks("accept")):
        return "rest voltage", (
            f"Rest it {state.chem.num('rest_h_good'):.0f} h with nothing connected and read its voltage to 10 mV."
        )
    return None
