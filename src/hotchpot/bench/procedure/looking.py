"""When to look at a discharge again: now and then at first, more often towards its end."""

from __future__ import annotations

import math
from collections.abc import Sequence

from hotchpot.bench.procedure.figures import setting


def next_look_h(hours: Sequence[float], volts: Sequence[float], *, cutoff_v: float, run_h: float) -> float:
    r"""
    Return when to look at a discharge again, in hours since the load came on; sooner towards the end.

    Parameters
    ----------
    hours, volts : sequence of float
        Looks so far, in order; both may be empty. [h], [V]
    cutoff_v, run_h : float
        Where the run ends, and how long it is thought to last. [V], [h]

    Notes
    -----
    The last two looks are drawn on as a straight line to the cut-off,
    :math:`t_c = t + (V - V_c)\,\Delta t/(-\Delta V)`; the next look is half-way there. As the curve bends down at its
    knee, the line promises too much: never longer than an eighth of the run, never shorter than a hundredth. The eighth
    and the hundredth are project rules.

    Examples
    --------
    >>> round(next_look_h([0.0, 10.0], [12.6, 12.0], cutoff_v=10.5, run_h=20.0), 2)
    12.5
    >>> round(next_look_h([18.0, 18.5], [11.2, 10.9], cutoff_v=10.5, run_h=20.0), 2)
    18.83
    """
    shortest, longest = run_h / 100.0, run_h / 8.0
    if not hours:
        return 0.0
    now = hours[-1]
    if len(hours) == 1:
        return now + min(setting("look_h"), longest)
    fall = (volts[-2] - volts[-1]) / max(hours[-1] - hours[-2], 1e-6)
    left = (volts[-1] - cutoff_v) / fall if fall > 0 else math.inf
    return now + min(max(left / 2.0, shortest), longest)
