"""
Good arrangements of piles too large to list: groups in series, strings side by side, exact answers of eight at a time.

What comes out of here is good, judged and honest about its bound, not proven best.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from random import Random

from hotchpot.arrange.court import Court
from hotchpot.arrange.evening import evened
from hotchpot.arrange.exact import MOST_EXACT, circuits
from hotchpot.arrange.groups import pruned, shared_out
from hotchpot.arrange.pool import Pool
from hotchpot.arrange.proposal import Watch
from hotchpot.bank.arrangement import Block, canonical, ids, parallel, series, unit
from hotchpot.bank.rules.series import LOST_FRAC
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State

_MOST_IN_EIGHTS = 40  # units; beyond, listing eight at a time costs more than it finds
_STRING_ROUNDS = 40
_MOST_REPAIRS = 24
_LEAST_DIFFERENCED = 41  # units of one size; from here on differencing meets the mean and moves and swaps are slow
_CLOSE_FRAC = 4e-6  # of a group's capacity: what evening conductance may cost; 1 mAh of 250 Ah


def large(pool: Pool, court: Court, rng: Random, watch: Watch) -> list[Block]:
    """Return arrangements of a large pool that are not forbidden; where the best is, try again without its culprit."""
    good: dict[Block, None] = {}
    for repair in range(_MOST_REPAIRS):
        options = _options(pool, court, rng, watch)
        good.update({block: None for block in options if court.allows(block)})
        if not options or options[0] in good or (watch.over() and good):
            break
        pool = pool.without({_culprit(options[0], court)} | court.spoilt.keys())
        watch.tell(repair / _MOST_REPAIRS)
        if watch.over():
            break
    return list(good)


def _options(pool: Pool, court: Court, rng: Random, watch: Watch) -> list[Block]:
    """Return arrangements of each plate type by itself and of all types side by side, the largest first."""
    whole: list[Block] = []
    options: list[Block] = []
    for key in sorted({state.chem.key for state in pool.states}):
        own = Pool(pool.family, pool.cells, tuple(s for s in pool.states if s.chem.key == key))
        ways = sorted(_ways(own, rng, watch), key=lambda block: -_ah(block, court))
        options += ways
        whole += ways[:1]
    joined = [canonical(parallel(*whole))] if whole else []
    return list(dict.fromkeys(sorted(joined + options, key=lambda block: -_ah(block, court))))


def _ways(pool: Pool, rng: Random, watch: Watch) -> Iterator[Block]:
    """Yield what each method makes of units of one chemistry."""
    makers: list[Callable[[Pool, Random, Watch], Block | None]] = [_in_groups, _in_strings]
    if len(pool.states) <= _MOST_IN_EIGHTS:
        makers.append(_in_eights)
    for make in makers:
        block = make(pool, rng, watch)
        if block is not None:
            yield canonical(block)


def _in_groups(pool: Pool, rng: Random, watch: Watch) -> Block | None:
    """Return parallel groups in series, one such string for each size of unit; what fits no group is left out."""
    sizes = sorted({s.unit.cells for s in pool.states if pool.cells % s.unit.cells == 0})
    made = (
        _of_one_size([s for s in pool.states if s.unit.cells == size], pool.cells // size, rng, watch) for size in sizes
    )
    strings = [string for string in made if string is not None]
    return parallel(*strings) if strings else None


def _of_one_size(states: list[State], count: int, rng: Random, watch: Watch) -> Block | None:
    states = sorted(states, key=lambda s: -s.capacity_ah.value)
    while len(states) >= count:
        sizes = [s.capacity_ah.value for s in states]
        made = pruned(_shared(states, sizes, count, rng, watch), sizes)
        sums = [sum(sizes[i] for i in group) for group in made]
        if max(sums) - min(sums) <= LOST_FRAC * max(sums):
            return _groups_in_series([[states[i] for i in sorted(group)] for group in made])
        del states[0]  # the largest overtops the rest
    return None


def _shared(states: list[State], sizes: list[float], count: int, rng: Random, watch: Watch) -> list[list[int]]:
    """Return groups of equal capacity; of many units equal in conductance, and in count where that costs nothing."""
    if len(states) < _LEAST_DIFFERENCED:
        return shared_out(sizes, count, rng, watch.over)
    leads = [1e3 / s.resistance_mohm.value for s in states]
    mean = sum(sizes) / count
    close = _CLOSE_FRAC * mean
    ways = (evened(sizes, leads, count, close=close, counts=counts, over=watch.over) for counts in ("equal", "free"))
    equal = next(ways).partition
    if min(equal.sums) >= mean - close:
        return [list(group) for group in equal.groups]
    best = max(equal, next(ways).partition, key=lambda partition: min(partition.sums))
    return [list(group) for group in best.groups]


def _groups_in_series(groups: list[list[State]]) -> Block:
    return series(*(parallel(*(unit(state.unit.id) for state in group)) for group in groups))


def _in_strings(pool: Pool, rng: Random, watch: Watch) -> Block | None:
    """Return strings of near capacity side by side, the best of a few seeded orders."""
    best: tuple[float, list[list[State]]] = (0.0, [])
    for attempt in range(_STRING_ROUNDS):
        doubt = 0.1 if attempt else 0.0
        order = sorted(pool.states, key=lambda s: -s.capacity_ah.value * (1.0 + doubt * rng.uniform(-1.0, 1.0)))
        made = list(_strings(order, pool.cells))
        total = sum(min(s.capacity_ah.value for s in string) for string in made)
        if total > best[0]:
            best = total, made
        if watch.over():
            break
    strings = [series(*(unit(s.unit.id) for s in string)) for string in best[1]]
    return parallel(*strings) if strings else None


def _strings(order: list[State], cells: int) -> Iterator[list[State]]:
    left = list(order)
    while left:
        string = _string(left, cells)
        if string is None:
            del left[0]
            continue
        used = {state.unit.id for state in string}
        left = [state for state in left if state.unit.id not in used]
        yield string


def _string(order: list[State], cells: int) -> list[State] | None:
    """Return the string of `cells` that holds the first unit and goes least far down the order, or None."""
    reached: dict[int, list[State]] = {order[0].unit.cells: [order[0]]}
    for state in order[1:]:
        if cells in reached:
            break
        for total in sorted(reached, reverse=True):
            more = total + state.unit.cells
            if more <= cells and more not in reached and _alike([*reached[total], state]):
                reached[more] = [*reached[total], state]
    return reached.get(cells)


def _alike(states: list[State]) -> bool:
    sizes = [s.capacity_ah.value for s in states]
    return max(sizes) - min(sizes) <= LOST_FRAC * max(sizes)


def _in_eights(pool: Pool, _: Random, watch: Watch) -> Block | None:
    """Return exact answers of eight units at a time, the largest first, side by side."""
    left = sorted(pool.states, key=lambda s: -s.capacity_ah.value)
    blocks: list[Block] = []
    while left and not watch.over():
        few = Pool(pool.family, pool.cells, tuple(left[:MOST_EXACT]))
        found = circuits(few, Watch(watch.stop))
        if not found:
            del left[0]
            continue
        shape = min(found, key=lambda s: (-round(s.ah, 6), s.links, s.branches, s.gap))
        blocks.append(shape.block(few))
        used = set(ids(blocks[-1]))
        left = [state for state in left if state.unit.id not in used]
    return parallel(*blocks) if blocks else None


def _ah(block: Block, court: Court) -> float:
    return court.bank(block).root.capacity_ah.value


def _culprit(block: Block, court: Court) -> str:
    """Return the unit to do without: of those a refusal names, the one whose voltage a cell stands furthest off."""
    judgement = court.judgement(block)
    named = next((f.subject for f in judgement.findings if f.verdict is Verdict.FORBID and f.subject), ids(block))
    states = [court.states[name] for name in named if name in court.states] or list(court.bank(block).units)
    volts = sorted(s.ocv_v.value / s.unit.cells for s in states if s.ocv_v is not None)
    middle = volts[len(volts) // 2] if volts else 0.0

    def oddness(state: State) -> tuple[float, float, str]:
        off = 0.0 if state.ocv_v is None else abs(state.ocv_v.value / state.unit.cells - middle)
        return round(off, 4), -state.capacity_ah.value, state.unit.id

    return max(states, key=oddness).unit.id
