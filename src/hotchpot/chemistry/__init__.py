"""
What each chemistry is: one data file each, every value with its unit, source and grade.

All voltages are per cell at 25 °C. Resistances are per cell and per amp-hour (``r10s_q`` in mΩ·Ah), so that a unit of
any size has ``cells * r10s_q / capacity_ah`` milliohm. Nothing here is a claim about one maker's battery: a unit's own
readings beat its chemistry's values.
"""

from __future__ import annotations

import tomllib
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib import resources
from typing import Any

from hotchpot.errors import InputError, nearest

KEYS = (
    "lead_flooded",
    "lead_agm",
    "lead_gel",
    "lfp",
    "nmc",
    "nca",
    "lco",
    "lmo",
    "lto",
    "nicd",
    "nimh",
    "nife",
    "naion",
)
TEMPERATURE_GRID_C = (-20.0, -10.0, 0.0, 10.0, 25.0, 40.0)
SOC_GRID = (0.05, 0.1, 0.2, 0.5, 0.8, 1.0)


class Grade(StrEnum):
    """How good the evidence for a value is, best first."""

    MEASURED = "measured"
    DATASHEET = "datasheet"
    STANDARD = "standard"
    PRACTICE = "practice"
    MEMORY = "memory"
    GUESS = "guess"


@dataclass(frozen=True, slots=True)
class Entry:
    """One value of a data file with its unit, source keys and grade."""

    value: Any
    unit: str
    source: str
    grade: Grade
    note: str = ""


@dataclass(frozen=True, slots=True)
class Curve:
    """Open-circuit voltage of one cell against state of charge, straight between its points."""

    soc: tuple[float, ...]
    volt: tuple[float, ...]
    source: str
    grade: Grade
    note: str = ""

    def volts(self, soc: float) -> float:
        """Return the rest voltage of one cell at `soc` (0..1, held at the ends). [V]"""
        return interpolate(soc, self.soc, self.volt)

    def soc_at(self, volts: float) -> float:
        """Return the state of charge at which one rested cell reads `volts`, held to 0..1."""
        return interpolate(volts, self.volt, self.soc)

    def slope(self, soc: float, step: float = 0.02) -> float:
        """Return dOCV/dSoC over a window of ±`step`. [V per unit of state of charge]"""
        low, high = max(0.0, soc - step), min(1.0, soc + step)
        return (self.volts(high) - self.volts(low)) / (high - low)


@dataclass(frozen=True, slots=True)
class Chemistry:
    """
    One chemistry: its name, the family it may be joined within, its values and its hazards.

    `family` is the group whose members may share a parallel node; `kind` is lead, lithium or nickel.
    """

    key: str
    name: str
    family: str
    kind: str
    sealed: bool
    values: Mapping[str, Entry]
    ocv: Curve
    hazards: Mapping[str, str]

    def num(self, name: str) -> float:
        """Return a single number of the data file, in the file's unit."""
        return float(self.values[name].value)

    def get(self, name: str, default: float) -> float:
        """Return a single number, or `default` where this chemistry has none."""
        entry = self.values.get(name)
        return default if entry is None else float(entry.value)

    def band(self, name: str) -> tuple[float, float] | None:
        """Return a (low, high) band, or None where the chemistry has none (no float, no equalise)."""
        value = self.values[name].value
        return (float(value[0]), float(value[-1])) if value else None

    def row(self, name: str) -> tuple[Any, ...]:
        """Return a list-valued entry as a tuple."""
        return tuple(self.values[name].value)

    def grade(self, name: str) -> Grade:
        """Return the grade of evidence of a value."""
        return self.values[name].grade

    def cite(self, name: str) -> str:
        """Return a value's source in words, ending with its grade."""
        entry = self.values[name]
        return f"{cite(entry.source)} [{entry.grade}]"

    def at_temperature(self, name: str, temperature_c: float) -> float:
        """Return a six-point temperature table at `temperature_c`, held at its ends."""
        return interpolate(temperature_c, TEMPERATURE_GRID_C, [float(v) for v in self.values[name].value])

    def typical_mohm(self, cells: int, capacity_ah: float) -> float:
        """Return the typical 10 s DC resistance of a good unit of this size, full and at 25 °C. [mΩ]"""
        return cells * self.num("r10s_q") / capacity_ah


def interpolate(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Return straight-line interpolation of rising `xs`, held at both ends (plain floats: no numpy at start-up)."""
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    i = bisect_right(xs, x)
    x0, x1 = xs[i - 1], xs[i]
    return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - x0) / (x1 - x0)


@cache
def chemistry(key: str) -> Chemistry:
    """
    Return the chemistry with this key.

    Raises
    ------
    InputError
        If there is no such chemistry; names the nearest one.
    """
    if key not in KEYS:
        raise InputError.one(f"chemistry {key!r}", "no such chemistry", nearest(key, KEYS))
    raw = _read(f"{key}.toml")
    entries = {
        name: Entry(row["value"], row["unit"], row["source"], Grade(row["grade"]), row.get("note", ""))
        for name, row in raw["values"].items()
    }
    ocv = raw["ocv"]
    curve = Curve(tuple(ocv["soc"]), tuple(ocv["volt"]), ocv["source"], Grade(ocv["grade"]), ocv.get("note", ""))
    hazards = {name: row["text"] for name, row in raw["hazards"].items()}
    return Chemistry(raw["key"], raw["name"], raw["family"], raw["kind"], raw["sealed"], entries, curve, hazards)


@cache
def sources() -> Mapping[str, str]:
    """Return every source key of the data files with its full text."""
    return {key: str(text) for key, text in _read("sources.toml").items()}


def cite(keys: str) -> str:
    """Return the full text of the sources named by ``'+'``-joined `keys`."""
    known = sources()
    return "; ".join(known[key] for key in keys.split("+"))


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads(resources.files(__package__).joinpath("data", name).read_text("utf-8"))
