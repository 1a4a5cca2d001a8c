"""From a heading line to the columns it names, with the unit each is written in."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from hotchpot.errors import Fault, nearest
from hotchpot.pile.columns import BY_NAME, COLUMNS, Column, spelling
from hotchpot.quantities import unit_line

_BRACKETED = re.compile(r"(?P<base>[^\[(]+)[\[(](?P<unit>[^\])]*)[\])]\s*", re.DOTALL)
_TRAILING = re.compile(r"(?P<base>.+?)(?:\s*[/,]\s*|\s+in\s+|[\s_]+)(?P<unit>[^\s_/,]+)\s*", re.DOTALL)
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


def read_heading(cells: Sequence[str], *, where: str) -> tuple[list[Heading], list[Fault]]:
    """Return the known columns and every fault of the heading line; `where` is ``file:line``."""
    headings: list[Heading] = []
    faults: list[Fault] = []
    for index, text in enumerate(cells):
        if not text.strip():
            continue
        found = _match(text, index)
        if isinstance(found, Heading):
            headings.append(found)
        else:
            faults.append(Fault(f"{where} {_short(text)}", *found))
    faults += _twice(headings, where) + _missing(headings, where)
    return headings, faults


def _match(text: str, index: int) -> Heading | tuple[str, str]:
    """Return the column a heading names, or what is wrong with it and what would be right."""
    if len(text) > _LONGEST:
        return "no such column", nearest(_short(text), BY_NAME)
    plain = _KNOWN.get(spelling(text))
    if plain:
        return _unitless(text, plain) or Heading(plain[0], index)
    bracketed = _BRACKETED.fullmatch(text)
    parts = bracketed or _TRAILING.fullmatch(text)
    columns = _KNOWN.get(spelling(parts["base"]), ()) if parts else ()
    if not bracketed:  # a loose last word is a unit or the heading is another one: 'cells voltage' is not cells
        columns = tuple(column for column in columns if column.unit)
    if parts is None or not columns:
        return "no such column", nearest(_short(text).casefold().replace(" ", "_"), BY_NAME)
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
    return unit_line(unit, column.unit)


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


def _missing(headings: list[Heading], where: str) -> list[Fault]:
    present = {heading.column.name for heading in headings}
    faults = [
        Fault(f"{where} {column.name}", "this column is needed and missing", f"add it: {column.help}")
        for column in COLUMNS
        if column.needed and column.name not in present
    ]
    if not present & {"cells", "nominal_v"}:
        mend = "add cells, the count of cells in series inside the unit, or nominal_v, the label voltage"
        faults.append(Fault(f"{where} cells", "neither cells nor nominal_v is there", mend))
    return faults


def _short(text: str) -> str:
    text = "".join(ch if ch.isprintable() else " " for ch in text.strip())
    return text if len(text) <= 40 else text[:37] + "..."


def _spellings() -> dict[str, tuple[Column, ...]]:
    """Every known spelling with the columns it may mean; the unit in the heading tells which."""
    known: dict[str, tuple[Column, ...]] = {}
    for column in COLUMNS:
        bare = re.sub(r"_(frac|v|ah|mohm|c|hours|k|a)$", "", column.name)
        for word in dict.fromkeys((column.name, *column.synonyms, bare)):
            known[spelling(word)] = (*known.get(spelling(word), ()), column)
    for column in COLUMNS:  # a column's own name means that column and no other
        known[spelling(column.name)] = (column,)
    return known


_KNOWN = _spellings()
