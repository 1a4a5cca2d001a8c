"""A reading as a fact: one measurement on a unit, as it was noted, never edited. Nothing here is inferred."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class ReadingKind(StrEnum):
    """What kind of measurement a reading is."""

    REST = "rest"
    LOADS = "loads"
    RUN = "run"
    GRAVITY = "gravity"
    LEAK = "leak"
    LOOK = "look"
    LOG = "log"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """
    One measurement on one unit.

    Field names are the readings file's columns; an empty tuple or None is "not noted". Lists run side by side: the
    third of `volts` was read with the third of `amps`.

    - rest: `volts` after `hours` at rest (several: a rest that was watched)
    - loads: `volts` under two or more `amps`, each read `seconds` after its load came on
    - run: `volts` at `hours` since the load came on, with `amps` (one, or one each) or through a resistor of `ohms`;
      down to `cutoff_v`
    - gravity: hydrometer, one number a cell
    - leak: `volts` or `ah` found at `days` of standing
    - look: `flags` seen, `rest_rise_k` felt
    - log: a logger's `file`, with `columns` where its headings cannot be guessed
    """

    unit: str
    kind: ReadingKind
    when: str | None = None
    volts: tuple[float, ...] = ()
    amps: tuple[float, ...] = ()
    ohms: float | None = None
    hours: tuple[float, ...] = ()
    seconds: float | None = None
    days: tuple[float, ...] = ()
    ah: tuple[float, ...] = ()
    cutoff_v: float | None = None
    gravity: tuple[float, ...] = ()
    flags: tuple[str, ...] = ()
    rest_rise_k: float | None = None
    temperature_c: float | None = None
    meter: str | None = None
    count_v: float | None = None
    file: str | None = None
    columns: str | None = None
    note: str = ""
    line: int | None = None
