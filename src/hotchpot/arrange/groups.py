"""
Sharing units out into parallel groups of equal capacity, for piles too large to list every arrangement.

This is number partitioning, multiway, with the smallest sum as its goal: groups in series give what the smallest gives.
The goal matters, as partitions with the largest smallest sum, the smallest largest sum and the least difference are not
the same ones.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

_ROUNDS = 300
_MOST_WORK = 500_000  # size comparisons of one improvement, times rounds: keeps large packs to a few seconds
_ROUNDING = 1e-9


def shared_out(sizes: Sequence[float], groups: int, rng: Random, over: Callable[[], bool]) -> list[list[int]]:
    """
    Return the indices of `sizes` in `groups` groups whose smallest sum is as large as was found.

    Largest first, each to the smallest group (Graham 1969, longest processing time first); then moves and swaps that
    raise the smallest sum, from there and from seeded disturbances of the best so far. A good answer, not a proven one.
    It ends after a fixed number of rounds, when `over` says so, or when all sums are equal.

    Examples
    --------
    >>> sorted(sorted(group) for group in shared_out([8, 7, 6, 5, 4], 2, Random(1), lambda: False))
    [[0, 1], [2, 3, 4]]
    """
    best = improved(longest_first(sizes, groups), sizes, over)
    ceiling = sum(sizes) / groups
    for _ in range(min(_ROUNDS, _MOST_WORK * groups // len(sizes) ** 2)):
        if over() or _smallest(best, sizes) >= ceiling * (1 - _ROUNDING):
            break
        other = improved(_disturbed(best, rng), sizes, over)
        if _score(other, sizes) >= _score(best, sizes):
            best = other
    return best


def longest_first(sizes: Sequence[float], groups: int) -> list[list[int]]:
    """Return the groups made by giving each size, largest first, to the group with the smallest sum."""
    made: list[list[int]] = [[] for _ in range(groups)]
    sums = [0.0] * groups
    for i in sorted(range(len(sizes)), key=lambda i: -sizes[i]):
        low = min(range(groups), key=sums.__getitem__)
        made[low].append(i)
        sums[low] += sizes[i]
    return made


def improved(groups: list[list[int]], sizes: Sequence[float], over: Callable[[], bool]) -> list[list[int]]:
    """Return the groups after moves and swaps with the smallest group, until none raises it."""
    made = [list(group) for group in groups]
    sums = [sum(sizes[i] for i in group) for group in made]
    while not over():
        low = min(range(len(made)), key=sums.__getitem__)
        step = _best_step(low, made, sums, sizes)
        if step is None:
            break
        _, other, give, take = step
        made[other].remove(give)
        made[low].append(give)
        if take is not None:
            made[low].remove(take)
            made[other].append(take)
        for k in (low, other):
            sums[k] = sum(sizes[i] for i in made[k])
    return made


def pruned(groups: list[list[int]], sizes: Sequence[float]) -> list[list[int]]:
    """Return the groups without the units that lift none of them above the smallest sum: they would only add links."""
    target = _smallest(groups, sizes) * (1 - _ROUNDING)
    made = []
    for group in groups:
        kept, total = list(group), sum(sizes[i] for i in group)
        for i in sorted(group, key=lambda i: sizes[i]):
            if total - sizes[i] >= target:
                kept.remove(i)
                total -= sizes[i]
        made.append(kept)
    return made


def _best_step(
    low: int, made: list[list[int]], sums: list[float], sizes: Sequence[float]
) -> tuple[float, int, int, int | None] | None:
    """Return the move or swap after which the lesser of two groups is largest, or None when none is above `low`."""
    best: tuple[float, int, int, int | None] | None = None
    floor = sums[low] * (1 + _ROUNDING)
    for other, group in enumerate(made):
        if other == low:
            continue
        for give in group:
            for take in (None, *made[low]):
                gain = sizes[give] - (0.0 if take is None else sizes[take])
                least = min(sums[low] + gain, sums[other] - gain)
                if least > floor:
                    best, floor = (least, other, give, take), least
    return best


def _disturbed(groups: list[list[int]], rng: Random) -> list[list[int]]:
    made = [list(group) for group in groups]
    if len(made) < 2:
        return made
    for _ in range(rng.randint(1, 3)):
        a, b = rng.sample(range(len(made)), 2)
        if made[a] and made[b]:
            i, j = rng.randrange(len(made[a])), rng.randrange(len(made[b]))
            made[a][i], made[b][j] = made[b][j], made[a][i]
    return made


def _smallest(groups: list[list[int]], sizes: Sequence[float]) -> float:
    return min(sum(sizes[i] for i in group) for group in groups)


def _score(groups: list[list[int]], sizes: Sequence[float]) -> tuple[float, float]:
    """The smallest sum counts first; then how close the largest is to it."""
    sums = [sum(sizes[i] for i in group) for group in groups]
    return min(sums), -max(sums)
