"""
Largest differencing: k-way partitions out of differences, with and without equal counts.

A partial answer is a row of k sums, largest first. The two rows that differ most within are joined, the largest of one
with the smallest of the other, so that differences cancel. Sums settle it all; who stands where is unrolled at the end.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from operator import itemgetter

_Branch = int | tuple["_Branch", "_Branch"] | None
_Row = list[tuple[float, _Branch]]
_first = itemgetter(0)


def differenced(sizes: Sequence[float], groups: int) -> list[list[int]]:
    """
    Return the groups of largest differencing, k ways, counts as they come (Karmarkar and Karp 1982).

    >>> made = differenced([8, 7, 6, 5, 4], 2)
    >>> sorted(sum([8, 7, 6, 5, 4][i] for i in group) for group in made)
    [14, 16]
    """
    empty: _Row = [(0.0, None)] * (groups - 1)
    return _joined([(size, i), *empty] for i, size in enumerate(sizes))


def balanced_differenced(sizes: Sequence[float], groups: int) -> list[list[int]]:
    """
    Return the groups of balanced largest differencing, counts at most one apart (Michiels, Korst and Aarts 2003).

    The sizes in falling order are cut into rows of `groups`, the last row filled up with nothing; every group gets one
    of each row.

    >>> [len(group) for group in balanced_differenced([9, 8, 7, 3, 2, 1, 1], 3)]
    [2, 2, 3]
    """
    order = sorted(range(len(sizes)), key=lambda i: -sizes[i])
    ranked: _Row = [(sizes[i], i) for i in order]
    ranked += [(0.0, None)] * (-len(sizes) % groups)
    made = _joined(ranked[k : k + groups] for k in range(0, len(ranked), groups))
    return sorted(made, key=len)


def _joined(rows: Iterable[_Row]) -> list[list[int]]:
    """Return the groups after joining rows, those that differ most first, until one is left."""
    heap = [(row[-1][0] - row[0][0], i, row) for i, row in enumerate(rows)]
    heapq.heapify(heap)
    made = len(heap)
    while len(heap) > 1:
        one = heapq.heappop(heap)[2]
        two = heap[0][2]
        row: _Row = [(a + b, (p, q)) for (a, p), (b, q) in zip(one, reversed(two), strict=True)]
        row.sort(key=_first, reverse=True)
        heapq.heapreplace(heap, (row[-1][0] - row[0][0], made, row))
        made += 1
    return [_leaves(branch) for _, branch in heap[0][2]]


def _leaves(branch: _Branch) -> list[int]:
    """Return the indices below a branch; a branch may be thousands deep, so nothing calls itself here."""
    found, open_ = [], [branch]
    while open_:
        top = open_.pop()
        if isinstance(top, int):
            found.append(top)
        elif top is not None:
            open_ += top
    return sorted(found)
