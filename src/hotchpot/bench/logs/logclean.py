"""
Put the rows of a logger's file in order before they are counted: clock, duplicates, missing values, gaps.

Nothing is dropped in silence: all that is mended is counted, with the row it began at.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logscale import Scale

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Rows = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]

FEW = 5  # times a clock may go back before it is two clocks ...
FEW_FRAC = 1e-5  # ... and in long files one row in so many
GAP_TIMES = 10.0
_SLOW_TIMES = 3.0
_CLOCK_SET_S = 30 * 86400.0  # nobody leaves a logger off for a month under load; a clock that was set does this
_MOST_LISTED = 2000
_MOST_TRIED = 300
_SHORTEST_RUN = 10  # rows of a run, where a clock begins anew
_REVERSE = 1.2  # rows from one step back to the next


class TwoClocksError(Exception):
    """
    The clock goes back too often; `rows` are the first rows where it does.

    `restarts` says that it begins anew each time, `reverse` that it goes back at almost every row.
    """

    def __init__(self, rows: list[int], *, restarts: bool, reverse: bool) -> None:
        super().__init__(rows)
        self.rows = rows
        self.restarts = restarts
        self.reverse = reverse


@dataclass(frozen=True, slots=True)
class Gap:
    """A long interval without samples while current flowed: its ends, what may hide in it, and where it stands."""

    row: int
    start_s: float
    end_s: float
    hidden_ah: float
    missing_rows: int


@dataclass(slots=True)
class Cleaner:
    """
    What was mended so far, and the clock's correction that the next rows need.

    `leaps` are the rows where the clock was corrected, each with whether it began anew there: another run.
    """

    scale: Scale
    shift_s: float = 0.0
    rows: int = 0
    first_s: float | None = None
    exact: int = 0
    same_time: int = 0
    no_time: int = 0
    no_amps: int = 0
    no_volts: int = 0
    empty: int = 0
    gaps_seen: int = 0
    gaps: list[Gap] = field(default_factory=list)
    backs: list[int] = field(default_factory=list)
    strays: list[int] = field(default_factory=list)
    jumps: list[tuple[int, float]] = field(default_factory=list)
    starts: int = 0
    leaps: list[tuple[int, bool]] = field(default_factory=list)
    tried: int = 0

    @property
    def gap_s(self) -> float:
        """Longest interval that is no gap. [s]"""
        return GAP_TIMES * self.scale.usual_s

    def tidy(
        self,
        t: NDArray[np.float64],
        v: NDArray[np.float64],
        a: NDArray[np.float64],
        *,
        last: tuple[float, float, float, int] | None,
        row: int,
    ) -> Rows:
        """
        Return time, volts, amps and rows of what can be counted, in order of time.

        Rows with the time of `last` (time, volts, amps, row of the sample before) are told by an offset of -1: the
        caller then takes the first returned sample in place of its last. `row` is the file's row of the first sample;
        `t` has `shift_s` in it already.
        """
        import numpy as np

        has_t, has_v, has_a = np.isfinite(t), np.isfinite(v), np.isfinite(a)
        self.no_time += int(np.count_nonzero(~has_t & (has_v | has_a)))
        self.no_amps += int(np.count_nonzero(has_v & ~has_a))
        self.no_volts += int(np.count_nonzero(has_t & has_a & ~has_v))
        self.empty += int(np.count_nonzero(~has_v & ~has_a))
        at = np.flatnonzero(has_t & has_a)
        v = np.where(has_v, v, np.nan)  # an infinite reading is a missing one
        t, v, a = t[at].copy(), v[at], a[at]
        if not at.size:
            return t, v, a, at
        self._clock(t, v, a, at + row, last)
        return self._same_times(t, v, a, at, last)

    def _clock(
        self,
        t: NDArray[np.float64],
        v: NDArray[np.float64],
        a: NDArray[np.float64],
        rows: NDArray[np.int64],
        last: tuple[float, float, float, int] | None,
    ) -> None:
        """Correct the times in place: lone wrong stamps, a clock that was set back or far ahead."""
        import numpy as np

        self.rows = int(rows[-1]) + 1
        if self.first_s is None:
            self.first_s = float(t[0])
        before = t[0] - self.scale.usual_s if last is None else last[0]
        d = np.diff(t, prepend=before)
        back = np.flatnonzero(d < 0)
        if back.size:
            self._goes_back(t, rows, back, before)
            d = np.diff(t, prepend=before)
        leap = np.flatnonzero((d < 0) | (d > _CLOCK_SET_S))
        if last is None:
            leap = leap[leap > 0]
        steady = self._leaps_under_load(d, v, a)
        leap = np.union1d(leap, steady).astype(np.int64)
        if not leap.size:
            return
        correction = np.zeros_like(t)
        correction[leap] = self.scale.usual_s - d[leap]
        self.jumps += [(int(rows[k]), float(d[k])) for k in leap]
        anew = d[leap] < 0
        raw = t[leap] - self.shift_s
        anew &= (np.abs(raw - self._first()) <= self.gap_s) | (np.abs(raw) <= self.gap_s)
        self.leaps += [(int(rows[k]), bool(new)) for k, new in zip(leap, anew, strict=True)]
        t += np.cumsum(correction)
        self.shift_s += float(correction.sum())

    def _goes_back(
        self, t: NDArray[np.float64], rows: NDArray[np.int64], back: NDArray[np.int64], before: float
    ) -> None:
        import numpy as np

        self.backs += [int(k) for k in rows[back[: _MOST_LISTED - len(self.backs)]]]
        self.starts += int((np.abs(t[back] - self.shift_s - self._first()) <= self.gap_s).sum())
        if len(self.backs) > max(FEW, FEW_FRAC * self.rows):
            between = np.diff(np.append(-1, self.backs))
            restarts = self.starts == len(self.backs) and float(np.median(between)) > _SHORTEST_RUN
            raise TwoClocksError(self.backs, restarts=restarts, reverse=float(np.mean(between)) < _REVERSE)
        for k in back:
            low = t[k - 1] if k else before
            two = t[k - 2] if k > 1 else before
            if k + 1 < t.size and low <= t[k + 1] <= low + self.gap_s:  # one stamp behind, the next in line again
                t[k] = (low + t[k + 1]) / 2
            elif k and two <= t[k] <= two + self.gap_s:  # the stamp before was ahead
                t[k - 1] = (two + t[k]) / 2
            else:
                continue
            self.strays.append(int(rows[k]))

    def _first(self) -> float:
        return 0.0 if self.first_s is None else self.first_s

    def _leaps_under_load(
        self, d: NDArray[np.float64], v: NDArray[np.float64], a: NDArray[np.float64]
    ) -> NDArray[np.int64]:
        """
        Return where the clock was set ahead while current flowed: time passed, and the volts did not move.

        What the volts should have moved follows from their slope over the rows before; it must be ten times their
        scatter, and they must have moved less than a tenth of it. Anything else is a gap.
        """
        import numpy as np

        long = np.flatnonzero(d > self.gap_s)
        found = []
        for k in long[: max(0, _MOST_TRIED - self.tried)]:
            self.tried += 1
            begin = max(0, k - 200)
            if k - begin < 20 or k >= a.size or np.ptp(a[begin : k + 1]) > 0.05 * abs(a[k]):
                continue
            x, y = np.cumsum(d[begin:k]), v[begin:k]
            if abs(a[k]) <= self.scale.rest_a or not np.isfinite(y).all() or not np.isfinite(v[k]):
                continue
            slope, level = np.polyfit(x - x[-1], y, 1)
            scatter = float(np.std(y - slope * (x - x[-1]) - level)) + 1e-4
            due = slope * d[k]
            if abs(due) > 10 * scatter and abs(v[k] - level) < 0.1 * abs(due) + 2 * scatter:
                found.append(int(k))
        return np.array(found, dtype=np.int64)

    def _same_times(
        self,
        t: NDArray[np.float64],
        v: NDArray[np.float64],
        a: NDArray[np.float64],
        at: NDArray[np.int64],
        last: tuple[float, float, float, int] | None,
    ) -> Rows:
        """Return the rows without those that have the time of the next; the last of each time is kept."""
        import numpy as np

        same = t[1:] == t[:-1]
        alike = same & (a[1:] == a[:-1]) & ((v[1:] == v[:-1]) | (np.isnan(v[1:]) & np.isnan(v[:-1])))
        self.exact += int(alike.sum())
        self.same_time += int(same.sum() - alike.sum())
        keep = np.append(~same, True)
        t, v, a, at = t[keep], v[keep], a[keep], at[keep]
        if last is not None and t[0] == last[0]:
            like = a[0] == last[2] and (v[0] == last[1] or (np.isnan(v[0]) and np.isnan(last[1])))
            self.exact += int(like)
            self.same_time += int(not like)
            at = at.copy()
            at[0] = -1
        return t, v, a, at

    def find_gaps(self, t: NDArray[np.float64], a: NDArray[np.float64], rows: NDArray[np.int64]) -> None:
        """Note the intervals longer than ten usual ones with current at both ends; rows are the file's."""
        import numpy as np

        d = np.diff(t)
        long = d > self.gap_s
        if np.count_nonzero(long) > 0.02 * d.size:  # this part of the file is sampled more slowly
            long = d > max(self.gap_s, _SLOW_TIMES * float(np.quantile(d, 0.95)))
        flows = np.abs(a) > self.scale.rest_a
        at = np.flatnonzero(long & flows[1:] & flows[:-1] & (a[1:] * a[:-1] > 0))
        self.gaps_seen += at.size
        for k in at[: max(0, _MOST_LISTED - len(self.gaps))]:
            hidden = float(max(abs(a[k]), abs(a[k + 1])) * d[k] / 3600.0)
            lost = int(rows[k + 1] - rows[k] - 1)
            self.gaps.append(Gap(int(rows[k + 1]), float(t[k]), float(t[k + 1]), hidden, lost))
