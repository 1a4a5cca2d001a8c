"""
The bench's study of one unit: every reading of it becomes an estimate, and the estimates of each quantity become one.

The order matters. Runs come first, as they may tell how capacity depends on the rate, and so how each is brought to the
rated rate. The charge is that of the newest day only, as a unit is charged and drained between readings; capacity,
resistance and leakage move slowly, so all their readings count. What the pile file says of a unit counts as one more
reading, without a date. A reading without a date never counts as the newest: see `combine` and `Present`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from hotchpot.bench.combine import SINCE_READ, combine
from hotchpot.bench.discharge.run_remarks import too_old
from hotchpot.bench.discharge.runs import Runs
from hotchpot.bench.estimate import Estimate, Quantity
from hotchpot.bench.papers import Papers
from hotchpot.bench.priors import entries, fade_frac_per_year
from hotchpot.bench.remark import Remark
from hotchpot.bench.standing.present import Present, Standing
from hotchpot.bench.trace import Log
from hotchpot.errors import InputError
from hotchpot.pile.reading import Reading, ReadingKind
from hotchpot.pile.readingfile import impossible_volts
from hotchpot.pile.unit import Unit

if TYPE_CHECKING:
    from hotchpot.bench.standing.curve import OwnCurve

OLDEST_FRAC = 0.15  # of the value, moved since it was read: as much as a unit known only by its age may differ
# Resistance grows as the square of the health falls, so it moves about twice as fast; leakage is anyone's guess.
_DRIFT_OF_FADE = {Quantity.CAPACITY: 1.0, Quantity.RESISTANCE: 2.0, Quantity.LEAKAGE: 6.0}
_SHOWN = (Quantity.CHARGE_EFFICIENCY, Quantity.ENERGY_EFFICIENCY, Quantity.EXPONENT)


@dataclass(frozen=True, slots=True)
class Study:
    """
    What the readings of one unit say of it.

    `unit` is the pile entry with the facts that newer readings replace, `estimates` every estimate by itself in the
    order of the readings, `told` the one estimate of each quantity that follows, `remarks` all that was said on the
    way, each once, `curve` its own open-circuit curve where a run was slow enough to tell it, `charge_bounds` within
    what its charge lies where the readings tell no number.
    """

    unit: Unit
    estimates: tuple[Estimate, ...]
    told: Mapping[Quantity, Estimate]
    remarks: tuple[Remark, ...]
    curve: OwnCurve | None = None
    charge_bounds: tuple[float, float] | None = None


def study(
    unit: Unit,
    readings: Sequence[Reading],
    *,
    logs: Mapping[str, Sequence[Log]] | None = None,
    today: str | None = None,
) -> Study:
    """
    Return what the readings of a unit say of it.

    Parameters
    ----------
    unit : Unit
        The pile entry.
    readings : sequence of Reading
        All readings of this unit, in the order they were noted.
    logs : mapping of str to sequence of Log, optional
        The logs of this unit that its ``log`` readings name, by file.
    today : str, optional
        ISO date, for how old the readings are; None takes the newest reading's.

    Raises
    ------
    InputError
        If a reading names a meter that is not known, or its volts are beyond anything the unit's cells can hold.
    """
    faults = impossible_volts(readings, [unit])
    if faults:
        raise InputError(faults)
    papers = Papers(unit, Runs(unit), Present(unit))
    # Logs first: a slow run among them gives the unit's own curve, by which its rest voltages are read.
    numbered = list(enumerate(dict.fromkeys(replace(reading, line=None) for reading in readings)))
    for turn, reading in sorted(numbered, key=lambda pair: pair[1].kind is not ReadingKind.LOG):
        papers.take(reading, turn, logs or {})
    papers.estimates += papers.runs.settle()
    return _conclude(papers, today)


def _conclude(papers: Papers, today: str | None) -> Study:
    unit = papers.unit
    by_quantity: defaultdict[Quantity, list[Estimate]] = defaultdict(list)
    for estimate in (*entries(unit), *papers.estimates):
        by_quantity[estimate.quantity].append(estimate)
    fade = fade_frac_per_year(unit)
    told: dict[Quantity, Estimate] = {}
    by_quantity[Quantity.RESISTANCE] = [at_25c(e, unit) for e in by_quantity[Quantity.RESISTANCE]]
    standing = papers.present.standing()
    told |= standing.told
    for quantity, listed in by_quantity.items():
        if not listed or quantity in (Quantity.CHARGE, Quantity.REST_V):
            continue
        if quantity is Quantity.RESISTANCE and all(one.refused for one in papers.estimates if one.quantity is quantity):
            continue  # the pile's own figure stands as it is there: at its own temperature
        of_state = listed if quantity in _DRIFT_OF_FADE else _of_newest_day(listed)
        drift = _DRIFT_OF_FADE.get(quantity, 0.0) * fade
        one = combine(of_state, subject=unit.id, drift_frac_per_year=drift, today=today)
        if one is None:
            continue
        old = quantity is Quantity.CAPACITY and _too_old(one)
        if old:
            papers.runs.remarks.append(too_old(unit, one.measure.value, one.sd, one.when))
        else:
            told[quantity] = one
    remarks = [r for e in (*papers.estimates, *told.values()) for r in e.remarks]
    if Quantity.RESISTANCE in told and Quantity.CAPACITY not in told:
        from hotchpot.bench.load.resistance import capacity_from_resistance

        remarks += capacity_from_resistance(told[Quantity.RESISTANCE], unit=unit).remarks
    return Study(
        unit=_as_read(papers, told, standing),
        estimates=tuple(papers.estimates),
        told=told,
        remarks=_once((*papers.runs.remarks, *standing.remarks, *remarks)),
        curve=papers.runs.curve,
        charge_bounds=standing.charge_bounds,
    )


def _of_newest_day(listed: Sequence[Estimate]) -> list[Estimate]:
    """Return what was read on the newest day: what is shown and not reckoned with, such as an efficiency."""
    newest = max((one.when or "")[:10] for one in listed)
    return [one for one in listed if (one.when or "")[:10] == newest]


def _too_old(capacity: Estimate) -> bool:
    """Tell whether a capacity has grown so old that it says no more of today than the unit's age does."""
    moved = sum(line.sd for line in capacity.budget if line.cause == SINCE_READ)
    return moved > OLDEST_FRAC * abs(capacity.measure.value)


def at_25c(resistance: Estimate, unit: Unit) -> Estimate:
    """Return a resistance brought to 25 °C by the chemistry's factors; as it is where its temperature is not known."""
    warmth = resistance.facts.get("temperature_c", unit.temperature_c if resistance.when is None else None)
    if resistance.value is None or warmth is None:
        return resistance
    factor = unit.chem.at_temperature("r_temp_mult", 25.0) / unit.chem.at_temperature("r_temp_mult", warmth)
    lines = tuple(replace(line, sd=factor * line.sd) for line in resistance.budget)
    return replace(resistance, value=factor * resistance.value, budget=lines)


def _as_read(papers: Papers, told: Mapping[Quantity, Estimate], standing: Standing) -> Unit:
    """Return the pile entry with the facts that the readings replace."""
    facts: dict[str, Any] = {"gravity": papers.gravity()}
    if standing.rest_v is not None:
        facts |= {"rest_v": standing.rest_v, "rest_hours": standing.rest_hours}
    if papers.warmest_k is not None:
        facts["rest_rise_k"] = papers.warmest_k
    if papers.present.outdated:
        facts |= {"rest_v": papers.present.ruled_out_v(), "rest_hours": None, "soc_frac": None}
    worst_v = min((v for v in (papers.lowest_rest_v, papers.unit.rest_v) if v is not None), default=None)
    floor_v = papers.unit.cells * papers.unit.chem.num("reject_rest_v")
    if worst_v is not None and papers.unit.chem.kind == "lithium" and worst_v < floor_v:
        facts["rest_v"] = worst_v  # what has dissolved in an emptied cell no recharge gives back
    for quantity in (Quantity.CAPACITY, Quantity.RESISTANCE, Quantity.LEAKAGE):
        if quantity in told:
            facts[quantity.value] = told[quantity].value
    if Quantity.CAPACITY not in told:
        facts["capacity_ah"] = None  # read so long ago that the unit counts as untested
    if papers.flags:
        facts["flags"] = tuple(dict.fromkeys((*papers.unit.flags, *papers.flags)))
    return replace(papers.unit, **facts)


def _once(remarks: Iterable[Remark]) -> tuple[Remark, ...]:
    return tuple(dict.fromkeys(remarks))
