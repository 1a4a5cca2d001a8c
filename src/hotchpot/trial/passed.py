"""
What a run has driven a unit beyond: its highest voltage, empty, the charge at which lithium shorts inside.

The same tests serve a trial's findings and the chances of a study. All is held against the cells that are alive: a
shorted one has no voltage, neither to allow nor to keep.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hotchpot.bench.state import State
from hotchpot.circuit.record import Peaks, Record
from hotchpot.trial.allowed import FLOWS_C, NO_LIMIT_A, OVER_FRAC, highest, hottest, rows_beside

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

SHORTS_AT = -0.12  # charge of a lithium unit; chemistry data, overdischarge
BELOW_FRAC = 0.01  # less than this part of its capacity below empty is the end of a discharge, not a reversal
WARMTH_DIGITS = 2  # of a kelvin, where it is held against a limit


@dataclass(frozen=True, slots=True)
class Hardest:
    """Each unit's current nearest its limit, that limit, when it was and how warm it then was, arrays (n,)."""

    amps: Floats
    limit: Floats
    time_s: Floats
    temperature_c: Floats


def live_cells(state: State, shorted: Collection[str], gone: Collection[str] = ()) -> int:
    """Return how many cells of a unit have a voltage that counts: one fewer if one shorted, none if it is cut out."""
    return 0 if state.unit.id in gone else state.unit.cells - (state.unit.id in shorted)


def charge_limits(record: Record, states: Sequence[State]) -> Floats:
    """
    Return what each unit may take as warm as it is at every record, shape (t, n). [A]

    The limit is the judge's (`State.charge_limit_at`), at the temperature to a hundredth of a kelvin. It rises with
    warmth up to a middle and falls from there, so that a unit whose limit is the same at its coldest and its hottest
    has at least that in between.
    """
    import numpy as np

    limits = np.empty(record.temperature_c.shape)
    for k, (state, warmth) in enumerate(zip(states, record.temperature_c.T, strict=True)):
        ends = [state.charge_limit_at(round(float(t), WARMTH_DIGITS)) for t in (warmth.min(), warmth.max())]
        if ends[0] == ends[1]:
            limits[:, k] = ends[0]
            continue
        known, which = np.unique(np.round(warmth, WARMTH_DIGITS), return_inverse=True)
        limits[:, k] = np.array([state.charge_limit_at(t) for t in known.tolist()])[which]
    return limits


def hardest_charge(record: Record, states: Sequence[State]) -> Hardest:
    """
    Return each unit's charge current that passes what it may take just then by most, or comes nearest to it.

    Looked at: every record, and the run's own peak, which may lie between two records and is then held against the
    lower limit of both. A current that is next to none passes nothing.
    """
    import numpy as np

    limits, into, peaks = charge_limits(record, states), np.maximum(-record.unit_amps, 0.0), record.peaks
    least = np.array([FLOWS_C * state.capacity_ah.value for state in states])
    each = np.arange(len(states))
    at = np.where(into >= least, into / np.maximum(limits, NO_LIMIT_A), 0.0).argmax(axis=0)
    before, later = rows_beside(record, peaks.in_a_s)
    lower = np.where(limits[later, each] < limits[before, each], later, before)
    peak_limit, own, own_limit = limits[lower, each], into[at, each], limits[at, each]
    ratio = np.where(own >= least, own / np.maximum(own_limit, NO_LIMIT_A), 0.0)
    peak_ratio = np.where(peaks.in_a >= least, peaks.in_a / np.maximum(peak_limit, NO_LIMIT_A), 0.0)
    is_peak = peak_ratio >= ratio
    return Hardest(
        np.where(is_peak, peaks.in_a, own),
        np.where(is_peak, peak_limit, own_limit),
        np.where(is_peak, peaks.in_a_s, record.time_s[at]),
        record.temperature_c[np.where(is_peak, lower, at), each],
    )


def charged_cold_ah(record: Record, states: Sequence[State]) -> tuple[Floats, Bools]:
    """
    Return how much charge went into each unit below the temperature its chemistry may be charged at, and when. [Ah]

    Shapes (n,) and (t, n). On the safe side between two records: where a unit is too cold at either end of a stretch
    the larger of both currents counts for all of it, and charge that the records do not show, such as a pulse between
    two of them, counts as taken in the cold. Currents that are next to none are left out.
    """
    import numpy as np

    least = np.array([FLOWS_C * state.capacity_ah.value for state in states])
    lowest = np.array([float(state.chem.row("charge_t")[0]) for state in states])
    into = np.maximum(-record.unit_amps, 0.0)
    cold = np.round(record.temperature_c, WARMTH_DIGITS) < lowest
    if not cold.any():
        return np.zeros(len(states)), cold
    hours = np.diff(record.time_s)[:, None] / 3600.0
    most = np.maximum(into[1:], into[:-1])
    hidden = np.maximum(0.0, record.in_ah - (most * hours).sum(axis=0))
    kept = np.where((cold[1:] | cold[:-1]) & (most >= least), most * hours, 0.0).sum(axis=0)
    taken = np.where(cold.any(axis=0), kept + hidden, 0.0)
    return np.minimum(taken, record.in_ah), cold & (into >= least)


def off_spans(record: Record) -> list[tuple[float, float]]:
    """Return from when to when the loads were off. [s]"""
    found: list[tuple[float, float]] = []
    since: float | None = None
    for event in record.events:
        if event.kind == "loads-off" and since is None:
            since = event.time_s
        elif event.kind == "loads-on" and since is not None:
            found.append((since, event.time_s))
            since = None
    return found if since is None else [*found, (since, record.ended.time_s)]


def depths(record: Record, states: Sequence[State]) -> Floats:
    """
    Return how far each unit was driven below empty, as a part of its capacity, shape (n,).

    What was drawn beyond its own empty, which lies below a charge of nought where it is warm; but no more than it is
    below nought: what cold or a high rate holds back is still there. A unit that is reversed by its own voltage is past
    empty whatever is held back: all that is then forced through it counts.
    """
    import numpy as np

    capacity_ah = np.array([state.capacity_ah.value for state in states])
    by_charge = np.minimum(record.under_ah / capacity_ah, -record.soc_frac.min(axis=0))
    return np.asarray(np.maximum(0.0, np.maximum(by_charge, _reversed_ah(record) / capacity_ah)))


def _reversed_ah(record: Record) -> Floats:
    """
    Return what was forced through units while their voltage was turned round, shape (n,). [Ah]

    Between two records on the safe side: turned round at either end counts for the whole stretch, at the larger of both
    currents; never more than was drawn beyond empty.
    """
    import numpy as np

    turned, out = record.unit_volts < 0.0, np.maximum(record.unit_amps, 0.0)
    if not turned.any():
        return np.zeros(len(record.ids))
    moved = np.maximum(out[1:], out[:-1]) * np.diff(record.time_s)[:, None] / 3600.0
    return np.asarray(np.minimum(np.where(turned[1:] | turned[:-1], moved, 0.0).sum(axis=0), record.under_ah))


def volts_of_max(record: Record, states: Sequence[State], cells: Sequence[int], *, compensated: bool = False) -> Floats:
    """
    Return each unit's voltage over what its live cells may have as warm as it then is, the highest, shape (n,).

    Nought where none lives. `compensated` says whether the charger's volts follow the temperature.
    """
    import numpy as np

    most = highest(record, states, cells, compensated=compensated)
    return np.where(most.limit > 0.0, most.value / np.where(most.limit > 0.0, most.limit, 1.0), 0.0)


def over_voltage(record: Record, states: Sequence[State], cells: Sequence[int], *, compensated: bool = False) -> Bools:
    """Return which units were above their highest voltage, shape (n,)."""
    return volts_of_max(record, states, cells, compensated=compensated) > 1.0 + OVER_FRAC


def too_hot(record: Record, states: Sequence[State]) -> Bools:
    """Return which units were hotter than they may be, giving or taking, shape (n,)."""
    import numpy as np

    most = hottest(record, states)
    return np.asarray(most.value > most.limit)


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
