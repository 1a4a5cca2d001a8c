"""
Blocks of a logger's file as arrays: whole lines at a time, parsed by polars, mended where a block has odd cells.

A block in order costs one parse of the columns in use. Only a block with an odd cell or row is looked at twice.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bench.logcolumns import Column, Columns
from hotchpot.bench.loglayout import COMMENTS, MISSING, Layout
from hotchpot.bench.logtimes import TimeForm
from hotchpot.desk.logstamps import gap_of, line_seconds
from hotchpot.desk.logtally import SHOWN, Odd, Tally
from hotchpot.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_MANY_ROWS = 50_000
_SAMPLES = 256
_ZONE = re.compile(r" ?(?:Z|UTC|[+-]\d{2}:?\d{2})$")


@dataclass(slots=True)
class Batch:
    """The rows of one block: arrays of shape (n,); `units` as text where the file has such a column."""

    time_s: Floats
    volts: Floats
    amps: Floats
    temperature_c: Floats | None
    units: pl.Series | None
    line: int | NDArray[np.int64]


class Parser:
    """Turns blocks of a file's rows into batches."""

    def __init__(self, layout: Layout, columns: Columns, head_cells: Callable[[int], list[str]], *, name: str) -> None:
        self.layout, self.columns, self.name = layout, columns, name
        self.tally = Tally()
        self.numbers = [c for c in columns.taken if c.form is None and str(c.role) not in ("unit", "ah")]
        self.dated = columns.time.form is not None
        self.start_s = 0.0
        self._head_cells = head_cells
        self._suffix = self._zone(columns.time)
        self._midnights = 0
        self._sparse = False
        form = columns.time.form
        plain = form is not None and not (form.fraction or form.zone or columns.time.index or layout.quoted)
        self._gap = gap_of(form.pattern) if form is not None and plain and columns.time.beside is None else None
        self._last_clock = -1.0

    def parse(self, block: bytes, line: int) -> Batch:
        """Return the rows of a block of whole lines, the first of which is the file's line `line`."""
        import polars as pl

        warm = None
        lines: int | NDArray[np.int64] = line
        try:
            frame, time_s = self._usual(block)
            warm = self._sampled(block, frame.height) if self._sparse else None
            if self._odd(block, frame.height):
                raise pl.exceptions.ComputeError("rows of unlike length")
        except pl.exceptions.PolarsError:
            frame, lines = self._mended(block, line)
            time_s = self._seconds(frame["time"], self.columns.time)
        self.tally.rows += frame.height
        volts, amps = (self._scaled(frame[str(c.role)], c) for c in (self.columns.volts, self.columns.amps))
        if warm is None and self.columns.temperature is not None:
            warm = self._scaled(frame["temperature"], self.columns.temperature)
            self._settle(frame["temperature"], warm)
        units = frame["unit"] if self.columns.unit is not None else None
        return Batch(self._from_start(time_s), volts, amps, warm, units, lines)

    def _usual(self, block: bytes) -> tuple[pl.DataFrame, Floats]:
        """Return the columns of a block in order, with its times; raises polars' own error where a cell is odd."""
        form = self.columns.time.form
        quick = None
        if self._gap is not None:
            quick = line_seconds(block, gap=self._gap, after=self.layout.delimiter)
        frame = self._scan(block, dated=form is not None and quick is None).collect(engine="streaming")
        if quick is not None and quick.size == frame.height:
            return frame, quick
        if quick is not None:
            frame = self._scan(block, dated=True).collect(engine="streaming")
        return frame, self._seconds(frame["time"], self.columns.time)

    def _settle(self, read: pl.Series, warm: Floats) -> None:
        """From now on take samples of the temperature where every row has one: it moves slowly, and parsing costs."""
        import numpy as np

        full = read.len() > _MANY_ROWS and not read.null_count() and np.isfinite(warm.sum())
        self._sparse = bool(full) and not self.layout.quoted and self.columns.unit is None

    def _sampled(self, block: bytes, rows: int) -> Floats:
        """Return the temperature of some rows, spread over the block; their places are told by their bytes."""
        import numpy as np

        column = self.columns.temperature
        assert column is not None
        warm = np.full(rows, np.nan)
        for k in range(_SAMPLES):
            begin = block.find(b"\n", len(block) * k // _SAMPLES) + 1
            cells = block[begin : block.find(b"\n", begin)].split(self.layout.delimiter.encode())
            if begin and len(cells) > column.index:
                value = self.layout.number(cells[column.index].decode("ascii", "replace").strip())
                warm[min(rows - 1, rows * begin // len(block))] = value * column.factor + column.offset
        return warm

    def lines_of(self, block: bytes) -> int:
        """Return how many lines a block has."""
        import numpy as np

        count = int(np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == 10))
        return count + (0 if block.endswith(b"\n") else 1)

    def times(self, block: bytes, column: Column) -> Floats:
        """Return another column's times of a window, in seconds; not-a-number where they cannot be read."""
        frame = self._read(self._full(block), strings=True).select(self._as_time(column, strict=False).alias("time"))
        return self._seconds(frame.collect()["time"], column)[1:]

    def units(self, block: bytes) -> NDArray[np.object_] | None:
        """Return the units of a window's rows, None where the file has no column of them."""
        import polars as pl

        if self.columns.unit is None:
            return None
        text = pl.col(f"f{self.columns.unit.index}").fill_null("")
        return self._read(self._full(block), strings=True).select(text.alias("unit")).collect()["unit"].to_numpy()[1:]

    def _full(self, block: bytes) -> bytes:
        """Return a block with a first line in full: the parser takes its width from there."""
        return (self.layout.delimiter * (self.layout.width - 1)).encode() + b"\n" + block

    # --- the usual block ---------------------------------------------------------------------------------------------

    def _read(self, block: bytes, *, strings: bool = False) -> pl.LazyFrame:
        import polars as pl

        numbers = set() if strings else {c.index for c in self.numbers}
        schema = {f"f{k}": pl.Float64 if k in numbers else pl.String for k in range(self.layout.width)}
        return pl.scan_csv(
            block,
            has_header=False,
            separator=self.layout.delimiter,
            quote_char='"' if self.layout.quoted else None,
            schema=schema,
            decimal_comma=self.layout.decimal_comma and not strings,
            truncate_ragged_lines=True,
            encoding="utf8-lossy" if strings else "utf8",
        )

    def _scan(self, block: bytes, *, dated: bool) -> pl.LazyFrame:
        import polars as pl

        numbers = [c for c in self.numbers if not (self._sparse and c is self.columns.temperature)]
        wanted = [pl.col(f"f{c.index}").alias(str(c.role)) for c in numbers]
        if dated:
            wanted.append(self._as_time(self.columns.time, strict=True).alias("time"))
        if self.columns.unit is not None:
            wanted.append(pl.col(f"f{self.columns.unit.index}").alias("unit"))
        return self._read(block).select(wanted)

    def _as_time(self, column: Column, *, strict: bool) -> pl.Expr:
        """Return the expression for a column of time: microseconds of a date, seconds of a clock or of a number."""
        import polars as pl

        text = pl.col(f"f{column.index}")
        form = column.form
        if form is None:
            return self._as_number(text)
        if form.clock:
            return _clock_seconds(text, strict=strict)
        pattern = form.pattern + ("" if column.beside is not None else self._pattern_tail(form, strict=strict))
        if not strict:
            text = text.str.strip_chars()
        dates = text.str.to_datetime(pattern, time_unit="us", strict=strict, cache=False)
        stamp = dates.cast(pl.Int64)
        if column.beside is None:
            return stamp
        clock = _clock_seconds(pl.col(f"f{column.beside}"), strict=strict)
        return stamp + (clock * 1e6).round().cast(pl.Int64)

    def _pattern_tail(self, form: TimeForm, *, strict: bool) -> str:
        return ("%.f" if form.fraction or not strict else "") + (" %p" if form.half else "") + self._suffix

    def _zone(self, column: Column) -> str:
        if column.form is None or not column.form.zone:
            return ""
        found = {match[0] if (match := _ZONE.search(cell)) else "" for cell in self._head_cells(column.index) if cell}
        only = found.pop() if len(found) == 1 else ""
        return only if only.strip() in ("Z", "UTC") else (" " if only.startswith(" ") else "") + "%#z"

    def _odd(self, block: bytes, rows: int) -> bool:
        """Whether a block that parsed must be looked at again: rows with too few or too many fields."""
        import numpy as np

        if self.layout.quoted:
            return False
        marks = int(np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == ord(self.layout.delimiter)))
        return marks != rows * (self.layout.width - 1)

    # --- a block with odd cells --------------------------------------------------------------------------------------

    def _mended(self, block: bytes, line: int) -> tuple[pl.DataFrame, NDArray[np.int64]]:
        """Return the block cell by cell: what is no number is missing, and counted with its line."""
        import numpy as np
        import polars as pl

        frame = self._read(self._full(block), strings=True).collect().slice(1)
        lines = np.arange(line, line + frame.height)
        good = self._whole_rows(block, frame, lines)
        frame = frame.filter(pl.Series(good))
        lines = lines[good]
        read: dict[str, pl.Series] = {}
        for column in self.numbers:
            text = frame[f"f{column.index}"].str.strip_chars()
            number = frame.select(self._as_number(pl.lit(text)).alias("x"))["x"]
            self._note_text(column, text, number, lines)
            read[str(column.role)] = number
        if self.dated:
            column = self.columns.time
            stamps = frame.select(self._as_time(column, strict=False).alias("x"))["x"]
            self._note_text(column, frame[f"f{column.index}"].str.strip_chars(), stamps, lines)
            read["time"] = stamps
        if self.columns.unit is not None:
            read["unit"] = frame[f"f{self.columns.unit.index}"].str.strip_chars()
        faults = self.tally.faults(self.name, final=False)
        if faults:
            raise InputError(faults)
        return pl.DataFrame(read), lines

    def _whole_rows(self, block: bytes, frame: pl.DataFrame, lines: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return which rows count, and note those with too few or too many fields, blank ones and comments."""
        import numpy as np

        first = frame["f0"].fill_null("").str.strip_chars_start()
        comment = np.zeros(frame.height, dtype=bool)
        for mark in COMMENTS:
            comment |= first.str.starts_with(mark).to_numpy()
        if self.layout.quoted:
            return ~comment
        data = np.frombuffer(block, dtype=np.uint8)
        ends = np.flatnonzero(data == 10)
        if ends.size < frame.height:
            ends = np.append(ends, data.size)
        marks = np.flatnonzero(data == ord(self.layout.delimiter))
        count = np.diff(np.searchsorted(marks, ends[: frame.height]), prepend=0)
        length = np.diff(ends[: frame.height], prepend=-1) - 1
        blank = (count == 0) & (length <= 1)
        wrong = (count < self.layout.width - 1) & ~blank & ~comment
        for k in np.flatnonzero((count > self.layout.width - 1) & ~comment):
            begin = int(ends[k - 1]) + 1 if k else 0
            cells = block[begin : int(ends[k])].split(self.layout.delimiter.encode())
            wrong[k] = any(cell.strip() for cell in cells[self.layout.width :])
        at = np.flatnonzero(wrong)
        self.tally.short.add(lines[at].tolist(), [""] * min(SHOWN, at.size))
        self.tally.comments += int(comment.sum())
        self.tally.blank += int(blank.sum())
        return np.asarray(~(wrong | blank | comment))

    def _as_number(self, text: pl.Expr) -> pl.Expr:
        import polars as pl

        if self.layout.decimal_comma:
            text = text.str.replace(",", ".", literal=True)
        return text.str.strip_chars().cast(pl.Float64, strict=False)

    def _note_text(self, column: Column, text: pl.Series, read: pl.Series, lines: NDArray[np.int64]) -> None:
        import polars as pl

        known = read.is_not_null()
        self.tally.filled[column.name] = self.tally.filled.get(column.name, 0) + int(known.sum())
        odd = text.is_not_null() & ~known & ~text.str.to_lowercase().is_in(pl.Series(sorted(MISSING)).implode())
        at = odd.arg_true().to_numpy()
        if at.size:
            shown = text.gather(at[:SHOWN]).to_list()
            self.tally.text.setdefault(column.name, Odd()).add(lines[at].tolist(), shown)

    # --- to arrays ---------------------------------------------------------------------------------------------------

    def _from_start(self, time_s: Floats) -> Floats:
        form = self.columns.time.form
        if form is not None and form.clock:
            time_s = self._past_midnight(time_s)
        return time_s - self.start_s if self.start_s else time_s

    def _seconds(self, stamps: pl.Series, column: Column) -> Floats:
        import numpy as np

        numbers = stamps.to_numpy().astype(np.float64, copy=False)
        if column.form is not None and not column.form.clock:
            return np.asarray(numbers * 1e-6)
        return numbers if (column.factor, column.offset) == (1.0, 0.0) else numbers * column.factor + column.offset

    def _past_midnight(self, time: Floats) -> Floats:
        """Return times of day as one rising time: a fall by more than half a day is midnight."""
        import numpy as np

        good = np.flatnonzero(np.isfinite(time))
        if not good.size:
            return time
        known = time[good]
        falls = np.diff(known, prepend=self._last_clock if self._last_clock >= 0 else known[0]) < -43_200.0
        out = time.copy()
        out[good] = known + 86_400.0 * (self._midnights + np.cumsum(falls))
        self._midnights += int(falls.sum())
        self._last_clock = float(known[-1])
        return out

    def _scaled(self, numbers: pl.Series, column: Column) -> Floats:
        import numpy as np

        values = np.asarray(numbers.to_numpy(), dtype=np.float64)
        if column.factor != 1.0:
            values = values * column.factor
        return values + column.offset if column.offset else values


def _clock_seconds(text: pl.Expr, *, strict: bool) -> pl.Expr:
    import polars as pl

    parts = text.str.strip_chars().str.replace(",", ".", literal=True).str.split_exact(":", 2)
    hour, minute, second = (parts.struct.field(f"field_{k}").cast(pl.Float64, strict=strict) for k in range(3))
    return hour * 3600.0 + minute * 60.0 + second.fill_null(0.0)
