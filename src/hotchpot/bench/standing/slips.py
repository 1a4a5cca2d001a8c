"""
Volts that no live unit of its kind has: a decimal point that slipped, or a dead unit.

What is too high is a fault of the readings file (`hotchpot.pile.readingfile.impossible_volts`). What is too low may be
true of a dead unit, so it is refused as a step for a resistance, and a rest voltage goes before the judge as it stands.
"""

from __future__ import annotations

from collections.abc import Iterable

from hotchpot.bench.remark import Remark, Weight
from hotchpot.pile.unit import Unit

LEAST_LIVE_FRAC = 0.5  # of the empty voltage, for the highest volts of a step: project rule


def too_low(unit: Unit, volts: Iterable[float]) -> Remark | None:
    """Return the refusal of load steps whose volts no live unit of its kind has; None where they are high enough."""
    empty_v, highest_v = unit.cells * unit.chem.num("discharge_min_v"), max(volts)
    if highest_v >= LEAST_LIVE_FRAC * empty_v:
        return None
    return Remark(
        code="volts-too-low",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{highest_v:.3g} V is the most that {unit.id} showed; {unit.cells} cells of its kind are empty at "
        f"{empty_v:.4g} V",
        why="a decimal point slipped, or the unit is dead: either way these volts show no resistance",
        do="Look at the volts again. If they are right, set it apart; do not charge it unattended, and do not join it.",
        source="project rule: half of the empty voltage",
        value=highest_v,
        limit=LEAST_LIVE_FRAC * empty_v,
        unit="V",
    )
