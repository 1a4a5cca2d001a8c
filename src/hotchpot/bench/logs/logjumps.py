"""
Find the steps of the current in a log: what was sampled around each, and where a sample shows a stale voltage.

Many loggers write two or three samples at the instant of switching with one voltage, taken while it moved: the current
is the new one, the voltage belongs to neither side. Such volts are not to be used.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logscale import Scale
from hotchpot.bench.logs.logstore import among

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Places = NDArray[np.int64]

MOST_JUMPS = 300
_BEFORE_ROWS, _BEFORE_S = 64, 600.0
_AFTER_ROWS, AFTER_S = 3000, 125.0  # two samples a minute apart, and a little
_MOST_ROWS = 1500  # of one window that is kept
_SAME_STEP = 2
_STALE_S = 1.2
_STALE_ROWS = 3
_STEADY_FRAC = 0.25


@dataclass(slots=True)
class Window:
    """A step as found: its place, its time, and the samples before and after it (time, volts, amps, place)."""

    place: int
    time_s: float
    before: tuple[Floats, Floats, Floats, Places]
    after: list[tuple[Floats, Floats, Floats, Places]]

    def add(self, samples: tuple[Floats, Floats, Floats, Places]) -> None:
        """Add later samples."""
        self.after.append(samples)

    @property
    def rows(self) -> int:
        """Samples after the step so far."""
        return sum(part[0].size for part in self.after)

    def joined(self) -> tuple[Floats, Floats, Floats, Places]:
        """Return the samples after the step as one; of very many, all at first and then fewer."""
        import numpy as np

        t, v, a, places = (np.concatenate([part[i] for part in self.after]) for i in range(4))
        if t.size > _MOST_ROWS:
            first = _MOST_ROWS // 2
            at = np.r_[0:first, np.linspace(first, t.size - 1, _MOST_ROWS - first).astype(int)]
            t, v, a, places = t[at], v[at], a[at], places[at]
        return t, v, a, places


@dataclass(slots=True)
class JumpFinder:
    """
    The steps found so far: at most a few hundred, every so-many-th of all, so that they are spread over the file.

    `leaps` are the places where the clock was set.
    """

    scale: Scale
    every: int = 1
    seen: int = 0
    kept: list[tuple[int, Window]] = field(default_factory=list)
    open: Window | None = None
    stale: list[Places] = field(default_factory=list)
    last_step: int = -1
    leaps: list[int] = field(default_factory=list)

    def look(self, t: Floats, v: Floats, a: Floats, *, begin: int, end: int, place: int, scratch: Floats) -> None:
        """
        Look for steps at the samples from `begin` up to before `end` of these arrays; `place` is that of the first.

        There are samples before `begin` (those seen already) and, but at the end of the file, after `end`. `scratch`
        has room for as many values, and is written over.
        """
        import numpy as np

        if begin >= end:
            return
        size = np.subtract(a[begin:end], a[begin - 1 : end - 1], out=scratch[: end - begin])
        step = np.flatnonzero(np.abs(size, out=size) > self.scale.step_a) + begin
        if self.open is not None:
            self._continue(t, v, a, begin=begin, end=int(step[0]) if step.size else end, place=place)
        if not step.size:
            return
        self.stale.append(self._stale(t, v, step) + place)
        cut = np.flatnonzero(np.diff(step) > _SAME_STEP)
        starts, ends = step[np.append(0, cut + 1)], step[np.append(cut, step.size - 1)]
        previous = np.append(self.last_step - place, ends[:-1])
        following = np.append(starts[1:], end)
        clean = (starts - previous >= 3) & ((following - ends >= 3) | (following == end))
        self.last_step = int(ends[-1]) + place
        chosen = np.flatnonzero(clean)
        counts = self.seen + np.arange(chosen.size)
        self.seen += chosen.size
        for k, count in zip(chosen, counts, strict=True):
            if count % self.every == 0:
                self._take(t, v, a, start=int(starts[k]), stop=int(ends[k]), prev=int(previous[k]),
                           end=int(following[k]), place=place, count=int(count))  # fmt: skip
        self.open = self.kept[-1][1] if chosen.size and self._reaches(self.kept, int(ends[-1]), end, t, place) else None

    def _reaches(self, kept: list[tuple[int, Window]], stop: int, end: int, t: Floats, place: int) -> bool:
        """Whether the last window kept is that of the last step and may go on beyond `end`."""
        if not kept:
            return False
        window = kept[-1][1]
        return int(window.after[0][3][0]) == stop + place and t[end - 1] <= window.time_s + AFTER_S

    def _continue(self, t: Floats, v: Floats, a: Floats, *, begin: int, end: int, place: int) -> None:
        import numpy as np

        window = self.open
        assert window is not None
        until = min(end, begin + int(np.searchsorted(t[begin:end], window.time_s + AFTER_S, side="right")))
        until = min(until, begin + max(0, _AFTER_ROWS - window.rows))
        if until > begin:
            window.add(_samples((t, v, a), begin, until, place))
        if until < end or window.rows >= _AFTER_ROWS:
            self.open = None

    def _take(
        self, t: Floats, v: Floats, a: Floats, *, start: int, stop: int, prev: int, end: int, place: int, count: int
    ) -> None:
        import numpy as np

        low = max(0, prev, start - _BEFORE_ROWS)
        low += int(np.searchsorted(t[low:start], t[start] - _BEFORE_S))
        high = stop + int(np.searchsorted(t[stop:end], t[start] + AFTER_S, side="right"))
        high = min(max(high, stop + 1), stop + _AFTER_ROWS)
        if low >= start:
            return
        before, after = _samples((t, v, a), low, start, place), _samples((t, v, a), stop, high, place)
        self.kept.append((count, Window(start + place, float(t[start]), before, [after])))
        if len(self.kept) > 2 * MOST_JUMPS:
            self.every *= 2
            self.kept = [item for item in self.kept if item[0] % self.every == 0]

    def _stale(self, t: Floats, v: Floats, step: Places) -> Places:
        """Return where the volts are those of the other side of a step: two or three alike within about a second."""
        import numpy as np

        held = v[step - 1]
        run = np.zeros(step.size, dtype=np.int64)
        alike = np.ones(step.size, dtype=bool)
        for ahead in range(_STALE_ROWS + 1):
            at = np.minimum(step + ahead, t.size - 1)
            alike &= (v[at] == held) & (t[at] - t[step - 1] <= _STALE_S) & (step + ahead < t.size)
            run += alike
        found = (run > 0) & (run <= _STALE_ROWS)
        bad = [step[found & (run > ahead)] + ahead for ahead in range(_STALE_ROWS)]
        quick = (t[step] - t[step - 1] <= 1.0) & (t[step] - t[step - 1] <= self.scale.usual_s / 2)
        own = v[np.maximum(step - 2, 0)] != held
        bad.append(step[found & quick & own] - 1)
        return np.concatenate(bad)

    def stale_places(self) -> Places:
        """Return the places of all samples whose volts are stale."""
        import numpy as np

        return np.unique(np.concatenate(self.stale)) if self.stale else np.zeros(0, dtype=np.int64)

    def steady(self, stale: Places) -> list[Window]:
        """Return the steps between two steady currents with a voltage on both sides, at most `MOST_JUMPS`."""
        import numpy as np

        good = []
        for _, window in self.kept:
            after = window.joined()
            if any(window.before[3][0] < leap <= after[3][-1] for leap in self.leaps):
                continue  # the clock was set here: nothing says how long after the step
            first, then = window.before[2], after[2]
            size = abs(float(then.mean() - first.mean()))
            if then.size < 2 or size < self.scale.step_a or _scattered(first, size) or _scattered(then, size):
                continue
            if all((np.isfinite(side[1]) & ~among(side[3], stale)).any() for side in (window.before, after)):
                good.append(window)
        return good[:: -(-len(good) // MOST_JUMPS)] if good else good


def _scattered(amps: Floats, size: float) -> bool:
    """Whether currents on one side of a step scatter by more than a part of its size."""
    most = _STEADY_FRAC * size
    return float(amps.max() - amps.min()) > 2.0 * most and float(amps.std()) > most  # half the span is never less


def _samples(
    samples: tuple[Floats, Floats, Floats], low: int, high: int, place: int
) -> tuple[Floats, Floats, Floats, Places]:
    import numpy as np

    t, v, a = (x[low:high].copy() for x in samples)
    return t, v, a, np.arange(low, high) + place
