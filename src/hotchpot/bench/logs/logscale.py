"""What is much and what is little in a logger's file: the usual interval, the full current, what counts as rest."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_PER_DECADE = 40
_STEP_FRAC = 0.12  # of the full current: smaller steps move the volts less than most meters and loads are steady
_REST_FRAC = 0.01  # where the currents show no gap between rest and load
_GAP_LOW_FRAC, _REST_MOST_FRAC = 0.002, 0.06
_WIDE_GAP = 1.5
_REST_SHARE = 0.03
_SPIKE_OF = 5000  # one sample in so many may be a sensor's spike


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """
    The scale of one log.

    `usual_s` is the usual interval while current flows [s]; `full_a` the current below which nine tenths of all current
    lies; up to `rest_a` it is rest (sensors have an offset); a change of `step_a` or more is a step [A].
    """

    usual_s: float
    full_a: float
    rest_a: float
    step_a: float

    @property
    def blip_a(self) -> float:
        """Up to this peak, a short stretch of current is a sensor's flicker. [A]"""
        return max(2.0 * self.rest_a, 0.02 * self.full_a)


def scale_of(time_s: NDArray[np.float64], amps: NDArray[np.float64]) -> Scale:
    """
    Return the scale of a log from samples of it, in order; they may have holes.

    Parameters
    ----------
    time_s, amps : ndarray, shape (n,)
        Samples; not-a-number where missing. [s], [A]

    Notes
    -----
    Rest is told from load by an empty stretch of the currents' histogram, on a logarithmic axis: the highest that
    begins between 0.2 and 6 % of the full current, is 1.5 times wide and has at most 3 % of all current below it; 1 %
    of the full current where there is none (common practice, no source).

    Examples
    --------
    An offset of 60 mA and a load of 2.3 A:

    >>> import numpy as np
    >>> scale = scale_of(np.arange(100.0), np.repeat([0.06, 2.3], 50))
    >>> 0.06 < scale.rest_a < 0.15, scale.usual_s
    (True, 1.0)
    """
    import numpy as np

    good = np.isfinite(time_s) & np.isfinite(amps)
    t, size = time_s[good], np.abs(amps[good])
    if not size.any():
        return Scale(usual_s=_usual(np.diff(t)), full_a=0.0, rest_a=0.0, step_a=np.inf)
    ordered = np.sort(size)
    ordered = np.minimum(ordered, ordered[-1 - ordered.size // _SPIKE_OF])
    share = np.cumsum(ordered)
    full_a = float(ordered[np.searchsorted(share, 0.9 * share[-1])])
    rest_a = _rest_a(ordered, full_a)
    interval = np.diff(t)
    flows = (size[1:] > rest_a) & (size[:-1] > rest_a)
    usual_s = _usual(interval[flows] if flows.sum() >= 10 else interval)
    return Scale(usual_s=usual_s, full_a=full_a, rest_a=rest_a, step_a=_STEP_FRAC * full_a)


def _usual(interval: NDArray[np.float64]) -> float:
    import numpy as np

    forward = interval[interval > 0]
    return float(np.median(forward)) if forward.size else 1.0


def _rest_a(ordered: NDArray[np.float64], full_a: float) -> float:
    """Return where rest ends: within a gap of the sizes, or a fixed fraction of the full current."""
    import numpy as np

    low, high = _GAP_LOW_FRAC * full_a, _REST_MOST_FRAC * full_a
    edges = low * 10.0 ** (np.arange(int(np.log10(1.0 / _GAP_LOW_FRAC) * _PER_DECADE) + 2) / _PER_DECADE)
    count = np.histogram(np.clip(ordered, low, full_a), bins=edges)[0]
    full = np.flatnonzero(count > 2e-4 * ordered.size)
    share = np.cumsum(ordered)
    at = _REST_FRAC * full_a
    for below, above in pairwise(full.tolist()):
        start, end = edges[below + 1], edges[above]
        under = int(np.searchsorted(ordered, start))
        little = not under or share[under - 1] <= _REST_SHARE * share[-1]
        if start < high and end / start > _WIDE_GAP and little:
            at = max(min(float(np.sqrt(start * end)), high), start)
    return float(max(at, low))
