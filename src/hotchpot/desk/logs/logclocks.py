"""The clocks of a logger's file: two columns of time held against each other, and times of day past midnight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logcolumns import Column, Columns
from hotchpot.desk.logs.logcells import Cells
from hotchpot.desk.logs.logprobe import Probe
from hotchpot.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

HALF_DAY_S = 43_200.0
_WINDOWS = 8
_SLACK_S = 61.0  # of dates written to the minute


def by_dates(found: Probe, columns: Columns) -> Columns:
    """Return the columns with the dates as the time where seconds that were guessed begin anew and dates go on."""
    dated, counted = columns.dated, columns.time
    if dated is None or counted.stated or columns.unit is not None:
        return columns
    cells = Cells(found.head, replace(columns, other_times=(dated,)), name=found.path.name)
    windows = found.windows[:: max(1, len(found.windows) // _WINDOWS)]
    pairs = [(cells.times(window, counted), cells.times(window, dated)) for window in (*windows, found.windows[-1])]
    if not _begins_anew(pairs):
        return columns
    why = f"it holds dates; {counted.name!r} begins anew within the file"
    return replace(columns, time=replace(dated, why=why), other_times=(), dated=None)


def _begins_anew(pairs: Sequence[tuple[Floats, Floats]]) -> bool:
    """Tell whether seconds fall, or lag, while dates rise with them: in windows of a file, the first and last too."""
    import numpy as np

    falls, apart_s = False, 0.0
    ends: list[tuple[float, float]] = []
    for mine, theirs in pairs:
        good = np.isfinite(mine) & np.isfinite(theirs)
        if np.count_nonzero(good) < 2:
            continue
        mine, theirs = mine[good], theirs[good]  # noqa: PLW2901
        ends += [(float(mine[0]), float(theirs[0])), (float(mine[-1]), float(theirs[-1]))]
        d, e = np.diff(mine), np.diff(theirs)
        if (e < 0.0).any():
            return False
        falls = falls or bool((d < 0.0).any())
        on = d >= 0.0
        apart_s = max(apart_s, float(np.abs(np.cumsum((d - e)[on])).max(initial=0.0)) - 0.02 * float(d[on].sum()))
    if not ends or apart_s > _SLACK_S:
        return False
    counted, passed = (ends[-1][k] - ends[0][k] for k in (0, 1))
    return falls or counted < passed - _SLACK_S - 0.02 * abs(passed)


def check_times(found: Probe, columns: Columns) -> None:
    """
    Hold the columns of time of a file against each other, in windows all over it.

    Raises
    ------
    InputError
        If they run at different speeds: two clocks, of which the user must choose one.
    """
    cells, name = Cells(found.head, columns, name=found.path.name), found.path.name
    for other in columns.other_times:
        windows = found.windows[:: max(1, len(found.windows) // _WINDOWS)]
        spans = [_disagreement(cells, window, columns, other) for window in windows]
        worst = max((pair for pair in spans if pair), key=lambda pair: abs(pair[0] - pair[1]), default=None)
        if worst:
            mine = columns.time.name
            what = f"two columns of time disagree: where {mine!r} counts {worst[0]:.6g} s, {other.name!r} counts "
            mend = f"say which to take: columns 'time={mine}' or columns 'time={other.name}'"
            raise InputError.one(name, f"{what}{worst[1]:.6g} s", mend)


def _disagreement(cells: Cells, window: bytes, columns: Columns, other: Column) -> tuple[float, float] | None:
    """Return what two columns of time count over a window, where they drift apart; None where they agree."""
    import numpy as np

    mine, theirs = (np.diff(cells.times(window, column)) for column in (columns.time, other))
    good = np.isfinite(mine) & np.isfinite(theirs)
    units = cells.units(window)
    if units is not None:
        good &= units[1:] == units[:-1]
    mine, theirs = mine[good], theirs[good]
    if not mine.size:
        return None
    apart = float(np.abs(np.cumsum(mine - theirs)).max())
    slack = 0.02 * float(np.abs(mine).sum()) + 3.0 + 2.0 * float(np.median(np.abs(mine)))
    return (float(mine.sum()), float(theirs.sum())) if apart > slack else None


class Midnights:
    """Times of day as one rising time, batch after batch."""

    def __init__(self) -> None:
        self.days = 0
        self.last_s: float | None = None

    def rising(self, time_s: Floats) -> Floats:
        """Return the next times of day with whole days added: a fall by more than half a day is midnight."""
        import numpy as np

        good = np.flatnonzero(np.isfinite(time_s))
        if not good.size:
            return time_s
        known = time_s[good]
        falls = np.diff(known, prepend=known[0] if self.last_s is None else self.last_s) < -HALF_DAY_S
        rising = time_s.copy()
        rising[good] = known + 2.0 * HALF_DAY_S * (self.days + np.cumsum(falls))
        self.days += int(falls.sum())
        self.last_s = float(known[-1])
        return rising
