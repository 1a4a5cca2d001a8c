"""What each kind of reading must have, and what cannot go together in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from hotchpot.pile.reading import ReadingKind
from hotchpot.pile.readingcolumns import EVERY, UNUSED, USES
from hotchpot.pile.sheet import Sheet


def check_reading(sheet: Sheet, row: int, kind: ReadingKind) -> None:
    """Hold one reading against its kind; what is wrong goes into the sheet's faults."""
    reading = _Row(sheet, row, kind)
    _unused(reading)
    _CHECKS[kind](reading)


@dataclass(frozen=True, slots=True)
class _Row:
    """One reading in its sheet."""

    sheet: Sheet
    row: int
    kind: ReadingKind

    def __getitem__(self, column: str) -> Any:
        return self.sheet.values[column][self.row]

    def read(self, *columns: str) -> bool:
        """Tell whether these cells were read; one that is wrong has its fault, and no other follows from it."""
        return not any((self.row, column) in self.sheet.wrong for column in columns)

    def has(self, column: str) -> bool:
        """Tell whether a cell is filled, rightly or wrongly."""
        return self[column] not in (None, (), "") or not self.read(column)

    def fault(self, column: str, what: str, mend: str) -> None:
        self.sheet.row_fault(self.row, column, what, mend)

    def needs(self, column: str, mend: str) -> None:
        """Ask for a cell that is empty."""
        if not self.has(column):
            self.fault(column, "empty", f"a {self.kind} reading needs {mend}")


def _unused(reading: _Row) -> None:
    for column in UNUSED[reading.kind]:
        if reading[column] not in (None, (), ""):
            taken = ", ".join(USES[reading.kind].columns)
            what = f"not a column of a {reading.kind} reading"
            mend = f"leave it empty or correct the kind; {reading.kind} takes {taken} (and {', '.join(EVERY)})"
            reading.fault(column, what, mend)


def _rest(reading: _Row) -> None:
    reading.needs("volts", "the voltage that was found")
    if reading.read("volts", "hours"):
        volts, hours = reading["volts"], reading["hours"]
        if len(volts) > 1 and not hours:
            reading.fault("hours", "empty", f"give the hours at rest of each of the {len(volts)} volts")
        elif volts and hours:
            _as_many(reading, "hours", "volts")
    _rising(reading, "hours")


def _loads(reading: _Row) -> None:
    reading.needs("volts", "two or more volts, one for each load")
    reading.needs("amps", "two or more amps, one for each load; 0 is a load too")
    if reading.read("volts", "amps") and _as_many(reading, "amps", "volts"):
        if len(reading["amps"]) < 2:
            reading.fault("amps", "one load only", "give volts and amps of two or more loads; no load, 0, is one too")
        elif len(set(reading["amps"])) < 2:
            mend = "the loads must differ: read it again with a smaller and a larger one"
            reading.fault("amps", f"the same {reading['amps'][0]:g} A each time", mend)
    _drawn(reading)


def _run(reading: _Row) -> None:
    reading.needs("hours", "the hours at which the volts were read, or how long it lasted")
    reading.needs("volts", "the volts at those hours, or the voltage at its end")
    if reading.has("amps") and reading.has("ohms"):
        reading.fault("ohms", "amps are given too", "give one of the two: amps where they were read, else ohms")
    elif not (reading.has("amps") or reading.has("ohms")):
        reading.fault("amps", "empty, and ohms too", "give the amps drawn, or the ohms of the resistor")
    if reading.read("hours", "volts") and reading["hours"] and reading["volts"]:
        _as_many(reading, "volts", "hours")
        if reading["hours"] == (0.0,):
            reading.fault("hours", "0 h is no run", "give the hours it lasted")
    if reading.read("hours", "amps") and len(reading["amps"]) > 1:
        _as_many(reading, "amps", "hours", " (or one for all)")
    if reading.read("amps") and reading["amps"] and not any(reading["amps"]):
        reading.fault("amps", "no current", "give the amps drawn; a unit that only stands is a rest or leak reading")
    _rising(reading, "hours")
    _drawn(reading)


def _gravity(reading: _Row) -> None:
    reading.needs("gravity", "the hydrometer's reading of each cell")


def _leak(reading: _Row) -> None:
    reading.needs("days", "two or more days of standing, the first usually 0")
    if reading.has("volts") and reading.has("ah"):
        reading.fault("ah", "volts are given too", "write two readings, one with the volts and one with the ah")
    elif not (reading.has("volts") or reading.has("ah")):
        reading.fault("volts", "empty, and ah too", "give the volts, or the ah, that were found on those days")
    found = "volts" if reading["volts"] else "ah"
    if reading.read("days", "volts", "ah") and reading["days"]:
        if len(reading["days"]) < 2:
            reading.fault("days", "one day only", "give two or more: the day it was left, usually 0, and those after")
        else:
            _as_many(reading, found, "days")
    _rising(reading, "days")


def _look(_reading: _Row) -> None:
    """Need nothing: to have looked and found nothing is a reading."""


def _log(reading: _Row) -> None:
    reading.needs("file", "the name of the logger's file")


def _as_many(reading: _Row, column: str, other: str, also: str = "") -> bool:
    """Tell whether two lists run side by side, or say that they do not."""
    count, wanted = len(reading[column]), len(reading[other])
    if count == wanted or not (count and wanted):
        return count == wanted
    reading.fault(column, f"{count} here and {wanted} in {other}", f"give as many {column} as {other}{also}")
    return False


def _rising(reading: _Row, column: str) -> None:
    if not reading.read(column):
        return
    for earlier, later in pairwise(reading[column]):
        if later <= earlier:
            what = f"{later:.12g} stands after {earlier:.12g}"
            reading.fault(column, what, f"{column} are counted from one start and must rise")
            return


def _drawn(reading: _Row) -> None:
    """Say that current is positive on discharge where a load or a run has a negative one."""
    if not reading.read("amps"):
        return
    negative = next((amps for amps in reading["amps"] if amps < 0), None)
    if negative is not None:
        mend = f"current is positive on discharge: write {-negative:g} if that was drawn"
        reading.fault("amps", f"{negative:g} A is negative", mend)


_CHECKS: dict[ReadingKind, Callable[[_Row], None]] = {
    ReadingKind.REST: _rest,
    ReadingKind.LOADS: _loads,
    ReadingKind.RUN: _run,
    ReadingKind.GRAVITY: _gravity,
    ReadingKind.LEAK: _leak,
    ReadingKind.LOOK: _look,
    ReadingKind.LOG: _log,
}
