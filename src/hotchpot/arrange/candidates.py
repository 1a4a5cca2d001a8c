"""Arrangements before they are judged: their rank, and the order in which they come before the judge."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import groupby

from hotchpot.arrange.court import Court
from hotchpot.arrange.exact import Shape
from hotchpot.arrange.pool import Pool
from hotchpot.arrange.worth import Worth
from hotchpot.bank.arrangement import Block, Series, Single, canonical, fold, ids, natural, show, strings, walk
from hotchpot.bank.bank import Bank


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """
    An arrangement before it is judged: its rank, its pool, the set of its units, and how to build it.

    The rank sorts best first: usable energy (negated), links, strings, largest difference in health within a string.
    """

    rank: tuple[float, int, int, float]
    pool: Pool
    mask: int
    build: Callable[[], Block]

    @property
    def usable_wh(self) -> float:
        """Usable energy at the duty. [Wh]"""
        return -self.rank[0]


def rounded(energy_wh: float) -> float:
    """Return nine figures of an energy: where only rounding errors differ, the next criterion must decide."""
    return float(f"{energy_wh:.9g}")


def of_shape(shape: Shape, pool: Pool, worth: Worth) -> Candidate:
    """Return a listed circuit as a candidate."""
    energy = rounded(worth.usable_wh(shape.mask, shape.ah))
    rank = (-energy, shape.links, shape.branches, round(shape.gap, 9))
    return Candidate(rank, pool, shape.mask, partial(shape.block, pool))


def of_block(block: Block, pool: Pool, worth: Worth, court: Court) -> Candidate:
    """Return an arrangement that was put together as a candidate."""
    bank = court.bank(block)
    mask = sum(pool.bit[name] for name in ids(block))
    energy = rounded(worth.usable_wh(mask, bank.root.capacity_ah.value))
    rank = (-energy, links(block), len(strings(block)), round(_gap(bank), 9))
    return Candidate(rank, pool, mask, lambda: block)


def links(block: Block) -> int:
    """
    Return the leads between neighbours: one for each further member of a string, two for each of a group.

    >>> from hotchpot.bank.notation import parse
    >>> links(parse("A1 // A2 + B1 // B2")), links(parse("(A1 + B1) // (A2 + B2)"))
    (5, 4)
    """
    groups = [node for node in walk(block) if not isinstance(node, Single)]
    return sum((len(node.members) - 1) * (1 if isinstance(node, Series) else 2) for node in groups)


def _gap(bank: Bank) -> float:
    healths = [[state.health_frac for state in node.states] for node in bank.strings]
    return max((max(health) - min(health) for health in healths), default=0.0)


def best_first(candidates: list[Candidate], court: Court) -> Iterator[tuple[Candidate, Block]]:
    """Yield candidates by rank, then by text; of those that differ only by like units one stands for all."""
    seen: set[tuple[str, int, str]] = set()
    for _, tied in groupby(sorted(candidates, key=lambda c: c.rank), key=lambda c: c.rank):
        fresh: list[tuple[Candidate, Block]] = []
        for candidate in tied:
            if any(candidate.mask & candidate.pool.bit.get(name, 0) for name in court.spoilt):
                continue
            block = candidate.build()
            pattern = (candidate.pool.family, candidate.pool.cells, _pattern(block, candidate.pool))
            if pattern not in seen:
                seen.add(pattern)
                fresh.append((candidate, canonical(block)))
        yield from sorted(fresh, key=lambda row: natural(show(row[1], short=False)))


def _pattern(block: Block, pool: Pool) -> str:
    """Return the circuit with each unit's likeness in place of its id, members in one order."""
    return fold(
        block,
        lambda single: pool.likeness[single.id],
        lambda node, parts: ("+" if isinstance(node, Series) else "/") + "(" + " ".join(sorted(parts)) + ")",
    )
