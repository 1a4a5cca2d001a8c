"""Read a pile file: every unit of it, or every fault of it at once."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from hotchpot.chemistry import Chemistry, chemistry
from hotchpot.errors import Fault
from hotchpot.pile.columns import MAX_UNITS, NAMEPLATE_MARGIN, PILE
from hotchpot.pile.sheet import Sheet, read_sheet
from hotchpot.pile.unit import Unit

__all__ = ["MAX_UNITS", "parse_pile"]
NOMINAL_TOLERANCE = 0.08  # a 12 V label on four cells of 3.2 V is 6.7 % off; on three of 3.65 V it is 8.8 % off
CAPACITY_AGREEMENT = 0.02


def parse_pile(data: bytes | str, *, name: str, latest: str | None = None) -> tuple[Unit, ...]:
    """
    Return the units of a pile file, in the file's order.

    Parameters
    ----------
    data : bytes or str
        The content of the file; bytes must be UTF-8.
    name : str
        What to call the file in messages.
    latest : str, optional
        The last day, such as ``2026-11-25``, on which anything can have been made; without it any day is taken.

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
    pile = _Pile(read_sheet(data, PILE, name=name))
    pile.check(latest)
    pile.sheet.finish()
    return pile.units()


@dataclass(frozen=True, slots=True)
class _Pile:
    """The sheet of a pile, and what makes sense in it."""

    sheet: Sheet

    @property
    def values(self) -> dict[str, list[Any]]:
        return self.sheet.values

    def row_fault(self, row: int, column: str, what: str, mend: str) -> None:
        self.sheet.row_fault(row, column, what, mend)

    def check(self, latest: str | None) -> None:
        """Hold each row against itself, its chemistry and the rows before it; fill what follows from the rest."""
        self._either()
        self._duplicates()
        if latest is not None:
            self._ahead_of_time(latest)
        for row, key in enumerate(self.values["chemistry"]):
            if key is not None:
                chem = chemistry(key)
                self._count_cells(row, chem)
                self._check_rest_v(row, chem)
                if self.values["rated_hours"][row] is None:
                    self.values["rated_hours"][row] = chem.num("rated_h")
            self._check_capacity(row)
            self._check_gravity(row)

    def _either(self) -> None:
        """Hold that the count of cells is given, or the label voltage that it follows from."""
        sheet = self.sheet
        if not sheet.headings.keys() & {"cells", "nominal_v"}:
            mend = "add cells, the count of cells in series inside the unit, or nominal_v, the label voltage"
            where = f"{sheet.name}:{sheet.header_line} cells"
            sheet.overall.append(Fault(where, "neither cells nor nominal_v is there", mend))
            return
        for row, (cells, nominal_v) in enumerate(zip(self.values["cells"], self.values["nominal_v"], strict=True)):
            unread = (row, "cells") in sheet.wrong or (row, "nominal_v") in sheet.wrong
            if cells is None and nominal_v is None and not unread:
                self.row_fault(row, "cells", "empty, and nominal_v too", "give one of the two")

    def _duplicates(self) -> None:
        first: dict[str, int] = {}
        for row, name in enumerate(self.values["id"]):
            if name is None:
                continue
            line = first.setdefault(name, self.sheet.lines[row])
            if line != self.sheet.lines[row]:
                self.row_fault(row, "id", f"{name!r} stands already in line {line}", "give each unit an id of its own")

    def _ahead_of_time(self, latest: str) -> None:
        for row, made in enumerate(self.values["made"]):
            if made is not None and made > latest[: len(made)]:
                mend = "write the year or day that stands on it, or leave it empty if not known"
                self.row_fault(row, "made", f"{made} lies in the future", mend)

    def _count_cells(self, row: int, chem: Chemistry) -> None:
        nominal_v, cells = self.values["nominal_v"][row], self.values["cells"][row]
        if nominal_v is None or (row, "cells") in self.sheet.wrong:
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
            if (row, "capacity_ah") not in self.sheet.wrong:
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
        return self.sheet.rows(Unit, [item.name for item in fields(Unit)])
