"""
Copper conductors: resistance from gauge, area or printed table, its temperature, and the voltage a run loses.

Ampacity has its own module; its doors are re-exported here, since who asks for one usually asks for the other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, overload

from hotchpot.electrics._checks import require_finite, require_positive
from hotchpot.electrics.ampacity import ambient_factor, ampacity_band, bundle_factor, iec_ampacity_a, nec_ampacity_a
from hotchpot.electrics.tables import neighbours, table
from hotchpot.errors import InputError
from hotchpot.gauge import awg_area_cmil, awg_area_mm2, awg_diameter_mm

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "ambient_factor",
    "ampacity_band",
    "awg_area_cmil",
    "awg_area_mm2",
    "awg_diameter_mm",
    "bundle_factor",
    "cable_resistance_ohm",
    "copper_factor",
    "iec_60228_ohm_per_km",
    "iec_ampacity_a",
    "iec_annex_a_factor",
    "nec_ampacity_a",
    "nec_ohm_per_kft",
    "voltage_drop",
    "voltage_drop_frac",
]

COPPER_TEMP_COEFF_PER_K = 0.00393  # at 20 °C, IEC 60028
COPPER_OHM_MM2_PER_M = 1.0 / 58.0  # annealed copper at 20 °C, IEC 60028
COPPER_OHM_CMIL_PER_FT = 10.371  # the same copper in NEC's units
STRAND_LAY = 1.02  # a strand is longer than its cable


def copper_factor(conductor_temp_c: float) -> float:
    r"""
    Return how many times its 20 °C resistance a copper conductor has at `conductor_temp_c`.

    Notes
    -----
    .. math:: R_\theta / R_{20} = 1 + \alpha_{20}(\theta - 20), \quad \alpha_{20} = 0.00393\,/\mathrm{K}

    IEC 60028, annealed copper; good between about -50 and 200 °C.

    Examples
    --------
    >>> round(copper_factor(75), 5)
    1.21615
    """
    require_finite(conductor_temp_c=conductor_temp_c)
    factor = 1.0 + COPPER_TEMP_COEFF_PER_K * (conductor_temp_c - 20.0)
    if factor <= 0.0:
        raise InputError.one("conductor_temp_c", f"{conductor_temp_c:g} °C is out of reach", "give -50 to 200")
    return factor


def iec_annex_a_factor(measured_at_c: float) -> float:
    r"""
    Return the factor that brings a resistance measured at `measured_at_c` to 20 °C.

    Notes
    -----
    .. math:: R_{20} = k_t R_t, \quad k_t = 250 / (230 + t)

    IEC 60228:2004, Annex A, copper: the standard's own rounding of the copper law, within 0.4 % of it from 0 to 90 °C.

    Examples
    --------
    >>> round(iec_annex_a_factor(70), 3)
    0.833
    """
    require_finite(measured_at_c=measured_at_c)
    if measured_at_c <= -230.0:
        raise InputError.one("measured_at_c", f"{measured_at_c:g} °C is out of reach", "give -50 to 200")
    return 250.0 / (230.0 + measured_at_c)


def nec_ohm_per_kft(awg: int | str, *, stranded: bool = True, conductor_temp_c: float = 75.0) -> float:
    r"""
    Return the DC resistance of uncoated copper of this gauge, as NEC Chapter 9 Table 8 prints it. [Ω per 1000 ft]

    Notes
    -----
    .. math:: R = 10.371 \cdot [1 + \alpha_{20}(\theta - 20)] \cdot 1000 \cdot s / \mathrm{cmil}

    with lay factor :math:`s` = 1.02 for stranded conductors of 7 or 19 wires and 1 for solid ones. Reproduces the
    table's rows at 75 °C within 0.5 %; finer stranding has a longer lay.

    Examples
    --------
    >>> round(nec_ohm_per_kft("2/0"), 4)
    0.0967
    """
    lay = STRAND_LAY if stranded else 1.0
    return COPPER_OHM_CMIL_PER_FT * copper_factor(conductor_temp_c) * 1000.0 * lay / awg_area_cmil(awg)


def iec_60228_ohm_per_km(area_mm2: float, *, conductor_class: int = 5, tinned: bool = False) -> float:
    """
    Return the largest resistance that IEC 60228:2004 allows a copper conductor at 20 °C. [Ω/km]

    Parameters
    ----------
    area_mm2 : float
        Nominal area, one of the standard's sizes. [mm²]
    conductor_class : int, default 5
        2 for stranded, 5 for flexible; battery leads are class 5 or finer.
    tinned : bool, default False
        Tinned strands; printed here for class 5 only.

    Raises
    ------
    InputError
        If the table has no such row; names the sizes next below and above.

    Examples
    --------
    >>> iec_60228_ohm_per_km(35)
    0.554
    """
    require_positive(area_mm2=area_mm2)
    finish = "tinned" if tinned else "plain"
    rows = {
        float(row["area_mm2"]): float(row["max_ohm_per_km"])
        for row in table("iec_60228")
        if row["conductor_class"] == str(conductor_class) and row["finish"] == finish
    }
    where = f"IEC 60228 class {conductor_class} {finish}"
    if not rows:
        raise InputError.one(where, "no such table here", "class 2 plain, class 5 plain and class 5 tinned are")
    if area_mm2 not in rows:
        raise InputError.one(f"{where}, area_mm2", f"no row for {area_mm2:g}", neighbours(area_mm2, rows))
    return rows[area_mm2]


def cable_resistance_ohm(area_mm2: float, length_m: float, conductor_temp_c: float = 20.0) -> float:
    r"""
    Return the resistance of one copper conductor from its area and length. [Ω]

    Parameters
    ----------
    area_mm2 : float
        Metal area. [mm²]
    length_m : float
        Length of this conductor alone; for a two-wire run give out and back together. [m]
    conductor_temp_c : float, default 20.0
        Temperature of the copper, not of the air. [°C]

    Notes
    -----
    .. math:: R = \frac{\rho_{20} L}{A} [1 + \alpha_{20}(\theta - 20)], \quad \rho_{20} = \tfrac{1}{58}\,
        \Omega\,\mathrm{mm^2/m}

    IEC 60028. Real cables of that nominal area may have 4 to 12 % more (IEC 60228), so this is the safe side for
    fault currents and the hopeful side for voltage drop. Lugs and joints are not included.

    Examples
    --------
    >>> round(cable_resistance_ohm(35, 2) * 1000, 3)
    0.985
    """
    require_positive(area_mm2=area_mm2, length_m=length_m)
    return COPPER_OHM_MM2_PER_M * length_m / area_mm2 * copper_factor(conductor_temp_c)


@overload
def voltage_drop(current_a: float, run_m: float, r20_ohm_per_m: float, *, conductor_temp_c: float = ...) -> float: ...
@overload
def voltage_drop(
    current_a: NDArray[np.float64], run_m: float, r20_ohm_per_m: float, *, conductor_temp_c: float = ...
) -> NDArray[np.float64]: ...
def voltage_drop(
    current_a: float | NDArray[np.float64],
    run_m: float,
    r20_ohm_per_m: float,
    *,
    conductor_temp_c: float = 20.0,
) -> float | NDArray[np.float64]:
    r"""
    Return the voltage lost along a two-wire DC cable run. [V]

    Parameters
    ----------
    current_a : float or ndarray, shape (n,)
        Current, positive on discharge. [A]
    run_m : float
        One-way length; the return wire is added here. [m]
    r20_ohm_per_m : float
        Resistance of one conductor at 20 °C, from its datasheet or `iec_60228_ohm_per_km`. [Ω/m]
    conductor_temp_c : float, default 20.0
        Temperature of the copper, not of the air. [°C]

    Returns
    -------
    float or ndarray, as `current_a`
        Voltage drop, with the sign of the current. [V]

    Raises
    ------
    InputError
        If `run_m` or `r20_ohm_per_m` is not above zero.

    Notes
    -----
    .. math:: \Delta V = 2\,L\,r_{20}\,[1 + \alpha_{20}(\theta - 20)]\,I

    with :math:`\alpha_{20}` = 0.00393 /K (IEC 60028). Steady DC only. Lugs, fuses and breakers are not included.

    Examples
    --------
    100 A, 2 m of 35 mm² class 5 cable, 0.554 Ω/km (IEC 60228), copper at 60 °C:

    >>> round(voltage_drop(100, 2, 0.554e-3, conductor_temp_c=60), 3)
    0.256
    """
    require_positive(run_m=run_m, r20_ohm_per_m=r20_ohm_per_m)
    return 2.0 * run_m * r20_ohm_per_m * copper_factor(conductor_temp_c) * current_a


def voltage_drop_frac(
    current_a: float, run_m: float, r20_ohm_per_m: float, system_v: float, *, conductor_temp_c: float = 20.0
) -> float:
    """
    Return the voltage lost along a two-wire run as a fraction of the system voltage; see `voltage_drop`.

    Examples
    --------
    >>> round(voltage_drop_frac(100, 2, 0.554e-3, 24, conductor_temp_c=60), 4)
    0.0107
    """
    require_positive(system_v=system_v)
    return voltage_drop(current_a, run_m, r20_ohm_per_m, conductor_temp_c=conductor_temp_c) / system_v
