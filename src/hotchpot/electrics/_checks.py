"""What a number must be before an equation may use it; every fault of a call is told at once."""

from __future__ import annotations

import math
from collections.abc import Callable

from hotchpot.errors import Fault, InputError

_SPOKEN = {
    "mm2": "square millimetres",
    "ohm": "ohms",
    "per_m": "ohms per metre",
    "m": "metres",
    "v": "volts",
    "a": "amps",
    "ah": "amp-hours",
    "s": "seconds",
    "c": "degrees Celsius",
    "f": "farads",
    "m3_per_h": "cubic metres an hour",
    "ma_per_ah": "milliamps per amp-hour",
    "ma_per_100ah": "milliamps per 100 amp-hours",
    "per_v": "one over volts",
    "per_k": "one over kelvins",
    "volts": "volts",
}


_Rule = Callable[[float], bool]


def require_positive(**named: float) -> None:
    """Raise for every number that is not finite and above zero."""
    _require(named, "must be above zero", lambda number: number > 0.0)


def require_not_negative(**named: float) -> None:
    """Raise for every number that is not finite and zero or more."""
    _require(named, "must be zero or more", lambda number: number >= 0.0)


def require_finite(**named: float) -> None:
    """Raise for every number that is infinite or not a number at all."""
    _require(named, "must be a finite number", lambda _: True)


def _require(named: dict[str, float], rule: str, holds: _Rule) -> None:
    faults = [
        Fault(name, f"{rule}; got {number:g}", f"give it {spoken_unit(name)}")
        for name, number in named.items()
        if not (math.isfinite(number) and holds(number))
    ]
    if faults:
        raise InputError(faults)


def spoken_unit(name: str) -> str:
    """Return the unit that an argument's name ends with, as "in volts"; the longest known ending wins."""
    words = name.split("_")
    endings = ("_".join(words[start:]) for start in range(len(words)))
    return next((f"in {_SPOKEN[ending]}" for ending in endings if ending in _SPOKEN), "as a plain number")
