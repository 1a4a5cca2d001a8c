"""American wire gauge: names, diameters and areas of solid or solid-equivalent conductors."""

from __future__ import annotations

import math
import re

from hotchpot.errors import InputError

THICKEST, THINNEST = -3, 40
MM_PER_INCH = 25.4
_AUGHTS = re.compile(r"(?P<count>[1-9])/0|(?P<zeros>0+)")


def awg_number(awg: int | str) -> int:
    """
    Return the gauge as a number: 2 for "2", 0 for "1/0" or "0", -1 for "2/0" or "00", -3 for "4/0".

    Raises
    ------
    InputError
        If the gauge is not between 4/0 and 40.
    """
    number = awg if isinstance(awg, int) else _parsed(awg.strip())
    if number is None or not THICKEST <= number <= THINNEST:
        raise InputError.one(f"awg {awg!r}", "no such gauge", "give 40 to 1, then 1/0, 2/0, 3/0 or 4/0")
    return number


def awg_name(awg: int | str) -> str:
    """Return the gauge as tables print it: "2", "1/0", "4/0"."""
    number = awg_number(awg)
    return str(number) if number > 0 else f"{1 - number}/0"


def awg_diameter_mm(awg: int | str) -> float:
    r"""
    Return the diameter of a solid conductor of this gauge. [mm]

    Notes
    -----
    .. math:: d = 0.127 \cdot 92^{(36 - n)/39}

    with :math:`n` = 0, -1, -2, -3 for 1/0, 2/0, 3/0, 4/0 [1]_. Stranded conductors of the same gauge have the
    same metal area but a larger outside diameter.

    Examples
    --------
    >>> round(awg_diameter_mm("4/0") / 25.4, 4)
    0.46

    References
    ----------
    .. [1] ASTM B258, Standard nominal diameters of solid round wires used as electrical conductors.
    """
    return 0.005 * MM_PER_INCH * float(92.0 ** ((36 - awg_number(awg)) / 39.0))


def awg_area_mm2(awg: int | str) -> float:
    """
    Return the metal area of this gauge, a circle of its diameter. [mm²]

    Examples
    --------
    >>> round(awg_area_mm2(6), 2)
    13.3
    """
    return math.pi / 4.0 * awg_diameter_mm(awg) ** 2


def awg_area_cmil(awg: int | str) -> float:
    """
    Return the metal area of this gauge in circular mils: the square of the diameter in thousandths of an inch.

    Examples
    --------
    >>> round(awg_area_cmil(4))
    41741
    """
    return (1000.0 * awg_diameter_mm(awg) / MM_PER_INCH) ** 2


def _parsed(text: str) -> int | None:
    match = _AUGHTS.fullmatch(text)
    if match is None:
        return int(text) if re.fullmatch(r"-?\d+", text) else None
    return 1 - (int(match["count"]) if match["count"] else len(match["zeros"]))
