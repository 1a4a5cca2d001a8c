"""
The search: exact answers against an independent enumeration, published partitions, common practice, and its laws.

Piles here are invented; all are measured, alike in charge and inside their limits unless a test says otherwise.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from arrange_piles import good, partitions
from hotchpot.arrange import Proposal, propose
from hotchpot.bank.arrangement import Parallel, Series, Single, ids, show, walk
from hotchpot.bank.bank import Bank
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Duty, Plan, Protection
from hotchpot.bank.rules import Case
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.errors import InputError, NoAnswerError

Tree = str | tuple[str, tuple["Tree", ...]]


def pile(sizes: Sequence[float], **facts: Any) -> list[State]:
    """Return units U1, U2 ... of these capacities."""
    return [good(f"U{i}", ah, **facts) for i, ah in enumerate(sizes, 1)]


def best_of(states: Sequence[State], volts: float, **options: Any) -> Proposal:
    """Return the first proposal."""
    return propose(states, system_v=volts, **options).proposals[0]


# --- a referee written another way: recursive set partitions, nothing shared with the search -------------------------


def trees(things: Sequence[str], outer: str) -> Iterator[Tree]:
    """Yield every circuit of all the things whose outermost join is not `outer`."""
    if len(things) == 1:
        yield things[0]
        return
    sign = "+" if outer == "//" else "//"
    for parts in partitions(things):
        if len(parts) > 1:
            for members in itertools.product(*(list(trees(part, sign)) for part in parts)):
                yield sign, members


def circuits(things: Sequence[str]) -> list[Tree]:
    """Return every series-parallel circuit of all the things."""
    return list({*trees(things, "+"), *trees(things, "//")})


def rated(tree: Tree, known: dict[str, State]) -> tuple[int, float] | None:
    """Return cells and amp-hours of a circuit by hand rules, or None where its structure is not allowed."""
    if isinstance(tree, str):
        return known[tree].unit.cells, known[tree].unit.capacity_ah or 0.0
    sign, members = tree
    parts = [rated(member, known) for member in members]
    if any(part is None for part in parts):
        return None
    sizes = [part for part in parts if part is not None]
    amp_hours = [ah for _, ah in sizes]
    if sign == "//":
        return (sizes[0][0], sum(amp_hours)) if len({cells for cells, _ in sizes}) == 1 else None
    kinds = {known[name].unit.chemistry for name in leaves(tree)}
    if len(kinds) > 1 or min(amp_hours) * 3 < max(amp_hours) * 2 - 1e-6:
        return None
    return sum(cells for cells, _ in sizes), min(amp_hours)


def leaves(tree: Tree) -> list[str]:
    """Return the ids in a circuit."""
    return [tree] if isinstance(tree, str) else [name for member in tree[1] for name in leaves(member)]


def text(tree: Tree) -> str:
    """Return the circuit in the notation, with all brackets."""
    return f'"{tree}"' if isinstance(tree, str) else "(" + f" {tree[0]} ".join(map(text, tree[1])) + ")"


def referee_wh(states: Sequence[State], cells: int, nominal_v: float) -> float | None:
    """Return the largest energy of all circuits that the judge does not forbid."""
    known = {state.unit.id: state for state in states}
    found: list[tuple[float, str]] = []
    for count in range(1, len(states) + 1):
        for names in itertools.combinations(known, count):
            sized = [(rated(tree, known), tree) for tree in circuits(names)]
            found += [(size[1] * cells * nominal_v, text(tree)) for size, tree in sized if size and size[0] == cells]
    for energy, expression in sorted(found, reverse=True):
        bank = Bank(parse(expression), known)
        if judge(Case(Plan(question=("join",)), bank.units, bank)).verdict is not Verdict.FORBID:
            return energy
    return None


def test_the_referee_counts_the_known_number_of_circuits() -> None:
    """The referee itself lists 1, 2, 8, 52, 472 circuits of 1 to 5 units: OEIS A006351 (from memory)."""
    assert [len(circuits("abcde"[:n])) for n in range(1, 6)] == [1, 2, 8, 52, 472]


REFEREED = [
    ([100, 90, 80, 60, 45], [6, 6, 6, 6, 6], 24.0),
    ([100, 70, 66, 50, 34], [6, 6, 3, 3, 3], 12.0),
    ([50, 50, 100, 99, 160], [6, 6, 6, 6, 6], 24.0),
    ([80, 75, 120, 118, 40], [3, 3, 6, 6, 6], 18.0),
    ([200, 150, 100, 75, 50], [1, 1, 1, 1, 1], 4.0),
    ([30, 31, 32, 60, 95], [1, 2, 2, 3, 6], 12.0),
]


@pytest.mark.parametrize(("sizes", "cells", "volts"), REFEREED)
def test_the_exact_search_agrees_with_the_referee(sizes: list[float], cells: list[int], volts: float) -> None:
    """The best proposal has the energy of the best of all circuits that are allowed, listed by another algorithm."""
    states = [good(f"U{i}", ah, cells=n) for i, (ah, n) in enumerate(zip(sizes, cells, strict=True))]
    search = propose(states, system_v=volts)
    assert search.proven_optimal
    assert search.proposals[0].usable_wh.value == pytest.approx(referee_wh(states, round(volts / 2), 2.0))


@given(st.lists(st.tuples(st.integers(20, 120), st.sampled_from([3, 6])), min_size=2, max_size=4))
def test_random_piles_agree_with_the_referee(units: list[tuple[int, int]]) -> None:
    """On random piles the search finds what the referee finds, and nothing where the referee finds nothing."""
    states = [good(f"U{i}", float(ah), cells=n) for i, (ah, n) in enumerate(units)]
    expected = referee_wh(states, 6, 2.0)
    if expected is None:
        with pytest.raises(NoAnswerError):
            propose(states, system_v=12)
    else:
        assert best_of(states, 12).usable_wh.value == pytest.approx(expected)


def test_every_circuit_is_listed_once() -> None:
    """Five unlike 12 V units on 12 V have as many circuits as sets of units: 31, the referee's count too."""
    states = pile([100, 99, 98, 97, 96])
    assert propose(states, system_v=12).considered == 2**5 - 1
    known = {s.unit.id: s for s in states}
    sets = (names for n in range(1, 6) for names in itertools.combinations(known, n))
    sized = [rated(tree, known) for names in sets for tree in circuits(names)]
    for volts, cells in ((24, 12), (36, 18)):
        counted = sum(size is not None and size[0] == cells for size in sized)
        assert propose(states, system_v=volts).considered == counted > 0


# --- published partitions --------------------------------------------------------------------------------------------

# Number partitioning with capacities as numbers: parallel groups in series give what the smallest group gives. A string
# side by side with another can be merged with it level by level without loss, so no other circuit of units with equal
# cells gives more than the partition.
PARTITIONS = [
    ("N01", [8, 7, 6, 5, 4], 2, 15),  # Karmarkar & Karp 1982; Korf 1998: optimum 15/15
    ("N02", [8, 7, 6, 5, 3], 2, 14),  # tutorial on Karmarkar-Karp: difference 1 of 29 is the optimum
    ("N03", [4, 5, 6, 7, 8], 3, 8),  # test of a number-partitioning package: 8, 11, 11
    ("N04", [5, 5, 5, 4, 4, 3, 3, 1], 3, 10),  # the same package's example: optimum 10, 10, 10
    ("N08", [46, 39, 27, 26, 16, 13, 10], 3, 56),  # Walter 2013: largest smallest sum 56 (56, 56, 65)
    ("N10", [1, 2, 3, 3, 5, 9, 9], 2, 16),  # test of a second package: 16/16
    ("N10", [1, 2, 3, 3, 5, 9, 9], 3, 10),  # the same: 10, 11, 11
]


@pytest.mark.parametrize(("name", "sizes", "groups", "smallest"), PARTITIONS)
def test_parallel_groups_in_series_reach_the_published_optimum(
    name: str, sizes: list[float], groups: int, smallest: float
) -> None:
    """Capacities taken as the numbers of a published partition give its largest smallest sum."""
    assert best_of(pile(sizes), 12 * groups).usable_ah.value == pytest.approx(smallest), name


# --- common practice, no source --------------------------------------------------------------------------------------


def test_four_equal_units_make_twice_the_voltage_and_capacity() -> None:
    """Four 12 V 100 Ah units give 24 V 200 Ah and none is left (common practice, no source)."""
    found = best_of(pile([100] * 4), 24)
    assert found.usable_ah.value == pytest.approx(200)
    assert found.usable_wh.value == pytest.approx(4800)
    assert (found.left_over, found.gap_frac) == ((), 0.0)


def test_twelve_and_six_volts_make_eighteen() -> None:
    """A 12 V and a 6 V unit in series are 18 V, nine cells (common practice, no source)."""
    found = best_of([good("A", 100), good("B", 100, cells=3)], 18)
    assert isinstance(found.block, Series)
    assert found.usable_wh.value == pytest.approx(1800)


def test_capacities_in_parallel_add() -> None:
    """5 Ah and 10 Ah side by side make 15 Ah (common practice, no source)."""
    assert best_of(pile([5, 10]), 12).usable_ah.value == pytest.approx(15)


def test_groups_in_series_match_in_capacity_not_in_count() -> None:
    """One 200 Ah unit balances two of 100 Ah: all three are used and give 200 Ah (groups law, Kirchhoff)."""
    found = best_of(pile([200, 100, 100]), 24)
    assert found.usable_ah.value == pytest.approx(200)
    assert found.left_over == ()


# --- what is never done ----------------------------------------------------------------------------------------------


def test_a_rejected_unit_stays_out_and_is_explained() -> None:
    """A swollen unit is in no proposal, and the search says why."""
    search = propose([*pile([100, 100]), good("X", 100, flags=("swollen",))], system_v=12)
    assert "swollen" in search.rejected["X"]
    assert all("X" in found.left_over for found in search.proposals)
    assert "X may not be joined" in search.proposals[0].why


def test_a_unit_that_no_bank_may_hold_is_rejected_as_well() -> None:
    """A lead unit whose rest voltage leaves room for a dead cell may be tested but joined to nothing."""
    search = propose([*pile([90, 90]), good("L", 100, rest_v=11.5)], system_v=12)
    assert "11.50 V" in search.rejected["L"]
    assert all("L" not in ids(found.block) for found in search.proposals)


def test_a_fit_unit_without_a_place_is_explained() -> None:
    """A nickel unit alone in a lead pile, and a unit far too small for any string, are told why nothing holds them."""
    states = [*pile([100, 100]), good("N", 100, cells=5, chem="nicd"), good("S", 7, cells=3)]
    search = propose(states, system_v=24)
    assert "no string of Nickel-cadmium" in search.rejected["N"]
    assert search.rejected["S"].startswith("S: no string of 24 V may hold it, because of its 7 Ah")


def test_families_are_never_mixed() -> None:
    """A pile of lithium iron phosphate cells and lead units gives banks of either, never of both."""
    states = [*pile([90, 80, 70]), *(good(f"C{i}", 100, cells=1, chem="lfp") for i in range(4))]
    search = propose(states, system_v=12, best=50)
    assert search.families == ("lead", "lfp")
    kinds = [{"C" if name.startswith("C") else "U" for name in ids(found.block)} for found in search.proposals]
    assert {"C"} in kinds
    assert {"U"} in kinds
    assert {"C", "U"} not in kinds


def test_plate_types_never_share_a_string() -> None:
    """Gel and absorbed-glass-mat units meet side by side only; every string is of one type."""
    two = [*pile([90, 90]), good("G1", 90, chem="lead_gel"), good("G2", 90, chem="lead_gel")]
    assert propose(two, system_v=24).considered == len(["U + U", "G + G", "(U + U) // (G + G)"])
    states = [*pile([90, 80, 85]), *(good(f"G{i}", 90 + i, chem="lead_gel") for i in range(3))]
    for found in propose(states, system_v=24, best=200).proposals:
        for node in walk(found.block):
            if isinstance(node, Series):
                assert len({name[0] for name in ids(node)}) == 1, show(found.block)


def test_unlike_voltages_never_share_terminals() -> None:
    """Every parallel group of every proposal has branches of one cell count (Kirchhoff's voltage law)."""
    cells = {"U1": 6, "U2": 6, "U3": 3, "U4": 3, "U5": 3}
    states = [good(name, 90 + n, cells=n) for name, n in cells.items()]

    def count(node: Any) -> int:
        if isinstance(node, Single):
            return cells[node.id]
        parts = [count(member) for member in node.members]
        return sum(parts) if isinstance(node, Series) else parts[0]

    for found in propose(states, system_v=12, best=200).proposals:
        for node in walk(found.block):
            if isinstance(node, Parallel):
                assert len({count(member) for member in node.members}) == 1


def test_nothing_forbidden_is_proposed_and_the_best_safe_one_is_found() -> None:
    """With a maker's limit that forbids the largest bank, the largest that keeps the limit comes first."""
    states = pile([100, 90, 80, 70], max_in_parallel=2)
    found = best_of(states, 12)
    assert found.usable_ah.value == pytest.approx(190)
    assert found.judgement.verdict is not Verdict.FORBID
    assert best_of(pile([100, 90, 80, 70]), 12).usable_ah.value == pytest.approx(340)


def test_a_surge_beyond_the_peak_is_never_proposed() -> None:
    """A full and an empty lithium cell of low resistance are not put side by side; one alone is proposed."""
    full = good("F", 100, cells=1, chem="lfp", rest_v=3.60, resistance_mohm=0.2)
    empty = good("E", 95, cells=1, chem="lfp", rest_v=2.60, resistance_mohm=0.2)
    search = propose([full, empty], system_v=3.2, plan=Plan(protection=Protection(bms=True)))
    assert [show(found.block) for found in search.proposals] == ["F", "E"]


def test_an_assumed_unit_may_be_proposed_but_never_as_fine() -> None:
    """A unit that was never measured stays in play, and what holds it is at best only-if."""
    states = [*pile([100]), good("Q", 100, capacity_ah=None, resistance_mohm=None)]
    for found in propose(states, system_v=12, best=9).proposals:
        if "Q" in ids(found.block):
            assert found.verdict is Verdict.ONLY_IF


# --- laws ------------------------------------------------------------------------------------------------------------


@given(st.lists(st.integers(60, 110), min_size=4, max_size=6), st.randoms(use_true_random=False))
def test_the_order_of_the_pile_changes_nothing(sizes: list[int], random: Any) -> None:
    """A shuffled pile gives the same proposals, to the letter."""
    states = pile([float(ah) for ah in sizes])
    shuffled = random.sample(states, len(states))
    assert told(shuffled, 24) == told(states, 24)


def told(states: Sequence[State], volts: float) -> list[tuple[str, float, str]]:
    """Return what a reader sees of each proposal."""
    found = propose(states, system_v=volts).proposals
    return [(str(p.block), round(p.usable_wh.value, 6), p.why) for p in found]


@given(st.lists(st.integers(40, 120), min_size=2, max_size=5), st.integers(40, 120))
def test_one_more_unit_never_lowers_the_best(sizes: list[int], more: int) -> None:
    """What a pile could do, it still can when a fit unit is added."""
    before, after = pile([float(ah) for ah in sizes]), pile([float(ah) for ah in (*sizes, more)])
    assert best_wh(after, 24) >= best_wh(before, 24) - 1e-9


def best_wh(states: Sequence[State], volts: float) -> float:
    """Return the best energy, zero where there is none."""
    try:
        return best_of(states, volts).usable_wh.value
    except NoAnswerError:
        return 0.0


@given(st.lists(st.integers(60, 110), min_size=4, max_size=7))
def test_proposals_come_best_first_and_below_the_bound(sizes: list[int]) -> None:
    """Energies fall, none passes the bound, gaps follow from both, and used and left over make up the pile."""
    states = pile([float(ah) for ah in sizes])
    found = propose(states, system_v=24).proposals
    energies = [p.usable_wh.value for p in found]
    assert energies == sorted(energies, reverse=True)
    for p in found:
        assert p.usable_wh.value <= p.bound_wh * (1 + 1e-8)
        assert p.gap_frac == pytest.approx(1 - p.usable_wh.value / p.bound_wh, abs=1e-8)
        assert sorted((*ids(p.block), *p.left_over)) == sorted(s.unit.id for s in states)


def test_like_units_are_offered_once() -> None:
    """Four equal units in two pairs: which stands where makes no second proposal."""
    patterns = [show(found.block) for found in propose(pile([100] * 4), system_v=24).proposals]
    assert patterns[:2] == ["(U1 + U2) // (U3 + U4)", "U1 // U2 + U3 // U4"]
    assert len(patterns) == len({pattern.translate(str.maketrans("1234", "____")) for pattern in patterns})


def test_ties_go_to_fewer_links_then_like_with_like() -> None:
    """Of equal energy the bank with fewer links wins; of equal links the one with the like units in one string."""
    assert best_of(pile([100] * 4), 24).links == 4
    worn = [good(f"U{i}", 90, rated_ah=rated_ah) for i, rated_ah in enumerate([90, 112, 90, 112], 1)]
    assert show(best_of(worn, 24).block) == "(U1 + U3) // (U2 + U4)"


# --- duty ------------------------------------------------------------------------------------------------------------


def test_cold_and_load_lower_what_counts() -> None:
    """At 0 °C lead holds 85 % at a slow rate; at twice its rated current 2 ** 0.1 less (chemistry data, Peukert)."""
    states = pile([100, 100])
    warm, cold = best_of(states, 12), best_of(states, 12, plan=Plan(duty=Duty(ambient_c=0)))
    assert cold.usable_ah.value == pytest.approx(0.85 * warm.usable_ah.value)
    fast = best_of(states, 12, plan=Plan(duty=Duty(load_a=20)))
    assert fast.usable_ah.value == pytest.approx(200 / 2**0.1)
    slow = best_of(states, 12, plan=Plan(duty=Duty(load_a=0.1)))
    assert slow.usable_ah.value == pytest.approx(220)


def test_doubt_travels_into_the_proposal() -> None:
    """Doubt of capacity comes from the judge's own sum: of two equal branches, the square root of two as large."""
    one, two = best_of(pile([100]), 12), best_of(pile([100, 100]), 12)
    assert two.usable_ah.sd == pytest.approx(2**0.5 * one.usable_ah.sd)
    assert two.usable_wh.sd == pytest.approx(12 * two.usable_ah.sd)


# --- words, stopping, no answer --------------------------------------------------------------------------------------


def test_why_names_the_limit_and_the_unit_left_over() -> None:
    """A weak unit is left over with the amp-hours to which it would pull a string down."""
    found = best_of(pile([100, 100, 41]), 24)
    assert found.left_over == ("U3",)
    assert found.why.endswith("nothing is held back; U3 would pull a string down to 41 Ah.")
    assert best_of(pile([100, 95]), 24).why == "U2 with 95 Ah limits the string; no unit is left over."


def test_a_voltage_out_of_reach_is_explained() -> None:
    """Where the voltage cannot be made, the error names what is short and what could be made."""
    with pytest.raises(NoAnswerError, match=r"48 V .*24 cells .*18 in the pile.*could make 12 V or 24 V or 36 V"):
        propose(pile([100, 100, 100]), system_v=48)


def test_a_pile_of_rejects_is_explained() -> None:
    """Where no unit is fit, the error says why each is not."""
    with pytest.raises(NoAnswerError, match="Nothing may be joined: U1 is marked leaking"):
        propose(pile([100], flags=("leaking",)), system_v=12)


def test_an_empty_pile_is_explained() -> None:
    """No units at all are no answer, not a crash."""
    with pytest.raises(NoAnswerError, match="the pile is empty"):
        propose([], system_v=12)


def test_nothing_safe_is_explained() -> None:
    """Where the judge forbids everything, the error quotes the largest bank and the reason."""
    cells = [good(f"C{i}", 100, cells=1, chem="lfp", bms=False) for i in range(4)]
    with pytest.raises(NoAnswerError, match=r"none may be joined.*no cell-level protection"):
        propose(cells, system_v=12)


@pytest.mark.parametrize("volts", [0.0, -12.0, float("nan"), float("inf")])
def test_a_voltage_that_is_none_is_refused(volts: float) -> None:
    """A system voltage must be a number above zero."""
    with pytest.raises(InputError, match="system_v"):
        propose(pile([100]), system_v=volts)


def test_best_must_be_one_or_more() -> None:
    """Asking for no proposal is refused."""
    with pytest.raises(InputError, match="best"):
        propose(pile([100]), system_v=12, best=0)


def test_a_stopped_search_claims_nothing() -> None:
    """Stopped half-way, the search gives what it has and does not call it proven."""
    states = pile([100, 99, 98, 97, 96, 95])
    polls = itertools.count()
    search = propose(states, system_v=12, stop=lambda: next(polls) > 20)
    assert not search.proven_optimal
    assert search.proposals[0].usable_ah.value < best_of(states, 12).usable_ah.value
    assert search.proposals[0].bound_wh >= 585 * 12 - 1e-6


def test_a_search_stopped_at_once_says_so() -> None:
    """Without time for a single arrangement the error asks for more time."""
    with pytest.raises(NoAnswerError, match="stopped before one was judged"):
        propose(pile([100, 99]), system_v=24, stop=lambda: True)


def test_progress_rises_to_one() -> None:
    """Progress is told in rising fractions and ends at 1."""
    told_fractions: list[float] = []
    propose(pile([100, 99, 98, 97]), system_v=24, progress=told_fractions.append)
    assert told_fractions == sorted(told_fractions)
    assert told_fractions[-1] == 1.0
    assert len(told_fractions) > 5
