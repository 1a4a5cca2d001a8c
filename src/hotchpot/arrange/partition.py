"""
Sharing cells out into groups of equal sum: the door to differencing, exchanges and the exact split.

Groups in series give what the weakest gives, so the largest smallest sum is the goal unless another is named. The
three goals disagree on small sets. Numbers in, numbers out; chance comes from the seed alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from random import Random
from typing import Literal

from hotchpot.arrange.differencing import balanced_differenced, differenced
from hotchpot.arrange.exchanges import polished
from hotchpot.arrange.splits import MOST_SPLIT, Goal, Splitter, worth
from hotchpot.errors import InputError

Counts = Literal["equal", "free"]

CLOSE_FRAC = 2e-8  # of a group's sum: nearer than this, exchanges stop; 0.005 mAh of 250 Ah
_MOST_REGROUPED = 120  # numbers; with more, exchanges leave nothing to gain
_REGROUPED_AT_ONCE = 15
_REGROUPINGS = 120
_NODES = 3000  # of one regrouping
_MOST_NODES = 40_000  # of an exact split: under a second
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Partition:
    """
    Groups of indices with their sums, and how far from the best they can be.

    `value` is what the goal asks about (smallest sum, largest sum, or their difference) and `bound` what no partition
    can pass; `proven` tells whether no other partition is better. `left_out` are the indices in no group; `gain` is by
    how much `chosen` raised the smallest sum over taking cells as they come.
    """

    groups: tuple[tuple[int, ...], ...]
    sums: tuple[float, ...]
    goal: Goal
    bound: float
    proven: bool
    left_out: tuple[int, ...] = ()
    gain: float = 0.0

    @cached_property
    def value(self) -> float:
        """The smallest sum, the largest, or their difference, as the goal says."""
        return abs(worth(self.sums, self.goal))

    @property
    def spread(self) -> float:
        """The largest sum less the smallest."""
        return max(self.sums) - min(self.sums)

    @property
    def gap(self) -> float:
        """How far the value is from the bound; 0 where the partition is proven."""
        return 0.0 if self.proven else abs(self.value - self.bound)


def balanced(
    sizes: Sequence[float],
    groups: int,
    *,
    counts: Counts = "equal",
    goal: Goal = "max-min",
    unit: float | None = None,
    seed: int = 1,
    over: Callable[[], bool] = lambda: False,
) -> Partition:
    r"""
    Return the cells in groups of equal sum, as near as was found.

    Parameters
    ----------
    sizes : sequence of float, shape (n,)
        What each cell holds, above zero; any unit, most often Ah.
    groups : int
        How many groups, at most n.
    counts : "equal" or "free"
        Whether the groups must have equal counts (at most one apart).
    goal : "max-min", "min-max" or "difference"
        Largest smallest sum, smallest largest sum, or least difference of the two.
    unit : float, optional
        The step of the sizes (0.001 for whole milliamp-hours), to which the bound is rounded; 1 where all are whole.
    seed : int, default 1
        For the regrouping of small sets; the same seed, the same answer.
    over : callable, optional
        Asked often; once it returns True, the best so far is returned.

    Returns
    -------
    Partition
        Its groups in order of falling sum, with bound and proof.

    Raises
    ------
    InputError
        If `groups` is below one or above n, or a size is not above zero.

    Notes
    -----
    Balanced largest differencing, with free counts also the plain one [1]_ [2]_; then exchanges of one or two cells
    between the largest and the smallest group. Up to 20 cells the split is exact, by branch and bound, and proven
    where it ends within its 40,000 nodes, which many groups of unlike cells may not; up to 120 a few groups at a time
    are split exactly.

    .. math:: \min_j \sum_{i \in j} s_i \le \frac{1}{k} \sum_i s_i

    Examples
    --------
    >>> found = balanced([46, 39, 27, 26, 16, 13, 10], 3, counts="free")
    >>> found.value, found.bound, found.proven
    (56.0, 59.0, True)

    References
    ----------
    .. [1] Karmarkar, N. and Karp, R. M., The differencing method of set partitioning, UCB/CSD 82/113 (1982).
    .. [2] Michiels, W., Korst, J. and Aarts, E., Performance ratios for the Karmarkar-Karp differencing method,
       Electronic Notes in Discrete Mathematics 13, 71-75 (2003); from memory.
    """
    sizes = [float(size) for size in sizes]
    _check(sizes, groups)
    free = counts == "free"
    step = (1.0 if all(size.is_integer() for size in sizes) else 0.0) if unit is None else unit
    bound = bound_of(sizes, groups, goal, step)
    ceiling = bound if goal == "max-min" else -bound
    close = max(CLOSE_FRAC * sum(sizes) / groups, step)
    starts = [balanced_differenced(sizes, groups)] + ([differenced(sizes, groups)] if free else [])
    ready = (polished(start, sizes, close=close, free=free, over=over) for start in starts)
    made = max(ready, key=lambda start: _score(start, sizes, goal))
    proven = len(sizes) <= MOST_SPLIT
    if proven:
        split = Splitter(sizes, made, goal, free=free, ceiling=ceiling)
        split.run(over, _MOST_NODES)
        made, proven = split.best, split.complete
    elif len(sizes) <= _MOST_REGROUPED:
        made = _regrouped(made, sizes, goal, free=free, ceiling=ceiling, rng=Random(seed), over=over)
    return _partition(made, sizes, goal, bound, proven)


def chosen(
    sizes: Sequence[float],
    groups: int,
    per_group: int,
    *,
    goal: Goal = "max-min",
    seed: int = 1,
    over: Callable[[], bool] = lambda: False,
) -> Partition:
    """
    Return groups of `per_group` cells each and which cells to leave out so that the weakest group holds most.

    The smallest are left out. No other choice can do better: a cell in use that is smaller than one left out may
    change places with it, and no group falls. `gain` is the smallest sum less that of the first cells in the order
    given, shared out the same way. With another goal than "max-min" that choice is only a good one, and not proven.

    Raises
    ------
    InputError
        If there are fewer cells than `groups` times `per_group`, or as in `balanced`.

    Examples
    --------
    >>> found = chosen([2.0, 3.0, 2.9, 2.8, 2.7], 2, 2)
    >>> found.left_out, [round(total, 3) for total in found.sums], round(found.gain, 3)
    ((0,), [5.7, 5.7], 0.7)
    """
    used = groups * per_group
    if per_group < 1 or used > len(sizes):
        says = f"{groups} groups of {per_group} need {used} cells and there are {len(sizes)}"
        raise InputError.one("per_group", says, "ask for fewer or smaller groups, at least one cell each")
    order = sorted(range(len(sizes)), key=lambda i: -sizes[i])
    keep = sorted(order[:used])
    best = balanced([sizes[i] for i in keep], groups, goal=goal, seed=seed, over=over)
    as_given = balanced(sizes[:used], groups, goal=goal, seed=seed, over=over) if used < len(sizes) else best
    return Partition(
        groups=tuple(tuple(keep[i] for i in group) for group in best.groups),
        sums=best.sums,
        goal=goal,
        bound=best.bound,
        proven=best.proven and (goal == "max-min" or used == len(sizes)),
        left_out=tuple(sorted(order[used:])),
        gain=min(best.sums) - min(as_given.sums),
    )


def bound_of(sizes: Sequence[float], groups: int, goal: Goal, unit: float = 0.0) -> float:
    """
    Return what no partition can pass: the mean, after cells that are larger than the mean of the rest have their own.

    Whole steps of `unit` at most, where it is stated. For "difference" it is 0 or one step, or what the largest cell
    stands above the mean of the other groups.

    >>> bound_of([46, 39, 27, 26, 16, 13, 10], 3, "max-min", 1.0), bound_of([9.0, 1.0, 2.0], 2, "min-max")
    (59.0, 9.0)
    """
    falling = sorted(sizes, reverse=True)
    total, count = math.fsum(falling), groups
    low = total / count
    for size in falling:
        if count == 1 or size * count <= total:
            break
        total, count = math.fsum((total, -size)), count - 1
        low = total / count
    high = max(math.fsum(falling) / groups, falling[0])
    if unit > 0:
        low = unit * math.floor(low / unit * (1 + _ROUNDING))
        high = unit * math.ceil(high / unit * (1 - _ROUNDING))
    return {"max-min": low, "min-max": high, "difference": high - low}[goal]


def _check(sizes: Sequence[float], groups: int) -> None:
    wrong = next((i for i, size in enumerate(sizes) if not (math.isfinite(size) and size > 0)), None)
    if wrong is not None:
        raise InputError.one(f"sizes[{wrong}]", f"it is {sizes[wrong]}", "leave out cells that hold nothing")
    if not 1 <= groups <= len(sizes):
        raise InputError.one("groups", f"it is {groups} for {len(sizes)} cells", f"ask for 1 to {len(sizes)} groups")


def _score(groups: Sequence[Sequence[int]], sizes: Sequence[float], goal: Goal) -> tuple[float, float]:
    """The goal counts first; then how close the sums are."""
    sums = [math.fsum(sizes[i] for i in group) for group in groups]
    return worth(sums, goal), min(sums) - max(sums)


def _regrouped(
    made: list[list[int]],
    sizes: Sequence[float],
    goal: Goal,
    *,
    free: bool,
    ceiling: float,
    rng: Random,
    over: Callable[[], bool],
) -> list[list[int]]:
    """Return the groups after exact splits of a few of them at a time, each with the one that limits."""
    for _ in range(_REGROUPINGS):
        sums = [math.fsum(sizes[i] for i in group) for group in made]
        if over() or worth(sums, goal) >= ceiling - _ROUNDING * sum(sums):
            break
        few = _few(made, sums, goal, rng)
        cells = [i for k in few for i in made[k]]
        if len(few) < 2 or len(cells) > MOST_SPLIT:
            continue
        place = {cell: i for i, cell in enumerate(cells)}
        start = [[place[i] for i in made[k]] for k in few]
        split = Splitter([sizes[i] for i in cells], start, goal, free=free, ceiling=math.inf)
        split.run(over, _NODES)
        for k, group in zip(few, split.best, strict=True):
            made[k] = [cells[i] for i in group]
    return made


def _few(made: list[list[int]], sums: list[float], goal: Goal, rng: Random) -> list[int]:
    """Return the group that limits, then others by chance, as many as one exact split takes."""
    order = sorted(range(len(made)), key=sums.__getitem__, reverse=goal == "min-max")
    few, rest = [order[0]], order[1:]
    if goal == "difference":
        few.append(rest.pop())
    rng.shuffle(rest)
    for k in rest:
        if len(few) < 2 or sum(len(made[j]) for j in (*few, k)) <= _REGROUPED_AT_ONCE:
            few.append(k)
    return few


def _partition(
    made: Sequence[Sequence[int]], sizes: Sequence[float], goal: Goal, bound: float, proven: bool
) -> Partition:
    sums = {tuple(sorted(group)): math.fsum(sizes[i] for i in group) for group in made}
    groups = tuple(sorted(sums, key=lambda group: (-sums[group], group)))
    found = tuple(sums[group] for group in groups)
    reached = abs(abs(worth(found, goal)) - bound) <= _ROUNDING * math.fsum(found)
    return Partition(groups=groups, sums=found, goal=goal, bound=bound, proven=proven or reached)
