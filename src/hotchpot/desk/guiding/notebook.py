"""
The readings file as a notebook: one row is added, and nothing that stood there is lost.

A row whose columns the file has is appended, and the file is flushed to the disk. Where it lacks a column, the heading
grows by it: the new file is written beside the old, read back, and put in its place in one move. Either way the whole
new text is read back and compared before anything is written.
"""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from itertools import takewhile
from pathlib import Path

from hotchpot.errors import InputError
from hotchpot.pile.reading import Reading
from hotchpot.pile.readingfile import parse_readings, write_readings


def append_reading(path: Path, reading: Reading) -> str:
    """
    Add one reading to a readings file, which is made where it is not there yet; return the row as it stands in it.

    Raises
    ------
    InputError
        If the file there cannot be read as a readings file, or cannot be written; it is left as it was.
    """
    wanted = write_readings([reading])
    old = _old_text(path)
    if not old.strip():
        if not _holds(wanted, path, (reading,)):
            raise _unfit(path, wanted)
        put_in_place(path, wanted)
        return _last_row(wanted)
    before = tuple(replace(one, line=None) for one in _parsed(old, path))
    fields = dict(zip(*csv.reader(io.StringIO(wanted, newline="")), strict=True))
    text = next((t for t in _ways(old, fields) if _holds(t, path, (*before, reading))), "")
    if not text:  # headings in other units or words: the same readings, written in our own columns
        text = _comments(old) + write_readings([*before, reading])
        if not _holds(text, path, (*before, reading)):
            raise _unfit(path, wanted)
        put_in_place(_spare(path), old)
    if text.startswith(old):
        _append(path, text[len(old) :])
    else:
        put_in_place(path, text)
    return _last_row(text)


def put_in_place(path: Path, text: str) -> None:
    """
    Write a whole file in one move: whoever looks sees the old one or the new one, never half of either.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    target = path.resolve()  # through a link: the file it leads to is replaced, not the link
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".new")
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).chmod(target.stat().st_mode & 0o777 if target.exists() else 0o644)
        Path(temporary).replace(target)
    except OSError as error:
        if temporary:
            Path(temporary).unlink(missing_ok=True)
        raise _unwritten(path, error) from None


def _append(path: Path, text: str) -> None:
    try:
        with path.open("a", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise _unwritten(path, error) from None


def _unwritten(path: Path, error: OSError) -> InputError:
    return InputError.one(str(path), f"cannot be written ({error.strerror})", "name a file in a folder of yours")


def _unfit(path: Path, wanted: str) -> InputError:
    return InputError.one(
        str(path), "the reading cannot be written as a row", "note it by hand: " + " / ".join(wanted.split())
    )


def _old_text(path: Path) -> str:
    from hotchpot.desk.files import LARGEST_READINGS_BYTES, larger_than

    try:
        if path.exists() and path.stat().st_size > LARGEST_READINGS_BYTES:
            raise InputError.one(str(path), larger_than(LARGEST_READINGS_BYTES), "name a new readings file")
        return path.read_bytes().decode("utf-8") if path.exists() else ""
    except UnicodeDecodeError:
        raise InputError.one(str(path), "is not UTF-8 text", "save the table as CSV with the encoding UTF-8") from None
    except OSError as error:
        raise InputError.one(str(path), f"cannot be read ({error.strerror})", "check its permissions") from None


def _parsed(text: str, path: Path) -> tuple[Reading, ...]:
    return parse_readings(text, name=path.name)


def _holds(text: str, path: Path, wanted: tuple[Reading, ...]) -> bool:
    """Tell whether a text reads back as exactly these readings."""
    try:
        return tuple(replace(one, line=None) for one in _parsed(text, path)) == wanted
    except InputError:
        return False


def _ways(old: str, fields: dict[str, str]) -> Iterator[str]:
    """Yield the file with one row more: as it is, then with the columns that it lacks."""
    for delimiter in (",", ";", "\t"):
        records = list(_records(old, delimiter))
        at = next((i for i, (cells, raw) in enumerate(records) if cells and not raw.lstrip().startswith("#")), None)
        if at is None:
            continue
        heading = [cell.strip().removeprefix("\ufeff") for cell in records[at][0]]
        if "unit" not in heading or "kind" not in heading:
            continue
        ending = "\r\n" if "\r\n" in old else "\n"
        lacking = [name for name in fields if name not in heading]
        grown = old if not lacking else _grown(records, at, lacking, delimiter)
        grown += "" if grown.endswith("\n") else ending
        yield grown + _line([fields.get(name, "") for name in [*heading, *lacking]], delimiter, ending)


def _grown(records: list[tuple[list[str], str]], at: int, lacking: list[str], delimiter: str) -> str:
    """Return the file with more columns: every row keeps its text and gets empty cells at its end."""
    width, parts = len(records[at][0]), []
    for i, (cells, raw) in enumerate(records):
        body = raw.rstrip("\r\n")
        ending = raw[len(body) :]
        if i == at:
            body += "".join(delimiter + name for name in lacking)
        elif i > at and any(cell.strip() for cell in cells):
            body += delimiter * (width - len(cells) + len(lacking))
        parts.append(body + ending)
    return "".join(parts)


def _records(text: str, delimiter: str) -> Iterator[tuple[list[str], str]]:
    """Yield each record of a CSV text: its cells, and its text as it stands there."""
    lines = text.splitlines(keepends=True)
    reader = csv.reader(iter(lines), delimiter=delimiter, skipinitialspace=True)
    taken = 0
    try:
        for cells in reader:
            yield cells, "".join(lines[taken : reader.line_num])
            taken = reader.line_num
    except csv.Error:
        return


def _spare(path: Path) -> Path:
    """Return a free name beside the file, for what stood in it."""
    names = (path.with_name(f"{path.name}.before{count or ''}") for count in range(10_000))
    return next(name for name in names if not name.exists())


def _comments(text: str) -> str:
    """Return the comments above the heading; below it a line that begins with # is a row."""
    lines = text.removeprefix("\ufeff").splitlines(keepends=True)
    return "".join(takewhile(lambda line: line.lstrip().startswith("#"), lines))


def _line(cells: list[str], delimiter: str, ending: str) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator=ending).writerow(cells)
    return out.getvalue()


def _last_row(text: str) -> str:
    return text.rstrip("\r\n").splitlines()[-1]
