"""What is said of a rest that was too short, uneven or not noted."""

from __future__ import annotations

from hotchpot.bench.remark import Remark, Weight
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit

RULE = "project rule: docs/methods/bench-charge.md"
_WHY = {
    "lead": "surface charge falls off after charging, and the acid mixes again after a discharge, for hours",
    "lithium": "the charge evens out within the cells for a while; the gap between branches stays for good",
    "nickel": "the electrodes settle over days",
}


def moving(unit: Unit, off_v: float, *, hours: float, wait: float, weight: Weight) -> Remark:
    """Return that the voltage is still on its way, how far it may go, and how long to wait."""
    chem = unit.chem
    far = f"{off_v:.2g} V" if off_v >= 0.001 else "less than a millivolt"
    return Remark(
        code="still-relaxing",
        weight=weight,
        subject=unit.id,
        says=f"after {hours:.3g} h at rest the voltage may still move by {far}",
        why=_WHY[chem.kind],
        do=f"Leave it alone for {wait:.2g} h more and read again, or note several readings while it settles.",
        source=chem.cite("rest_h_min"),
        value=hours,
        limit=chem.num("rest_h_min"),
        unit="h",
    )


def unknown_rest(unit: Unit, taken_h: float) -> Remark:
    """Return that nobody noted how long it had rested."""
    return Remark(
        code="rest-hours-unknown",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"how long it had rested was not noted; {taken_h:g} h is taken",
        why=_WHY[unit.chem.kind],
        do=f"Note the hours; read it after {taken_h:g} h or more with nothing connected.",
        source=unit.chem.cite("rest_h_min"),
    )


def untold(unit: Unit, end: Measure, *, limit: float, hours: float, wait: float) -> Remark:
    """Return the refusal of a settled voltage that the readings do not tell."""
    least = max(wait, unit.chem.num("rest_h_min") - hours)
    return Remark(
        code="cannot-tell-settled",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"the readings to {hours:.3g} h tell the settled voltage only to {end.value:.2f} ± {end.sd:.2g} V",
        why=f"that is worse than the {limit:.2g} V to which the curve of its kind is known; " + _WHY[unit.chem.kind],
        do=f"Leave it alone for {least:.2g} h more and read again.",
        source=RULE,
        value=end.sd,
        limit=limit,
        unit="V",
    )


def uneven(unit: Unit, residual_v: float, limit: float) -> Remark:
    """Return the doubt of readings that no smooth rest goes through."""
    return Remark(
        code="uneven-rest",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the readings are {1000 * residual_v:.0f} mV off any smooth rest",
        why="something drew or charged in between, a contact was poor, or a reading was misnoted",
        do="Take everything off its terminals and watch the rest again.",
        source=RULE,
        value=residual_v,
        limit=limit,
        unit="V",
    )
