r"""
Capacity and temperature: the printed corrections, each by its own name, and the one that the bench uses.

The printed ones differ in what they refer to and at which temperature they are one: IEEE 485 and 450 multiply a
*current* and refer to 77 °F (25 °C); one maker's running time refers to 27 °C, or to 80 °F in its other form. They are
not mixed: each keeps its own reference. The bench's own reference is 25 °C.
"""

from __future__ import annotations

import csv
import math
from functools import cache
from importlib import resources

from hotchpot.chemistry import TEMPERATURE_GRID_C, Chemistry, interpolate
from hotchpot.electrics._checks import require_finite, require_positive
from hotchpot.errors import InputError
from hotchpot.measure import Basis, Measure

REFERENCE_C = 25.0

# Lead: share of the capacity lost per kelvin, slow (10 h and slower) and fast (3 h and faster).
LEAD_SLOW_PER_K, LEAD_FAST_PER_K = 0.006, 0.010
LEAD_SLOW_H, LEAD_FAST_H = 10.0, 3.0
LEAD_SOURCE = "maker's manual (vela): 0.006 /K at C20 and C10, 0.010 /K at C3 and C1, about 25 °C"

# Limit of error of the correction, as a share of it. Guess, from how far printed coefficients of one kind lie apart:
# lead 0.006 is printed to one figure; lithium iron phosphate at -20 °C is printed from 0.44 to 0.55.
CORRECTION_LIMIT_FRAC = 1.0 / 6.0

_SMOOTH_C = (-20.0, 60.0)
_RUNTIME_C, _RUNTIME_F = (24.0, 32.0), (75.2, 89.6)


def capacity_factor(chem: Chemistry, temperature_c: float, *, hours: float) -> Measure:
    r"""
    Return capacity at `temperature_c` over capacity at 25 °C, at the same current.

    Parameters
    ----------
    chem : Chemistry
        Lead goes by its coefficient, everything else by its file's ``capacity_t_slow``.
    temperature_c : float
        Of the cells, not of the air; held to −20..40 °C, where the tables end. [°C]
    hours : float
        Length of the run. [h]

    Returns
    -------
    Measure
        The factor; its doubt is that of the printed coefficients, limits of a sixth of the correction taken as
        rectangular. The doubt of the temperature is not in it.

    Raises
    ------
    InputError
        If the temperature is not a number, or `hours` is not above zero.

    Notes
    -----
    .. math:: Q_{25} = Q_\theta / f, \qquad f = 1 + k\,(\theta - 25)

    for lead, with k 0.006 /K from 10 h up and 0.010 /K up to 3 h [1]_; between, straight on the logarithm of the hours
    (ours). Others: straight between the points of the chemistry's file, at any rate.

    References
    ----------
    .. [1] A lead-acid maker's manual, key ``vela`` of the chemistry files' sources.

    Examples
    --------
    >>> from hotchpot.chemistry import chemistry
    >>> capacity_factor(chemistry("lead_agm"), 10.0, hours=20).value
    0.91
    """
    require_finite(temperature_c=temperature_c)
    require_positive(hours=hours)
    held = min(max(temperature_c, TEMPERATURE_GRID_C[0]), TEMPERATURE_GRID_C[-1])
    if chem.kind == "lead":
        factor = 1.0 + lead_coefficient_per_k(hours) * (held - REFERENCE_C)
    else:
        factor = chem.at_temperature("capacity_t_slow", held)
    return Measure(factor, CORRECTION_LIMIT_FRAC * abs(factor - 1.0) / math.sqrt(3.0), Basis.ASSUMED)


def lead_coefficient_per_k(hours: float) -> float:
    """
    Return the share of capacity that lead loses per kelvin below 25 °C in a run of `hours`. [1/K]

    Examples
    --------
    >>> lead_coefficient_per_k(20), lead_coefficient_per_k(1)
    (0.006, 0.010)
    """
    points = (math.log(LEAD_FAST_H), math.log(LEAD_SLOW_H))
    return interpolate(math.log(hours), points, (LEAD_FAST_PER_K, LEAD_SLOW_PER_K))


def beyond_table(temperature_c: float) -> bool:
    """Tell whether a temperature lies where `capacity_factor` only holds its last value."""
    return not TEMPERATURE_GRID_C[0] <= temperature_c <= TEMPERATURE_GRID_C[-1]


@cache
def ieee_485_table() -> tuple[tuple[float, float, str, str], ...]:
    """Return every row of the printed table: temperature [°F], K_T, source, grade."""
    text = resources.files("hotchpot.bench").joinpath("data", "ieee485_kt.csv").read_text("utf-8")
    rows = csv.DictReader(text.splitlines())
    return tuple((float(r["temperature_f"]), float(r["k_t"]), r["source"], r["grade"]) for r in rows)


def kt_ieee_485(temperature_f: float) -> float:
    """
    Return the temperature factor K_T of a vented lead-acid cell's current; 1 at 77 °F.

    Parameters
    ----------
    temperature_f : float
        Of the electrolyte, 25 to 125 °F; straight between the printed rows. [°F]

    Raises
    ------
    InputError
        Outside the table. Its rows at 25, 30, 35 and 125 °F are from memory.

    Notes
    -----
    IEEE 485 Table 1 (second hand). It corrects a current at the same running time; it is not the factor of the
    capacity at the same current.

    Examples
    --------
    >>> kt_ieee_485(62.5)
    1.095
    """
    rows = ieee_485_table()
    _within("temperature_f", temperature_f, (rows[0][0], rows[-1][0]), "°F", "the table ends there")
    return interpolate(temperature_f, [row[0] for row in rows], [row[1] for row in rows])


def kt_ieee_485_smooth(temperature_c: float) -> float:
    r"""
    Return K_T as a polynomial, for use between and beyond the table's rows; 0.9995 at 25 °C.

    Parameters
    ----------
    temperature_c : float
        Of the electrolyte, −20 to 60 °C (a project rule: the source states no range). [°C]

    Raises
    ------
    InputError
        Outside that range.

    Notes
    -----
    .. math:: K_T = -2.8117 x^3 + 4.1916 x^2 - 2.4941 x + 1.405, \qquad x = \theta / 100

    as a forum of the trade quotes it; that x is in hundreds of degrees Celsius is inferred, because it then meets the
    table within 0.01.

    Examples
    --------
    >>> kt_ieee_485_smooth(4.4)
    1.303
    """
    _within("temperature_c", temperature_c, _SMOOTH_C, "°C", "the polynomial is not used beyond")
    x = temperature_c / 100.0
    return ((-2.8117 * x + 4.1916) * x - 2.4941) * x + 1.405


def current_ieee_450_a(rated_a: float, temperature_f: float) -> float:
    """
    Return the current for a rate-adjusted capacity test: rated current over K_T. [A]

    The test's running time over the rated time is then the capacity, with no further correction
    (`capacity_frac_ieee_450`). IEEE 450-2002, rate-adjusted method, read in a maker's manual. The standard's
    time-adjusted method has a table of its own that was not seen, so it is not offered.

    Examples
    --------
    >>> current_ieee_450_a(100.0, 60.0)
    90.09
    """
    require_positive(rated_a=rated_a)
    return rated_a / kt_ieee_485(temperature_f)


def capacity_frac_ieee_450(test_hours: float, rated_hours: float) -> float:
    """
    Return the capacity that a rate-adjusted test found, over the rated: time run over time rated.

    Examples
    --------
    >>> capacity_frac_ieee_450(6.8, 8.0)
    0.85
    """
    require_positive(test_hours=test_hours, rated_hours=rated_hours)
    return test_hours / rated_hours


def runtime_at_27c_min(run_min: float, temperature_c: float) -> float:
    """
    Return the minutes that a run at `temperature_c` would have lasted at 27 °C. [min]

    M = M_run [1 − 0.009 (θ − 27)], 24 to 32 °C; a flooded battery maker's user guide. Not the same as the guide's
    Fahrenheit form, which refers to 80 °F = 26.7 °C and has a slope of its own.

    Raises
    ------
    InputError
        Outside that range.

    Examples
    --------
    >>> runtime_at_27c_min(100.0, 30.0)
    97.3
    """
    _within("temperature_c", temperature_c, _RUNTIME_C, "°C", "the guide gives the form for this range")
    return run_min * (1.0 - 0.009 * (temperature_c - 27.0))


def runtime_at_80f_min(run_min: float, temperature_f: float) -> float:
    """
    Return the minutes that a run at `temperature_f` would have lasted at 80 °F. [min]

    M = M_run [1 − 0.005 (θ − 80)], 75.2 to 89.6 °F; source as `runtime_at_27c_min`.

    Raises
    ------
    InputError
        Outside that range.

    Examples
    --------
    >>> runtime_at_80f_min(100.0, 86.0)
    97.0
    """
    _within("temperature_f", temperature_f, _RUNTIME_F, "°F", "the guide gives the form for this range")
    return run_min * (1.0 - 0.005 * (temperature_f - 80.0))


def _within(name: str, value: float, span: tuple[float, float], unit: str, why: str) -> None:
    inside = math.isfinite(value) and span[0] <= value <= span[1]
    if not inside:
        what = f"{value:g} {unit} is outside {span[0]:g} to {span[1]:g} {unit}"
        raise InputError.one(name, what, f"{why}; test at a temperature inside it")
