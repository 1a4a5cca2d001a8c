"""A load over time out of a file: moments and watts or amps, read as every table of the house is read."""

from __future__ import annotations

import re
from dataclasses import dataclass

from hotchpot.errors import Fault
from hotchpot.pile.sheet import Sheet, read_sheet
from hotchpot.pile.table import Column, Kind, Table

_CLOCK = re.compile(r"'(?P<text>(?P<h>\d{1,2}):(?P<min>[0-5]\d)(?::(?P<s>[0-5]\d))?)' is not a number", re.ASCII)
_CLOCKS = ("clock", "date", "day time", "daytime", "time of day", "o'clock")
_UNITS_OF_TIME = {
    **dict.fromkeys(("minutes", "minute", "mins", "min"), "min"),
    **dict.fromkeys(("days", "day", "d"), "day"),
}
MAX_MOMENTS = 1_000_000
LONGEST_H = 24.0 * 366.0 * 100.0  # as seconds since 1970 fit too
MOST_W, MOST_A = 1e9, 1e8
_SOURCE = ("source", "sun", "solar", "pv", "charger")
_TIME = ("time", "t", "elapsed", "since start", "moment")

COLUMNS: tuple[Column, ...] = (
    Column(
        name="time_s", kind=Kind.NUMBER, unit="s", low=0, high=3600.0 * LONGEST_H,
        synonyms=(*_TIME, "seconds", "sec", "t_s"),
        help="when the load begins to be this, in seconds since any moment; it rises from row to row",
    ),
    Column(
        name="hours", kind=Kind.NUMBER, unit="h", low=0, high=LONGEST_H, synonyms=(*_TIME, "hour", "t_h"),
        help="the same in hours; one of the two",
    ),
    Column(
        name="watts", kind=Kind.NUMBER, unit="W", low=-MOST_W, high=MOST_W,
        synonyms=("watt", "power", "load", "load power", "load_w"),
        help="power drawn from then on; negative where the bank is charged",
    ),
    Column(
        name="amps", kind=Kind.NUMBER, unit="A", low=-MOST_A, high=MOST_A,
        synonyms=("amp", "current", "load", "load current", "load_a"),
        help="current drawn from then on; negative where the bank is charged; one of the two",
    ),
    Column(
        name="source_w", kind=Kind.NUMBER, unit="W", low=0, high=MOST_W,
        synonyms=(*_SOURCE, "source power"),
        help="power that a source, such as the sun's, gives from then on; may be left out",
    ),
    Column(
        name="source_a", kind=Kind.NUMBER, unit="A", low=0, high=MOST_A,
        synonyms=(*_SOURCE, "source current"),
        help="current that a source gives from then on; one of the two at most",
    ),
    Column(name="note", kind=Kind.TEXT, synonyms=("remark", "comment"), help="anything"),
)  # fmt: skip
PROFILE = Table(COLUMNS, row="moment", most=MAX_MOMENTS, split="give every moment at which the load changes, not more")


@dataclass(frozen=True, slots=True)
class Profile:
    """A load over time and what a source gives: each value holds until the next moment; of each pair one is given."""

    time_s: tuple[float, ...]
    watts: tuple[float, ...] | None = None
    amps: tuple[float, ...] | None = None
    source_w: tuple[float, ...] | None = None
    source_a: tuple[float, ...] | None = None
    name: str = "profile"

    @property
    def charges(self) -> bool:
        """Whether it has a source: a column of its own, or loads below nought."""
        loads = self.watts or self.amps or ()
        return self.source_w is not None or self.source_a is not None or any(value < 0.0 for value in loads)


def parse_profile(data: bytes | str, *, name: str) -> Profile:
    """
    Return a load over time.

    Raises
    ------
    InputError
        With every fault found, each at ``name:line column``.

    Examples
    --------
    >>> day = parse_profile("t [min];power [kW]\\n0;0,5\\n90;1,25\\n120;0\\n", name="day.csv")
    >>> day.time_s, day.watts
    ((0.0, 5400.0, 7200.0), (500.0, 1250.0, 0.0))
    """
    sheet = _sheet(data, name)
    time = _either(sheet, "time_s", "hours", "say when: time_s in seconds, or hours")
    load = _either(sheet, "watts", "amps", "say what is drawn: watts, or amps")
    source = _either(sheet, "source_w", "source_a", "") if sheet.headings.keys() & {"source_w", "source_a"} else None
    for column in (time, load, source):
        _filled(sheet, column)
    if time is not None:
        _rising(sheet, time)
    if len(sheet.lines) == 1:
        mend = "give two or more, the last of them for when it ends"
        sheet.overall.append(Fault(f"{name}:{sheet.header_line}", "a single moment", mend))
    _told_better(sheet)
    sheet.finish()
    assert time is not None
    scale = 3600.0 if time == "hours" else 1.0
    times = tuple(scale * value for value in sheet.values[time])
    return Profile(
        times, name=name,
        **{column: tuple(sheet.values[column]) for column in (load, source) if column is not None},
    )  # fmt: skip


def _sheet(data: bytes | str, name: str) -> Sheet:
    """Read the table; of a heading that is a unit of time, and no column, say how it is written."""
    sheet = read_sheet(data, PROFILE, name=name)
    for at, fault in enumerate(sheet.overall):
        heading = fault.where.partition(" ")[2]
        if fault.what == "no such column" and heading.casefold() in _UNITS_OF_TIME:
            unit = _UNITS_OF_TIME[heading.casefold()]
            sheet.overall[at] = Fault(fault.where, fault.what, f"write 't [{unit}]': it is converted")
        elif fault.what == "no such column" and heading.casefold() in _CLOCKS:
            sheet.overall[at] = Fault(fault.where, fault.what, "give hours, such as 7.5 for half past seven")
    return sheet


def _either(sheet: Sheet, one: str, other: str, mend: str) -> str | None:
    """Return which of two columns the file has; none or both is a fault."""
    found = [name for name in (one, other) if name in sheet.headings]
    if len(found) == 1:
        return found[0]
    where = f"{sheet.name}:{sheet.header_line} {one}"
    if found:
        sheet.overall.append(Fault(where, f"{one} and {other} are both there", "keep one of the two"))
    elif not any(fault.where.startswith(f"{sheet.name}:{sheet.header_line} ") for fault in sheet.overall):
        sheet.overall.append(Fault(where, f"neither {one} nor {other} is there", mend))
    return None


def _filled(sheet: Sheet, column: str | None) -> None:
    if column is None:
        return
    for row, value in enumerate(sheet.values[column]):
        if value is None and (row, column) not in sheet.wrong:
            sheet.row_fault(row, column, "empty", "give a number, nought where nothing is drawn")


def _told_better(sheet: Sheet) -> None:
    """
    Mend the advice of a table's cells where it is of no use here.

    A load that is not known cannot be run, so no cell may be left empty; a time of the day is told as hours.
    """
    for at, (line, order, fault) in enumerate(sheet.faults):
        mend = fault.mend.removesuffix(", or leave it empty if not known")
        clock = _CLOCK.match(fault.what)
        if clock and fault.where.endswith((" time_s", " hours")):
            hours = int(clock["h"]) + int(clock["min"]) / 60 + int(clock["s"] or 0) / 3600
            mend = f"write hours as a number, {hours:.4g} for {clock['text']}"
        sheet.faults[at] = (line, order, Fault(fault.where, fault.what, mend))


def _rising(sheet: Sheet, column: str) -> None:
    before: float | None = None
    for row, value in enumerate(sheet.values[column]):
        if value is None:
            continue
        if before is not None and value <= before:
            what = f"{value:g} comes after {before:g}"
            sheet.row_fault(row, column, what, "sort the rows by time, and give each moment once")
        before = value


def profile_markdown() -> str:
    """Return the table of the columns for the documentation."""
    return PROFILE.markdown()
