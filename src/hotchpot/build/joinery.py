"""The steps of joining itself: parallel groups from the inside out, strings, strings in parallel, isolation."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.bank import Node
from hotchpot.bank.rules.joining import rounded_up
from hotchpot.bank.rules.protection import TOUCH_V
from hotchpot.bank.rules.registry import Case
from hotchpot.build.charge import Preparation
from hotchpot.build.closing import CLAMP_FLOOR_A, Assembly, Closing
from hotchpot.build.step import Step, amps, between, gathered, names, step, volts
from hotchpot.build.topup import through, widest_gap_v

MOST_CLOSINGS, MOST_STRINGS = 8, 6
STRING_TOLERANCE = 0.01
LEAK_V, LEAK_FRAC = 10.0, 0.1
LEAK_KOHM, HIGH_LEAK_KOHM = 10.0, 100.0


def joining_steps(prepared: Preparation) -> Iterator[Step]:
    """Yield the closings of every parallel node and the reading of every string, inside first."""
    together = prepared.after
    level = together.height
    closings = gathered(
        together.closings,
        id,
        lambda c: id(c.node),
        lambda c: (level[id(c.node)], len(c.node.children), c.node.cells),
        lambda c: level[id(c.node)],
        most=MOST_CLOSINGS,
    )
    strings = gathered(
        [node for node in together.nodes if node.is_series],
        id,
        lambda n: (level[id(n)], n.cells, len(n.children)),
        lambda n: level[id(n)],
        most=MOST_STRINGS,
    )
    work: list[tuple[int, Iterator[Step]]] = []
    work += [(min(level[id(c.node)] for c in group), _closing_steps(prepared, group)) for group in closings]
    work += [(min(level[id(n)] for n in group), iter([_string(together, group)])) for group in strings]
    for _, steps in sorted(work, key=lambda row: row[0]):
        yield from steps


def _closing_steps(prepared: Preparation, group: list[Closing]) -> Iterator[Step]:
    still = [(closing, prepared.still[id(closing)]) for closing in group if id(closing) in prepared.still]
    yield _gap(prepared, group, bool(still))
    if still:
        yield through(still, instead=False)
    elif any(not closing.fine for closing in group):
        yield _level(group)
    levelled = {id(c): c.allowed_v for c in group if not still and not c.fine}
    yield _close(
        group, {**levelled, **{id(closing): resistor.stop_v for closing, resistor in still}}, resistor=bool(still)
    )


def _where(group: list[Closing]) -> str:
    if len(group) == 1:
        return f"{names(group[0].branch.ids)} to {names(group[0].joined_ids)}"
    nodes = {id(closing.node): closing.node for closing in group}
    if len(nodes) == 1:
        first = group[0]
        order = [names(first.joined_ids), *(names(closing.branch.ids) for closing in group)]
        return ", ".join(order[:8]) + (" and so on, nearest voltage next" if len(order) > 8 else " in this order")
    return f"the branches of {len(nodes)} groups, nearest voltages first"


def _units(group: list[Closing]) -> list[str]:
    return list(dict.fromkeys(name for c in group for name in (*c.joined_ids, *c.branch.ids)))


def _gap(prepared: Preparation, group: list[Closing], resistor: bool) -> Step:
    """The reading across the open fuse holder before it is closed."""
    gap = max(abs(closing.gap_v.value) for closing in group)
    tolerance = 2.0 * max(closing.gap_v.sd for closing in group)
    rough = resistor or any(not closing.fine for closing in group)
    most = gap + tolerance if rough else min(widest_gap_v(prepared, closing) for closing in group)
    then = ": find out why before going on" if rough else ": do not close; charge the low one and rest it"
    return step(
        f"Read the gap: {_where(group)}",
        _first_fuse(group)
        + "Tighten all but the fuse; put the meter across the open fuse holder"
        + (f" of {names(group[0].branch.ids)}." if len(group) == 1 else " of each branch as its turn comes."),
        units=_units(group),
        reads=f"{volts(gap)} ± {volts(tolerance)}" if len(group) == 1 else f"{volts(gap + tolerance)} or less at each",
        expect=gap,
        tolerance=tolerance,
        unit="V",
        stop_if=f"above {volts(most)}{then}. Near {volts(2 * abs(group[0].settled_v))} a lead is reversed.",
        why="The voltage across the open holder is what will drive the current when it closes.",
    )


def _level(group: list[Closing]) -> Step:
    """No charge and no resistor brings these level within a day: draw the higher side down until they are."""
    units, allowed = _units(group), min(closing.allowed_v for closing in group)
    return step(
        f"Level first: {_where(group)}",
        "Draw the higher side down through a lamp or heater, in short spells with an hour of rest after each, until "
        f"the open holder shows {volts(allowed)} or less.",
        units=units,
        reads=f"{volts(allowed)} or less across the open holder, rested",
        expect=0.0,
        tolerance=allowed,
        unit="V",
        stop_if="the gap does not fall: judge again with new readings.",
        why=f"Above {volts(allowed)} more than a fifth of a unit's limit flows, or too much of its charge moves.",
    )


def _first_fuse(group: list[Closing]) -> str:
    """The fuse of the branch that the others join goes in first, else the meter would read across two open holders."""
    first = [closing for closing in group if len(closing.joined) == 1]
    if not first:
        return ""
    which = names(first[0].joined_ids) if len(first) == 1 else "the first branch of each group"
    return f"Put the fuse of {which} in first; nothing can flow yet. "


def _close(group: list[Closing], through_v: dict[int, float], *, resistor: bool) -> Step:
    """The closing itself, clamp on the lead."""
    firsts = [
        closing.current_a.value if id(closing) not in through_v else through_v[id(closing)] / closing.ohm.value
        for closing in group
    ]
    first, stop = (
        max(firsts),
        min(max(c.stop_a, min(2 * a, 0.5 * c.limit_a)) for c, a in zip(group, firsts, strict=True)),
    )
    tolerance = 2.0 * max(closing.current_a.sd for closing in group)
    one = group[0]
    settles = f"; the joined terminals show {volts(one.bus_v)}" if len(group) == 1 else ", at each"
    return step(
        f"Close: {_where(group)}",
        "Clamp meter on the lead, put the fuse in"
        + (f" for {names(one.branch.ids)}." if len(group) == 1 else ", one at a time.")
        + (" Then take the resistor off at once: left on, it would feed past a blown fuse." if resistor else ""),
        units=_units(group),
        reads=f"{amps(first)} at first, {amps(first + tolerance)} at most, then falling{settles}",
        expect=first,
        tolerance=tolerance,
        unit="A",
        stop_if=f"above {amps(stop)}"
        + (", or not falling within 10 min" if first >= CLAMP_FLOOR_A else "")
        + ": take the fuse out.",
        why="By ten-second resistances; the first instant can be twice as much.",
        minutes=10.0,
    )


def _string(together: Assembly, group: list[Node]) -> Step:
    sums = [rest.value for node in group if (rest := together.rest_v(node)) is not None]
    units = [name for node in group for name in node.ids]
    parts = [rest.value for node in group for child in node.children if (rest := together.rest_v(child)) is not None]
    if not sums or not parts:
        return _unread_string(units)
    middle = 0.5 * (min(sums) + max(sums))
    doubts = [rest.sd for node in group for child in node.children if (rest := together.rest_v(child)) is not None]
    tolerance = max(sums) - middle + STRING_TOLERANCE * max(sums) + 2.0 * sum(doubts)
    which = names(units) if len(group) == 1 else f"{len(group)} strings of {names(units)}"
    reversed_v, missing_v = middle - 2.0 * max(parts), middle - max(parts)
    return step(
        f"Build the string: {which}",
        f"Join {_members(group)} end to end, plus to minus, one link at a time; read the ends of "
        + ("the string." if len(group) == 1 else "each string."),
        units=units,
        reads=f"the sum of its members as you read them ± {100 * STRING_TOLERANCE:g} %, near {between(sums, volts)}",
        expect=middle,
        tolerance=tolerance,
        unit="V",
        stop_if=f"outside. About {volts(reversed_v)}: one member is reversed; about {volts(missing_v)}: one is dead, "
        "missing or bridged. Undo the last link.",
        why="In a string voltages add; a sum that does not fit shows a wrong member before a charger drives it on.",
    )


def _members(group: list[Node]) -> str:
    """The members of a string in words; a group keeps its units side by side."""
    node = group[0]
    if all(not child.children for child in node.children):
        return names(name for each in group for name in each.ids)
    kinds = {"the finished group" if child.is_parallel else "the string" for child in node.children if child.children}
    if len(group) > 1 or len(node.children) > MOST_STRINGS:
        return f"the {len(node.children)} members of each string ({' or '.join(sorted(kinds))} counts as one)"
    parts = [names(child.ids) for child in node.children]
    whole = [
        f"the group of {text}" if child.children else text for text, child in zip(parts, node.children, strict=True)
    ]
    return " and ".join([", ".join(whole[:-1]), whole[-1]])


def _unread_string(units: list[str]) -> Step:
    return step(
        f"Build the string: {names(units)}",
        f"Join {names(units)} end to end, plus to minus, one link at a time; add up their readings and read the ends.",
        units=units,
        reads=f"the sum of its members ± {100 * STRING_TOLERANCE:g} %",
        stop_if="outside. The sum less twice one member: that member is reversed.",
        why="In a string voltages add.",
    )


def isolation(case: Case, rest_v: float) -> Iterator[Step]:
    """Yield the isolation check and the main fuse."""
    assert case.bank is not None
    high = case.max_v > TOUCH_V
    kohm = HIGH_LEAK_KOHM if high else LEAK_KOHM
    most_v = min(LEAK_V, LEAK_FRAC * rest_v)
    watt = max(0.25, rounded_up(2.0 * rest_v**2 / (1000.0 * kohm)))
    careful = " Above 60 V: gloves, one hand, leads clipped on before the pole is touched." if high else ""
    yield step(
        "Check the isolation",
        "If a pole is earthed by design, open that bond for this check. "
        f"Join {kohm:g} kΩ, rated {watt:g} W or more, from the plus pole to the frame and read across it; then the same "
        f"from the minus pole.{careful}",
        units=case.bank.root.ids,
        reads=f"below {volts(most_v)}, which is {most_v / kohm:.2g} mA",
        expect=0.0,
        tolerance=most_v,
        unit="V",
        stop_if=f"{volts(most_v)} or more: a path to the frame; dry, clean and find it.",
        why="A second fault to the frame would be a short circuit.",
    )
    yield step(
        "Main fuse in",
        "With the isolator open, put the main fuse in and read the isolator's input.",
        units=case.bank.root.ids,
        reads=f"what the bank's poles read ± 1 %, near {volts(rest_v)}, plus on plus",
        expect=rest_v,
        tolerance=0.01 * rest_v,
        unit="V",
        stop_if="the sign or the volts are wrong.",
        why="Reversed leads destroy an inverter at once.",
    )


def fit_protection(case: Case) -> Iterator[Step]:
    """Yield the fitting of a protection unit that the plan names and the units do not carry themselves."""
    bare = [s.unit.id for s in case.units if s.chem.kind == "lithium" and not s.unit.bms]
    if not bare or not case.plan.protection.bms:
        return
    yield step(
        "Fit the bank's protection",
        "Bolt the protection unit in the main lead as its papers say. Then fit its sense leads, from the most negative cell "
        "up, and read every tap against the one below before the plug goes in.",
        units=bare,
        reads="one cell's voltage at each tap, rising by one cell each time",
        stop_if="a tap reads nothing, or two cells at once: a lead is in the wrong place; the plug would burn.",
        why="It is what watches each cell; a sense lead in the wrong place destroys it and starts fires.",
    )
