"""
A number with its doubt and where it came from.

Errors are taken as normal and, unless said otherwise, as independent; sums and products carry them to first order
(JCGM 100:2008, Guide to the expression of uncertainty in measurement, clause 5.1.2).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

_NORMAL = NormalDist()
_Z95 = _NORMAL.inv_cdf(0.95)


class Basis(StrEnum):
    """Where a number came from, best first."""

    MEASURED = "measured"
    STATED = "stated"
    ASSUMED = "assumed"


_ORDER = list(Basis)


def weakest(bases: Iterable[Basis]) -> Basis:
    """Return the least trustworthy of `bases`; a result is no better than its worst input."""
    return max(bases, key=_ORDER.index, default=Basis.MEASURED)


@dataclass(frozen=True, slots=True)
class Measure:
    """
    A value, its standard deviation (same unit), and its basis.

    Examples
    --------
    >>> drop = Measure(0.30, 0.01) / Measure(0.0128, 0.0006)
    >>> print(f"{drop.value:.1f} ± {drop.sd:.1f}")
    23.4 ± 1.3
    """

    value: float
    sd: float = 0.0
    basis: Basis = Basis.MEASURED

    def __post_init__(self) -> None:
        if not (self.sd >= 0.0):
            raise ValueError(f"sd must be zero or more; got {self.sd}")

    def __add__(self, other: Measure | float) -> Measure:
        o = _as_measure(other)
        return Measure(self.value + o.value, math.hypot(self.sd, o.sd), weakest((self.basis, o.basis)))

    __radd__ = __add__

    def __neg__(self) -> Measure:
        return Measure(-self.value, self.sd, self.basis)

    def __sub__(self, other: Measure | float) -> Measure:
        return self + (-_as_measure(other))

    def __rsub__(self, other: float) -> Measure:
        return _as_measure(other) + (-self)

    def __mul__(self, other: Measure | float) -> Measure:
        o = _as_measure(other)
        sd = math.hypot(self.sd * o.value, o.sd * self.value)
        return Measure(self.value * o.value, sd, weakest((self.basis, o.basis)))

    __rmul__ = __mul__

    def __truediv__(self, other: Measure | float) -> Measure:
        o = _as_measure(other)
        value = self.value / o.value
        return Measure(value, math.hypot(self.sd, value * o.sd) / abs(o.value), weakest((self.basis, o.basis)))

    def __rtruediv__(self, other: float) -> Measure:
        return _as_measure(other) / self

    def upper(self) -> float:
        """Return the 95th percentile: what a current or a temperature is held to."""
        return self.value + _Z95 * self.sd

    def lower(self) -> float:
        """Return the 5th percentile: what a capacity is trusted for."""
        return self.value - _Z95 * self.sd

    def chance_above(self, limit: float) -> float:
        """Return the probability that the true value lies above `limit`."""
        if self.sd == 0.0:
            return float(self.value > limit)
        return 1.0 - _NORMAL.cdf((limit - self.value) / self.sd)

    def __format__(self, spec: str) -> str:
        text = format(self.value, spec)
        return f"{text} ± {format(self.sd, spec)}" if self.sd > 0 else text


def _as_measure(number: Measure | float) -> Measure:
    return number if isinstance(number, Measure) else Measure(float(number))


def total(parts: Iterable[Measure]) -> Measure:
    """Return the sum of independent parts; an empty sum is zero."""
    value, variance, bases = 0.0, 0.0, []
    for part in parts:
        value += part.value
        variance += part.sd**2
        bases.append(part.basis)
    return Measure(value, math.sqrt(variance), weakest(bases))


def least(parts: Iterable[Measure]) -> Measure:
    """
    Return the smallest of several measures.

    The value is the smallest part's, so that the number can be traced to one unit; the doubt is widened until the 5th
    percentile is no better than that of any part, as a part that is larger but badly known may be the smallest.
    """
    listed = list(parts)
    smallest = min(listed, key=lambda part: part.value)
    lowest = min(part.lower() for part in listed)
    sd = max(smallest.sd, (smallest.value - lowest) / _Z95)
    return Measure(smallest.value, sd, weakest(part.basis for part in listed))
