"""From a heading line to the columns it names, with the unit each is written in."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from hotchpot.errors import Fault, InputError, nearest
from hotchpot.pile.table import Column, Table, spelling
from hotchpot.quantities import unit_line

_BRACKETED = re.compile(r"(?P<base>[^\[(]+)[\[(](?P<unit>[^\])]*)[\])]\s*", re.DOTALL)
_TRAILING = re.compile(r"(?P<base>.+?)(?:\s*[/,]\s*|\s+in\s+|[\s_]+)(?P<unit>[^\s_/,]+)\s*", re.DOTALL)
_MOST_HEADINGS = 1000
_LONGEST = 100  # beyond any heading we know; the search for a unit in it is not made for more
_NEED_UNIT = ("mΩ", "°C", "1/month")  # a bare 'resistance' may be in ohms, a 'temperature' in °F, a 'leakage' a day
_PER_MONTH = {"%": "%/month", "1": "1/month", "-": "1/month"}


@dataclass(frozen=True, slots=True)
class Heading:
    """One column as this file has it: where it stands, and the line that turns its numbers into the column's unit."""

    column: Column
    index: int
    scale: float = 1.0
    offset: float = 0.0

    @property
    def converts(self) -> bool:
        """Whether this file writes the column in another unit than ours."""
        return (self.scale, self.offset) != (1.0, 0.0)


def read_heading(cells: Sequence[str], table: Table, *, where: str) -> tuple[list[Heading], list[Fault]]:
    """Return the known columns and every fault of the heading line; `where` is ``file:line``."""
    named = sum(1 for text in cells if text.strip())
    if named > _MOST_HEADINGS:
        mend = f"give one line of headings, then one row for each {table.row}"
        raise InputError.one(where, f"a heading of {named} fields", mend)
    headings: list[Heading] = []
    faults: list[Fault] = []
    for index, text in enumerate(cells):
        if not text.strip():
            continue
        found = _match(text, index, table)
        if isinstance(found, Heading):
            headings.append(found)
        else:
            faults.append(Fault(f"{where} {_short(text)}", *found))
    faults += _twice(headings, where) + _missing(headings, table, where)
    return headings, faults


def _match(text: str, index: int, table: Table) -> Heading | tuple[str, str]:
    """Return the column a heading names, or what is wrong with it and what would be right."""
    if len(text) > _LONGEST:
        return "no such column", nearest(_short(text), table.by_name)
    plain = table.spellings.get(spelling(text))
    if plain:
        return _unitless(text, plain) or Heading(plain[0], index)
    bracketed = _BRACKETED.fullmatch(text)
    parts = bracketed or _TRAILING.fullmatch(text)
    columns = table.spellings.get(spelling(parts["base"]), ()) if parts else ()
    if not bracketed:  # a loose last word is a unit or the heading is another one: 'cells voltage' is not cells
        columns = tuple(column for column in columns if column.unit)
    if parts is None or not columns:
        return "no such column", nearest(_short(text).casefold().replace(" ", "_"), table.by_name)
    unit = parts["unit"].strip()
    for column in columns:
        line = _line(column, unit)
        if line is not None:
            return Heading(column, index, *line)
    return f"{_short(unit)!r} is not a unit of {columns[0].name}", f"write {_right(columns)}"


def _unitless(text: str, columns: tuple[Column, ...]) -> tuple[str, str] | None:
    """Return a fault where a heading in the user's own words leaves open which column or which unit is meant."""
    column = columns[0]
    if spelling(text) == spelling(column.name) or (len(columns) == 1 and column.unit not in _NEED_UNIT):
        return None
    return "this heading needs its unit", f"write {_right(columns)}"


def _right(columns: tuple[Column, ...]) -> str:
    shown = {"1": "%", "1/month": "%/month"}
    return " or ".join(f"'{column.name} [{shown.get(column.unit, column.unit)}]'" for column in columns)


def _line(column: Column, unit: str) -> tuple[float, float] | None:
    if not column.unit:  # words such as (yes/no) or (per cell) explain, they do not convert
        return 1.0, 0.0
    if column.unit == "1/month":
        unit = _PER_MONTH.get(unit, unit)
    return exact_line(unit, column.unit)


def exact_line(text: str, unit: str) -> tuple[float, float] | None:
    """
    Return what `unit_line` does, with a scale that is one part of a whole number taken exactly.

    >>> exact_line("min", "h") == (1 / 60, 0.0)
    True
    """
    line = unit_line(text, unit)
    if line is None or not 0.0 < line[0] < 1.0:
        return line
    parts = round(1.0 / line[0])
    return (1.0 / parts, line[1]) if abs(parts * line[0] - 1.0) < 1e-11 else line


def _twice(headings: list[Heading], where: str) -> list[Fault]:
    first: dict[str, int] = {}
    faults = []
    for heading in headings:
        name = heading.column.name
        if name in first:
            what = f"stands twice, in places {first[name] + 1} and {heading.index + 1} of the heading"
            faults.append(Fault(f"{where} {name}", what, "keep one of them"))
        first.setdefault(name, heading.index)
    return faults


def _missing(headings: list[Heading], table: Table, where: str) -> list[Fault]:
    present = {heading.column.name for heading in headings}
    return [
        Fault(f"{where} {column.name}", "this column is needed and missing", f"add it: {column.help}")
        for column in table.columns
        if column.needed and column.name not in present
    ]


def _short(text: str) -> str:
    text = "".join(ch if ch.isprintable() else " " for ch in text.strip())
    return text if len(text) <= 40 else text[:37] + "..."
