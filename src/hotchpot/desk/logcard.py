"""A logger's file by itself: what was taken for what, what happened in it, and what it says of a unit of the pile."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.study import Study, study
from hotchpot.bench.trace import Log, Piece
from hotchpot.desk.asking import HOUSE_RULES
from hotchpot.desk.files import load_readings, unit_of
from hotchpot.desk.guiding.notebook import append_reading
from hotchpot.desk.logs.logfile import LogReport, read_log
from hotchpot.desk.plain import num
from hotchpot.desk.wire_bench import estimate_wire, remark_wire
from hotchpot.errors import InputError
from hotchpot.pile import Unit
from hotchpot.pile.reading import Reading, ReadingKind

FROM_PILE = "temperature of the pile file"


@dataclass(frozen=True, slots=True, kw_only=True)
class LogCard:
    """A log as read, and, where the pile holds its unit, the study of that unit by this log alone."""

    path: Path
    report: LogReport
    unit: Unit | None
    study: Study | None
    reading: Reading | None
    cautions: tuple[str, ...] = HOUSE_RULES

    @property
    def log(self) -> Log:
        """The log of the unit that was asked for, or the file's first."""
        return self.report.logs.get(self.unit.id if self.unit else "", self.report.log)

    @property
    def remarks(self) -> tuple[Remark, ...]:
        """What was said of the file and of the estimates, each once."""
        own = self.study.remarks if self.study else ()
        warm = None if self.reading is None else self.reading.temperature_c
        lent = () if self.unit is None or warm is None else (_borrowed(self.report.name, self.unit, warm),)
        return tuple(dict.fromkeys((*self.report.remarks, *lent, *own)))


def log_card(
    path: Path,
    *,
    units: Sequence[Unit] = (),
    unit: str | None = None,
    columns: str | None = None,
    sign: str | None = None,
    cutoff_v: float | None = None,
    meter: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> LogCard:
    """
    Return a logger's file as read, and what it says of a unit.

    Where the file has no temperature, that of the unit in the pile is taken, and said so.

    Parameters
    ----------
    path : Path
        The logger's file.
    units : sequence of Unit, optional
        The pile.
    unit : str, optional
        Whose log it is; needed to say what the unit is, and where the file holds several.
    columns, sign : str, optional
        As for `read_log`, where its guess is wrong.
    cutoff_v : float, optional
        The voltage to which a discharge counts as capacity; None takes the run's own end. [V]
    meter : str, optional
        What logged it; a logger with a shunt when None.

    Raises
    ------
    InputError
        If the file or the unit cannot be used.
    """
    entry = unit_of(units, unit) if unit is not None and units else None
    report = read_log(path, columns=columns, unit=unit, sign=sign, progress=progress)
    if entry is None:
        return LogCard(path=path, report=report, unit=None, study=None, reading=None)
    log = report.logs.get(entry.id, report.log)
    warmth_c = None if _has_temperature(log) else entry.temperature_c
    reading = Reading(
        unit=entry.id,
        kind=ReadingKind.LOG,
        file=path.name,
        columns=_settled_columns(columns, sign, report),
        cutoff_v=cutoff_v,
        meter=meter,
        temperature_c=warmth_c,
        note="" if warmth_c is None else FROM_PILE,
    )
    found = study(entry, [reading], logs={path.name: (log,)})
    return LogCard(path=path, report=report, unit=entry, study=found, reading=reading)


def _has_temperature(log: Log) -> bool:
    return any(piece.trace.temperature_c is not None for piece in log.pieces)


def _borrowed(name: str, unit: Unit, temperature_c: float) -> Remark:
    return Remark(
        code="log-pile-temperature",
        weight=Weight.NOTED,
        subject=name,
        says=f"the log has no temperature: {temperature_c:g} °C of {unit.id} in the pile file was taken",
        why="capacity moves with the temperature of the unit while it was logged",
        do="if it was another, write it as temperature_c in the row of the readings file",
        source="common practice, no source",
        value=temperature_c,
        unit="°C",
    )


def keep_log(card: LogCard, readings: Path) -> str:
    """
    Add a confirmed log to a readings file, as a reading that names file and columns; return the row as it stands there.

    Raises
    ------
    InputError
        If the log was read for no unit of the pile, or the readings file cannot be written.
    """
    if card.reading is None:
        raise InputError.one("--readings", "the log is of no unit of the pile", "give --pile and --unit")
    file = os.path.relpath(card.path, readings.parent)
    wanted = replace(card.reading, file=file, when=(card.log.start or "")[:10] or None)
    if readings.is_file():
        there = [one for one in load_readings(readings) if (one.unit, one.file) == (wanted.unit, wanted.file)]
        if there:
            what = f"{file} of {wanted.unit} is there already"
            raise InputError.one(
                f"{readings.name}:{there[0].line} file", what, "nothing was added; remove that row first"
            )
    return append_reading(readings, wanted)


def log_wire(card: LogCard) -> dict[str, Any]:
    """Return a log card in its JSON shape (docs/commands.md)."""
    report, log = card.report, card.log
    return {
        "file": report.name,
        "rows": report.rows,
        "layout": report.layout,
        "columns": dict(log.columns),
        "sign": report.sign,
        "evidence": report.evidence,
        "units_in_file": list(report.logs),
        "start": log.start,
        "span_h": num(log.span_s / 3600.0),
        "out_ah": num(log.out_ah),
        "in_ah": num(log.in_ah),
        "out_wh": num(log.out_wh),
        "in_wh": num(log.in_wh),
        "pieces": [_piece(piece) for piece in log.pieces],
        "estimates": [] if card.study is None else [estimate_wire(one) for one in card.study.estimates],
        "remarks": [remark_wire(remark) for remark in card.remarks],
        "seconds": round(report.seconds, 3),
        "cautions": list(card.cautions),
    }


def _piece(piece: Piece) -> dict[str, Any]:
    import numpy as np

    volts = piece.trace.volts[np.isfinite(piece.trace.volts)]
    return {
        "flow": str(piece.flow),
        "line": piece.line,
        "start_s": num(piece.start_s),
        "hours": num((piece.end_s - piece.start_s) / 3600.0),
        "out_ah": num(piece.out_ah),
        "in_ah": num(piece.in_ah),
        "out_wh": num(piece.out_wh),
        "in_wh": num(piece.in_wh),
        "lowest_v": num(float(volts.min())) if len(volts) else None,
        "highest_v": num(float(volts.max())) if len(volts) else None,
        "temperature_c": num(piece.trace.temperature_c),
        "gap_s": num(piece.gap_s),
    }


def _settled_columns(columns: str | None, sign: str | None, report: LogReport) -> str | None:
    """Return what to write down so that the file is read the same way again; nothing where all was guessed."""
    if sign is None:
        return columns
    amps = report.columns.amps
    turned = f"amps={'-' if report.sign < 0 else ''}{amps.name}"
    return f"{columns}, {turned}" if columns and "amps" not in columns else columns or turned
