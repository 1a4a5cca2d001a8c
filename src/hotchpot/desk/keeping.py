"""A trial kept in files: its numbers as CSV or Parquet, its chart as SVG; no file that was read is written over."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from hotchpot.desk.trying import TrialReport
from hotchpot.errors import Fault, InputError, NoAnswerError

if TYPE_CHECKING:
    import polars as pl

    from hotchpot.circuit.record import Record
    from hotchpot.trial.outcome import Trial

_ENDINGS = {"--csv": (".csv",), "--parquet": (".parquet",), "--svg": (".svg",)}
_PICTURES = (".png", ".jpg", ".jpeg", ".gif", ".webp", ".svgz", ".pdf", ".eps")
_KNOWN = (*(ending for endings in _ENDINGS.values() for ending in endings), *_PICTURES, ".xlsx", ".ods", ".json")
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
        If a file was read from, by this name or another of the same file, is written twice, is a folder, cannot be
        written, its folder is not there, or its name ends as that of another kind of file.
    """
    taken = {path.resolve(): "was read from" for path in inputs if path is not None}
    faults = []
    for option, path in places.items():
        if path is None:
            continue
        where, key = f"{option} {path}", path.resolve()
        same = next((what for other, what in taken.items() if _is_same(key, other)), None)
        if same is not None:
            faults.append(Fault(where, same, "name another file"))
        elif path.is_dir():
            faults.append(Fault(where, "is a folder", "name a file to write"))
        elif not key.parent.is_dir():
            faults.append(Fault(where, "its folder is not there", "name a file in a folder that is"))
        elif not os.access(key if key.exists() else key.parent, os.W_OK):
            faults.append(Fault(where, "may not be written", "check its folder and permissions"))
        elif (ending := path.suffix.lower()) in _KNOWN and ending not in _ENDINGS.get(option, _KNOWN):
            wanted = path.with_suffix(_ENDINGS[option][0])
            faults.append(Fault(where, f"would not be {ending[1:].upper()}", f"write {wanted}"))
        taken.setdefault(key, f"is written by {option} already")
    if faults:
        raise InputError(faults)


def _is_same(one: Path, other: Path) -> bool:
    """Return whether two paths lead to one file: hard links do, however they are called."""
    if one == other:
        return True
    try:
        return one.samefile(other)
    except OSError:  # what is not there yet is no other file
        return False


def keep_trial(
    report: TrialReport, *, csv: Path | None = None, parquet: Path | None = None, svg: Path | None = None
) -> None:
    """
    Write a trial's numbers and its chart.

    The table has a row for each moment: `time_s`, `volts_v` and `amps_a` of the bank, then four columns for each unit,
    such as `A1 amps_a`, and `event`, what happened then. Text has nine digits, Parquet every bit. A trial that ended
    before its first moment leaves a heading alone, and no chart.

    Raises
    ------
    NoAnswerError
        If a file cannot be written after all, such as on a full disk, or there is nothing to draw.
    """
    if csv is not None:
        from hotchpot.desk.export import shortened

        _write(csv, shortened(whole_frame(possible(report))).write_csv().encode())
    if parquet is not None:
        out = io.BytesIO()
        whole_frame(possible(report)).write_parquet(out)
        _write(parquet, out.getvalue())
    if svg is not None:
        if report.telling.moments == 0:
            raise NoAnswerError(f"there is nothing to draw. {report.telling.lines[0]}")
        from hotchpot.paper.chart import chart

        doubt = None if report.draws is None else report.draws.doubt.volts
        drawn = chart(possible_trial(report), cautions=report.cautions, verdict=report.verdict, doubt=doubt)
        _write(svg, drawn.encode())


def possible(report: TrialReport) -> Record:
    """Return the record of a trial without the moment of collapse, which no bank could have."""
    record, rows = report.trial.record, report.telling.moments
    return record if rows == len(record.time_s) else replace(record, **{n: getattr(record, n)[:rows] for n in _ARRAYS})


def possible_trial(report: TrialReport) -> Trial:
    """Return the trial with that record, as it is drawn."""
    return replace(report.trial, record=possible(report))


def whole_frame(record: Record) -> pl.DataFrame:
    """Return bank and units in one table, a row for each moment, and what happened then."""
    from hotchpot.desk.export import frame, happened

    return frame(record, "bank").hstack(frame(record, "wide").drop("time_s")).hstack([happened(record)])


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        what = error.strerror or str(error)
        raise NoAnswerError(f"{path}: cannot be written ({what}), write to another place") from None
