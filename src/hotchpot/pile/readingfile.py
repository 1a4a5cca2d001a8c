"""Read and write the readings file: every reading of it, or every fault of it at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import fields
from functools import cache

from hotchpot.errors import MOST_FAULTS_SHOWN, Fault, nearest
from hotchpot.pile.cell import finest_step
from hotchpot.pile.csvout import write_table
from hotchpot.pile.reading import Reading
from hotchpot.pile.readingcolumns import MAX_READINGS, READINGS, readings_markdown
from hotchpot.pile.readingkinds import check_reading
from hotchpot.pile.sheet import Sheet, read_sheet
from hotchpot.pile.table import Kind
from hotchpot.pile.unit import Unit

__all__ = ["MAX_READINGS", "parse_readings", "readings_markdown", "unknown_units", "write_readings"]
_FIELDS = [item.name for item in fields(Reading) if item.name != "line"]
_TUPLES = [column.name for column in READINGS.columns if column.kind in (Kind.LIST, Kind.GRAVITY, Kind.FLAGS)]


def parse_readings(data: bytes | str, *, name: str) -> tuple[Reading, ...]:
    """
    Return the readings of a readings file, in the file's order.

    Parameters
    ----------
    data : bytes or str
        The content of the file; bytes must be UTF-8.
    name : str
        What to call the file in messages.

    Raises
    ------
    InputError
        With every fault found, each at ``name:line column``. Nothing is returned unless all is well.

    Notes
    -----
    Where `count_v` is empty it becomes the smallest step of the volts as they are written: 0.01 for ``12.61``, 0.001
    for ``12.610``; the finest of a list. It stays unknown where they are written finer than any meter shows.

    Examples
    --------
    >>> read = parse_readings("unit;kind;amps;volts [mV];seconds\\nA1;loads;5|20;12610|12400;10", name="readings.csv")
    >>> read[0].volts, read[0].count_v, read[0].line
    ((12.61, 12.4), 0.001, 2)
    """
    sheet = read_sheet(data, READINGS, name=name)
    for column in _TUPLES:
        sheet.values[column] = [() if value is None else value for value in sheet.values[column]]
    sheet.values["note"] = ["" if value is None else value for value in sheet.values["note"]]
    for row, kind in enumerate(sheet.values["kind"]):
        if kind is not None:
            check_reading(sheet, row, kind)
    sheet.finish()
    _count_steps(sheet)
    sheet.values["line"] = list(sheet.lines)
    return sheet.rows(Reading, [*_FIELDS, "line"])


def _count_steps(sheet: Sheet) -> None:
    """Fill the empty counts with the steps of the volts as written."""
    if "volts" not in sheet.headings:
        return
    heading, count = sheet.headings["volts"], READINGS.by_name["count_v"]

    @cache
    def step(text: str) -> float | None:
        found = finest_step(heading, sheet.style, text)
        return found if count.low <= found <= count.high else None  # finer was worked out, not read off a meter

    counts = sheet.values["count_v"]
    for row, (volts, text) in enumerate(zip(sheet.values["volts"], sheet.texts["volts"], strict=True)):
        if volts and counts[row] is None:
            counts[row] = step(text.strip())


def write_readings(readings: Iterable[Reading]) -> str:
    """
    Return the readings as CSV text: commas between, decimal points, one heading line, only the columns in use.

    >>> print(write_readings([Reading(unit="A1", kind="rest", volts=(12.6, 12.7), hours=(1, 4))]).replace("\\r", ""))
    unit,kind,volts,hours
    A1,rest,12.6;12.7,1;4
    """
    facts = [{name: getattr(reading, name) for name in _FIELDS} for reading in readings]
    known = [{name: value for name, value in row.items() if value not in (None, (), "")} for row in facts]
    return write_table(READINGS, known, always=("unit", "kind"))


def unknown_units(readings: Iterable[Reading], units: Iterable[Unit]) -> list[Fault]:
    """
    Return a fault for each unit that was read but is not in the pile, at its first reading.

    A reading does not know its file: `where` is its line and column alone, to stand after the file's name.

    Examples
    --------
    >>> pile = [Unit(id="A1", chemistry="lfp", cells=4, rated_ah=100.0, rated_hours=5.0)]
    >>> [str(fault) for fault in unknown_units([Reading(unit="A01", kind="look", line=7)], pile)]
    ["7 unit: no unit 'A01' in the pile, did you mean 'A1'?"]
    """
    known = dict.fromkeys(unit.id for unit in units)
    strange = [reading for reading in readings if reading.unit not in known]
    counted = Counter(reading.unit for reading in strange)
    faults: list[Fault] = []
    for reading in strange:
        count = counted.pop(reading.unit, 0)
        if count:
            hinted = len(faults) < MOST_FAULTS_SHOWN  # the search for a near word is slow in a large pile
            mend = nearest(reading.unit, known) if hinted else "write the id as the pile has it"
            also = f" ({count} readings of it, here the first)" if count > 1 else ""
            where = "unit" if reading.line is None else f"{reading.line} unit"
            faults.append(Fault(where, f"no unit {reading.unit!r} in the pile{also}", mend))
    return faults
