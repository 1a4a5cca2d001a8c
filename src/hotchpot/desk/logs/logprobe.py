"""
A first look at a logger's file, before it is read: is it text with lines, where do its rows begin and end.

Only small windows are read, at strides, so that a file of any size and any content is safe to look at.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from hotchpot.bench.logs.loglayout import Head, read_head
from hotchpot.errors import InputError

HEAD_BYTES = 1 << 17
WINDOW_BYTES = 1 << 16
STRIDE_BYTES = 1 << 20
BLOCK_BYTES = 1 << 23
_PEEK_BYTES = 1 << 11
_END_BYTES = 1 << 12
_MOST_WINDOWS = 64
_AS_TEXT = "export the table as text with commas, semicolons or tabs (CSV) and give that"
_KINDS = (
    (b"\x1f\x8b", "is compressed (gzip)", "unpack it first"),
    (b"PK\x03\x04", "is a zip archive or a workbook", f"unpack it, or {_AS_TEXT}"),
    (b"\xd0\xcf\x11\xe0", "is an old workbook", _AS_TEXT),
    (b"\x28\xb5\x2f\xfd", "is compressed (zstandard)", "unpack it first"),
    (b"BZh", "is compressed (bzip2)", "unpack it first"),
    (b"\xfd7zXZ", "is compressed (xz)", "unpack it first"),
    (b"7z\xbc\xaf", "is an archive (7z)", "unpack it first"),
    (b"%PDF", "is a PDF", _AS_TEXT),
    (b"\xff\xfe", "is UTF-16 text", "save it as UTF-8 text"),
    (b"\xfe\xff", "is UTF-16 text", "save it as UTF-8 text"),
)


@dataclass(frozen=True, slots=True)
class Probe:
    """
    What the first look found: the head, where rows begin and end in the file [bytes], windows of whole lines.

    `lost_bytes` is the number of zero bytes at the end, `cut_line` a last line that is cut off ('' where none is).
    """

    path: Path
    size: int
    head: Head
    begin: int
    end: int
    lost_bytes: int = 0
    cut_line: str = ""
    windows: tuple[bytes, ...] = field(default=(), repr=False)

    @property
    def lines(self) -> int:
        """About how many rows there are, by the length of those seen."""
        seen = b"".join(self.windows[:4])
        return max(1, round((self.end - self.begin) / max(1, len(seen)) * seen.count(b"\n")))


def probe(path: Path) -> Probe:
    """
    Return what a first look at a file finds.

    Raises
    ------
    InputError
        If it is no file, is empty, is not text, has a line without end, or has no rows of numbers.
    """
    try:
        if path.is_dir():
            raise InputError.one(str(path), "is a folder", "name the file that the logger wrote")
        with path.open("rb") as file:
            return _probe(path, file, file.seek(0, os.SEEK_END))
    except FileNotFoundError:
        raise InputError.one(str(path), "no such file", "name the file that the logger wrote") from None
    except OSError as error:
        raise InputError.one(str(path), f"cannot be read ({error.strerror})", "check its permissions") from None


def _read(file: BinaryIO, size: int, start: int) -> bytes:
    file.seek(start)
    return file.read(size)


def _probe(path: Path, file: BinaryIO, size: int) -> Probe:
    name = path.name
    if size == 0:
        raise InputError.one(name, "is empty", "give the file that the logger wrote")
    first = _read(file, HEAD_BYTES, 0)
    _check_kind(first, name)
    end = _end_of_text(file, size, name)
    if end == 0:
        raise InputError.one(name, "holds zero bytes only", "the logger lost its data; give another file")
    _check_lines(file, end, name)
    first = first[:end]
    text = _decoded(first)
    lines = text.split("\n")
    if len(lines) < 2 and "\r" in text:
        raise _lone_cr(name)
    head = read_head("\n".join(lines[:400]) + ("" if end <= len(first) and len(lines) <= 400 else "\n"), name=name)
    begin = _offset(first, head.layout.first_line - 1)
    stop, cut = _last_line(file, begin, end, head)
    return Probe(path, size, head, begin, stop, size - end, cut, tuple(_windows(file, begin, stop)))


def _check_kind(first: bytes, name: str) -> None:
    for mark, what, mend in _KINDS:
        if first.startswith(mark):
            raise InputError.one(name, what, mend)
    body = first.rstrip(b"\x00")
    zeros = body.count(0)
    if zeros > 0.2 * len(body) and len(body) > 3 and max(body[::2].count(0), body[1::2].count(0)) > 0.8 * zeros:
        raise InputError.one(name, "is UTF-16 text", "save it as UTF-8 text")
    strange = sum(body[:4096].count(code) for code in (*range(9), *range(14, 32), 127))
    if zeros or strange > 0.01 * max(1, len(body[:4096])):
        raise InputError.one(name, "is not text (binary bytes in it)", _AS_TEXT)


def _end_of_text(file: BinaryIO, size: int, name: str) -> int:
    """Return where the text ends: a logger that loses power may leave some zero bytes after it."""
    start = max(0, size - STRIDE_BYTES)
    kept = _read(file, size - start, start).rstrip(b"\x00")
    if not kept and start:
        raise InputError.one(
            name,
            f"a line without end: the last {STRIDE_BYTES // 1024} KB hold zero bytes only",
            "the file is damaged; give its rows, up to the last whole line, as a file of their own",
        )
    return start + len(kept) if kept else 0


def _check_lines(file: BinaryIO, end: int, name: str) -> None:
    """Raise where a window of 64 KB holds no line break: such a line is never read into memory."""
    for start in range(0, end, STRIDE_BYTES):
        length = min(WINDOW_BYTES, end - start)
        if length < WINDOW_BYTES:
            break
        if b"\n" in _read(file, _PEEK_BYTES, start):
            continue
        window = _read(file, length, start)
        if b"\n" in window:
            continue
        raise _long_line(name, start, window)


def _long_line(name: str, start: int, window: bytes) -> InputError:
    """Return what to say of a line without end, seen from a window of it."""
    if 0 in window:
        what = f"binary bytes from byte {start}"
        return InputError.one(name, what, "the file is damaged there; give what stands before it as a file of its own")
    if window.count(b"\r") > 10:
        return _lone_cr(name)
    what = f"a line without end: no line break in the {len(window) // 1024} KB from byte {start}"
    return InputError.one(name, what, "the file is damaged or no table; give one with a line for each sample")


def _lone_cr(name: str) -> InputError:
    return InputError.one(name, "its lines end with a lone CR", "save it with the usual line ends (LF or CR LF)")


def _decoded(data: bytes) -> str:
    cut = data[: data.rfind(b"\n") + 1] or data
    try:
        return cut.decode("utf-8")
    except UnicodeDecodeError:
        return cut.decode("cp1252", errors="replace")


def _offset(data: bytes, lines: int) -> int:
    at = 0
    for _ in range(lines):
        at = data.find(b"\n", at) + 1
    return at


def _last_line(file: BinaryIO, begin: int, end: int, head: Head) -> tuple[int, str]:
    """Return where whole lines end, and the last line where it is cut off."""
    tail = _read(file, min(WINDOW_BYTES, end - begin), max(begin, end - WINDOW_BYTES))
    if not tail or tail.endswith(b"\n"):
        return end, ""
    lines = tail.split(b"\n")
    last, before = lines[-1].rstrip(b"\r"), [line.rstrip(b"\r") for line in lines[-21:-1] if line.strip()]
    return (end, "") if _whole(last, before, head) else (end - len(lines[-1]), _decoded(last)[:80] or " ")


def _whole(last: bytes, before: list[bytes], head: Head) -> bool:
    """Whether a last line without line break has all its fields, the last with all the decimals of those before."""
    layout = head.layout
    cells = layout.split(last.decode("utf-8", "replace"))
    if len(cells) != layout.width:
        return False
    mark = "," if layout.decimal_comma else "."
    others = [layout.split(line.decode("utf-8", "replace"))[-1] for line in before[1:]]
    return not others or (
        len(cells[-1].partition(mark)[2]) >= min(len(cell.partition(mark)[2]) for cell in others)
        and (bool(cells[-1]) or not all(others))
        and len(cells[-1]) >= min(map(len, others))
    )


def _windows(file: BinaryIO, begin: int, end: int) -> Iterator[bytes]:
    """Yield windows of whole lines, spread evenly over the rows; of a short file all of it."""
    if end - begin <= _MOST_WINDOWS * WINDOW_BYTES:
        yield _read(file, end - begin, begin)
        return
    for k in range(_MOST_WINDOWS):
        start = begin + (end - begin - WINDOW_BYTES) * k // (_MOST_WINDOWS - 1)
        window = _read(file, WINDOW_BYTES, start)
        low = 0 if k == 0 else window.find(b"\n") + 1
        yield window[low : window.rfind(b"\n") + 1]


def blocks_of(found: Probe) -> Iterator[bytes]:
    """
    Yield the file's rows as blocks of whole lines.

    Raises
    ------
    InputError
        If there is no line break in a whole block.
    """
    with found.path.open("rb") as file:
        at = found.begin
        while at < found.end:
            stop = min(at + BLOCK_BYTES, found.end)
            if stop < found.end:
                stop = _line_end(file, at, stop, found.path.name)
            data = _read(file, stop - at, at)
            if len(data) < stop - at:  # the file shrank while it was read
                raise InputError.one(found.path.name, "became shorter while it was read", "read it when it is complete")
            at = stop
            yield data


def _line_end(file: BinaryIO, start: int, stop: int, name: str) -> int:
    """Return where the last line ends that begins after `start` and ends by `stop`."""
    while stop > start:
        low = max(start, stop - _END_BYTES)
        cut = _read(file, stop - low, low).rfind(b"\n")
        if cut >= 0:
            return low + cut + 1
        stop = low
    raise _long_line(name, start, _read(file, 1 << 16, start))
