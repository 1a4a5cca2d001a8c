"""Read and write the readings file: every reading of it, or every fault of it at once."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import fields
from functools import cache

from hotchpot.errors import MOST_FAULTS_SHOWN, Fault, nearest
from hotchpot.pile.cell import finest_step
from hotchpot.pile.columns import NAMEPLATE_MARGIN
from hotchpot.pile.csvout import write_table
from hotchpot.pile.reading import Reading
from hotchpot.pile.readingcolumns import MAX_READINGS, READINGS, readings_markdown
from hotchpot.pile.readingkinds import check_reading
from hotchpot.pile.sheet import Sheet, read_sheet
from hotchpot.pile.table import Kind
from hotchpot.pile.unit import Unit

__all__ = [
    "MAX_READINGS",
    "impossible_volts",
    "parse_readings",
    "readings_markdown",
    "unknown_units",
    "write_readings",
]
_CLOCK = re.compile(r"'(\d{1,6}):([0-5]\d)(?::([0-5]\d))?' is not a number")
_SLIPS = (1000.0, 100.0, 10.0)  # millivolts, or a point that slipped
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
    _clock_hints(sheet)
    sheet.finish()
    _count_steps(sheet)
    sheet.values["line"] = list(sheet.lines)
    return sheet.rows(Reading, [*_FIELDS, "line"])


def _clock_hints(sheet: Sheet) -> None:
    """Say of times written as on a clock what they are as one number: 12.5 for 12:30 hours, 90 for 1:30 seconds."""
    columns = {sheet.table.order[name]: (name, times) for name, times in (("hours", 1.0), ("seconds", 60.0))}
    for at, (line, order, fault) in enumerate(sheet.faults):
        match = _CLOCK.match(fault.what) if order in columns else None
        if match is None:
            continue
        name, times = columns[order]
        count = int(match[1]) + (int(match[2]) + int(match[3] or 0) / 60.0) / 60.0
        mend = f"write it as one number: {count * times / sheet.headings[name].scale:.6g}"
        sheet.faults[at] = (line, order, Fault(fault.where, fault.what, mend))


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


def impossible_volts(readings: Iterable[Reading], units: Iterable[Unit]) -> list[Fault]:
    """
    Return a fault for each reading with volts beyond anything its unit can hold: a slip, or another battery.

    The limit is that of the pile file for a rest voltage, 1.5 times the highest charge voltage of the chemistry, either
    way. `where` is line and column alone, as in `unknown_units`.

    Examples
    --------
    >>> pile = [Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100.0, rated_hours=20.0)]
    >>> impossible_volts([Reading(unit="A1", kind="rest", volts=(126.1,), line=3)], pile)[0].what
    '126.1 V is beyond anything 6 cells of lead_agm can hold'
    """
    known = {unit.id: unit for unit in units}
    faults: list[Fault] = []
    for reading in readings:
        unit = known.get(reading.unit)
        if unit is None:
            continue
        most_v = NAMEPLATE_MARGIN * unit.cells * unit.chem.num("charge_max_v")
        for column, volts in (("volts", reading.volts), ("cutoff_v", (reading.cutoff_v or 0.0,))):
            wrong = next((v for v in volts if abs(v) > most_v), None)
            if wrong is not None:
                what = f"{wrong:g} V is beyond anything {unit.cells} cells of {unit.chemistry} can hold"
                where = f"{unit.id} {reading.kind} {column}" if reading.line is None else f"{reading.line} {column}"
                faults.append(Fault(where, what, f"{most_v:g} V is the most that is read; {_slip_of(wrong, unit)}"))
    return faults


def _slip_of(volts: float, unit: Unit) -> str:
    nominal_v = unit.cells * unit.chem.num("nominal_v")
    for times in _SLIPS:
        if 0.6 <= abs(volts) / times / nominal_v <= 1.4:
            return f"did you mean {volts / times:g}?"
    return f"are the unit, and in the pile its cells and chemistry, right? {unit.id} has {unit.cells} cells"
