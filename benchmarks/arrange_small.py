"""
Time the exact search beside a plain listing of every circuit over set partitions, on the same invented pile.

Both find the largest usable energy; the plain one does not judge. Run: .venv/bin/python benchmarks/arrange_small.py
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from functools import partial
from itertools import combinations, product

from hotchpot.arrange import propose
from hotchpot.bench.state import State, state_of
from hotchpot.chemistry import chemistry
from hotchpot.pile.unit import Unit

Rated = tuple[int, float]  # cells, amp-hours


def invented_pile(cells: list[int], chem: str = "lead_agm") -> list[State]:
    """Return measured, rested, full units of falling capacity; every value is made up by counting."""
    kind = chemistry(chem)
    units = [
        Unit(
            id=f"U{i}",
            chemistry=chem,
            cells=count,
            rated_ah=110,
            rated_hours=kind.num("rated_h"),
            capacity_ah=104.0 - 3.1 * i,
            resistance_mohm=kind.typical_mohm(count, 110),
            rest_v=round(count * kind.ocv.volts(1.0), 2),
            rest_hours=48,
            bms=True,
        )
        for i, count in enumerate(cells)
    ]
    return [state_of(unit) for unit in units]


def partitions(things: list[State]) -> Iterator[list[list[State]]]:
    """Yield every partition of a list into parts."""
    if not things:
        yield []
        return
    head, *tail = things
    for smaller in partitions(tail):
        yield [[head], *smaller]
        for i, part in enumerate(smaller):
            yield [*smaller[:i], [head, *part], *smaller[i + 1 :]]


def plain(things: list[State], *, outer_series: bool) -> Iterator[Rated]:
    """Yield cells and amp-hours of every allowed circuit of all the things with the other join outermost."""
    if len(things) == 1:
        yield things[0].unit.cells, things[0].capacity_ah.value
        return
    for parts in partitions(things):
        if len(parts) < 2:
            continue
        for members in product(*(list(plain(part, outer_series=not outer_series)) for part in parts)):
            sizes = [ah for _, ah in members]
            if outer_series:
                if len({cells for cells, _ in members}) == 1:
                    yield members[0][0], sum(sizes)
            elif max(sizes) - min(sizes) <= max(sizes) / 3:
                yield sum(cells for cells, _ in members), min(sizes)


def plain_best_ah(pile: list[State], cells: int) -> float:
    """Return the largest usable capacity of all circuits of all sets of units. [Ah]"""
    best = 0.0
    for count in range(1, len(pile) + 1):
        for chosen in combinations(pile, count):
            for outer_series in (True, False):
                found = (ah for n, ah in plain(list(chosen), outer_series=outer_series) if n == cells)
                best = max(best, max(found, default=0.0))
    return best


def exact_best_ah(pile: list[State], volts: float) -> float:
    """Return the usable capacity of the first proposal, judged. [Ah]"""
    return propose(pile, system_v=volts).proposals[0].usable_ah.value


def timed(work: Callable[[], float], rounds: int = 1) -> tuple[float, float]:
    """Return what the work returns and the shortest time it took. [s]"""
    spent, result = [], 0.0
    for _ in range(rounds):
        begin = time.perf_counter()
        result = work()
        spent.append(time.perf_counter() - begin)
    return result, min(spent)


def main() -> None:
    """Print times and ratios, then the times of the hardest small piles."""
    for cells, volts in (([3] * 6, 24), ([3] * 7, 24), ([6, 6, 3, 3, 2, 2, 2], 12)):
        pile = invented_pile(cells)
        plain_ah, plain_s = timed(partial(plain_best_ah, pile, volts // 2))
        exact_ah, exact_s = timed(partial(exact_best_ah, pile, volts), rounds=3)
        same = "the same answer" if abs(plain_ah - exact_ah) < 1e-6 else f"DIFFERENT: {plain_ah:g} and {exact_ah:g} Ah"
        print(
            f"{len(pile)} units of {min(cells)} to {max(cells)} cells to {volts} V: exact and judged {exact_s:.3f} s, "
            f"plain listing {plain_s:.3f} s, {plain_s / exact_s:.0f} times as long, {same}"
        )
    hard = [
        ("8 of 6 V", [3] * 8, 24, "lead_agm"),
        ("8 of 12 V", [6] * 8, 24, "lead_agm"),
        ("8 of 12 V", [6] * 8, 48, "lead_agm"),
        ("8 of 2, 4, 6, 12 V", [1, 1, 2, 2, 3, 3, 6, 6], 12, "lead_agm"),
        ("8 lithium cells", [1] * 8, 12, "lfp"),
    ]
    for title, cells, volts, chem in hard:
        pile = invented_pile(cells, chem)
        _, took_s = timed(partial(exact_best_ah, pile, volts), rounds=3)
        print(f"{title} to {volts} V: {took_s:.3f} s")


if __name__ == "__main__":
    main()
