"""
Read a block of a logger's file that has odd cells or rows: cell by cell, with all that is odd counted.

Lines are counted from the block's first, as 0; whoever puts the blocks in order knows where each begins.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hotchpot.bench.logs.logcolumns import Column
from hotchpot.bench.logs.loglayout import COMMENTS, MISSING
from hotchpot.desk.logs.logcells import Cells
from hotchpot.desk.logs.logtally import SHOWN, Odd, Tally

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray


def mended(cells: Cells, block: bytes) -> tuple[pl.DataFrame, NDArray[np.int64], Tally]:
    """Return a block's columns by role with each row's line, and what was odd; what is no number is missing."""
    import numpy as np
    import polars as pl

    tally = Tally()
    frame = cells.frame_of_any(block)
    good = _whole_rows(cells, block, frame, tally)
    frame, lines = frame.filter(pl.Series(good)), np.flatnonzero(good)
    read: dict[str, pl.Series] = {}
    for column in cells.numbers:
        text = frame[f"f{column.index}"].str.strip_chars()
        read[str(column.role)] = frame.select(cells.number(pl.lit(text)).alias("x"))["x"]
        _note_text(column, text, read[str(column.role)], lines, tally)
    if cells.dated:
        column = cells.columns.time
        read["time"] = frame.select(cells.time(column, strict=False).alias("x"))["x"]
        _note_text(column, frame[f"f{column.index}"].str.strip_chars(), read["time"], lines, tally)
    if cells.columns.unit is not None:
        read["unit"] = frame[f"f{cells.columns.unit.index}"].str.strip_chars()
    return pl.DataFrame(read), lines, tally


def _whole_rows(cells: Cells, block: bytes, frame: pl.DataFrame, tally: Tally) -> NDArray[np.bool_]:
    """Return which rows count, and note those with too few or too many fields, blank ones and comments."""
    import numpy as np

    first = frame["f0"].fill_null("").str.strip_chars_start()
    comment = np.zeros(frame.height, dtype=bool)
    for mark in COMMENTS:
        comment |= first.str.starts_with(mark).to_numpy()
    if cells.layout.quoted:
        tally.comments += int(comment.sum())
        return ~comment
    data = np.frombuffer(block, dtype=np.uint8)
    ends = np.flatnonzero(data == 10)
    if ends.size < frame.height:
        ends = np.append(ends, data.size)
    marks = np.flatnonzero(data == ord(cells.layout.delimiter))
    count = np.diff(np.searchsorted(marks, ends[: frame.height]), prepend=0)
    length = np.diff(ends[: frame.height], prepend=-1) - 1
    blank = (count == 0) & (length <= 1)
    wrong = (count < cells.layout.width - 1) & ~blank & ~comment
    for k in np.flatnonzero((count > cells.layout.width - 1) & ~comment):
        begin = int(ends[k - 1]) + 1 if k else 0
        fields = block[begin : int(ends[k])].split(cells.layout.delimiter.encode())
        wrong[k] = any(field.strip() for field in fields[cells.layout.width :])
    at = np.flatnonzero(wrong)
    tally.short.add(at.tolist(), [""] * min(SHOWN, at.size))
    tally.comments += int(comment.sum())
    tally.blank += int(blank.sum())
    return np.asarray(~(wrong | blank | comment))


def _note_text(column: Column, text: pl.Series, read: pl.Series, lines: NDArray[np.int64], tally: Tally) -> None:
    """Count the cells of a column that hold words, and those that hold values."""
    import polars as pl

    known = read.is_not_null()
    tally.filled[column.name] = tally.filled.get(column.name, 0) + int(known.sum())
    odd = text.is_not_null() & ~known & ~text.str.to_lowercase().is_in(pl.Series(sorted(MISSING)).implode())
    at = odd.arg_true().to_numpy()
    if at.size:
        shown = text.gather(at[:SHOWN]).to_list()
        tally.text.setdefault(column.name, Odd()).add(lines[at].tolist(), shown)
