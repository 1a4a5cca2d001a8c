"""Read a logger's file of any length: streamed in blocks, folded into its pieces, every oddity told."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from hotchpot.bench.logcolumns import Column, Columns, guess_columns
from hotchpot.bench.logfold import LogFold
from hotchpot.bench.logscale import Scale, scale_of
from hotchpot.bench.logsign import SIGNS, direction, reversed_log
from hotchpot.bench.logtimes import epoch_unit, seconds_of
from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.trace import Log
from hotchpot.desk.ahead import ahead
from hotchpot.desk.logblocks import Batch, Parser
from hotchpot.desk.logprobe import Probe, blocks_of, probe
from hotchpot.errors import InputError, nearest

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MOST_UNITS = 200
_SOURCE = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class LogReport:
    """
    A logger's file as read.

    `columns` says which column was taken for what and why, `layout` how the file is laid out; `logs` holds one log for
    each unit of the file, by its name there ('' where no column tells units apart). `sign` is +1 where the file's
    positive current is discharge and -1 where it is charge (the logs are turned already), `evidence` why. `seconds` is
    the time the reading took.
    """

    name: str
    columns: Columns
    layout: str
    logs: Mapping[str, Log]
    sign: int
    evidence: str
    remarks: tuple[Remark, ...]
    rows: int
    seconds: float

    @property
    def log(self) -> Log:
        """The log of a file with one unit."""
        return next(iter(self.logs.values()))


def read_log(
    path: Path | str,
    *,
    columns: str | None = None,
    unit: str | None = None,
    sign: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> LogReport:
    """
    Return a logger's file as its logs, one for each unit in it.

    Parameters
    ----------
    path : Path
        Rows of text with commas, semicolons or tabs; any length.
    columns : str, optional
        Which column is what where the guess is wrong, such as ``time=t_s, volts=U [mV], amps=-I``.
    unit : str, optional
        Of a file with a column of units: read this one only. Of any other: the name of its one unit.
    sign : str, optional
        What positive current in the file is: ``discharge`` or ``charge``. Found from the voltage when None.
    progress : callable, optional
        Called with the fraction read so far, 0 to 1.

    Raises
    ------
    InputError
        If the file cannot be used, in one error that says where, what and how to mend it. The file is never changed.
    """
    begin = time.perf_counter()
    path = Path(path)
    name = path.name
    if sign is not None and sign not in SIGNS:
        raise InputError.one("sign", f"{sign!r} is no direction", "write discharge or charge: what positive current is")
    found = probe(path)
    taken = guess_columns(found.head, stated=columns, name=name)
    reading = _Reading(found, taken, unit, progress)
    reading.check_times()
    reading.run()
    logs = {key: fold.close() for key, fold in reading.folds.items()}
    flip, evidence = direction(list(logs.values()), taken, sign, name)
    shown = taken.shown()
    logs = {
        key: replace(reversed_log(log) if flip else log, columns=shown, start=reading.start_of(log))
        for key, log in logs.items()
    }
    return LogReport(
        name=name,
        columns=taken,
        layout=found.head.layout.shown(),
        logs=logs,
        sign=(-1 if flip else 1) * (-1 if taken.amps.factor < 0 else 1),
        evidence=evidence,
        remarks=(*reading.remarks(), *(remark for log in logs.values() for remark in log.remarks)),
        rows=reading.parser.tally.rows,
        seconds=time.perf_counter() - begin,
    )


@dataclass(slots=True)
class _Reading:
    """One pass over a file."""

    found: Probe
    columns: Columns
    unit: str | None
    progress: Callable[[float], None] | None
    parser: Parser = field(init=False)
    folds: dict[str, LogFold] = field(default_factory=dict)
    seen: set[str] = field(default_factory=set)
    dated: bool = False

    def __post_init__(self) -> None:
        self.parser = self._new_parser()
        self._set_start()

    @property
    def name(self) -> str:
        return self.found.path.name

    def _new_parser(self) -> Parser:
        head = self.found.head
        return Parser(
            head.layout, self.columns, lambda k: [row[k] for row in head.rows if k < len(row)], name=self.name
        )

    def _set_start(self) -> None:
        """Count dates and epochs from the file's first time, which keeps their fractions exact."""
        column, rows = self.columns.time, self.found.head.rows
        if column.form is not None:
            if column.form.clock:
                return
            first = next((s for row in rows if not math.isnan(s := seconds_of(row[column.index], column.form))), 0.0)
            if column.beside is not None and column.beside_form is not None:
                first += seconds_of(rows[0][column.beside], column.beside_form)
        else:
            values = [x for row in rows if not math.isnan(x := self.found.head.layout.number(row[column.index]))]
            epoch = epoch_unit(values) if values else None
            if not epoch or epoch[1] != column.factor:
                return
            first = values[0] * column.factor
        if math.isfinite(first):
            self.parser.start_s = math.floor(first)
            self.dated = True

    def start_of(self, log: Log) -> str | None:
        """Return the clock time of a log's first sample, None where the file tells no date."""
        if not self.dated:
            return None
        first = datetime.fromtimestamp(self.parser.start_s + log.pieces[0].start_s, UTC)
        return first.replace(tzinfo=None).isoformat(timespec="seconds")

    # --- before the pass ---------------------------------------------------------------------------------------------

    def check_times(self) -> None:
        """
        Hold the columns of time against each other, window by window.

        Raises
        ------
        InputError
            If they run at different speeds: two clocks, of which the user must choose one.
        """
        if self.columns.time.stated:
            return
        trial = self._new_parser()
        for other in self.columns.other_times:
            spans = [_disagreement(trial, window, self.columns, other) for window in self.found.windows[::8]]
            worst = max((pair for pair in spans if pair), key=lambda pair: abs(pair[0] - pair[1]), default=None)
            if worst:
                mine = self.columns.time.name
                what = f"two columns of time disagree: where {mine!r} counts {worst[0]:.6g} s, {other.name!r} counts "
                mend = f"say which to take: columns 'time={mine}' or columns 'time={other.name}'"
                raise InputError.one(self.name, f"{what}{worst[1]:.6g} s", mend)

    def _scale(self) -> Scale | None:
        """Return the scale of a long file with one unit, from windows all over it."""
        if self.columns.unit is not None or len(self.found.windows) < 2:
            return None
        trial = self._new_parser()
        trial.start_s = self.parser.start_s
        try:
            batch = trial.parse(b"".join(self.found.windows), 1)
        except InputError:  # told in full by the pass itself, with its lines
            return None
        return scale_of(batch.time_s, batch.amps)

    # --- the pass ----------------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Parse in one thread and fold in this one: each block is folded while the next is parsed."""
        scale = self._scale()
        for batch, done in ahead(self._batches()):
            if self.columns.unit is None:
                self._fold(self.unit or "", scale).add(
                    batch.time_s, batch.volts, batch.amps, batch.temperature_c, batch.line
                )
            else:
                self._by_unit(batch)
            if self.progress is not None:
                self.progress(done)
        faults = self.parser.tally.faults(self.name, final=True)
        if faults:
            raise InputError(faults)
        if not self.folds:
            self._no_unit()

    def _batches(self) -> Iterator[tuple[Batch, float]]:
        line = self.found.head.layout.first_line
        for block, at in blocks_of(self.found):
            rows = self.parser.tally.rows
            batch = self.parser.parse(block, line)
            line += self.parser.tally.rows - rows if isinstance(batch.line, int) else self.parser.lines_of(block)
            yield batch, (at - self.found.begin) / max(1, self.found.end - self.found.begin)

    def _fold(self, unit: str, scale: Scale | None) -> LogFold:
        if unit not in self.folds:
            self.folds[unit] = LogFold(name=self.name, unit=unit, scale=scale)
        return self.folds[unit]

    def _by_unit(self, batch: Batch) -> None:
        import numpy as np

        assert batch.units is not None
        names = batch.units.fill_null("")
        for unit in names.unique(maintain_order=True).to_list():
            self.seen.add(unit)
            if len(self.seen) > MOST_UNITS:
                column = self.columns.unit.name if self.columns.unit else ""
                what = f"column {column!r} has more than {MOST_UNITS} different values; it does not name batteries"
                raise InputError.one(self.name, what, "name another with columns 'unit=...'")
            if (self.unit is not None and unit != self.unit) or not unit:
                continue
            at = (names == unit).arg_true().to_numpy()
            whole = at.size == names.len()
            pick: slice | NDArray[np.int64] = slice(None) if whole else at.astype(np.int64)
            if not whole and at[-1] - at[0] == at.size - 1:
                pick = slice(int(at[0]), int(at[-1]) + 1)
            lines = np.arange(batch.line, batch.line + names.len()) if isinstance(batch.line, int) else batch.line
            warm = None if batch.temperature_c is None else batch.temperature_c[pick]
            self._fold(unit, None).add(batch.time_s[pick], batch.volts[pick], batch.amps[pick], warm, lines[pick])

    def _no_unit(self) -> None:
        if self.unit is not None and self.seen:
            what = f"no rows of unit {self.unit!r}"
            raise InputError.one(self.name, what, nearest(self.unit, sorted(self.seen)))
        raise InputError.one(self.name, "has headings and no rows", "give the file that the logger wrote")

    # --- after the pass ----------------------------------------------------------------------------------------------

    def remarks(self) -> Iterator[Remark]:
        """Yield what is to be said of the file as a whole."""
        tally = self.parser.tally
        if self.found.cut_line:
            says = f"the last line is cut off and was left out: {self.found.cut_line.strip()[:40]!r}"
            yield self._noted("log-cut-line", says, "the logger lost power or the copy was broken off", "copy it again")
        if self.found.lost_bytes:
            says = f"{self.found.lost_bytes} zero bytes at the end were left out"
            yield self._noted("log-zero-bytes", says, "the logger lost power while it wrote", "copy it again")
        for column, odd in tally.text.items():
            says = f"{odd.count} cells of column {column!r} are no numbers and count as missing: {odd.shown}"
            yield self._noted(
                "log-text", says, "a logger writes such words where it cannot read", "look at these lines"
            )
        if tally.short.count:
            says = (
                f"{tally.short.count} rows without all their fields were left out, first at lines {tally.short.lines}"
            )
            yield self._noted("log-short-rows", says, "their numbers may be cut off too", "look at these lines")
        if tally.comments:
            says = f"{tally.comments} lines of comment between the rows were left out"
            yield self._noted("log-comments", says, "they begin with a sign of comment", "nothing")
        for doubt in self.columns.ambiguous:
            yield replace(
                self._noted(
                    "log-columns", doubt, "the file can be read another way", "state the columns if it is wrong"
                ),
                weight=Weight.DOUBTFUL,
            )

    def _noted(self, code: str, says: str, why: str, do: str) -> Remark:
        return Remark(code=code, weight=Weight.NOTED, subject=self.name, says=says, why=why, do=do, source=_SOURCE)


def _disagreement(parser: Parser, window: bytes, columns: Columns, other: Column) -> tuple[float, float] | None:
    """Return what two columns of time count over a window, where they drift apart; None where they agree."""
    import numpy as np

    mine, theirs = (np.diff(parser.times(window, column)) for column in (columns.time, other))
    good = np.isfinite(mine) & np.isfinite(theirs)
    units = parser.units(window)
    if units is not None:
        good &= units[1:] == units[:-1]
    mine, theirs = mine[good], theirs[good]
    if not mine.size:
        return None
    apart = float(np.abs(np.cumsum(mine - theirs)).max())
    slack = 0.02 * float(np.abs(mine).sum()) + 3.0 + 2.0 * float(np.median(np.abs(mine)))
    return (float(mine.sum()), float(theirs.sum())) if apart > slack else None
