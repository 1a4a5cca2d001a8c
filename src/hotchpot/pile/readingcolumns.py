"""The tables of the readings file: its columns, and which of them each kind of reading needs or may have."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from hotchpot.pile.columns import BY_NAME
from hotchpot.pile.reading import ReadingKind
from hotchpot.pile.table import Column, Kind, Table

MAX_READINGS = 1_000_000

COLUMNS: tuple[Column, ...] = (
    Column(
        name="unit", kind=Kind.ID, needed=True, synonyms=("id", "unit id", "label", "name", "battery"),
        help="which unit was read: its id in the pile file",
    ),
    Column(
        name="kind", kind=Kind.READING, needed=True, synonyms=("reading", "test", "type", "what"),
        help="what was read: rest, loads, run, gravity, leak, look or log",
    ),
    Column(
        name="when", kind=Kind.MOMENT, synonyms=("date", "date and time", "datetime", "read on"),
        help="when it was read, or begun: 2026-11-03 or 2026-11-03T14:20, local time",
    ),
    Column(
        name="volts", kind=Kind.LIST, unit="V", low=-5000, high=5000, synonyms=("volt", "voltage", "voltages"),
        help="voltage at the terminals; negative on a reversed unit",
    ),
    Column(
        name="amps", kind=Kind.LIST, unit="A", low=-100_000, high=100_000,
        synonyms=("amp", "current", "currents", "load current"),
        help="current, positive on discharge",
    ),
    Column(
        name="ohms", kind=Kind.NUMBER, unit="Ω", low=0.00001, high=100_000,
        synonyms=("ohm", "resistor", "load resistor", "load resistance"),
        help="the resistor that a run went through, where its current was not read",
    ),
    Column(
        name="hours", kind=Kind.LIST, unit="h", low=0, high=100_000,
        synonyms=("hours at rest", "rest hours", "run hours", "time", "elapsed"),
        help="hours at rest, or hours since the load of a run came on",
    ),
    Column(
        name="seconds", kind=Kind.NUMBER, unit="s", low=0, high=86_400, synonyms=("after", "read after"),
        help="how long each load was on when its voltage was read",
    ),
    Column(
        name="days", kind=Kind.LIST, unit="d", low=0, high=10_000, synonyms=("days standing", "time", "elapsed"),
        help="days of standing, the first usually 0",
    ),
    Column(
        name="ah", kind=Kind.LIST, unit="Ah", low=0, high=30_000, synonyms=("amp hours", "charge found"),
        help="charge found in the unit after that standing",
    ),
    Column(
        name="cutoff_v", kind=Kind.NUMBER, unit="V", low=0.1, high=5000,
        synonyms=("end voltage", "stop voltage"),
        help="the voltage at which a run was to end",
    ),
    replace(BY_NAME["gravity"], help="hydrometer readings, one for each cell, with | between"),
    replace(BY_NAME["flags"], help=BY_NAME["flags"].help.replace("with ; between", "with | between")),
    BY_NAME["rest_rise_k"],
    BY_NAME["temperature_c"],
    Column(
        name="meter", kind=Kind.NAME, synonyms=("instrument",),
        help="key of the meter it was read with; the usual hand meter when empty",
    ),
    Column(
        name="count_v", kind=Kind.NUMBER, unit="V", low=0.000001, high=10,
        synonyms=("count", "last digit", "resolution"),
        help="the last digit of the volts; by the digits written in volts when empty",
    ),
    Column(name="file", kind=Kind.NAME, synonyms=("file name", "log file"), help="name of a logger's file"),
    Column(
        name="columns", kind=Kind.NAME, synonyms=("mapping",),
        help="which column of the logger's file is what, where its headings do not tell",
    ),
    BY_NAME["note"],
)  # fmt: skip
READINGS = Table(
    COLUMNS, row="reading", most=MAX_READINGS, split="split the file: one for each season or site, for example"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Uses:
    """
    What one kind of reading takes.

    `needs` says what must be there, `columns` are those it may fill beside those of every kind, `synonyms` the other
    words for it.
    """

    needs: str
    columns: tuple[str, ...]
    synonyms: tuple[str, ...]


EVERY = ("unit", "kind", "when", "temperature_c", "note")
USES: Mapping[ReadingKind, Uses] = {
    ReadingKind.REST: Uses(
        needs="volts; with several, as many hours, rising",
        columns=("volts", "hours", "meter", "count_v"),
        synonyms=("rest voltage", "resting voltage", "open circuit voltage", "ocv"),
    ),
    ReadingKind.LOADS: Uses(
        needs="two or more volts and as many amps, not all the same",
        columns=("volts", "amps", "seconds", "meter", "count_v"),
        synonyms=("load", "two loads", "load steps", "resistance"),
    ),
    ReadingKind.RUN: Uses(
        needs="hours, rising, and as many volts; amps (one, or as many) or ohms",
        columns=("volts", "amps", "ohms", "hours", "cutoff_v", "meter", "count_v"),
        synonyms=("discharge", "discharge run", "capacity", "capacity run"),
    ),
    ReadingKind.GRAVITY: Uses(needs="gravity", columns=("gravity",), synonyms=("specific gravity", "sg", "hydrometer")),
    ReadingKind.LEAK: Uses(
        needs="two or more days, rising, and as many volts or ah",
        columns=("volts", "days", "ah", "meter", "count_v"),
        synonyms=("leakage", "self discharge", "standing"),
    ),
    ReadingKind.LOOK: Uses(
        needs="nothing: no flags means that nothing was found",
        columns=("flags", "rest_rise_k"),
        synonyms=("inspection", "seen"),
    ),
    ReadingKind.LOG: Uses(
        needs="file", columns=("cutoff_v", "meter", "count_v", "file", "columns"), synonyms=("logger", "log file")
    ),
}
UNUSED: Mapping[ReadingKind, tuple[str, ...]] = {
    kind: tuple(column.name for column in COLUMNS if column.name not in (*EVERY, *uses.columns))
    for kind, uses in USES.items()
}


def readings_markdown() -> str:
    """Return the table of the columns for the documentation."""
    return READINGS.markdown()


def kinds_markdown() -> str:
    """Return the table of the kinds for the documentation."""
    lines = ["| kind | must be there | takes these columns | also read as |", "|---|---|---|---|"]
    for kind, uses in USES.items():
        lines.append(f"| `{kind}` | {uses.needs} | {', '.join(uses.columns)} | {', '.join(uses.synonyms)} |")
    return "\n".join(lines) + "\n"
