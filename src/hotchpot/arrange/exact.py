"""
Every series-parallel arrangement of a few units, by dynamic programming over sets of units.

A set of units is a bit mask. The arrangements of a set follow from those of its parts: a parallel group is a first part
that is no group itself, and the rest; a series string likewise. The first part always holds the set's lowest bit, so
every circuit is listed once, and the order of members never matters.

Usable amp-hours never fall when a part's amp-hours rise (a sum and a minimum are both monotone), so one could keep
only the largest arrangement of every set and cell count. It is not done: the limit on unlike members of a string, the
count of links and the judge are not monotone, and a smaller part may be the one that is allowed or safe. Nothing is
dropped, so nothing can be lost. Eight units have at most some 120,000 circuits of parts and wholes, and the limit on
unlike members leaves about a tenth of them.
"""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.arrange.pool import Pool
from hotchpot.arrange.proposal import Watch
from hotchpot.bank.arrangement import Block, parallel, series, unit
from hotchpot.bank.rules.series import LOST_FRAC

MOST_EXACT = 8
_UNIT, _PARALLEL, _SERIES = 0, 1, 2
_ROUNDING = 1e-9  # the judge has the last word on a string that is just on the limit


class Shape:
    """
    One circuit of a set of units.

    `low` and `high` are the least and greatest capacity of a string's members, `gap` the largest difference in health
    within any string, `branches` how many lie side by side, `links` the leads between neighbours: one for each further
    member of a string, two for each further member of a group.
    """

    __slots__ = ("ah", "branches", "cells", "gap", "high", "kind", "links", "low", "mask", "parts")

    def __init__(self, mask: int, kind: int, cells: int, ah: float, parts: tuple[Shape, Shape] | None = None) -> None:
        self.mask, self.kind, self.cells, self.ah = mask, kind, cells, ah
        self.low = self.high = ah
        self.parts = parts
        self.gap = 0.0
        self.links, self.branches = 0, 1
        if parts is not None:
            first, rest = parts
            self.gap = max(first.gap, rest.gap)
            self.links = first.links + rest.links + (2 if kind == _PARALLEL else 1)
            if kind == _PARALLEL:
                self.branches = 1 + (rest.branches if rest.kind == _PARALLEL else 1)

    def block(self, pool: Pool) -> Block:
        """Return the circuit as an arrangement of the pool's units."""
        if self.parts is None:
            return unit(pool.states[self.mask.bit_length() - 1].unit.id)
        join = parallel if self.kind == _PARALLEL else series
        return join(*(part.block(pool) for part in self.parts))


def circuits(pool: Pool, watch: Watch) -> list[Shape]:
    """Return every allowed circuit with the pool's cell count, over all sets of its units; some when stopped."""
    table: list[list[Shape]] = [[]]
    full: list[Shape] = []
    sets = 1 << len(pool.states)
    for mask in range(1, sets):
        if watch.over():
            break
        table.append(list(_circuits_of(mask, table, pool)))
        full.extend(shape for shape in table[mask] if shape.cells == pool.cells)
        watch.tell(mask / sets)
    return full


def _circuits_of(mask: int, table: list[list[Shape]], pool: Pool) -> Iterator[Shape]:
    if mask & (mask - 1) == 0:
        state = pool.states[mask.bit_length() - 1]
        yield Shape(mask, _UNIT, state.unit.cells, state.capacity_ah.value)
        return
    states = pool.chosen(mask)
    pure = len({state.chem.key for state in states}) == 1
    health = [state.health_frac for state in states]
    spread = max(health) - min(health)
    for first_mask in _halves(mask):
        rests = table[mask ^ first_mask]
        for first in table[first_mask]:
            yield from _groups(mask, first, rests, pool.cells, pure=pure)
            if pure:
                yield from _strings(mask, first, rests, pool.cells, spread)


def _halves(mask: int) -> Iterator[int]:
    """Yield every proper part of a set that holds its lowest bit, in rising order."""
    low = mask & -mask
    others = mask ^ low
    part = 0
    while part != others:
        yield part | low
        part = (part - others) & others


def _groups(mask: int, first: Shape, rests: list[Shape], cells: int, *, pure: bool) -> Iterator[Shape]:
    """Yield `first` beside each rest of equal cells; unlike plates only where nothing more comes in series."""
    if first.kind == _PARALLEL or not (pure or first.cells == cells):
        return
    for rest in rests:
        if rest.cells == first.cells:
            yield Shape(mask, _PARALLEL, first.cells, first.ah + rest.ah, (first, rest))


def _strings(mask: int, first: Shape, rests: list[Shape], cells: int, spread: float) -> Iterator[Shape]:
    """Yield `first` in series with each rest, as long as the members' capacities lie within the judge's limit."""
    if first.kind == _SERIES:
        return
    most = cells - first.cells
    for rest in rests:
        if rest.cells > most:
            continue
        low, high = min(first.ah, rest.low), max(first.ah, rest.high)
        if high - low <= (LOST_FRAC + _ROUNDING) * high:
            shape = Shape(mask, _SERIES, first.cells + rest.cells, low, (first, rest))
            shape.high, shape.gap = high, max(shape.gap, spread)
            yield shape
