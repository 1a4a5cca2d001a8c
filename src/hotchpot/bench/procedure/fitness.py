"""Whether a test may be made on a unit at all, and whether it would tell anything: refusals and doubts beforehand."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bench.grade import HARMLESS, WARM_K, rejection
from hotchpot.bench.procedure.figures import charge_left_open, setting, settings
from hotchpot.bench.procedure.procedures import Procedure
from hotchpot.bench.remark import Remark, Weight
from hotchpot.pile.unit import Unit

LOADING = frozenset({"resistance", "capacity"})
CHARGING = frozenset({"capacity", "leakage"})
_ASIDE = {
    "lithium": "Do not test, charge or open it: set it aside outdoors, on stone, clear of everything that burns, and "
    "ask the collection point how to bring it.",
    "lead": "Do not test it: set it aside outdoors, upright in a plastic tray, and bring it to a collection point.",
    "nickel": "Do not test it: set it aside outdoors, upright in a plastic tray, and bring it to a collection point.",
}
_SIGHT = "a look, a touch or the rest voltage rejects before any test; common practice, no source"


def remarks_for(procedure: Procedure, unit: Unit) -> tuple[Remark, ...]:
    """
    Return what speaks against making this test on this unit: refusals first, then doubts.

    A look is never refused, and a rest voltage only where the case must not be touched. What was not read is not held
    against the unit here: the steps themselves read it first.

    Examples
    --------
    >>> from hotchpot.bench.procedure.procedures import procedures
    >>> cell = Unit(id="c1", chemistry="nmc", cells=1, rated_ah=2.5, rated_hours=5, rest_v=1.2)
    >>> [remark.code for remark in remarks_for(procedures()["capacity"], cell)]
    ['unit-rejected']
    """
    found = [*_refusals(procedure, unit), *_doubts(procedure, unit)]
    return tuple(sorted(found, key=lambda remark: remark.weight is not Weight.REFUSED))


def _refusals(procedure: Procedure, unit: Unit) -> Iterator[Remark]:
    if not procedure.for_chemistry(unit):
        yield _no_acid(unit)
    if procedure.key == "look":
        return
    yield from _rejected(procedure, unit)
    yield from _too_high(procedure, unit)
    if procedure.key in LOADING | CHARGING:
        yield from _out_of_window(procedure, unit)


def _rejected(procedure: Procedure, unit: Unit) -> Iterator[Remark]:
    seen = [flag for flag in unit.flags if flag not in HARMLESS] or (unit.rest_rise_k or 0.0) > WARM_K
    if procedure.key not in LOADING | CHARGING:
        if seen:
            yield _aside(
                unit, "unit-rejected", f"{unit.id}: {rejection(unit)}.", "Handling it may be what sets it off."
            )
        return
    if unit.rest_v is not None and unit.rest_v < 0.0:
        yield _reversed(unit)
    elif reason := rejection(unit):
        yield _aside(unit, "unit-rejected", f"{unit.id}: {reason}.", _why_low(unit, seen=bool(seen)))


def _why_low(unit: Unit, *, seen: bool) -> str:
    if seen:
        return "A damaged battery under charge or load can burst, burn or spill."
    if unit.chem.kind == "lithium":
        board = " A protection board that has opened reads so too: do not bridge it." if unit.bms is not False else ""
        return f"Run so low, it dissolves copper and may short inside when it is charged again.{board}"
    return "A cell is dead or it has stood empty for long; a run would drive its weakest cell into reversal."


def _reversed(unit: Unit) -> Remark:
    return _aside(
        unit,
        "unit-reversed",
        f"{unit.id} reads {unit.rest_v:.2f} V: below zero.",
        "The leads are changed over, or a cell or the whole unit is reversed; a reversed one is ruined and gasses.",
        do=f"Look first: red on plus, black on minus, and read again. If it stays below zero: {_ASIDE[unit.chem.kind]}",
        value=unit.rest_v,
        limit=0.0,
    )


def _aside(
    unit: Unit,
    code: str,
    says: str,
    why: str,
    *,
    do: str | None = None,
    value: float | None = None,
    limit: float | None = None,
) -> Remark:
    if value is None and unit.rest_v is not None and not unit.flags:
        value, limit = unit.rest_v, unit.cells * unit.chem.num("reject_rest_v")
    return Remark(
        code=code,
        weight=Weight.REFUSED,
        subject=unit.id,
        says=says,
        why=why,
        do=do or _ASIDE[unit.chem.kind],
        source=f"{_SIGHT}; {unit.chem.cite('reject_rest_v')}",
        value=value,
        limit=limit,
        unit="V" if value is not None else "",
    )


def _no_acid(unit: Unit) -> Remark:
    nickel = unit.chem.kind == "nickel"
    why = (
        "Traces of acid in the alkali destroy the cell, and its gravity does not show the charge anyway."
        if nickel
        else "It is sealed: there is no free acid to draw, and opening it lets the cells dry out, or burn."
    )
    return Remark(
        code="alkaline-no-hydrometer" if nickel else "sealed-no-hydrometer",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"An acid hydrometer on {unit.id}, {unit.chem.name}.",
        why=why,
        do="Count its amp-hours by a capacity run." if nickel else "Never open it; read its rest voltage instead.",
        source="common practice, no source; chemistry data (hazards)",
    )


def _too_high(procedure: Procedure, unit: Unit) -> Iterator[Remark]:
    most_v = unit.cells * unit.chem.num("charge_max_v")
    if most_v <= setting("most_v") or procedure.key == "look":
        return
    yield Remark(
        code="voltage-danger",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{unit.id} can reach {most_v:.0f} V d.c.",
        why="At this voltage a touch can kill, and an arc does not go out by itself.",
        do="Leave it to a licensed electrician with the gear for it.",
        source="IEC 61140, extra-low voltage up to 120 V d.c. (from memory)",
        value=most_v,
        limit=setting("most_v"),
        unit="V",
    )


def _out_of_window(procedure: Procedure, unit: Unit) -> Iterator[Remark]:
    if unit.temperature_c is None:
        return
    names = ["discharge_t"] if procedure.key in LOADING else []
    names += ["charge_t"] if procedure.key in CHARGING else []
    spans = [tuple(float(t) for t in unit.chem.row(name)) for name in names]
    low, high = max(span[0] for span in spans), min(span[1] for span in spans)
    if low <= unit.temperature_c <= high:
        return
    cold = unit.temperature_c < low
    yield Remark(
        code="too-cold" if cold else "too-warm",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{unit.id} is at {unit.temperature_c:g} °C; for this test {low:g} to {high:g} °C.",
        why="Charged in the cold it is spoilt, and a frozen one bursts."
        if cold
        else "Heat and current together age it, or worse.",
        do="Let it stand in a room until it is warm through, half a day or more; never heat it."
        if cold
        else "Let it cool in the shade to the warmth of a room; if it stays warm by itself, set it aside outdoors.",
        source="; ".join(unit.chem.cite(name) for name in names),
        value=unit.temperature_c,
        limit=low if cold else high,
        unit="°C",
    )


def _doubts(procedure: Procedure, unit: Unit) -> Iterator[Remark]:
    if procedure.key == "rest":
        yield from _says_little(unit)
    if procedure.key == "capacity":
        yield from _cold_room(unit)
    if procedure.key in LOADING and unit.chem.kind == "lithium" and unit.cells > 1 and unit.bms is not True:
        yield _no_board(unit)


def _says_little(unit: Unit) -> Iterator[Remark]:
    left = max(charge_left_open(unit, at=soc / 20.0) for soc in range(2, 19))
    nickel = unit.chem.kind == "nickel"
    if not nickel and left <= setting("flat_soc"):
        return
    yield Remark(
        code="rest-says-little",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"A rest voltage leaves the charge of {unit.id} open"
        + (", whatever it reads." if nickel else f" by up to ± {100 * left:.0f} % of it."),
        why="The voltage of a nickel cell follows its last hours, not its charge."
        if nickel
        else f"Its curve is flat: {1000 * unit.chem.num('ocv_curve_sd'):.0f} mV a cell, by which units of one label "
        "differ, span that much.",
        do="Read it all the same, as it shows a dead cell; for the charge, fill it and count amp-hours from there.",
        source=unit.chem.cite("ocv_curve_sd"),
        value=None if nickel else left,
        limit=None if nickel else setting("flat_soc"),
    )


def _cold_room(unit: Unit) -> Iterator[Remark]:
    low, high = settings("good_c")
    if unit.temperature_c is None or low <= unit.temperature_c <= high:
        return
    yield Remark(
        code="far-from-room",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"{unit.id} is at {unit.temperature_c:g} °C.",
        why="What it gives is brought to 25 °C by a table of its chemistry; the farther, the more doubtful.",
        do=f"Better made at {low:g} to {high:g} °C.",
        source="common practice, no source",
        value=unit.temperature_c,
        limit=low if unit.temperature_c < low else high,
        unit="°C",
    )


def _no_board(unit: Unit) -> Remark:
    floor = unit.chem.num("discharge_min_v")
    return Remark(
        code="no-protection-known",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"No protection board is known in {unit.id}, {unit.cells} cells in series.",
        why="The whole may still read well while its weakest cell is run empty and ruined.",
        do=f"Read every cell each time; stop when the first falls below {floor:.2f} V; where none can be reached, do "
        "not run it down.",
        source=unit.chem.cite("discharge_min_v"),
        limit=floor,
        unit="V",
    )
