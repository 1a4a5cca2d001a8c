"""What one shared current does to unlike units: the weakest empties first, the smallest overfills."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.bank import Node, sum_over_cells
from hotchpot.bank.rules.registry import EVERY_BANK, Case, Outcome, Rule, listing, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import State
from hotchpot.measure import Basis, Measure

MATCHED_FRAC, PER_UNIT_FRAC, LOST_FRAC = 0.10, 0.20, 1.0 / 3.0
TWELVE_VOLT_PACKS_IN_SERIES_V = 60.0


@rule(
    "series-capacity",
    title="Equal amp-hours in a string",
    gate=Gate.CURRENT,
    questions=("join", "build"),
    decides="spread of measured capacity between the members of a string (groups by their sum)",
    source="10 %, or 20 % with per-unit charging: common practice, no source; above a third: project rule",
)
def capacity(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the members of a string to one capacity; series forces equal current, so amp-hours decide."""
    for node in case.strings:
        by_capacity = sorted(node.children, key=lambda child: child.capacity_ah.value)
        weak, strong = by_capacity[0], by_capacity[-1]
        low, high = weak.capacity_ah, strong.capacity_ah
        spread = (high.value - low.value) / high.value
        verdict = Verdict.FINE
        if Basis.ASSUMED in (low.basis, high.basis):
            verdict = Verdict.ONLY_IF  # a guess forbids nothing; the untested rule asks for the run that settles it
        elif spread > LOST_FRAC:
            verdict = Verdict.FORBID
        elif spread > MATCHED_FRAC + 1e-9:
            verdict = Verdict.ONLY_IF
        sd = (low / high).sd
        yield self.finding(
            verdict,
            weak.ids,
            "capacity spread in series",
            value=Measure(spread, sd, low.basis if low.basis is Basis.ASSUMED else high.basis),
            limit=LOST_FRAC if verdict is Verdict.FORBID else MATCHED_FRAC,
            says=f"{_name(weak)} holds {low:.3g} Ah, {_name(strong)} {high:.3g} Ah: {100 * spread:.0f} % apart; the string "
            f"gives {low.value:.3g} Ah.",
            why=_ends(case, node, weak, verdict),
            do=_series_do(verdict, spread),
        )


def _name(node: Node) -> str:
    return listing(node.ids, 4) if not node.is_parallel else f"the group of {listing(node.ids, 4)}"


def _ends(case: Case, node: Node, weak: Node, verdict: Verdict) -> str:
    """What the weakest member reads when the string reaches its limits."""
    low_v = case.plan.protection.disconnect_v or sum_over_cells(node, "lvd_v")
    at_empty = round(low_v - (node.nominal_v - weak.nominal_v), 3) + 0.0  # never "-0.0"
    cell_v = at_empty / weak.cells
    floor = weak.states[0].chem.num("discharge_min_v")
    if verdict is Verdict.FINE:
        return "Within what the trade matches by; still log every unit's voltage."
    return (
        f"When the string is at {low_v:.1f} V the weak one can be at {at_empty:.1f} V, {cell_v:.2f} V a cell "
        f"(lowest allowed {floor:.2f}), and then below zero; on charge it is full first and takes the rest as overcharge."
    )


def _series_do(verdict: Verdict, spread: float) -> str:
    if verdict is Verdict.FINE:
        return "Log the unit voltages at the end of discharge and at absorb."
    if verdict is Verdict.FORBID:
        return (
            "Do not put them in series. Group units in parallel until the groups' Ah agree, then put groups in series."
        )
    if spread <= PER_UNIT_FRAC:
        return (
            "Charge each unit by itself to its own limit, and cut off on the weakest unit's voltage; or re-sort by Ah."
        )
    return (
        "Only with a charger and a low-voltage cut-off on each unit by itself, and duty sized to the weakest; "
        "better re-sort by measured Ah."
    )


@rule(
    "series-charge",
    title="Equal state of charge in a string",
    gate=Gate.CURRENT,
    questions=("join",),
    decides="spread of state of charge between the members of a string, in amp-hours of the smaller",
    source="lithium 5 %, others 10 %: common practice, no source",
)
def charge(self: Rule, case: Case) -> Iterator[Outcome]:
    """Ask for full members before a string is closed: series keeps whatever gap it is built with."""
    for node in case.strings:
        unknown = [state.unit.id for state in node.states if _charge_frac(state) is None]
        if unknown:
            yield self.unasked("rest_v", f"Neither voltage nor charge of {listing(unknown, 4)} is known.")
            continue
        lithium = any(state.chem.kind == "lithium" for state in node.states)
        limit = 0.05 if lithium else 0.10
        levels = [
            (_level(child), max(s.soc_doubt_frac for s in child.states), child.states[0]) for child in node.children
        ]
        low, high = min(levels, key=lambda r: r[0]), max(levels, key=lambda r: r[0])
        spread, doubt = high[0] - low[0], max(level[1] for level in levels)
        flat = doubt > 2 * limit
        if spread <= limit and not flat:
            continue
        says = f"{low[2].unit.id} stands at {100 * low[0]:.0f} % charge, {high[2].unit.id} at {100 * high[0]:.0f} %."
        if flat and spread <= limit:
            says = f"Rest voltage tells the charge of {low[2].unit.id} only to ± {100 * doubt:.0f} %: its curve is flat there."
        yield self.finding(
            Verdict.ONLY_IF,
            [low[2].unit.id, high[2].unit.id],
            "spread of state of charge",
            value=Measure(spread, doubt, Basis.MEASURED),
            limit=limit,
            says=says,
            why="A string keeps the gap it is built with: the low one is reversed first, the high one overfilled first.",
            do="Charge each member alone to full, rest it, and close the string then.",
        )


def _level(node: Node) -> float:
    """State of charge of a string's member; a group stands where its units will have levelled."""
    held = sum((_charge_frac(s) or 0.0) * s.capacity_ah.value for s in node.states)
    return held / sum(s.capacity_ah.value for s in node.states)


def _charge_frac(state: State) -> float | None:
    """State of charge as known, else by the voltage through the unit's curve; None where neither is known."""
    if state.soc_frac is not None:
        return state.soc_frac.value
    return None if state.ocv_v is None else state.ocv_curve.soc_at(state.ocv_v.value / state.unit.cells)


@rule(
    "series-drift",
    title="Drift against the balancer",
    gate=Gate.CURRENT,
    questions=("join", "operate", "build"),
    decides="difference in self-discharge in Ah a day against what the balancer moves",
    source="physics: a lithium string has no overcharge shuttle, so imbalance integrates for ever",
)
def drift(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the daily drift of a lithium string to what its balancer can move."""
    for node in case.strings:
        leaks = list(node.states)
        measured = [s for s in leaks if s.unit.self_discharge_frac_month is not None]
        if not measured or any(s.chem.kind != "lithium" for s in leaks):
            continue
        rates = [s.self_discharge_frac_month.value for s in leaks]
        spread = max(rates) - min(rates)
        mah = 1000.0 * spread * node.capacity_ah.value / 30.0
        moves = case.plan.protection.balancer_mah_per_day
        if mah < 1.0:
            continue
        if moves is None:
            yield self.unasked("protection.balancer_mah_per_day", f"The string drifts {mah:.0f} mAh a day.")
            continue
        short = mah > moves
        leaky = max(leaks, key=lambda s: s.self_discharge_frac_month.value)
        yield self.finding(
            Verdict.ONLY_IF if short else Verdict.FINE,
            [leaky.unit.id],
            "drift a day",
            value=mah,
            limit=moves,
            unit="mAh",
            says=f"{leaky.unit.id} drifts {mah:.0f} mAh a day from the others; the balancer moves {moves:.0f}.",
            why="What the balancer cannot move adds up until one cell is full or empty before the rest.",
            do="Refit or replace the leaky unit, charge per unit, or fit a stronger balancer." if short else "Nothing.",
        )


@rule(
    "lithium-protection",
    title="Cell-level protection on lithium",
    gate=Gate.PROTECTION,
    questions=EVERY_BANK,
    decides="whether every lithium cell of a string is watched and can be cut off",
    source="physics: string voltage cannot show one cell; chemistry data for the cell limits",
)
def protection(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid lithium cells in series without cell-level cut-off."""
    lithium = [s for s in case.units if s.chem.kind == "lithium"]
    if not lithium or case.plan.protection.bms:
        return
    in_series = any(s.unit.cells > 1 for s in lithium) or any(
        s.chem.kind == "lithium" for node in case.strings for s in node.states
    )
    bare = [s for s in lithium if s.unit.bms is False or (s.unit.bms is None and case.plan.protection.bms is False)]
    unknown = [s for s in lithium if s.unit.bms is None and case.plan.protection.bms is None]
    if not in_series or not (bare or unknown):
        return
    state = (bare or unknown)[0]
    cells = case.cells if case.bank else state.unit.cells
    chem = state.chem
    absorb = (chem.band("absorb_v") or (0.0, chem.num("charge_max_v")))[0]
    full = cells * (chem.num("charge_max_v") - 0.05) - (cells - 1) * absorb
    empty = cells * chem.num("lvd_v") - (cells - 1) * chem.num("nominal_v")
    yield self.finding(
        Verdict.FORBID if bare else Verdict.ONLY_IF,
        [s.unit.id for s in (bare or unknown)],
        "voltage of one cell that the string hides",
        value=full,
        limit=chem.num("charge_max_v"),
        unit="V",
        says=f"{listing(s.unit.id for s in (bare or unknown))}: "
        + ("no cell-level protection." if bare else "nobody says whether there is cell-level protection."),
        why=f"With {cells} cells in series, a charger's own limit lets one full cell reach {full:.2f} V and a low-voltage "
        f"disconnect lets one empty cell fall to {empty:.2f} V; a cell is safe from {chem.num('discharge_min_v'):.1f} to "
        f"{chem.num('charge_max_v'):.2f} V.",
        do="Fit protection that watches every cell and opens both charge and discharge, or leave the cells apart.",
        source=chem.cite("charge_max_v"),
    )


@rule(
    "protection-rating",
    title="Protection electronics' own limits",
    gate=Gate.PROTECTION,
    questions=("join", "build", "discharge", "charge"),
    decides="string charge voltage against what an open switch withstands; current against what it carries",
    source="physics: an open switch in a string sees the whole string; rating from the unit's label",
)
def rating(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold packs with electronics in series to the voltage that their open switches can stand."""
    for node in case.strings:
        packs = [s for s in node.states if s.unit.bms]
        if len(node.children) < 2 or not packs:
            continue
        top = sum_over_cells(node, "charge_max_v")
        rated = [(s.unit.bms_max_v, s) for s in packs if s.unit.bms_max_v is not None]
        if rated and min(rated, key=lambda r: r[0])[0] < top:
            volts, state = min(rated, key=lambda r: r[0])
            yield self.finding(
                Verdict.FORBID,
                [state.unit.id],
                "voltage on an open switch",
                value=top,
                limit=volts,
                unit="V",
                says=f"The string reaches {top:.1f} V; the switches of {state.unit.id} stand {volts:.1f} V.",
                why="When one pack's protection opens under load, its switches take the whole string's voltage and burn out, "
                "often closed.",
                do="Use packs rated for the string, or one protection unit made for the whole string.",
            )
        elif not rated and all(s.unit.max_in_series is None for s in packs) and any(s.unit.cells > 1 for s in packs):
            if top > TWELVE_VOLT_PACKS_IN_SERIES_V:
                yield self.finding(
                    Verdict.ONLY_IF,
                    [s.unit.id for s in packs],
                    "voltage on an open switch",
                    value=top,
                    unit="V",
                    says=f"The string reaches {top:.1f} V and nobody says what the packs' switches stand.",
                    why="An open switch takes the whole string's voltage.",
                    do="Find each pack's rated series count or voltage on its label, and enter max_in_series or bms_max_v.",
                )
            else:
                yield self.unasked("max_in_series or bms_max_v", f"The packs' switches may see {top:.1f} V.")
