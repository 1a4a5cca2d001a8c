"""One unit's papers while the bench works through its readings: each kind of reading becomes its estimates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from hotchpot.bench.discharge.runs import Runs
from hotchpot.bench.estimate import Estimate, Quantity, refused
from hotchpot.bench.meter import meter
from hotchpot.bench.standing.present import Present
from hotchpot.bench.standing.slips import too_low
from hotchpot.bench.trace import Log
from hotchpot.pile.reading import Reading, ReadingKind
from hotchpot.pile.unit import Unit

LOG_METER = "logger"


@dataclass(slots=True)
class Papers:
    """One unit's papers while they are worked through."""

    unit: Unit
    runs: Runs
    present: Present
    estimates: list[Estimate] = field(default_factory=list)
    gravities: list[tuple[str | None, tuple[float, ...]]] = field(default_factory=list)
    flags: list[str] = field(default_factory=list)
    turn: int = 0
    lowest_rest_v: float | None = None
    warmest_k: float | None = None

    def moves(self, when: str | None) -> None:
        """Note that this reading drew or put in charge."""
        self.present.moves(when, self.turn)

    def gravity(self) -> tuple[float, ...]:
        """
        Return the gravity that stands: the newest of as many cells; of one without a date and a dated one the worse.

        One cell read again says nothing of the others.
        """
        most = max(len(self.unit.gravity), *(len(cells) for _, cells in self.gravities), 0)
        listed = [(when, cells) for when, cells in self.gravities if len(cells) == most]
        if not listed:
            return self.unit.gravity
        newest = max(range(len(listed)), key=lambda k: (listed[k][0] or "", k))
        undated = [cells for when, cells in listed if when is None] if listed[newest][0] is not None else []
        return max((listed[newest][1], *undated), key=lambda cells: (max(cells) - min(cells), -min(cells)))

    def take(self, reading: Reading, turn: int, logs: Mapping[str, Sequence[Log]]) -> None:
        """Take one reading, the `turn`-th that was noted; `logs` are the unit's, by file."""
        self.turn = turn
        _TAKE[reading.kind](self, reading, logs)


def _rest(papers: Papers, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
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
    told = [settled]
    if not settled.refused:
        charge = charge_of_rest(
            settled,
            unit=papers.unit,
            curve=papers.runs.curve,
            rest_hours=hours[-1],
            temperature_c=reading.temperature_c,
            when=reading.when,
        )
        told.append(replace(charge, instrument="curve"))
    papers.estimates += told
    last_v = reading.volts[-1]
    papers.lowest_rest_v = last_v if papers.lowest_rest_v is None else min(papers.lowest_rest_v, last_v)
    # Even where the settled voltage is refused, the last one read stands as a fact: the judge must see a reversed unit.
    stands_v = last_v if settled.value is None else settled.value
    papers.present.tells(reading.when, papers.turn, told, volts=stands_v, hours=hours[-1])


def _loads(papers: Papers, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.load.resistance import resistance_of_loads

    against = too_low(papers.unit, reading.volts)
    if against is not None:
        papers.estimates.append(refused(Quantity.RESISTANCE, against, when=reading.when))
        return
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


def _run(papers: Papers, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    papers.moves(reading.when)
    papers.runs.noted(reading)


def _gravity(papers: Papers, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    from hotchpot.bench.standing.gravity import charge_of_gravity

    papers.gravities.append((reading.when, reading.gravity))
    charge = charge_of_gravity(
        reading.gravity, unit=papers.unit, temperature_c=reading.temperature_c, when=reading.when
    )
    charge = replace(charge, instrument="hydrometer")
    papers.estimates.append(charge)
    papers.present.tells(reading.when, papers.turn, [charge])


def _leak(papers: Papers, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
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


def _look(papers: Papers, reading: Reading, _: Mapping[str, Sequence[Log]]) -> None:
    papers.flags += reading.flags
    # A unit that once grew warm at rest has a fault that a cool day does not mend.
    felt = (reading.rest_rise_k, papers.unit.rest_rise_k, papers.warmest_k)
    papers.warmest_k = max((rise for rise in felt if rise is not None), default=None)


def _log(papers: Papers, reading: Reading, logs: Mapping[str, Sequence[Log]]) -> None:
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
