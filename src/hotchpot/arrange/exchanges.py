"""
Exchanges between two groups: the one or two cells each way that bring a wanted sum across, found by sorting.

Gaps between a cell of one group and a cell of the other are sorted once; the gap nearest to what is wanted, and the
pair of gaps that adds up to it, are then found by bisection.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import fsum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

Step = tuple[list[int], list[int]]  # what the larger group gives, and what it takes
BLANK = -1  # stands for no cell: an exchange with it is a move

_MOST_PAIRED = 64  # cells of each group in exchanges of two for two: 4,096 gaps, a millisecond to sort
_NEAR_ENOUGH = 0.02  # of the wanted sum; nearer than this, one for one is taken without looking at two for two
_LEAST_PART = 1e-3  # of the span of two groups: exchanges that bring less across are not worth their time
_ROUNDING = 1e-12  # of a group's sum: less than this is no difference
_NEIGHBOURS = (0, -1, 1, -2, 2, -3)


def polished(
    groups: Sequence[Sequence[int]],
    sizes: Sequence[float],
    *,
    close: float = 0.0,
    free: bool = False,
    over: Callable[[], bool] = lambda: False,
) -> list[list[int]]:
    """
    Return the groups after exchanges that draw the smallest and the largest together.

    Each exchange ends inside the two sums it began with, so the smallest never falls and the largest never rises. It
    ends when they are within `close`, when no exchange of one or two cells helps, or when `over` says so. Counts are
    kept, but for groups one apart, which may change places; with `free` they change as they like.
    """
    import numpy as np

    values = np.append(np.asarray(sizes, dtype=float), 0.0)  # BLANK is the last
    made = [list(group) for group in groups]
    sums = [fsum(sizes[i] for i in group) for group in made]
    mean = fsum(sums) / len(sums)
    while not over():
        order = sorted(range(len(made)), key=sums.__getitem__)
        if sums[order[-1]] - sums[order[0]] <= max(close, _ROUNDING * mean):
            break
        for high, low in _pairs(order):
            want = min(sums[high] - mean, mean - sums[low])
            span = sums[high] - sums[low]
            if span <= _ROUNDING * mean:
                continue
            step = _step(values, _choices(made, high, low, free), want if want > 0 else span / 2, span)
            if step is not None:
                exchange(made, high, low, step)
                for k in (high, low):
                    sums[k] = fsum(sizes[i] for i in made[k])
                break
        else:
            break
    return made


def exchange(groups: list[list[int]], high: int, low: int, step: Step) -> None:
    """Carry out an exchange between two groups."""
    gives, takes = ([i for i in part if i != BLANK] for part in step)
    groups[high] = [i for i in groups[high] if i not in gives] + takes
    groups[low] = [i for i in groups[low] if i not in takes] + gives


def _pairs(order: list[int]) -> list[tuple[int, int]]:
    """Return the pairs of groups to try: largest and smallest, the smallest with others, the largest with others."""
    low, high = order[0], order[-1]
    return [(other, low) for other in reversed(order[1:])] + [(high, other) for other in order[1:-1]]


def _choices(groups: list[list[int]], high: int, low: int, free: bool) -> tuple[list[int], list[int]]:
    """Return what two groups may give, with a blank where a count may change."""
    gives, takes = groups[high], groups[low]
    return (
        [*gives, BLANK] if free or len(gives) < len(takes) else gives,
        [*takes, BLANK] if free or len(takes) < len(gives) else takes,
    )


def _step(values: Floats, choices: tuple[list[int], list[int]], want: float, span: float) -> Step | None:
    """Return the exchange that carries nearest to `want` from the larger group, more than nothing and under `span`."""
    gives, takes = (_sorted(values, choice) for choice in choices)
    one, off = _one_for_one(values, gives, takes, want, span)
    if one is not None and off <= _NEAR_ENOUGH * want:
        return one
    two, two_off = _two_for_two(values, thinned(gives), thinned(takes), want, span)
    return two if two_off < off else one


def _sorted(values: Floats, choice: list[int]) -> Indices:
    import numpy as np

    cells = np.asarray(choice, dtype=np.intp)
    return cells[np.argsort(values[cells], kind="stable")]


def thinned(cells: Indices) -> Indices:
    """Return at most as many cells as exchanges of two for two look at, spread evenly."""
    import numpy as np

    if len(cells) <= _MOST_PAIRED:
        return cells
    return cells[np.linspace(0, len(cells) - 1, _MOST_PAIRED).astype(np.intp)]


def _one_for_one(values: Floats, gives: Indices, takes: Indices, want: float, span: float) -> tuple[Step | None, float]:
    import numpy as np

    targets = values[gives] - want
    at = np.searchsorted(values[takes], targets)
    at = np.clip(np.stack([at - 1, at]), 0, len(takes) - 1)
    moved = values[gives] - values[takes[at]]
    off = _off(moved, want, span)
    side, i = np.unravel_index(int(np.argmin(off)), off.shape)
    if not np.isfinite(off[side, i]):
        return None, float("inf")
    return ([int(gives[i])], [int(takes[at[side, i]])]), float(off[side, i])


def _two_for_two(values: Floats, gives: Indices, takes: Indices, want: float, span: float) -> tuple[Step | None, float]:
    import numpy as np

    if len(gives) < 2 or len(takes) < 2:
        return None, float("inf")
    gaps = (values[gives][:, None] - values[takes][None, :]).ravel()
    order = np.argsort(gaps, kind="stable")
    ranked = gaps[order]
    at = np.searchsorted(ranked, want - ranked)
    best: tuple[Step | None, float] = None, float("inf")
    give, take = np.divmod(order, len(takes))
    for shift in _NEIGHBOURS:
        other = np.clip(at + shift, 0, len(ranked) - 1)
        apart = (give != give[other]) & (take != take[other])
        off = np.where(apart, _off(ranked + ranked[other], want, span), np.inf)
        i = int(np.argmin(off))
        if off[i] < best[1]:
            j = int(other[i])
            step = [int(gives[give[i]]), int(gives[give[j]])], [int(takes[take[i]]), int(takes[take[j]])]
            best = step, float(off[i])
    return best


def _off(moved: Any, want: float, span: float) -> Floats:
    """Return how far each sum carried over is from what is wanted; infinite where it would not narrow the two."""
    import numpy as np

    least = _LEAST_PART * span
    narrows = (moved > least) & (moved < span - least)
    off: Floats = np.where(narrows, np.abs(moved - want), np.inf)
    return off
