"""
What a unit stands at now: which of its readings still tell its voltage and charge, and what they say together.

A reading tells the charge as long as nothing moved since. A reading without a date may be the oldest or the newest: it
counts only where nothing dated could have come after it, and it never counts as the newest against a dated one. Where
it and a dated one cannot both be true, the lower voltage stands and the charge is only known between all bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from hotchpot.bench.combine import combine
from hotchpot.bench.estimate import Estimate, Quantity
from hotchpot.bench.remark import Remark, Weight
from hotchpot.pile.unit import Unit

STATED_SD = 0.01  # of a charge by a counter; project rule
_RULE = "project rule: docs/methods/bench.md"


@dataclass(frozen=True, slots=True)
class Standing:
    """
    What a unit's readings tell of its standing now.

    `told` holds rest voltage and charge where they are known; `charge_bounds` the charge's bounds where it is not a
    number; `rest_v` and `rest_hours` the fact that stands, None where none does.
    """

    told: dict[Quantity, Estimate]
    charge_bounds: tuple[float, float] | None
    rest_v: float | None
    rest_hours: float | None
    remarks: tuple[Remark, ...]


@dataclass(frozen=True, slots=True)
class _Read:
    """One reading that tells the charge: when, which in order, its estimates, and the volts and hours of a rest."""

    when: str | None
    turn: int
    estimates: tuple[Estimate, ...]
    volts: float | None
    hours: float | None

    @property
    def day(self) -> str | None:
        """Its date; None where it was not noted."""
        return self.when[:10] if self.when else None


@dataclass(slots=True)
class Present:
    """All readings of one unit that tell its charge, and all that moved it."""

    unit: Unit
    read: list[_Read] = field(default_factory=list)
    moved: list[tuple[str | None, int]] = field(default_factory=list)

    def moves(self, when: str | None, turn: int) -> None:
        """Note that a reading drew or put in charge: what was read of the charge before it is over."""
        self.moved.append((when[:10] if when else None, turn))

    def tells(
        self,
        when: str | None,
        turn: int,
        estimates: Sequence[Estimate],
        *,
        volts: float | None = None,
        hours: float | None = None,
    ) -> None:
        """Note a reading that tells the charge."""
        self.read.append(_Read(when, turn, tuple(estimates), volts, hours))

    @property
    def outdated(self) -> bool:
        """Whether charge moved, and nothing is known to have been read after it."""
        return bool(self.moved) and not self._after_all()

    def ruled_out_v(self) -> float | None:
        """Return the last rest voltage where it rules the unit out: that stands until a newer one is read."""
        rests = [one for one in self.read if one.volts is not None]
        last = self._rest(rests, unsure=True)
        volts = self.unit.rest_v if last is None else last.volts
        ruled_out = volts is not None and volts < self.unit.cells * self.unit.chem.num("reject_rest_v")
        return volts if ruled_out else None

    def standing(self) -> Standing:
        """Return what the readings that count say together."""
        counting = self._after_all()
        days = [one.day for one in counting if one.day is not None]
        near = [one for one in counting if one.day is None or one.day == max(days)]
        unsure = bool(days) and any(one.day is None for one in near)
        listed = {
            quantity: [e for one in near for e in one.estimates if e.quantity is quantity]
            for quantity in (Quantity.REST_V, Quantity.CHARGE)
        }
        told = {}
        volts = combine(listed[Quantity.REST_V], subject=self.unit.id)
        if volts is not None:
            told[Quantity.REST_V] = volts
        charges = whole_unit(listed[Quantity.CHARGE])
        spans = [span for span in map(_span, charges) if span is not None]
        bounds = (min(low for low, _ in spans), max(high for _, high in spans)) if spans else None
        remarks: list[Remark] = []
        if unsure and (_disjoint(spans) or (len(spans) < len(charges) and _contradicts(volts))):
            bounds = bounds if bounds is not None and len(spans) == len(charges) else (0.0, 1.0)
            remarks.append(_undated_charge(self.unit, bounds))
        else:
            charge = combine(charges, subject=self.unit.id)
            if charge is not None:
                told[Quantity.CHARGE], bounds = charge, None
        rest = self._rest(near, unsure=unsure)
        remarks += self._against_stated(bounds)
        return Standing(
            told, bounds, None if rest is None else rest.volts, None if rest is None else rest.hours, tuple(remarks)
        )

    def _after_all(self) -> list[_Read]:
        """Return the readings of the charge that surely came after all that moved it."""
        return [one for one in self.read if all(_after(one, day, turn) for day, turn in self.moved)]

    def _rest(self, near: Sequence[_Read], *, unsure: bool) -> _Read | None:
        """Return the rest that stands: the newest; of one without a date and a dated one the less favourable."""
        rests = [one for one in near if one.volts is not None]
        if not rests:
            return None
        newest = max(rests, key=lambda one: (one.when or "", one.turn))
        if not unsure:
            return newest
        most_v = self.unit.cells * self.unit.chem.num("charge_max_v")
        likely = [newest, *(one for one in rests if one.day is None)]
        return max(likely, key=lambda one: ((one.volts or 0.0) > most_v, -(one.volts or 0.0)))

    def _against_stated(self, bounds: tuple[float, float] | None) -> list[Remark]:
        """Return that a stated charge cannot be, by what the readings bound."""
        stated = self.unit.soc_frac
        if stated is None or bounds is None or fits(stated, bounds):
            return []
        return [_stated_outside(self.unit, stated, bounds)]


def fits(stated_frac: float, bounds: tuple[float, float]) -> bool:
    """Tell whether a stated charge may lie within bounds, by twice a counter's doubt."""
    return bounds[0] - 2.0 * STATED_SD <= stated_frac <= bounds[1] + 2.0 * STATED_SD


def whole_unit(charges: Sequence[Estimate]) -> list[Estimate]:
    """Return the charges that may be joined: where cells lie apart, the lowest one's is not the whole unit's."""
    even = [e for e in charges if all(remark.code != "gravity-spread" for remark in e.remarks)]
    return even or list(charges)


def _after(one: _Read, day: str | None, turn: int) -> bool:
    """Tell whether a reading surely came after what moved charge: by dates, or by order where neither has one."""
    if (one.day is None) is not (day is None):
        return False
    return ((one.day or ""), one.turn) > ((day or ""), turn)


def _disjoint(spans: Sequence[tuple[float, float]]) -> bool:
    """Tell whether no charge lies within all bounds."""
    return bool(spans) and max(low for low, _ in spans) > min(high for _, high in spans)


def _contradicts(volts: Estimate | None) -> bool:
    """Tell whether rest voltages were found to contradict each other."""
    return volts is not None and any(remark.code == "contradiction" for remark in volts.remarks)


def _span(charge: Estimate) -> tuple[float, float] | None:
    """Return the bounds of a charge, of a refused one too where it has any."""
    if charge.low is not None and charge.high is not None:
        return charge.low, charge.high
    if charge.value is None:
        return None
    low, high = charge.interval()
    return max(0.0, low), min(1.0, high)


def _undated_charge(unit: Unit, bounds: tuple[float, float]) -> Remark:
    return Remark(
        code="contradiction",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"Two readings of the charge of {unit.id} contradict each other, one of them without a date: it may be "
        f"anything from {bounds[0]:.0%} to {bounds[1]:.0%}.",
        why="Which of the two is newer is not known, so neither is believed, and the lower rest voltage stands.",
        do="Let it rest and read it again, with the date; or write the date of the other reading.",
        source=_RULE,
    )


def _stated_outside(unit: Unit, stated_frac: float, bounds: tuple[float, float]) -> Remark:
    return Remark(
        code="contradiction",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"{unit.id} is stated {stated_frac:.0%} charged, but its readings fit {bounds[0]:.0%} to {bounds[1]:.0%} "
        "only. The bounds are used.",
        why="One of the two is wrong: a weak cell, a meter, or a counter that has drifted.",
        do="Charge it alone to full, let it rest and read it again; if it falls back, it holds a bad cell.",
        source=_RULE,
        value=stated_frac,
        limit=bounds[0] if stated_frac < bounds[0] else bounds[1],
        unit="1",
    )
