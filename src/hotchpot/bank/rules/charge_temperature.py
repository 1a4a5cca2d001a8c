"""May it be charged at this temperature: cold, heat, frozen acid, now and on the coldest day."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.rules.registry import Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import DERATED_FROM_C, State
from hotchpot.chemistry import interpolate

FREEZING_MARGIN_K = 5.0


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
        known = state.soc_frac is not None or bool(state.unit.gravity)
        density = acid_density(state) if known else float(state.chem.row("freeze_sg_t")[0][0])
        limit = freezing_c(state, density) + FREEZING_MARGIN_K
        if known and state.temperature_c < limit:
            yield _frozen_finding(self, state, density, state.temperature_c, Verdict.FORBID)
        elif coldest < limit:
            yield _frozen_finding(self, state, density, coldest, Verdict.ONLY_IF)


def _or_warm(ambient_c: float | None) -> float:
    return 1e9 if ambient_c is None else ambient_c


def _frozen_finding(self: Rule, state: State, density: float, at_c: float, verdict: Verdict) -> Outcome:
    freezing = freezing_c(state, density)
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


def acid_density(state: State) -> float:
    """
    Return the specific gravity of a lead unit's acid: the lowest that was read, else by its charge.

    By charge OCV = SG + 0.845 V; sealed types follow the flooded line. The charge must be known where nothing was read.
    """
    from hotchpot.chemistry import chemistry

    if state.unit.gravity:
        return min(state.unit.gravity)
    assert state.soc_frac is not None
    return chemistry("lead_flooded").ocv.volts(state.soc_frac.value) - 0.845


def freezing_c(state: State, density: float) -> float:
    """Return where acid of a specific gravity freezes, by the chemistry's table; water below the table. [°C]"""
    table = state.chem.row("freeze_sg_t")
    gravities, temperatures = [1.0, *(float(r[0]) for r in table)], [0.0, *(float(r[1]) for r in table)]
    return interpolate(density, gravities, temperatures)
