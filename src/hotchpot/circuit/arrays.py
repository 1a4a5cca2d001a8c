"""Units as the arrays that the compiled steps work on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.circuit import layout as at
from hotchpot.circuit.model import LOOP_RATE, UnitModel

if TYPE_CHECKING:
    import numpy as np


@dataclass(slots=True)
class Units:
    """Parameters, tables and first states of units: see `layout` for the rows."""

    ids: tuple[str, ...]
    params: at.Floats
    tables: at.Tables
    first: at.Floats
    switches: np.ndarray


def units_of(models: Sequence[UnitModel], *, warming: bool = True) -> Units:
    """Return units as arrays; with `warming` off their temperatures stay as they begin."""
    import numpy as np

    params = np.zeros((at.P_ROWS, len(models)))
    first = np.zeros((at.X_ROWS, len(models)))
    for k, model in enumerate(models):
        _fill(params[:, k], first[:, k], model)
    switches = np.zeros(at.Z_ROWS, dtype=np.int64)
    switches[at.Z_GAS] = (params[at.GAS_A] > 0.0).any()
    switches[at.Z_RISE] = (params[at.CHARGE_RISE] > 0.0).any()
    switches[at.Z_WELLS] = (params[at.WELL_C] < 1.0).any()
    switches[at.Z_LOOPS] = (params[at.HYST_V] > 0.0).any()
    switches[at.Z_OXYGEN] = (params[at.OXYGEN] > 0.0).any()
    switches[at.Z_WARM] = warming and bool((params[at.HEAT_J_K] > 0.0).all())
    return Units(tuple(model.id for model in models), params, _tables(models), first, switches)


def _fill(p: at.Floats, x: at.Floats, model: UnitModel) -> None:
    p[at.Q_C], p[at.R_OHM], p[at.CELLS] = 3600.0 * model.capacity_ah, model.ohm, model.cells
    for pair, (ohm, tau) in zip(model.pairs, ((at.R1, at.TAU1), (at.R2, at.TAU2)), strict=False):
        p[ohm], p[tau] = pair.ohm, pair.tau_s
    wells = model.wells
    p[at.WELL_C], p[at.WELL_M] = (wells.part, wells.whole) if wells else (1.0, 1.0)
    p[at.WELL_K] = wells.rate_h / 3600.0 if wells else 0.0
    p[at.HYST_V], p[at.HYST_RATE] = model.hysteresis_v, LOOP_RATE
    if model.gas:
        p[at.GAS_A], p[at.GAS_AT_V], p[at.GAS_PER_V] = model.gas.amps, model.gas.at_v, model.gas.per_v
        p[at.GAS_PER_K], p[at.GAS_KEPT_V] = model.gas.per_k, model.gas.kept_v
    p[at.CHARGE_RISE] = model.charge_rise
    p[at.LEAK_A], p[at.LEAK_DOUBLE_K] = model.leak_a, model.leak_double_k
    p[at.DROP_V], p[at.OVER_V] = model.empty_drop_v, model.overcharge_v
    p[at.HEAT_J_K], p[at.COOL_W_K], p[at.ENTROPY_V_K] = model.heat_j_k, model.cooling_w_k, model.entropy_v_k
    p[at.OXYGEN] = 1.0 if model.oxygen else 0.0
    x[at.SOC], x[at.TEMP] = model.soc_frac, model.temperature_c


def _tables(models: Sequence[UnitModel]) -> at.Tables:
    """Return the tables, one row for each kind of unit: those that share a curve and all factors share a row."""
    import numpy as np

    rows: dict[tuple[object, ...], int] = {}
    kind = np.zeros(len(models), dtype=np.int64)
    firsts: list[UnitModel] = []
    for k, model in enumerate(models):
        key = (model.curve, *map(tuple, (model.ohm_by_charge, model.ohm_by_warmth, model.capacity_by_warmth)))
        if key not in rows:
            rows[key] = len(firsts)
            firsts.append(model)
        kind[k] = rows[key]
    charge = np.linspace(0.0, 1.0, at.GRID + 1)
    warmth = np.linspace(at.LOW_C, at.LOW_C + at.WARM_STEPS, at.WARM_STEPS + 1)
    return at.Tables(
        kind,
        np.array([np.stack([_volts(model, charge), _by(model.ohm_by_charge, charge)], axis=1) for model in firsts]),
        np.array([_by(model.ohm_by_warmth, warmth) for model in firsts]),
        np.array([_by(model.capacity_by_warmth, warmth) for model in firsts]),
    )


def _volts(model: UnitModel, charge: at.Floats) -> at.Floats:
    import numpy as np

    return np.interp(charge, model.curve.soc, model.curve.volt)


def _by(points: Sequence[tuple[float, float]], x: at.Floats) -> at.Floats:
    import numpy as np

    if not points:
        return np.ones_like(x)
    return np.interp(x, [p for p, _ in points], [f for _, f in points])
