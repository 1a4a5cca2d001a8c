r"""
Fold a logger's file into its pieces, batch by batch, whatever its length: charge and energy at full rate.

Each interval counts its mean current times its length, out where the mean is positive and in where it is negative;
energy alike, with the mean of voltage times current (the trapezium rule, clipped after averaging):

.. math:: Q_{out} = \sum_i \max\left(\tfrac12 (I_{i-1} + I_i), 0\right) (t_i - t_{i-1}) / 3600

Rows are taken in tiles of a fixed number, counted from the file's first row, so that the same rows give the same log to
the last bit, however they were cut into batches.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hotchpot.bench.logs.logclean import TwoClocksError
from hotchpot.bench.logs.logclose import Folded, finished_log
from hotchpot.bench.logs.loglines import LineBook
from hotchpot.bench.logs.logpieces import merged
from hotchpot.bench.logs.logscale import Scale, scale_of
from hotchpot.bench.logs.logtile import TILE, Tiles
from hotchpot.bench.trace import Log
from hotchpot.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Rows = tuple[Floats, Floats, Floats, Floats | None]

HEAD = 131_072


class LogFold:
    """
    Takes a log's samples in batches and gives its pieces.

    `name` is the file's name in messages, `unit` the battery's id. `scale` says what is rest and what a step; when None
    it is found from the first 131072 rows.

    Examples
    --------
    One hour at 5 A, then rest:

    >>> import numpy as np
    >>> fold = LogFold(name="log.csv", unit="A1")
    >>> t = np.arange(0.0, 7200.0, 10.0)
    >>> fold.add(t, 12.7 - t / 36000, np.where(t <= 3600, 5.0, 0.0), None, 2)
    >>> [(str(piece.flow), piece.out_ah) for piece in fold.close().pieces]
    [('discharge', 5.0), ('rest', 0.007)]
    """

    def __init__(self, *, name: str, unit: str = "", scale: Scale | None = None) -> None:
        self.name, self.unit = name, unit
        self._lines = LineBook()
        self._held: list[Rows] = []
        self._waiting = 0
        self._closed = False
        self._apart: tuple[NDArray[np.int64], Floats] | None = None
        self._tiles = None if scale is None else Tiles(scale)

    def add(
        self, time_s: Floats, volts: Floats, amps: Floats, temperature_c: Floats | None, line: int | NDArray[np.int64]
    ) -> None:
        """
        Take the next rows.

        Parameters
        ----------
        time_s, volts, amps : ndarray of float, shape (n,)
            Not-a-number where a row lacks it; current positive on discharge. [s], [V], [A]
        temperature_c : ndarray of float, shape (n,), or None
            Not-a-number where not read. [°C]
        line : int or ndarray of int, shape (n,)
            The file's line of the first row, or of each where rows of other batteries stand between them.

        Raises
        ------
        InputError
            If the clock goes back more than a few times: two clocks in one column.
        """
        if self._closed:
            raise ValueError("this fold is closed")
        if not len(time_s):
            return
        self._lines.add(len(time_s), line)
        self._held.append((time_s, volts, amps, temperature_c))
        self._waiting += len(time_s)
        if self._tiles is None:
            if self._waiting < HEAD:
                return
            self._tiles = Tiles(self._scale_of_head())
        while self._waiting >= TILE:
            self._fold(self._tiles, TILE)

    def add_temperatures(self, rows: NDArray[np.int64], temperature_c: Floats) -> None:
        """
        Take temperatures that were read apart, in some rows only, instead of those given with `add`.

        Parameters
        ----------
        rows : ndarray of int, shape (n,)
            The rows they were read in, rising, counted from the first row added as 0.
        temperature_c : ndarray of float, shape (n,)
            None of them not-a-number. [°C]
        """
        self._apart = (rows, temperature_c)

    def close(self) -> Log:
        """
        Return the log; nothing can be added after.

        Raises
        ------
        InputError
            If there are not two rows with time, volts and amps.
        """
        if self._closed:
            raise ValueError("this fold is closed")
        self._closed = True
        if not self._held and self._tiles is None:
            raise InputError.one(self.name, "has no rows", "give the file that the logger wrote")
        tiles = self._tiles or Tiles(self._scale_of_head())
        while self._waiting:
            self._fold(tiles, min(TILE, self._waiting))
        tiles.finish()
        if self._apart is not None:
            tiles.warmth.add_some(*self._apart)
        if tiles.place < 2:
            raise self._too_few(tiles)
        return finished_log(
            Folded(
                name=self.name,
                unit=self.unit,
                rows=tiles.rows,
                parts=merged(tiles.table()),
                scale=tiles.cleaner.scale,
                cleaner=tiles.cleaner,
                lines=self._lines,
                points=tiles.points,
                warmth=tiles.warmth,
                jumps=tiles.jumps,
                absorbed_s=tiles.absorbed_s,
            )
        )

    def _fold(self, tiles: Tiles, count: int) -> None:
        try:
            tiles.take(count, self._write_next(count, tiles.room(count)))
        except TwoClocksError as error:
            raise self._two_clocks(error) from None

    def _scale_of_head(self) -> Scale:
        import numpy as np

        t, a = (np.concatenate([batch[i] for batch in self._held])[:HEAD] for i in (0, 2))
        return scale_of(t, a)

    def _write_next(self, count: int, into: tuple[Floats, Floats, Floats]) -> Floats | None:
        """Write the next `count` rows of those held where they belong; return their temperatures, None without any."""
        import numpy as np

        warm: list[Floats] = []
        any_warm, done = False, 0
        while done < count:
            t, v, a, c = self._held[0]
            size = min(t.size, count - done)
            for room, values in zip(into, (t, v, a), strict=True):
                room[done : done + size] = values[:size]
            any_warm = any_warm or c is not None
            warm.append(np.broadcast_to(np.nan, size) if c is None else c[:size])
            if size == t.size:
                self._held.pop(0)
            else:
                self._held[0] = (t[size:], v[size:], a[size:], None if c is None else c[size:])
            done += size
        self._waiting -= count
        if not any_warm:
            return None
        return warm[0] if len(warm) == 1 else np.concatenate(warm)

    def _two_clocks(self, error: TwoClocksError) -> InputError:
        lines = ", ".join(str(self._lines.line(row)) for row in error.rows[:6])
        more = "" if len(error.rows) <= 6 else f" and {len(error.rows) - 6} more"
        if error.reverse:
            what = f"time goes back at almost every row, first at lines {lines}{more}: the newest row stands first"
            mend = "sort the file by time, oldest first"
        elif error.restarts:
            what = f"time begins anew at lines {lines}{more}: several runs stand one after the other"
            mend = (
                "name the column that tells them apart, such as columns 'unit=run', give one file for each run, or log "
                "with a column of dates"
            )
        else:
            what = f"time goes back at lines {lines}{more}: two clocks, or two batteries, share this column"
            mend = (
                "name the column that tells the batteries apart, such as columns 'unit=battery', choose another time "
                "column with 'time=...', or sort the file by time"
            )
        return InputError.one(self.name, what, mend)

    def _too_few(self, tiles: Tiles) -> InputError:
        cleaner = tiles.cleaner
        what = f"{tiles.place} of {tiles.rows} rows have time, volts and amps; a log needs two"
        if cleaner.no_amps and cleaner.no_amps + cleaner.empty + cleaner.no_time >= tiles.rows:
            what = "volts and amps never stand in the same row"
        return InputError.one(self.name, what, "check which columns are meant, such as columns 'volts=U, amps=I'")
