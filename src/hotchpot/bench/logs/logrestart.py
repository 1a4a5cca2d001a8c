"""
A clock that begins anew within a file: one run that goes on, as after a logger's short loss of supply, or another run.

Only the volts can tell how long the logger was off. Where amps and volts go on over the restart, and the slope of the
volts leaves little time in between, both halves are one run and what may hide there is a gap in it; else they stay two.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logpieces import FIRST_S, LAST_S, PLACE, ROW, RUN, STATE
from hotchpot.bench.logs.logscale import Scale

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Points = tuple[NDArray[np.int64], Floats, Floats, Floats, Floats]

MOST_FRAC = 0.02  # of the run: as much as may hide in a joint; a run with more in its gaps is refused anyway
_ROWS = 200  # looked at on either side
_LEAST = 10
_ALIKE_FRAC = 0.02  # of the current: a constant load moves no more over a restart


@dataclass(frozen=True, slots=True, kw_only=True)
class Restart:
    """
    One restart of the clock: the row it stands at, whether the run goes on over it, and what speaks for that.

    `off_s` is how long the logger can have been off by the slope of the volts, at most; None where they do not tell.
    `amps` and `volts` stand just before and just after; `flows` says whether current of one direction flows on both
    sides. `at_s` is the log's time of the first row after it.
    """

    row: int
    at_s: float
    joined: bool
    flows: bool
    amps: tuple[float, float]
    volts: tuple[float, float]
    off_s: float | None


def over_restarts(parts: Floats, points: Points, *, scale: Scale) -> tuple[Floats, tuple[Restart, ...]]:
    """
    Return the parts with those of one run under one number, and what was found at each restart of the clock.

    Parameters
    ----------
    parts : ndarray, shape (n, 12)
        Table of parts (`logpieces`); the number in RUN grows where the clock began anew.
    points : tuple of ndarray
        The samples kept, as `PointStore.points` gives them.
    scale : Scale
        The scale of the log.
    """
    import numpy as np

    at = np.flatnonzero(np.diff(parts[:, RUN]) != 0) + 1
    if not at.size:
        return parts, ()
    found = tuple(_restart(parts, int(k), points, scale) for k in at)
    told = parts.copy()
    for k, one in zip(at, found, strict=True):
        if one.joined:
            told[k:, RUN] -= parts[k, RUN] - parts[k - 1, RUN]
    return told, found


def _restart(parts: Floats, k: int, points: Points, scale: Scale) -> Restart:
    import numpy as np

    places, t, v, a, _ = points
    place = int(parts[k, PLACE])
    low = max(place - _ROWS, int(parts[k - 1, PLACE]))
    before = np.flatnonzero((places >= low) & (places < place))
    after = np.flatnonzero((places >= place) & (places < place + _ROWS))
    flows = bool(parts[k, STATE] == parts[k - 1, STATE] != 0)
    amps = (_median(a[before][-20:]), _median(a[after][:20]))
    volts = (_median(v[before][-3:]), _median(v[after][:3]))
    whole_s = float(_end_s(parts, k) - _begin_s(parts, k))
    off_s, enough = None, min(before.size, after.size) >= _LEAST
    if flows and enough and _alike(a[before], a[after], scale):
        off_s = _longest_off_s((t[before], v[before]), (t[after], v[after]), at_s=float(parts[k, FIRST_S]))
    return Restart(
        row=int(parts[k, ROW]),
        at_s=float(parts[k, FIRST_S]),
        joined=off_s is not None and off_s <= MOST_FRAC * whole_s,
        flows=flows,
        amps=amps,
        volts=volts,
        off_s=off_s,
    )


def _begin_s(parts: Floats, k: int) -> float:
    """Return when the stretch of one state before part `k` began."""
    first = k - 1
    while first > 0 and parts[first - 1, STATE] == parts[k, STATE]:
        first -= 1
    return float(parts[first, FIRST_S])


def _end_s(parts: Floats, k: int) -> float:
    """Return when the stretch of one state that part `k` begins ends."""
    last = k
    while last + 1 < len(parts) and parts[last + 1, STATE] == parts[k, STATE]:
        last += 1
    return float(parts[last, LAST_S])


def _alike(before: Floats, after: Floats, scale: Scale) -> bool:
    """Tell whether the current just before and just after is the same but for its scatter."""
    near, then = before[-20:], after[:20]
    slack = max(_ALIKE_FRAC * abs(_median(near)), 2.0 * float(near.std()), 2.0 * float(then.std()))
    return abs(_median(near) - _median(then)) <= min(slack, scale.step_a)


def _longest_off_s(before: tuple[Floats, Floats], after: tuple[Floats, Floats], *, at_s: float) -> float | None:
    r"""
    Return how long the logger can have been off, at most; None where the volts came back, or do not move. [s]

    Notes
    -----
    Straight lines through the volts of both sides meet at the restart with a step :math:`\Delta`; with their slope
    :math:`s` the time between is :math:`\Delta / s`. The doubt of each line's end is :math:`2\sigma/\sqrt{n}`
    (least squares, at the end of its span); half a count of the meter is added, as a slow fall is read in stairs.
    """
    import numpy as np

    lines = []
    for t, v in (before, after):
        good = np.isfinite(v)
        x, y = t[good] - at_s, v[good]
        if x.size < _LEAST or np.ptp(x) <= 0.0:
            return None
        slope, level = np.polyfit(x, y, 1)
        lines.append((float(slope), float(level), 2.0 * float(np.std(y - slope * x - level)) / x.size**0.5))
    (slope_b, level_b, sd_b), (slope_a, level_a, sd_a) = lines
    stairs = np.abs(np.diff(np.concatenate([before[1], after[1]])))
    stairs = stairs[np.isfinite(stairs) & (stairs > 1e-9)]
    doubt_v = 2.0 * float(np.hypot(sd_b, sd_a)) + (0.5 * float(stairs.min()) if stairs.size else 0.0)
    slope = 0.5 * (slope_a + slope_b)
    step_v = level_a - level_b
    if slope_a * slope_b <= 0.0 or (step_v * slope < 0.0 and abs(step_v) > doubt_v):
        return None
    return float((max(0.0, step_v * np.sign(slope)) + doubt_v) / abs(slope))


def _median(values: Floats) -> float:
    import numpy as np

    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")
