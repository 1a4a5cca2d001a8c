"""Writing pile files: what is written reads back as the same units."""

from __future__ import annotations

import csv
import io
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from hotchpot.chemistry import KEYS
from hotchpot.pile import FLAGS, Unit
from hotchpot.pile.columns import BY_NAME, COLUMNS, Kind
from hotchpot.pile.csvfile import parse_pile
from hotchpot.pile.csvout import write_pile

PLAIN = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100.0, rated_hours=20.0)
printable = st.text(min_size=1, max_size=12).map(str.strip).filter(lambda text: bool(text) and text.isprintable())
notes = st.text(st.characters(exclude_categories=["Cc", "Cs"]) | st.sampled_from('\n\r\t;,"'), max_size=30).map(
    str.strip
)


def within(name: str, *, most: float | None = None) -> st.SearchStrategy[float]:
    """Return floats of a column's range, as far as `most`."""
    column = BY_NAME[name]
    return st.floats(column.low, column.high if most is None else min(most, column.high))


@st.composite
def units(draw: st.DrawFn) -> Unit:
    """Return a unit with any values that a pile file may hold."""
    rated_ah = draw(within("rated_ah"))
    known: dict[str, Any] = {"cells": draw(st.integers(1, 1000)), "rated_ah": rated_ah}
    for column in COLUMNS:
        optional = column.kind is Kind.NUMBER and column.name not in (
            "rated_ah",
            "rest_v",
            "capacity_ah",
            "rated_hours",
        )
        if optional and column.name in Unit.__dataclass_fields__:
            known[column.name] = draw(st.none() | within(column.name))
    return Unit(
        id=draw(printable),
        chemistry=draw(st.sampled_from(KEYS)),
        rated_hours=draw(within("rated_hours")),
        capacity_ah=draw(st.none() | within("capacity_ah", most=1.4 * rated_ah)),
        rest_v=draw(st.none() | st.floats(-1.5, 1.5).map(lambda cell_v: cell_v * known["cells"])),
        gravity=tuple(draw(st.lists(st.floats(1.0, 1.4), max_size=min(6, known["cells"])))),
        flags=tuple(draw(st.lists(st.sampled_from(FLAGS), unique=True))),
        made=draw(st.none() | st.sampled_from(["2019", "2019-03", "2019-03-25"])),
        bms=draw(st.none() | st.booleans()),
        max_in_series=draw(st.none() | st.integers(1, 1000)),
        max_in_parallel=draw(st.none() | st.integers(1, 1000)),
        note=draw(notes),
        **known,
    )


@settings(deadline=None, max_examples=150)
@given(st.lists(units(), min_size=1, max_size=4, unique_by=lambda unit: unit.id))
def test_what_is_written_reads_back(pile: list[Unit]) -> None:
    """Writing a pile and reading it must give equal units in the same order, to the last bit, from text and bytes."""
    text = write_pile(pile)
    assert list(parse_pile(text, name="pile.csv")) == pile
    assert list(parse_pile(text.encode(), name="pile.csv")) == pile


@settings(deadline=None, max_examples=50)
@given(st.lists(units(), min_size=1, max_size=3, unique_by=lambda unit: unit.id))
def test_writing_twice_is_writing_once(pile: list[Unit]) -> None:
    """Writing what was read must give the same text, so that files do not drift."""
    text = write_pile(pile)
    assert write_pile(parse_pile(text, name="pile.csv")) == text


def test_only_columns_in_use_are_written() -> None:
    """The needed columns must always be there, others only where some unit has a value, in the table's order."""
    other = Unit(id="L1", chemistry="lfp", cells=4, rated_ah=50.0, rated_hours=2.0, rest_v=-13.2, bms=False)
    text = write_pile([PLAIN, other])
    assert text == (
        "id,chemistry,cells,rated_ah,rated_hours,rest_v,bms\r\n"
        "A1,lead_agm,6,100,20,,\r\n"
        "L1,lfp,4,50,2,-13.2,no\r\n"
    )  # fmt: skip


def test_zero_is_written_as_zero() -> None:
    """A zero is a reading; only what is not known may be empty."""
    unit = Unit(id="A", chemistry="lfp", cells=4, rated_ah=50.0, rated_hours=2.0, soc_frac=0.0, temperature_c=0.0)
    assert write_pile([unit]).splitlines()[1] == "A,lfp,4,50,2,0,0"


def test_any_csv_reader_can_read_it() -> None:
    """The standard library's own reader must find the same fields (RFC 4180), also with quotes and line breaks."""
    unit = Unit(id='a,"b"', chemistry="lfp", cells=4, rated_ah=50.0, rated_hours=2.0, note="one\r\ntwo; three")
    line = next(csv.DictReader(io.StringIO(write_pile([unit]), newline="")))
    assert line["id"] == 'a,"b"'
    assert line["note"] == "one\r\ntwo; three"


def test_an_empty_pile_is_a_heading() -> None:
    """No units must give the heading alone, ready to be filled in."""
    assert write_pile([]) == "id,chemistry,cells,rated_ah,rated_hours\r\n"
