"""
Numbers with units, at the edge: read "2.5 kWh" or "12,5 V" into a plain float, and print a float for people.

Inside the house every number is a float in the unit its name ends with. The unit library (pint) is loaded only for
spellings that the short table here does not know, and then once.
"""

from __future__ import annotations

import math
import re
import unicodedata
from functools import cache
from typing import Any

from hotchpot.errors import InputError
from hotchpot.gauge import awg_area_mm2

_PREFIXES = {"": 1.0, "k": 1e3, "M": 1e6, "c": 1e-2, "m": 1e-3, "μ": 1e-6, "u": 1e-6}
_BASES = ("V", "A", "Ah", "W", "Wh", "Ω", "VA", "J", "F", "m", "s", "Hz")
_WORDS = {
    "v": "V", "volt": "V", "volts": "V", "mv": "mV",
    "a": "A", "amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "ma": "mA",
    "ah": "Ah", "amphour": "Ah", "amphours": "Ah", "mah": "mAh",
    "w": "W", "watt": "W", "watts": "W", "kw": "kW", "wh": "Wh", "kwh": "kWh",
    "h": "h", "hr": "h", "hrs": "h", "hour": "h", "hours": "h",
    "percent": "%", "pct": "%", "frac": "1", "fraction": "1", "": "1", "-": "1", "0..1": "1", "0-1": "1", "0to1": "1",
    "°c": "°C", "degc": "°C", "celsius": "°C", "degreecelsius": "°C", "degreescelsius": "°C",
    "°f": "°F", "degf": "°F", "fahrenheit": "°F", "kelvin": "K",
    "mm^2": "mm2", "mm**2": "mm2", "sqmm": "mm2", "qmm": "mm2",
}  # fmt: skip
_TEMPERATURES = {"c": "°C", "f": "°F", "k": "K"}
_OHMS = re.compile(r"ohms?$", re.IGNORECASE)
_PINT = {"Ω": "ohm", "°C": "degC", "°F": "degF", "%": "percent", "1": "dimensionless", "K": "delta_degC"}
# Names and one-digit powers only: the unit library evaluates what it is given, and a tower of powers would hang it.
_POWER = r"(?:(?:\^|\*\*)-?\d|[23])?"
_NAME = rf"[A-Za-zμΩ%°]{{1,24}}{_POWER}"
_UNIT = re.compile(rf"(?:1|{_NAME})(?:[*/·]{_NAME}){{0,4}}")

_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?", re.IGNORECASE)
_COMMA = re.compile(r"[+-]?(?:\d*,\d+)(?:e[+-]?\d+)?", re.IGNORECASE)
_DOT_GROUPS = re.compile(r"[+-]?[1-9]\d{0,2}(?:\.\d{3})+(?:,\d+)?")
_COMMA_GROUPS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)?")
_SPACE_GROUPS = re.compile(r"(?<=\d)[ \u00a0\u202f\u2009](?=\d{3}(?!\d))")
_AMOUNT = re.compile(r"(?P<number>[+-]?[\d.,][\d.,\s]*(?:[eE][+-]?\d+(?![A-Za-z\d]))?)(?P<unit>.*)", re.DOTALL)
_GAUGE = re.compile(r"(?:awg\s*(?P<after>\d+(?:/0)?)|(?P<before>\d+(?:/0)?)\s*awg)", re.IGNORECASE)


def number_readings(text: str) -> tuple[float, ...]:
    """
    Return every number that `text` can mean, the decimal reading first; none when it is not a finite number.

    >>> number_readings("12,5"), number_readings("1.234,5"), number_readings("1,234"), number_readings("soon")
    ((12.5,), (1234.5,), (1.234, 1234.0), ())
    """
    text = _SPACE_GROUPS.sub("", text.strip().replace("\u2212", "-"))
    if not text.isascii():  # a digit of another script would pass for one here
        return ()
    found: list[str] = []
    if _PLAIN.fullmatch(text):
        found.append(text)
    if _COMMA.fullmatch(text):
        found.append(text.replace(",", "."))
    if _DOT_GROUPS.fullmatch(text):
        found.append(text.replace(".", "").replace(",", "."))
    if _COMMA_GROUPS.fullmatch(text):
        found.append(text.replace(",", ""))
    values = dict.fromkeys(float(item) for item in found)
    return tuple(value for value in values if math.isfinite(value))


def split_amount(text: str) -> tuple[str, str] | None:
    """Return the number and the unit text of an amount such as ``12,5 V``, or None when it does not start as one."""
    match = _AMOUNT.fullmatch(unicodedata.normalize("NFKC", text).strip().replace("\u2212", "-"))
    return (match["number"].strip(), match["unit"].strip()) if match else None


def unit_line(text: str, unit: str) -> tuple[float, float] | None:
    """
    Return (scale, offset) that turn a number in unit `text` into `unit`, or None when they are of different kinds.

    Asked for K, a temperature unit means a difference; asked for °C it means a temperature, with its offset.

    >>> unit_line("mAh", "Ah"), unit_line("Wh", "Ah"), unit_line("°F", "K")
    ((0.001, 0.0), None, (0.5555555555555556, 0.0))
    """
    wanted = _normal(unit, temperature=True)
    warm = wanted in _TEMPERATURES.values()
    given = _normal(text, temperature=warm)
    if given == wanted:
        return 1.0, 0.0
    if warm and wanted == "K":
        return {"°C": (1.0, 0.0), "°F": (5 / 9, 0.0)}.get(given)
    if warm:
        return {"K": (1.0, -273.15), "°F": (5 / 9, -160 / 9)}.get(given)
    if (given, wanted) == ("%", "1"):
        return 0.01, 0.0
    ratio = _prefix_ratio(given, wanted) or _library_ratio(given, wanted)
    return None if ratio is None else (ratio, 0.0)


def unit_factor(text: str, unit: str) -> float | None:
    """
    Return how many `unit` one of `text` is, or None when no factor turns one into the other.

    >>> unit_factor("mAh", "Ah"), unit_factor("Ω", "mΩ"), unit_factor("mOhm", "mΩ"), unit_factor("°F", "°C")
    (0.001, 1000.0, 1.0, None)
    """
    line = unit_line(text, unit)
    return line[0] if line and line[1] == 0.0 else None


def tidy(value: float) -> float:
    """Return `value` without the binary noise of a conversion: twelve figures, far beyond any meter."""
    return float(f"{value:.12g}")


def parse_quantity(text: str, unit: str, *, where: str) -> float:
    """
    Return the number that `text` states, in `unit`; a bare number is taken to be in `unit` already.

    Raises
    ------
    InputError
        At `where`, if `text` is no number, can be read two ways, or is of another kind than `unit`.

    Examples
    --------
    >>> parse_quantity("2.5 kWh", "Wh", where="--need"), parse_quantity("12,5 V", "V", where="--volts")
    (2500.0, 12.5)
    >>> round(parse_quantity("2 AWG", "mm2", where="--cable"), 2)
    33.63
    """
    gauge = _GAUGE.fullmatch(text.strip())
    if gauge and _normal(unit, temperature=False) == "mm2":
        return _gauge_mm2(gauge["after"] or gauge["before"], where=where)
    example = f"give it in {unit}, such as '24 {unit}'" if unit else "give a plain number"
    amount = split_amount(text)
    readings = number_readings(amount[0]) if amount else ()
    if amount is None or not readings:
        raise InputError.one(where, f"{_quoted(text)} is not a number with a unit", example)
    if len(readings) > 1 and "," in amount[0]:
        raise InputError.one(
            where,
            f"{_quoted(text)} can mean {readings[0]:g} or {readings[1]:g}",
            "write the number with a decimal point and without separators of thousands",
        )
    line = unit_line(amount[1], unit) if amount[1] else (1.0, 0.0)
    if line is None:
        raise InputError.one(where, f"{_quoted(text)}: {_quoted(amount[1])} is no unit for this", example)
    return readings[0] if line == (1.0, 0.0) else tidy(readings[0] * line[0] + line[1])


def _quoted(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


def _gauge_mm2(gauge: str, *, where: str) -> float:
    """Return the area of an American wire gauge, or say where it is none. [mm²]"""
    try:
        return awg_area_mm2(gauge)
    except InputError:
        what = f"{_quoted(gauge)} is not a wire gauge"
        raise InputError.one(where, what, "use 4/0 to 40 AWG, or give mm2") from None


def _normal(text: str, *, temperature: bool) -> str:
    """Return one spelling for the many of a unit; capitals are kept where they matter (mΩ is not MΩ)."""
    # NFKC folds the look-alikes: Ohm sign and Omega, micro sign and mu, ℃ and °C, superscript and plain 2.
    text = "".join(unicodedata.normalize("NFKC", text).split())
    text = _OHMS.sub("Ω", text)
    if temperature and text.lower() in _TEMPERATURES:
        return _TEMPERATURES[text.lower()]
    return text if _split_prefix(text) else _WORDS.get(text.lower(), text)


def _split_prefix(text: str) -> tuple[float, str] | None:
    for base in _BASES:
        if text.endswith(base) and (prefix := text.removesuffix(base)) in _PREFIXES:
            return _PREFIXES[prefix], base
    return None


def _prefix_ratio(given: str, wanted: str) -> float | None:
    one, other = _split_prefix(given), _split_prefix(wanted)
    return tidy(one[0] / other[0]) if one and other and one[1] == other[1] else None


@cache
def _library() -> Any:
    import pint

    return pint.UnitRegistry()


def _library_ratio(given: str, wanted: str) -> float | None:
    """Return the ratio of two units by the unit library, or None when it cannot tell."""
    if not (_UNIT.fullmatch(given) and _UNIT.fullmatch(wanted)):
        return None
    import pint

    library = _library()
    try:
        one = library.Quantity(1.0, _for_library(given))
        return tidy(float(one.to(_for_library(wanted)).magnitude))
    except (pint.PintError, AttributeError, TypeError, ValueError, ArithmeticError):
        return None


def _for_library(unit: str) -> str:
    return _PINT.get(unit) or re.sub(r"(?<=[A-Za-z])([23])", r"**\1", unit.replace("·", "*")).replace("^", "**")


_SHOWN_PREFIXES = {
    "W": ("", "k", "M"), "Wh": ("", "k", "M"), "VA": ("", "k", "M"), "J": ("", "k", "M"), "V": ("m", "", "k"),
    "A": ("m", "", "k"), "Ah": ("m", ""), "Ω": ("μ", "m", "", "k", "M"), "F": ("μ", "m", ""),
}  # fmt: skip
_SHOWN_UNITS = {"mm2": "mm²", "1": "", "cm2": "cm²", "m2": "m²", "m3": "m³"}


def show(value: float, unit: str, digits: int = 3) -> str:
    """
    Return a number with its unit for people: `digits` figures, and a prefix where the trade uses one.

    >>> show(1234, "W"), show(0.0128, "Ω"), show(-999.9, "W"), show(float("nan"), "V"), show(0, "A")
    ('1.23 kW', '12.8 mΩ', '−1.00 kW', 'not known', '0 A')
    """
    if math.isnan(value):
        return "not known"
    unit = _normal(unit, temperature=False)
    split = _split_prefix(unit)
    if split and split[1] in _SHOWN_PREFIXES:
        value, unit = value * split[0], split[1]
    sign = "\u2212" if value < 0 else ""
    size = abs(value)
    if math.isinf(size) or size == 0.0:
        number = "∞" if size else "0"
    else:
        size = float(f"{size:.{digits - 1}e}")  # rounded first, so that 999.9 W is 1.00 kW and not 1000 W
        prefix = _shown_prefix(size, unit)
        size, unit = size / _PREFIXES[prefix], prefix.replace("μ", "µ") + unit
        decimals = max(0, digits - 1 - math.floor(math.log10(size) + 1e-9))
        number = f"{size:.{decimals}f}"
    return f"{sign}{number} {_SHOWN_UNITS.get(unit, unit)}".strip()


def _shown_prefix(size: float, unit: str) -> str:
    offered = _SHOWN_PREFIXES.get(unit, ("",))
    fitting = [prefix for prefix in offered if size >= _PREFIXES[prefix]]
    return fitting[-1] if fitting else offered[0]
