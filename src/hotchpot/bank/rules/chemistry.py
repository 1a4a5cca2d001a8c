"""May these kinds of battery share terminals or a current: chemistry, plate type, cells in series."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.bank import Node
from hotchpot.bank.rules.registry import EVERY_BANK, Case, Outcome, Rule, listing, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.chemistry import Chemistry


@rule(
    "chemistry-parallel",
    title="One chemistry family in parallel",
    gate=Gate.CHEMISTRY,
    questions=EVERY_BANK,
    decides="chemistry families sharing two terminals, and the voltage window they would have in common",
    source="physics: cells in parallel share one voltage; windows from the chemistry data",
)
def parallel(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid unlike families on one pair of terminals."""
    for node in case.parallels:
        kinds = _kinds(node)
        families = {chem.family for chem in kinds}
        if len(families) > 1:
            yield _mixed_parallel(self, case, node, kinds)
        elif len(kinds) > 1 and families == {"layered"}:
            yield self.finding(
                Verdict.ONLY_IF,
                node.ids,
                "lithium types in parallel",
                says=f"{_names(kinds)} share one voltage range but not one curve.",
                why="Which one works changes with the charge; at some charge one carries nearly all the current.",
                do="Fuse each branch, protect each by itself, use the lowest charge limit, and watch the shares by clamp.",
            )


def _mixed_parallel(self: Rule, case: Case, node: Node, kinds: list[Chemistry]) -> Outcome:
    ceilings = {c.name: _cells_of(node, c) * c.num("charge_max_v") for c in kinds}
    floors = {c.name: _cells_of(node, c) * c.num("discharge_min_v") for c in kinds}
    cold = max((_cells_of(node, c) * -c.num("temp_comp") * 25e-3 for c in kinds), default=0.0)
    surge = max((abs(j.current_a.value) for j in case.surges if j.node is node), default=None)
    window = f"they share {max(floors.values()):.1f} to {min(ceilings.values()):.1f} V"
    if max(floors.values()) >= min(ceilings.values()):
        window = "they have no voltage in common"
    flow = f" {surge:.0f} A would flow at once." if surge is not None and surge >= 1 else ""
    return self.finding(
        Verdict.FORBID,
        node.ids,
        "chemistry families on one pair of terminals" if surge is None else "joining current",
        value=surge,
        unit="A" if surge is not None else "",
        says=f"{_names(kinds)} in parallel: {window}.{flow}",
        why=f"A charger that lowers and raises its volts with temperature adds {cold:.1f} V at 0 °C, and an equalise stage "
        "more: one of them leaves its window, and one carries almost all the cycling.",
        do="Keep them as two banks and couple them through a DC-DC converter.",
    )


@rule(
    "chemistry-series",
    title="One chemistry and plate type in a string",
    gate=Gate.CHEMISTRY,
    questions=EVERY_BANK,
    decides="chemistries carrying one current",
    source="physics: one current, so one charge taper; common practice for plate types",
)
def series(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid unlike chemistries or plate types in one string."""
    for node in case.strings:
        kinds = _kinds(node)
        if len(kinds) < 2:
            continue
        plates = all(chem.kind == "lead" for chem in kinds)
        yield self.finding(
            Verdict.FORBID,
            node.ids,
            "plate types in one string" if plates else "chemistries in one string",
            value=float(len(kinds)),
            limit=1.0,
            says=f"{_names(kinds)} in one string.",
            why="They want different charge voltages from one current: one gasses while the other is not full."
            if plates
            else "One needs overcharge current at the top, the other must get none; the volts split unevenly.",
            do="Build each string from one type; join strings of unlike plates in parallel at the lowest charge limit."
            if plates
            else "Build separate banks and couple them through a DC-DC converter.",
        )


@rule(
    "plates-parallel",
    title="Unlike lead plates in parallel",
    gate=Gate.CHEMISTRY,
    questions=EVERY_BANK,
    decides="lowest charge limit of the plate types",
    source="charge limits from the chemistry data; common practice",
)
def plates(self: Rule, case: Case) -> Iterator[Outcome]:
    """Ask for the lowest charge limit and no equalise where lead plate types share terminals."""
    for node in case.parallels:
        kinds = _kinds(node)
        if len(kinds) < 2 or any(chem.kind != "lead" for chem in kinds):
            continue
        lowest = min(kinds, key=lambda chem: chem.num("charge_max_v"))
        limit = lowest.num("charge_max_v")
        volts = None if case.charge_v is None else case.charge_v / case.cells
        met = volts is not None and volts <= limit + 1e-9 and case.plan.charger.stage != "equalise"
        yield self.finding(
            Verdict.CAUTION if met else Verdict.ONLY_IF,
            node.ids,
            "charge voltage per cell",
            value=volts,
            limit=limit,
            unit="V",
            says=f"{_names(kinds)} in parallel: the charger may give {limit:.2f} V a cell, {limit * case.cells:.1f} V in all.",
            why="The sealed plates dry out at the voltage that the others want, and cannot be refilled.",
            do="Leave the charger so, equalise off; equalise flooded units apart, disconnected."
            if met
            else f"Set the charger to {limit * case.cells:.1f} V at most at 25 °C, equalise off; "
            "equalise flooded units apart, disconnected.",
            source=lowest.cite("charge_max_v"),
        )


@rule(
    "cells-parallel",
    title="Equal cells in series on shared terminals",
    gate=Gate.CELLS,
    questions=EVERY_BANK,
    decides="cells in series of the branches; the current that would flow",
    source="Kirchhoff's voltage law",
)
def cells_parallel(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid branches of unlike voltage on one pair of terminals."""
    for node in case.parallels:
        counts = [child.cells for child in node.children]
        if len(set(counts)) == 1:
            continue
        if len({chem.family for chem in _kinds(node)}) > 1:
            continue  # the chemistry rule has decided, and cell counts of unlike chemistries do not compare
        worst = max((j for j in case.surges if j.node is node), key=lambda j: abs(j.current_a.value), default=None)
        few, many = min(counts), max(counts)
        top_v = many * node.states[0].ocv_curve.volts(0.9)
        yield self.finding(
            Verdict.FORBID,
            node.ids,
            "joining current",
            value=None if worst is None else worst.worst,
            limit=0.0,
            unit="A",
            says=f"{few} cells in series joined to {many}"
            + ("." if worst is None else f": {worst.worst.value:.0f} A would flow at once."),
            why=f"Shared terminals mean one voltage: {top_v / few:.1f} V on each of the {few} cells, which boil and burst. "
            "Equal amp-hours do not help.",
            do="Put units in series until every branch has the same number of cells.",
        )


@rule(
    "cells-series",
    title="Unlike units in one string",
    gate=Gate.WINDOW,
    questions=("join", "build"),
    decides="cells in series of a string whose units differ in voltage",
    source="physics: one current, each unit its own voltage; charge voltage per cell from the chemistry data",
)
def cells_series(self: Rule, case: Case) -> Iterator[Outcome]:
    """Allow unlike voltages in a string on condition that the charger is set by the cell count."""
    for node in case.strings:
        counts = {child.cells for child in node.children}
        kinds = _kinds(node)
        if len(counts) < 2 or len(kinds) > 1:
            continue
        band = kinds[0].band("absorb_v")
        volts = node.cells * (band or (0.0, kinds[0].num("charge_max_v")))[0]
        yield self.finding(
            Verdict.ONLY_IF,
            node.ids,
            "charge voltage",
            value=case.charge_v,
            limit=node.cells * kinds[0].num("charge_max_v"),
            unit="V",
            says=f"The string has {node.cells} cells in units of {listing(sorted(counts))} cells: harmless in itself.",
            why="Few chargers fit an odd cell count, and a charger made for another count over- or undercharges every cell.",
            do=f"Use a charger set to {volts:.1f} V ({node.cells} cells); same type, age and measured Ah throughout.",
            source=kinds[0].cite("absorb_v"),
        )


@rule(
    "nickel-parallel",
    title="Nickel strings in parallel",
    gate=Gate.WINDOW,
    questions=("join", "charge", "build", "operate"),
    decides="whether strings with a falling voltage at full charge are charged together",
    source="chemistry data: the voltage of a full nickel cell falls with its temperature",
)
def nickel(self: Rule, case: Case) -> Iterator[Outcome]:
    """Keep nickel strings from running away into one another on charge."""
    for node in case.parallels:
        kinds = _kinds(node)
        if any(chem.kind != "nickel" for chem in kinds) or len({chem.family for chem in kinds}) > 1:
            continue
        sealed = kinds[0].sealed
        charger = case.plan.charger
        charged = "charge" in case.plan.question or charger.volts or charger.amps or charger.charge_frac_per_hour
        verdict = Verdict.CAUTION if not sealed else Verdict.FORBID if charged else Verdict.ONLY_IF
        yield self.finding(
            verdict,
            node.ids,
            "strings charged together",
            value=float(len(node.children)),
            limit=1.0,
            says=f"{len(node.children)} {kinds[0].name} branches share terminals.",
            why="A full nickel cell's voltage falls as it warms, so the fullest string draws ever more of the charge.",
            do="Charge each string by itself, through its own diode or contactor; discharge them together.",
            source=kinds[0].cite("absorb_v"),
        )


def _kinds(node: Node) -> list[Chemistry]:
    found = {state.chem.key: state.chem for state in node.states}
    return list(found.values())


def _names(kinds: list[Chemistry]) -> str:
    return listing(chem.name for chem in kinds)


def _cells_of(node: Node, chem: Chemistry) -> int:
    return max(child.cells for child in node.children if any(s.chem is chem for s in child.states))
