r"""
Draws of what a unit may truly be: many possible truths, each as likely as its state says.

Each quantity is drawn through the inverse of its distribution, from numbers spread evenly over 0 to 1 (one in each of n
equal slices, in random order: Latin hypercube, McKay, Beckman and Conover 1979, from memory), so that few draws go far.
Within a unit, a resistance that was never read follows the drawn capacity as the bench assumes it, and the rest voltage
and the charge follow one another along the curve. The error of a chemistry's curve is one for all its units; that of a
unit's own curve is its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import TYPE_CHECKING

from hotchpot.bench.priors import resistance_prior
from hotchpot.bench.state import State
from hotchpot.measure import Basis, Measure

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Draws = NDArray[np.float64]

_NORMAL = NormalDist()
LEAST_LEFT_FRAC = 0.1  # of the rated capacity, and of the value where that is less: no unit holds nothing at all
LEAST_RESISTANCE_FRAC = 0.2  # of its expected value
CURVE_REACH_SD = 2.9  # a true voltage and a true charge never contradict each other; the judge calls that from 3 on
RECENT_RATE_C = 0.1  # what flowed before a voltage was read that was never rested; engineering guess
LEFT_SD_V = 1e-6  # as good as known; a current that is exactly nothing, without any doubt, is no case of this world
EDGE = 0.003  # where extreme draws lie in each distribution, from either end


@dataclass(frozen=True, slots=True, eq=False)
class Truths:
    """
    What one unit may truly be: arrays side by side, one entry a draw.

    The extreme draws at the end of the arrays (see `truths`) are for trying rules on; they have no probability.
    """

    state: State
    capacity_ah: Draws
    resistance_mohm: Draws
    soc_frac: Draws
    rest_v: Draws
    self_discharge_frac_month: Draws

    def state_at(self, draw: int) -> State:
        """Return the unit's state if this draw were true and everything about it were measured, rested and known."""
        capacity, resistance = float(self.capacity_ah[draw]), float(self.resistance_mohm[draw])
        charge, volts = float(self.soc_frac[draw]), float(self.rest_v[draw])
        leakage = float(self.self_discharge_frac_month[draw])
        rested = self.state.chem.num("rest_h_good")
        unit = replace(
            self.state.unit,
            capacity_ah=capacity,
            resistance_mohm=resistance,
            rest_v=volts,
            rest_hours=max(rested, self.state.unit.rest_hours or 0.0),
            soc_frac=charge,
            self_discharge_frac_month=leakage,
        )
        return replace(
            self.state,
            unit=unit,
            capacity_ah=Measure(capacity),
            resistance_mohm=Measure(resistance),
            soc_frac=Measure(charge),
            ocv_v=Measure(volts, LEFT_SD_V),
            self_discharge_frac_month=Measure(leakage),
            remarks=(),
        )


def truths(state: State, *, seed: int, samples: int, extremes: int = 0) -> Truths:
    """
    Draw what a unit may truly be.

    Parameters
    ----------
    state : State
        The unit as it is known, each quantity with its doubt.
    seed : int
        Which draws; a unit's draws depend on this and its id, not on what else is in the pile.
    samples : int
        How many draws.
    extremes : int, default 0
        How many more to add at the end that lie near an edge of every distribution, at random which.

    Notes
    -----
    Capacity and resistance are normal and cut off near zero; leakage is lognormal, as it cannot be less than nothing
    and its prior is as wide as its value. A charge that nobody knows is anything from empty to full.
    """
    spread = _Spread(seed, samples, extremes)
    name = f"unit {state.unit.id} "
    rated = state.unit.rated_ah
    capacity = state.capacity_ah
    least = LEAST_LEFT_FRAC * min(rated, capacity.value)
    ah = _normal(spread.column(name + "capacity"), capacity.value, capacity.sd, least)
    soc, volts = _charge(state, spread, name)
    return Truths(
        state=state,
        capacity_ah=ah,
        resistance_mohm=_resistance(state, spread.column(name + "resistance"), ah),
        soc_frac=soc,
        rest_v=volts,
        self_discharge_frac_month=_lognormal(spread.column(name + "leakage"), state.self_discharge_frac_month),
    )


@dataclass(frozen=True, slots=True)
class _Spread:
    """Columns of numbers spread evenly over 0 to 1, each by its name."""

    seed: int
    samples: int
    extremes: int

    def column(self, name: str) -> Draws:
        """Return one number in each of `samples` equal slices, in random order, and then the edges."""
        import numpy as np

        random = np.random.default_rng([self.seed, *name.encode()])
        even = (random.permutation(self.samples) + random.random(self.samples)) / self.samples
        edges = np.where(random.random(self.extremes) < 0.5, EDGE, 1.0 - EDGE)
        return np.concatenate([even, edges])


def _normal(part: Draws, mean: float, sd: float, low: float = -math.inf, high: float = math.inf) -> Draws:
    """Return normal draws at the given parts of their distribution, cut off at `low` and `high`."""
    import numpy as np

    if sd <= 0.0:
        return np.full_like(part, mean)
    below, above = _NORMAL.cdf((low - mean) / sd), _NORMAL.cdf((high - mean) / sd)
    inside = np.clip(below + part * (above - below), 1e-12, 1.0 - 1e-12)
    drawn: Draws = np.clip([mean + sd * _NORMAL.inv_cdf(p) for p in inside.tolist()], low, high)
    return drawn


def _lognormal(part: Draws, measure: Measure) -> Draws:
    """Return lognormal draws with the mean and the standard deviation of a measure."""
    import numpy as np

    if measure.value <= 0.0:
        return np.full_like(part, measure.value)
    variance = math.log1p((measure.sd / measure.value) ** 2)
    drawn: Draws = np.exp(_normal(part, math.log(measure.value) - variance / 2, math.sqrt(variance)))
    return drawn


def _resistance(state: State, part: Draws, capacity_ah: Draws) -> Draws:
    """Return resistances: as read, or as the bench assumes them of a unit with the drawn capacity. [mΩ]"""
    import numpy as np

    known = state.resistance_mohm
    if known.basis is not Basis.ASSUMED:
        return _normal(part, known.value, known.sd, LEAST_RESISTANCE_FRAC * known.value)
    priors = [resistance_prior(state.unit, Measure(float(ah))) for ah in capacity_ah]
    scatter = _normal(part, 1.0, priors[0].sd / priors[0].value, LEAST_RESISTANCE_FRAC)
    return np.array([prior.value for prior in priors]) * scatter


def _charge(state: State, spread: _Spread, name: str) -> tuple[Draws, Draws]:
    """Return charges and rest voltages that belong together on a curve beside its own or the chemistry's. [1], [V]"""
    import numpy as np

    chem, cells = state.chem, state.unit.cells
    curve, curve_sd = state.ocv_curve, _curve_sd_v(state)
    whose = f"curve {chem.key}" if curve is chem.ocv else name + "curve"
    of_all = _normal(spread.column(whose), 0.0, curve_sd)
    read, stated = state.unit.rest_v, state.unit.soc_frac is not None
    part = spread.column(name + "charge")
    if read is None:
        soc = part if state.soc_frac is None else _normal(part, state.soc_frac.value, state.soc_frac.sd, 0.0, 1.0)
        off = np.clip(of_all, -CURVE_REACH_SD * curve_sd, CURVE_REACH_SD * curve_sd)
        return soc, cells * (np.interp(soc, curve.soc, curve.volt) + off)
    sd = math.hypot(0.0 if state.ocv_v is None else state.ocv_v.sd, polarisation_v(state))
    volts = _normal(spread.column(name + "rest"), read, sd)
    if stated and state.soc_frac is not None:
        return _normal(part, state.soc_frac.value, state.soc_frac.sd, 0.0, 1.0), volts
    own = _normal(part, 0.0, chem.num("ocv_hysteresis") / 2)
    off = np.clip(of_all + own, -CURVE_REACH_SD * curve_sd, CURVE_REACH_SD * curve_sd)
    base, scale = _told(state, read / cells)
    return np.interp(volts / cells + base - scale * off, curve.volt, curve.soc), volts


def _told(state: State, cell_v: float) -> tuple[float, float]:
    """
    Return how far the voltage of the charge that the bench found lies above the one read, and how much of the curve's
    doubt is left in it. [V], [1]

    A hydrometer or a curve of the unit's own may have told more than the voltage alone.
    """
    if state.soc_frac is None:
        return 0.0, 1.0
    curve, doubt = state.ocv_curve, _curve_sd_v(state)
    width = (curve.soc_at(cell_v + doubt) - curve.soc_at(cell_v - doubt)) / 2
    scale = 1.0 if width <= 0.0 else min(1.0, state.soc_frac.sd / width)
    if abs(curve.soc_at(cell_v) - state.soc_frac.value) <= 1e-6:
        return 0.0, scale
    return curve.volts(state.soc_frac.value) - cell_v, scale


def _curve_sd_v(state: State) -> float:
    """Return the doubt of the unit's curve about where it stands. [V per cell]"""
    return state.chem.num("ocv_curve_sd") if state.soc_frac is None else state.ocv_sd_at(state.soc_frac.value)


def polarisation_v(state: State) -> float:
    """
    Return the doubt of a voltage that was read before the unit had rested; zero once it had. [V]

    What a tenth of its capacity an hour leaves on the slow pairs, decaying since with the slower one's time constant.
    """
    unit, chem = state.unit, state.chem
    if unit.rest_v is None or is_rested(state):
        return 0.0
    left = math.exp(-3600.0 * (unit.rest_hours or 0.0) / chem.num("tau2"))
    return 1e-3 * RECENT_RATE_C * unit.cells * (chem.num("r1_q") + chem.num("r2_q")) * left


def is_rested(state: State) -> bool:
    """Tell whether the voltage was read after the rest that the chemistry needs."""
    hours = state.unit.rest_hours
    return hours is not None and hours >= state.chem.num("rest_h_min") - 1e-9
