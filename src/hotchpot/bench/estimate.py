r"""
An estimate: a number worked out of readings, the budget of its doubt, and what is to be said of it.

Each line of a budget is one independent cause of error. Its standard deviation and its shape follow JCGM 100:2008
clause 4.3: a limit :math:`\pm a` printed by a maker is rectangular, :math:`u = a/\sqrt 3`; a scatter is normal. The
interval is that of the sum of all lines, found by convolution of their densities (JCGM 101:2008, propagation of
distributions, for a linear model), so that a budget ruled by one rectangular line is not told wider than it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cache

from hotchpot.bench.remark import Remark, Weight
from hotchpot.errors import NoAnswerError
from hotchpot.measure import Basis, Measure

_STEP = 0.2
_MOST_STEPS = 60


class Quantity(StrEnum):
    """What an estimate is of; the names of a state's fields with their units."""

    CAPACITY = "capacity_ah"
    RESISTANCE = "resistance_mohm"
    REST_V = "rest_v"
    CHARGE = "soc_frac"
    LEAKAGE = "self_discharge_frac_month"
    EXPONENT = "rate_exponent"
    GRAVITY = "gravity"
    CHARGE_EFFICIENCY = "charge_efficiency_frac"
    ENERGY_EFFICIENCY = "energy_efficiency_frac"


class Shape(StrEnum):
    """How the errors of one cause are spread."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"


@dataclass(frozen=True, slots=True)
class Line:
    """
    One cause of error: what it is, its standard deviation in the estimate's unit, its shape.

    `common` is true for what every reading with the same instrument shares (its gain): it does not average away.
    """

    cause: str
    sd: float
    shape: Shape = Shape.NORMAL
    common: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """
    A number worked out of readings.

    `value` is None where the bench refuses one; then a remark says why. `low` and `high` bound what is not spread
    around a value, such as the charge on a flat curve. `facts` holds the circumstances by name with unit, such as
    ``hours`` and ``mean_a`` of a run.
    """

    quantity: Quantity
    value: float | None
    budget: tuple[Line, ...] = ()
    low: float | None = None
    high: float | None = None
    facts: Mapping[str, float] = field(default_factory=dict)
    remarks: tuple[Remark, ...] = ()
    when: str | None = None
    instrument: str = ""
    basis: Basis = Basis.MEASURED

    @property
    def refused(self) -> bool:
        """Whether there is no number."""
        return self.value is None

    @property
    def sd(self) -> float:
        """Standard deviation: the root of the sum of the squares of the budget's lines."""
        return math.hypot(*(line.sd for line in self.budget))

    @property
    def own_sd(self) -> float:
        """Standard deviation without what all readings of one meter share: the doubt of a difference between units."""
        return math.hypot(*(line.sd for line in self.budget if not line.common))

    @property
    def measure(self) -> Measure:
        """
        The value with its doubt.

        Raises
        ------
        NoAnswerError
            If the bench refused the number; says why.
        """
        if self.value is None:
            raise NoAnswerError("; ".join(f"{r.says} {r.do}" for r in self.remarks if r.weight is Weight.REFUSED))
        return Measure(self.value, self.sd, self.basis)

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """
        Return the interval that holds the true value with probability `level`.

        Raises
        ------
        NoAnswerError
            If the bench refused the number.
        """
        centre = self.measure.value
        wide = tuple(line.sd for line in self.budget if line.shape is Shape.RECTANGULAR)
        reach = coverage_factor(wide, self.sd, level)
        low, high = centre - reach * self.sd, centre + reach * self.sd
        return (low if self.low is None else self.low, high if self.high is None else self.high)

    def saying(self, *remarks: Remark) -> Estimate:
        """Return this estimate with more remarks."""
        return replace(self, remarks=(*self.remarks, *remarks))


def refused(quantity: Quantity, *remarks: Remark, when: str | None = None, **facts: float) -> Estimate:
    """Return an estimate without a number; the remarks say why."""
    return Estimate(quantity=quantity, value=None, remarks=remarks, when=when, facts=facts)


@cache
def coverage_factor(rectangular_sd: tuple[float, ...], total_sd: float, level: float) -> float:
    r"""
    Return k so that ±k·`total_sd` holds a sum of independent errors with probability `level`.

    Parameters
    ----------
    rectangular_sd : tuple of float
        Standard deviations of the rectangular parts; what they leave of `total_sd` is normal.
    total_sd : float
        Standard deviation of the sum.
    level : float
        Probability, 0 to 1.

    Notes
    -----
    The density of the sum is the convolution of its parts' densities, here through the product of their
    characteristic functions, :math:`\sin(a t)/(a t)` with :math:`a = \sqrt3\,u`, and :math:`e^{-u^2 t^2/2}`
    (JCGM 101:2008 gives the principle; the inversion is Gil-Pelaez's).

    Examples
    --------
    One rectangle of half-width 1 holds 95 % within 0.95; a normal within 1.96:

    >>> round(coverage_factor((3**-0.5,), 3**-0.5, 0.95) * 3**-0.5, 2)
    0.95
    >>> round(coverage_factor((), 1.0, 0.95), 2)
    1.96
    """
    from statistics import NormalDist

    if total_sd <= 0.0:
        return 0.0
    wide = tuple(sd / total_sd for sd in rectangular_sd if sd > 1e-3 * total_sd)
    normal = math.sqrt(max(0.0, 1.0 - sum(sd * sd for sd in wide)))
    if not wide:
        return NormalDist().inv_cdf(0.5 + level / 2)
    if normal < 1e-3 and len(wide) == 1:
        return level * math.sqrt(3.0)
    return _reach_of(level, wide, normal)


def _reach_of(level: float, wide: tuple[float, ...], normal: float) -> float:
    """
    Return within what a sum of unit variance lies with probability `level`: its characteristic function, inverted.

    The probability to lie within x rises ever more slowly with x, as all parts are symmetric with one peak; Newton's
    steps from zero therefore never pass the root.
    """
    import numpy as np

    # A floor of normal noise ends the integrand where all parts are rectangular. In steps of 0.2 the trapezium rule
    # mirrors the sum only beyond 2π/0.2 - 8 = 23 of its standard deviations.
    noise = max(normal, 0.02)
    t = np.arange(0.0, 9.0 / noise, _STEP)
    phi = np.exp(-0.5 * (noise * t) ** 2)
    for sd in wide:
        phi = phi * np.sinc(math.sqrt(3.0) * sd * t / math.pi)
    phi = phi * (2.0 / math.pi * _STEP)
    phi[0] /= 2.0  # trapezium rule
    reach = 0.0
    for _ in range(_MOST_STEPS):
        held = reach * float(phi @ np.sinc(reach * t / math.pi))
        step = (level - held) / float(phi @ np.cos(reach * t))
        reach += step
        if step < 1e-7:
            break
    return reach
