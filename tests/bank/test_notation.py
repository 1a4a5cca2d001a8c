"""The arrangement notation: what it means, that it survives printing, and what each mistake is answered with."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_arrangement import tree

from hotchpot.bank import notation, signs
from hotchpot.bank.arrangement import Block, Parallel, Series, depth, ids, parallel, series, unit
from hotchpot.bank.notation import MAX_DEPTH, MAX_RANGE, MAX_TEXT, MAX_UNITS, parse, show
from hotchpot.errors import InputError

ODD_IDS = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), min_size=1, max_size=8)
COUNTED_IDS = st.builds(
    "{}{:0{}d}".format, st.sampled_from(["", "c", "c ", "c.", "é-"]), st.integers(1, 14), st.just(2)
)
IDS = st.lists(ODD_IDS | COUNTED_IDS, min_size=1, max_size=20, unique=True)


def units(*names: str) -> list[Block]:
    """Return one block for each id."""
    return [unit(name) for name in names]


A, B, C, D = units(*"ABCD")


# --- what it means ---------------------------------------------------------------------------------------------------


def test_the_examples_in_code_and_docs_hold(root: Path) -> None:
    """Every example in docs/notation.md and in the modules runs and answers as printed."""
    for module in (notation, signs):
        assert doctest.testmod(module).failed == 0
    page = doctest.testfile(str(root / "docs" / "notation.md"), module_relative=False)
    assert page.failed == 0
    assert page.attempted > 15


def test_parallel_binds_tighter_than_series() -> None:
    """Without brackets, parallel groups are made first and then put in series."""
    assert parse("A // B + C // D") == Series((Parallel((A, B)), Parallel((C, D))))
    assert parse("A // (B + C) // D") == Parallel((A, Series((B, C)), D))


def test_nesting_of_like_signs_means_nothing() -> None:
    """Brackets around like joins change nothing, on whichever side they stand."""
    assert parse("(A // B) // C") == parse("A // (B // C)") == parse("((A)) // B//C") == Parallel((A, B, C))
    assert parse("(A + B) + C") == parse("A + (B + C)") == parse("A+B+C") == Series((A, B, C))


@given(st.integers(1, 8), st.data())
def test_text_means_what_python_makes_of_it(count: int, draws: st.DataObject) -> None:
    """An expression means what Python's own grammar, with `//` before `+`, makes of the overloaded operators."""
    # Source: The Python Language Reference, section 6.17, operator precedence.
    names = [f"u{number}" for number in range(count)]
    pieces = list(names)
    while len(pieces) > 1:
        at = draws.draw(st.integers(0, len(pieces) - 2))
        sign, opened = draws.draw(st.sampled_from([" // ", " + ", "//", "+"])), draws.draw(st.booleans())
        joined = pieces[at] + sign + pieces[at + 1]
        pieces[at : at + 2] = [f"({joined})" if opened else joined]
    text = pieces[0]
    assert parse(text) == eval(text, {name: unit(name) for name in names})


@pytest.mark.parametrize("name", ["A1", "7", "A-1", "a.b", "_x", "Ünit", "電池3", "e\u0301t", "बैटरी", "B-"])
def test_plain_ids_need_no_quotes(name: str) -> None:
    """Letters and digits of any script, underscore, hyphen and a dot inside an id stand as they are."""
    assert parse(name) == unit(name)
    assert str(unit(name)) == name


@pytest.mark.parametrize("name", ["UPS 7", "a//b", "a+b", "-1", "-", ".5", "5.", "c1..c4", "(x)", 'say "A"', "*", "é!"])
def test_other_ids_are_quoted(name: str) -> None:
    """Any other id stands in double quotes, with its own quotes doubled."""
    text = '"' + name.replace('"', '""') + '"'
    assert parse(f"{text}//B") == Parallel((unit(name), B))
    assert str(unit(name)) == text


def test_quotes_that_are_not_needed_change_nothing() -> None:
    """A quoted plain id is the same id."""
    assert parse('"A" // B') == parse("A // B")


def test_ranges_stand_for_their_ids() -> None:
    """A range gives every id from end to end with its padding, in parallel or in series as the group's sign says."""
    assert parse("//(c01..c03)") == parallel(*units("c01", "c02", "c03"))
    assert parse("+(c8..c11)") == series(*units("c8", "c9", "c10", "c11"))
    assert parse('+(x, c1..c2, "u 1".."u 2")') == series(*units("x", "c1", "c2", "u 1", "u 2"))
    assert parse("//(A)") == A
    assert parse("A + +(B, C) + //(D, E)") == series(A, B, C, parallel(D, unit("E")))


def test_a_count_cuts_a_range_into_like_groups() -> None:
    """`k * //(...)` is k parallel groups in series, `k * +(...)` is k strings in parallel, cut off in order."""
    assert parse("2 * //(c1..c4)") == parse("c1 // c2 + c3 // c4")
    assert parse("2 * +(c1..c4)") == parse("(c1 + c2) // (c3 + c4)")
    assert parse("A // 2 * //(c1..c4)") == parse("A // (c1 // c2 + c3 // c4)")
    assert parse("1 * +(c1..c4)") == parse("+(c1..c4)")
    assert parse("14 // 3") == parallel(*units("14", "3"))


# --- printing --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("((A1))//(A2)", "A1 // A2"),
        ("(A // B) + (C)", "A // B + C"),
        ("A//(B+C)", "A // (B + C)"),
        ("c1+c2+c3", "c1 + c2 + c3"),
        ("c1//c2//c3//c4//x", "//(c1..c4, x)"),
        ("A // (c1+c2+c3+c4)", "A // +(c1..c4)"),
        ("A // (c1+c2+c3+c4+B//C)", "A // (+(c1..c4) + B // C)"),
        ("c1//c2 + c3//c4", "c1 // c2 + c3 // c4"),
        ("c1//c2//c3//c4 + c5//c6//c7//c8", "2 * //(c1..c8)"),
        ("(c1+c2+c3+c4) // (c5+c6+c7+c8)", "2 * +(c1..c8)"),
        ("c1//c2//c3 + c4//c5 + c6//c7//c8//c9", "c1 // c2 // c3 + c4 // c5 + //(c6..c9)"),
        ("B + c1//c2//c3//c4 + c5//c6//c7//c8", "B + //(c1..c4) + //(c5..c8)"),
        ("c1//c2//c3//c4 + c5//c6//c7//c9", "//(c1..c4) + c5 // c6 // c7 // c9"),
    ],
)
def test_the_shortest_form_is_printed(text: str, printed: str) -> None:
    """No needless brackets, and ranges where four or more units count up; what is printed reads back the same."""
    assert str(parse(text)) == printed
    assert parse(printed) == parse(text)


def test_units_can_be_printed_one_by_one() -> None:
    """With `short` off, no id is hidden in a range."""
    assert show(parse("2 * //(c1..c8)"), short=False) == "c1 // c2 // c3 // c4 + c5 // c6 // c7 // c8"


@given(IDS, st.data())
def test_printing_and_parsing_are_inverse(names: list[str], cuts: st.DataObject) -> None:
    """Any flattened tree over any ids reads back from its printed form, short or long, and prints the same again."""
    block = tree(names, cuts, cuts.draw(st.booleans()))
    assert parse(str(block), known=names) == block
    assert parse(show(block, short=False)) == block
    assert str(parse(str(block))) == str(block)


@given(st.integers(2, 40), st.integers(2, 5), st.booleans())
def test_like_groups_over_one_range_print_back(groups: int, size: int, parallel_inside: bool) -> None:
    """Packs of like groups over counted ids, where the printer counts groups, read back unchanged."""
    inner, outer = (parallel, series) if parallel_inside else (series, parallel)
    cells = units(*(f"c{number:03d}" for number in range(groups * size)))
    pack = outer(*(inner(*cells[at : at + size]) for at in range(0, len(cells), size)))
    assert parse(str(pack)) == pack
    assert (" * " in str(pack)) == (groups * size >= 8)


# --- mistakes --------------------------------------------------------------------------------------------------------

MISTAKES = [
    ("", 1, "the expression is empty, name a unit"),
    (" \n\t", 1, "the expression is empty"),
    # brackets
    ("A // (B", 6, "this ( is never closed, put ) after"),
    ("((A // B)", 1, "this ( is never closed"),
    ("A // B)", 7, "this ) closes a bracket that was never opened, take it out"),
    (")", 1, "nothing stands before ')'"),
    ("A + ()", 5, "these brackets hold nothing"),
    # operands
    ("// A", 1, "nothing stands before '//', begin with a unit"),
    ("A // // B", 3, "a unit is missing between '//' and '//', name a unit after '//'"),
    ("A + // B", 3, "a unit is missing between '+' and '//'"),
    ("A +", 3, "a unit is missing between '+' and the end"),
    ("(A +) // B", 4, "a unit is missing between '+' and ')'"),
    ("(// A)", 1, "a unit is missing between '(' and '//'"),
    # signs
    ("A / B", 3, "'/' is no sign of the notation here, write // for units in parallel"),
    ("A /// B", 3, "'///' is no sign of the notation here, write // for units in parallel"),
    ("A | B", 3, "'|' is no sign of the notation here, write // for units in parallel"),
    ("A||B", 2, "'||' is no sign of the notation here, write // for units in parallel"),
    ("A ∥ B", 3, "write // for units in parallel"),
    ("A, B", 2, "',' is no sign of the notation here, write // or + between units"),
    ("A - B", 3, "'-' is no sign of the notation here, write + for units in series"),
    ("A – B", 3, "write + for units in series"),
    ("A * B", 3, "'*' is no sign of the notation here, write the count first and a group after it"),
    ("* A", 1, "write the count first"),
    ("[A]", 1, "'[' is no sign of the notation here, write round brackets"),
    ("'A'", 1, "write plain double quotes around an id"),
    ("A // “B”", 6, "write plain double quotes"),
    ("A = B", 3, "'=' is no sign of the notation here, leave it out, or quote the id it belongs to"),
    ("A\0", 2, "U+0000 is no sign of the notation here"),
    ("\ufeffA", 1, "U+FEFF is no sign"),
    ("A . B", 3, "'.' is no sign"),
    (
        "UPS 7",
        5,
        "no sign stands before '7', put // (parallel) or + (series) between them; an id with a space in it is ",
    ),
    ("A (B)", 3, "no sign stands before '(', put //"),
    # quotes
    ('A // "B', 6, 'a quote is opened and never closed, put " after'),
    ('"A""', 1, "a quote is opened and never closed"),
    ('""', 1, "the quotes hold no id"),
    # groups and ranges
    ("A // c1..c4", 8, "'..' is no sign of the notation here, write //(c1..c8)"),
    ("//(c1...c4)", 6, "'...' is no sign of the notation here, write //(c1..c8)"),
    ("//(c1..c4", 3, "this ( is never closed"),
    ("//()", 4, "a group //( ... ) needs an id here; found ')'"),
    ("+(A,)", 5, "a group +( ... ) needs an id here; found ')'"),
    ("+(A B)", 5, "takes ids and ranges with commas between; found 'B', put a comma"),
    ("+(A // B)", 5, "takes ids and ranges with commas between; found '//'"),
    ("//(A | B)", 6, "'|' is no sign"),
    ("//(c1..)", 6, "this range has no end"),
    ("//(c4..c1)", 8, "the range does not rise: 4 to 1, put the lower number first"),
    ("//(c4..c4)", 8, "the range does not rise"),
    ("//(c1..d4)", 8, "the range's ends begin unlike: 'c' and 'd', end it with an id such as c2"),
    ("//(c1..c012)", 8, "padded with zeros unlike: 'c1' and 'c012', end it with c12"),
    ("//(c001..c12)", 10, "padded with zeros unlike: 'c001' and 'c12', end it with c012"),
    ("//(ca..c4)", 4, "'ca' cannot bound a range, a range counts in the number at the end"),
    ("//(c4..ca)", 8, "'ca' cannot bound a range"),
    (f"//(c1..c{MAX_RANGE + 1})", 4, f"the range holds {MAX_RANGE + 1} ids, {MAX_RANGE} are the most"),
    (f"//(c1..c{'9' * 5000})", 8, "cannot bound a range"),
    # counts
    ("3 * A", 3, "'3' * can only stand before a group; found 'A', every unit has its own id"),
    ("3 * (A // B)", 3, "'3' * can only stand before a group; found '('"),
    ("5 * //(c1..c12)", 1, "12 units cannot be cut into '5' like groups of two or more, give a count that divides"),
    ("4 * +(c1..c4)", 1, "4 units cannot be cut into '4' like groups of two or more"),
    ("0 * +(c1..c4)", 1, "4 units cannot be cut into '0' like groups"),
    (f"{'9' * 5000} * +(c1..c4)", 1, "4 units cannot be cut into"),
    # twice
    ("A // B + A", 10, "unit 'A' is used twice, first at column 1, a unit can stand in one place only"),
    ("//(c1..c4) + c3", 14, "unit 'c3' is used twice, first at column 4"),
    # limits
    ("(" * 5000 + "A" + ")" * 5000, MAX_DEPTH + 1, f"brackets are nested deeper than {MAX_DEPTH}"),
    ("+" * 100_000, 1, "nothing stands before '+'"),
    ("A" + "//A" * MAX_UNITS, 3 * MAX_UNITS + 1, f"more than {MAX_UNITS} units in one bank"),
    (f"//(c1..c{MAX_RANGE})", 4, f"more than {MAX_UNITS} units in one bank"),
    ("A" * (MAX_TEXT + 1), MAX_TEXT + 1, f"it has {MAX_TEXT + 1} characters"),
]


@pytest.mark.parametrize(("text", "column", "says"), MISTAKES, ids=[repr(text[:16]) for text, _, _ in MISTAKES])
def test_each_mistake_is_answered_where_it_stands(text: str, column: int, says: str) -> None:
    """A mistake gives one fault that names its column, what was found and what would be right, in a short message."""
    with pytest.raises(InputError, match=rf"^expression, column {column}: .*?{re.escape(says)}") as caught:
        parse(text)
    assert len(caught.value.faults) == 1
    assert caught.value.faults[0].mend
    assert len(str(caught.value)) < 300


def test_all_unknown_units_are_named_at_once() -> None:
    """Each unknown unit is a fault of its own with the nearest known id, told in order, along with units used twice."""
    with pytest.raises(InputError, match="column 1: no unit has the id 'a1', did you mean 'A1'") as caught:
        parse("a1 // B7 + C // C + zzz", known=["A1", "B17", "C"])
    says = [str(fault) for fault in caught.value.faults]
    assert len(says) == 4
    assert "column 7: no unit has the id 'B7', did you mean 'B17'?" in says[1]
    assert "column 17: unit 'C' is used twice, first at column 12" in says[2]
    assert "column 21: no unit has the id 'zzz', known are: A1, B17, C" in says[3]


def test_known_may_be_empty_or_huge() -> None:
    """An empty pile is named as such; with very many unknown units, the message stays short."""
    with pytest.raises(InputError, match="the pile is empty"):
        parse("A", known=[])
    with pytest.raises(InputError, match="and 4980 more faults"):
        parse("//(c0001..c5000)", known={f"d{number}" for number in range(5000)})


def test_control_characters_cannot_hide_in_quotes() -> None:
    """An id with a line break in it is refused with its place."""
    with pytest.raises(InputError, match=r"line 1 column 6: 'a\\nb' holds the control character U\+000A"):
        parse('B // "a\nb"')


def test_lines_are_counted_where_there_are_several() -> None:
    """In a text of several lines the fault names line and column; blank ends do not make several lines."""
    with pytest.raises(InputError, match=r"^expression, line 3 column 4: '\|' is no sign"):
        parse("A //\nB\n + | C")
    with pytest.raises(InputError, match=r"^expression, column 3: '\|' is no sign"):
        parse("\nA | B\n")


def test_brackets_may_be_nested_to_the_limit() -> None:
    """Exactly the greatest depth is read, and a tree that deep prints and reads back."""
    assert parse("(" * MAX_DEPTH + "A" + ")" * MAX_DEPTH) == A
    text = "u0"
    for number in range(1, MAX_DEPTH + 1):
        text = f"a{number} // (b{number} + {text})"
    assert depth(parse(text)) == 2 * MAX_DEPTH + 1
    assert parse(str(parse(text))) == parse(text)


def test_the_largest_bank_is_read() -> None:
    """Exactly as many units as are allowed are read, from a range and one by one."""
    assert len(ids(parse(f"//(c1..c{MAX_UNITS})"))) == MAX_UNITS
    assert len(ids(parse(" + ".join(f"x{number}y" for number in range(MAX_UNITS))))) == MAX_UNITS


@given(st.text(alphabet='AB1 .,+/*()"-\n|é', max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    """No text brings anything but a block that prints back or an InputError of one line a fault."""
    wheres: list[str] = []
    try:
        block = parse(text)
    except InputError as error:
        wheres = [fault.where for fault in error.faults]
    else:
        assert parse(str(block)) == block
    assert [where for where in wheres if not re.fullmatch(r"expression, (line \d+ )?column \d+", where)] == []


@given(IDS, st.data())
def test_a_stray_sign_is_found_where_it_was_put(names: list[str], draws: st.DataObject) -> None:
    """A stray sign put between any two pieces of a sound expression is named at its own column."""
    text = show(tree(names, draws), short=False)
    gaps = [match.start() for match in re.finditer(r" (//|\+) ", text)] or [len(text)]
    at = draws.draw(st.sampled_from(gaps))
    if text.count('"', 0, at) % 2 == 0:
        with pytest.raises(InputError, match=rf"^expression, column {at + 2}: '=' is no sign"):
            parse(f"{text[:at]} = {text[at:]}")
