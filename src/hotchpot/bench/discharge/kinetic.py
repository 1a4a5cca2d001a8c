r"""
The kinetic battery model: charge in two wells, one at hand and one that flows in behind it.

.. math:: \dot q_1 = -I + k (h_2 - h_1), \quad \dot q_2 = -k (h_2 - h_1), \quad h_1 = q_1/c, \; h_2 = q_2/(1-c)

Manwell & McGowan, Solar Energy 50 (1993) 399. Two rate constants go by one letter in the literature: the :math:`k` of
the flow above, and :math:`k' = k / (c (1-c))` of the exponentials in its solution. Here `k_per_h` is always
:math:`k'`, as in the paper's closed forms. Use this model or Peukert's exponent for a unit, never both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import cycle
from typing import NamedTuple

from hotchpot.electrics._checks import require_finite, require_positive
from hotchpot.errors import InputError

MOST_STEPS = 1_000_000


class Wells(NamedTuple):
    """Charge in the two wells: at hand, and bound behind it. [Ah]"""

    available_ah: float
    bound_ah: float

    @property
    def charge_ah(self) -> float:
        """All the charge there is. [Ah]"""
        return self.available_ah + self.bound_ah


@dataclass(frozen=True, slots=True)
class Kinetic:
    """
    A unit by the kinetic model: its charge at an endless discharge, the share at hand, and the rate constant k'.

    Attributes
    ----------
    capacity_ah : float
        Charge of both wells when full. [Ah]
    c : float
        Share of it in the available well when at rest, 0..1.
    k_per_h : float
        :math:`k'`, not :math:`k`. [1/h]

    Raises
    ------
    InputError
        If a number is not above zero, or `c` above one.
    """

    capacity_ah: float
    c: float
    k_per_h: float

    def __post_init__(self) -> None:
        require_positive(capacity_ah=self.capacity_ah, c=self.c, k_per_h=self.k_per_h)
        if self.c > 1.0:
            raise InputError.one("c", f"must be a share up to 1; got {self.c:g}", "give the available well's share")

    def delivered_ah(self, hours: float) -> float:
        r"""
        Return what a full unit delivers at a constant current that empties it in `hours`. [Ah]

        Notes
        -----
        .. math:: q(T) = \frac{q_{max} k' c T}{1 - e^{-k'T} + c\,(k'T - 1 + e^{-k'T})}

        Examples
        --------
        >>> Kinetic(108.16, 0.4751, 0.677).delivered_ah(10)
        93.0
        """
        require_positive(hours=hours)
        x = self.k_per_h * hours
        return self.capacity_ah * self.c * x / (_fall(x) + self.c * _lag(x))

    def resting(self, soc_frac: float = 1.0) -> Wells:
        """Return the wells at rest, both as high as the other, at a state of charge of 0..1."""
        if not 0.0 <= soc_frac <= 1.0:
            raise InputError.one("soc_frac", f"must lie from 0 to 1; got {soc_frac:g}", "give a share of full")
        charge = soc_frac * self.capacity_ah
        return Wells(self.c * charge, (1.0 - self.c) * charge)

    def most_a(self, wells: Wells, hours: float) -> float:
        """Return the largest constant current that the available well bears for `hours`. [A]"""
        require_positive(hours=hours)
        return self._current_to(0.0, wells, hours)

    def step(self, wells: Wells, amps: float, hours: float) -> tuple[Wells, float]:
        """
        Return the wells after `hours` at `amps`, and the current that truly flowed.

        Parameters
        ----------
        wells : Wells
            Before the step.
        amps : float
            Wanted, positive on discharge; limited to what empties, or fills, the available well in the step. [A]
        hours : float
            Length of the step. [h]

        Examples
        --------
        >>> unit = Kinetic(108.16, 0.4751, 0.677)
        >>> _, flowed = unit.step(unit.resting(0.5), 490.0, 1.0)
        >>> flowed
        29.9997
        """
        require_positive(hours=hours)
        require_finite(amps=amps)
        least = self._current_to(self.c * self.capacity_ah, wells, hours)
        flowed = min(max(amps, least), self._current_to(0.0, wells, hours))
        return self._after(wells, flowed, hours), flowed

    def lifetime_h(self, loads: Sequence[tuple[float, float]], *, wells: Wells | None = None) -> float:
        """
        Return the hours until the available well is empty under a pattern of loads that repeats.

        Parameters
        ----------
        loads : sequence of (amps, hours)
            Each at least zero amps, one of them above.
        wells : Wells, optional
            At the start; full when None.

        Raises
        ------
        InputError
            If a load is negative, all are zero, or the pattern would repeat for more than a million steps.

        Notes
        -----
        Each load's solution is exact; the end within a load is the root of its closed form. Under a constant load
        the available well can rise and then fall, never fall and then rise, so its level at a load's end decides
        whether the end lies in it.

        Examples
        --------
        One minute on, one minute off, hours for minutes:

        >>> 60 * Kinetic(5.5 / 60, 0.166, 0.122 * 60).lifetime_h([(0.25, 1 / 60), (0.0, 1 / 60)])
        10.80
        """
        self._check_loads(loads)
        now, passed = self.resting() if wells is None else wells, 0.0
        for amps, hours in cycle(loads):
            then = self._after(now, amps, hours)
            if then.available_ah <= 0.0:
                return passed + self._end_within(now, amps, hours)
            now, passed = then, passed + hours
        raise AssertionError("a cycle has no end")  # pragma: no cover

    def _check_loads(self, loads: Sequence[tuple[float, float]]) -> None:
        for amps, hours in loads:
            require_positive(hours=hours)
            require_finite(amps=amps)
        drawn = sum(amps * hours for amps, hours in loads)
        if not loads or drawn <= 0.0 or any(amps < 0.0 for amps, _ in loads):
            raise InputError.one("loads", "nothing is drawn, or something is charged", "give loads of zero amps and up")
        if len(loads) * self.capacity_ah / drawn > MOST_STEPS:
            raise InputError.one("loads", f"would repeat for more than {MOST_STEPS:,} steps", "give longer steps")

    def _end_within(self, wells: Wells, amps: float, hours: float) -> float:
        from scipy.optimize import brentq  # type: ignore[import-untyped]  # scipy ships no types

        return float(brentq(lambda t: self._after(wells, amps, t).available_ah, 0.0, hours, xtol=1e-14, rtol=1e-14))

    def _after(self, wells: Wells, amps: float, hours: float) -> Wells:
        """Return the closed solution of both wells after `hours` at a current that they bear."""
        x, c, k = self.k_per_h * hours, self.c, self.k_per_h
        left, fall, lag = math.exp(-x), _fall(x), _lag(x)
        whole = wells.charge_ah
        available = wells.available_ah * left + whole * c * fall - amps / k * (fall + c * lag)
        bound = wells.bound_ah * left + whole * (1.0 - c) * fall - amps / k * (1.0 - c) * lag
        return Wells(available, bound)

    def _current_to(self, level_ah: float, wells: Wells, hours: float) -> float:
        x, c = self.k_per_h * hours, self.c
        undrawn = wells.available_ah * math.exp(-x) + wells.charge_ah * c * _fall(x)
        return self.k_per_h * (undrawn - level_ah) / (_fall(x) + c * _lag(x))


def _fall(x: float) -> float:
    return -math.expm1(-x)


def _lag(x: float) -> float:
    """Return x − 1 + e^−x without cancelling, by its series where x is small."""
    return x + math.expm1(-x) if x > 1e-3 else x * x * (0.5 - x * (1.0 / 6.0 - x / 24.0))
