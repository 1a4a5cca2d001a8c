"""
The kinetic model through the capacities of several runs, and how their errors count in what it tells.

The model itself, its equations and their source stand in `kinetic`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

from hotchpot.bench.discharge.kinetic import Kinetic
from hotchpot.bench.remark import Remark, Weight
from hotchpot.electrics._checks import require_positive

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SOURCE = "Manwell and McGowan, Solar Energy 50 (1993) 399"
NEAR_FIT_FRAC, WORST_FIT_FRAC = 1e-6, 0.05
LEAST_RISE_FRAC = 0.005
LEAST_WELL_FRAC = 0.02
_EDGE = 12.0  # of logit c and ln k' T, either way
_STARTS = [(c, k) for c in (0.0, -2.0, 2.0) for k in (0.0, -2.0, 2.0)]
_EXACT_COST = 1e-18  # half the squares of the relative misses: no better start is worth looking for
_GRID_REACH, _GRID_STEPS = 4.0, 41  # of logit c and ln k' T, either way: c of 2 to 98 %
_LEAST_ERROR_FRAC = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class KineticFit:
    """
    What a fit found: the model or None, the largest relative miss of its points, and what is to be said of it.

    `points` are those that were fitted, in the order given.
    """

    kinetic: Kinetic | None
    misfit_frac: float
    remarks: tuple[Remark, ...] = ()
    points: tuple[tuple[float, float], ...] = field(default=(), compare=False)

    def spread_frac(self, to_h: float, k: int, errors: Sequence[float]) -> float:
        r"""
        Return how far point `k`, brought to another running time by the model, may lie from the truth.

        Parameters
        ----------
        to_h : float
            Running time. [h]
        k : int
            Which point.
        errors : sequence of float
            Relative standard deviation of each point, without what all share: that counts once, whatever the model. [1]

        Returns
        -------
        float
            Root mean square of the relative error.

        Notes
        -----
        All models of a grid of c and k' are weighed by how well they meet the points,

        .. math:: p \propto e^{-\chi^2/2}, \quad u^2 = \sum p\,[(\ln q(T) - \ln \hat q)^2 + s^2], \quad
            s^{-2} = \sum_i u_i^{-2}

        all alike before, with the size of each by the weighted mean of the logarithms (a Gaussian linear model,
        integrated; textbook). A first-order propagation through the fit alone would be too bold beyond the rates that
        were run, where models that meet them alike go far apart.
        """
        import numpy as np

        assert self.kinetic is not None
        hours, ah = np.array(self.points, dtype=float).T
        u = np.maximum(np.array(errors, dtype=float), _LEAST_ERROR_FRAC)
        reach = np.linspace(-_GRID_REACH, _GRID_REACH, _GRID_STEPS)
        c = (1.0 / (1.0 + np.exp(-reach)))[:, None, None]
        k_per_h = (np.exp(reach) / math.sqrt(hours.min() * hours.max()))[None, :, None]
        off = np.log(ah) - _ln_shape(c, k_per_h * hours)
        part = (1.0 / u**2) / np.sum(1.0 / u**2)
        size = np.sum(part * off, axis=-1)
        chi2 = np.sum(((off - size[..., None]) / u) ** 2, axis=-1)
        weight = np.exp(-0.5 * (chi2 - chi2.min()))
        told = math.log(ah[k] * self.kinetic.delivered_ah(to_h) / self.kinetic.delivered_ah(hours[k]))
        away = size + _ln_shape(c, k_per_h * to_h)[..., 0] - told
        return math.sqrt(float(np.sum(weight * away**2) / np.sum(weight)) + 1.0 / float(np.sum(1.0 / u**2)))


def fit_kinetic(points: Sequence[tuple[float, float]], *, subject: str = "the unit") -> KineticFit:
    r"""
    Return the kinetic model through capacities at several discharge times.

    Parameters
    ----------
    points : sequence of (hours, ah)
        Running time at a constant current and the charge delivered, all at one temperature. Three different times
        fix the model; more are met by least squares of the logarithms. [h], [Ah]
    subject : str
        What the remarks speak of.

    Raises
    ------
    InputError
        If a time or a charge is not above zero.

    Notes
    -----
    Refused, with the model None: fewer than three times; a charge that falls while the time grows, as every such
    model delivers more the slower it is drained; charges all alike within 0.5 %, which leave c and k' open; points
    that the best model misses by more than 5 %; less than 2 % of the charge in one of the wells (ours).

    Examples
    --------
    >>> unit = fit_kinetic([(1, 60), (10, 93), (20, 100)]).kinetic
    >>> round(unit.capacity_ah, 2), round(unit.c, 4), round(unit.k_per_h, 3)
    (108.16, 0.4751, 0.677)
    """
    for hours, ah in points:
        require_positive(hours=hours, ah=ah)
    ordered = sorted((float(h), float(q)) for h, q in points)
    found = _unfit(ordered, subject)
    if found is not None:
        return KineticFit(kinetic=None, misfit_frac=math.inf, remarks=(found,))
    unit, misfit = _best(ordered)
    if misfit > WORST_FIT_FRAC:
        return KineticFit(kinetic=None, misfit_frac=misfit, remarks=(_too_far(subject, misfit, Weight.REFUSED),))
    if not LEAST_WELL_FRAC <= unit.c <= 1.0 - LEAST_WELL_FRAC:
        return KineticFit(kinetic=None, misfit_frac=misfit, remarks=(_one_well(subject, unit.c),))
    exact = len(ordered) > 3 or misfit <= NEAR_FIT_FRAC
    return KineticFit(
        kinetic=unit,
        misfit_frac=misfit,
        remarks=() if exact else (_too_far(subject, misfit, Weight.DOUBTFUL),),
        points=tuple((float(hours), float(ah)) for hours, ah in points),
    )


def _best(points: Sequence[tuple[float, float]]) -> tuple[Kinetic, float]:
    """Return the model of least squares of the logarithms, its scale by their mean, and its largest relative miss."""
    import numpy as np
    from scipy.optimize import least_squares  # type: ignore[import-untyped]  # scipy ships no types

    hours, ah = np.array(points, dtype=float).T
    middle = math.sqrt(hours[0] * hours[-1])

    def off(free: tuple[float, float]) -> tuple[Kinetic, list[float]]:
        c = 1.0 / (1.0 + math.exp(-free[0]))
        shape = Kinetic(1.0, c, math.exp(free[1]) / middle)
        gap = [math.log(q / shape.delivered_ah(h)) for h, q in zip(hours, ah, strict=True)]
        scale = sum(gap) / len(gap)
        return Kinetic(math.exp(scale), c, shape.k_per_h), [one - scale for one in gap]

    best = None
    for start in _STARTS:
        found = least_squares(
            lambda free: off(free)[1], start, bounds=(-_EDGE, _EDGE), xtol=1e-15, ftol=1e-15, gtol=1e-15
        )
        if best is None or found.cost < best.cost:
            best = found
        if best.cost < _EXACT_COST:
            break
    assert best is not None
    unit, gap = off(tuple(best.x))
    return unit, math.expm1(max(abs(one) for one in gap))


def _ln_shape(c: NDArray[np.float64], x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return ln of what a full unit of one amp-hour delivers, for c and k'T that broadcast."""
    import numpy as np

    fall = -np.expm1(-x)
    told: NDArray[np.float64] = np.log(c * x / (fall + c * (x - fall)))
    return told


def _unfit(points: Sequence[tuple[float, float]], subject: str) -> Remark | None:
    """Return why no model can go through the points, or None."""
    times = {hours for hours, _ in points}
    if len(times) < 3:
        return _refusal(
            "kinetic-too-few",
            subject,
            f"capacities at {len(times)} different running times",
            "the model has three unknowns: both wells and the flow between them",
            "Run it at three rates well apart, such as 1 h, 5 h and 20 h, or use the rate exponent.",
        )
    most, least = max(q for _, q in points), min(q for _, q in points)
    if most <= least * (1.0 + LEAST_RISE_FRAC):
        return _refusal(
            "kinetic-flat",
            subject,
            f"capacities from {least:.4g} to {most:.4g} Ah, alike within {LEAST_RISE_FRAC:.1%}",
            "where the rate does not matter, nothing tells how the charge flows in",
            "Use the capacity as it is for every rate that was tried.",
        )
    fallen = _fallen(points)
    if fallen is None:
        return None
    (h0, q0), (h1, q1) = fallen
    return _refusal(
        "kinetic-falling",
        subject,
        f"{q0:.4g} Ah in {h0:.3g} h but only {q1:.4g} Ah in {h1:.3g} h",
        "every such model delivers more the slower it is drained, as more of the bound charge flows in; "
        "less in the slower run means another cause, such as cold, an incomplete charge before it, or fading",
        "Charge fully before each run, keep one temperature, mix the order of the rates, and run again.",
    )


def _fallen(points: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return two points between which the charge falls: any of three, else the ends of a falling trend."""
    if len(points) == 3:
        return next(((a, b) for a, b in pairwise(points) if b[1] < a[1]), None)
    logs = [(math.log(h), math.log(q)) for h, q in points]
    x, y = (sum(column) / len(logs) for column in zip(*logs, strict=True))
    falling = sum((a - x) * (b - y) for a, b in logs) <= 0.0
    return (points[0], points[-1]) if falling else None


def _too_far(subject: str, misfit: float, weight: Weight) -> Remark:
    return Remark(
        code="kinetic-misfit",
        weight=weight,
        subject=subject,
        says=f"the nearest kinetic model misses a capacity by {misfit:.1%}",
        why="the capacities do not rise with time as charge in two wells does",
        do="Look for a run that was not from full, was cold, or stopped early; run that rate again.",
        source=SOURCE,
        value=misfit,
        limit=WORST_FIT_FRAC,
        unit="1",
    )


def _one_well(subject: str, c: float) -> Remark:
    return Remark(
        code="kinetic-one-well",
        weight=Weight.REFUSED,
        subject=subject,
        says=f"the nearest kinetic model has {c:.2g} of the charge at hand, so nearly nothing in one of its wells",
        why="the scatter of the runs is as large as what the rate does; such a model goes astray beside its runs",
        do="Run it at rates farther apart, or use the rate exponent.",
        source="project rule",
        value=c,
        limit=LEAST_WELL_FRAC,
        unit="1",
    )


def _refusal(code: str, subject: str, says: str, why: str, do: str) -> Remark:
    return Remark(code=code, weight=Weight.REFUSED, subject=subject, says=says, why=why, do=do, source=SOURCE)
