"""
The straight way through a long logger's file: one streamed scan by polars, while a thread watches the bytes.

The scan gives numbers and says nothing of rows with too few or too many fields. The watch counts delimiters: where they
do not come out, or a cell is odd, the file is read again block by block, which finds and mends the place.
"""

from __future__ import annotations

import math
import mmap
import threading
from collections.abc import Iterator
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logcolumns import Column, Columns
from hotchpot.desk.logs.logblocks import Batch, Parser
from hotchpot.desk.logs.logprobe import Probe
from hotchpot.desk.logs.logstamps import Stamps

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_PIECE_BYTES = 1 << 20
_LINE_END = 10
_SAMPLES = 12  # of the temperature in each piece: it moves slowly
_MANY_ROWS = 10_000


class NotStraightError(Exception):
    """The file has odd cells or rows, and must be read block by block."""


def goes_straight(found: Probe) -> bool:
    """Return whether a file is long, and whole to its last byte."""
    return len(found.windows) > 1 and found.end == found.size


def sampled_column(columns: Columns, survey: Batch) -> Column | None:
    """
    Return the column of temperature where samples of it will do, else None.

    That is where one unit has a temperature in every row of the survey, as nearly all loggers write it.
    """
    import numpy as np

    warm = survey.temperature_c
    if warm is None or columns.unit is not None or warm.size < _MANY_ROWS or not np.isfinite(warm.sum()):
        return None
    return columns.temperature


def straight_batches(found: Probe, parser: Parser, watch: Watch) -> Iterator[Batch]:
    """
    Yield the rows of a file in order, with lines counted from 0 at each batch's first row.

    Raises
    ------
    NotStraightError
        If a cell or a row is odd; some batches may have been given by then.
    """
    import polars as pl

    layout = found.head.layout
    scan = parser.cells.frame(found.path, skip_lines=layout.first_line - 1)
    stamps = Stamps.found(parser.cells, found.windows[0] + found.windows[-1])  # a date of another width is told later
    wanted = parser.cells.wanted(without=watch.column, time=stamps.wanted if stamps else None)
    rows, whole = 0, False
    watch.start()
    try:
        for frame in scan.select(wanted).collect_batches():  # polars reads on in threads of its own
            rows += frame.height
            yield parser.batch(frame, stamps)
        whole = True
    except pl.exceptions.PolarsError:
        raise NotStraightError from None
    finally:
        watch.stop(early=not whole)
    if watch.marks != rows * watch.each:
        raise NotStraightError


class Watch:
    """
    Counts the delimiters of a file's rows, and samples the cells of one column, in a thread of its own.

    Every row in order has `each` of them. Where fields are quoted, and may hold delimiters, line breaks are counted.
    `samples` holds rows, counted from 0, and values, in the column's own unit turned into ours.
    """

    def __init__(self, found: Probe, column: Column | None) -> None:
        self.found, self.column = found, column
        layout = found.head.layout
        self.mark = _LINE_END if layout.quoted else ord(layout.delimiter)
        self.each = 1 if layout.quoted else layout.width - 1
        self.marks = 0
        self._rows: list[int] = []
        self._values: list[float] = []
        self._early = False
        self._thread = threading.Thread(target=self._run, name="log-watch", daemon=True)

    def start(self) -> None:
        """Begin to count."""
        self._thread.start()

    def stop(self, *, early: bool) -> None:
        """Wait until all is counted; or, where it is wanted no more, until the thread has seen so."""
        self._early = early
        self._thread.join()

    @property
    def samples(self) -> tuple[NDArray[np.int64], Floats]:
        """The rows that were sampled, rising, and what was read there."""
        import numpy as np

        return np.array(self._rows, dtype=np.int64), np.array(self._values)

    def _run(self) -> None:
        import numpy as np

        mask = np.empty(_PIECE_BYTES, dtype=bool)
        with self.found.path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
            at, end = self.found.begin, min(self.found.end, len(mapped))
            while at < end and not self._early:
                # Pieces end where pages do, so that each can be given back as soon as it is counted.
                size = min((at // _PIECE_BYTES + 1) * _PIECE_BYTES, end) - at
                data = np.frombuffer(mapped, dtype=np.uint8, count=size, offset=at)
                marks = int(np.count_nonzero(np.equal(data, self.mark, out=mask[:size])))
                del data  # else the map could not be closed
                if self.column is not None:
                    self._sample(mapped, at, size, marks)
                if hasattr(mmap, "MADV_DONTNEED"):
                    mapped.madvise(mmap.MADV_DONTNEED, at // _PIECE_BYTES * _PIECE_BYTES, _PIECE_BYTES)
                self.marks += marks
                at += size
            if self.mark == _LINE_END and mapped[end - 1] != _LINE_END:
                self.marks += 1

    def _sample(self, mapped: mmap.mmap, at: int, size: int, marks: int) -> None:
        """Read the column in some rows of a piece; which rows they are follows from their place in its bytes."""
        assert self.column is not None
        layout = self.found.head.layout
        for k in range(_SAMPLES):
            begin = mapped.find(b"\n", at + size * k // _SAMPLES, at + size) + 1
            end = mapped.find(b"\n", begin, at + size)
            if begin <= 0 or end < 0:
                continue
            cells = layout.split(mapped[begin:end].decode("ascii", "replace"))
            value = layout.number(cells[self.column.index]) if len(cells) > self.column.index else float("nan")
            row = (self.marks + marks * (begin - at) // size) // self.each
            if not math.isnan(value) and (not self._rows or row > self._rows[-1]):
                self._rows.append(row)
                self._values.append(value * self.column.factor + self.column.offset)
