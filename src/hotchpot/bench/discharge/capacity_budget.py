"""The budget of a run's capacity: each independent cause of its doubt, from the meter and from the run itself."""

from __future__ import annotations

import math

from hotchpot.bench.discharge.rate import OF_CURRENT
from hotchpot.bench.discharge.runend import Loaded, RunEnd
from hotchpot.bench.estimate import Line, Shape
from hotchpot.bench.meter import Accuracy

REPEATABILITY_FRAC = 0.03  # one battery run twice by hand; common practice, no source (3 to 5 %)
CLOCK_LIMIT_S = 30.0  # a clock read by eye to the minute; a logger knows half its interval
_ROOT3 = math.sqrt(3.0)


def budget_of_run(
    run: Loaded, end: RunEnd, cutoff_v: float, *, volts: Accuracy, amps: Accuracy, count_v: float | None, gap_s: float
) -> tuple[Line, ...]:
    """
    Return the lines of a capacity as drawn. [Ah]

    Gain and zero of the ammeter are common to the whole run; its counts average out. The voltmeter counts through the
    slope of the voltage at the end. What a run left to its cut-off, or went past it, is a known error that is not
    corrected: its line is as large as it is (JCGM 100:2008, F.2.4.5).
    """
    gain, zero, _ = OF_CURRENT
    drawn, hours = end.drawn_ah, end.hours
    mean_a, per_v = drawn / hours, 1.0 / end.slope_v_per_ah
    lines = (
        Line(gain, amps.gain_sd_frac() * drawn, Shape.RECTANGULAR, common=True),
        Line(zero, amps.offset_sd() * hours, Shape.RECTANGULAR, common=True),
        _counts(run, end, amps),
        Line("charge between the samples", _between_ah(run, end)),
        Line("cut-off, voltmeter's gain", volts.gain_sd_frac() * cutoff_v * per_v, Shape.RECTANGULAR, common=True),
        Line("cut-off, voltmeter's counts", volts.own_sd(count_v) * per_v, Shape.RECTANGULAR),
        Line("cut-off, bend between readings", end.bend_ah / _ROOT3, Shape.RECTANGULAR),
        Line("end off the cut-off", abs(end.short_ah)),
        Line("clock", _clock_s(run) * math.sqrt(2.0) / _ROOT3 * mean_a / 3600.0),
        Line("gaps", gap_s * mean_a / 3600.0 / _ROOT3, Shape.RECTANGULAR),
        Line("repeatability", REPEATABILITY_FRAC * drawn),
    )
    return tuple(line for line in lines if line.sd > 0.0)


def _counts(run: Loaded, end: RunEnd, amps: Accuracy) -> Line:
    """Return what the last digits of the current do: they average out, unless one reading stands for the run."""
    import numpy as np

    cause = OF_CURRENT[2]
    if np.ptp(run.amps) == 0.0:
        return Line(cause, amps.own_sd() * end.hours, Shape.RECTANGULAR)
    steps = np.diff(run.time_h)
    weights = 0.5 * (np.append(steps, 0.0) + np.append(0.0, steps))
    return Line(cause, amps.own_sd() * float(np.linalg.norm(weights)))


def _between_ah(run: Loaded, end: RunEnd) -> float:
    """Return the trapezium rule's error by leaving out every second sample, a third of the change (Richardson)."""
    import numpy as np

    if len(run.amps) < 3:
        return 0.0
    kept = np.append(np.arange(0, len(run.amps) - 1, 2), len(run.amps) - 1)
    coarse = float(np.trapezoid(run.amps[kept], run.time_h[kept]))
    return abs(coarse - run.drawn_ah) / 3.0 * end.drawn_ah / run.drawn_ah


def _clock_s(run: Loaded) -> float:
    import numpy as np

    return min(CLOCK_LIMIT_S, 1800.0 * float(np.median(np.diff(run.time_h))))
