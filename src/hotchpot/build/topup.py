"""The steps of charging first: each unit alone, rest, read again; and the resistor that may stand in for it."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.bank import Node
from hotchpot.build.charge import Charge, Preparation
from hotchpot.build.closing import Closing
from hotchpot.build.step import MANY, Resistor, Step, amps, between, gathered, names, span, step, volts

MOST_CHARGES, MOST_SPREADS, MOST_RESISTORS = 10, 6, 6
LITHIUM_SPREAD_V, LEAD_SPREAD_V = 0.020 / 4, 0.100 / 6  # per cell, at full
NIMH_HOURS, NIMH_TOP_V = 16.0, 1.6  # timed charge at 0.1C; makers' practice, from memory


def charge_steps(prepared: Preparation) -> Iterator[Step]:
    """Yield the charges, the rest, the readings after it, and how far apart they may be."""
    if not prepared.charges:
        return
    keys = [_alike, _kind] if len(prepared.charges) <= MANY else [_kind]
    for group in gathered(prepared.charges, *keys, most=MOST_CHARGES):
        yield _charge(group)
    yield from _instead(prepared)
    yield _rest(prepared.charges)
    for group in gathered(prepared.charges, _kind, most=MOST_CHARGES):
        yield _again(group)
    yield from _spreads(prepared)


def _alike(charge: Charge) -> tuple[str, float, str, str]:
    return charge.state.chem.key, round(charge.charge_v, 2), amps(charge.limit_a), amps(charge.tail_a)


def _kind(charge: Charge) -> tuple[str, int]:
    return charge.state.chem.key, charge.state.unit.cells


def _charge(group: list[Charge]) -> Step:
    units, chem = [charge.id for charge in group], group[0].state.chem
    to = between([charge.charge_v for charge in group], volts)
    hours = [charge.hours for charge in group if charge.hours is not None]
    low, high = (float(t) for t in chem.row("charge_t"))
    most, tail = amps(min(c.limit_a for c in group)), between([c.tail_a for c in group], amps)
    each = f"{names(units)} alone" if len(units) == 1 else f"{names(units)}, each by itself on a charger of its own"
    do = f"Set the charger to {to} and {most} or less before it is connected. Charge {each}, until it takes {tail}."
    if len(hours) < len(group):
        do = f"Bring {names(units)} to between {low:g} and {high:g} °C and judge again; then charge it alone to {to}."
    elif chem.key == "nimh":
        do = (
            f"Charge {each} at {amps(min(0.1 * c.state.capacity_ah.value for c in group))} "
            "with a charger that stops on falling voltage, temperature rise or time."
        )
    vented = not chem.sealed
    if chem.kind == "lithium":
        do += " Somebody stays beside it."
    if vented:
        do += " Do it outdoors or with the air moving, vents open, no sparks; small bubbles near the end are right."
    about = f" about {span(max(hours))} at {amps(min(c.amps for c in group))}, longer with less;" if hours else ""
    if chem.key == "nimh":
        return _timed(group, do, max(hours, default=0.0))
    return step(
        f"Charge {names(units)} alone",
        do + _for_temperature(group),
        units=units,
        reads=f"{to} at the end;{about} then falling current",
        expect=max(charge.charge_v for charge in group),
        tolerance=0.01 * max(charge.charge_v for charge in group),
        unit="V",
        stop_if=f"it passes {volts(max(1.01 * c.charge_v for c in group))}, leaves {low:g} to {high:g} °C, "
        + ("boils, spits or smells." if vented else "hisses, swells or smells."),
        why="Full and rested units meet with nothing to exchange; a string keeps the gap it is built with.",
        minutes=60.0 * max(hours) if hours else None,
    )


def _timed(group: list[Charge], do: str, hours: float) -> Step:
    """Sealed nickel-metal hydride: by time and warmth, as no voltage ends its charge."""
    units, most = [charge.id for charge in group], max(c.state.unit.cells for c in group) * NIMH_TOP_V
    return step(
        f"Charge {names(units)} alone",
        do,
        units=units,
        reads=f"about {span(hours)} at {amps(min(c.amps for c in group))}; hand-warm at the end",
        expect=min(c.amps for c in group),
        tolerance=0.1 * min(c.amps for c in group),
        unit="A",
        stop_if=f"it passes {NIMH_HOURS:g} h, 45 °C or {volts(most)}, or its voltage begins to fall: it is full.",
        why="Full and rested units meet with nothing to exchange; past full the charge becomes heat in a sealed can.",
        minutes=60.0 * hours,
    )


def _for_temperature(group: list[Charge]) -> str:
    """Say when a charge voltage is meant for the cold or the heat, lest it be carried over to a warm day."""
    state = group[0].state
    if abs(state.chem.num("temp_comp") * (state.temperature_c - 25.0)) < 10.0:
        return ""
    shift = state.unit.cells * state.chem.num("temp_comp") * 1e-3 * (state.temperature_c - 25.0)
    return f" That is for {state.temperature_c:.0f} °C; at 25 °C it is {volts(group[0].charge_v - shift)}."


def _rest(charges: tuple[Charge, ...]) -> Step:
    hours = max(charge.rest_h for charge in charges)
    least = max(charge.state.chem.num("rest_h_min") for charge in charges)
    return step(
        "Let them rest",
        f"Leave {names(charge.id for charge in charges)} with nothing connected for {hours:g} h "
        f"({least:g} h at the least).",
        units=[charge.id for charge in charges],
        why="The voltage just after a charge is polarisation; the true gap shows only after rest.",
        minutes=60.0 * hours,
    )


def _again(group: list[Charge]) -> Step:
    units = [charge.id for charge in group]
    full, doubt = group[0].full_v, 2.0 * group[0].full_sd_v
    return step(
        f"Read {names(units)} again",
        f"Read {names(units)} at rest, nothing connected.",
        units=units,
        reads=f"{volts(full)} ± {volts(doubt)}" + (" each" if len(units) > 1 else ""),
        expect=full,
        tolerance=doubt,
        unit="V",
        stop_if=f"below {volts(full - doubt)}: a weak cell; leave that unit out and judge again.",
        why="A unit that does not hold its full voltage would be charged by all the others for ever.",
    )


def _spreads(prepared: Preparation) -> Iterator[Step]:
    """How far apart the branches of each parallel node may read: from the surge rule, not from folklore."""
    # Where a resistor must join the branches even when full (unlike plates), their gap is read at the closing.
    nodes = [
        node
        for node in prepared.after.nodes
        if (closings := prepared.after.of(node)) and all(closing.fine for closing in closings)
    ]
    for group in gathered(nodes, id, lambda n: (len(n.children), n.cells), most=MOST_SPREADS):
        closings = [closing for node in group for closing in prepared.after.of(node)]
        allowed = min(closings, key=lambda c: c.allowed_v)
        spread_v = min(widest_gap_v(prepared, closing) for closing in closings)
        units = [name for node in group for name in node.ids]
        yield step(
            f"Compare the branches of {names(units)}",
            f"{_sum_first(group)}ake the lowest reading of {_branches(group)} from the highest.",
            units=units,
            reads=f"{volts(spread_v)} apart or less",
            expect=0.0,
            tolerance=spread_v,
            unit="V",
            stop_if=f"more than {volts(spread_v)} apart: charge the lowest again, rest it, read again.",
            why=f"A fifth of the {amps(allowed.limit_a)} that the first unit may carry flows at "
            f"{volts(allowed.allowed_v)}; full units of one kind stand within {volts(_spread_at_full_v(group[0]))}.",
        )


def _spread_at_full_v(node: Node) -> float:
    """
    Return how far apart full branches may read. [V]

    20 mV for four lithium cells, 100 mV for six of lead or nickel: common practice, no source. On a flat curve the
    current alone would let much missing charge pass.
    """
    lithium = any(state.chem.kind == "lithium" for state in node.states)
    return node.cells * (LITHIUM_SPREAD_V if lithium else LEAD_SPREAD_V)


def _sum_first(group: list[Node]) -> str:
    strings = any(child.is_series for node in group for child in node.children)
    return "Add up the readings of each string's members; then t" if strings else "T"


def _branches(group: list[Node]) -> str:
    if len(group) > 1:
        return "the branches of each group"
    return " | ".join(names(child.ids) for child in group[0].children[:6]) + (
        " ..." if len(group[0].children) > 6 else ""
    )


def _instead(prepared: Preparation) -> Iterator[Step]:
    for group in gathered(prepared.instead, lambda p: id(p[0]), lambda p: id(p[0].node), most=MOST_RESISTORS):
        yield through(group, instead=True)


def through(group: list[tuple[Closing, Resistor]], *, instead: bool) -> Step:
    """Return the step of joining through a resistor; of several, one strong enough for all."""
    units = [name for _, resistor in group for name in resistor.units]
    ohm = max(r.ohm for _, r in group)
    watt = max(r.watt for _, r in group)
    minutes, stop_v = max(r.minutes for _, r in group), min(r.stop_v for _, r in group)
    start = max(r.start_a for _, r in group)
    chance = "In place of charging" if instead else f"Before closing {names(units)}"
    others = names(group[0][0].joined_ids) if len(group) == 1 else "the first branch of its group"
    holder = f"the open fuse holder of {names(units)}" if len(group) == 1 else "the open holder of each branch in turn"
    away = "; then leave out charging and resting them, and close as below" if instead else ""
    return step(
        f"{chance}: join through a resistor",
        f"{'If you cannot charge them: p' if instead else 'P'}ut the fuse of {others} in, then {ohm:g} Ω, rated "
        f"{watt:g} W or more, across {holder}. After about {span(minutes / 60.0)} lift one end of it and read the open "
        f"holder; go on when it shows {volts(stop_v)} or less{away}.",
        units=[*dict.fromkeys([*units, *(name for c, _ in group for name in c.joined_ids)])],
        reads=f"{amps(start)} at first, falling; in the end {volts(stop_v)} or less across the open holder",
        expect=start,
        tolerance=0.2 * start,
        unit="A",
        stop_if=f"more than {amps(1.5 * start)} flows, it does not fall, or anything but the resistor is warm.",
        why=f"It holds the current to {amps(start)} while the charge moves; mount it clear of all that burns, and look at it often.",
        minutes=minutes,
    )


def widest_gap_v(prepared: Preparation, closing: Closing) -> float:
    """
    Return the gap up to which a branch may be closed directly. [V]

    What the current allows, and after a charge what full units of one kind allow, but never less than the gap that is
    expected there with the meter's own doubt.
    """
    allowed = closing.allowed_v
    if {charge.id for charge in prepared.charges} & set(closing.node.ids):
        allowed = min(allowed, _spread_at_full_v(closing.node))
    return max(allowed, abs(closing.gap_v.value) + 2.0 * closing.gap_v.sd)
