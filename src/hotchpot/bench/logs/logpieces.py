"""From the stretches of one current direction that a log was cut into, to its pieces: runs, charges and rests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logscale import Scale

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

BRIEF_S = 600.0
BRIEF_FRAC = 0.05
SMALL_CHARGE_FRAC = 0.01
BLIP_FRAC = 0.005
MOST_PIECES = 2000
MOST_PARTS = 60_000

# Columns of a table of parts; a part is a stretch of samples of one state, or as much of it as one tile holds.
# RUN counts how often the clock began anew: parts of two runs are never joined.
STATE, ROW, PLACE, LAST, FIRST_S, LAST_S, OUT_AH, IN_AH, OUT_WH, IN_WH, PEAK_A, RUN = range(12)
WIDTH = 12
_SUMS = [OUT_AH, IN_AH, OUT_WH, IN_WH]


@dataclass(slots=True)
class Joined:
    """Parts joined to pieces, in order; how long the longest stretch is that was put to its neighbours for number."""

    parts: Floats
    absorbed_s: float = 0.0


def join_parts(parts: Floats, *, scale: Scale) -> Joined:
    """
    Return the pieces that a table of parts, shape (n, 12), comes to.

    Flickers of a sensor count as rest; a brief interruption (under ten minutes and under 5 % of the run) does not split
    a run; beyond two thousand pieces the shortest go to their neighbours.
    """
    import numpy as np

    parts = merged(parts)
    flow_ah = parts[:, OUT_AH] + parts[:, IN_AH]
    small = (parts[:, PEAK_A] <= scale.blip_a) & (flow_ah <= BLIP_FRAC * flow_ah.max(initial=0.0))
    lone = parts[:, PLACE] == parts[:, LAST]
    most = parts.copy()
    most[small | (parts[:, PEAK_A] <= scale.rest_a) | lone, STATE] = 0.0
    parts = _close_interruptions(merged(most) if most[:, STATE].any() else merged(parts))
    absorbed = 0.0
    while len(parts) > MOST_PIECES:
        span = np.diff(parts[:, FIRST_S], append=parts[-1, LAST_S])
        absorbed = max(absorbed, float(np.partition(span, len(span) // 2)[len(span) // 2]))
        parts = absorb(parts, absorbed)
    return Joined(parts, absorbed)


def merged(parts: Floats) -> Floats:
    """Return the table with neighbours of one state and run as one."""
    import numpy as np

    differs = (np.diff(parts[:, STATE]) != 0) | (np.diff(parts[:, RUN]) != 0)
    starts = np.append(0, np.flatnonzero(differs) + 1)
    ends = np.append(starts[1:], len(parts)) - 1
    joined: Floats = parts[starts]
    joined[:, _SUMS] = np.add.reduceat(parts[:, _SUMS], starts, axis=0)
    joined[:, PEAK_A] = np.maximum.reduceat(parts[:, PEAK_A], starts)
    joined[:, [LAST, LAST_S]] = parts[ends][:, [LAST, LAST_S]]
    return joined


def absorb(parts: Floats, below_s: float) -> Floats:
    """Return the table with the stretches up to `below_s` given to what stands before them."""
    import numpy as np

    span = np.diff(parts[:, FIRST_S], append=parts[-1, LAST_S])
    keep = span > below_s
    keep[0] = True
    taken = parts.copy()
    taken[:, STATE] = parts[np.maximum.accumulate(np.where(keep, np.arange(len(parts)), 0)), STATE]
    return merged(taken)


def _close_interruptions(parts: Floats) -> Floats:
    """Return the table without brief interruptions: pass after pass, until nothing changes."""
    import numpy as np

    while len(parts) > 2:
        state = parts[:, STATE]
        start, last = parts[:, FIRST_S], parts[:, LAST_S]
        between = (state[:-2] == state[2:]) & (state[2:] != 0) & (state[1:-1] != state[2:])
        between &= parts[:-2, RUN] == parts[2:, RUN]
        broken = start[2:] - last[:-2]
        whole = last[2:] - start[:-2]
        brief = (broken < BRIEF_S) & (broken < BRIEF_FRAC * whole)
        moved = parts[:, OUT_AH] + parts[:, IN_AH]
        little = (state[1:-1] == 0) | (moved[1:-1] < SMALL_CHARGE_FRAC * (moved[:-2] + moved[2:]))
        found = np.flatnonzero(between & brief & little) + 1
        if not found.size:
            break
        joined = parts.copy()
        joined[found, STATE] = state[found + 1]
        parts = merged(joined)
    return parts
