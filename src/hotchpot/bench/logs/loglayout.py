"""How a logger's file is laid out: what parts its fields, where its rows begin, which line names its columns."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from hotchpot.errors import InputError

DELIMITERS = ("\t", ";", ",")
COMMENTS = ("#", "//", "%", "!")
MISSING = frozenset({"", "nan", "na", "n/a", "null", "none", "-", "--", "---", "----", "?"})
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")
_POINT = re.compile(r"[+-]?\d*\.\d+(?:[eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")
_DATE = re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}(?:[T ].*)?|\d+:\d{2}(?::\d{2})?(?:[.,]\d+)?(?: ?[AaPp][Mm])?")
_UNIT_ROW = re.compile(
    r"[\[(]?(?:[mkµμu]?[VAWsΩ]|volts?|amps?|amperes?|secs?|min|hr?|hours?|m?Ah|k?Wh|°?[CFK]|deg ?[CF]|%|-|)[\])]?"
)
_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma"}


@dataclass(frozen=True, slots=True)
class Layout:
    """
    The layout of a file; lines count from 1.

    `headings` is empty, and `heading_line` 0, where no line names the columns. `width` is the number of fields of a
    row, `first_line` the line of the first row.
    """

    delimiter: str
    decimal_comma: bool
    quoted: bool
    headings: tuple[str, ...]
    heading_line: int
    first_line: int
    width: int

    def name(self, index: int) -> str:
        """Return the heading of a column, or ``column 3`` where it has none."""
        heading = self.headings[index].strip() if index < len(self.headings) else ""
        return heading or f"column {index + 1}"

    def split(self, line: str) -> list[str]:
        """Return the fields of a line, without spaces around them."""
        if self.quoted and '"' in line:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=self.delimiter), [])]
        return [cell.strip() for cell in line.split(self.delimiter)]

    def number(self, cell: str) -> float:
        """Return the number that a field holds, not-a-number where it holds none."""
        if not _NUMBER.fullmatch(cell):
            return float("nan")
        return float(cell.replace(",", ".")) if self.decimal_comma or "." not in cell else float(cell)

    def shown(self) -> str:
        """Return the layout in words."""
        marks = "decimal commas" if self.decimal_comma else "decimal points"
        head = f"headings in line {self.heading_line}" if self.heading_line else "no headings"
        return f"{_NAMES[self.delimiter]} between fields, {marks}, {head}, rows from line {self.first_line}"


@dataclass(frozen=True, slots=True)
class Head:
    """The beginning of a file: its layout, and its first rows with their lines."""

    layout: Layout
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]


def is_number(cell: str) -> bool:
    """Return whether a field holds a number, with a decimal point or comma."""
    return _NUMBER.fullmatch(cell) is not None


def is_value(cell: str) -> bool:
    """Return whether a field holds a number, a date or a time of day."""
    return _NUMBER.fullmatch(cell) is not None or _DATE.fullmatch(cell) is not None


def read_head(text: str, *, name: str) -> Head:
    r"""
    Return the layout and the first rows of a file's beginning.

    Parameters
    ----------
    text : str
        The first some hundred lines; the last may be cut off unless it ends with a line break.
    name : str
        The file's name in messages.

    Raises
    ------
    InputError
        If no rows of numbers are found, or decimal commas cannot be told from commas between fields.

    Examples
    --------
    >>> head = read_head("Logger 7\n\nt [s];U [V];I [A]\n0;12,81;0\n1;12,62;5\n", name="log.csv")
    >>> head.layout.headings, head.layout.first_line, head.layout.decimal_comma, head.rows[1]
    (('t [s]', 'U [V]', 'I [A]'), 4, True, ('1', '12,62', '5'))
    """
    lines = text.removeprefix("\ufeff").split("\n")
    if len(lines) > 2:
        lines.pop()  # what stands after the last line break: nothing, or a line that may be cut off
    lines = [line.rstrip("\r") for line in lines]
    quoted = any('"' in line for line in lines)
    best = max((_tried(lines, mark, quoted) for mark in DELIMITERS), key=lambda tried: tried[0])
    score, mark, width, data = best
    if not score:
        raise _no_rows(lines, name)
    first = data[0]
    draft = Layout(mark, False, quoted, (), 0, first + 1, width)
    cells = {k: draft.split(lines[k]) for k in data}
    rows = [tuple(row + [""] * (width - len(row))) for row in cells.values()]
    headings, heading_line = _headings(lines, first, draft)
    comma = _decimal_comma(rows, name=name, lines=data)
    _check_commas(headings, width, mark, name=name, line=heading_line)
    layout = Layout(mark, comma, quoted, headings, heading_line, first + 1, width)
    return Head(layout, tuple(rows), tuple(k + 1 for k in data))


def is_comment(line: str) -> bool:
    """Return whether a line is a remark to the reader."""
    return line.lstrip().startswith(COMMENTS)


def _tried(lines: Sequence[str], mark: str, quoted: bool) -> tuple[float, str, int, list[int]]:
    """Return how well a mark parts the lines, with the usual width and the rows it makes."""
    layout = Layout(mark, False, quoted, (), 0, 1, 0)
    rows: dict[int, list[str]] = {}
    for k, line in enumerate(lines):
        if line.strip() and not is_comment(line):
            cells = layout.split(line)
            if len(cells) > 1 and sum(is_value(cell) for cell in cells) >= min(2, len(cells) - 1):
                rows[k] = cells
    if not rows:
        return 0.0, mark, 0, []
    width, count = Counter(len(cells) for cells in rows.values()).most_common(1)[0]
    data = [k for k, cells in rows.items() if len(cells) <= width]
    while len(data) > 1 and len(rows[data[0]]) < width:  # a line of the preamble with two numbers in it
        data.pop(0)
    values = sum(is_value(cell) or cell.casefold() in MISSING for k in data for cell in rows[k])
    fields = sum(len(rows[k]) for k in data)
    # A comma in numbers parts them too; the rarer marks go first, and whole values count more than their number.
    favour = 1.0 if mark == "," else 1.5
    return favour * count * values / fields, mark, width, data


def _headings(lines: Sequence[str], first: int, draft: Layout) -> tuple[tuple[str, ...], int]:
    above = [k for k in range(first) if lines[k].strip()]
    if not above:
        return (), 0
    cells = _heading_cells(lines[above[-1]], draft)
    if cells is None:
        return (), 0
    if len(above) > 1 and all(_UNIT_ROW.fullmatch(cell) for cell in cells) and any(cells):
        names = _heading_cells(lines[above[-2]], draft)
        if names is not None:
            bare = [cell.strip("[]() ") for cell in cells]
            return tuple(f"{n} [{u}]" if u and u != "-" else n for n, u in zip(names, bare, strict=False)), above[
                -2
            ] + 1
    return tuple(cells), above[-1] + 1


def _heading_cells(line: str, draft: Layout) -> list[str] | None:
    text = line.strip()
    for sign in COMMENTS:
        text = text.removeprefix(sign).lstrip() if is_comment(line) else text
    cells = draft.split(text)
    while len(cells) > draft.width and not cells[-1]:
        cells.pop()
    fits = len(cells) >= min(draft.width, 2) and abs(len(cells) - draft.width) <= max(1, draft.width // 2)
    return cells if fits and sum(is_value(cell) for cell in cells) <= len(cells) // 3 else None


def _decimal_comma(rows: Sequence[Sequence[str]], *, name: str, lines: Sequence[int]) -> bool:
    commas = [(line, cell) for line, row in zip(lines, rows, strict=True) for cell in row if _COMMA.fullmatch(cell)]
    points = [(line, cell) for line, row in zip(lines, rows, strict=True) for cell in row if _POINT.fullmatch(cell)]
    if commas and points:
        what = f"{commas[0][1]!r} at line {commas[0][0] + 1} and {points[0][1]!r} at line {points[0][0] + 1}"
        mend = "write all numbers with a decimal point, without separators of thousands"
        raise InputError.one(name, f"commas and points stand in numbers: {what}", mend)
    return bool(commas)


def _check_commas(headings: Sequence[str], width: int, mark: str, *, name: str, line: int) -> None:
    if mark == "," and headings and width >= 2 * len(headings) - 1 and len(headings) > 1:
        what = f"{len(headings)} headings, but {width} fields in each row: decimal commas between commas"
        mend = "write numbers with a decimal point, or part the fields with semicolons"
        raise InputError.one(f"{name}:{line}", what, mend)


def _no_rows(lines: Sequence[str], name: str) -> InputError:
    full = [line for line in lines if line.strip()]
    if not full:
        return InputError.one(name, "is empty", "give the file that the logger wrote")
    mend = "a log has a line of headings and rows of numbers, with commas, semicolons or tabs between them"
    if len(full) == 1:
        return InputError.one(name, "has a single line and no rows of numbers", mend)
    return InputError.one(name, f"no rows of numbers in its first {len(full)} lines", mend)
