"""The arrangement tree: joins, flattening, walking, and the one form that equal circuits share."""

from __future__ import annotations

import doctest
from itertools import pairwise, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.bank import arrangement
from hotchpot.bank.arrangement import (
    Block,
    Parallel,
    Series,
    Single,
    canonical,
    counted,
    depth,
    fold,
    ids,
    natural,
    parallel,
    ranges,
    same,
    series,
    strings,
    unit,
    walk,
)
from hotchpot.errors import InputError

A, B, C, D = (unit(name) for name in "ABCD")


def tree(names: list[str], cuts: st.DataObject, parallel_here: bool = True) -> Block:
    """Return a random flattened tree over these ids, in their order."""
    if len(names) == 1:
        return unit(names[0])
    places = cuts.draw(st.sets(st.integers(1, len(names) - 1), min_size=1))
    edges = [0, *sorted(places), len(names)]
    members = [tree(names[a:b], cuts, not parallel_here) for a, b in pairwise(edges)]
    return parallel(*members) if parallel_here else series(*members)


def shuffled(block: Block, cuts: st.DataObject) -> Block:
    """Return the same circuit with every parallel group's members in a random order."""

    def group(node: Parallel | Series, parts: list[Block]) -> Block:
        return series(*parts) if isinstance(node, Series) else parallel(*cuts.draw(st.permutations(parts)))

    return fold(block, lambda single: single, group)


def test_the_module_examples_hold() -> None:
    """The examples in the docstrings print what they say."""
    assert doctest.testmod(arrangement).failed == 0
    assert doctest.testmod(arrangement).attempted > 0


def test_operators_join() -> None:
    """`//` makes a parallel group and `+` a series string, and `//` binds tighter, as Python's grammar has it."""
    assert Parallel((A, B)) == A // B
    assert Series((A, B)) == A + B
    assert Series((Parallel((A, B)), Parallel((C, D)))) == A // B + C // D


def test_like_joins_flatten() -> None:
    """However like joins are nested, one group of all members comes out."""
    assert (A // B) // (C // D) == A // (B // (C // D)) == Parallel((A, B, C, D))
    assert (A + B) + (C + D) == series(A, series(B, C), D) == Series((A, B, C, D))


@pytest.mark.parametrize("join", [parallel, series])
def test_one_block_alone_comes_back(join: type) -> None:
    """A join of one block is that block."""
    assert join(A // B + C) == A // B + C


@pytest.mark.parametrize(("join", "name"), [(parallel, "parallel group"), (series, "series string")])
def test_a_join_of_nothing_is_refused(join: type, name: str) -> None:
    """There is no empty group."""
    with pytest.raises(InputError, match=f"{name}: it has 0 members, join at least two blocks"):
        join()


def test_a_group_of_one_is_refused() -> None:
    """A group built by hand needs two members like any other."""
    with pytest.raises(InputError, match="parallel group: it has 1 members"):
        Parallel((A,))


def test_ids_must_be_there_and_printable() -> None:
    """A unit without an id, or with a control character in it, is refused; any other character will do."""
    with pytest.raises(InputError, match="unit id: it is empty"):
        unit("")
    with pytest.raises(InputError, match=r"holds the control character U\+000A"):
        unit("A\n1")
    assert unit('ü "№ 7" (*)').id == 'ü "№ 7" (*)'


def test_only_blocks_can_be_joined() -> None:
    """A text or number is not quietly taken for a unit."""
    with pytest.raises(TypeError):
        A // "B"  # type: ignore[operator]
    with pytest.raises(TypeError):
        A + 1  # type: ignore[operator]


def test_trees_are_values() -> None:
    """Equal trees are equal and can be keys; none can be changed."""
    assert {A // B: 1}[unit("A") // unit("B")] == 1
    with pytest.raises(AttributeError):
        A.id = "Z"  # type: ignore[misc]


def test_walk_and_ids_go_in_order_of_appearance() -> None:
    """A group comes before its members, and units come from left to right."""
    block = A // (B + C) + D
    assert ids(block) == ("A", "B", "C", "D")
    assert [type(node) for node in walk(block)] == [Series, Parallel, Single, Series, Single, Single, Single]


@pytest.mark.parametrize(("block", "levels"), [(A, 1), (A // B, 2), (A // B + C, 3), (A // (B // C + D), 4)])
def test_depth_counts_levels(block: Block, levels: int) -> None:
    """A unit is one level, each group around it one more."""
    assert depth(block) == levels


def test_strings_are_the_branches_from_pole_to_pole() -> None:
    """A bank that is parallel at its poles has as many strings as branches; any other is one string."""
    assert strings(A + B) == (A + B,)
    assert strings((A + B) // (C + D)) == (A + B, C + D)
    assert strings(A) == (A,)


def test_deep_and_wide_trees_are_walked_without_recursion() -> None:
    """A tree far deeper than Python's recursion limit, and a very wide one, are walked, measured and printed."""
    deep: Block = unit("u0")
    for step in range(1, 3000):
        deep = deep + unit(f"u{step}") if step % 2 else deep // unit(f"u{step}")
    assert len(ids(deep)) == depth(deep) == 3000
    assert str(deep).count("(") > 1000
    wide = parallel(*(unit(f"u{number}") for number in range(20_000)))
    assert len(ids(wide)) == 20_000
    assert depth(wide) == 2


def test_natural_order_counts() -> None:
    """Numbers in names are compared as numbers, whatever their length; zero padding only breaks ties."""
    names = ["A10", "B1", "A2", "A02", "A1", "A" + "9" * 5000, "A"]
    assert sorted(names, key=natural) == ["A", "A1", "A02", "A2", "A10", "A" + "9" * 5000, "B1"]


def test_canonical_sorts_parallel_and_keeps_series() -> None:
    """Parallel members are put in natural order, series members stay, since taps and drawings need their order."""
    assert str(canonical(unit("A10") // unit("A2") // (C + B))) == "A2 // A10 // (C + B)"
    assert canonical(B + A) == B + A
    assert not same(A + B, B + A)


def test_canonical_opens_nests_built_by_hand() -> None:
    """Groups in like groups, which only a hand-built tree can hold, are flattened."""
    assert canonical(Parallel((Parallel((B, C)), A))) == Parallel((A, B, C))
    assert canonical(Series((A, Series((B, C))))) == Series((A, B, C))


def test_all_orders_of_a_group_are_the_same() -> None:
    """Every permutation of a parallel group has the same canonical form."""
    forms = {canonical(parallel(*order)) for order in permutations([A + D, B, C])}
    assert len(forms) == 1


@given(st.integers(1, 24), st.data())
def test_canonical_is_idempotent_and_blind_to_order(count: int, cuts: st.DataObject) -> None:
    """The canonical form of a canonical form is itself, and no shuffling of parallel members changes it."""
    names = cuts.draw(st.permutations([f"u{number}" for number in range(count)]))
    block = tree(names, cuts, cuts.draw(st.booleans()))
    assert canonical(canonical(block)) == canonical(block)
    assert canonical(shuffled(block, cuts)) == canonical(block)
    assert same(block, shuffled(block, cuts))
    assert sorted(ids(canonical(block))) == sorted(names)


@pytest.mark.parametrize(
    ("name", "parts"),
    [("c007", ("c", 7, 3)), ("7", ("", 7, 1)), ("A1-12", ("A1-", 12, 2)), ("c", None), ("c" + "1" * 19, None)],
)
def test_counted_splits_off_the_last_number(name: str, parts: tuple[str, int, int] | None) -> None:
    """An id that ends in a number of at most 18 digits is its prefix, number and width; others cannot be counted."""
    assert counted(name) == parts


@pytest.mark.parametrize(
    ("names", "spans"),
    [
        (["c1", "c2", "c3"], ["c1", "c2", "c3"]),
        (["c1", "c2", "c3", "c4"], ["c1..c4"]),
        (["c8", "c9", "c10", "c11"], ["c8..c11"]),
        (["c08", "c09", "c10", "c11", "d"], ["c08..c11", "d"]),
        (["c08", "c9", "c10", "c11"], ["c08", "c9", "c10", "c11"]),
        (["c4", "c3", "c2", "c1"], ["c4", "c3", "c2", "c1"]),
        (["x", "u 1", "u 2", "u 3", "u 4"], ["x", '"u 1".."u 4"']),
    ],
)
def test_ranges_hold_four_or_more_that_count_up(names: list[str], spans: list[str]) -> None:
    """Ids become a range only from four on, with one prefix, one padding and no gap."""
    assert ranges(names) == spans
