"""
One tile of a log at a time: a fixed number of rows, counted from the file's first, with the last samples before it.

A tile is put in order, counted, cut into parts of one current direction, searched for steps, and thinned.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logclean import Cleaner
from hotchpot.bench.logs.logjumps import JumpFinder
from hotchpot.bench.logs.logpieces import (
    FIRST_S,
    IN_AH,
    IN_WH,
    LAST,
    LAST_S,
    MOST_PARTS,
    OUT_AH,
    OUT_WH,
    PEAK_A,
    PLACE,
    ROW,
    RUN,
    STATE,
    WIDTH,
    absorb,
    merged,
)
from hotchpot.bench.logs.logscale import Scale, scale_of
from hotchpot.bench.logs.logstore import BEFORE, PointStore, TemperatureStore
from hotchpot.bench.logs.logsums import both_ways, running

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

TILE = 65_536
CONTEXT = 512
_LAG = 8
_NO_SPIKE = 20
_AH = 1.0 / 7200.0  # from twice the ampere seconds


class Tiles:
    """
    What the tiles of a log come to.

    `rows` counts the file's rows, `place` the samples among them that could be counted.
    """

    def __init__(self, scale: Scale) -> None:
        import numpy as np

        self.cleaner, self.jumps = Cleaner(scale), JumpFinder(scale)
        self.points, self.warmth = PointStore(), TemperatureStore()
        self.rows = self.place = 0
        self.absorbed_s = 0.0
        self._known = 0
        self._t, self._v, self._a = (np.zeros(CONTEXT + TILE) for _ in range(3))
        self._scratch = tuple(np.empty(CONTEXT + TILE) for _ in range(4))  # seconds, charge, energy, power
        self._ramp = np.arange(TILE)
        self._rows_at = np.zeros(CONTEXT + TILE, dtype=np.int64)
        self._net_ah = 0.0
        self._run = 0
        self._anew = np.zeros(0, dtype=np.int64)
        self._volts = float("nan")
        self._span_a = (float("inf"), float("-inf"), float("inf"), float("-inf"))  # of two tiles, and of the last
        self._parts: list[Floats] = []
        self._part_count = 0

    def room(self, count: int) -> tuple[Floats, Floats, Floats]:
        """Return where the next rows are to be written: time, volts, amps, shape (count,) each."""
        new = slice(CONTEXT, CONTEXT + count)
        return self._t[new], self._v[new], self._a[new]

    def take(self, n: int, c: Floats | None) -> None:
        """Count the rows that were written; before them in the buffers stand the last samples of the tile before."""
        import numpy as np

        row = self.rows
        self.rows += n
        if c is not None:
            self.warmth.add(c, row)
        new = slice(CONTEXT, CONTEXT + n)
        if self.cleaner.shift_s:
            self._t[new] += self.cleaner.shift_s
        begin = CONTEXT - (1 if self._known else 0)
        self._anew = self._anew[:0]
        if not self._in_order(begin, CONTEXT + n):
            n = self._tidy(n, row)
        else:
            np.add(self._ramp[:n], row, out=self._rows_at[new])
            self._volts = float(self._v[CONTEXT + n - 1])
        if not n:
            return
        change, net_as = self._count(begin, CONTEXT + n)
        self._look_for_jumps(self._known, count=n)
        self._keep(change, begin, n)
        self._net_ah += _AH * net_as
        self.place += n
        self._known = min(CONTEXT, self._known + n)
        for buffer in (self._t, self._v, self._a, self._rows_at):
            buffer[:CONTEXT] = buffer[n : CONTEXT + n].copy()

    def _in_order(self, begin: int, end: int) -> bool:
        """Whether these rows need no mending: time rises, no gaps, no missing value. Works out steps and power."""
        import numpy as np

        t, d, p = self._t[begin:end], self._scratch[0][: end - begin - 1], self._scratch[3][: end - begin]
        np.subtract(t[1:], t[:-1], out=d)
        np.multiply(self._v[begin:end], self._a[begin:end], out=p)
        if not np.isfinite(p.sum()):  # the sum of products is finite only where each factor is
            return False
        if not d.size:
            return bool(np.isfinite(t[0]))
        return bool(d.min() > 0.0 and d.max() <= self.cleaner.gap_s)

    def _tidy(self, n: int, row: int) -> int:
        """Put the tile's rows in order in place; return how many can be counted."""
        import numpy as np

        new = slice(CONTEXT, CONTEXT + n)
        last = CONTEXT - 1
        carry = None
        if self._known:
            carry = (float(self._t[last]), float(self._v[last]), float(self._a[last]), int(self._rows_at[last]))
        t, v, a, at = self.cleaner.tidy(self._t[new], self._v[new], self._a[new], last=carry, row=row)
        if at.size and at[0] < 0:
            self._v[last], self._a[last] = v[0], a[0]
            t, v, a, at = t[1:], v[1:], a[1:], at[1:]
        n = at.size
        new = slice(CONTEXT, CONTEXT + n)
        self._t[new], self._v[new], self._a[new], self._rows_at[new] = t, v, a, at + row
        begin = CONTEXT - (1 if self._known else 0)
        both = slice(begin, CONTEXT + n)
        if self.cleaner.leaps:
            rows = np.array([row for row, _ in self.cleaner.leaps])
            leaps = np.searchsorted(self._rows_at[new], rows) + self.place
            self.jumps.leaps += leaps.tolist()
            self._anew = leaps[np.array([anew for _, anew in self.cleaner.leaps])]
            self.cleaner.leaps.clear()
        if n:
            self.cleaner.find_gaps(self._t[both], self._a[both], self._rows_at[both])
            np.subtract(self._t[begin + 1 : both.stop], self._t[begin : both.stop - 1],
                        out=self._scratch[0][: both.stop - begin - 1])  # fmt: skip
            np.multiply(self._filled(both), self._a[both], out=self._scratch[3][: both.stop - begin])
        return n

    def _count(self, begin: int, end: int) -> tuple[NDArray[np.int64], float]:
        """
        Count charge and energy of the rows to `end`.

        Return the places where the state of the current changes, and twice the net charge that flowed. [As]
        """
        import numpy as np

        a, rest = self._a[begin:end], self.cleaner.scale.rest_a
        n = a.size - 1
        d, q, e = (buffer[:n] for buffer in self._scratch[:3])
        p = self._scratch[3][: n + 1]
        least, most = float(a.min()), float(a.max())
        self._span_a = (min(least, self._span_a[2]), max(most, self._span_a[3]), least, most)
        if max(-least, most) > 3.0 * self.cleaner.scale.full_a:
            self._grow(a)
            rest = self.cleaner.scale.rest_a
        np.add(a[1:], a[:-1], out=q)
        np.multiply(q, d, out=q)
        np.add(p[1:], p[:-1], out=e)
        np.multiply(e, d, out=e)
        if rest < least or most < -rest or (-rest <= least and most <= rest):
            edges = np.zeros(0, dtype=np.int64)
            states = np.array([1 if rest < least else -1 if most < -rest else 0])
        else:
            state = (a > rest).view(np.int8) - (a < -rest).view(np.int8)
            edges = np.flatnonzero(state[1:] != state[:-1]) + 1
            states = state[np.append(0, edges)]
        if self._anew.size:
            anew = self._anew - (self.place - (CONTEXT - begin))
            at = np.append(0, edges)
            edges = np.union1d(edges, anew[anew > 0])
            states = states[np.searchsorted(at, np.append(0, edges), side="right") - 1]
        net_as = self._note(begin, end, edges, states, span_a=(least, most))
        return edges - (CONTEXT - begin) + self.place, net_as

    def _grow(self, a: Floats) -> None:
        """Take a larger scale where these currents are far beyond all before, and not as a spike."""
        import numpy as np

        scale = self.cleaner.scale
        if np.count_nonzero(np.abs(a) > 3.0 * scale.full_a) < _NO_SPIKE:
            return
        larger = scale_of(np.arange(float(a.size)), a)
        if larger.full_a > 3.0 * scale.full_a:
            self.cleaner.scale = self.jumps.scale = replace(larger, usual_s=scale.usual_s)

    def _filled(self, rows: slice) -> Floats:
        """Return the volts with the last known one where a sample has none: for the energy alone."""
        import numpy as np

        v = self._v[rows]
        good = np.isfinite(v)
        if good.all():
            self._volts = float(v[-1])
            return v
        at = np.maximum.accumulate(np.where(good, np.arange(v.size), -1))
        known = self._volts if np.isfinite(self._volts) else float(v[good][0]) if good.any() else 0.0
        filled = np.where(at >= 0, v[np.maximum(at, 0)], known)
        self._volts = float(filled[-1])
        return np.asarray(filled)

    def _note(
        self,
        begin: int,
        end: int,
        edges: NDArray[np.int64],
        states: NDArray[np.int8],
        *,
        span_a: tuple[float, float],
    ) -> float:
        """
        Note the tile's parts. The interval of a change belongs to rest, or to the earlier of two directions.

        Return twice the net charge of all. [As]
        """
        import numpy as np

        cuts = np.append(0, edges + (states[1:] != 0) - 1) if edges.size else np.zeros(1, dtype=np.int64)
        table = np.zeros((cuts.size, WIDTH))
        least, most = span_a
        sign = 1 if least >= 0.0 else -1 if most <= 0.0 else 0
        q, e = (buffer[: end - begin - 1] for buffer in self._scratch[1:3])
        power = self._scratch[3][: end - begin]
        same = (sign > 0 and power.min() >= 0.0) or (sign < 0 and power.max() <= 0.0)  # not where volts are negative
        table[:, OUT_WH], table[:, IN_WH] = both_ways(e, cuts, sign=sign if same else 0, scratch=power[1:])
        table[:, OUT_AH], table[:, IN_AH] = both_ways(q, cuts, sign=sign, scratch=power[1:])
        net_as = float(table[:, OUT_AH].sum() - table[:, IN_AH].sum())
        table[:, OUT_AH : IN_WH + 1] *= _AH
        carried = 1 if begin < CONTEXT else 0
        first = np.append(min(carried, end - begin - 1), edges)
        if edges.size and edges[0] == first[0] == 1 and carried:
            first[0] = 0
        ends = np.append(edges, end - begin) - 1
        table[:, STATE], table[:, ROW] = states, self._rows_at[begin:end][first]
        table[:, PLACE], table[:, LAST] = first + self.place - carried, ends + self.place - carried
        table[:, FIRST_S], table[:, LAST_S] = self._t[begin:end][first], self._t[begin:end][ends]
        if edges.size:
            size = np.abs(self._a[begin:end], out=self._scratch[3][: end - begin])
            table[:, PEAK_A] = np.maximum.reduceat(size, np.append(0, edges))
        else:
            table[:, PEAK_A] = max(-least, most)
        table[:, RUN] = self._run + np.searchsorted(self._anew, table[:, PLACE], side="right")
        self._run += self._anew.size
        self._parts.append(table)
        self._part_count += len(table)
        if self._part_count > MOST_PARTS:
            self._compact()
        return net_as

    def _compact(self) -> None:
        """Bring a very long table of parts down: join neighbours of one state, then give the briefest away."""
        parts = merged(self.table())
        while len(parts) > MOST_PARTS // 2:
            self.absorbed_s = max(2.0 * self.absorbed_s, 2.0 * self.cleaner.scale.usual_s)
            parts = absorb(parts, self.absorbed_s)
        self._parts, self._part_count = [parts], len(parts)

    def table(self) -> Floats:
        """Return all parts so far, shape (n, 12)."""
        import numpy as np

        return np.concatenate(self._parts)

    def finish(self) -> None:
        """Look for steps among the last rows, which have none after them."""
        self._look_for_jumps(self._known, last=True)

    def _look_for_jumps(self, known: int, *, count: int = 0, last: bool = False) -> None:
        """Look for steps among the rows that have `_LAG` rows after them."""
        low, high = CONTEXT - known, CONTEXT + count
        begin, end = max(CONTEXT - _LAG - low, 1), high - low - (0 if last else _LAG)
        a = self._a[low:high]
        if begin >= end:
            return
        # What is looked at lies in this tile and the one before, whose least and greatest currents are known.
        if self.jumps.open is None and self._span_a[1] - self._span_a[0] <= self.cleaner.scale.step_a:
            return
        self.jumps.look(self._t[low:high], self._v[low:high], a, begin=begin, end=end, place=self.place - known,
                        scratch=self._scratch[2])  # fmt: skip

    def _before(self, low: int, rows: NDArray[np.int64]) -> Floats:
        """Return the charge of rows before this tile, less that of the last of them; rows count back from nought."""
        import numpy as np

        t, a = self._t[CONTEXT + low : CONTEXT], self._a[CONTEXT + low : CONTEXT]
        charge = np.append(0.0, np.cumsum((a[1:] + a[:-1]) * (t[1:] - t[:-1])))
        return np.asarray(charge[rows - low] - charge[-1]) if rows.size else np.zeros(0)

    def _keep(self, change: NDArray[np.int64], begin: int, count: int) -> None:
        """Keep some of the tile's samples, with the charge drawn up to each."""
        import numpy as np

        carried, q = CONTEXT - begin, self._scratch[1]
        regular = np.arange(-self.place % self.points.stride, count, self.points.stride)
        low = -min(self._known, BEFORE)
        dense = self.points.around(change, low=low + self.place, high=self.place + count) - self.place
        counted = q[: count - 1 + carried]
        charge = running(counted, regular + carried)
        t, v, a = (x[CONTEXT:][regular] for x in (self._t, self._v, self._a))
        self.points.add(regular + self.place, t, v, a, self._net_ah + _AH * charge)
        if dense.size:
            t, v, a = (x[CONTEXT + low : CONTEXT + count][dense - low] for x in (self._t, self._v, self._a))
            before = int(np.searchsorted(dense, 0))
            charge = np.append(self._before(low, dense[:before]), running(counted, dense[before:] + carried))
            self.points.add(dense + self.place, t, v, a, self._net_ah + _AH * charge, dense=True)
