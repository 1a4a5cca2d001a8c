"""
Health against resistance: what open data say of the two, and why the bench makes no capacity of a resistance.

The figures come from the data file, each with its source; the bench repeats them to whoever asks.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

from hotchpot.bench.estimate import Estimate, Quantity, refused
from hotchpot.bench.remark import Remark, Weight
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit


@dataclass(frozen=True, slots=True)
class HealthAgainstResistance:
    """How health went with resistance in one batch of cells: how many, and the correlation of the two."""

    batch: str
    chemistry: str
    cells: int
    correlation: float
    source: str


@cache
def health_against_resistance() -> tuple[HealthAgainstResistance, ...]:
    """Return the batches of the data file, each with its correlation of health with resistance."""
    text = resources.files("hotchpot.bench").joinpath("data", "health_resistance.csv").read_text("utf-8")
    return tuple(
        HealthAgainstResistance(
            row["batch"], row["chemistry"], int(row["cells"]), float(row["correlation"]), row["source"]
        )
        for row in csv.DictReader(text.splitlines())
    )


def capacity_from_resistance(
    resistance: Estimate | Measure | float | None = None, *, unit: Unit, when: str | None = None
) -> Estimate:
    """
    Refuse a capacity where only a resistance is known; says why with figures, and what to do instead.

    Parameters
    ----------
    resistance : Estimate, Measure or float, optional
        What is known. [mΩ]
    unit : Unit
        The pile entry.
    when : str, optional
        ISO date of the question.

    Returns
    -------
    Estimate
        CAPACITY, always refused (``capacity-from-resistance``).

    Examples
    --------
    >>> cell = Unit(id="A1", chemistry="lfp", cells=1, rated_ah=35, rated_hours=2)
    >>> asked = capacity_from_resistance(2.2, unit=cell)
    >>> asked.refused, asked.remarks[0].code
    (True, 'capacity-from-resistance')
    """
    known = resistance if isinstance(resistance, float | int | None) else resistance.value
    batches = health_against_resistance()
    told = ", ".join(f"{b.correlation:+.2f} over {b.cells} cells of {b.batch}" for b in batches)
    best = max(abs(b.correlation) for b in batches)
    of_what = "A resistance" if known is None else f"A resistance of {known:.3g} mΩ"
    remark = Remark(
        code="capacity-from-resistance",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{of_what} tells no capacity of {unit.id}. Correlation of health with resistance: {told}.",
        why=(
            "The sign is not even the same from batch to batch, and the best of them leaves "
            f"{100 * (1 - best**2):.0f} % of the scatter unexplained: contacts, separator and active material age each "
            "in their own way."
        ),
        do="Charge it full, let it rest and run it down to its cut-off with a known load (see the run's procedure).",
        source="; ".join(dict.fromkeys(b.source for b in batches)),
        value=best,
        unit="correlation",
    )
    return refused(Quantity.CAPACITY, remark, when=when)
