"""
What a unit may reach at the moment it does: the highest temperature, giving or taking, and the highest charge voltage.

A trial's findings and the chances of a study are both held against these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bank.rules.charging import VOLT_TOLERANCE, compensation_v
from hotchpot.bench.state import State
from hotchpot.circuit.record import Record

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Places = NDArray[np.intp]

FLOWS_C = 1e-3  # a current below this part of the capacity per hour is none
OVER_FRAC = 1e-3  # so far above the highest voltage is a matter of digits
NO_LIMIT_A = 1e-9  # stands for a limit of nought in a ratio


@dataclass(frozen=True, slots=True)
class Reached:
    """Each unit's value furthest above, or nearest, its limit of that moment; that limit; when it was; arrays (n,)."""

    value: Floats
    limit: Floats
    time_s: Floats


def rows_beside(record: Record, time_s: Floats) -> tuple[Places, Places]:
    """Return the records before and after moments; both are the same where a moment is a record's own, shapes (n,)."""
    import numpy as np

    before = np.clip(np.searchsorted(record.time_s, time_s, side="right") - 1, 0, len(record.time_s) - 1)
    later = np.where(record.time_s[before] == time_s, before, np.minimum(before + 1, len(record.time_s) - 1))
    return before, later


def taking(record: Record, states: Sequence[State]) -> Bools:
    """Return where units take a current that matters, shape (t, n)."""
    import numpy as np

    least = np.array([FLOWS_C * state.capacity_ah.value for state in states])
    return np.asarray(-record.unit_amps >= least)


def hottest(record: Record, states: Sequence[State]) -> Reached:
    """
    Return each unit's temperature that passes its limit of that moment by most, or comes nearest to it. [°C]

    The limit is the chemistry's: of charge while the unit takes current, else of discharge. The run's own peak may lie
    between two records, and is then held to the lower limit of both.
    """
    import numpy as np

    tops = {name: np.array([float(s.chem.row(name)[1]) for s in states]) for name in ("charge_t", "discharge_t")}
    limits = np.where(taking(record, states), np.minimum(tops["charge_t"], tops["discharge_t"]), tops["discharge_t"])
    return _worst(record, record.temperature_c, limits, (record.peaks.hot_c, record.peaks.hot_c_s))


def highest(record: Record, states: Sequence[State], cells: Sequence[int], *, compensated: bool) -> Reached:
    """Return each unit's voltage that passes what its live cells may then have by most, or comes nearest. [V]"""
    limits = volt_limits(record, states, cells, compensated=compensated)
    return _worst(record, record.unit_volts, limits, (record.peaks.high_v, record.peaks.high_v_s))


def volt_limits(record: Record, states: Sequence[State], cells: Sequence[int], *, compensated: bool) -> Floats:
    """
    Return the highest charge voltage of each unit's live cells as warm as it is at every record, shape (t, n). [V]

    By the chemistry's own coefficient, as the judge compensates: lower where it is warmer than 25 °C; higher in the
    cold only where the charger is compensated, and then by the judge's tolerance more, as a charger feels one
    temperature for all units.
    """
    import numpy as np

    limits = np.empty(record.temperature_c.shape)
    for k, (state, count, warmth) in enumerate(zip(states, cells, record.temperature_c.T, strict=True)):
        top = state.chem.num("charge_max_v")
        per_k = 0.0 if state.chem.kind == "lithium" else compensation_v(state, top, 26.0)
        moved = per_k * (warmth - 25.0)
        if per_k:
            moved = moved + VOLT_TOLERANCE if compensated else np.minimum(moved + VOLT_TOLERANCE, 0.0)
        limits[:, k] = count * (top + moved)
    return limits


def _worst(record: Record, values: Floats, limits: Floats, peak: tuple[Floats, Floats]) -> Reached:
    """Return of each unit the value furthest above its limit, of the records and the run's own peak."""
    import numpy as np

    each = np.arange(values.shape[1])
    row = (values - limits).argmax(axis=0)
    peak_value, peak_s = peak
    before, later = rows_beside(record, peak_s)
    peak_limit = np.minimum(limits[before, each], limits[later, each])
    is_peak = peak_value - peak_limit >= values[row, each] - limits[row, each]
    return Reached(
        np.where(is_peak, peak_value, values[row, each]),
        np.where(is_peak, peak_limit, limits[row, each]),
        np.where(is_peak, peak_s, record.time_s[row]),
    )
