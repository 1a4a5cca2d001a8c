"""A trial kept in files: its numbers as CSV or Parquet, its chart as SVG; no file that was read is written over."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from hotchpot.desk.trying import TrialReport
from hotchpot.errors import Fault, InputError, NoAnswerError

if TYPE_CHECKING:
    import polars as pl

    from hotchpot.circuit.record import Record
    from hotchpot.trial.outcome import Trial

_ARRAYS = ("time_s", "volts", "amps", "unit_amps", "unit_volts", "soc_frac", "temperature_c")


def check_places(places: dict[str, Path | None], inputs: Iterable[Path | None]) -> None:
    """
    Hold that every file to be written can be, before a run that may take long.

    Parameters
    ----------
    places : dict of str to Path or None
        What is to be written, by the option that names it.
    inputs : iterable of Path or None
        The files that were read.

    Raises
    ------
    InputError
        If a file was read from, is written twice, is a folder, or its folder is not there.
    """
    taken = {path.resolve(): "was read from" for path in inputs if path is not None}
    faults = []
    for option, path in places.items():
        if path is None:
            continue
        where, key = f"{option} {path}", path.resolve()
        if key in taken:
            faults.append(Fault(where, taken[key], "name another file"))
        elif path.is_dir():
            faults.append(Fault(where, "is a folder", "name a file to write"))
        elif not key.parent.is_dir():
            faults.append(Fault(where, "its folder is not there", "name a file in a folder that is"))
        taken.setdefault(key, f"is written by {option} already")
    if faults:
        raise InputError(faults)


def keep_trial(
    report: TrialReport, *, csv: Path | None = None, parquet: Path | None = None, svg: Path | None = None
) -> None:
    """
    Write a trial's numbers and its chart.

    The table has a row for each moment: `time_s`, `volts_v` and `amps_a` of the bank, then four columns for each unit,
    such as `A1 amps_a`. A trial that ended before its first moment leaves a heading alone, and no chart.

    Raises
    ------
    InputError
        If a file cannot be written.
    NoAnswerError
        If there is nothing to draw.
    """
    if csv is not None:
        with _writing(csv):
            whole_frame(possible(report)).write_csv(csv)
    if parquet is not None:
        with _writing(parquet):
            whole_frame(possible(report)).write_parquet(parquet)
    if svg is not None:
        if report.telling.moments == 0:
            raise NoAnswerError(f"there is nothing to draw. {report.telling.lines[0]}")
        from hotchpot.paper.chart import chart

        drawn = chart(possible_trial(report), cautions=report.cautions)
        with _writing(svg):
            svg.write_text(drawn, "utf-8")


def possible(report: TrialReport) -> Record:
    """Return the record of a trial without the moment of collapse, which no bank could have."""
    record, rows = report.trial.record, report.telling.moments
    return record if rows == len(record.time_s) else replace(record, **{n: getattr(record, n)[:rows] for n in _ARRAYS})


def possible_trial(report: TrialReport) -> Trial:
    """Return the trial with that record, as it is drawn."""
    return replace(report.trial, record=possible(report))


def whole_frame(record: Record) -> pl.DataFrame:
    """Return bank and units in one table, a row for each moment."""
    from hotchpot.desk.export import frame

    return frame(record, "bank").hstack(frame(record, "wide").drop("time_s"))


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        raise InputError.one(str(path), what, "check its folder and permissions") from None
