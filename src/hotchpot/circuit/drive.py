"""What is done to a bank: loads and sources by stretches of time, the charger's ceiling, and when to stop."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hotchpot.circuit import layout as at
from hotchpot.errors import InputError

if TYPE_CHECKING:
    import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """
    A stretch of time with one load and one source; any of them may be nought.

    A load draws `load_a`, `load_w` and ``V * load_s`` together; a source gives `source_a` or `source_w`, less where the
    charger's ceiling holds it back. [s], [A], [W], [S]
    """

    seconds: float
    load_a: float = 0.0
    load_w: float = 0.0
    load_s: float = 0.0
    source_a: float = 0.0
    source_w: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.seconds) and self.seconds > 0.0):
            raise InputError.one("drive", f"a stretch of {self.seconds:g} s", "give a time above nought")
        for name in ("load_a", "load_w", "load_s", "source_a", "source_w"):
            value = getattr(self, name)
            if not math.isfinite(value) or value < 0.0:
                raise InputError.one(f"drive {name}", f"it is {value:g}", "give nought or more")
        if self.source_a and self.source_w:
            raise InputError.one("drive", "a source has both amps and watts", "give one of them")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargePlan:
    """
    What a charger does: up to `absorb_v`, until the current has fallen to `tail_a` or `absorb_hours` are over, then
    `float_v`; without a float the run ends as charged. Below `again_v` in float it begins again. `per_k` moves the
    volts with temperature from 25 °C. [V/K]
    """

    absorb_v: float
    float_v: float | None = None
    tail_a: float = 0.0
    absorb_hours: float = math.inf
    again_v: float | None = None
    per_k: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """
    When a run ends before its drive does.

    `low_v` is the bank's voltage at which loads are cut off; where `back_v` is given they come back there, but not
    within `back_after_s` of the cut-off, and the run goes on. `unit_low_v` is the voltage of one cell at which a run
    ends, by unit. With `first_empty` it ends when the first unit has no charge at hand, with `first_reversed` when a
    unit's voltage turns round, with `settled_a` when no unit carries more. It always ends where a unit is at `hot_c`:
    what a hotter battery does is no circuit any more.
    """

    low_v: float | None = None
    back_v: float | None = None
    back_after_s: float = 300.0
    unit_low_v: dict[str, float] = field(default_factory=dict)
    first_empty: bool = False
    first_reversed: bool = False
    first_full: bool = False
    settled_a: float | None = None
    hot_c: float = 90.0


@dataclass(frozen=True, slots=True)
class Drive:
    """Stretches one after the other, with the charger's plan."""

    stretches: tuple[Stretch, ...] | None
    edges: np.ndarray
    table: np.ndarray
    charge: ChargePlan | None = None

    @property
    def seconds(self) -> float:
        """How long it lasts. [s]"""
        return float(self.edges[-1])


def drive_of(stretches: Sequence[Stretch], charge: ChargePlan | None = None) -> Drive:
    """
    Return a drive from stretches.

    Raises
    ------
    InputError
        If there is none, or a source has no charger's plan to hold it.
    """
    import numpy as np

    if not stretches:
        raise InputError.one("drive", "it has no stretches", "give a load or a source and a time")
    if charge is None and any(s.source_a or s.source_w for s in stretches):
        raise InputError.one(
            "drive", "a source without a ceiling would overcharge the bank", "give the charger's volts"
        )
    table = np.array([[s.load_a, s.load_w, s.load_s, s.source_a, s.source_w] for s in stretches], dtype=float).T.copy()
    edges = np.concatenate([[0.0], np.cumsum([s.seconds for s in stretches])])
    return Drive(tuple(stretches), edges, table, charge)


def profile(
    time_s: Sequence[float],
    *,
    load_w: Sequence[float] | None = None,
    load_a: Sequence[float] | None = None,
    source_w: Sequence[float] | None = None,
    source_a: Sequence[float] | None = None,
    charge: ChargePlan | None = None,
) -> Drive:
    """
    Return a drive from a profile: each value holds from its moment to the next; the last moment ends it.

    Parameters
    ----------
    time_s : sequence, shape (n + 1,) or (n,)
        Rising. With as many moments as values the last value holds as long as the one before it. [s]
    load_w, load_a, source_w, source_a : sequence, shape (n,)
        A negative load counts as a source of the same kind.

    Raises
    ------
    InputError
        If the times do not rise, lengths differ, or a source has no charger's plan to hold it.
    """
    import numpy as np

    given = {at.G_WATTS: load_w, at.G_AMPS: load_a, at.G_SOURCE_W: source_w, at.G_SOURCE_A: source_a}
    values = {row: np.asarray(v, dtype=float) for row, v in given.items() if v is not None}
    if not values:
        raise InputError.one("profile", "it has neither load nor source", "give one")
    t = np.asarray(time_s, dtype=float)
    sizes = {v.size for v in values.values()}
    n = sizes.pop()
    if sizes or t.size not in (n, n + 1) or n < 1 or (t.size == n and n < 2):
        raise InputError.one("profile", "its columns have unlike lengths", "give one value for each moment")
    if t.size == n:
        t = np.append(t, 2 * t[-1] - t[-2])
    if not (np.isfinite(t).all() and (np.diff(t) > 0.0).all()):
        raise InputError.one("profile time", "it does not rise all along", "sort the rows, and give each moment once")
    table = np.zeros((at.G_ROWS, n))
    for row, v in values.items():
        if not np.isfinite(v).all():
            raise InputError.one("profile", "a value is no number", "fill the gaps")
        table[row] += np.maximum(v, 0.0)
        turned = {at.G_WATTS: at.G_SOURCE_W, at.G_AMPS: at.G_SOURCE_A}.get(row)
        if turned is not None:
            table[turned] += np.maximum(-v, 0.0)
        elif (v < 0.0).any():
            raise InputError.one("profile", "a source is negative", "give what it gives, nought or more")
    if charge is None and (table[at.G_SOURCE_A : at.G_SOURCE_W + 1] > 0.0).any():
        raise InputError.one(
            "profile", "a source without a ceiling would overcharge the bank", "give the charger's volts"
        )
    return Drive(None, t - t[0], table, charge)
