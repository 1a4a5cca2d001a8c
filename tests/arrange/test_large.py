"""Piles too large to list: answers that are safe, within their bound, reproducible, and not called proven."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest

from arrange_piles import good
from hotchpot.arrange import Search, propose
from hotchpot.bank.arrangement import ids
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.errors import NoAnswerError


def scattered(count: int, seed: int = 5, **facts: Any) -> list[State]:
    """Return units of 70 to 110 Ah, invented by a seeded generator."""
    random = Random(seed)
    return [good(f"U{i:02}", round(random.uniform(70, 110), 1), **facts) for i in range(count)]


def sound(search: Search, pile: list[State]) -> None:
    """Assert what must hold of every search, proven or not."""
    for found in search.proposals:
        assert found.verdict is not Verdict.FORBID
        assert found.usable_wh.value <= found.bound_wh * (1 + 1e-8)
        assert sorted((*ids(found.block), *found.left_over)) == sorted(s.unit.id for s in pile)
        assert len(set(ids(found.block))) == len(ids(found.block))


def test_sixteen_units_get_a_good_answer() -> None:
    """16 scattered 12 V units reach 24 V within 1 % of the bound that no arrangement can pass."""
    pile = scattered(16)
    search = propose(pile, system_v=24)
    sound(search, pile)
    assert search.proposals[0].gap_frac < 0.01
    total = sum(s.capacity_ah.value for s in pile)
    assert search.proposals[0].bound_wh == pytest.approx(total / 2 * 24)


def test_a_perfect_sharing_out_is_proven_by_its_bound() -> None:
    """1 to 9 tens of amp-hours in five groups are 90 each: a known perfect partition (number partitioning N12)."""
    search = propose([good(f"U{i}", 10.0 * i) for i in range(1, 10)], system_v=60)
    assert search.proposals[0].usable_ah.value == pytest.approx(90)
    assert search.proven_optimal


def test_mixed_cell_counts_get_an_answer() -> None:
    """A pile of 12, 6, 4 and 2 V units makes a sound 24 V bank."""
    pile = [good(f"U{i:02}", 80 + 1.5 * i, cells=(6, 3, 2, 1)[i % 4]) for i in range(16)]
    search = propose(pile, system_v=24)
    sound(search, pile)
    assert search.proposals[0].usable_ah.value > 150


def test_a_long_string_of_cells() -> None:
    """18 lithium cells on 48 V make one string of 16; the weakest two are left over."""
    pile = [good(f"C{i:02}", 90.0 + i, cells=1, chem="lfp") for i in range(18)]
    search = propose(pile, system_v=48)
    sound(search, pile)
    assert search.proposals[0].usable_ah.value == pytest.approx(92)
    assert search.proposals[0].left_over == ("C00", "C01")


def test_plate_types_stay_in_strings_of_their_own() -> None:
    """Six gel and six absorbed-glass-mat units all take part in one bank, each type in its own strings."""
    pile = scattered(6) + [good(f"G{i}", 90.0, chem="lead_gel") for i in range(6)]
    search = propose(pile, system_v=24)
    sound(search, pile)
    assert len(ids(search.proposals[0].block)) >= 11


def test_a_unit_that_spoils_every_bank_is_left_out() -> None:
    """One unit with a dead cell among ten does not cost the answer."""
    pile = [*scattered(10), good("L", 100, rest_v=11.5)]
    search = propose(pile, system_v=24)
    sound(search, pile)
    assert "L" in search.rejected
    assert all("L" in found.left_over for found in search.proposals)


def test_a_pack_of_1400_cells_is_shared_out_evenly() -> None:
    """1,400 lithium cells as 14 in series: every cell used, a hundred each, capacity and conductance of groups even."""
    random = Random(1)
    pile = [
        good(
            f"c{i:04}",
            round(min(3.0, max(2.0, random.gauss(2.5, 0.125))), 3),
            cells=1,
            chem="nmc",
            rated_ah=2.5,
            resistance_mohm=round(60 * random.lognormvariate(0, 0.1), 1),
        )
        for i in range(1400)
    ]
    search = propose(pile, system_v=50)
    sound(search, pile)
    made = next(p for p in search.proposals if p.strings == 1 and len(p.block.members) == 14)  # type: ignore[union-attr]
    assert made.gap_frac < 1e-5
    assert made.left_over == ()
    of = {state.unit.id: state for state in pile}
    groups = [[of[name] for name in ids(group)] for group in made.block.members]  # type: ignore[union-attr]
    assert {len(group) for group in groups} == {100}
    held = [sum(s.capacity_ah.value for s in group) for group in groups]
    led = [sum(1e3 / s.resistance_mohm.value for s in group) for group in groups]
    assert max(held) - min(held) <= 0.001 + 1e-9
    assert max(led) - min(led) <= 0.001 * sum(led) / 14


def test_the_seed_decides_and_the_order_does_not() -> None:
    """Same seed, same answer, in whatever order the pile is given."""
    pile = scattered(12)
    first, again = propose(pile, system_v=36, seed=3), propose(pile[::-1], system_v=36, seed=3)
    assert [str(p.block) for p in first.proposals] == [str(p.block) for p in again.proposals]


def test_a_large_pile_of_bare_cells_is_refused_with_the_reason() -> None:
    """Ten lithium cells without protection make no bank, and the error says why."""
    pile = [good(f"C{i}", 100, cells=1, chem="lfp", bms=False) for i in range(10)]
    with pytest.raises(NoAnswerError, match="no cell-level protection"):
        propose(pile, system_v=12)


def test_a_large_search_can_be_stopped() -> None:
    """Stopped after a few polls, it returns a sound answer and does not call it proven."""
    pile, polls = scattered(20), iter(range(10**9))
    search = propose(pile, system_v=24, stop=lambda: next(polls) > 3)
    sound(search, pile)
    assert not search.proven_optimal
