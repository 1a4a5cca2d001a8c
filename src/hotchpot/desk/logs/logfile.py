"""Read a logger's file of any length: streamed in blocks, folded into its pieces, every oddity told."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logcolumns import Column, Columns, guess_columns
from hotchpot.bench.logs.logfold import LogFold
from hotchpot.bench.logs.logscale import Scale, scale_of
from hotchpot.bench.logs.logsign import SIGNS, direction, reversed_log
from hotchpot.bench.logs.logstated import split_only
from hotchpot.bench.logs.logtimes import epoch_unit, seconds_of
from hotchpot.bench.remark import Remark
from hotchpot.bench.trace import Log
from hotchpot.desk.logs.ahead import ahead
from hotchpot.desk.logs.logblocks import Batch, Parser
from hotchpot.desk.logs.logclocks import Midnights, by_dates, check_times
from hotchpot.desk.logs.logprobe import Probe, blocks_of, probe
from hotchpot.desk.logs.logstraight import NotStraightError, Watch, goes_straight, sampled_column, straight_batches
from hotchpot.desk.logs.logtally import Tally, file_remarks
from hotchpot.errors import InputError, nearest

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MOST_UNITS = 200


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
        Which column is what where the guess is wrong, such as ``time=t_s, volts=U [mV], amps=-I``; ``only=ch1`` names
        the battery as the file does, where it holds several and calls them otherwise than the pile.
    unit : str, optional
        Of a file with a column of units: read this one only, by its name there or by what ``only`` says. Of any other,
        or of one with a single battery: the name of its one unit.
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
    stated, only = split_only(columns)
    taken = by_dates(found, guess_columns(found.head, stated=stated, name=name))
    check_times(found, taken)
    reading = _Reading(found, taken, unit, progress, only=only)
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
        remarks=(
            *file_remarks(reading.tally, found, taken),
            *(remark for log in logs.values() for remark in log.remarks),
        ),
        rows=reading.tally.rows,
        seconds=time.perf_counter() - begin,
    )


def _go_together(pairs: Sequence[tuple[float, float]]) -> bool:
    """Tell whether dates go along, but for a minute, with the seconds beside them: a day of purchase does not."""
    zeros = [moment - count for moment, count in pairs]
    moved_s = pairs[-1][1] - pairs[0][1]
    still = pairs[-1][0] == pairs[0][0]
    return max(zeros) - min(zeros) <= 61.0 + 0.02 * abs(moved_s) and not (still and abs(moved_s) > 61.0)


def no_such_battery(wanted: str, names: Sequence[str], columns: Columns) -> tuple[str, str]:
    """Return what is wrong where a file holds several batteries and none by this name, and how to name one."""
    column = "" if columns.unit is None else f" in its column {columns.unit.name!r}"
    near = nearest(wanted, names)
    hint = f"{near} Else " if near.startswith("did you mean") else ""
    there = ", ".join(names[:14]) + (" ..." if len(names) > 14 else "")
    mend = f"{hint}name it as the file does, such as columns 'only={names[0]}'; known are: {there}"
    return f"no rows of {wanted!r}{column}", mend


@dataclass(slots=True)
class _Reading:
    """One pass over a file."""

    found: Probe
    columns: Columns
    unit: str | None
    progress: Callable[[float], None] | None
    only: str | None = None
    tally: Tally = field(default_factory=Tally)
    folds: dict[str, LogFold] = field(default_factory=dict)
    seen: set[str] = field(default_factory=set)
    scale: Scale | None = None
    first_s: float | None = field(init=False)
    began_s: float | None = field(init=False)

    def __post_init__(self) -> None:
        if self.only is not None and self.columns.unit is None:
            what = f"no column tells batteries apart, so none is {self.only!r}"
            raise InputError.one(self.name, what, "name the column that does, such as columns 'unit=channel'")
        self.first_s = self._first_moment(self.columns.time)
        self.began_s = self.start_s if self.first_s is not None else self._began()

    @property
    def name(self) -> str:
        return self.found.path.name

    @property
    def start_s(self) -> float:
        """From where time is counted: the file's first whole second, which keeps the fractions of dates exact."""
        return 0.0 if self.first_s is None else math.floor(self.first_s)

    def _began(self) -> float | None:
        """Return the seconds since 1970 at the zero of the time column, by the dates beside it; None without any."""
        columns, rows = self.columns, self.found.head.rows
        for dated in (columns.dated, *columns.other_times):
            if dated is None:
                continue
            pairs = [(self._moment(row, dated), self._count(row, columns.time)) for row in rows]
            known = [(moment, count) for moment, count in pairs if math.isfinite(moment - count)]
            if known and _go_together(known):
                return known[0][0] - known[0][1]
        return None

    def _first_moment(self, column: Column) -> float | None:
        """Return the seconds since 1970 of the first row that has any in a column, None where it tells no date."""
        moments = (self._moment(row, column) for row in self.found.head.rows)
        return next((moment for moment in moments if math.isfinite(moment)), None)

    def _moment(self, row: Sequence[str], column: Column) -> float:
        """Return the seconds since 1970 that a row has in a column; not-a-number where it tells no date."""
        if column.form is None:
            value = self.found.head.layout.number(row[column.index])
            epoch = None if math.isnan(value) else epoch_unit([value])
            return value * column.factor if epoch and epoch[1] == column.factor else math.nan
        if column.form.clock:
            return math.nan
        moment = seconds_of(row[column.index], column.form)
        if column.beside is None or column.beside_form is None:
            return moment
        return moment + seconds_of(row[column.beside], column.beside_form)

    def _count(self, row: Sequence[str], column: Column) -> float:
        """Return what a row counts in a column of time without dates. [s]"""
        if column.form is not None:
            return seconds_of(row[column.index], column.form)
        return self.found.head.layout.number(row[column.index]) * column.factor + column.offset

    def start_of(self, log: Log) -> str | None:
        """Return the clock time of a log's first sample, None where the file tells no date."""
        if self.began_s is None:
            return None
        first = datetime.fromtimestamp(round(self.began_s + log.pieces[0].start_s, 3), UTC)
        return first.replace(tzinfo=None).isoformat(timespec="seconds")

    def run(self) -> None:
        """Read the file; where its one battery has another name than the unit's, it is the unit all the same."""
        self._once()
        names = self.seen - {""}
        if not self.folds and self.only is None and self.unit is not None and len(names) == 1:
            (self.only,) = names
            self._once()
        if not self.folds:
            self._no_unit()

    def _once(self) -> None:
        """Take the straight way through the file where it is long and whole, and the careful one where that fails."""
        parser = Parser(self.found.head, self.columns, name=self.name, start_s=self.start_s)
        self.folds, self.tally, self.seen = {}, Tally(), set()
        if not (goes_straight(self.found) and self._straight(parser)):
            self.folds, self.tally, self.seen = {}, Tally(), set()
            self._careful(parser)
        self._refuse(final=True)

    def _straight(self, parser: Parser) -> bool:
        """Read the file in one scan; return whether every row of it was in order."""
        survey = parser.parse(b"".join(self.found.windows))
        self.scale = scale_of(survey.time_s, survey.amps) if self.columns.unit is None else None
        watch = Watch(self.found, sampled_column(self.columns, survey))
        try:
            self._take(straight_batches(self.found, parser, watch))
        except NotStraightError:
            return False
        for fold in self.folds.values() if watch.column is not None else ():
            fold.add_temperatures(*watch.samples)
        return True

    def _careful(self, parser: Parser) -> None:
        """Read the file block by block, in threads; each is folded while the next are parsed."""
        self._take(ahead(parser.parse, blocks_of(self.found)))

    def _take(self, batches: Iterator[Batch]) -> None:
        """Fold the batches, in the file's order and with their lines in the file."""
        form, midnights = self.columns.time.form, Midnights()
        first = line = self.found.head.layout.first_line
        for batch in batches:
            if form is not None and form.clock:
                batch.time_s = midnights.rising(batch.time_s)
            self.tally.join(batch.tally, line)
            self._refuse(final=False)
            batch.line = batch.line + line
            line += batch.lines
            if self.columns.unit is not None:
                self._by_unit(batch)
            else:
                fold = self._fold(self.unit or "")
                fold.add(batch.time_s, batch.volts, batch.amps, batch.temperature_c, batch.line)
            if self.progress is not None:
                self.progress(min(1.0, (line - first) / self.found.lines))

    def _refuse(self, *, final: bool) -> None:
        faults = self.tally.faults(self.name, final=final)
        if faults:
            raise InputError(faults)

    def _fold(self, unit: str) -> LogFold:
        if unit not in self.folds:
            self.folds[unit] = LogFold(name=self.name, unit=unit, scale=self.scale)
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
            wanted = self.only or self.unit
            if (wanted is not None and unit != wanted) or not unit:
                continue
            at = (names == unit).arg_true().to_numpy()
            whole = at.size == names.len()
            pick: slice | NDArray[np.int64] = slice(None) if whole else at.astype(np.int64)
            if not whole and at[-1] - at[0] == at.size - 1:
                pick = slice(int(at[0]), int(at[-1]) + 1)
            lines = np.arange(batch.line, batch.line + names.len()) if isinstance(batch.line, int) else batch.line
            warm = None if batch.temperature_c is None else batch.temperature_c[pick]
            self._fold(self.unit or unit).add(
                batch.time_s[pick], batch.volts[pick], batch.amps[pick], warm, lines[pick]
            )

    def _no_unit(self) -> None:
        wanted, names = self.only or self.unit, sorted(self.seen - {""})
        if wanted is not None and names:
            raise InputError.one(self.name, *no_such_battery(wanted, names, self.columns))
        raise InputError.one(self.name, "has headings and no rows", "give the file that the logger wrote")
