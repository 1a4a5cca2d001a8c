"""What a run gives: arrays over time, what happened when, why it ended, and whether charge and energy add up."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hotchpot.circuit import layout as at
from hotchpot.circuit.arrays import Units
from hotchpot.circuit.net import Net

if TYPE_CHECKING:
    import numpy as np


_LEAST_PART = 1e-3


@dataclass(frozen=True, slots=True)
class Event:
    """
    Something that happened: its kind, when [s], to which unit or part, and a value that tells more (volts, amps).

    `amps` is what the unit or branch carried just before, where something opened.
    """

    kind: str
    time_s: float
    unit: str | None = None
    value: float | None = None
    amps: float | None = None


@dataclass(frozen=True, slots=True)
class Balance:
    """
    How far charge and energy fail to add up, as fractions of what went through the bank.

    Where next to nothing went through, charge is held against a thousandth of the capacity: numbers have so many
    digits.
    """

    charge_error_frac: float
    energy_error_frac: float


@dataclass(frozen=True, slots=True)
class Ledger:
    """
    Where the energy of each unit went, arrays of shape (n,). [Wh]

    `curve` is what the open-circuit curve gave up, net; `out` what left at the terminals, net; then what was lost in
    the resistance and in the slow pairs, beside the main reaction (gas and self-discharge), and to hysteresis,
    over-discharge and warmth. `links` is the bank's cables and bars, `taps` what was drawn between.
    """

    curve: np.ndarray
    out: np.ndarray
    resistance: np.ndarray
    pairs: np.ndarray
    side: np.ndarray
    extra: np.ndarray
    links: float
    taps: float


@dataclass(frozen=True, slots=True)
class Peaks:
    """
    The extremes of every unit and when they were, arrays of shape (n,). [A], [V], [°C], [s]

    Looked at just before and just after every change of the drive and every event, and at every record: a peak between
    two records is not missed.
    """

    out_a: np.ndarray
    out_a_s: np.ndarray
    in_a: np.ndarray
    in_a_s: np.ndarray
    high_v: np.ndarray
    high_v_s: np.ndarray
    low_v: np.ndarray
    low_v_s: np.ndarray
    hot_c: np.ndarray
    hot_c_s: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """
    A run.

    Shapes: `time_s`, `volts`, `amps` (t,); `unit_amps`, `unit_volts`, `soc_frac`, `temperature_c` (t, n). Amps are
    positive on discharge. `out_ah`, `in_ah`, `gas_ah`, `under_ah` (n,): charge given, taken, gassed, and drawn beyond
    empty. `bank_out_wh`, `bank_in_wh` count the bank's terminals.
    """

    ids: tuple[str, ...]
    time_s: np.ndarray
    volts: np.ndarray
    amps: np.ndarray
    unit_amps: np.ndarray
    unit_volts: np.ndarray
    soc_frac: np.ndarray
    temperature_c: np.ndarray
    ended: Event
    events: tuple[Event, ...]
    balance: Balance
    ledger: Ledger
    out_ah: np.ndarray
    in_ah: np.ndarray
    gas_ah: np.ndarray
    under_ah: np.ndarray
    bank_out_ah: float
    bank_in_ah: float
    bank_out_wh: float
    bank_in_wh: float
    peaks: Peaks
    unmet_wh: float = 0.0
    marks: dict[str, dict[str, str]] = field(default_factory=dict)

    def first(self, kind: str) -> Event | None:
        """Return the first event of a kind, or None."""
        return next((event for event in self.events if event.kind == kind), None)


def balance_of(units: Units, net: Net, state: at.Floats, sums: at.Floats) -> tuple[Balance, Ledger]:
    r"""
    Hold the sums of a run against each other.

    Charge: every unit's change of charge against what its main reaction carried; the charge through every parallel
    node against that of its branches, and along every string from unit to unit; the whole against the bank's. Energy:
    what the curves gave, integrated over charge exactly, against terminals, resistances, pairs, side currents and
    links, which were summed over time.
    """
    import numpy as np

    p, x0, x = units.params, units.first, state
    net_c = x[at.OUT_C] - x[at.IN_C]
    through = float(np.maximum(x[at.OUT_C] + x[at.IN_C], _LEAST_PART * p[at.Q_C]).max())
    drawn = (x0[at.SOC] - x[at.SOC]) * p[at.Q_C]
    error = float(np.abs(drawn - x[at.MAIN_C]).max())
    if not net.is_mesh:
        error = max(error, _nodes_error(net_c, net.tree, float(sums[at.S_CHARGE])))
    given = _curve_j(units, x0[at.SOC]) - _curve_j(units, x[at.SOC])
    lost = x[at.E_R0] + x[at.E_PAIRS] + x[at.E_SIDE] - x[at.E_EXTRA]
    out = float(sums[at.S_ENERGY] + sums[at.S_LINKS] + sums[at.S_TAPS])
    missing = abs(float((given - lost).sum()) - out)
    moved = float((np.abs(x[at.E_OUT]) + np.abs(given)).sum() + x[at.E_R0].sum())
    ledger = Ledger(
        given / 3600.0,
        x[at.E_OUT] / 3600.0,
        x[at.E_R0] / 3600.0,
        x[at.E_PAIRS] / 3600.0,
        x[at.E_SIDE] / 3600.0,
        -x[at.E_EXTRA] / 3600.0,
        float(sums[at.S_LINKS]) / 3600.0,
        float(sums[at.S_TAPS]) / 3600.0,
    )
    return Balance(error / through, missing / moved if moved > 0.0 else 0.0), ledger


def _nodes_error(net_c: at.Floats, tree: at.Tree, bank_c: float) -> float:
    """Return by how much the charges of a tree's branches fail to meet at any of its nodes. [C]"""
    charge: list[float] = net_c.tolist()
    worst = 0.0
    for a, b, _, what in tree.inner.T.tolist():
        parts = [charge[k] for k in tree.kids[a:b].tolist()]
        if what == at.SERIES:
            worst = max(worst, max(parts) - min(parts))
            charge.append(parts[0])
        else:
            charge.append(math.fsum(parts))
    return max(worst, abs(charge[-1] - bank_c))


def _curve_j(units: Units, soc: at.Floats) -> at.Floats:
    """Return the energy below each unit's curve up to its charge, exactly, the ends held. [J]"""
    import numpy as np

    tables, kind = units.tables.by_charge[:, :, 0], units.tables.kind
    steps = np.zeros_like(tables)
    np.cumsum(0.5 * (tables[:, 1:] + tables[:, :-1]), axis=1, out=steps[:, 1:])
    inside = np.clip(np.nan_to_num(soc), 0.0, 1.0) * at.GRID
    j = np.minimum(inside.astype(np.int64), at.GRID - 1)
    part, low = inside - j, tables[kind, j]
    volts = low + 0.5 * part * (tables[kind, j + 1] - low)
    area = (steps[kind, j] + part * volts) / at.GRID
    area += np.maximum(soc - 1.0, 0.0) * tables[kind, -1] + np.minimum(soc, 0.0) * tables[kind, 0]
    return np.asarray(area * units.params[at.CELLS] * units.params[at.Q_C])
