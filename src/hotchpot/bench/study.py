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

from hotchpot.bench.combine import combine
from hotchpot.bench.discharge.runs import Runs
from hotchpot.bench.estimate import Estimate, Quantity
from hotchpot.bench.meter import meter
from hotchpot.bench.priors import entries, fade_frac_per_year
from hotchpot.bench.remark import Remark
from hotchpot.bench.trace import Log
from hotchpot.pile.reading import Reading, ReadingKind
from hotchpot.pile.unit import Unit

LOG_METER = "logger"
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
    for reading in sorted(readings, key=lambda one: one.kind is not ReadingKind.LOG):
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
    papers.fact("temperature_c", reading.when, reading.temperature_c)
    if settled.refused:
        return
    papers.fact("rest_v", reading.when, settled.value)
    papers.fact("rest_hours", reading.when, hours[-1] if hours[-1] is not None else -1.0)
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
    papers.runs.noted(reading)


def _gravity(papers: _Desk, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.standing.gravity import charge_of_gravity

    papers.fact("gravity", reading.when, reading.gravity)
    charge = charge_of_gravity(
        reading.gravity, unit=papers.unit, temperature_c=reading.temperature_c, when=reading.when
    )
    papers.estimates.append(replace(charge, instrument="hydrometer"))


def _leak(papers: _Desk, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.standing.leakage import leakage_of_ah, leakage_of_volts

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
    papers.fact("rest_rise_k", reading.when, reading.rest_rise_k)
    papers.fact("temperature_c", reading.when, reading.temperature_c)


def _log(papers: _Desk, reading: Reading, logs: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.efficiency import efficiencies_of_log
    from hotchpot.bench.load.resistance import resistance_of_log

    key = meter(reading.meter or LOG_METER)
    for log in logs.get(reading.file or "", ()):
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
    for quantity, listed in by_quantity.items():
        of_state = listed if quantity in _DRIFT_OF_FADE else _of_newest_day(listed)
        drift = _DRIFT_OF_FADE.get(quantity, 0.0) * fade
        one = combine(of_state, subject=unit.id, drift_frac_per_year=drift, today=today)
        if one is not None:
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


def _as_read(papers: _Desk, told: Mapping[Quantity, Estimate]) -> Unit:
    """Return the pile entry with the facts that the readings replace."""
    facts: dict[str, Any] = {name: value for name, (_, value) in papers.facts.items()}
    if facts.get("rest_hours") == -1.0:
        facts["rest_hours"] = None
    for quantity in (Quantity.CAPACITY, Quantity.RESISTANCE, Quantity.LEAKAGE):
        if quantity in told:
            facts[quantity.value] = told[quantity].value
    if papers.flags:
        facts["flags"] = tuple(dict.fromkeys((*papers.unit.flags, *papers.flags)))
    return replace(papers.unit, **facts)


def _once(remarks: Iterable[Remark]) -> tuple[Remark, ...]:
    return tuple(dict.fromkeys(remarks))
