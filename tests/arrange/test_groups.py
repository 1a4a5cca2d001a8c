"""Sharing out into groups of equal sum: published partitions, and laws."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.arrange.groups import longest_first, pruned, shared_out


def sums(groups: list[list[int]], sizes: list[float]) -> list[float]:
    """Return the sum of each group, smallest first."""
    return sorted(sum(sizes[i] for i in group) for group in groups)


def shared(sizes: list[float], groups: int, seed: int = 1) -> list[float]:
    """Return the sums of a shared-out list."""
    return sums(shared_out(sizes, groups, Random(seed), lambda: False), sizes)


# Largest smallest sum. N01: Karmarkar & Karp 1982 and Korf 1998. N03 to N07: tests and examples of one published
# number-partitioning package. N08: Walter 2013. N09, N10, N12: tests of a second package.
PUBLISHED = [
    ("N01", [8, 7, 6, 5, 4], 2, 15),
    ("N02", [8, 7, 6, 5, 3], 2, 14),
    ("N03", [4, 5, 6, 7, 8], 3, 8),
    ("N04", [5, 5, 5, 4, 4, 3, 3, 1], 3, 10),
    ("N05", list(range(10, 30)), 3, 130),
    ("N07", list(range(10, 50)), 7, 168),
    ("N08", [46, 39, 27, 26, 16, 13, 10], 3, 56),
    ("N09", [18, 12, 22, 22], 2, 34),
    ("N10", [1, 2, 3, 3, 5, 9, 9], 3, 10),
    ("N12", list(range(1, 10)), 5, 9),
]


@pytest.mark.parametrize(("name", "sizes", "groups", "smallest"), PUBLISHED)
def test_published_partitions_are_reached(name: str, sizes: list[float], groups: int, smallest: float) -> None:
    """The smallest sum is the published optimum; larger cases may miss it, these must not."""
    assert shared(sizes, groups)[0] == smallest, name


def test_largest_first_alone_is_the_textbook_one() -> None:
    """Longest processing time first on 8, 7, 6, 5, 4 in two gives 17 and 13, short of the optimum 15 (by hand)."""
    assert sums(longest_first([8, 7, 6, 5, 4], 2), [8, 7, 6, 5, 4]) == [13, 17]


@given(st.lists(st.floats(1, 100), min_size=2, max_size=30), st.integers(1, 6))
def test_sharing_out_keeps_every_size_and_never_passes_the_mean(sizes: list[float], groups: int) -> None:
    """Every index stands in one group, the smallest sum is at most the mean, and at least what largest-first gives."""
    made = shared_out(sizes, groups, Random(1), lambda: False)
    assert sorted(i for group in made for i in group) == list(range(len(sizes)))
    smallest = sums(made, sizes)[0]
    assert smallest <= sum(sizes) / groups * (1 + 1e-9)
    assert smallest >= sums(longest_first(sizes, groups), sizes)[0] * (1 - 1e-9)


def test_a_seed_gives_one_answer() -> None:
    """The same seed shares out the same way."""
    sizes = [float(3 + 7 * i % 41) for i in range(25)]
    first = shared_out(sizes, 4, Random(7), lambda: False)
    assert shared_out(sizes, 4, Random(7), lambda: False) == first


def test_units_that_lift_nothing_are_left_out() -> None:
    """Pruning takes out what is over the smallest sum, and no more."""
    sizes = [100.0, 90.0, 20.0, 5.0]
    made = pruned([[0, 2], [1, 3]], sizes)
    assert made == [[0], [1, 3]]
