"""What the tests say of a unit: capacity, resistance, acid, leakage, contradictions, and what was never tested."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.rules.registry import EVERY_USE, Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import State
from hotchpot.measure import Basis

CONTRADICTION_FRAC, IMPLAUSIBLE_RATIO = 0.25, 0.1
LEAK_FORBIDS = 5.0  # times a good unit's self-discharge; project rule
# What the bench says of a unit's readings that no figure of its state carries: verdict and quantity by remark.
HEARD = {
    "contradiction": (Verdict.CAUTION, "distance of two readings, in joint standard deviations"),
    "drift": (Verdict.ONLY_IF, "fall of the rest voltage a day and cell"),
    "cutoff-missed": (Verdict.ONLY_IF, "voltage under load at the run's first reading"),
    "run-past": (Verdict.CAUTION, "lowest voltage of the run"),
    "capacity-implausible": (Verdict.ONLY_IF, "capacity over rated"),
    "full-not-shown": (Verdict.CAUTION, "capacity, as a lower bound"),
}


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
    title="Readings that contradict each other",
    gate=Gate.UNIT,
    questions=EVERY_USE,
    decides="stated state of charge against the one that the rest voltage tells; the bench's readings against each other",
    source="open-circuit curve and its doubt, chemistry data; a quarter of the charge: project rule",
)
def contradiction(self: Rule, case: Case) -> Iterator[Outcome]:
    """Believe neither where a stated charge and a rested voltage, or two readings, cannot both be true."""
    for state in case.units:
        yield from _doubted_readings(self, state)
        unit, chem = state.unit, state.chem
        if unit.rest_v is None or unit.soc_frac is None or unit.rest_v < 0:
            continue
        told = state.ocv_curve.soc_at(unit.rest_v / unit.cells)
        apart_v = abs(unit.rest_v / unit.cells - state.ocv_curve.volts(unit.soc_frac))
        if abs(told - unit.soc_frac) <= CONTRADICTION_FRAC or apart_v <= 3 * state.ocv_sd_at(unit.soc_frac):
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


def _doubted_readings(self: Rule, state: State) -> Iterator[Outcome]:
    for remark in state.remarks:
        heard = HEARD.get(remark.code)
        if heard is not None:
            yield self.finding(
                heard[0],
                [state.unit.id],
                heard[1],
                value=remark.value,
                limit=remark.limit,
                says=remark.says,
                why=remark.why,
                do=remark.do,
                source=remark.source,
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
