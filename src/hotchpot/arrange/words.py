"""The search in words: what limits a proposal, why units are left over, and what to do when nothing can be offered."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from hotchpot.arrange.court import Court
from hotchpot.arrange.pool import Pool, cell_counts, makeable_v
from hotchpot.bank.arrangement import show
from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.rules.registry import listing
from hotchpot.bench.state import State


def why(bank: Bank, pool: Pool, left: Sequence[State], refused: Collection[str], better: Collection[str]) -> str:
    """
    Return one sentence: what limits the bank, and why each unit left over is left over.

    `refused` are units that may not be joined, `better` those that a larger proposal of the same pool uses.
    """
    spare = [state for state in left if state.unit.id not in refused]
    reasons: dict[str, list[str]] = {}
    for state in left:
        reason = "{units} may not be joined" if state not in spare else _reason(state, bank, pool, spare, better)
        reasons.setdefault(reason, []).append(state.unit.id)
    over = "; ".join(reason.format(units=listing(names, 4)) for reason, names in reasons.items())
    return f"{_limit(bank)}; {over or 'no unit is left over'}."


def _limit(bank: Bank) -> str:
    root = bank.root
    if not root.children:
        return f"{root.ids[0]} makes the voltage alone"
    short = [(_surplus(node), node) for node in root.walk() if node.is_series]
    if not short:
        return "Side by side every unit gives all it holds"
    loss, node = max(short, key=lambda row: row[0])
    weak = min(node.children, key=lambda child: child.capacity_ah.value)
    if loss < 0.005 * node.capacity_ah.value:
        return "The members of each string are equal, so nothing is held back"
    return f"{_name(weak)} with {weak.capacity_ah.value:.3g} Ah limits {'the' if root is node else 'its'} string"


def _surplus(node: Node) -> float:
    return max(child.capacity_ah.value for child in node.children) - node.capacity_ah.value


def _name(node: Node) -> str:
    return f"The group of {listing(node.ids, 4)}" if len(node.ids) > 1 else node.ids[0]


def _reason(state: State, bank: Bank, pool: Pool, spare: Sequence[State], better: Collection[str]) -> str:
    """Return why a unit that may be joined is left over, with a place for the units' names."""
    if state.chem.family != pool.family:
        return f"{{units}}: {state.chem.name} never shares a bank with {pool.family} types"
    if all(other.unit.id != state.unit.id for other in pool.states):
        return f"{{units}} cannot be part of {pool.cells} cells in series"
    weakest = min((node.capacity_ah.value for node in bank.strings), default=0.0)
    if state.capacity_ah.value < weakest * (1 - 1e-9):
        return f"{{units}} would pull a string down to {state.capacity_ah.value:.3g} Ah"
    if state.unit.id in better:
        return "{units} could be used, as in a larger proposal"
    if sum(s.unit.cells for s in spare if s.chem is state.chem) < pool.cells:
        return "{units} would raise no string's weakest member, and too few are left for another string"
    return "{units} would add nothing that is allowed"


def nothing_makes(system_v: float, fit: Sequence[State], rejected: Mapping[str, str]) -> str:
    """Return why no arrangement has the voltage, and which voltages the pile could make."""
    if not fit:
        return (
            f"Nothing may be joined: {_refusals(rejected)} Add units that are fit, or measure again what was refused."
        )
    wanted = []
    for chem in {s.chem.key: s.chem for s in fit}.values():
        fitting = cell_counts(chem, system_v)
        counts = " or ".join(map(str, fitting)) if len(fitting) <= 3 else f"{min(fitting)} to {max(fitting)}"
        most = sum(s.unit.cells for s in fit if s.chem is chem)
        need = f"{counts} cells of one type in series" if counts else "no whole number of cells fits"
        wanted.append(f"{chem.name}: {need}, {most} in the pile")
    volts = makeable_v(fit)
    could = f" The pile could make {_or(f'{v:g} V' for v in volts)}." if volts else ""
    refused = f" Refused: {_refusals(rejected)}" if rejected else ""
    help_text = could or " More units of one of these types would help."
    return f"Nothing in the pile makes {system_v:g} V ({'; '.join(wanted)}).{help_text}{refused}"


def nothing_safe(system_v: float, court: Court, considered: int, *, cut: bool) -> str:
    """Return why no arrangement that has the voltage may be joined, and what would help."""
    tried = f"{considered} arrangement{'s' if considered != 1 else ''} listed for {system_v:g} V"
    if court.first_refusal is None:
        if not considered and not cut:
            return f"{tried}: no string of allowed members has that voltage. Other units or another voltage would help."
        return f"{tried}, and the search was stopped before one was judged. Give it more time."
    block, finding = court.first_refusal
    best = f"The largest, {show(block)}, is forbidden: {finding.says} {finding.do}"
    if cut:
        return f"{tried}, and none of those judged before the search was stopped may be joined. {best}"
    return f"{tried}, and none may be joined. {best}"


def _refusals(rejected: Mapping[str, str]) -> str:
    said = list(rejected.values())
    more = f" And {len(said) - 3} more." if len(said) > 3 else ""
    return (" ".join(said[:3]) or "the pile is empty.") + more


def _or(words: Iterable[str]) -> str:
    return " or ".join(words)
