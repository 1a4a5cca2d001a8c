"""Reading pile files: everything people's files look like, and everything that can be wrong with them."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import Fault, InputError
from hotchpot.pile import FLAGS, Unit
from hotchpot.pile.columns import BY_NAME, COLUMNS, MAX_UNITS, Kind, columns_markdown
from hotchpot.pile.csvfile import parse_pile
from hotchpot.pile.words import chemistries_markdown

HEAD = "id,chemistry,cells,rated_ah"
DOC = Path(__file__).parents[2] / "docs" / "pile-file.md"


def read(data: bytes | str) -> tuple[Unit, ...]:
    """Return the units of a pile called pile.csv."""
    return parse_pile(data, name="pile.csv")


def faults(data: bytes | str) -> tuple[Fault, ...]:
    """Return the faults of a pile that must not read."""
    with pytest.raises(InputError) as caught:
        read(data)
    for fault in caught.value.faults:
        assert fault.where.startswith("pile.csv")
        assert fault.what
        assert fault.mend
        assert "\n" not in str(fault)
    return caught.value.faults


def fault(data: bytes | str) -> Fault:
    """Return the one fault of a pile."""
    found = faults(data)
    assert len(found) == 1, [str(item) for item in found]
    return found[0]


def one(column: str, value: str, *, base: str = "A1,lead_agm,6,100") -> Unit:
    """Return a sound unit with one more column; the value is quoted as a CSV field."""
    return read(row(column, value, base=base))[0]


def row(column: str, value: str, *, base: str = "A1,lead_agm,6,100") -> str:
    """Return a pile of one unit with one more column."""
    out = io.StringIO()
    csv.writer(out).writerows([[*HEAD.split(","), column], [*base.split(","), value]])
    return out.getvalue()


# --- what reads ------------------------------------------------------------------------------------------------------


def test_every_column_of_the_contract_reads() -> None:
    """A row with every column filled must arrive whole, each value in its own field (invented values)."""
    text = (
        "id,chemistry,cells,rated_ah,rated_hours,capacity_ah,resistance_mohm,rest_v,rest_hours,soc_frac,temperature_c,"
        "made,self_discharge_frac_month,gravity,flags,rest_rise_k,bms,bms_max_a,bms_max_v,max_in_series,"
        "max_in_parallel,max_charge_a,max_discharge_a,note\n"
        "A-1,lead_flooded,6,100,10,91.5,6.2,-12.5,24,0.8,-5,2019,0.06,1.265;1.27,dented;hot,0.5,no,50,60,4,3,13,20,"
        '"a, b"\n'
    )
    assert read(text) == (
        Unit(
            id="A-1", chemistry="lead_flooded", cells=6, rated_ah=100.0, rated_hours=10.0, capacity_ah=91.5,
            resistance_mohm=6.2, rest_v=-12.5, rest_hours=24.0, soc_frac=0.8, temperature_c=-5.0, made="2019",
            self_discharge_frac_month=0.06, gravity=(1.265, 1.27), flags=("dented", "hot"), rest_rise_k=0.5, bms=False,
            bms_max_a=50.0, bms_max_v=60.0, max_in_series=4, max_in_parallel=3, max_charge_a=13.0,
            max_discharge_a=20.0, note="a, b",
        ),
    )  # fmt: skip


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_separators_line_endings_and_marks(delimiter: str, ending: str, mark: bytes) -> None:
    """The same table must read the same however a spreadsheet separates, ends and marks it."""
    lines = ["id,chemistry,cells,rated_ah,note", "", "Ä1,lfp,4,100,Zöe's", ",,,,", "B,nmc,7,50,"]
    data = mark + ending.join(line.replace(",", delimiter) for line in lines).encode()
    assert [(u.id, u.cells, u.note) for u in read(data)] == [("Ä1", 4, "Zöe's"), ("B", 7, "")]


def test_text_and_bytes_read_alike() -> None:
    """A text that was decoded before, with its mark still on, must read as its bytes do."""
    text = f"\ufeff{HEAD}\nA,lfp,4,100\n"
    assert read(text) == read(text.encode())


def test_columns_may_stand_in_any_order() -> None:
    """Turning the columns round must change nothing."""
    lines = ["id,chemistry,cells,rated_ah,rest_v", "A,lfp,4,100,13.2", "B,nmc,7,50,26"]
    turned = "\n".join(",".join(reversed(line.split(","))) for line in lines)
    assert read(turned) == read("\n".join(lines))


def test_comments_blank_lines_and_sep_line_before_the_heading() -> None:
    """Comments, blank lines and a separator line must be passed over, and lines still be counted from the top."""
    text = f'# invented\n\n;;;\n"# also, invented"\nsep=|\n{HEAD.replace(",", "|")}\nA|lfp|4|x\n'
    assert fault(text).where == "pile.csv:7 rated_ah"
    assert read(text.replace("x", "100"))[0].rated_ah == 100.0


def test_only_the_lines_above_the_heading_are_comments() -> None:
    """An id that begins with # must stay a unit."""
    assert read(f"{HEAD}\n#1,lfp,4,100\n")[0].id == "#1"


def test_empty_columns_at_the_end_are_passed_over() -> None:
    """Columns without heading and without values must not matter."""
    assert len(read(f"{HEAD},,\nA,lfp,4,100,,\nB,lfp,4,100,, \nC,lfp,4,100\n")) == 3


def test_a_note_may_span_lines_and_lines_are_still_counted() -> None:
    """A quoted line break belongs to the note, and a fault after it must name the line it really stands on."""
    text = f'{HEAD},note\nA,lfp,4,100,"one\ntwo"\nB,lfp,4,bad,\n'
    assert fault(text).where == "pile.csv:4 rated_ah"
    assert read(text.replace("bad", "100"))[0].note == "one\ntwo"


@pytest.mark.parametrize(
    ("heading", "value", "name", "expected"),
    [
        ("capacity [Ah]", "80", "capacity_ah", 80.0),
        ("Capacity (ah)", "80", "capacity_ah", 80.0),
        ("capacity [mAh]", "80000", "capacity_ah", 80.0),
        ("capacity_mah", "80000", "capacity_ah", 80.0),
        ("capacity Ah", "80", "capacity_ah", 80.0),
        ("CAPACITY_AH", "80", "capacity_ah", 80.0),
        ("Measured Capacity, Ah", "80", "capacity_ah", 80.0),
        ("capacity [%]", "80", "capacity_ah", 80.0),
        ("soh [%]", "80", "capacity_ah", 80.0),
        ("soh", "0.8", "capacity_ah", 80.0),
        ("capacity_frac", "80 %", "capacity_ah", 80.0),
        ("R (mΩ)", "6.5", "resistance_mohm", 6.5),
        ("R (m\u2126)", "6.5", "resistance_mohm", 6.5),
        ("R [mOhm]", "6.5", "resistance_mohm", 6.5),
        ("resistance [Ω]", "0.0065", "resistance_mohm", 6.5),
        ("internal resistance / ohm", "0.0065", "resistance_mohm", 6.5),
        ("resistance_mohm", "6.5", "resistance_mohm", 6.5),
        ("resistance_mohm", "0.0065 Ω", "resistance_mohm", 6.5),
        ("rest voltage (V)", "12.7", "rest_v", 12.7),
        ("rest [mV]", "12700", "rest_v", 12.7),
        ("OCV", "12.7", "rest_v", 12.7),
        ("OCV", "12.7 V", "rest_v", 12.7),
        ("rest_v", "−12.7", "rest_v", -12.7),
        ("rest time [days]", "2", "rest_hours", 48.0),
        ("rest [h]", "24", "rest_hours", 24.0),
        ("temperature [°F]", "77", "temperature_c", 25.0),
        ("temperature in °C", "25", "temperature_c", 25.0),
        ("temp (degC)", "25", "temperature_c", 25.0),
        ("temperature [K]", "298.15", "temperature_c", 25.0),
        ("rest rise [°C]", "1.5", "rest_rise_k", 1.5),
        ("rest rise [°F]", "1.8", "rest_rise_k", 1.0),
        ("SoC", "0.85", "soc_frac", 0.85),
        ("SoC", "85 %", "soc_frac", 0.85),
        ("SoC [%]", "85", "soc_frac", 0.85),
        ("state of charge (0..1)", "0.85", "soc_frac", 0.85),
        ("self discharge [%]", "3", "self_discharge_frac_month", 0.03),
        ("self_discharge_frac_month", "3 %", "self_discharge_frac_month", 0.03),
        ("self_discharge_frac_month", "", "self_discharge_frac_month", None),
        ("max charge current [mA]", "5000", "max_charge_a", 5.0),
        ("BMS (yes/no)", "Yes", "bms", True),
        ("bms", "FALSE", "bms", False),
        ("bms", "1", "bms", True),
        ("bms", "0", "bms", False),
        ("bms", "", "bms", None),
        ("year", "2019", "made", "2019"),
        ("made", "2019.0", "made", "2019"),
        ("made", "2019-3", "made", "2019-03"),
        ("made", "2019-03-05", "made", "2019-03-05"),
        ("made", "5.3.2019", "made", "2019-03-05"),
        ("made", "03/2019", "made", "2019-03"),
        ("flags", "dented; Unknown history|dented", "flags", ("dented", "unknown_history")),
        ("flags", "dented,hot", "flags", ("dented", "hot")),
        ("SG", "1.265;1.27 ; 1.26", "gravity", (1.265, 1.27, 1.26)),
        ("gravity (per cell)", "1.265, 1.270", "gravity", (1.265, 1.27)),
        ("gravity", "1.265,1.270", "gravity", (1.265, 1.27)),
        ("gravity", "1,265;1,270", "gravity", (1.265, 1.27)),
        ("gravity", "1,265", "gravity", (1.265,)),
        ("max_in_series", "4.0", "max_in_series", 4),
        ("rated_hours", "", "rated_hours", 20.0),
        ("Remarks", " tired ", "note", "tired"),
    ],
)
def test_headings_and_cells_as_people_write_them(heading: str, value: str, name: str, expected: object) -> None:
    """A heading in any natural spelling, and a cell with or without its unit, must give the value in our unit."""
    assert getattr(one(heading, value), name) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12,5", 12.5), ("1.234,5", 1234.5), ("1 234,5", 1234.5), ("0,5", 0.5), ("100", 100.0), ("1,5E+03", 1500.0),
        ("1,234", 1.234), ("12.345,678", 12345.678),
    ],
)  # fmt: skip
@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_decimal_commas(text: str, expected: float, delimiter: str) -> None:
    """With semicolons or tabs between, a comma must be the decimal sign and a point before it parts thousands."""
    data = f"id;chemistry;cells;rated_ah\nA;lfp;4;{text}\n".replace(";", delimiter)
    assert read(data)[0].rated_ah == expected


def test_decimal_points_with_semicolons() -> None:
    """A file with semicolons and decimal points must keep its points: 1.234 is not a thousand."""
    assert read("id;chemistry;cells;rated_ah\nA;lfp;4;1.234\nB;lfp;4;12.5\n")[0].rated_ah == 1.234


def test_a_number_that_can_mean_two_is_asked_back() -> None:
    """With both decimal signs in a file, a text of two readings must be refused, both named, and not guessed."""
    data = "id;chemistry;cells;rated_ah;rest_v\nA;lfp;4;1.234;13,2\n"
    assert fault(data).where == "pile.csv:2 rated_ah"
    assert fault(data).what == "'1.234' can mean 1.234 or 1234 Ah"
    assert fault(f'{HEAD}\nA,lfp,4,"1,234"\n').what == "'1,234' can mean 1.234 or 1234 Ah"


def test_a_number_with_one_possible_reading_is_taken() -> None:
    """Where only one of two readings is physically possible, it must be taken without a question."""
    data = "id;chemistry;cells;rated_ah;rest_v;temperature_c\nA;lfp;4;1234,5;13,2;20.125\n"
    assert read(data)[0].temperature_c == 20.125


@pytest.mark.parametrize(
    ("chem", "nominal_v", "cells"),
    [
        ("lead_flooded", "12", 6), ("lead_agm", "6", 3), ("lead_gel", "2", 1), ("lead_agm", "48", 24),
        ("lfp", "12.8", 4), ("lfp", "12", 4), ("lfp", "3.2", 1), ("lfp", "24", 8), ("lfp", "25.6", 8),
        ("lfp", "51.2", 16),
        ("nmc", "3.7", 1), ("nmc", "3.6", 1), ("nmc", "7.4", 2), ("nmc", "14.8", 4), ("nmc", "36", 10),
        ("nmc", "48", 13),
        ("lto", "2.4", 1), ("lto", "12", 5), ("nicd", "12", 10), ("nimh", "1.2", 1), ("naion", "12", 4),
    ],
)  # fmt: skip
def test_cells_follow_from_the_label_voltage(chem: str, nominal_v: str, cells: int) -> None:
    """The usual labels of each chemistry must give their cell counts (common practice, no source)."""
    assert read(f"id,chemistry,nominal_v,rated_ah\nA,{chem},{nominal_v},10\n")[0].cells == cells


@pytest.mark.parametrize(
    ("chem", "nominal_v", "says"),
    [
        ("nmc", "12", "12 V is not 3 cells of nmc"),
        ("lead_agm", "3", "3 V is not 2 cells of lead_agm"),
        ("lfp", "1.2", "1.2 V is not 1 cells of lfp"),
        ("lfp", "48", "a 48 V label on lfp can mean 15 or 16 cells"),
        ("lfp", "36", "a 36 V label on lfp can mean 11 or 12 cells"),
    ],
)
def test_a_label_that_leaves_the_count_open_is_refused(chem: str, nominal_v: str, says: str) -> None:
    """A label off by more than 8 %, or fitting two counts, must be refused: a wrong count is a wrong charge voltage."""
    found = fault(f"id,chemistry,nominal_v,rated_ah\nA,{chem},{nominal_v},10\n")
    assert found.where == "pile.csv:2 nominal_v"
    assert found.what.startswith(says)
    assert "cells" in found.mend


def test_cells_and_label_must_agree() -> None:
    """Given both, the count of cells must win where they agree, and a contradiction be reported."""
    head = "id,chemistry,cells,nominal_v,rated_ah"
    assert read(f"{head}\nA,lfp,16,48,100\n")[0].cells == 16
    assert fault(f"{head}\nA,lead_agm,3,12,100\n").what == "12 V is not 3 cells of lead_agm (3 × 2 V)"


@pytest.mark.parametrize("key", KEYS)
def test_every_chemistry_reads_with_its_own_hour_rate(key: str) -> None:
    """Each key must read in any case, and bring the hour rate of its own data file."""
    unit = read(f"id,chemistry,cells,rated_ah\nA,{key.upper()},1,10\n")[0]
    assert unit.chemistry == key
    assert unit.rated_hours == chemistry(key).num("rated_h")


def test_capacity_from_either_column() -> None:
    """A fraction must give amp-hours of the rated, and both may stand together within 2 %."""
    head = f"{HEAD},capacity_ah,capacity_frac"
    assert read(f"{head}\nA,lfp,4,200,,0.9\n")[0].capacity_ah == 180.0
    assert read(f"{head}\nA,lfp,4,200,182,0.9\n")[0].capacity_ah == 182.0
    found = fault(f"{head}\nA,lfp,4,200,170,0.9\n")
    assert found.where == "pile.csv:2 capacity_frac"
    assert "180 Ah" in found.what
    assert "170 Ah" in found.what


def test_the_most_units_read_and_one_more_does_not() -> None:
    """A pile of the most units must read whole; one more is one fault, and no other."""
    lines = [f"u{n},lfp,4,100" for n in range(MAX_UNITS + 1)]
    assert len(read("\n".join([HEAD, *lines[:-1]]))) == MAX_UNITS
    assert "more than 15000 units" in fault("\n".join([HEAD, *lines, "x,bad,bad,bad"])).what


# --- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "where", "says"),
    [
        (b"", "pile.csv", "empty"),
        (b"\xef\xbb\xbf", "pile.csv", "empty"),
        (b" \r\n\n,,,\n# only a comment\n", "pile.csv", "empty"),
        (f"{HEAD}\n".encode(), "pile.csv", "a heading but no units"),
        (b"PK\x03\x04\x14\x00\x06\x00", "pile.csv", "workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "pile.csv", "workbook"),
        (f"{HEAD}\nA,lfp,4,100\n".encode("utf-16"), "pile.csv", "UTF-16"),
        (f"{HEAD}\nA,lfp,4,100\n".encode("utf-16-be"), "pile.csv:1", "zero byte"),
        (f"{HEAD}\nA,lfp,4,100\nB\0,lfp,4,1\n", "pile.csv:3", "zero byte"),
        (f"{HEAD},note\nA,lfp,4,100,\nB,lfp,4,9,süß\n".encode("latin-1"), "pile.csv:3", "byte 0xfc (Latin-1 has 'ü'"),
        (b"id\n\x80\n", "pile.csv:2", "byte 0x80 is not UTF-8"),
    ],
)
def test_a_file_that_is_no_pile_is_one_fault(data: bytes | str, where: str, says: str) -> None:
    """A file wrong as a whole must give one fault that names it, and the byte and line where there is one."""
    found = fault(data)
    assert found.where == where
    assert says in found.what
    assert "UTF-8" in found.mend or "row" in found.mend


@pytest.mark.parametrize(
    ("column", "value", "says", "mend"),
    [
        ("capacity_ah", "lots", "'lots' is not a number", "0.001 to 30000 Ah"),
        ("capacity_ah", "nan", "not a number", "Ah"),
        ("capacity_ah", "-inf", "not a number", "Ah"),
        ("capacity_ah", "1_0", "not a number", "Ah"),
        ("capacity_ah", "٥", "not a number", "Ah"),
        ("capacity_ah", "#DIV/0!", "not a number", "Ah"),
        ("capacity_ah", "80 V", "not a number", "Ah"),
        ("capacity_ah", "0", "out of range", "leave it empty if it was not measured"),
        ("capacity_ah", "1e9", "out of range", "30000 Ah"),
        ("capacity_ah", "151", "more than 1.5 times the rated 100 Ah", "is rated_ah right?"),
        ("capacity_frac", "1.6", "out of range", "did you mean 1.6 %?"),
        ("capacity_frac", "85", "out of range", "did you mean 85 %?"),
        ("soc_frac", "1.01", "out of range", "0 to 1"),
        ("soc_frac", "-0.1", "out of range", "0 to 1"),
        ("soc_frac", "120 %", "out of range", "0 to 1"),
        ("resistance_mohm", "-4", "out of range", "0.001 to 100000 mΩ"),
        ("resistance_mohm", "0", "out of range", "mΩ"),
        ("temperature_c", "-61", "out of range", "-60 to 120 °C"),
        ("temperature_c", "121", "out of range", "-60 to 120 °C"),
        ("rest_v", "23", "beyond anything 6 cells of lead_agm can hold", "22.05 V"),
        ("rest_v", "-23", "beyond anything 6 cells", "are cells and chemistry right?"),
        ("rest_hours", "-1", "out of range", "0 to 100000 h"),
        ("self_discharge_frac_month", "3", "out of range", "did you mean 3 %?"),
        ("gravity", "0.9", "'0.9' is not a hydrometer reading", "1.000 to 1.400"),
        ("gravity", "1.25;1.41", "'1.41' is not a hydrometer reading", "1.000 to 1.400"),
        ("gravity", "1265", "'1265' is not", "write 1.265, not 1265"),
        ("gravity", "1.2;1.2;1.2;1.2;1.2;1.2;1.2", "7 hydrometer readings on 6 cells", "at most one"),
        ("flags", "swolen", "unknown flag 'swolen'", "did you mean 'swollen'?"),
        ("flags", "dented;leeking", "unknown flag 'leeking'", "did you mean 'leaking'?"),
        ("bms", "maybe", "neither yes nor no", "yes or no"),
        ("made", "03/04/2019", "can be read two ways", "2019-03-25"),
        ("made", "2019-13", "not a year or a date", "2019-03"),
        ("made", "old", "not a year or a date", "2019-03"),
        ("max_in_series", "2.5", "not a whole number", "1 to 1000"),
        ("max_in_parallel", "0", "out of range", "1 to 1000"),
        ("note", "bell \x07", "a control character (U+0007)", "without it"),
    ],
)
def test_a_wrong_cell_is_one_fault_at_its_place(column: str, value: str, says: str, mend: str) -> None:
    """A value that cannot be must be one fault at line and column, with what is wrong and what would be right."""
    found = fault(row(column, value))
    assert found.where == f"pile.csv:2 {column}"
    assert says in found.what
    assert mend in found.mend


@pytest.mark.parametrize(
    ("line", "where", "says"),
    [
        (",lfp,4,100", "id", "empty"),
        ("  ,lfp,4,100", "id", "empty"),
        ("A\x07,lfp,4,100", "id", "cannot be printed (U+0007)"),
        ("A\u200b,lfp,4,100", "id", "cannot be printed (U+200B)"),
        ("A,,4,100", "chemistry", "empty"),
        ("A,lead_amg,4,100", "chemistry", "unknown chemistry 'lead_amg'"),
        ("A,lead,4,100", "chemistry", "'lead' does not say which lead type"),
        ("A,lfp,,100", "cells", "empty, and nominal_v too"),
        ("A,lfp,0,100", "cells", "out of range"),
        ("A,lfp,-4,100", "cells", "out of range"),
        ("A,lfp,1001,100", "cells", "out of range"),
        ("A,lfp,3.5,100", "cells", "not a whole number"),
        ("A,lfp,4,", "rated_ah", "empty"),
        ("A,lfp,4,1e9", "rated_ah", "out of range"),
        ("A,lfp,4,-1", "rated_ah", "out of range"),
        ("A,lfp,4,NaN", "rated_ah", "not a number"),
    ],
)
def test_needed_values_are_needed(line: str, where: str, says: str) -> None:
    """Each needed column must be filled with something possible, or be one fault in that column."""
    found = fault(f"{HEAD}\n{line}\n")
    assert found.where == f"pile.csv:2 {where}"
    assert says in found.what


def test_a_mistyped_chemistry_gets_the_nearest() -> None:
    """An unknown chemistry must come with the one that was probably meant."""
    assert fault(f"{HEAD}\nA,lead_amg,6,100\n").mend == "did you mean 'lead_agm'?"


def test_a_duplicate_id_names_the_first_line() -> None:
    """A second unit of the same name must be reported at its line, with the line of the first."""
    found = faults(f"{HEAD}\n\nA,lfp,4,100\nB,lfp,4,100\n A ,lfp,4,100\nA,lfp,4,100\n")
    assert [item.where for item in found] == ["pile.csv:5 id", "pile.csv:6 id"]
    assert all("line 3" in item.what for item in found)


@pytest.mark.parametrize(
    ("header", "column", "says", "mend"),
    [
        ("capcity_ah", "capcity_ah", "no such column", "did you mean 'capacity_ah'?"),
        ("colour", "colour", "no such column", ""),
        ("cells voltage", "cells voltage", "no such column", ""),
        (
            "capacity [V]",
            "capacity [V]",
            "'V' is not a unit of capacity_ah",
            "'capacity_ah [Ah]' or 'capacity_frac [%]'",
        ),
        ("rest_v [Ah]", "rest_v [Ah]", "'Ah' is not a unit of rest_v", "'rest_v [V]'"),
        ("capacity", "capacity", "needs its unit", "'capacity_ah [Ah]' or 'capacity_frac [%]'"),
        ("resistance", "resistance", "needs its unit", "'resistance_mohm [mΩ]'"),
        ("temperature", "temperature", "needs its unit", "'temperature_c [°C]'"),
        ("rest", "rest", "needs its unit", "'rest_v [V]' or 'rest_hours [h]'"),
        ("Rated [Ah]", "rated_ah", "stands twice, in places 4 and 5", "keep one"),
    ],
)
def test_a_wrong_heading_is_one_fault(header: str, column: str, says: str, mend: str) -> None:
    """A heading that is unknown, ambiguous, of the wrong unit or there twice must be reported in the heading's line."""
    found = fault(f"{HEAD},{header}\nA,lfp,4,100,\n")
    assert found.where == f"pile.csv:1 {column}"
    assert says in found.what
    assert mend in found.mend


def test_a_heading_without_end_is_refused_like_any_other() -> None:
    """A heading of a hundred thousand signs must be one short fault, not a long search."""
    found = fault(f"{HEAD},a{' _' * 50_000}\nA,lfp,4,100,\n")
    assert found.what == "no such column"
    assert len(found.where) < 80


def test_missing_columns_are_all_named() -> None:
    """Every needed column that is missing must be named, and cells and nominal_v as one choice."""
    found = faults("note,rest_v\nx,12\n")
    assert [item.where.removeprefix("pile.csv:1 ") for item in found] == ["id", "chemistry", "rated_ah", "cells"]
    assert "nominal_v" in found[-1].mend


@pytest.mark.parametrize(
    ("line", "count", "hint"),
    [
        ("A,lfp,4,100,13,2,1", 7, "a decimal comma"),
        ("A,lfp,4,100,13,2,", 7, "a decimal comma"),  # the empty last field must not hide the shift
        ("A,lfp,4,100", 4, "empty where not known"),
    ],
)
def test_a_row_of_another_length_is_refused(line: str, count: int, hint: str) -> None:
    """A row with too many or too few fields must be one fault, with a hint at a decimal comma without quotes."""
    found = fault(f"{HEAD},rest_v,rest_hours\nB,lfp,4,100,13.2,\n{line}\n")
    assert found.where == "pile.csv:3"
    assert found.what == f"{count} fields where the heading has 6"
    assert hint in found.mend


def test_an_unquoted_list_between_semicolons_is_hinted_at() -> None:
    """A list that falls apart at the file's own separator must be met with the advice to quote it."""
    found = fault("id;chemistry;cells;rated_ah;flags\nA;lfp;4;100;dented;hot\n")
    assert "needs quotes" in found.mend


def test_values_without_a_heading_are_refused() -> None:
    """A column with values but no heading must be reported, not dropped."""
    assert "column 5 has values but no heading" in fault(f"{HEAD},,note\nA,lfp,4,100,7,\n").what


def test_a_quote_left_open_does_not_swallow_the_file() -> None:
    """An unpaired quote must be reported at its line together with the faults before it."""
    found = faults(f'{HEAD},note\nA,lfp,4,bad,\nB,lfp,4,100,"open\nC,lfp,4,100,\n')
    assert [item.where for item in found] == ["pile.csv:3", "pile.csv:2 rated_ah"]
    assert "quotes" in found[0].what


def test_every_fault_is_reported_at_once_in_order() -> None:
    """One reading must bring all faults of heading and rows, in the order of lines and columns, without follow-ups."""
    text = (
        "id,chemistry,cells,rated_ah,rest_v,soc_frac,colour\n"
        "A,lfp,4,100,13.2,0.5,\n"
        "A,lpf,x,1e9,13.2,50,\n"
        ",nmc,7,20,nan,0.5,\n"
        "D,nmc,7,20\n"
    )
    assert [item.where.removeprefix("pile.csv:") for item in faults(text)] == [
        "1 colour", "3 id", "3 chemistry", "3 cells", "3 rated_ah", "3 soc_frac", "4 id", "4 rest_v", "5",
    ]  # fmt: skip


def test_faults_by_the_thousand_are_all_kept() -> None:
    """A wrong column in a long pile must give one fault a row, and a message that stays short."""
    lines = [f"u{n},lfp,4,-1" for n in range(3000)]
    with pytest.raises(InputError) as caught:
        read("\n".join([HEAD, *lines]))
    assert len(caught.value.faults) == 3000
    assert len(str(caught.value).splitlines()) == 21


@settings(deadline=None, max_examples=200)
@given(st.one_of(st.binary(max_size=200), st.text(max_size=200)))
def test_any_bytes_read_or_are_refused(data: bytes | str) -> None:
    """Whatever the file holds, the answer must be units or InputError, never another exception."""
    try:
        units = read(data)
    except InputError as error:
        units = ()
        refused = len(error.faults)
    else:
        refused = 0
    assert bool(units) != bool(refused)


@settings(deadline=None, max_examples=200)
@given(st.lists(st.lists(st.text("0123456789.,-eEnaif %VAhmΩ;\"'\n", max_size=9), min_size=4, max_size=6), max_size=4))
def test_any_cells_read_or_are_refused(cells: list[list[str]]) -> None:
    """Under a sound heading, any cells must give units whose numbers are in range, or faults at their lines."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["id", "rated_ah", "cells", "rest_v", "gravity", "chemistry"])
    writer.writerows([*line, "lfp"][:6] for line in cells)
    try:
        units = read(out.getvalue())
    except InputError as error:
        units = ()
        assert all(item.where.startswith("pile.csv") for item in error.faults)  # noqa: PT017
    for unit in units:
        assert 0.01 <= unit.rated_ah <= 20_000
        assert 1 <= unit.cells <= 1000
        assert isinstance(unit.cells, int)


# --- the table of columns and the documentation ----------------------------------------------------------------------


def test_the_table_has_every_field_of_a_unit() -> None:
    """Each field of a unit must have a column of its name, and the two columns beyond them be the known ones."""
    fields = set(Unit.__dataclass_fields__)
    assert set(BY_NAME) - fields == {"nominal_v", "capacity_frac"}
    assert fields <= set(BY_NAME)
    assert len(BY_NAME) == len(COLUMNS)


def test_numeric_columns_have_unit_and_range() -> None:
    """Every column of numbers must have a range, and every quantity a unit that its name ends with."""
    endings = {"V": "_v", "Ah": "_ah", "A": "_a", "mΩ": "_mohm", "K": "_k", "°C": "_c", "h": "_hours", "1": "_frac"}
    for column in COLUMNS:
        if column.numeric:
            assert column.low < column.high
        if column.kind is Kind.NUMBER:
            assert column.name.endswith(endings.get(column.unit, "_month")), column.name


def test_the_flags_are_named_in_the_table() -> None:
    """The help of the flags column must list exactly the flags there are."""
    listed = BY_NAME["flags"].help.split(": ")[1].split(", ")
    assert tuple(listed) == FLAGS


def test_the_document_holds_the_table() -> None:
    """The documentation must hold the columns' table exactly as the program makes it."""
    assert columns_markdown() in DOC.read_text("utf-8")


def test_the_document_holds_every_chemistry_as_the_program_knows_it() -> None:
    """The page's table of chemistries must be the program's, and each of its words must be read as its key."""
    made = chemistries_markdown()
    assert made in DOC.read_text("utf-8"), "write chemistries_markdown() into docs/pile-file.md"
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in made.splitlines()[2:]]
    assert [row[0].strip("`") for row in rows] == list(KEYS)
    for key, _, nominal_v, _, also in rows:
        for word in (key.strip("`"), *(word for word in also.split(", ") if word)):
            text = f"id,chemistry,cells,rated_ah\nA1,{word},4,100\n"
            assert parse_pile(text, name="pile.csv")[0].chemistry == key.strip("`")
        assert float(nominal_v) == chemistry(key.strip("`")).num("nominal_v")


@pytest.mark.parametrize(
    ("made", "fine"),
    [
        ("2026", True),
        ("2026-11", True),
        ("2026-11-25", True),
        ("2027", False),
        ("2026-12", False),
        ("26.11.2026", False),
    ],
)
def test_nothing_was_made_on_a_day_to_come(made: str, fine: bool) -> None:
    """A year, month or day after the last that can be must be refused with its line."""
    text = f"id,chemistry,cells,rated_ah,made\nA1,lfp,4,100,{made}\n"
    assert parse_pile(text, name="pile.csv")
    if fine:
        assert parse_pile(text, name="pile.csv", latest="2026-11-25")
        return
    with pytest.raises(InputError, match=r"pile.csv:2 made: .* lies in the future, write the year or day that stands"):
        parse_pile(text, name="pile.csv", latest="2026-11-25")


def test_the_document_says_the_most_units() -> None:
    """The limit in the documentation must be the program's."""
    assert f"At most {MAX_UNITS} units" in DOC.read_text("utf-8")


def test_the_documents_piles_read_and_its_faults_are_real() -> None:
    """Each sample pile of the documentation must read, and the faulty one give exactly the answer printed there."""
    text = DOC.read_text("utf-8")
    samples = re.findall(r"```csv\n(.*?)```", text, re.DOTALL)
    assert len(samples) == 2
    assert [[(u.id, u.capacity_ah) for u in read(sample)] for sample in samples] == [
        [("A1", 91.5), ("A2", 84.0), ("L1", 88.0)]
    ] * 2
    faulty, answer = re.search(r"```csv faulty\n(.*?)```.*?```text\n(.*?)```", text, re.DOTALL).groups()  # type: ignore[union-attr]
    with pytest.raises(InputError) as caught:
        read(faulty)
    assert f"{caught.value}\n" == answer
