"""What was read on the units of a pile: the readings file, the logs it names, and the bench's study of each unit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logstated import split_only
from hotchpot.bench.study import Study, study
from hotchpot.bench.trace import Log
from hotchpot.desk.files import hold_against, load_readings
from hotchpot.errors import Fault, InputError
from hotchpot.pile import Unit
from hotchpot.pile.reading import Reading, ReadingKind

if TYPE_CHECKING:
    from hotchpot.desk.logs.logfile import LogReport

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Evidence:
    """All readings of a pile, and the logs that they name, by unit and file; `today` is the clock's where None."""

    readings: tuple[Reading, ...] = ()
    logs: Mapping[tuple[str, str], tuple[Log, ...]] = field(default_factory=dict)
    reports: Mapping[str, LogReport] = field(default_factory=dict)
    today: str | None = None

    def studies(self, units: Iterable[Unit]) -> dict[str, Study]:
        """Return what the bench makes of the readings of each unit that has any; how old they are is told by today."""
        by_unit: dict[str, list[Reading]] = {}
        for reading in self.readings:
            by_unit.setdefault(reading.unit, []).append(reading)
        today = self.today or date.today().isoformat()
        return {
            unit.id: study(unit, by_unit[unit.id], logs=self._logs_of(unit.id), today=today)
            for unit in units
            if unit.id in by_unit
        }

    def _logs_of(self, unit_id: str) -> dict[str, tuple[Log, ...]]:
        return {file: found for (name, file), found in self.logs.items() if name == unit_id}


def load_evidence(path: Path | None, units: Sequence[Unit], *, progress: Progress | None = None) -> Evidence:
    """
    Return the readings of a readings file, with every log it names, read from beside it.

    Raises
    ------
    InputError
        If a reading is of a unit that the pile does not hold, or has volts that its unit cannot have, or a log cannot
        be read; every fault is named.
    """
    if path is None:
        return Evidence()
    readings = load_readings(path)
    faults = hold_against(readings, units, name=path.name) + _ahead_of_time(readings, path.name)
    if faults:
        raise InputError(faults)
    reports: dict[str, LogReport] = {}
    logs: dict[tuple[str, str], tuple[Log, ...]] = {}
    for reading in readings:
        if reading.kind is ReadingKind.LOG:
            assert reading.file is not None
            report = _report(path, reading, reports, progress)
            logs[reading.unit, reading.file] = (_log_of(reading, report, path.name),)
    return Evidence(readings, logs, reports)


def _ahead_of_time(readings: Iterable[Reading], name: str) -> list[Fault]:
    """Return a fault for every reading of a day that has not come yet; a day is left for other time zones."""
    latest = (date.today() + timedelta(days=1)).isoformat()
    return [
        Fault(f"{name}:{one.line} when", f"{one.when[:10]} lies in the future", "write the day it was read")
        for one in readings
        if one.when is not None and one.when[:10] > latest
    ]


def _report(path: Path, reading: Reading, reports: dict[str, LogReport], progress: Progress | None) -> LogReport:
    from hotchpot.desk.logs.logfile import read_log

    file = reading.file or ""
    columns, _ = split_only(reading.columns)  # a file of several batteries is read once for all of them
    key = f"{file}|{columns or ''}"
    if key not in reports:
        tick = None if progress is None else lambda done: progress(file, done)
        try:
            reports[key] = read_log(path.parent / file, columns=columns, progress=tick)
        except InputError as error:
            where = f"{path.name}:{reading.line} file"
            raise InputError(Fault(f"{where}: {f.where}", f.what, f.mend) for f in error.faults) from None
    return reports[key]


def _log_of(reading: Reading, report: LogReport, name: str) -> Log:
    """Return the log of the reading's unit: the one that its columns name, or of the unit's name, or the only one."""
    from hotchpot.desk.logs.logfile import no_such_battery

    _, only = split_only(reading.columns)
    wanted = only or reading.unit
    if wanted in report.logs:
        return report.logs[wanted]
    if len(report.logs) == 1 and only is None:
        return next(iter(report.logs.values()))
    what, mend = no_such_battery(wanted, list(report.logs), report.columns)
    raise InputError.one(f"{name}:{reading.line} {'columns' if only else 'file'}", f"{reading.file}: {what}", mend)
