r"""
The charge of a vented lead unit from the acid of its cells, read with a hydrometer.

The acid takes part in the discharge, so its strength tells the charge cell by cell. The lowest cell rules the unit; a
wide spread tells of a cell that lags or fails. Whether weak acid may freeze is for the judge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape, refused
from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.standing.charge import READ_LIMIT_K, ROOM_C, ROOM_LIMIT_K, in_charge, span_of
from hotchpot.errors import Fault, InputError
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit

PER_K = 0.0007
PER_K_LIMIT = 0.0001  # tables give 0.0006 to 0.0007
OFFSET_V = 0.845
READING_SD = 0.002  # reading the scale, cell by cell
SCALE_SD = math.sqrt(0.005**2 - READING_SD**2)  # the hydrometer's own error, common to all cells; 0.005 with the above
LIMIT_SPREAD, DOUBTFUL_SPREAD = 0.050, 0.025
LEAST, MOST = 1.0, 1.4
WATER, STRONG = 1.060, 1.320
_SPREAD_SOURCE = (
    "0.050: manuals of equipment and of a maker; 0.025: US Army TM 9-6140-200-14; "
    "two limits are in use, read second hand"
)


def gravity_at(gravity: float, temperature_c: float, *, base_c: float = 25.0, per_k: float = PER_K) -> float:
    r"""
    Return a hydrometer reading as it would be at the base temperature.

    Parameters
    ----------
    gravity : float
        As read, relative to water. [1]
    temperature_c : float
        Of the acid. [°C]
    base_c : float, default 25
        What the tables are for; 26.7 °C (80 °F) and 21.1 °C (70 °F) are in use too. [°C]
    per_k : float, default 0.0007
        How much the reading falls for each kelvin. [1/K]

    Notes
    -----
    .. math:: \rho_{25} = \rho + 0.0007\,(\theta - 25)

    Makers' and US Army manuals, read second hand: 0.004 per 10 °F is 0.00072 /K, 0.001 per 3 °F is 0.0006 /K. Acid
    of 1.10 to 1.30 between -20 and 55 °C.

    Examples
    --------
    >>> round(gravity_at(1.255, 35), 3), round(gravity_at(1.275, 15), 3)
    (1.262, 1.268)
    """
    return gravity + per_k * (temperature_c - base_c)


def gravity_at_25(gravity: float, temperature_c: float | None = None) -> Measure:
    """
    Return one hydrometer reading at 25 °C with its doubt; a room's temperature is assumed where none was read.

    Examples
    --------
    >>> print(f"{gravity_at_25(1.258, 38):.3f}")
    1.267 ± 0.005
    """
    lines = (Line("reading", READING_SD), *_common(temperature_c))
    at = ROOM_C if temperature_c is None else temperature_c
    return Measure(gravity_at(gravity, at), math.hypot(*(line.sd for line in lines)))


def charge_of_gravity(
    readings: Sequence[float], *, unit: Unit, temperature_c: float | None = None, when: str | None = None
) -> Estimate:
    r"""
    Return the charge of a vented lead unit by its lowest cell.

    Parameters
    ----------
    readings : sequence of float
        Hydrometer readings, one a cell; fewer are taken with a doubt. [1]
    unit : Unit
        What it is.
    temperature_c : float, optional
        Of the acid; the pile's when None, a room's when that is not known. [°C]
    when : str, optional
        ISO date of the reading.

    Returns
    -------
    Estimate
        Of `Quantity.CHARGE`, with 95 % bounds. Facts: ``gravity_25`` of the lowest cell, ``spread``, ``cells_read``.
        Refused under ``no-acid-to-read`` for other kinds and sealed units, and under ``acid-impossible``; doubtful
        under ``gravity-spread`` and ``cells-missing``.

    Raises
    ------
    InputError
        If there is no reading, more than cells, or one is outside 1.000 to 1.400.

    Notes
    -----
    .. math:: s = f^{-1}(\rho_{25} + 0.845\ \mathrm{V})

    with *f* the flooded open-circuit curve, so 1.120 is empty and 1.265 full: 0.145 for all of the charge, and a
    doubt of 0.005 is 3.4 %. The lowest of several doubtful readings reads too low, so each reading is first drawn to
    their mean by the share of their spread that reading the scale explains. Acid that is mixed (not just watered or
    just charged), at the right level, of a unit that is 1.265 when full: makers fill from 1.24 (hot places) to 1.30.

    Examples
    --------
    >>> tub = Unit(id="T1", chemistry="lead_flooded", cells=3, rated_ah=225, rated_hours=20)
    >>> print(f"{charge_of_gravity([1.210, 1.205, 1.210], unit=tub, temperature_c=25).measure:.2f}")
    0.62 ± 0.04
    """
    _check(readings, unit)
    chem = unit.chem
    if chem.kind != "lead" or chem.sealed:
        return refused(Quantity.CHARGE, _no_acid(unit), when=when)
    temperature = temperature_c if temperature_c is not None else unit.temperature_c
    at = ROOM_C if temperature is None else temperature
    corrected = [gravity_at(reading, at) for reading in readings]
    lowest, own_sd = _lowest(corrected)
    spread = max(corrected) - min(corrected)
    facts = {"gravity_25": lowest, "spread": spread, "cells_read": float(len(readings)), "temperature_c": at}
    if not WATER <= lowest <= STRONG:
        return refused(Quantity.CHARGE, _impossible(unit, lowest), when=when, **facts)
    lines = [Line("reading the scale", own_sd), *_common(temperature)]
    found = span_of(chem.ocv, lowest + OFFSET_V, lines)
    return Estimate(
        quantity=Quantity.CHARGE, value=found.value, budget=in_charge(found, lines), low=found.low, high=found.high,
        facts=facts, remarks=_notices(unit, len(readings), spread), when=when, instrument="hydrometer",
    )  # fmt: skip


def _check(readings: Sequence[float], unit: Unit) -> None:
    faults = [
        Fault("gravity", f"{reading:g} is not a hydrometer reading", "give 1.000 to 1.400 for each cell")
        for reading in readings
        if not LEAST <= reading <= MOST
    ]
    if not readings:
        faults.append(Fault("gravity", "no reading", "give one number for each cell"))
    if len(readings) > unit.cells:
        faults.append(Fault("gravity", f"{len(readings)} readings of {unit.cells} cells", "give one for each cell"))
    if faults:
        raise InputError(faults)


def _common(temperature_c: float | None) -> tuple[Line, ...]:
    """Return what all cells of one session share."""
    off_k, limit_k = (ROOM_C - 25.0, ROOM_LIMIT_K) if temperature_c is None else (temperature_c - 25.0, READ_LIMIT_K)
    lines = (
        Line("scale of the hydrometer", SCALE_SD, common=True),
        Line("temperature", PER_K * limit_k / math.sqrt(3.0), Shape.RECTANGULAR),
        Line("change with temperature", PER_K_LIMIT * abs(off_k) / math.sqrt(3.0), Shape.RECTANGULAR),
    )
    return tuple(line for line in lines if line.sd > 0)


def _lowest(corrected: Sequence[float]) -> tuple[float, float]:
    """Return the lowest cell and the doubt of reading it, with its luck taken out (see Notes)."""
    n, mean = len(corrected), sum(corrected) / len(corrected)
    if n == 1:
        return mean, READING_SD
    variance = sum((value - mean) ** 2 for value in corrected) / (n - 1)
    true_share = max(0.0, 1.0 - READING_SD**2 / variance) if variance > 0 else 0.0
    sd = READING_SD * math.sqrt(true_share + (1.0 - true_share) / n)
    return mean + true_share * (min(corrected) - mean), sd


def _no_acid(unit: Unit) -> Remark:
    return Remark(
        code="no-acid-to-read", weight=Weight.REFUSED, subject=unit.id,
        says=f"a hydrometer reading of {unit.chem.name}",
        why="only the acid of a vented lead cell tells its charge; sealed cells must not be opened",
        do="Read its rest voltage, or count a charge; check the chemistry on the label.", source="physics",
    )  # fmt: skip


def _impossible(unit: Unit, lowest: float) -> Remark:
    return Remark(
        code="acid-impossible", weight=Weight.REFUSED, subject=unit.id,
        says=f"the lowest cell reads {lowest:.3f} at 25 °C",
        why="that is almost water, or stronger than any battery acid: a dead cell, a spill made up, or acid added",
        do="Wear goggles and gloves; charge it in open air, read again, and set it apart if the cell stays so.",
        source="common practice, no source", value=lowest, limit=WATER if lowest < WATER else STRONG, unit="1",
    )  # fmt: skip


def _notices(unit: Unit, read: int, spread: float) -> tuple[Remark, ...]:
    remarks = []
    if spread > DOUBTFUL_SPREAD + 1e-9:
        bad = spread > LIMIT_SPREAD + 1e-9
        limit = LIMIT_SPREAD if bad else DOUBTFUL_SPREAD
        verdict = "reject it if the spread stays" if bad else "watch the lowest cell if the spread stays"
        remarks.append(
            Remark(
                code="gravity-spread", weight=Weight.DOUBTFUL, subject=unit.id,
                says=f"the cells differ by {spread:.3f}, more than {limit:.3f}",
                why="a cell that lags empties first and fails first",
                do=f"Charge to full, equalise as its maker says in open air with goggles on, read again; {verdict}.",
                source=_SPREAD_SOURCE, value=spread, limit=limit, unit="1",
            )
        )  # fmt: skip
    if read < unit.cells:
        remarks.append(
            Remark(
                code="cells-missing", weight=Weight.DOUBTFUL, subject=unit.id,
                says=f"{read} of {unit.cells} cells were read", why="the lowest cell rules, and it may be another",
                do="Read every cell.", source="physics", value=float(read), limit=float(unit.cells), unit="cells",
            )
        )  # fmt: skip
    return tuple(remarks)
