"""A load over time out of a file: moments and watts or amps, read as every table of the house is read."""

from __future__ import annotations

from dataclasses import dataclass

from hotchpot.errors import Fault
from hotchpot.pile.sheet import Sheet, read_sheet
from hotchpot.pile.table import Column, Kind, Table

MAX_MOMENTS = 1_000_000
LONGEST_H = 24.0 * 366.0 * 100.0  # as seconds since 1970 fit too
MOST_W, MOST_A = 1e9, 1e8
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
    Column(name="note", kind=Kind.TEXT, synonyms=("remark", "comment"), help="anything"),
)  # fmt: skip
PROFILE = Table(COLUMNS, row="moment", most=MAX_MOMENTS, split="give every moment at which the load changes, not more")


@dataclass(frozen=True, slots=True)
class Profile:
    """A load over time: each value holds until the next moment; one of watts and amps is given."""

    time_s: tuple[float, ...]
    watts: tuple[float, ...] | None = None
    amps: tuple[float, ...] | None = None
    name: str = "profile"


def parse_profile(data: bytes | str, *, name: str) -> Profile:
    """
    Return a load over time.

    Raises
    ------
    InputError
        With every fault found, each at ``name:line column``.

    Examples
    --------
    >>> parse_profile("t [min];power [kW]\\n0;0,5\\n90;1,25\\n120;0\\n", name="day.csv")
    Profile(time_s=(0.0, 5400.0, 7200.0), watts=(500.0, 1250.0, 0.0), amps=None, name='day.csv')
    """
    sheet = read_sheet(data, PROFILE, name=name)
    time = _either(sheet, "time_s", "hours", "say when: time_s in seconds, or hours")
    load = _either(sheet, "watts", "amps", "say what is drawn: watts, or amps")
    for column in (time, load):
        _filled(sheet, column)
    if time is not None:
        _rising(sheet, time)
    if len(sheet.lines) == 1:
        mend = "give two or more; the last value holds as long as the one before it"
        sheet.overall.append(Fault(f"{name}:{sheet.header_line}", "a single moment", mend))
    _never_empty(sheet)
    sheet.finish()
    assert time is not None
    scale = 3600.0 if time == "hours" else 1.0
    values = tuple(sheet.values[str(load)])
    times = tuple(scale * value for value in sheet.values[time])
    if load == "watts":
        return Profile(times, watts=values, name=name)
    return Profile(times, amps=values, name=name)


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


def _never_empty(sheet: Sheet) -> None:
    """Take back the advice to leave a cell empty: a load that is not known cannot be run."""
    for at, (line, order, fault) in enumerate(sheet.faults):
        mend = fault.mend.removesuffix(", or leave it empty if not known")
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
