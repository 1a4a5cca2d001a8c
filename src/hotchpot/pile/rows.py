"""From a file's bytes to its heading and rows with their line numbers; whatever is wrong with the file as a whole."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain

from hotchpot.errors import Fault, InputError
from hotchpot.pile.table import Table

DELIMITERS = ";\t,"  # a tie goes to the first: with semicolons or tabs, commas belong to the numbers
_LINE = re.compile(r"[^\r\n]+(?:\r\n?|\n)?|\r\n?|\n")
_SEP_LINE = re.compile(r'\s*"?sep=(\t|[^"\s])"?[\r\n]*', re.IGNORECASE)
_AS_UTF8 = "save the table as CSV with the encoding UTF-8"


@dataclass(slots=True)
class Rows:
    """The heading and the rows of a file as text, each with the line it begins on."""

    delimiter: str
    header: list[str]
    header_line: int
    cells: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def add(self, cells: list[str], line: int) -> None:
        """Keep one row."""
        self.cells.append(cells)
        self.lines.append(line)


def read_rows(data: bytes | str, table: Table, *, name: str) -> Rows:
    """Return heading and rows of a CSV text; raises InputError where the file as a whole cannot be such a table."""
    text = data.removeprefix("\ufeff") if isinstance(data, str) else _decode(data, name=name)
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise InputError.one(f"{name}:{line}", "a zero byte: this is not a text file, or it is UTF-16", _AS_UTF8)
    stream = (line[0] for line in _LINE.finditer(text))  # lazily, and only at the line ends that CSV has
    rows, first = _find_header(stream, table, name=name)
    # strict: a quote left open must not swallow the rest of the file unnoticed.
    reader = csv.reader(chain([first], stream), delimiter=rows.delimiter, strict=True, skipinitialspace=True)
    skipped = rows.header_line - 1
    before = 0
    try:
        for cells in reader:
            line, before = skipped + before + 1, reader.line_num
            if not any(map(str.strip, cells)):
                continue
            if not rows.header:
                rows.header = cells
            elif len(rows.cells) == table.most:
                raise InputError.one(name, f"more than {table.most} {table.row}s", table.split)
            else:
                rows.add(cells, line)
    except csv.Error as error:
        rows.faults.append(_broken(error, where=f"{name}:{skipped + before + 1}"))
    if not rows.cells and not rows.faults:
        mend = f"add one row for each {table.row}"
        rows.faults.append(Fault(name, f"a heading but no {table.row}s below it", mend))
    return rows


def _broken(error: csv.Error, *, where: str) -> Fault:
    mend = 'close every quote that opens a field, and write "" for a quote inside one; then check again'
    if "field larger" in str(error):
        what = f"a field of more than {csv.field_size_limit()} characters"
        return Fault(where, what, f"is it the right file? If it is, {mend}")
    return Fault(where, "quotes that do not pair, so the file cannot be read from here on", mend)


def _find_header(stream: Iterator[str], table: Table, *, name: str) -> tuple[Rows, str]:
    """Return the still empty rows and the heading's line, past comments, blank lines and a ``sep=`` line."""
    delimiter = ""
    for number, line in enumerate(stream, 1):
        if not line.strip(' \t\r\n,;"') or line.lstrip(' "').startswith("#"):
            continue
        sep = _SEP_LINE.fullmatch(line)
        if sep:
            delimiter = sep[1]
            continue
        return Rows(delimiter or _sniff(line), [], number), line
    raise InputError.one(name, "the file is empty", f"give a heading line and one row for each {table.row}")


def _sniff(header: str) -> str:
    bare = re.sub(r'"[^"]*"', "", header)
    return max(DELIMITERS, key=bare.count) if any(mark in bare for mark in DELIMITERS) else ","


def _decode(data: bytes, *, name: str) -> str:
    if data.startswith(b"PK") and data[2:3] < b" ":
        raise InputError.one(name, "this is a spreadsheet's workbook or an archive, not CSV", _AS_UTF8)
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise InputError.one(name, "this is a spreadsheet's old workbook, not CSV", _AS_UTF8)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError.one(name, "this is UTF-16", _AS_UTF8)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        bad = error.object[error.start]
        line = error.object.count(b"\n", 0, error.start) + 1
        guess = f" (Latin-1 has {chr(bad)!r} there)" if bad >= 0xA0 else ""
        what = f"byte 0x{bad:02x}{guess} is not UTF-8"
        raise InputError.one(f"{name}:{line}", what, _AS_UTF8) from None
