"""
Dates of one width, such as 2024-03-24 07:00:06, read by their bytes.

In a long log every date has the same width, and the day stays the same for many rows. The time of day is worked
out of its eight bytes; only a row whose day, or what follows the time, is new is read by the general way.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logtimes import TimeForm, seconds_of
from hotchpot.desk.logs.logcells import Cells

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Whole = NDArray[np.int64]
    Words = NDArray[np.uint64]
    Bytes = NDArray[np.uint8]

_CLOCK = re.compile(r"(?<!\d)\d\d:\d\d:\d\d(?:\.(\d{1,6})(?!\d))?")
_WORD = 8  # bytes of HH:MM:SS
_LEAST_DAY, _MOST_DAY = _WORD, 2 * _WORD  # bytes before the time that two words cover
_AT_ONCE = 16_000  # rows: what an array of so many takes is handed out again at once, not fetched from the system
_DAY_S = 86_400.0
_NOUGHTS = int.from_bytes(b"00:00:00", "little")
_PAIRS = int.from_bytes(b"\xff\0\0\xff\0\0\xff\0", "little")
_HIGH_BITS = int.from_bytes(b"\x80" * _WORD, "little")
# What lifts the high bit of a byte that is above the most of its digit; the least of a colon is its most.
_ABOVE_MOST = int.from_bytes(bytes(0x7F - most for most in (2, 9, 0, 5, 9, 0, 5, 9)), "little")


class Stamps:
    """
    How the dates of one column, all of one width, are read.

    `width` and `clock` are where a date ends and where its time of day begins, in bytes; `digits` is how many digits of
    a second follow it.
    """

    def __init__(self, index: int, form: TimeForm, *, width: int, clock: int, digits: int) -> None:
        self.index, self.form = index, form
        self.width, self.clock, self.digits = width, clock, digits
        self._known: dict[bytes, float] = {}

    @classmethod
    def found(cls, cells: Cells, window: bytes) -> Stamps | None:
        """Return how the dates of a file are read, None where a window of its rows shows them in no one width."""
        column = cells.columns.time
        form = column.form
        if form is None or form.clock or form.half or column.beside is not None or not form.pattern.endswith(":%S"):
            return None
        texts = cells.frame_of_any(window)[f"f{column.index}"].drop_nulls()
        if not texts.len() or texts.str.len_bytes().n_unique() != 1:
            return None
        first = str(texts[0])
        match = _CLOCK.search(first)
        if match is None or not first.isascii() or not _LEAST_DAY <= match.start() <= _MOST_DAY:
            return None
        return cls(column.index, form, width=len(first), clock=match.start(), digits=len(match[1] or ""))

    @property
    def wanted(self) -> pl.Expr:
        """The expression of the column's bytes; a cell of another width is an error of polars."""
        import polars as pl

        text = pl.col(f"f{self.index}").cast(pl.Binary)
        return text.bin.reinterpret(dtype=pl.Array(pl.UInt8, self.width)).alias("time")

    def seconds(self, cells: pl.Series, start_s: float) -> Floats:
        """
        Return the dates that the expression gave, counted from `start_s`. [s]

        Raises
        ------
        polars.exceptions.PolarsError
            If a cell is no date.
        """
        import numpy as np
        import polars as pl

        if cells.null_count():
            raise pl.exceptions.ComputeError("a date is missing")
        rows = np.ascontiguousarray(cells.to_numpy())
        time_s: Floats = np.empty(len(rows))
        for low in range(0, len(rows), _AT_ONCE):
            self._read(rows[low : low + _AT_ONCE], start_s, into=time_s[low : low + _AT_ONCE])
        return time_s

    def _read(self, rows: Bytes, start_s: float, *, into: Floats) -> None:
        """Write some dates, counted from `start_s`. [s]"""
        import numpy as np

        self._clock(rows, into=into)
        new = self._new(rows)
        begins = self._begins(rows[new], into[new]) - start_s
        into += begins if new.size == 1 else np.repeat(begins, np.diff(np.append(new, len(rows))))

    def _clock(self, rows: Bytes, *, into: Floats) -> None:
        """Write the time of day. [s]"""
        import numpy as np
        import polars as pl

        # HH:MM:SS as one number of eight bytes, the first byte lowest: digits less their nought, colons as 0.
        word = self._word(rows, self.clock)
        word ^= _NOUGHTS
        high = np.bitwise_or.reduce((word + _ABOVE_MOST) | word, initial=0)
        if int(high) & _HIGH_BITS:
            raise pl.exceptions.ComputeError("a time of day is none")
        ones = word >> 8
        word *= 10
        word += ones
        word &= _PAIRS  # now hours in byte 0, minutes in byte 3, seconds in byte 6
        seconds = word >> 48
        word *= 1 + (60 << 24)  # and in 12 bits from bit 24: minutes and 60 times the hours
        word >>= 24
        word &= 0xFFF
        word *= 60
        word += seconds
        into[:] = word
        if into.max(initial=0.0) >= _DAY_S:
            raise pl.exceptions.ComputeError("a time of day is out of range")
        if self.digits:
            into += self._fraction(rows)

    def _fraction(self, rows: Bytes) -> Floats:
        """Return the digits after the second. [s]"""
        import numpy as np
        import polars as pl

        parts = np.zeros(len(rows), dtype=np.int64)
        for at in range(self.clock + _WORD + 1, self.clock + _WORD + 1 + self.digits):
            digit = rows[:, at] - np.uint8(48)
            if (digit > 9).any():
                raise pl.exceptions.ComputeError("a fraction of a second is none")
            parts *= 10
            parts += digit
        return np.asarray(parts / 10.0**self.digits)

    def _new(self, rows: Bytes) -> Whole:
        """Return the rows, rising from 0, whose bytes around the time differ from the row before."""
        import numpy as np

        after = self.clock + _WORD
        differs = np.zeros(len(rows), dtype=bool)
        differs[:1] = True
        for at in (0, self.clock - _WORD):
            word = self._word(rows, at)
            if not (word == word[:1]).all():
                differs[1:] |= word[1:] != word[:-1]
        for k in (after, *range(after + 1 + self.digits, self.width)) if after < self.width else ():
            byte = rows[:, k]
            if not (byte == byte[:1]).all():
                differs[1:] |= byte[1:] != byte[:-1]
        return np.flatnonzero(differs)

    def _begins(self, rows: Bytes, clocks_s: Floats) -> Floats:
        """Return what dates come to less their time of day: when their days began. [s]"""
        import numpy as np

        return np.array([self._begin(row.tobytes(), float(clock)) for row, clock in zip(rows, clocks_s, strict=True)])

    def _begin(self, text: bytes, clock_s: float) -> float:
        after = self.clock + _WORD + (1 + self.digits if self.digits else 0)
        day = text[: self.clock] + text[after:]
        if day not in self._known:
            import polars as pl

            seconds = seconds_of(text.decode("ascii", "replace"), self.form)
            if math.isnan(seconds):
                raise pl.exceptions.ComputeError("a date is none")
            self._known[day] = float(round(seconds - clock_s))
        return self._known[day]

    def _word(self, rows: Bytes, at: int) -> Words:
        """Return eight bytes of each row, from byte `at` on, as one number."""
        import numpy as np

        return np.ndarray(len(rows), "<u8", rows, offset=at, strides=(self.width,)).astype(np.uint64)
