"""The drawing of an arrangement: that it shows the circuit, all of it, within its width."""

from __future__ import annotations

import doctest
import re
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_arrangement import tree

from hotchpot.bank import drawing
from hotchpot.bank.arrangement import Block, Parallel, Series, fold, ids, parallel, series, unit
from hotchpot.bank.drawing import MOST_UNITS_DRAWN, NARROWEST, cells, draw
from hotchpot.bank.notation import parse
from hotchpot.errors import InputError

WIDTHS = st.integers(NARROWEST, 120)
# Which of left, right, up, down each wire character joins; from the names of the characters in the Unicode Standard,
# chapter 24, block Box Drawing (U+2500 to U+257F), given here from memory.
JOINS = {"─": "lr", "│": "ud", "┬": "lrd", "├": "udr", "┤": "udl", "└": "ur", "┘": "ul"}


def widest(picture: str) -> int:
    """Return the width of a drawing's widest line."""
    return max(cells(line) for line in picture.splitlines())


def traced(picture: str) -> set[frozenset[tuple[str, str]]]:
    """Return the nodes of a lying drawing, each as the set of unit ends on it, found by following its wires."""
    rows = picture.splitlines()
    ends = {}
    for y, row in enumerate(rows):
        for box in re.finditer(r"\[([^\]]+)\]", row):
            ends[box.start() - 1, y] = (*ends.get((box.start() - 1, y), ()), (box[1], "+"))
            ends[box.end(), y] = (*ends.get((box.end(), y), ()), (box[1], "-"))
    wires = {(x, y) for y, row in enumerate(rows) for x, char in enumerate(row) if char in JOINS}
    nodes = set()
    while wires:
        waiting, found = [wires.pop()], set()
        while waiting:
            x, y = waiting.pop()
            found.update(ends.get((x, y), ()))
            steps = {"l": (x - 1, y), "r": (x + 1, y), "u": (x, y - 1), "d": (x, y + 1)}
            for way, back in ("lr", "rl", "ud", "du"):
                there = steps[way]
                if way in JOINS[rows[y][x]] and there in wires and back in JOINS[rows[there[1]][there[0]]]:
                    wires.remove(there)
                    waiting.append(there)
        nodes.add(frozenset(found))
    return nodes


def wired(block: Block) -> set[frozenset[tuple[str, str]]]:
    """Return the nodes of the circuit itself, each as the set of unit ends on it."""
    Ends = tuple[frozenset[tuple[str, str]], frozenset[tuple[str, str]]]  # noqa: N806
    inner: set[frozenset[tuple[str, str]]] = set()

    def group(node: Parallel | Series, parts: list[Ends]) -> Ends:
        if isinstance(node, Parallel):
            return frozenset().union(*(a for a, _ in parts)), frozenset().union(*(b for _, b in parts))
        inner.update(left[1] | right[0] for left, right in pairwise(parts))
        return parts[0][0], parts[-1][1]

    plus, minus = fold(block, lambda one: (frozenset({(one.id, "+")}), frozenset({(one.id, "-")})), group)
    return inner | {plus, minus}


def test_the_module_examples_hold() -> None:
    """The examples in the docstrings print what they say."""
    assert doctest.testmod(drawing).failed == 0
    assert doctest.testmod(drawing).attempted > 0


def test_series_lies_in_line_and_parallel_between_rails() -> None:
    """A small bank is drawn lying, from plus to minus."""
    picture = """\
(+)─┬─[A1]────────────────────┬─[F]─(−)
    ├─[B1]─[B2]─┬─[C1]──────┬─┤
    │           ├─[C2]──────┤ │
    │           └─[D1]─[D2]─┘ │
    └─[E]─────────────────────┘"""
    assert draw(parse("A1 // (B1 + B2 + C1 // C2 // (D1 + D2)) // E + F")) == picture


def test_one_unit_is_a_drawing() -> None:
    """A single unit is drawn between the poles."""
    assert draw(unit("A1")) == "(+)─[A1]─(−)"


def test_a_bank_too_wide_stands() -> None:
    """What does not fit lying is drawn downwards, with numbered branches between rails."""
    picture = """\
(+)
 │
━┷━ 2 in parallel
 ┊ 1 [north wall one]
 ┊ 2 [B1]
 ┊    │
 ┊   [B2]
━┯━
 │
[C]
 │
(−)"""
    assert draw(parse('"north wall one" // (B1 + B2) + C'), width=NARROWEST) == picture


@given(st.integers(1, 14), st.data())
def test_the_wires_drawn_are_the_circuit(count: int, cuts: st.DataObject) -> None:
    """Following the wires of a lying drawing from unit to unit gives the nodes of the circuit, no more and no fewer."""
    block = tree([f"u{number}" for number in range(count)], cuts, cuts.draw(st.booleans()))
    assert traced(draw(block, width=400)) == wired(block)


@given(st.integers(1, MOST_UNITS_DRAWN), WIDTHS, st.data())
def test_every_unit_is_drawn_once_within_the_width(count: int, width: int, cuts: st.DataObject) -> None:
    """Up to forty units, each id stands in exactly one box, and no line is wider than asked, however it is nested."""
    block = tree([f"u{number}" for number in range(count)], cuts, cuts.draw(st.booleans()))
    picture = draw(block, width=width)
    assert widest(picture) <= width
    assert sorted(re.findall(r"\[(u\d+)\]", picture)) == sorted(ids(block))


@given(st.integers(1, 90), WIDTHS, st.text(max_size=60), st.data())
def test_no_label_breaks_the_width(count: int, width: int, text: str, cuts: st.DataObject) -> None:
    """Whatever the labels are, wide, long, empty or with line breaks, no line is wider than asked."""
    block = tree([f"u{number}" for number in range(count)], cuts)
    assert widest(draw(block, lambda name: f"{text}{name}" if name != "u0" else text, width=width)) <= width


def test_the_deepest_tree_fits() -> None:
    """A tree far deeper than the width has room for is drawn in parts, and each unit is there."""
    block: Block = unit("u0")
    for number in range(1, 20):
        block = unit(f"p{number}") // (block + unit(f"s{number}"))
    picture = draw(block, width=30)
    assert widest(picture) <= 30
    assert sorted(re.findall(r"\[([pus]\d+)\]", picture)) == sorted(ids(block))
    named, drawn = re.findall(r"\[part (\d+)\]", picture), re.findall(r"^part (\d+):", picture, re.MULTILINE)
    assert drawn
    assert sorted(named) == sorted(drawn)


def test_labels_go_into_the_boxes() -> None:
    """The box holds what `label` says, on one line, and something even where it says nothing."""
    assert draw(parse("A + B"), lambda name: f"{name}\n96 Ah" if name == "A" else "") == "(+)─[A 96 Ah]─[?]─(−)"


def test_long_labels_go_on_below() -> None:
    """A label wider than the drawing is broken, at spaces where it can, and nothing of it is lost."""
    label = "a very long label with many words and oneverylongwordthatfitsnowhereatall"
    picture = draw(unit("A"), lambda _: label, width=NARROWEST)
    boxed = picture.split("│")[1]
    assert re.sub(r"[\s\[\]]", "", boxed) == label.replace(" ", "")
    assert "[a very" in picture


def test_wide_characters_take_two_columns() -> None:
    """Rails stay straight beside characters that a terminal draws two columns wide."""
    picture = """\
(+)─┬─[電池]─┬─(−)
    └─[A]────┘"""
    assert draw(parse("電池 // A")) == picture
    assert cells("電池") == 4
    assert cells("e\u0301") == 1


def test_large_packs_are_counted() -> None:
    """Above forty units, runs of like structure are drawn once, with how many there are and from which to which."""
    picture = draw(parse("14 * //(c0001..c1120)"))
    assert picture == "(+)─[c0001..c0080 × 80, in parallel]─[× 13 more built alike, in series: c0081..c1120]─(−)"


def test_unlike_structure_is_never_hidden() -> None:
    """A group that is built otherwise stands in the drawing by itself, in its place among the many that are alike."""
    groups = [parallel(unit(f"a{number}"), unit(f"b{number}")) for number in range(30)]
    groups[10] = unit("odd")
    groups[20] = parallel(unit("x"), series(unit("y"), unit("z")))
    picture = draw(series(*groups), width=60)
    order = [picture.index(text) for text in ("[a0]", "× 9 more", "[odd]", "[a11]", "× 8 more", "[x]", "[y]", "[a21]")]
    assert order == sorted(order)
    assert "× 8 more built alike, in series: a22 … b29" in " ".join(picture.split())


def test_short_runs_are_drawn_in_full() -> None:
    """In a large bank too, three units or two groups in a row are drawn one by one."""
    picture = draw(parse("//(c01..c50) + x + y + z + a1 // a2 + b1 // b2"))
    assert re.findall(r"\[([abxyz]\d?)\]", picture) == ["x", "y", "z", "a1", "b1", "a2", "b2"]


def test_gaps_in_a_run_are_marked() -> None:
    """Two dots are written only where the ids count up without a gap; otherwise an ellipsis says others are between."""
    names = [f"c{number}" for number in range(50) if number != 7]
    assert draw(parallel(*map(unit, names))) == "(+)─[c0 … c49 × 49, in parallel]─(−)"


def test_too_narrow_is_refused() -> None:
    """A width with no room for a box is refused with the least that will do."""
    with pytest.raises(InputError, match=f"width: 10 columns are too few for a drawing, give at least {NARROWEST}"):
        draw(unit("A"), width=10)
