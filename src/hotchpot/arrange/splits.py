"""
Exact partitions of a few numbers: branch and bound over groups, one whole group at a time.

The sums of all sets of numbers are made once, by doubling. A group always holds the largest number left, so no
partition comes twice; only sets whose sum could still be part of something better are looked at (sequential number
partitioning: Korf 2009; Schreiber, Korf and Moffitt 2018), and the last two groups are settled in one look.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Masks = NDArray[np.int64]
    Floats = NDArray[np.float64]

Goal = Literal["max-min", "min-max", "difference"]

MOST_SPLIT = 20  # numbers: a million sets
_ROUNDING = 1e-12
_POLL = 64  # nodes between two questions whether to stop


def worth(sums: Sequence[float], goal: Goal) -> float:
    """Return what a partition with these sums is worth for a goal; more is better."""
    if goal == "max-min":
        return min(sums)
    return -max(sums) if goal == "min-max" else min(sums) - max(sums)


class Splitter:
    """One exact search; `best` is the best partition known, `complete` whether the search came to its end."""

    def __init__(
        self, sizes: Sequence[float], start: Sequence[Sequence[int]], goal: Goal, *, free: bool, ceiling: float
    ) -> None:
        import numpy as np

        self.goal: Goal = goal
        self.free, self.ceiling = free, ceiling
        self.order = sorted(range(len(sizes)), key=lambda i: -sizes[i])
        table = np.zeros(1)
        for i in self.order:
            table = np.concatenate([table, table + sizes[i]])
        self.table: Floats = table
        self.slack = _ROUNDING * float(table[-1])
        self.best = [list(group) for group in start]
        self.worth = worth([self._sum(group, sizes) for group in start], goal)
        self.least, self.longer = divmod(len(sizes), len(start))
        self.complete = True
        self.nodes = 0
        self._dead: set[tuple[int, int]] = set()
        self._starting: list[tuple[Masks, Floats]] = []

    @staticmethod
    def _sum(group: Sequence[int], sizes: Sequence[float]) -> float:
        return float(sum(sizes[i] for i in group))

    def run(self, over: Callable[[], bool], most_nodes: int = 10**9) -> None:
        """Search until nothing better can be, `ceiling` is reached, `over` says so or the nodes are used up."""
        self._over, self._most = over, most_nodes
        if self._enough():
            return
        self._starting = self._candidates(len(self.best))
        self._search(len(self.table) - 1, len(self.best), [], float("inf"), -float("inf"))

    def _enough(self) -> bool:
        return self.worth >= self.ceiling - self.slack

    def _candidates(self, groups: int) -> list[tuple[Masks, Floats]]:
        """Return the sets that may be a group of something better, by the largest number they hold."""
        import numpy as np

        low, high = self._window(float(self.table[-1]), groups, float("inf"), -float("inf"))
        masks = np.flatnonzero((self.table >= low) & (self.table <= high)).astype(np.int64)
        masks = masks[self._may_count(masks)]
        first = masks & -masks
        return [(part, self.table[part]) for i in range(len(self.order)) for part in [masks[first == 1 << i]]]

    def _may_count(self, masks: Masks) -> NDArray[np.bool_]:
        import numpy as np

        if self.free:
            return masks > 0
        count = np.bitwise_count(masks)
        most = self.least + (1 if self.longer else 0)
        fits: NDArray[np.bool_] = (count >= self.least) & (count <= most)
        return fits

    def _window(self, left: float, groups: int, low: float, high: float) -> tuple[float, float]:
        """Return between which sums the next of `groups` groups must lie, after groups from `low` to `high`."""
        if self.goal == "max-min":
            least = self.worth + self.slack
            return least, left - (groups - 1) * least
        if self.goal == "min-max":
            most = -self.worth - self.slack
            return left - (groups - 1) * most, most
        span = -self.worth - self.slack
        mean = float(self.table[-1]) / len(self.best)
        return max(mean, high) - span, min(mean, low) + span

    def _search(self, left: int, groups: int, made: list[int], low: float, high: float) -> None:
        self.nodes += 1
        if self.nodes > self._most or (self.nodes % _POLL == 0 and self._over()):
            self.complete = False
        if not self.complete or self._enough() or (left, groups) in self._dead:
            return
        if groups <= 2:
            self._finish(left, groups, made, low, high)
        else:
            for mask, size in self._next(left, groups, low, high):
                self._search(left & ~mask, groups - 1, [*made, mask], min(low, size), max(high, size))
        # What is left is hopeless only where it, and not the groups made before, was the limit.
        if self.complete and self._open(low, high):
            self._dead.add((left, groups))

    def _open(self, low: float, high: float) -> bool:
        if self.goal == "max-min":
            return low > self.worth + self.slack
        return self.goal == "min-max" and -high > self.worth + self.slack

    def _next(self, left: int, groups: int, low: float, high: float) -> Iterator[tuple[int, float]]:
        import numpy as np

        masks, sizes = self._starting[(left & -left).bit_length() - 1]
        total = float(self.table[left])
        least, most = self._window(total, groups, low, high)
        keep = ((masks & ~np.int64(left)) == 0) & (sizes >= least) & (sizes <= most)
        masks, sizes = masks[keep], sizes[keep]
        for i in np.argsort(np.abs(sizes - total / groups), kind="stable"):
            least, most = self._window(total, groups, low, high)
            if least <= sizes[i] <= most and self._counts_fit(left & ~int(masks[i]), groups - 1):
                yield int(masks[i]), float(sizes[i])

    def _counts_fit(self, left: int, groups: int) -> bool:
        count = left.bit_count()
        return count >= groups if self.free else self.least * groups <= count <= (self.least + 1) * groups

    def _finish(self, left: int, groups: int, made: list[int], low: float, high: float) -> None:
        """Settle the last two groups: the set that, with all that is left beside it, is worth most."""
        import numpy as np

        if groups == 1:
            self._keep([*made, left])
            return
        masks = self._starting[(left & -left).bit_length() - 1][0]
        masks = masks[(masks & ~np.int64(left)) == 0]
        others = left & ~masks
        fits = self._may_count(others)
        masks, others = masks[fits], others[fits]
        if len(masks):
            one, two = self.table[masks], self.table[others]
            least, most = np.minimum(np.minimum(one, two), low), np.maximum(np.maximum(one, two), high)
            gain = {"max-min": least, "min-max": -most, "difference": least - most}[self.goal]
            i = int(np.argmax(gain))
            if gain[i] > self.worth + self.slack:
                self._keep([*made, int(masks[i]), int(others[i])])

    def _keep(self, masks: list[int]) -> None:
        value = worth([float(self.table[mask]) for mask in masks], self.goal)
        if value > self.worth + self.slack:
            self.worth = value
            self.best = [[self.order[i] for i in range(len(self.order)) if mask >> i & 1] for mask in masks]
