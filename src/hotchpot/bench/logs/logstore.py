"""
What is kept of a log's samples: every so-many-th over the whole file, and all of them where the current changes.

Which samples are kept depends on their place in the file alone, never on the batches they came in.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Places = NDArray[np.int64]

MOST_POINTS = 65_536
MOST_DENSE = 400_000
NEARBY_ROWS = 4096
BEFORE, _AFTER = 64, 160
_FEW = 4


def among(places: Places, known: Places) -> NDArray[np.bool_]:
    """Return whether each of `places` is one of `known`; both in rising order."""
    import numpy as np

    if not known.size:
        return np.zeros(places.size, dtype=bool)
    return np.asarray(known[np.minimum(np.searchsorted(known, places), known.size - 1)] == places)


@dataclass(slots=True)
class PointStore:
    """Samples kept: place (count of the sample), time, volts, amps, charge drawn since the file began [Ah]."""

    stride: int = 1
    kept: int = 0
    dense: int = 0
    until: int = 0
    blocks: list[tuple[Places, Floats, Floats, Floats, Floats, bool]] = field(default_factory=list)

    def add(self, places: Places, t: Floats, v: Floats, a: Floats, ah: Floats, *, dense: bool = False) -> None:
        """Keep these samples; those that are not `dense` are thinned when there are too many."""
        self.blocks.append((places, t, v, a, ah, dense))
        if dense:
            self.dense += places.size
            return
        self.kept += places.size
        while self.kept > 2 * MOST_POINTS:
            self._thin()

    def around(self, change: Places, *, low: int, high: int) -> Places:
        """
        Return the places from `low` up to before `high` that are near the places of `change`, all to be kept.

        What is near but lies beyond `high` is returned when its turn comes.
        """
        import numpy as np

        if (not change.size and self.until <= low) or self.dense > 2 * MOST_DENSE:
            return np.zeros(0, dtype=np.int64)
        before, after = (_FEW, _FEW) if self.dense > MOST_DENSE else (BEFORE, _AFTER)
        # What is near each change, and what is left of the change before: stretches in order, some of them overlapping.
        begins = np.clip(np.append(low, change - before), low, high)
        ends = np.maximum.accumulate(np.clip(np.append(self.until, change + after), low, high))
        if change.size:
            self.until = int(change[-1]) + after
        begins[1:] = np.maximum(begins[1:], ends[:-1])
        sizes = ends - begins
        first = np.cumsum(sizes) - sizes  # how many places stand before each stretch
        return np.repeat(begins - first, sizes) + np.arange(int(sizes.sum()))

    def _thin(self) -> None:
        self.stride *= 2
        self.kept = 0
        thinner: list[tuple[Places, Floats, Floats, Floats, Floats, bool]] = []
        for places, t, v, a, ah, dense in self.blocks:
            if not dense:
                keep = slice(int(places.size and places[0] % self.stride != 0), None, 2)  # every other place
                places = places[keep].copy()  # noqa: PLW2901
                t, v, a, ah = (x[keep].copy() for x in (t, v, a, ah))  # noqa: PLW2901
                self.kept += places.size
            thinner.append((places, t, v, a, ah, dense))
        self.blocks = thinner

    def points(self, stale: Places) -> tuple[Places, Floats, Floats, Floats, Floats]:
        """Return what was kept, in order and each once; the volts at the places of `stale` are not a number."""
        import numpy as np

        blocks = sorted(self.blocks, key=lambda block: int(block[0][0]) if block[0].size else 0)
        places, t, v, a, ah = (np.concatenate([block[i] for block in blocks]) for i in range(5))
        order = np.argsort(places, kind="stable")
        order = order[np.append(True, np.diff(places[order]) > 0)]
        places, v = places[order], v[order]
        v[among(places, stale)] = np.nan
        return places, t[order], v, a[order], ah[order]


@dataclass(slots=True)
class TemperatureStore:
    """Temperatures kept, by the file's row: every so-many-th that was read."""

    stride: int = 1
    seen: int = 0
    kept: int = 0
    rows: list[Places] = field(default_factory=list)
    values: list[Floats] = field(default_factory=list)

    def add(self, temperature_c: Floats, row: int) -> None:
        """Keep some of these temperatures, the first of which stands in the file's row `row`."""
        import numpy as np

        if np.isfinite(temperature_c.sum()):
            at: slice | Places = slice(-self.seen % self.stride, None, self.stride)
            rows = np.arange(row, row + temperature_c.size)[at]
            self.seen += temperature_c.size
        else:
            good = np.flatnonzero(np.isfinite(temperature_c))
            at = good[-self.seen % self.stride :: self.stride]
            rows = at + row
            self.seen += good.size
        self.rows.append(rows)
        self.values.append(temperature_c[at].copy())
        self.kept += rows.size
        while self.kept > MOST_POINTS:
            self.stride *= 2
            self.kept = 0
            for i, values in enumerate(self.values):
                self.rows[i], self.values[i] = self.rows[i][::2], values[::2]
                self.kept += self.values[i].size

    def add_some(self, rows: Places, temperature_c: Floats) -> None:
        """Keep all of these temperatures, read in some rows only; nothing was kept before."""
        self.rows, self.values = [rows], [temperature_c]

    def mean(self, first_row: int, end_row: int) -> float | None:
        """Return the mean of what was read from `first_row` up to before `end_row`, or what was read nearby. [°C]"""
        import numpy as np

        if not self.rows:
            return None
        if len(self.rows) > 1:
            self.rows, self.values = [np.concatenate(self.rows)], [np.concatenate(self.values)]
        low, high = np.searchsorted(self.rows[0], [first_row, end_row])
        if high == low and 0 < low < self.rows[0].size and np.diff(self.rows[0][low - 1 : low + 1])[0] <= NEARBY_ROWS:
            return float(self.values[0][low - 1 : low + 1].mean())
        rows, values = self.rows[0][low:high], self.values[0][low:high]
        if rows.size < 2:
            return float(values[0]) if rows.size else None
        return float(np.trapezoid(values, rows) / (rows[-1] - rows[0]))  # samples may be denser in one part
