"""A file as columns of values: every cell read by its column, every fault kept in its place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from hotchpot.errors import Fault, InputError
from hotchpot.pile.cell import Style, read_column, style_of
from hotchpot.pile.heading import Heading, read_heading
from hotchpot.pile.rows import Rows, read_rows
from hotchpot.pile.table import Table


def read_sheet(data: bytes | str, table: Table, *, name: str) -> Sheet:
    """
    Return a CSV text as columns of values with its faults; `name` is what to call the file in them.

    Raises
    ------
    InputError
        If the file as a whole is no such table, or has so many faults that more of them would help nobody.
    """
    rows = read_rows(data, table, name=name)
    if not rows.header:
        raise InputError(rows.faults)
    headings, faults = read_heading(rows.header, table, where=f"{name}:{rows.header_line}")
    sheet = Sheet(table, name, rows.header_line, rows.faults + faults)
    sheet.take(rows, headings)
    return sheet


@dataclass(slots=True)
class Sheet:
    """The columns of a file as values, row by row of equal length; None where empty or wrong."""

    table: Table
    name: str
    header_line: int
    overall: list[Fault]
    lines: list[int] = field(default_factory=list)
    values: dict[str, list[Any]] = field(default_factory=dict)
    faults: list[tuple[int, int, Fault]] = field(default_factory=list)
    wrong: set[tuple[int, str]] = field(default_factory=set)
    headings: dict[str, Heading] = field(default_factory=dict)
    texts: dict[str, Sequence[str]] = field(default_factory=dict)
    style: Style = field(default_factory=Style)

    def fault(self, line: int, column: str, what: str, mend: str) -> None:
        """Keep a fault of a line."""
        fault = Fault(f"{self.name}:{line} {column}".rstrip(), what, mend)
        self.faults.append((line, self.table.order.get(column, -1), fault))
        if len(self.faults) >= self.table.enough:
            self.finish()

    def row_fault(self, row: int, column: str, what: str, mend: str) -> None:
        """Keep a fault of a row's cell, which then counts as not read."""
        self.wrong.add((row, column))
        self.fault(self.lines[row], column, what, mend)

    def take(self, rows: Rows, headings: Sequence[Heading]) -> None:
        """Read every known column; a row with too many or too few fields is reported and left out."""
        width = max((at + 1 for at, text in enumerate(rows.header) if text.strip()), default=0)
        whole: list[list[str]] = []
        for cells, line in zip(rows.cells, rows.lines, strict=True):
            # Empty fields at the end pass only where the heading has them too: one more than that is what a decimal
            # comma without quotes leaves behind, and every value after it would be read under the wrong heading.
            if width <= len(cells) <= len(rows.header) and not any(map(str.strip, cells[width:])):
                whole.append(cells[:width])
                self.lines.append(line)
            else:
                self._miscounted(rows, cells, line, width)
        self._nameless(rows, whole, width)
        columns = list(zip(*whole, strict=True)) if whole else [()] * width
        amounts = ((heading.column, columns[heading.index]) for heading in headings if heading.column.amounts)
        self.style = style_of(amounts, delimiter=rows.delimiter)
        self.values = {column.name: [None] * len(whole) for column in self.table.columns}
        for heading in reversed(headings):  # of a column that stands twice, the first counts
            self._read(heading, columns[heading.index])
        self._empty()

    def _read(self, heading: Heading, texts: Sequence[str]) -> None:
        name = heading.column.name
        read = read_column(heading, texts, self.style)
        self.headings[name], self.texts[name], self.values[name] = heading, texts, read.values
        for problem in read.problems:
            self.row_fault(problem.row, name, problem.what, problem.mend)

    def _miscounted(self, rows: Rows, cells: list[str], line: int, width: int) -> None:
        what = f"{len(cells)} fields where the heading has {width}"
        mend = "give one field for each column, empty where not known"
        if len(cells) > width and rows.delimiter == ",":
            mend = f"{mend}; a decimal comma or a comma in a note needs quotes around the field, or ; between fields"
        elif len(cells) > width and rows.delimiter == ";":
            mend = f"{mend}; a list with ; between needs quotes around it"
        self.fault(line, "", what, mend)

    def _nameless(self, rows: Rows, whole: list[list[str]], width: int) -> None:
        for at in (at for at in range(width) if not rows.header[at].strip()):
            row = next((row for row, cells in enumerate(whole) if cells[at].strip()), None)
            if row is not None:
                what = f"column {at + 1} has values but no heading"
                self.fault(self.lines[row], "", what, "name the column in the heading, or empty it")

    def _empty(self) -> None:
        for column in self.table.columns:
            if column.needed and column.name in self.headings:
                for row, value in enumerate(self.values[column.name]):
                    if value is None and (row, column.name) not in self.wrong:
                        self.row_fault(row, column.name, "empty", f"give {column.help}")

    def finish(self) -> None:
        """
        End the reading.

        Raises
        ------
        InputError
            With every fault, those of the whole file first, the others in the order of lines and columns.
        """
        faults = self.overall + [fault for _, _, fault in sorted(self.faults, key=lambda item: item[:2])]
        if faults:
            raise InputError(faults)

    def rows(self, make: Callable[..., Any], names: Sequence[str]) -> tuple[Any, ...]:
        """Return what `make` makes of each row, given the named columns as keywords."""
        columns = zip(*(self.values[name] for name in names), strict=True)
        return tuple(make(**dict(zip(names, row, strict=True))) for row in columns)
