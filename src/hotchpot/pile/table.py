"""What a table of columns is: the kinds of cells, one column, and all columns of one sort of file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

ENOUGH_FAULTS = 20_000
_UNIT_ENDING = re.compile(r"_(frac|v|ah|mohm|c|hours|k|a)$")


class Kind(StrEnum):
    """How the text of a cell is read; the value is what the documentation calls it."""

    ID = "id"
    NAME = "name"
    TEXT = "text"
    DATE = "date"
    MOMENT = "date, or date and time"
    CHEMISTRY = "chemistry"
    READING = "kind of reading"
    NUMBER = "number"
    WHOLE = "whole number"
    LIST = "list of numbers"
    GRAVITY = "numbers"
    YESNO = "yes or no"
    FLAGS = "flags"


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """
    One column: its name in the file, the unit its numbers are kept in, and what they may be.

    `low` and `high` are the ends of what is physically possible for one unit (both allowed); they are there to catch
    slips of a decimal or of a unit, not to judge a battery.
    """

    name: str
    kind: Kind
    help: str
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    needed: bool = False
    synonyms: tuple[str, ...] = ()

    @property
    def numeric(self) -> bool:
        """Whether a cell holds one number."""
        return self.kind in (Kind.NUMBER, Kind.WHOLE)

    @property
    def amounts(self) -> bool:
        """Whether a cell holds numbers that may bring their unit: one of them, or a list."""
        return self.numeric or self.kind is Kind.LIST

    @property
    def unit_shown(self) -> str:
        """The unit as people write it: nothing for a fraction."""
        return "" if self.unit == "1" else self.unit

    @property
    def span(self) -> str:
        """The range in words, such as ``0.01 to 20000 Ah``."""
        return f"{self.low:.12g} to {self.high:.12g} {self.unit_shown}".rstrip()


@dataclass(frozen=True)
class Table:
    """
    All columns of one sort of file, in the order they are written.

    `row` is what one row is, `most` how many a file may hold, `split` what to do with more. At `enough` faults the
    reading ends: a million rows with a fault each would help nobody.
    """

    columns: tuple[Column, ...]
    row: str
    most: int
    split: str
    enough: int = ENOUGH_FAULTS

    @cached_property
    def by_name(self) -> Mapping[str, Column]:
        """Every column by its name."""
        return {column.name: column for column in self.columns}

    @cached_property
    def order(self) -> Mapping[str, int]:
        """The place of every column by its name."""
        return {column.name: place for place, column in enumerate(self.columns)}

    @cached_property
    def spellings(self) -> Mapping[str, tuple[Column, ...]]:
        """Every known spelling with the columns it may mean; the unit in the heading tells which."""
        known: dict[str, tuple[Column, ...]] = {}
        for column in self.columns:
            for word in dict.fromkeys((column.name, *column.synonyms, _UNIT_ENDING.sub("", column.name))):
                known[spelling(word)] = (*known.get(spelling(word), ()), column)
        for column in self.columns:  # a column's own name means that column and no other
            known[spelling(column.name)] = (column,)
        return known

    def markdown(self) -> str:
        """Return the columns as a table for the documentation."""
        lines = ["| column | unit | values | meaning | also read as |", "|---|---|---|---|---|"]
        for column in self.columns:
            name = f"**{column.name}**" if column.needed else column.name
            values = str(column.kind)
            if column.high > column.low:
                values += f", {column.low:.12g} to {column.high:.12g}"
            lines.append(f"| {name} | {column.unit_shown} | {values} | {column.help} | {', '.join(column.synonyms)} |")
        return "\n".join(lines) + "\n"


def spelling(text: str) -> str:
    """Return a heading without what does not matter in it: capitals, spaces, underscores, dashes and dots."""
    return "".join(ch for ch in text.casefold() if ch not in " \t\r\n\u00a0_-.")
