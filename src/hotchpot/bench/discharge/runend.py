r"""
Where a discharge run ended: what of a trace was under load, where the cut-off was passed, how steeply it fell there.

The end of a run is judged by charge, not by volts: what was left, or went past, is the distance of the voltage to the
cut-off over the slope dV/dQ at the run's end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bench.trace import Trace

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LOADED_FRAC = 0.1  # of the run's usual current; below it the unit rests
SLOPE_WINDOW_FRAC = 0.01  # of the charge, either side of where a slope is wanted
SPARSE_FRAC = 0.02  # of the charge between two readings: the knee is not seen
STALE_SAMPLES = 4  # at the end, where a logger may repeat or mix the voltage of the switching instant
START_FRAC = 0.2  # of the charge: a first voltage this early belongs to the start


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """
    The part of a trace from load on to load off, arrays of shape (n,).

    `ah` and `hours` count from load on, `hours` only while loaded; `volts` is NaN where it is no reading under load.
    `charged_ah` flowed the wrong way, `paused_h` passed without load inside.
    """

    time_h: NDArray[np.float64]
    hours: NDArray[np.float64]
    ah: NDArray[np.float64]
    volts: NDArray[np.float64]
    amps: NDArray[np.float64]
    charged_ah: float
    paused_h: float

    @property
    def drawn_ah(self) -> float:
        """Charge of the whole loaded run. [Ah]"""
        return float(self.ah[-1])


@dataclass(frozen=True, slots=True)
class RunEnd:
    """
    Where a run's charge counts to, and what is not known of it.

    `short_ah` was left to the cut-off, negative what went past it; `bend_ah` is how far the straight line between the
    readings about the cut-off may be off; `slope_v_per_ah` is the fall there. `past_ah` was drawn after it and is
    not counted. `missed` tells that the cut-off was passed before the first voltage that is known.
    """

    drawn_ah: float
    hours: float
    end_v: float
    slope_v_per_ah: float
    short_ah: float = 0.0
    bend_ah: float = 0.0
    past_ah: float = 0.0
    missed: bool = False


def loaded_part(trace: Trace) -> Loaded | None:
    """
    Return what of a trace was under load; None where nothing was drawn.

    Under load is more than a tenth of the run's usual current, the mean weighted by charge, so that a long rest with a
    leak of current does not count as one.
    """
    import numpy as np

    t, out = trace.time_s / 3600.0, np.clip(trace.amps, 0.0, None)
    drawn = float(np.trapezoid(out, t))
    if not drawn > 0.0:
        return None
    on = trace.amps > LOADED_FRAC * float(np.trapezoid(out * out, t)) / drawn
    first, last = int(np.argmax(on)), len(on) - int(np.argmax(on[::-1]))
    part, steps = slice(first, last), np.diff(t[first:last])
    both = on[first : last - 1] & on[first + 1 : last]
    if not float(steps[both].sum()) > 0.0:
        return None
    counted = trace.ah[part] - trace.ah[first]
    return Loaded(
        time_h=t[part],
        hours=np.concatenate([[0.0], np.cumsum(steps * both)]),
        ah=counted,
        volts=np.where(on[part], trace.volts[part], np.nan),
        amps=trace.amps[part],
        charged_ah=float(-np.clip(np.diff(counted), None, 0.0).sum()),
        paused_h=float((steps * ~both).sum()),
    )


def end_of_run(run: Loaded, cutoff_v: float, *, end_slope_v: float, past_frac: float = 0.0) -> RunEnd | None:
    """
    Return where the run's charge counts to; None where no voltage was read.

    Parameters
    ----------
    run : Loaded
        What was under load.
    cutoff_v : float
        Where it should end. [V]
    end_slope_v : float
        The least fall at the end of a discharge, for readings too sparse to show it. [V per whole of the charge]
    past_frac : float
        A run that went past the cut-off by no more than this share counts whole.
    """
    import numpy as np

    seen = np.flatnonzero(np.isfinite(run.volts))
    if len(seen) == 0:
        return None
    tail = seen[-STALE_SAMPLES:]
    lowest = tail[len(tail) - 1 - int(np.argmin(run.volts[tail][::-1]))]
    seen = seen[seen <= lowest]
    q, v, whole = run.ah[seen], run.volts[seen], run.drawn_ah
    above = np.flatnonzero(v > cutoff_v)
    if v[-1] > cutoff_v or len(above) == 0:
        at = float(q[-1]) if len(above) else float(q[0])
        slope = _slope(q, v, at, whole, end_slope_v)
        left = (float(v[-1] if len(above) else v[0]) - cutoff_v) / slope if slope > 0.0 else np.inf
        short = left - (whole - at)
        return _counted(run, whole, float(v[-1]), slope, short=short, missed=len(above) == 0)
    j = int(above[-1])
    at = float(q[j] + (q[j + 1] - q[j]) * (v[j] - cutoff_v) / (v[j] - v[j + 1]))
    slope, past = _slope(q, v, at, whole, end_slope_v) or end_slope_v / whole, whole - at
    if past <= past_frac * whole:
        return _counted(run, whole, float(v[-1]), slope, short=-past)
    return _counted(run, at, cutoff_v, slope, bend=_bend(q, v, j, at, cutoff_v), past=past)


def _counted(
    run: Loaded,
    at_ah: float,
    end_v: float,
    slope: float,
    *,
    short: float = 0.0,
    bend: float = 0.0,
    past: float = 0.0,
    missed: bool = False,
) -> RunEnd:
    import numpy as np

    hours = float(np.interp(at_ah, run.ah, run.hours))
    return RunEnd(at_ah, hours, end_v, slope, short, bend, past, missed)


def _slope(q: NDArray[np.float64], v: NDArray[np.float64], at: float, whole: float, end_slope_v: float) -> float:
    """Return how steeply the voltage falls at a charge, by least squares near it; zero where it does not. [V/Ah]"""
    import numpy as np

    for window in (SLOPE_WINDOW_FRAC, 5 * SLOPE_WINDOW_FRAC, 25 * SLOPE_WINDOW_FRAC):
        near = np.abs(q - at) <= window * whole
        spread = float(np.sum((q[near] - q[near].mean()) ** 2)) if near.sum() >= 3 else 0.0
        if spread > 0.0:
            fall = -float(np.sum((q[near] - q[near].mean()) * v[near])) / spread
            if fall > 0.0:
                return fall
    if len(q) < 2:
        return end_slope_v / whole
    k = int(np.clip(np.searchsorted(q, at), 1, len(q) - 1))
    apart = float(q[k] - q[k - 1])
    chord = float(v[k - 1] - v[k]) / apart if apart > 0.0 else 0.0
    return max(chord, end_slope_v / whole) if apart > SPARSE_FRAC * whole else max(chord, 0.0)


def _bend(q: NDArray[np.float64], v: NDArray[np.float64], j: int, at: float, cutoff_v: float) -> float:
    """
    Return how much later than on the straight line the cut-off may have been passed. [Ah]

    A discharge curve bends down at its end: it lies above the line between two readings, and below the line before
    drawn on.
    """
    latest = float(q[j + 1])
    if j > 0 and q[j] > q[j - 1] and v[j - 1] > v[j]:
        before = float(v[j - 1] - v[j]) / float(q[j] - q[j - 1])
        latest = min(latest, float(q[j]) + float(v[j] - cutoff_v) / before)
    return max(0.0, latest - at)
