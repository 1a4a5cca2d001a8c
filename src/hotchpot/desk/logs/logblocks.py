"""
Blocks of a logger's file as arrays: whole lines at a time, parsed by polars, mended where a block has odd cells.

A block in order costs one parse of the columns in use. Only a block with an odd cell or row is looked at twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logcolumns import Column, Columns
from hotchpot.bench.logs.loglayout import Head
from hotchpot.desk.logs.logcells import Cells
from hotchpot.desk.logs.logmend import mended
from hotchpot.desk.logs.logstamps import Stamps
from hotchpot.desk.logs.logtally import Tally

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(slots=True)
class Batch:
    """
    The rows of one block: arrays of shape (n,); `units` as text where the file has such a column.

    `line` is the line of the first row, or of each row where lines were left out between them; `lines` is how many
    lines the block has. Both, and the lines in `tally`, count from 0 at the block's first line.
    """

    time_s: Floats
    volts: Floats
    amps: Floats
    temperature_c: Floats | None
    units: pl.Series | None
    line: int | NDArray[np.int64]
    lines: int
    tally: Tally


class Parser:
    """Turns blocks of a file's rows into batches, in any order and in many threads; time counts from `start_s`."""

    def __init__(self, head: Head, columns: Columns, *, name: str, start_s: float = 0.0) -> None:
        self.cells = Cells(head, columns, name=name)
        self.layout, self.columns, self.start_s = head.layout, columns, start_s

    def parse(self, block: bytes) -> Batch:
        """Return the rows of a block of whole lines."""
        import polars as pl

        try:
            frame = self.cells.frame(block).select(self.cells.wanted()).collect(engine="streaming")
            if self._odd(block, frame.height):
                raise pl.exceptions.ComputeError("rows of unlike length")
        except pl.exceptions.PolarsError:
            frame, lines, tally = mended(self.cells, block)
            batch = self.batch(frame)
            batch.line, batch.lines, batch.tally = lines, _lines_of(block), tally
            tally.rows = frame.height
            return batch
        return self.batch(frame)

    def batch(self, frame: pl.DataFrame, stamps: Stamps | None = None) -> Batch:
        """Return the columns of a block in order as a batch; `stamps` reads its dates where they came as bytes."""
        if stamps:
            time_s = stamps.seconds(frame["time"], self.start_s)
        else:
            time_s = self.cells.seconds(frame["time"], self.columns.time)
            if self.start_s:
                time_s = time_s - self.start_s
        volts, amps = (_scaled(frame[str(c.role)], c) for c in (self.columns.volts, self.columns.amps))
        warmth = self.columns.temperature
        warm = _scaled(frame["temperature"], warmth) if warmth is not None and "temperature" in frame.columns else None
        units = frame["unit"] if self.columns.unit is not None else None
        return Batch(time_s, volts, amps, warm, units, 0, frame.height, Tally(rows=frame.height))

    def _odd(self, block: bytes, rows: int) -> bool:
        """Whether a block that parsed must be looked at again: rows with too few or too many fields."""
        import numpy as np

        if self.layout.quoted:
            return False
        marks = int(np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == ord(self.layout.delimiter)))
        return marks != rows * (self.layout.width - 1)


def _lines_of(block: bytes) -> int:
    import numpy as np

    count = int(np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == 10))
    return count + (0 if block.endswith(b"\n") else 1)


def _scaled(numbers: pl.Series, column: Column) -> Floats:
    import numpy as np

    values = np.asarray(numbers.to_numpy(), dtype=np.float64)
    if column.factor != 1.0:
        values = values * column.factor
    return values + column.offset if column.offset else values
