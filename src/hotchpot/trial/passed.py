"""
What a run has driven a unit beyond: its highest voltage, empty, the charge at which lithium shorts inside.

The same tests serve a trial's findings and the chances of a study. All is held against the cells that are alive: a
shorted one has no voltage, neither to allow nor to keep.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from hotchpot.bench.state import State
from hotchpot.circuit.record import Peaks, Record

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

SHORTS_AT = -0.12  # charge of a lithium unit; chemistry data, overdischarge
BELOW_FRAC = 0.01  # less than this part of its capacity below empty is the end of a discharge, not a reversal
OVER_FRAC = 1e-3  # so far above the highest voltage is a matter of digits


def live_cells(state: State, shorted: Collection[str]) -> int:
    """Return how many cells of a unit have a voltage: one fewer where a cell has shorted."""
    return state.unit.cells - (state.unit.id in shorted)


def depths(record: Record, states: Sequence[State]) -> Floats:
    """
    Return how far each unit was driven below empty, as a part of its capacity, shape (n,).

    What was drawn beyond its own empty, which lies below a charge of nought where it is warm; but no more than it is
    below nought: what cold or a high rate holds back is still there.
    """
    import numpy as np

    capacity_ah = np.array([state.capacity_ah.value for state in states])
    return np.asarray(np.maximum(0.0, np.minimum(record.under_ah / capacity_ah, -record.soc_frac.min(axis=0))))


def volts_of_max(record: Record, states: Sequence[State], cells: Sequence[int]) -> Floats:
    """Return each unit's highest voltage over what its live cells may have; nought where none lives, shape (n,)."""
    import numpy as np

    most_v = np.array([n * state.chem.num("charge_max_v") for n, state in zip(cells, states, strict=True)])
    return np.where(most_v > 0.0, record.peaks.high_v / np.where(most_v > 0.0, most_v, 1.0), 0.0)


def over_voltage(record: Record, states: Sequence[State], cells: Sequence[int]) -> Bools:
    """Return which units were above their highest voltage, shape (n,)."""
    return volts_of_max(record, states, cells) > 1.0 + OVER_FRAC


def below_empty(record: Record, states: Sequence[State], cells: Sequence[int]) -> Bools:
    """Return which units were driven below empty, below their lowest voltage, or turned round, shape (n,)."""
    import numpy as np

    turned = {event.unit for event in record.events if event.kind == "reversed"}
    floor_v = np.array([n * state.chem.num("abs_min_v") for n, state in zip(cells, states, strict=True)])
    low = (depths(record, states) >= BELOW_FRAC) | (record.peaks.low_v < floor_v)
    low |= np.array([name in turned for name in record.ids])
    return np.asarray(low & (np.array(cells) > 0) & (record.ended.time_s > 0.0))


def internal_short(record: Record, states: Sequence[State], cells: Sequence[int]) -> Bools:
    """Return which lithium units were driven so far below empty that they short inside, shape (n,)."""
    import numpy as np

    lithium = np.array([state.chem.kind == "lithium" for state in states])
    deep = depths(record, states) > -SHORTS_AT
    return np.asarray(lithium & deep & below_empty(record, states, cells))


def possible(record: Record) -> Record:
    """Return a record without the moment of collapse, whose currents no bank could give."""
    import numpy as np

    if record.ended.kind != "collapse":
        return record
    before = record.time_s < record.ended.time_s
    names = ("time_s", "volts", "amps", "unit_amps", "unit_volts", "soc_frac", "temperature_c")
    if not before.any():
        last = {name: getattr(record, name)[-1:] for name in names}
        last |= {"amps": np.zeros(1), "unit_amps": np.zeros((1, len(record.ids)))}
        record = replace(record, **last)
    else:
        record = replace(record, **{name: getattr(record, name)[before] for name in names})
    return replace(record, peaks=_without(record.peaks, record.ended.time_s, record))


def _without(peaks: Peaks, time_s: float, record: Record) -> Peaks:
    """Return peaks without those of a moment; where one was at that moment, the records' own stands for it."""
    import numpy as np

    amps, volts, warmth = record.unit_amps, record.unit_volts, record.temperature_c
    rows = {"out_a": np.maximum(amps, 0.0), "in_a": np.maximum(-amps, 0.0), "high_v": volts, "low_v": -volts,
            "hot_c": warmth}  # fmt: skip
    kept = {}
    for name, values in rows.items():
        at = values.argmax(axis=0)
        most = values[at, np.arange(values.shape[1])] * (-1.0 if name == "low_v" else 1.0)
        there = getattr(peaks, f"{name}_s") < time_s
        kept[name] = np.where(there, getattr(peaks, name), most)
        kept[f"{name}_s"] = np.where(there, getattr(peaks, f"{name}_s"), record.time_s[at])
    return Peaks(**kept)
