"""
How much current a copper conductor may carry for ever: printed tables and the factors that correct them.

The tables disagree because they stand for different heat paths (raceway, wall, free air) and different limits of the
insulation. None of them sees lugs, fuses or bundles by itself. Local code and a licensed person decide.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from functools import cache

from hotchpot.electrics._checks import require_finite, require_positive
from hotchpot.electrics.tables import Row, neighbours, table
from hotchpot.errors import InputError
from hotchpot.gauge import awg_area_mm2, awg_name

CAUTIOUS_INSULATION_C = 75
BEST_CASE_INSULATION_C = 105
IEC_PVC_MAX_C = 70.0
TABLE_AMBIENT_C = 30.0


def ampacity_band(area_mm2: float) -> tuple[float, float]:
    r"""
    Return the cautious and the best-case ampacity of one single-core copper battery lead in free air at 30 °C. [A]

    Parameters
    ----------
    area_mm2 : float
        Metal area of the lead. [mm²]

    Returns
    -------
    (cautious, best_case) : tuple of float
        With 75 °C insulation, and with 105 °C insulation and lugs and fuse holders that bear it. [A]

    Raises
    ------
    InputError
        If the area is not above zero.

    Notes
    -----
    33 CFR 183.425 Table 5, columns 75 and 105 °C, between its rows straight in the logarithms of area and current:

    .. math:: I = I_1 (A/A_1)^{p}, \quad p = \ln(I_2/I_1) / \ln(A_2/A_1)

    Areas of the rows are those of the gauges (ASTM B258). Outside 18 AWG to 4/0 (0.82 to 107 mm²) the end slope goes
    on, which is a guess there, not a rating. Engine spaces and bundles need their factors on top.

    Examples
    --------
    >>> [round(amps) for amps in ampacity_band(16)]
    [106, 135]
    """
    require_positive(area_mm2=area_mm2)
    areas, cautious, best = _band_rows()
    return _along(area_mm2, areas, cautious), _along(area_mm2, areas, best)


def marine_ampacity_a(
    awg: int | str, insulation_c: int = CAUTIOUS_INSULATION_C, *, engine_space: bool = False, conductors: int = 1
) -> float:
    """
    Return the allowable amperage of 33 CFR 183.425 Table 5 for a stranded copper conductor. [A]

    Parameters
    ----------
    awg : int or str
        Gauge, 18 to 4/0.
    insulation_c : int, default 75
        Temperature rating of the insulation: 60, 75, 80, 90, 105 or 125. [°C]
    engine_space : bool, default False
        Apply note 1, for 50 °C around the conductor instead of 30 °C.
    conductors : int, default 1
        Current-carrying conductors in the bundle, for note 2; binding from 50 V up, prudent below.

    Examples
    --------
    >>> round(marine_ampacity_a(6, 105, engine_space=True))
    102
    """
    amps = _gauge_cell("cfr_183_425", awg, insulation_c)
    space = engine_space_factor(insulation_c) if engine_space else 1.0
    return amps * space * bundle_factor(conductors)


def nec_ampacity_a(awg: int | str, insulation_c: int = 75) -> float:
    """
    Return the ampacity of NEC 2023 Table 310.16, copper, up to three loaded conductors in raceway, 30 °C. [A]

    Columns are 60, 75 and 90 °C. Editions up to 2008 print 20 and 25 A at 60 °C for 14 and 12 AWG, and 110 and 150 A
    at 90 °C for 3 and 1 AWG. NEC 240.4(D) caps the fuse of 14, 12 and 10 AWG at 15, 20 and 30 A whatever the column.

    Examples
    --------
    >>> nec_ampacity_a("2/0")
    175.0
    """
    return _gauge_cell("nec_310_16", awg, insulation_c)


def iec_ampacity_a(area_mm2: float, *, method: str = "C", ambient_c: float = TABLE_AMBIENT_C) -> float:
    """
    Return the ampacity of PVC-insulated (70 °C) copper after IEC 60364-5-52. [A]

    Parameters
    ----------
    area_mm2 : float
        Nominal area, one of the table's sizes. [mm²]
    method : str, default "C"
        C: three loaded conductors, clipped direct to a wall. G: single cores spaced in free air.
    ambient_c : float, default 30.0
        Air around the cable; `ambient_factor` to two digits is Table B.52.14. [°C]

    Raises
    ------
    InputError
        If there is no such method or size, or the air is as hot as the insulation may be.

    Examples
    --------
    >>> round(iec_ampacity_a(16, ambient_c=50))
    54
    """
    require_positive(area_mm2=area_mm2)
    rows = {float(r["area_mm2"]): float(r["ampacity_a"]) for r in table("iec_60364_5_52") if r["method"] == method}
    if not rows:
        raise InputError.one(f"method {method!r}", "no such installation method here", "give C or G")
    if area_mm2 not in rows:
        raise InputError.one(f"method {method}, area_mm2", f"no row for {area_mm2:g}", neighbours(area_mm2, rows))
    # two digits, because Table B.52.14 prints two and every rating derived from it carries them
    return rows[area_mm2] * round(ambient_factor(ambient_c, max_c=IEC_PVC_MAX_C), 2)


def ambient_factor(ambient_c: float, *, max_c: float, reference_c: float = TABLE_AMBIENT_C) -> float:
    r"""
    Return the factor on a table's ampacity for air at `ambient_c` instead of `reference_c`.

    Notes
    -----
    .. math:: k = \sqrt{(T_\mathrm{max} - T_a) / (T_\mathrm{max} - T_\mathrm{ref})}

    Heat made goes with the square of the current, heat shed with the temperature difference; IEC 60364-5-52 Table
    B.52.14 and NEC 310.15(B) are this, rounded to two digits (NEC by bands, at each band's upper edge).

    Examples
    --------
    >>> round(ambient_factor(50, max_c=70), 2)
    0.71
    """
    require_finite(ambient_c=ambient_c, max_c=max_c, reference_c=reference_c)
    if reference_c >= max_c:
        raise InputError.one("reference_c", f"{reference_c:g} °C is not below max_c {max_c:g} °C", "check the table")
    if ambient_c >= max_c:
        what = f"{ambient_c:g} °C is no cooler than the insulation's {max_c:g} °C"
        raise InputError.one("ambient_c", what, "no current is left; use hotter-rated insulation")
    return math.sqrt((max_c - ambient_c) / (max_c - reference_c))


def engine_space_factor(insulation_c: int) -> float:
    """Return note 1 of 33 CFR 183.425 Table 5: the factor for conductors in an engine space at 50 °C."""
    rows = {int(row["insulation_c"]): float(row["factor"]) for row in table("engine_space")}
    if insulation_c not in rows:
        raise InputError.one("insulation_c", f"no row for {insulation_c:g}", neighbours(insulation_c, rows))
    return rows[insulation_c]


def bundle_factor(conductors: int) -> float:
    """
    Return note 2 of 33 CFR 183.425 Table 5: the factor for current-carrying conductors bundled together.

    Examples
    --------
    >>> [bundle_factor(count) for count in (1, 2, 3, 6, 24, 25)]
    [1.0, 1.0, 0.7, 0.6, 0.5, 0.4]
    """
    if conductors < 1:
        raise InputError.one("conductors", f"must be one or more; got {conductors}", "count the loaded conductors")
    return [float(row["factor"]) for row in table("bundle") if int(row["from_conductors"]) <= conductors][-1]


def _gauge_cell(name: str, awg: int | str, insulation_c: int) -> float:
    gauge, column = awg_name(awg), f"c{insulation_c}_a"
    rows: dict[str, Row] = {row["awg"]: row for row in table(name)}
    columns = [key[1:-2] for key in next(iter(rows.values())) if key.endswith("_a")]
    if gauge not in rows:
        raise InputError.one(f"awg {gauge}", "no row for this gauge", f"the table has {', '.join(rows)}")
    if str(insulation_c) not in columns:
        raise InputError.one("insulation_c", f"no column for {insulation_c:g}", f"the table has {', '.join(columns)}")
    return float(rows[gauge][column])


@cache
def _band_rows() -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    rows = table("cfr_183_425")
    areas = tuple(awg_area_mm2(row["awg"]) for row in rows)
    cautious = tuple(float(row[f"c{CAUTIOUS_INSULATION_C}_a"]) for row in rows)
    best = tuple(float(row[f"c{BEST_CASE_INSULATION_C}_a"]) for row in rows)
    return areas, cautious, best


def _along(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    # the end segments serve for what lies beyond them
    i = min(max(bisect_right(xs, x), 1), len(xs) - 1)
    power = math.log(ys[i] / ys[i - 1]) / math.log(xs[i] / xs[i - 1])
    return float(ys[i - 1] * (x / xs[i - 1]) ** power)
