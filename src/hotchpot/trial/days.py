"""
The hours of a day: an invented household with the plan's largest load in it, what a source gives, a given profile.

Each is a `Table` of columns over time; tables are laid beside one another and repeated from day to day.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.circuit.drive import ChargePlan, Drive, profile
from hotchpot.errors import InputError
from hotchpot.trial.look import span

if TYPE_CHECKING:
    import numpy as np

DAY_S, HOUR_S = 86_400.0, 3600.0
# Invented: how a household spreads its energy over the hours from midnight, morning and evening peaks; parts of 100.
HOUSEHOLD = (2, 2, 2, 2, 2, 3, 5, 6, 5, 4, 4, 4, 5, 4, 3, 3, 4, 6, 8, 9, 7, 5, 3, 2)
EVENING_H = 19  # the hour of the household's peak, at which the largest load begins
LARGEST_H = 1.0  # the largest load stands for so long each evening,
LARGEST_FRAC = 1.0 / 3.0  # but takes no more than this part of the day's energy; invented
SUNRISE_H, SUNSET_H = 6.0, 18.0  # of the invented day
GENERATOR_H = (17.0, 21.0)  # when the invented day's generator runs
WIND_FRAC = 0.3  # of the charger's amps, all day; engineering guess
QUARTERS = 96


@dataclass(frozen=True)
class Table:
    """Columns of a drive by name, such as `load_w`: edges, shape (n + 1,), from nought [s]; columns of shape (n,)."""

    edges_s: np.ndarray
    columns: Mapping[str, np.ndarray]

    def beside(self, other: Table) -> Table:
        """Return both tables as one, over all edges of the two; they are equally long."""
        import numpy as np

        edges = np.union1d(self.edges_s, other.edges_s)
        columns: dict[str, np.ndarray] = {}
        for table in (self, other):
            row = np.searchsorted(table.edges_s, edges[:-1], side="right") - 1
            columns |= {name: values[row] for name, values in table.columns.items()}
        return Table(edges, columns)

    def drive(self, charge: ChargePlan | None) -> Drive:
        """Return the drive of these columns; `charge` holds back what charges."""
        columns = {name: values.tolist() for name, values in self.columns.items()}
        return profile(self.edges_s.tolist(), **columns, charge=charge)

    def repeated(self, days: float) -> Table:
        """Return a day's table over so many days, the last of them cut short where they are not whole."""
        import numpy as np

        count = max(1, math.ceil(days - 1e-9))
        starts = np.tile(self.edges_s[:-1], count) + DAY_S * np.repeat(np.arange(count), len(self.edges_s) - 1)
        kept = starts < DAY_S * days * (1.0 - 1e-12)
        edges = np.append(starts[kept], DAY_S * days)
        return Table(edges, {name: np.tile(values, count)[kept] for name, values in self.columns.items()})


def household(energy_wh: float, *, largest_w: float = 0.0, idle_w: float = 0.0) -> tuple[Table, float]:
    """
    Return a day of a household, and for how long its largest load stands each evening. [s]

    The day's energy is kept: `idle_w` flows at all hours and is part of it; the largest load, where it is larger than
    the day's peak would be, stands from 19 h on for an hour, or for so long as takes a third of what is left; all else
    has the household's invented shape.

    Raises
    ------
    InputError
        If what flows at all hours is more than the day's energy.
    """
    import numpy as np

    spare_wh = energy_wh - 24.0 * idle_w
    if spare_wh < 0.0:
        what = f"{idle_w:g} W at all hours are {24.0 * idle_w:g} Wh a day, more than energy_wh_per_day"
        raise InputError.one("duty.idle_w", what, "count it into energy_wh_per_day, which is all that is used in a day")
    shape, hours = np.array(HOUSEHOLD, dtype=float), HOUR_S * np.arange(25.0)
    held_h = 0.0
    if largest_w > idle_w + spare_wh * shape.max() / shape.sum():
        held_h = min(LARGEST_H, LARGEST_FRAC * spare_wh / (largest_w - idle_w))
    others_wh = spare_wh - held_h * (largest_w - idle_w)
    watts = idle_w + others_wh * shape / (shape.sum() - held_h * shape[EVENING_H])
    if not held_h:
        return Table(hours, {"load_w": watts}), 0.0
    evening = HOUR_S * np.array([0.0, EVENING_H, EVENING_H + held_h, 24.0])
    both = Table(hours, {"load_w": watts}).beside(Table(evening, {"held": np.array([False, True, False])}))
    return Table(both.edges_s, {"load_w": np.where(both.columns["held"], largest_w, both.columns["load_w"])}), (
        HOUR_S * held_h
    )


def feed(kind: str, amps: float) -> Table:
    """Return what a source of so many amps gives in an invented day, by quarters of an hour. [A]"""
    import numpy as np

    hours = (np.arange(QUARTERS) + 0.5) * 24.0 / QUARTERS
    if kind == "pv":
        part = np.maximum(0.0, np.sin(np.pi * (hours - SUNRISE_H) / (SUNSET_H - SUNRISE_H)))
    elif kind == "generator":
        part = ((GENERATOR_H[0] <= hours) & (hours < GENERATOR_H[1])).astype(float)
    else:
        part = np.full(QUARTERS, WIND_FRAC if kind == "wind" else 1.0)
    return Table(np.linspace(0.0, DAY_S, QUARTERS + 1), {"source_a": amps * part})


def has_source(table: Table) -> bool:
    """Return whether a table says what a source gives: in a column of its own, or by loads below nought."""
    return charges(table) or any(name.startswith("source") for name in table.columns)


def charges(table: Table) -> bool:
    """Return whether anything charges: a source, or a load below nought; what is no number does not."""
    return any(
        bool((column > 0.0).any() if name.startswith("source") else (column < 0.0).any())
        for name, column in table.columns.items()
    )


def without_source(table: Table) -> Table:
    """Return the loads alone."""
    import numpy as np

    loads = {name: column for name, column in table.columns.items() if name.startswith("load")}
    return Table(table.edges_s, {name: np.where(column < 0.0, 0.0, column) for name, column in loads.items()})


def given(time_s: Sequence[float], columns: Mapping[str, Sequence[float]]) -> Table:
    """
    Return columns as given, from the first moment on; with one moment more than values that moment is the end.

    Else the last row ends it where nothing flows in it, or where it stands whole days after the first; any other last
    row holds as long as the one before it.

    Raises
    ------
    InputError
        If lengths differ or times do not rise.
    """
    import numpy as np

    times, values = _arrays(time_s, columns)
    if times.size == len(next(iter(values.values()))):
        days = (times[-1] - times[0]) / DAY_S
        closes = all(column[-1] == 0.0 for column in values.values()) or (days >= 1.0 and days == round(days))
        if closes:
            values = {name: column[:-1] for name, column in values.items()}
        else:
            times = np.append(times, 2.0 * times[-1] - times[-2])
    return Table(times - times[0], values)


def given_day(time_s: Sequence[float], columns: Mapping[str, Sequence[float]]) -> Table:
    """
    Return columns as a day that can be repeated: times are times of the day, from midnight.

    Each row holds until the next, the last one until the first comes round again.

    Raises
    ------
    InputError
        If they last longer than a day, lengths differ or times do not rise.
    """
    import numpy as np

    times, values = _arrays(time_s, columns)
    lasts = float(times[-1] - times[0])
    if lasts > DAY_S:
        mend = "give 24 h at most, or leave the days out"
        raise InputError.one("profile", f"it lasts {span(lasts)}, and is to be repeated each day", mend)
    count = min(len(times) - (lasts == DAY_S), len(next(iter(values.values()))))
    clock = times[:count] % DAY_S
    order = np.argsort(clock)
    starts, rows = clock[order], order
    if starts[0] > 0.0:
        starts, rows = np.concatenate([[0.0], starts]), np.concatenate([order[-1:], order])
    return Table(np.append(starts, DAY_S), {name: column[rows] for name, column in values.items()})


def _arrays(
    time_s: Sequence[float], columns: Mapping[str, Sequence[float]]
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    import numpy as np

    times = np.asarray(time_s, dtype=float)
    values = {name: np.asarray(column, dtype=float) for name, column in columns.items()}
    sizes = {column.size for column in values.values()}
    size = min(sizes, default=0)
    if len(sizes) != 1 or times.size not in (size, size + 1) or times.size < 2:
        raise InputError.one("profile", "its columns have unlike lengths", "give one value for each moment")
    if not (np.isfinite(times).all() and (np.diff(times) > 0.0).all()):
        raise InputError.one("profile time", "it does not rise all along", "sort the rows, and give each moment once")
    return times, values
