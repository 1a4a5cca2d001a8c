"""
The discharge runs of one unit: from a notebook or a logger, each to a capacity, and all together to how it depends on
the rate.

Two runs or more at unlike rates tell the rate exponent, which is joined with the chemistry's usual one by their
doubts; three rates or more may tell a kinetic model, which then stands in its place. Never both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from hotchpot.bench.combine import day_of
from hotchpot.bench.discharge.fullness import BEGAN_FULL, LEAST_CHARGED_FRAC, at_least, began_full
from hotchpot.bench.discharge.run_remarks import few_volts, implausible, not_from_full
from hotchpot.bench.estimate import Estimate, Quantity, refused
from hotchpot.bench.meter import Meter, meter
from hotchpot.bench.remark import Remark
from hotchpot.bench.trace import Flow, Log, Piece, Trace, trace_of
from hotchpot.measure import Measure
from hotchpot.pile.columns import NAMEPLATE_MARGIN
from hotchpot.pile.reading import Reading
from hotchpot.pile.unit import Unit

if TYPE_CHECKING:
    from hotchpot.bench.discharge.kinetic_fit import KineticFit
    from hotchpot.bench.standing.curve import OwnCurve

LEAST_VOLTS_THROUGH = 3  # of a run through a resistor: with fewer nobody knows the current in between
LEAST_SAMPLES_OF_CURVE = 10
SEASON_DAYS = 183
RESISTOR_LIMIT_FRAC = 0.05  # a resistor with its leads, warm, read with a multimeter; common practice, no source
SLOW_RUN_H = 14.0  # about C/15 and slower: the load's own drop is small beside the curve
# A piece of a log that drew less than this of the rated capacity was a day's use, not a test of the capacity.
LEAST_RUN_FRAC = 0.3


@dataclass(slots=True)
class Runs:
    """All runs of one unit: taken one by one, settled together."""

    unit: Unit
    drawn: list[Estimate] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    curve: OwnCurve | None = None

    def noted(self, reading: Reading) -> None:
        """Take a run that a person timed."""
        from hotchpot.bench.discharge.capacity import accuracy_through, capacity_of_run

        instrument = meter(reading.meter)
        if reading.ohms and not reading.amps and len(reading.volts) < LEAST_VOLTS_THROUGH:
            self.drawn.append(refused(Quantity.CAPACITY, few_volts(self.unit, len(reading.volts)), when=reading.when))
            return
        through = reading.ohms if not reading.amps else None
        self.drawn.append(
            capacity_of_run(
                trace_of_reading(reading),
                unit=self.unit,
                meter=instrument,
                cutoff_v=reading.cutoff_v,
                count_v=reading.count_v,
                when=reading.when,
                amps=None
                if through is None
                else accuracy_through(through, RESISTOR_LIMIT_FRAC, meter=instrument, count_v=reading.count_v),
            )
        )

    def logged(self, log: Log, instrument: Meter, reading: Reading) -> None:
        """Take every discharge of a log that is long enough to be a test."""
        from hotchpot.bench.discharge.capacity import capacity_of_run

        self.remarks += log.remarks
        before: list[Piece] = []
        full = False
        for piece in log.pieces:
            if piece.flow is Flow.DISCHARGE and piece.out_ah >= LEAST_RUN_FRAC * self.unit.rated_ah:
                run = capacity_of_run(
                    _warm(piece.trace, reading.temperature_c),
                    unit=self.unit,
                    meter=instrument,
                    cutoff_v=reading.cutoff_v,
                    when=_moment(log.start or reading.when, piece.start_s - log.pieces[0].start_s),
                    gap_s=piece.gap_s,
                )
                charged = _charged_frac(before)
                full = began_full(before, self.unit, was_full=full, charged_frac=charged)
                facts = {**run.facts, BEGAN_FULL: float(full)}
                if charged is not None:
                    facts["charged_frac"] = charged
                if charged is not None and charged < LEAST_CHARGED_FRAC and not run.refused:
                    run = refused(Quantity.CAPACITY, not_from_full(self.unit, charged), when=run.when, **facts)
                self.drawn.append(replace(run, facts=facts))
                if full:  # else the curve's upper end is not known
                    self._own_curve(piece, run, instrument, before)
                before = []
            before.append(piece)

    def _own_curve(self, piece: Piece, run: Estimate, instrument: Meter, before: list[Piece]) -> None:
        """Keep the unit's own open-circuit curve where a whole run was slow enough to tell it; the slowest one wins."""
        from hotchpot.bench.standing.curve import curve_of_run

        slow = run.facts.get("hours", 0.0) >= SLOW_RUN_H and len(piece.trace.time_s) >= LEAST_SAMPLES_OF_CURVE
        if run.refused or not slow or (self.curve and self.curve.facts["c_rate"] <= piece.trace.mean_a / piece.out_ah):
            return
        rested = (
            [v for v in before[-1].trace.volts if math.isfinite(v)] if before and before[-1].flow is Flow.REST else []
        )
        found = curve_of_run(
            piece.trace,
            unit=self.unit,
            meter=instrument,
            capacity_ah=run.facts["drawn_ah"],
            full_rest_v=float(rested[-1]) if rested else None,
        )
        self.remarks += found.remarks if not found.refused else ()
        self.curve = self.curve if found.refused else found

    def settle(self) -> list[Estimate]:
        """Return each run's capacity at 25 °C and the rated rate, and the rate exponent where the runs tell one."""
        from hotchpot.bench.discharge.rate import exponent_of_chemistry, exponent_of_runs
        from hotchpot.bench.discharge.rated import rated_by_fit, to_rated

        # A run that may not have begun full says nothing of how the capacity depends on the rate.
        whole = _of_one_season([run for run in self.drawn if not run.refused and run.facts.get(BEGAN_FULL) != 0.0])
        if len(whole) < 2:
            return [self._plausible(to_rated(run, unit=self.unit)) for run in self.drawn]
        found = exponent_of_runs(whole, unit=self.unit)
        if found.refused and found.facts["rates"] < 2:
            # Runs at one rate: nothing was asked of them.
            return [self._plausible(to_rated(run, unit=self.unit)) for run in self.drawn]
        fit = self._fit(whole) if found.facts["rates"] >= 3 and not found.refused else None
        if fit is None or fit.kinetic is None:
            exponent = None if found.refused else _joined(found.measure, exponent_of_chemistry(self.unit.chem))
            rated = [to_rated(run, unit=self.unit, exponent=exponent) for run in self.drawn]
        else:
            fitted = dict(zip(map(id, whole), rated_by_fit(whole, unit=self.unit, fit=fit), strict=True))
            rated = [fitted.get(id(run)) or to_rated(run, unit=self.unit, kinetic=fit.kinetic) for run in self.drawn]
        return [found, *map(self._plausible, rated)]

    def _plausible(self, told: Estimate) -> Estimate:
        """Return a capacity, refused where no label is that wrong: a slip of a unit or of the rated capacity."""
        if told.value is None or told.value <= NAMEPLATE_MARGIN * self.unit.rated_ah:
            return at_least(told, self.unit)
        return refused(Quantity.CAPACITY, implausible(self.unit, told.value), when=told.when, **told.facts)

    def _fit(self, whole: list[Estimate]) -> KineticFit:
        """Return the kinetic model of runs at three rates or more, each brought to 25 °C; what it refuses is said."""
        from hotchpot.bench.discharge.kinetic_fit import fit_kinetic
        from hotchpot.bench.discharge.temperature import capacity_factor

        points = []
        for run in whole:
            hours, warmth = run.facts["hours"], run.facts.get("temperature_c", 25.0)
            points.append((hours, run.measure.value / capacity_factor(self.unit.chem, warmth, hours=hours).value))
        fit = fit_kinetic(points, subject=self.unit.id)
        self.remarks += fit.remarks
        return fit


def trace_of_reading(reading: Reading) -> Trace:
    """
    Return a noted run as a trace, from the moment the load came on.

    With one number of hours its one voltage is the last; a first reading after zero leaves the voltage before it
    unknown. Through a resistor the current follows the voltage.
    """
    hours, volts, amps = list(reading.hours), list(reading.volts), list(reading.amps)
    if hours[0] > 0.0:
        hours, volts = [0.0, *hours], [float("nan"), *volts]
        amps = [amps[0], *amps] if len(amps) > 1 else amps
    time_s = [3600.0 * h for h in hours]
    if reading.ohms and not amps:
        from hotchpot.bench.discharge.capacity import trace_through

        return trace_through(time_s, volts, reading.ohms, temperature_c=reading.temperature_c)
    return trace_of(time_s, volts, amps if len(amps) > 1 else amps[0], temperature_c=reading.temperature_c)


def _of_one_season(runs: list[Estimate]) -> list[Estimate]:
    """Return the runs of the newest half year: between older ones a unit ages, and that is not its rate."""
    newest = max((run.when or "" for run in runs), default="")
    if not newest:
        return runs
    since = day_of(newest) - timedelta(days=SEASON_DAYS)
    return [run for run in runs if run.when is None or day_of(run.when) >= since]


def _joined(own: Measure, usual: Measure) -> Measure:
    """Return the unit's own exponent and the chemistry's usual one, weighted by the inverse of their variances."""
    if own.sd == 0.0 or usual.sd == 0.0:
        return own
    weight = usual.sd**2 / (own.sd**2 + usual.sd**2)
    value = weight * own.value + (1.0 - weight) * usual.value
    return Measure(value, own.sd * usual.sd / math.hypot(own.sd, usual.sd), own.basis)


def _warm(trace: Trace, temperature_c: float | None) -> Trace:
    known = temperature_c is None or trace.temperature_c is not None
    return trace if known else replace(trace, temperature_c=temperature_c)


def _charged_frac(before: list[Piece]) -> float | None:
    """Return how much of the last run's charge was put back before this one; None where there was no run before."""
    if not before or before[0].flow is not Flow.DISCHARGE:
        return None
    out = sum(piece.out_ah for piece in before)
    return sum(piece.in_ah for piece in before) / out if out > 0 else None


def _moment(start: str | None, seconds: float) -> str | None:
    if start is None:
        return None
    try:
        return (datetime.fromisoformat(start) + timedelta(seconds=seconds)).isoformat(timespec="seconds")
    except ValueError:
        return start
