"""Reading and writing readings files: every kind, every way people write them, and everything that can be wrong."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotchpot.bench.meter import meters
from hotchpot.desk.files import LARGEST_READINGS_BYTES, load_readings
from hotchpot.errors import Fault, InputError
from hotchpot.pile import FLAGS, Unit
from hotchpot.pile.reading import Reading, ReadingKind
from hotchpot.pile.readingcolumns import COLUMNS, EVERY, MAX_READINGS, READINGS, USES, kinds_markdown, readings_markdown
from hotchpot.pile.readingfile import impossible_volts, parse_readings, unknown_units, write_readings
from hotchpot.pile.table import ENOUGH_FAULTS, Kind

DOC = Path(__file__).parents[2] / "docs" / "readings-file.md"


def read(data: bytes | str) -> tuple[Reading, ...]:
    """Return the readings of a file called r.csv."""
    return parse_readings(data, name="r.csv")


def row(kind: str, **cells: str) -> str:
    """Return a file with one reading of unit A1 on line 2; every cell is quoted as a CSV field."""
    out = io.StringIO()
    csv.writer(out).writerows([["unit", "kind", *cells], ["A1", kind, *cells.values()]])
    return out.getvalue()


def one(kind: str, **cells: str) -> Reading:
    """Return the one reading of a file."""
    found = read(row(kind, **cells))
    assert len(found) == 1
    return found[0]


def faults(data: bytes | str) -> tuple[Fault, ...]:
    """Return the faults of a file that must not read."""
    with pytest.raises(InputError) as caught:
        read(data)
    for fault in caught.value.faults:
        assert fault.where.startswith("r.csv")
        assert fault.what
        assert fault.mend
        assert "\n" not in str(fault)
        assert len(str(fault)) < 400
    return caught.value.faults


def fault(data: bytes | str) -> Fault:
    """Return the one fault of a file."""
    found = faults(data)
    assert len(found) == 1, [str(item) for item in found]
    return found[0]


SOUND: dict[str, dict[str, str]] = {
    "rest": {"volts": "12.61"},
    "loads": {"volts": "12.48|12.29", "amps": "5|20"},
    "run": {"volts": "12.5|11.9|10.5", "amps": "5", "hours": "0|9|17"},
    "gravity": {"gravity": "1.265|1.260"},
    "leak": {"volts": "12.74|12.70", "days": "0|14"},
    "look": {},
    "log": {"file": "a.csv"},
}


# --- what reads ------------------------------------------------------------------------------------------------------


def test_every_column_arrives_in_its_field() -> None:
    """Each column, filled in a kind that takes it, must arrive in the field of its name (invented values)."""
    assert one(
        "run", when="2026-11-04 08:05", volts="12.55|12.310|10.5", amps="5|5.1|4.9", hours="0|4|15.2",
        cutoff_v="10.5", temperature_c="-3", meter="logger", count_v="0.01", note="a, b",
    ) == Reading(
        unit="A1", kind=ReadingKind.RUN, when="2026-11-04T08:05", volts=(12.55, 12.31, 10.5), amps=(5.0, 5.1, 4.9),
        hours=(0.0, 4.0, 15.2), cutoff_v=10.5, temperature_c=-3.0, meter="logger", count_v=0.01, note="a, b", line=2,
    )  # fmt: skip
    assert one("loads", volts="12.5|12.3", amps="0|20", seconds="10").seconds == 10.0
    assert one("run", volts="10.5", ohms="2.2", hours="13.4") == Reading(
        unit="A1", kind=ReadingKind.RUN, volts=(10.5,), ohms=2.2, hours=(13.4,), count_v=0.1, line=2
    )
    assert one("leak", days="0|30", ah="88.2|85.1").ah == (88.2, 85.1)
    assert one("look", flags="dented|hot", rest_rise_k="1.5") == Reading(
        unit="A1", kind=ReadingKind.LOOK, flags=("dented", "hot"), rest_rise_k=1.5, line=2
    )
    assert one("log", file="a run.csv", columns="time=1 volts=3") == Reading(
        unit="A1", kind=ReadingKind.LOG, file="a run.csv", columns="time=1 volts=3", line=2
    )


@pytest.mark.parametrize(("kind", "cells"), SOUND.items())
def test_every_kind_reads_with_the_least_it_needs(kind: str, cells: dict[str, str]) -> None:
    """A reading of each kind must read with what it needs and nothing more."""
    assert one(kind, **cells).kind is ReadingKind(kind)


def test_a_look_that_found_nothing_is_a_reading() -> None:
    """A look without flags must be kept: it says that somebody looked."""
    assert one("look", flags="") == Reading(unit="A1", kind=ReadingKind.LOOK, line=2)


@pytest.mark.parametrize(
    ("word", "kind"),
    [(word, kind) for kind, uses in USES.items() for word in (kind.value.upper(), *uses.synonyms)],
)
def test_every_word_for_a_kind(word: str, kind: ReadingKind) -> None:
    """Each word that the documentation lists for a kind must mean it, in capitals too."""
    assert one(word, **SOUND[kind]).kind is kind


def test_no_word_or_heading_means_two_things() -> None:
    """No word may stand for two kinds, and a heading for two columns only where its unit tells which."""
    words = [word for uses in USES.values() for word in uses.synonyms]
    assert len(words) == len(set(words))
    assert {word for word, columns in READINGS.spellings.items() if len(columns) > 1} == {"time", "elapsed", "restrise"}


@pytest.mark.parametrize(
    ("kind", "heading", "value", "name", "expected"),
    [
        ("rest", "Voltage [mV]", "12610", "volts", (12.61,)),
        ("rest", "volts (kV)", "0.01261", "volts", (12.61,)),
        ("rest", "volts mV", "12610", "volts", (12.61,)),
        ("rest", "VOLTS", "12.61 V", "volts", (12.61,)),
        ("rest", "volts", "12610 mV", "volts", (12.61,)),
        ("rest", "volts", "−12.61", "volts", (-12.61,)),
        ("loads", "amps [mA]", "5000|20000", "amps", (5.0, 20.0)),
        ("loads", "load current (A)", "5 A|20 A", "amps", (5.0, 20.0)),
        ("loads", "amps", "5 A 20 A", "amps", (5.0, 20.0)),
        ("loads", "amps", "5;20", "amps", (5.0, 20.0)),
        ("loads", "amps", "5 | 20", "amps", (5.0, 20.0)),
        ("loads", "amps", "5 20", "amps", (5.0, 20.0)),
        ("loads", "amps", "5, 20", "amps", (5.0, 20.0)),
        ("loads", "amps", "5 , 20", "amps", (5.0, 20.0)),
        ("loads", "amps", "5.1,20.5", "amps", (5.1, 20.5)),
        ("loads", "read after [min]", "0.5", "seconds", 30.0),
        ("run", "hours [min]", "0|540|1020", "hours", (0.0, 9.0, 17.0)),
        ("run", "time [s]", "0|3600|7200", "hours", (0.0, 1.0, 2.0)),
        ("run", "elapsed (days)", "0|0.5|1", "hours", (0.0, 12.0, 24.0)),
        ("run", "end voltage", "10,5", "cutoff_v", 10.5),
        ("run", "Cut-off (mV)", "10500", "cutoff_v", 10.5),
        ("leak", "days [weeks]", "0|2", "days", (0.0, 14.0)),
        ("leak", "days standing", "0|14", "days", (0.0, 14.0)),
        ("look", "temperature (°F)", "77", "temperature_c", 25.0),
        ("look", "temp [K]", "298.15", "temperature_c", 25.0),
        ("look", "rest rise [°F]", "1.8", "rest_rise_k", 1.0),
        ("look", "damage", "Unknown history, dented", "flags", ("unknown_history", "dented")),
        ("look", "Remarks", " tired ", "note", "tired"),
        ("gravity", "SG", "1.265 1.27", "gravity", (1.265, 1.27)),
        ("gravity", "hydrometer", "1,265|1,27", "gravity", (1.265, 1.27)),
        ("rest", "instrument", "millivolt", "meter", "millivolt"),
        ("rest", "resolution [mV]", "1", "count_v", 0.001),
        ("look", "date", "2026-11-03", "when", "2026-11-03"),
    ],
)
def test_headings_and_cells_as_people_write_them(
    kind: str, heading: str, value: str, name: str, expected: object
) -> None:
    """A heading in any natural spelling and a cell with or without its unit must give the value in our unit."""
    cells = {column: text for column, text in SOUND[kind].items() if column != name}
    assert getattr(one(kind, **cells, **{heading: value}), name) == expected


@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("delimiter", [";", "\t"])
@pytest.mark.parametrize("between", ["|", " ", " | "])
def test_decimal_commas_with_lists(mark: str, delimiter: str, between: str) -> None:
    """With semicolons or tabs between fields, commas must be decimal, in lists too."""
    cells = ["A1", "loads", between.join(("12,48", "12,29")), between.join(("5,0", "20,5")), "18,5"]
    text = f"# ours\n\n{delimiter.join(('unit', 'kind', 'volts', 'amps', 'temperature_c'))}\n{delimiter.join(cells)}\n"
    found = read((mark + text).encode())[0]
    assert (found.volts, found.amps, found.temperature_c) == ((12.48, 12.29), (5.0, 20.5), 18.5)
    assert (found.count_v, found.line) == (0.01, 4)


def test_a_quoted_list_between_semicolons() -> None:
    """A list with semicolons, in quotes, must read in a file that semicolons separate."""
    assert read('unit;kind;volts;amps\nA1;loads;"12,48;12,29";"5;20"\n')[0].volts == (12.48, 12.29)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-11-03", "2026-11-03"),
        ("2026-11-03T14:20", "2026-11-03T14:20"),
        ("2026-11-03 14:20", "2026-11-03T14:20"),
        ("2026-11-3  9:05:07", "2026-11-03T09:05:07"),
        ("2026/11/03 14:20", "2026-11-03T14:20"),
        ("3.11.2026", "2026-11-03"),
        ("03.11.2026 14:20", "2026-11-03T14:20"),
        ("2028-02-29", "2028-02-29"),
    ],
)
def test_when(text: str, expected: str) -> None:
    """A date in any unambiguous way must become one that the standard library reads as ISO 8601, so that it sorts."""
    found = one("look", when=text).when
    assert found == expected
    assert datetime.fromisoformat(found).year in (2026, 2028)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("03/11/26", "two ways"),
        ("3/11/2026", "two ways"),
        ("03-11-26", "two ways"),
        ("03.11.26 14:20", "two ways"),
        ("2026-02-29", "not a date"),
        ("2026-13-01", "not a date"),
        ("2026-11-03T24:00", "not a date"),
        ("2026-11-03T14:60", "not a date"),
        ("2026-11-03T14:20Z", "without a zone"),
        ("2026-11-03T14:20+01:00", "without a zone"),
        ("2026/11-03", "not a date"),
        ("2026-11", "not a date"),
        ("2026", "not a date"),
        ("1526-11-03", "not a date"),
        ("٢٠٢٦-١١-٠٣", "not a date"),
        ("yesterday", "not a date"),
    ],
)
def test_when_that_is_no_moment(text: str, says: str) -> None:
    """A date that means several days, or none, must be refused with the way to write it."""
    found = fault(row("look", when=text))
    assert found.where == "r.csv:2 when"
    assert says in str(found)
    assert "2026-11-03" in found.mend


# --- the last digit of the volts -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("heading", "text", "step"),
    [
        ("volts", "12.61", 0.01),
        ("volts", "12.610", 0.001),
        ("volts", "12.6|12.55", 0.01),
        ("volts", "12.60|12.5", 0.01),
        ("volts", "12", 1.0),
        ("volts", "-12.6", 0.1),
        ("volts", "12.61 V", 0.01),
        ("volts", "12610 mV", 0.001),
        ("volts", "12610.5 mV", 0.0001),
        ("volts [mV]", "12610", 0.001),
        ("volts [mV]", "12610.0", 0.0001),
        ("volts", "1.261e1", 0.01),
        ("volts", "12.", 1.0),
        ("volts", ".61", 0.01),
        ("volts", "12.613333333333", None),
        ("volts", "12.613333", 0.000001),
    ],
)
def test_the_last_digit_is_taken_from_the_text(heading: str, text: str, step: float | None) -> None:
    """Without a count_v the finest digit written must be the step, in volts; more digits than a meter has give none."""
    assert one("rest" if "|" not in text else "leak", **{heading: text}, **days_for(text)).count_v == step


def days_for(text: str) -> dict[str, str]:
    """Return the days that go with as many volts."""
    return {"days": "0|14"} if "|" in text else {}


def test_a_comma_decides_the_last_digit_in_a_comma_file() -> None:
    """With decimal commas, the digits after the comma must count, and a point that parts thousands must not."""
    text = "unit;kind;volts\nA;rest;12,610\nB;rest;1.261,50\nC;rest;12,6\n"
    assert [reading.count_v for reading in read(text)] == [0.001, 0.01, 0.1]


def test_a_count_that_is_given_wins() -> None:
    """A count_v in the file must stand, whatever the digits; empty beside a filled one is still found."""
    text = "unit,kind,volts,count_v\nA,rest,12.610,0.01\nB,rest,12.610,\nC,look,,\n"
    assert [reading.count_v for reading in read(text)] == [0.01, 0.001, None]


@settings(deadline=None)
@given(st.lists(st.decimals(-5000, 5000, places=6), min_size=1, max_size=5), st.integers(0, 6))
def test_the_last_digit_agrees_with_the_decimal_library(volts: list[Decimal], places: int) -> None:
    """For any decimal text, the step must be that of its exponent as the standard library's decimals have it."""
    texts = [f"{volt:.{places}f}" for volt in volts]
    exponent = min(Decimal(text).as_tuple().exponent for text in texts)
    found = one("leak", volts="|".join(texts), days="|".join(map(str, range(len(texts))))) if len(texts) > 1 else one(
        "rest", volts=texts[0]
    )  # fmt: skip
    assert found.count_v == float(Decimal(1).scaleb(int(exponent)))
    assert found.volts == tuple(map(float, texts))


# --- what must be there, and what cannot go together -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "cells", "where", "says", "mend"),
    [
        ("rest", {}, "volts", "empty", "a rest reading needs the voltage"),
        ("rest", {"volts": "12.6|12.7"}, "hours", "empty", "each of the 2 volts"),
        ("rest", {"volts": "12.6|12.7", "hours": "1"}, "hours", "1 here and 2 in volts", "as many hours as volts"),
        ("rest", {"volts": "12.6", "hours": "1|4"}, "hours", "2 here and 1 in volts", "as many hours as volts"),
        ("rest", {"volts": "12.6|12.7", "hours": "4|1"}, "hours", "1 stands after 4", "must rise"),
        ("rest", {"volts": "12.6|12.7", "hours": "4|4"}, "hours", "4 stands after 4", "must rise"),
        ("loads", {"amps": "5|20"}, "volts", "empty", "one for each load"),
        ("loads", {"volts": "12.5|12.3"}, "amps", "empty", "one for each load"),
        ("loads", {"volts": "12.5", "amps": "5"}, "amps", "one load only", "two or more"),
        ("loads", {"volts": "12.5|12.3", "amps": "5"}, "amps", "1 here and 2 in volts", "as many amps as volts"),
        ("loads", {"volts": "12.5|12.3", "amps": "5|5.0"}, "amps", "the same 5 A", "must differ"),
        ("loads", {"volts": "12.5|12.3", "amps": "-5|-20"}, "amps", "-5 A is negative", "positive on discharge"),
        ("run", {"amps": "5", "hours": "1"}, "volts", "empty", "the voltage at its end"),
        ("run", {"amps": "5", "volts": "10.5"}, "hours", "empty", "how long it lasted"),
        ("run", {"volts": "10.5", "hours": "17"}, "amps", "empty, and ohms too", "ohms of the resistor"),
        ("run", {"volts": "10.5", "hours": "17", "amps": "5", "ohms": "2"}, "ohms", "amps are given too", "one of"),
        ("run", {"volts": "12|11", "hours": "1|2|3", "amps": "5"}, "volts", "2 here and 3 in hours", "as many volts"),
        ("run", {"volts": "12|11", "hours": "1|2", "amps": "5|5|5"}, "amps", "3 here and 2", "(or one for all)"),
        ("run", {"volts": "12|11", "hours": "2|1", "amps": "5"}, "hours", "1 stands after 2", "must rise"),
        ("run", {"volts": "11", "hours": "0", "amps": "5"}, "hours", "0 h is no run", "hours it lasted"),
        ("run", {"volts": "11", "hours": "9", "amps": "0"}, "amps", "no current", "amps drawn"),
        ("run", {"volts": "11", "hours": "9", "amps": "-5"}, "amps", "-5 A is negative", "discharge: write 5"),
        ("run", {"volts": "12|11", "hours": "0|1", "amps": "5|-5"}, "amps", "-5 A is negative", "on discharge"),
        ("gravity", {}, "gravity", "empty", "of each cell"),
        ("leak", {"volts": "12.6|12.5"}, "days", "empty", "first usually 0"),
        ("leak", {"days": "0|14"}, "volts", "empty, and ah too", "volts, or the ah"),
        ("leak", {"days": "14", "volts": "12.5"}, "days", "one day only", "usually 0"),
        ("leak", {"days": "0|14", "volts": "12.6"}, "volts", "1 here and 2 in days", "as many volts as days"),
        ("leak", {"days": "0|14", "ah": "88"}, "ah", "1 here and 2 in days", "as many ah as days"),
        ("leak", {"days": "14|0", "ah": "88|86"}, "days", "0 stands after 14", "must rise"),
        ("leak", {"days": "0|1", "ah": "9|8", "volts": "12.6|12.5"}, "ah", "volts are given too", "two readings"),
        ("log", {}, "file", "empty", "the logger's file"),
        ("look", {"volts": "12.6"}, "volts", "not a column of a look reading", "look takes flags, rest_rise_k"),
        ("gravity", {"gravity": "1.265", "meter": "hand"}, "meter", "not a column of a gravity", "(and unit, kind"),
        ("rest", {"volts": "12.6", "flags": "dented"}, "flags", "not a column of a rest", "correct the kind"),
        ("log", {"file": "a.csv", "amps": "5"}, "amps", "not a column of a log", "log takes cutoff_v"),
    ],
)  # fmt: skip
def test_a_reading_that_makes_no_sense_is_one_fault(
    kind: str, cells: dict[str, str], where: str, says: str, mend: str
) -> None:
    """What a kind misses, or cannot have, must be one fault in the column where it is mended."""
    found = fault(row(kind, **cells))
    assert found.where == f"r.csv:2 {where}"
    assert says in found.what
    assert mend in found.mend


@pytest.mark.parametrize("kind", ReadingKind)
def test_every_column_of_another_kind_is_refused(kind: ReadingKind) -> None:
    """A filled column that the kind does not take must be an error that names those it takes, for every column."""
    filled = {
        "volts": "12.6", "amps": "5", "ohms": "2", "hours": "1", "seconds": "10", "days": "0", "ah": "80",
        "cutoff_v": "10.5", "gravity": "1.265", "flags": "dented", "rest_rise_k": "1", "meter": "hand",
        "count_v": "0.01", "file": "a.csv", "columns": "time=1",
    }  # fmt: skip
    assert {*filled, *EVERY} == {column.name for column in COLUMNS}
    for column in filled.keys() - set(USES[kind].columns):
        found = fault(row(kind, **(SOUND[kind] | {column: filled[column]})))
        assert found.where == f"r.csv:2 {column}"
        assert all(name in found.mend for name in USES[kind].columns)


def test_a_cell_that_cannot_be_read_brings_no_other_fault() -> None:
    """A wrong cell is one fault; that the list it was to be is missing or of another length must not be a second."""
    assert fault(row("loads", volts="12.5|12.x", amps="5|20")).where == "r.csv:2 volts"
    assert fault(row("rest", volts="soon")).where == "r.csv:2 volts"
    assert fault(row("run", volts="12.5|11", hours="0|x", amps="5|5|5")).where == "r.csv:2 hours"
    assert fault(row("leak", volts="x", days="0|14")).where == "r.csv:2 volts"
    assert fault(row("rst", volts="12.6|12.5", flags="dented")).where == "r.csv:2 kind"


@pytest.mark.parametrize(
    ("column", "value", "says", "mend"),
    [
        ("volts", "12.6|lots", "'lots' is not a number", "-5000 to 5000 V, several with | between"),
        ("volts", "12.6 lots", "'12.6 lots' is not a number", "V"),
        ("volts", "nan", "not a number", "V"),
        ("volts", "12.6|inf", "'inf' is not a number", "V"),
        ("volts", "-Infinity", "not a number", "V"),
        ("volts", "1_0", "not a number", "V"),
        ("volts", "٥", "not a number", "V"),
        ("volts", "12.6 Ah", "not a number", "V"),
        ("volts", "12.6|99999", "'99999' is out of range", "-5000 to 5000 V"),
        ("volts", "12.6||12.5", "has an empty place", "every place"),
        ("volts", "12.6|12.5|", "has an empty place", "every place"),
        ("volts", "1,234", "can mean 1.234 or 1234 V", "separator of thousands"),
        ("volts", "1 234", "'1 234' can mean 1234 or 1 and 234", "write | between"),
        ("volts", "1.234,5", "'1.234,5' can mean 1234.5 or 1.234 and 5", "write | between"),
        ("volts", "1,261.5", "'1,261.5' can mean 1261.5 or 1 and 261.5", "write | between"),
        ("volts", "500|400 mV", "with a unit and numbers without", "in the heading, or with each"),
        ("count_v", "0", "out of range", "1e-06 to 10 V"),
        ("temperature_c", "400", "out of range", "-60 to 120 °C"),
        ("meter", "a\x07", "cannot be printed (U+0007)", "write the name without it"),
        ("note", "bell \x07", "a control character (U+0007)", "without it"),
    ],
)
def test_a_wrong_cell_is_one_fault_at_its_place(column: str, value: str, says: str, mend: str) -> None:
    """A value that cannot be must be one fault at line and column, with what is wrong and what would be right."""
    found = fault(row("rest", **({"volts": "12.6"} | {column: value})))
    assert found.where == f"r.csv:2 {column}"
    assert says in found.what
    assert mend in found.mend


@pytest.mark.parametrize(
    ("cell", "value", "says"),
    [
        ("ohms", "0", "out of range"),
        ("hours", "-1|2|3", "out of range"),
        ("cutoff_v", "0", "out of range"),
        ("amps", "1e9", "out of range"),
    ],
)
def test_ranges_of_a_run(cell: str, value: str, says: str) -> None:
    """What no run can have must be refused in its column, and bring nothing else with it."""
    cells = SOUND["run"] | {cell: value}
    if cell == "ohms":
        del cells["amps"]
    found = fault(row("run", **cells))
    assert (found.where, says in found.what) == (f"r.csv:2 {cell}", True)


def test_needed_cells_are_needed() -> None:
    """Without a unit or a kind a row is nothing, and each is its own fault."""
    found = faults("unit,kind,volts\n,rest,12.6\nA,,12.6\nA,rset,12.6\nA,sleep,\n")
    assert [item.where for item in found] == ["r.csv:2 unit", "r.csv:3 kind", "r.csv:4 kind", "r.csv:5 kind"]
    assert found[2].mend == "did you mean 'rest'?"
    assert found[3].mend == "known are: rest, loads, run, gravity, leak, look, log"


@pytest.mark.parametrize(
    ("heading", "says", "mend"),
    [
        ("vlots", "no such column", "did you mean 'volts'?"),
        ("volts [Ah]", "'Ah' is not a unit of volts", "'volts [V]'"),
        ("temperature", "needs its unit", "'temperature_c [°C]'"),
        ("time", "needs its unit", "'hours [h]' or 'days [d]'"),
        ("Unit", "stands twice", "keep one"),
    ],
)
def test_a_wrong_heading_is_one_fault(heading: str, says: str, mend: str) -> None:
    """A heading that is unknown, open, of the wrong unit or there twice must be reported in the heading's line."""
    found = fault(f"unit,kind,{heading}\nA,look,\n")
    assert found.where.startswith("r.csv:1 ")
    assert says in found.what
    assert mend in found.mend


def test_every_fault_is_reported_at_once_in_order() -> None:
    """All faults of heading, cells and sense must come at once, in the order of lines and columns."""
    text = (
        "unit,kind,when,volts,amps,colour\n"
        "A,loads,2026-11-03,12.5|12.3,5|20,\n"
        "A,loads,03/11/26,12.5|12.3,-5|-20,\n"
        ",rest,2026-11-03,nan,5,\n"
        "A,rest\n"
    )
    assert [item.where.removeprefix("r.csv:") for item in faults(text)] == [
        "1 colour", "3 when", "3 amps", "4 unit", "4 volts", "4 amps", "5",
    ]  # fmt: skip


# --- hostile input ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "where", "says"),
    [
        (b"", "r.csv", "empty"),
        (b"\xef\xbb\xbf\r\n\n# nothing\n", "r.csv", "empty"),
        (b"unit,kind,volts\n", "r.csv", "a heading but no readings"),
        (b"PK\x03\x04\x14\x00\x06\x00", "r.csv", "workbook"),
        ("unit,kind\nA,look\n".encode("utf-16"), "r.csv", "UTF-16"),
        ("unit,kind\nA,look\n".encode("utf-16-le"), "r.csv:1", "zero byte"),
        (b"unit,kind\nA,look\nB\0,look\n", "r.csv:3", "zero byte"),
        ("unit,kind,note\nA,look,süß\n".encode("latin-1"), "r.csv:2", "byte 0xfc"),
        (b'unit,kind,note\nA,look,"open\nB,look,\n', "r.csv:2", "quotes that do not pair"),
        (b"x" * 10_000_000, "r.csv:1", "a field of more than 131072 characters"),
        (b'unit,kind,note\nA,look,"' + b"x" * 10_000_000, "r.csv:2", "a field of more than 131072 characters"),
        (b"a," * 5_000_000, "r.csv:1", "a heading of 5000000 fields"),
        (b"unit,kind\n" + b"a," * 5_000_000, "r.csv:2", "5000001 fields where the heading has 2"),
        (b"unit,kind,volts\nA,rest," + b"9" * 100_000 + b"\n", "r.csv:2 volts", "is not a number"),
        (b'"' * 100_001, "r.csv", "empty"),
    ],
)
def test_a_file_that_is_no_readings_file_is_one_short_fault(data: bytes, where: str, says: str) -> None:
    """A file wrong as a whole must give one short fault at its place, however large it is."""
    found = fault(data)
    assert found.where == where
    assert says in found.what


def test_a_list_without_end_is_one_short_fault() -> None:
    """A cell of twenty thousand numbers must read, and with one wrong among them be one short fault."""
    volts, days = "|".join(["12.61"] * 20_000), "|".join(str(day / 10) for day in range(20_000))
    text = f"unit,kind,volts,days\nA,leak,{volts},{days}\n"
    assert len(read(text)[0].volts) == 20_000
    assert "'x' is not a number" in fault(text.replace("12.61|12.61|", "12.61|x|", 1)).what


@pytest.mark.parametrize("between", [" ", " |", "| ", ", ", "\u00a0", "\t"])
def test_a_cell_of_spaces_is_no_long_search(between: str) -> None:
    """A hundred thousand spaces in a list must be no more than one: a search by their square would hang."""
    gap = between.replace(" ", " " * 100_000) if " " in between else between * 100_000
    found = fault(f'unit,kind,volts\nA,rest,"12.6{gap}x"\n')
    assert found.where == "r.csv:2 volts"


@pytest.mark.parametrize("text", ["1e-400", "0e" + "9" * 5000, "1e-" + "9" * 5000, "0e9", "5e-324", "1." + "0" * 9000])
def test_numbers_beyond_any_meter_tell_no_last_digit(text: str) -> None:
    """An exponent or a row of digits that no meter shows must read as the number it is, without a step."""
    found = one("rest", volts=text)
    assert found.volts == (float(text),)
    assert found.count_v is None


def test_a_long_file_reads_and_its_columns_are_held_apart() -> None:
    """Fifty thousand readings of all kinds must read in order; one wrong cell in the last line must be found there."""
    kinds = list(SOUND)
    names = sorted({name for cells in SOUND.values() for name in cells})
    lines = [["unit", "kind", *names]]
    for i in range(50_000):
        kind = kinds[i % 7]
        lines.append([f"u{i}", kind, *(SOUND[kind].get(name, "") for name in names)])
    text = "\n".join(",".join(line) for line in lines)
    found = read(text)
    assert [reading.unit for reading in found] == [f"u{i}" for i in range(50_000)]
    assert [reading.kind for reading in found[:7]] == list(ReadingKind)[:7]
    assert found[-1].line == 50_001
    assert fault(f"{text}\nlast,rest{',' * names.index('volts')},-,{',' * (len(names) - names.index('volts') - 2)}")


def test_the_most_readings_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """One reading more than a file may hold must be one fault and no other."""
    monkeypatch.setitem(READINGS.__dict__, "most", 3)
    assert len(read("unit,kind\n" + "A,look\n" * 3)) == 3
    assert "more than 3 readings" in fault("unit,kind\n" + "A,look\n" * 3 + "A,bad\n").what


@pytest.mark.parametrize("line", ["A,sleep{n},12.6", "A,look,12.6", "A,rest,x{n}", "A,rest,12.6,", ",rest,12.6"])
def test_faults_without_number_end_the_reading(line: str) -> None:
    """Where every row of a long file is wrong, the reading must end at many faults and tell the first of them."""
    lines = [line.format(n=n) for n in range(ENOUGH_FAULTS + 1000)]
    with pytest.raises(InputError) as caught:
        read("\n".join(["unit,kind,volts", *lines]))
    assert len(caught.value.faults) == ENOUGH_FAULTS
    assert caught.value.faults[0].where.startswith("r.csv:2")
    assert len(str(caught.value).splitlines()) == 21


def test_any_line_end_is_counted() -> None:
    """Lines that end as on any system must be counted alike, also inside a quoted note."""
    for end in ("\n", "\r\n", "\r"):
        text = end.join(["unit,kind,note", 'A,look,"one', 'two"', "B,look,", ""])
        found = read(text)
        assert [(reading.unit, reading.line) for reading in found] == [("A", 2), ("B", 4)]
        assert found[0].note == f"one{end}two"


@settings(deadline=None, max_examples=200)
@given(st.one_of(st.binary(max_size=200), st.text(max_size=200)))
def test_any_bytes_read_or_are_refused(data: bytes | str) -> None:
    """Whatever the file holds, the answer must be readings or InputError, never another exception."""
    try:
        found = read(data)
    except InputError as error:
        assert error.faults  # noqa: PT017
    else:
        assert found


CELLS = st.text("0123456789.,-eE+naif %VAhmΩ;|\"'\n−/:T", max_size=12)


@settings(deadline=None, max_examples=300)
@given(
    st.sampled_from(",;\t"),
    st.lists(st.tuples(st.sampled_from(list(ReadingKind)), CELLS, CELLS, CELLS, CELLS), min_size=1, max_size=4),
)
def test_any_cells_read_or_are_refused(delimiter: str, rows: list[tuple[str, ...]]) -> None:
    """Under a sound heading any cells must give readings with lists side by side and in range, or faults in place."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter)
    writer.writerow(["unit", "kind", "volts [mV]", "amps", "hours [min]", "when"])
    writer.writerows(["A", *cells] for cells in rows)
    try:
        found = read(out.getvalue())
    except InputError as error:
        found = ()
        assert all(item.where.startswith("r.csv") for item in error.faults)  # noqa: PT017
    for reading in found:
        assert all(-5000 <= volts <= 5000 for volts in reading.volts)
        if reading.kind is ReadingKind.LOADS:
            assert len(reading.volts) == len(reading.amps) >= 2
        assert bool(reading.volts) or reading.count_v is None


PEOPLE_WRITE = ["12.61", "12,6", "1.234", "1,234", "5", "5 100", "1e1", "12 d", "7|8", "7, 8", "7.5,8.5", "1.255,5"]


@settings(deadline=None, max_examples=300)
@given(
    st.sampled_from(",;\t"),
    st.lists(st.sampled_from(PEOPLE_WRITE), min_size=1, max_size=5),
)
def test_the_quick_way_and_the_slow_way_agree(delimiter: str, texts: list[str]) -> None:
    """A column that is read as a whole must give what its cells give beside one that forces the slow way."""
    texts = [text for text in texts if delimiter not in text] or ["5"]
    lines = [delimiter.join(["unit", "kind", "days", "ah"])]
    for text in texts:
        count = len(re.split(r"[|]|, |(?<=\d) (?=\d)|(?<=5),(?=8)", text))
        lines.append(delimiter.join(["A", "leak", text, "|".join(["5"] * count)]))
    slow = "\n".join([*lines, delimiter.join(["A", "look", "", ""]), delimiter.join(["A", "leak", "0 d|1 d", "5|5"])])
    assert outcome("\n".join(lines), len(texts)) == outcome(slow, len(texts))


def outcome(text: str, rows: int) -> Any:
    """Return the first rows' days, or the faults of those rows."""
    try:
        return [reading.days for reading in read(text)[:rows]]
    except InputError as error:
        return [str(item) for item in error.faults]


# --- writing ---------------------------------------------------------------------------------------------------------

printable = st.text(min_size=1, max_size=12).map(str.strip).filter(lambda text: bool(text) and text.isprintable())
notes = st.text(st.characters(exclude_categories=["Cc", "Cs"]) | st.sampled_from('\n\r\t;,"|'), max_size=30).map(
    str.strip
)


def number(name: str) -> st.SearchStrategy[float]:
    """Return floats of a column's range."""
    return st.floats(READINGS.by_name[name].low, READINGS.by_name[name].high)


def numbers(name: str, count: int) -> st.SearchStrategy[tuple[float, ...]]:
    """Return as many floats of a column's range."""
    return st.lists(number(name), min_size=count, max_size=count).map(tuple)


def rising(name: str, count: int) -> st.SearchStrategy[tuple[float, ...]]:
    """Return as many floats of a column's range, each larger than the one before."""
    return st.lists(number(name).filter(bool), min_size=count, max_size=count, unique=True).map(sorted).map(tuple)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    """Return a reading of any kind with any values that a readings file may hold."""
    kind = draw(st.sampled_from(list(ReadingKind)))
    many = draw(st.integers(2, 4))
    known: dict[str, Any] = {}
    drawn = st.lists(st.floats(0, 1e5), min_size=many, max_size=many)
    if kind is ReadingKind.REST:
        count = draw(st.integers(1, 3))
        hours = draw(rising("hours", count)) if count > 1 or draw(st.booleans()) else ()
        known = {"volts": draw(numbers("volts", count)), "hours": hours}
    elif kind is ReadingKind.LOADS:
        amps = draw(drawn.filter(lambda found: len(set(found)) > 1).map(tuple))
        known = {"volts": draw(numbers("volts", many)), "amps": amps, "seconds": draw(st.none() | number("seconds"))}
    elif kind is ReadingKind.RUN:
        count = draw(st.integers(1, 4))
        known = {"volts": draw(numbers("volts", count)), "hours": draw(rising("hours", count))}
        if draw(st.booleans()):
            known["ohms"] = draw(number("ohms"))
        else:
            known["amps"] = tuple(draw(st.lists(st.floats(0.001, 1e5), min_size=count, max_size=count)))
        known["cutoff_v"] = draw(st.none() | number("cutoff_v"))
    elif kind is ReadingKind.GRAVITY:
        known = {"gravity": draw(numbers("gravity", many))}
    elif kind is ReadingKind.LEAK:
        found = draw(st.sampled_from(["volts", "ah"]))
        known = {"days": draw(rising("days", many)), found: draw(numbers(found, many))}
    elif kind is ReadingKind.LOOK:
        known = {"flags": tuple(draw(st.lists(st.sampled_from(FLAGS), unique=True)))}
        known["rest_rise_k"] = draw(st.none() | number("rest_rise_k"))
    else:
        known = {"file": draw(printable), "columns": draw(st.none() | printable)}
    if "volts" in known:
        known["count_v"] = draw(number("count_v"))
    if "meter" in USES[kind].columns:
        known["meter"] = draw(st.none() | st.sampled_from(list(meters())))
    return Reading(
        unit=draw(printable),
        kind=kind,
        when=draw(st.none() | st.sampled_from(["2026-11-03", "2026-11-03T14:20", "2026-11-03T04:20:09"])),
        temperature_c=draw(st.none() | number("temperature_c")),
        note=draw(notes),
        **known,
    )


def without_lines(found: tuple[Reading, ...]) -> list[Reading]:
    """Return readings without the lines that they stood on."""
    return [replace(reading, line=None) for reading in found]


@settings(deadline=None, max_examples=200)
@given(st.lists(readings(), min_size=1, max_size=5))
def test_what_is_written_reads_back(wanted: list[Reading]) -> None:
    """Writing readings and reading them must give equal ones in the same order, to the last bit, text and bytes."""
    text = write_readings(wanted)
    assert without_lines(read(text)) == wanted
    assert without_lines(read(text.encode())) == wanted
    assert write_readings(read(text)) == text


def test_only_columns_in_use_are_written() -> None:
    """Unit and kind must always be there, others only where some reading has a value, in the table's order."""
    assert write_readings([]) == "unit,kind\r\n"
    found = read("kind,unit,note,volts,amps\nlook,A,,,\nloads,B,x,12.50|12.3,0|20\n")
    assert write_readings(found) == (
        "unit,kind,volts,amps,count_v,note\r\n"
        "A,look,,,,\r\n"
        "B,loads,12.5;12.3,0;20,0.01,x\r\n"
    )  # fmt: skip


def test_any_csv_reader_can_read_it() -> None:
    """The standard library's own reader must find the same fields (RFC 4180), also with quotes and line breaks."""
    reading = Reading(unit='a,"b"', kind=ReadingKind.LOOK, note="one\r\ntwo; three")
    line = next(csv.DictReader(io.StringIO(write_readings([reading]), newline="")))
    assert line == {"unit": 'a,"b"', "kind": "look", "note": "one\r\ntwo; three"}


# --- units of the pile -----------------------------------------------------------------------------------------------


def test_units_that_are_not_in_the_pile_are_named_once() -> None:
    """Each id that the pile does not hold must be named at its first line, with its count and the nearest id."""
    pile = [Unit(id=name, chemistry="lfp", cells=4, rated_ah=100.0, rated_hours=5.0) for name in ("A1", "B-2")]
    found = read("unit,kind\nA1,look\nB2,look\nzz,look\nB2,look\nB-2,look\n")
    assert [str(item) for item in unknown_units(found, pile)] == [
        "3 unit: no unit 'B2' in the pile (2 readings of it, here the first), did you mean 'B-2'?",
        "4 unit: no unit 'zz' in the pile, known are: A1, B-2",
    ]
    assert unknown_units(found[:1], pile) == []
    assert unknown_units([replace(found[1], line=None)], pile)[0].where == "unit"


def test_a_thousand_strange_units_are_all_named() -> None:
    """Every strange id must be told, also where there are too many to look for a near word to each."""
    found = [Reading(unit=f"u{i}", kind=ReadingKind.LOOK, line=i) for i in range(1000)]
    assert len(unknown_units(found, [])) == 1000


# --- files -----------------------------------------------------------------------------------------------------------


def test_a_file_is_read_by_its_own_name(tmp_path: Path) -> None:
    """The desk must read a file from the disk and call it by its name in faults."""
    path = tmp_path / "notes.csv"
    path.write_text("unit,kind\nA1,look\n", "utf-8")
    assert load_readings(path)[0].unit == "A1"
    path.write_text("unit,kind\nA1,lok\n", "utf-8")
    with pytest.raises(InputError, match=r"^notes\.csv:2 kind: .*did you mean 'look'\?$"):
        load_readings(path)


def test_a_file_that_is_not_there_or_too_large_is_refused(tmp_path: Path) -> None:
    """No file, a folder and a file beyond the limit must each be one clear fault."""
    with pytest.raises(InputError, match="no such file, name the file that holds the readings"):
        load_readings(tmp_path / "none.csv")
    with pytest.raises(InputError, match="is a folder"):
        load_readings(tmp_path)
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(LARGEST_READINGS_BYTES + 1)
    with pytest.raises(InputError, match="is larger than 200 MB"):
        load_readings(large)


# --- the tables and the documentation --------------------------------------------------------------------------------


def test_the_table_has_every_field_of_a_reading() -> None:
    """Each field of a reading but its line must have a column of its name, in the same order."""
    assert [column.name for column in COLUMNS] == [name for name in Reading.__dataclass_fields__ if name != "line"]


def test_columns_of_numbers_have_unit_and_range() -> None:
    """Every column of numbers must have a range and a unit, or be a gravity, which has none."""
    for column in COLUMNS:
        if column.kind in (Kind.NUMBER, Kind.LIST):
            assert column.unit
            assert column.low < column.high


def test_the_kinds_are_named_in_the_table() -> None:
    """The help of the kind column must list exactly the kinds there are."""
    listed = re.findall(r"\w+", READINGS.by_name["kind"].help.split(": ")[1].replace(" or ", " "))
    assert listed == [kind.value for kind in ReadingKind]


def test_the_document_holds_the_tables() -> None:
    """The documentation must hold the tables of columns and kinds exactly as the program makes them, and the limit."""
    text = DOC.read_text("utf-8")
    assert readings_markdown() in text
    assert kinds_markdown() in text
    assert f"At most {MAX_READINGS} readings" in text
    assert f"{LARGEST_READINGS_BYTES // 1_000_000} MB" in text


def test_the_documents_samples_read_and_its_faults_are_real() -> None:
    """The whole example must have every kind, the second repeat two of its rows, the faulty one get its answer."""
    text = DOC.read_text("utf-8")
    whole, _several, second = re.findall(r"```csv(?: readings\.csv)?\n(.*?)```", text, re.DOTALL)
    every = without_lines(read(whole))
    assert {reading.kind for reading in every} == set(ReadingKind)
    assert [replace(reading, count_v=0.01) for reading in without_lines(read(second))] == every[2:4]
    faulty, answer = re.search(r"```csv faulty\n(.*?)```.*?```text\n(.*?)```", text, re.DOTALL).groups()  # type: ignore[union-attr]
    with pytest.raises(InputError) as caught:
        parse_readings(faulty, name="readings.csv")
    assert f"{caught.value}\n" == answer


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("unit,kind,volts,hours\nA1,rest,12.6,12:30\n", "hours: '12:30' is not a number, write it as one number: 12.5"),
        ("unit,kind,volts,hours\nA1,rest,12.6|12.7,1|5:15\n", "write it as one number: 5.25"),
        ("unit,kind,volts,time [min]\nA1,rest,12.6,12:30\n", "write it as one number: 750"),
        ("unit,kind,volts,amps,seconds\nA1,loads,12.6|12.5,1|2,1:30\n", "write it as one number: 90"),
    ],
)
def test_hours_of_a_clock_are_told_as_a_number(text: str, told: str) -> None:
    """A time as on a clock says what it is as one number, in the heading's unit (12 h 30 min are 12.5 h, 750 min)."""
    with pytest.raises(InputError, match=re.escape(told)) as caught:
        parse_readings(text, name="readings.csv")
    assert len(caught.value.faults) == 1


def test_an_id_in_other_capitals_is_hinted_at_first() -> None:
    """a3 is A3 before it is a33 or anything else that is near."""
    pile = [Unit(id=name, chemistry="lfp", cells=4, rated_ah=100.0, rated_hours=5.0) for name in ("a33", "A3", "B3")]
    (fault,) = unknown_units([Reading(unit="a3", kind=ReadingKind.LOOK, line=2)], pile)
    assert fault.mend == "did you mean 'A3'?"


@pytest.mark.parametrize(
    ("reading", "told"),
    [
        (Reading(unit="A1", kind=ReadingKind.REST, volts=(12.6, 126.1), line=3), "3 volts: 126.1 V is beyond anything"),
        (Reading(unit="A1", kind=ReadingKind.LOADS, volts=(-30.0, 12.4), line=4), "4 volts: -30 V is beyond anything"),
        (Reading(unit="A1", kind=ReadingKind.RUN, volts=(10.5,), cutoff_v=1050.0, line=5), "5 cutoff_v: 1050 V"),
    ],
)
def test_volts_that_the_unit_cannot_have(reading: Reading, told: str) -> None:
    """Beyond the limit of the pile file, 1.5 times the highest charge voltage of its cells, volts are a fault."""
    pile = [Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100.0, rated_hours=20.0)]
    (fault,) = impossible_volts([reading], pile)
    assert str(fault).startswith(told)
    most_v = 1.5 * 6 * pile[0].chem.num("charge_max_v")
    assert f"{most_v:g} V is the most" in fault.mend
    assert impossible_volts([Reading(unit="A1", kind=ReadingKind.REST, volts=(most_v, -most_v))], pile) == []
    assert impossible_volts([Reading(unit="Z9", kind=ReadingKind.REST, volts=(126.1,))], pile) == []
