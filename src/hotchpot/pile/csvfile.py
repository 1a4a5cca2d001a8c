"""Read a pile file: every unit of it, or every fault of it at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any

from hotchpot.chemistry import Chemistry, chemistry
from hotchpot.errors import Fault, InputError
from hotchpot.pile.cell import read_column, style_of
from hotchpot.pile.columns import COLUMNS, MAX_UNITS, NAMEPLATE_MARGIN, ORDER
from hotchpot.pile.heading import Heading, read_heading
from hotchpot.pile.rows import Rows, read_rows
from hotchpot.pile.unit import Unit

__all__ = ["MAX_UNITS", "parse_pile"]
NOMINAL_TOLERANCE = 0.08  # a 12 V label on four cells of 3.2 V is 6.7 % off; on three of 3.65 V it is 8.8 % off
CAPACITY_AGREEMENT = 0.02


def parse_pile(data: bytes | str, *, name: str) -> tuple[Unit, ...]:
    """
    Return the units of a pile file, in the file's order.

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

    Examples
    --------
    >>> pile = parse_pile("id;chemistry;nominal_v;rated [Ah];soh [%]\\nA1;lead_agm;12;100;85,5", name="pile.csv")
    >>> pile[0].cells, pile[0].rated_hours, pile[0].capacity_ah
    (6, 20.0, 85.5)
    """
    rows = read_rows(data, name=name)
    if not rows.header:
        raise InputError(rows.faults)
    headings, faults = read_heading(rows.header, where=f"{name}:{rows.header_line}")
    sheet = _Sheet(name)
    sheet.take(rows, headings)
    sheet.check()
    faults = rows.faults + faults + [fault for _, _, fault in sorted(sheet.faults, key=lambda item: item[:2])]
    if faults:
        raise InputError(faults)
    return sheet.units()


@dataclass(slots=True)
class _Sheet:
    """The columns of a file as values, row by row of equal length; None where empty or wrong."""

    name: str
    lines: list[int] = field(default_factory=list)
    values: dict[str, list[Any]] = field(default_factory=dict)
    faults: list[tuple[int, int, Fault]] = field(default_factory=list)
    wrong: set[tuple[int, str]] = field(default_factory=set)

    def fault(self, line: int, column: str, what: str, mend: str) -> None:
        fault = Fault(f"{self.name}:{line} {column}".rstrip(), what, mend)
        self.faults.append((line, ORDER.get(column, -1), fault))

    def row_fault(self, row: int, column: str, what: str, mend: str) -> None:
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
        table = list(zip(*whole, strict=True)) if whole else [()] * width
        style = style_of((table[h.index] for h in headings if h.column.numeric), delimiter=rows.delimiter)
        self.values = {column.name: [None] * len(whole) for column in COLUMNS}
        for heading in reversed(headings):  # of a column that stands twice, the first counts
            read = read_column(heading, table[heading.index], style)
            self.values[heading.column.name] = read.values
            for problem in read.problems:
                self.row_fault(problem.row, heading.column.name, problem.what, problem.mend)
        self._empty({heading.column.name for heading in headings})

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

    def _empty(self, present: set[str]) -> None:
        for column in COLUMNS:
            if column.needed and column.name in present:
                for row, value in enumerate(self.values[column.name]):
                    if value is None and (row, column.name) not in self.wrong:
                        self.row_fault(row, column.name, "empty", f"give {column.help}")
        if present & {"cells", "nominal_v"}:
            either = zip(self.values["cells"], self.values["nominal_v"], strict=True)
            for row, (cells, nominal_v) in enumerate(either):
                unread = (row, "cells") in self.wrong or (row, "nominal_v") in self.wrong
                if cells is None and nominal_v is None and not unread:
                    self.row_fault(row, "cells", "empty, and nominal_v too", "give one of the two")

    def check(self) -> None:
        """Hold each row against itself, its chemistry and the rows before it; fill what follows from the rest."""
        self._duplicates()
        for row, key in enumerate(self.values["chemistry"]):
            if key is not None:
                chem = chemistry(key)
                self._count_cells(row, chem)
                self._check_rest_v(row, chem)
                if self.values["rated_hours"][row] is None:
                    self.values["rated_hours"][row] = chem.num("rated_h")
            self._check_capacity(row)
            self._check_gravity(row)

    def _duplicates(self) -> None:
        first: dict[str, int] = {}
        for row, name in enumerate(self.values["id"]):
            if name is None:
                continue
            line = first.setdefault(name, self.lines[row])
            if line != self.lines[row]:
                self.row_fault(row, "id", f"{name!r} stands already in line {line}", "give each unit an id of its own")

    def _count_cells(self, row: int, chem: Chemistry) -> None:
        nominal_v, cells = self.values["nominal_v"][row], self.values["cells"][row]
        if nominal_v is None or (row, "cells") in self.wrong:
            return
        cell_v = chem.num("nominal_v")
        slack_v = NOMINAL_TOLERANCE * nominal_v
        count = cells or max(1, round(nominal_v / cell_v))
        if abs(nominal_v - count * cell_v) > slack_v:
            what = f"{nominal_v:g} V is not {count} cells of {chem.key} ({count} × {cell_v:g} V)"
            self.row_fault(row, "nominal_v", what, "count the cells and give them in cells, or check the chemistry")
            return
        # A 48 V label on LFP may be fifteen cells by sum or sixteen by the trade's four for each 12 V: ask.
        by_twelves = round(nominal_v / 12 * chem.num("cells_12v")) if nominal_v % 12 == 0 else count
        if not cells and by_twelves != count and abs(nominal_v - by_twelves * cell_v) <= slack_v:
            what = f"a {nominal_v:g} V label on {chem.key} can mean {count} or {by_twelves} cells"
            self.row_fault(row, "nominal_v", what, "count the cells and give them in cells")
            return
        self.values["cells"][row] = count

    def _check_rest_v(self, row: int, chem: Chemistry) -> None:
        rest_v, cells = self.values["rest_v"][row], self.values["cells"][row]
        if rest_v is None or cells is None:
            return
        most_v = NAMEPLATE_MARGIN * cells * chem.num("charge_max_v")
        if abs(rest_v) > most_v:
            what = f"{rest_v:g} V is beyond anything {cells} cells of {chem.key} can hold"
            self.row_fault(
                row, "rest_v", what, f"{most_v:g} V is the most that is read; are cells and chemistry right?"
            )

    def _check_capacity(self, row: int) -> None:
        rated, measured, frac = (self.values[name][row] for name in ("rated_ah", "capacity_ah", "capacity_frac"))
        if rated is None:
            return
        if measured is not None and measured > NAMEPLATE_MARGIN * rated:
            what = f"{measured:g} Ah is more than {NAMEPLATE_MARGIN:g} times the rated {rated:g} Ah"
            self.row_fault(row, "capacity_ah", what, "is rated_ah right? Give both as read on label and meter")
        if frac is None:
            return
        if measured is None:
            if (row, "capacity_ah") not in self.wrong:
                self.values["capacity_ah"][row] = float(f"{frac * rated:.12g}")
        elif abs(measured - frac * rated) > CAPACITY_AGREEMENT * frac * rated:
            what = f"{frac:g} of rated is {frac * rated:g} Ah, but capacity_ah says {measured:g} Ah"
            self.row_fault(row, "capacity_frac", what, "give one of the two, or make them agree within 2 %")

    def _check_gravity(self, row: int) -> None:
        gravity, cells = self.values["gravity"][row], self.values["cells"][row]
        if gravity and cells and len(gravity) > cells:
            what = f"{len(gravity)} hydrometer readings on {cells} cells"
            self.row_fault(row, "gravity", what, "give at most one for each cell")

    def units(self) -> tuple[Unit, ...]:
        """Return the units; only called when nothing is wrong."""
        for name, blank in (("gravity", ()), ("flags", ()), ("note", "")):
            self.values[name] = [blank if value is None else value for value in self.values[name]]
        names = [item.name for item in fields(Unit)]
        table = zip(*(self.values[name] for name in names), strict=True)
        return tuple(Unit(**dict(zip(names, row, strict=True))) for row in table)
