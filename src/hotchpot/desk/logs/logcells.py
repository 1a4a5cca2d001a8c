"""The cells of a logger's file as polars reads them: numbers with either decimal sign, dates of any form, units."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logcolumns import Column, Columns
from hotchpot.bench.logs.loglayout import Head
from hotchpot.bench.logs.logtimes import TimeForm

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_ZONE = re.compile(r" ?(?:Z|UTC|[+-]\d{2}:?\d{2})$")


class Cells:
    """How the cells of one file are read; nothing in it changes, so that threads may share it."""

    def __init__(self, head: Head, columns: Columns, *, name: str) -> None:
        self.layout, self.columns, self.name = head.layout, columns, name
        self.numbers = [c for c in columns.taken if c.form is None and str(c.role) not in ("unit", "ah")]
        self.dated = columns.time.form is not None
        self._suffixes = {c.index: _zone(head, c) for c in (columns.time, *columns.other_times)}

    def frame(self, source: bytes | Path, *, skip_lines: int = 0, strings: bool = False) -> pl.LazyFrame:
        """
        Return a block of whole lines, or a file, as columns f0, f1 ...: the numbers in use as such.

        With `strings` every column is given as it stands.
        """
        import polars as pl

        numbers = set() if strings else {c.index for c in self.numbers}
        schema = {f"f{k}": pl.Float64 if k in numbers else pl.String for k in range(self.layout.width)}
        return pl.scan_csv(
            source,
            has_header=False,
            skip_lines=skip_lines,
            glob=False,
            separator=self.layout.delimiter,
            quote_char='"' if self.layout.quoted else None,
            schema=schema,
            decimal_comma=self.layout.decimal_comma and not strings,
            truncate_ragged_lines=True,
            encoding="utf8-lossy" if strings else "utf8",
        )

    def wanted(self, *, without: Column | None = None, time: pl.Expr | None = None) -> list[pl.Expr]:
        """Return the expressions of the columns in use, each by its role, but for one; `time` stands in for dates."""
        import polars as pl

        wanted = [pl.col(f"f{c.index}").alias(str(c.role)) for c in self.numbers if c is not without]
        if self.dated:
            wanted.append(self.time(self.columns.time, strict=True).alias("time") if time is None else time)
        if self.columns.unit is not None:
            wanted.append(pl.col(f"f{self.columns.unit.index}").alias("unit"))
        return wanted

    def frame_of_any(self, block: bytes) -> pl.DataFrame:
        """Return a block as it stands, whatever it holds; rows with too few fields end in nulls."""
        # The parser takes the width from the first line, so it gets one in full.
        full = (self.layout.delimiter * (self.layout.width - 1)).encode() + b"\n" + block
        return self.frame(full, strings=True).collect().slice(1)

    def number(self, text: pl.Expr) -> pl.Expr:
        """Return the expression for numbers as they stand; null where a cell is none."""
        import polars as pl

        if self.layout.decimal_comma:
            text = text.str.replace(",", ".", literal=True)
        return text.str.strip_chars().cast(pl.Float64, strict=False)

    def time(self, column: Column, *, strict: bool) -> pl.Expr:
        """Return the expression for a column of time: microseconds of a date, seconds of a clock or of a number."""
        import polars as pl

        text = pl.col(f"f{column.index}")
        form = column.form
        if form is None:
            return self.number(text)
        if form.clock:
            return _clock_seconds(text, strict=strict)
        pattern = form.pattern + ("" if column.beside is not None else self._tail(column, form, strict=strict))
        if not strict:
            text = text.str.strip_chars()
        dates = text.str.to_datetime(pattern, time_unit="us", strict=strict, cache=False)
        stamp = dates.cast(pl.Int64)
        if column.beside is None:
            return stamp
        clock = _clock_seconds(pl.col(f"f{column.beside}"), strict=strict)
        return stamp + (clock * 1e6).round().cast(pl.Int64)

    def _tail(self, column: Column, form: TimeForm, *, strict: bool) -> str:
        fraction = "%.f" if form.fraction or not strict else ""
        return fraction + (" %p" if form.half else "") + self._suffixes.get(column.index, "")

    def seconds(self, stamps: pl.Series, column: Column) -> Floats:
        """Return what the expression of `time` gave, in seconds."""
        import numpy as np

        numbers = stamps.to_numpy().astype(np.float64, copy=False)
        if column.form is not None and not column.form.clock:
            return np.asarray(numbers * 1e-6)
        return numbers if (column.factor, column.offset) == (1.0, 0.0) else numbers * column.factor + column.offset

    def times(self, block: bytes, column: Column) -> Floats:
        """Return a column's times of a window, in seconds; not-a-number where they cannot be read."""
        frame = self.frame_of_any(block).select(self.time(column, strict=False).alias("time"))
        return self.seconds(frame["time"], column)

    def units(self, block: bytes) -> NDArray[np.object_] | None:
        """Return the units of a window's rows, None where the file has no column of them."""
        if self.columns.unit is None:
            return None
        return self.frame_of_any(block)[f"f{self.columns.unit.index}"].fill_null("").to_numpy()


def _zone(head: Head, column: Column) -> str:
    """Return what follows the time in a column of dates: its zone, as it stands or as a pattern."""
    if column.form is None or not column.form.zone:
        return ""
    cells = [row[column.index] for row in head.rows if column.index < len(row) and row[column.index]]
    found = {match[0] if (match := _ZONE.search(cell)) else "" for cell in cells}
    only = found.pop() if len(found) == 1 else ""
    return only if only.strip() in ("Z", "UTC") else (" " if only.startswith(" ") else "") + "%#z"


def _clock_seconds(text: pl.Expr, *, strict: bool) -> pl.Expr:
    import polars as pl

    parts = text.str.strip_chars().str.replace(",", ".", literal=True).str.split_exact(":", 2)
    hour, minute, second = (parts.struct.field(f"field_{k}").cast(pl.Float64, strict=strict) for k in range(3))
    return hour * 3600.0 + minute * 60.0 + second.fill_null(0.0)
