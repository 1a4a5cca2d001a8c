"""
The bench's study of one unit: every reading of it becomes an estimate, and the estimates of each quantity become one.

The order matters. Runs come first, as they may tell how capacity depends on the rate, and so how each is brought to the
rated rate. The charge is that of the newest day only, as a unit is charged and drained between readings; capacity,
resistance and leakage move slowly, so all their readings count. What the pile file says of a unit counts as one more
reading, without a date.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from hotchpot.bench.combine import SINCE_READ, combine
from hotchpot.bench.discharge.run_remarks import too_old
from hotchpot.bench.discharge.runs import Runs
from hotchpot.bench.estimate import Estimate, Quantity
from hotchpot.bench.meter import meter
from hotchpot.bench.priors import entries, fade_frac_per_year
from hotchpot.bench.remark import Remark
from hotchpot.bench.trace import Log
from hotchpot.pile.reading import Reading, ReadingKind
from hotchpot.pile.unit import Unit

LOG_METER = "logger"
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
    way, each once.
    """

    unit: Unit
    estimates: tuple[Estimate, ...]
    told: Mapping[Quantity, Estimate]
    remarks: tuple[Remark, ...]


@dataclass(slots=True)
class _Desk:
    """One unit's papers while they are worked through."""

    unit: Unit
    runs: Runs
    estimates: list[Estimate] = field(default_factory=list)
    facts: dict[str, tuple[str, Any]] = field(default_factory=dict)
    flags: list[str] = field(default_factory=list)

    moved: tuple[str, int] | None = (
        None  # when charge was last drawn or put in on the bench, and which reading that was
    )
    rested: tuple[str, int] | None = None  # when a rest voltage or the acid was last read
    turn: int = 0
    lowest_rest_v: float | None = None
    warmest_k: float | None = None

    def moves(self, when: str | None) -> None:
        """Note that this reading drew or put in charge: what was read of the charge before it is over."""
        self.moved = max(self.moved or ("", -1), ((when or "")[:10], self.turn))

    def rests(self, when: str | None) -> None:
        """Note that this reading tells the charge."""
        self.rested = max(self.rested or ("", -1), ((when or "")[:10], self.turn))

    @property
    def outdated(self) -> bool:
        """Whether charge moved after the charge was last read, so that neither voltage nor charge is known now."""
        return self.moved is not None and (self.rested is None or self.moved > self.rested)

    def fact(self, name: str, when: str | None, value: Any) -> None:
        """Keep the newest of a fact; one without a date is older than any with one, a later line newer."""
        if value is not None and (when or "") >= self.facts.get(name, ("", None))[0]:
            self.facts[name] = (when or "", value)


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
        If a reading names a meter that is not known.
    """
    papers = _Desk(unit, Runs(unit))
    # Logs first: a slow run among them gives the unit's own curve, by which its rest voltages are read.
    numbered = list(enumerate(dict.fromkeys(replace(reading, line=None) for reading in readings)))
    for turn, reading in sorted(numbered, key=lambda pair: pair[1].kind is not ReadingKind.LOG):
        papers.turn = turn
        _TAKE[reading.kind](papers, reading, logs or {})
    papers.estimates += papers.runs.settle()
    return _conclude(papers, today)


def _rest(papers: _Desk, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.standing.charge import charge_of_rest
    from hotchpot.bench.standing.relaxation import settled_v

    hours = reading.hours or (None,) * len(reading.volts)
    settled = settled_v(
        [h for h in hours if h is not None],
        reading.volts,
        unit=papers.unit,
        meter=meter(reading.meter),
        count_v=reading.count_v,
        when=reading.when,
    )
    papers.estimates.append(settled)
    papers.rests(reading.when)
    # Even where the settled voltage is refused, the last one read stands as a fact: the judge must see a reversed unit.
    papers.fact("rest_v", reading.when, reading.volts[-1] if settled.value is None else settled.value)
    papers.lowest_rest_v = min(papers.lowest_rest_v or reading.volts[-1], reading.volts[-1])
    papers.fact("rest_hours", reading.when, hours[-1] if hours[-1] is not None else -1.0)
    if settled.refused:
        return
    charge = charge_of_rest(
        settled,
        unit=papers.unit,
        curve=papers.runs.curve,
        rest_hours=hours[-1],
        temperature_c=reading.temperature_c,
        when=reading.when,
    )
    papers.estimates.append(replace(charge, instrument="curve"))


def _loads(papers: _Desk, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.load.resistance import resistance_of_loads

    papers.estimates.append(
        resistance_of_loads(
            reading.volts,
            reading.amps,
            unit=papers.unit,
            meter=meter(reading.meter),
            seconds=reading.seconds,
            count_v=reading.count_v,
            temperature_c=reading.temperature_c,
            when=reading.when,
        )
    )


def _run(papers: _Desk, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    papers.moves(reading.when)
    papers.runs.noted(reading)


def _gravity(papers: _Desk, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.standing.gravity import charge_of_gravity

    papers.rests(reading.when)
    known = papers.facts["gravity"][1] if "gravity" in papers.facts else papers.unit.gravity
    if len(reading.gravity) >= len(known):  # one cell read again says nothing of the others
        papers.fact("gravity", reading.when, reading.gravity)
    charge = charge_of_gravity(
        reading.gravity, unit=papers.unit, temperature_c=reading.temperature_c, when=reading.when
    )
    papers.estimates.append(replace(charge, instrument="hydrometer"))


def _leak(papers: _Desk, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.standing.leakage import leakage_of_ah, leakage_of_volts

    if reading.ah:
        papers.moves(reading.when)
    days, unit, instrument = reading.days, papers.unit, meter(reading.meter)
    warmth, when = reading.temperature_c, reading.when
    papers.estimates.append(
        leakage_of_ah(days, reading.ah, unit=unit, meter=instrument, temperature_c=warmth, when=when)
        if reading.ah
        else leakage_of_volts(
            days,
            reading.volts,
            unit=unit,
            meter=instrument,
            count_v=reading.count_v,
            temperature_c=warmth,
            curve=papers.runs.curve,
            when=when,
        )
    )


def _look(papers: _Desk, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    papers.flags += reading.flags
    # A unit that once grew warm at rest has a fault that a cool day does not mend.
    felt = (reading.rest_rise_k, papers.unit.rest_rise_k, papers.warmest_k)
    papers.warmest_k = max((rise for rise in felt if rise is not None), default=None)


def _log(papers: _Desk, reading: Reading, logs: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.efficiency import efficiencies_of_log
    from hotchpot.bench.load.resistance import resistance_of_log

    key = meter(reading.meter or LOG_METER)
    for log in logs.get(reading.file or "", ()):
        papers.moves(reading.when or log.start)
        papers.runs.logged(log, key, reading)
        resistance = resistance_of_log(log, unit=papers.unit, meter=key)
        if not resistance.refused:  # a log of a capacity run need not tell the resistance; nobody asked it to
            papers.estimates.append(resistance)
        if any(piece.in_ah > piece.out_ah for piece in log.pieces):
            papers.estimates += efficiencies_of_log(log, unit=papers.unit, meter=key, when=reading.when)


_TAKE = {
    ReadingKind.REST: _rest,
    ReadingKind.LOADS: _loads,
    ReadingKind.RUN: _run,
    ReadingKind.GRAVITY: _gravity,
    ReadingKind.LEAK: _leak,
    ReadingKind.LOOK: _look,
    ReadingKind.LOG: _log,
}


def _conclude(papers: _Desk, today: str | None) -> Study:
    unit = papers.unit
    by_quantity: defaultdict[Quantity, list[Estimate]] = defaultdict(list)
    for estimate in (*entries(unit), *papers.estimates):
        by_quantity[estimate.quantity].append(estimate)
    fade = fade_frac_per_year(unit)
    told: dict[Quantity, Estimate] = {}
    by_quantity[Quantity.RESISTANCE] = [at_25c(e, unit) for e in by_quantity[Quantity.RESISTANCE]]
    by_quantity[Quantity.CHARGE] = _charges(by_quantity[Quantity.CHARGE])
    for quantity, listed in by_quantity.items():
        if not listed or (papers.outdated and quantity in (Quantity.CHARGE, Quantity.REST_V)):
            continue
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
        unit=_as_read(papers, told),
        estimates=tuple(papers.estimates),
        told=told,
        remarks=_once((*papers.runs.remarks, *remarks)),
    )


def _of_newest_day(listed: Sequence[Estimate]) -> list[Estimate]:
    """Return what was read on the newest day: older charges and rest voltages say nothing of now."""
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


def _charges(listed: Sequence[Estimate]) -> list[Estimate]:
    """Return the charges that may be joined: where cells lie apart, the lowest one's is not the whole unit's."""
    even = [e for e in listed if all(remark.code != "gravity-spread" for remark in e.remarks)]
    return even or list(listed)


def _as_read(papers: _Desk, told: Mapping[Quantity, Estimate]) -> Unit:
    """Return the pile entry with the facts that the readings replace."""
    facts: dict[str, Any] = {name: value for name, (_, value) in papers.facts.items()}
    if facts.get("rest_hours") == -1.0:
        facts["rest_hours"] = None
    if papers.warmest_k is not None:
        facts["rest_rise_k"] = papers.warmest_k
    if papers.outdated:
        facts |= {"rest_v": None, "rest_hours": None, "soc_frac": None}
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
