"""
Hydrogen from charging: how much a current makes, how much air thins it, how far a spark must stay away.

The ventilation rules are those of IEC 62485-2 (EN 50272-2) for stationary batteries, read second hand; check the
edition in force, and let a licensed person decide for a room that people use. Lithium cells make no gas in service
and have no row here; what they vent when they fail is beyond any of these rules.
"""

from __future__ import annotations

import math

from hotchpot.electrics._checks import require_finite, require_not_negative, require_positive
from hotchpot.errors import InputError

FARADAY_C_PER_MOL = 96485.33212  # CODATA 2018
GAS_J_PER_MOL_K = 8.314462618  # CODATA 2018
WATER_G_PER_MOL = 18.01528
ATMOSPHERE_PA = 101325.0
ZERO_C_K = 273.15
LOWER_EXPLOSIVE_FRAC = 0.04  # hydrogen in air, by volume
STANDARD_HYDROGEN_M3_PER_AH = 0.42e-3  # per cell, rounded up from 0 °C
STANDARD_SAFETY = 5.0
VENTILATION_M3_PER_AH = 0.05  # 24 · 0.42e-3 · 5, as the standard rounds it
OPENING_CM2_PER_M3_H = 28.0  # air at 0.1 m/s through an inlet and an outlet
FREE_VOLUME_H = 2.5
SPARK_MM = 28.8
GASSING_REFERENCE_V = 2.23
GASSING_REFERENCE_C = 25.0


def hydrogen_mol_per_ah() -> float:
    """
    Return the hydrogen that one amp-hour of overcharge makes in one cell: 3600 / 2F. [mol/Ah]

    Examples
    --------
    >>> round(hydrogen_mol_per_ah(), 6)
    0.018656
    """
    return 3600.0 / (2.0 * FARADAY_C_PER_MOL)


def hydrogen_l_per_ah(temperature_c: float = 0.0) -> float:
    r"""
    Return the hydrogen that one amp-hour of overcharge makes in one cell, at 101.325 kPa. [L/Ah]

    Notes
    -----
    .. math:: v = \frac{3600}{2F} \cdot \frac{R\,T}{p}

    Faraday's law and the ideal gas law. All current splits water: true for a full vented cell; sealed cells recombine
    most of it.

    Examples
    --------
    >>> round(hydrogen_l_per_ah(0), 3), round(hydrogen_l_per_ah(25), 3)
    (0.418, 0.456)
    """
    return 1000.0 * hydrogen_mol_per_ah() * _molar_volume_m3(temperature_c)


def oxygen_l_per_ah(temperature_c: float = 0.0) -> float:
    """
    Return the oxygen that one amp-hour of overcharge makes in one cell: half the hydrogen. [L/Ah]

    Examples
    --------
    >>> round(oxygen_l_per_ah(0), 3)
    0.209
    """
    return hydrogen_l_per_ah(temperature_c) / 2.0


def water_g_per_ah() -> float:
    """
    Return the water that one amp-hour of overcharge splits in one cell: one molecule for each of hydrogen. [g/Ah]

    Examples
    --------
    >>> round(water_g_per_ah(), 3)
    0.336
    """
    return hydrogen_mol_per_ah() * WATER_G_PER_MOL


def hydrogen_flow_l_per_h(cells: int, gassing_a: float, *, temperature_c: float = 25.0) -> float:
    """
    Return the hydrogen that `cells` in series make while `gassing_a` splits water in each of them. [L/h]

    Examples
    --------
    24 cells, 25 A:

    >>> round(hydrogen_flow_l_per_h(24, 25))
    274
    """
    _require_cells(cells)
    require_not_negative(gassing_a=gassing_a)
    return cells * gassing_a * hydrogen_l_per_ah(temperature_c)


def gassing_current_a(
    cell_v: float,
    capacity_ah: float,
    *,
    temperature_c: float = 25.0,
    i_g0_ma_per_100ah: float = 20.0,
    c_u_per_v: float = 11.0,
    c_t_per_k: float = 0.06,
) -> float:
    r"""
    Return the current that splits water in a lead-acid cell held at `cell_v`. [A]

    Parameters
    ----------
    cell_v : float
        Voltage of the cell. [V]
    capacity_ah : float
        Rated capacity. [Ah]
    temperature_c : float, default 25.0
        Temperature of the electrolyte. [°C]
    i_g0_ma_per_100ah : float, default 20.0
        At 2.23 V and 25 °C: 20 for new antimonial plates, 10 for sealed, five times that or more when aged. [mA/100 Ah]
    c_u_per_v, c_t_per_k : float
        Growth with voltage and temperature; also in each lead chemistry's data as ``gas_cu`` and ``gas_ct``.

    Notes
    -----
    .. math:: I_g = \frac{Q}{100} I_{g0} \exp[c_u (U - 2.23) + c_T (\theta - 25)]

    Schiffer, Sauer et al., J. Power Sources 168 (2007) 66-78. The value 11 /V is from memory; it makes a decade of
    current per 0.209 V, beside the 0.2 V that Kunze (1994) gives. A makers' rule of doubling per 8 °C is steeper than
    0.06 /K: pass ``c_t_per_k=math.log(2) / 8`` to be on its side.

    Examples
    --------
    >>> round(gassing_current_a(2.40, 100), 2)
    0.13
    """
    require_finite(cell_v=cell_v, temperature_c=temperature_c, c_u_per_v=c_u_per_v, c_t_per_k=c_t_per_k)
    require_positive(capacity_ah=capacity_ah, i_g0_ma_per_100ah=i_g0_ma_per_100ah)
    growth = c_u_per_v * (cell_v - GASSING_REFERENCE_V) + c_t_per_k * (temperature_c - GASSING_REFERENCE_C)
    return capacity_ah / 100.0 * i_g0_ma_per_100ah / 1000.0 * math.exp(growth)


def i_gas_ma_per_ah(
    current_ma_per_ah: float, *, emission_factor: float, safety_factor: float = STANDARD_SAFETY
) -> float:
    """
    Return the gas current of the ventilation rule: charging current × emission factor × safety factor. [mA/Ah]

    Parameters
    ----------
    current_ma_per_ah : float
        Float or boost current of the full battery: vented lead 1 and 4, sealed lead 1 and 8, vented NiCd 1 and 10.
    emission_factor : float
        Share of the gas that leaves the cell: 1 vented, 0.2 sealed.
    safety_factor : float, default 5.0
        For a faulty cell and an aged battery.

    Examples
    --------
    Vented lead on boost:

    >>> i_gas_ma_per_ah(4, emission_factor=1)
    20.0
    """
    require_positive(current_ma_per_ah=current_ma_per_ah, emission_factor=emission_factor, safety_factor=safety_factor)
    return current_ma_per_ah * emission_factor * safety_factor


def dilution(limit_frac: float = LOWER_EXPLOSIVE_FRAC) -> float:
    """
    Return the volumes of air that bring one volume of hydrogen down to `limit_frac`.

    Examples
    --------
    >>> round(dilution(0.04))
    24
    """
    if not 0.0 < limit_frac < 1.0:
        raise InputError.one("limit_frac", f"must lie between 0 and 1; got {limit_frac:g}", "hydrogen burns from 0.04")
    return (1.0 - limit_frac) / limit_frac


def ventilation_m3_per_h(cells: int, i_gas_ma_per_ah: float, capacity_ah: float) -> float:
    r"""
    Return the air flow that a charging battery needs. [m³/h]

    Parameters
    ----------
    cells : int
        Cells in series; for parallel strings add their flows.
    i_gas_ma_per_ah : float
        Gas current of the rule: vented lead 5 float and 20 boost, sealed 1 and 8, vented NiCd 5 and 50. [mA/Ah]
    capacity_ah : float
        C10 capacity for lead, C5 for nickel. [Ah]

    Notes
    -----
    .. math:: Q = 0.05 \, n \, I_\mathrm{gas} \, C_\mathrm{rt} \cdot 10^{-3}

    EN 50272-2 / IEC 62485-2 clause 7; 0.05 is dilution 24 × 0.42e-3 m³/Ah × safety 5. Newer traction rules print 0.055
    (25 °C instead of 0 °C). Up to 40 °C; warmer batteries gas more.

    Examples
    --------
    12 cells, vented, boost, 400 Ah:

    >>> round(ventilation_m3_per_h(12, 20, 400), 1)
    4.8
    """
    _require_cells(cells)
    require_positive(i_gas_ma_per_ah=i_gas_ma_per_ah, capacity_ah=capacity_ah)
    return VENTILATION_M3_PER_AH * cells * i_gas_ma_per_ah * capacity_ah * 1e-3


def opening_cm2(q_m3_per_h: float) -> float:
    """
    Return the free area of inlet and of outlet, each, for natural ventilation: A = 28 Q (EN 50272-2). [cm²]

    Examples
    --------
    >>> round(opening_cm2(4.8))
    134
    """
    require_not_negative(q_m3_per_h=q_m3_per_h)
    return OPENING_CM2_PER_M3_H * q_m3_per_h


def free_volume_m3(q_m3_per_h: float) -> float:
    """
    Return the free room volume that goes with natural openings: V = 2.5 Q (EN 50272-2). [m³]

    Examples
    --------
    >>> free_volume_m3(12)
    30.0
    """
    require_not_negative(q_m3_per_h=q_m3_per_h)
    return FREE_VOLUME_H * q_m3_per_h


def spark_distance_mm(i_gas_ma_per_ah: float, capacity_ah: float) -> float:
    r"""
    Return how far sparks and glowing parts must stay from a cell's vent. [mm]

    Notes
    -----
    .. math:: d = 28.8 \, \sqrt[3]{I_\mathrm{gas}} \, \sqrt[3]{C_\mathrm{rt}}

    IEC 62485-2, from memory. Through air, for one cell's vent; not through a wall.

    Examples
    --------
    >>> round(spark_distance_mm(20, 400))
    576
    """
    require_positive(i_gas_ma_per_ah=i_gas_ma_per_ah, capacity_ah=capacity_ah)
    return float(SPARK_MM * (i_gas_ma_per_ah * capacity_ah) ** (1.0 / 3.0))


def _molar_volume_m3(temperature_c: float) -> float:
    require_finite(temperature_c=temperature_c)
    if temperature_c <= -ZERO_C_K:
        raise InputError.one("temperature_c", f"{temperature_c:g} °C is below absolute zero", "give degrees Celsius")
    return GAS_J_PER_MOL_K * (temperature_c + ZERO_C_K) / ATMOSPHERE_PA


def _require_cells(cells: int) -> None:
    if cells < 1:
        raise InputError.one("cells", f"must be one or more; got {cells}", "count the cells in series")
