"""What an arrangement is worth at the duty: usable energy, and the bound that no arrangement can pass."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from hotchpot.arrange.pool import Pool
from hotchpot.bank.plan import Duty
from hotchpot.bench.state import State

MOST_GAIN = 1.1  # a slow load does not draw more than this over the rated capacity


def duty_factor(states: Sequence[State], capacity_ah: float, nominal_v: float, duty: Duty) -> float:
    r"""
    Return the part of a bank's rated capacity that the duty can use.

    Parameters
    ----------
    states : sequence of State
        The bank's units.
    capacity_ah : float
        Capacity of the bank at 25 °C and its rated rate. [Ah]
    nominal_v : float
        Nominal voltage of the bank, which turns a load in watts into amps. [V]
    duty : Duty
        Its `ambient_c`, `load_a` and `load_w` count; what it leaves out changes nothing.

    Returns
    -------
    float
        Usable over rated capacity; the least of the bank's chemistries.

    Notes
    -----
    .. math:: k = k_\theta \min\left[1.1, \left(\frac{Q}{H\,I}\right)^{n-1}\right]

    with capacity Q at the hour rate H, load I, Peukert's exponent n of the chemistry (typical value) [1]_ and the
    chemistry's capacity at temperature over that at 25 °C, :math:`k_\theta`. It grows with Q. The exponent holds for a
    steady load between a twentieth and once the rated current or so; a slower one gains 10 % at most (project rule).
    Rest between loads, which gives capacity back, is left out.

    Examples
    --------
    A lead unit with n = 1.24 of 225 Ah at the 20 h rate, loaded with 25 A, gives 186 Ah by its two-test fit [2]_:

    >>> from hotchpot.bench.state import state_of
    >>> from hotchpot.pile.unit import Unit
    >>> cell = Unit(id="T", chemistry="lead_flooded", cells=3, rated_ah=225, rated_hours=20, capacity_ah=225)
    >>> print(f"{225 * duty_factor([state_of(cell)], 225, 6, Duty(load_a=25)):.0f}")
    186

    References
    ----------
    .. [1] Peukert, W., Elektrotechnische Zeitschrift 18, 287 (1897), in the form with a rated capacity (from memory).
    .. [2] 447 min at 25 A against 225 Ah at 20 h: maker's data sheet of a 6 V unit, as cited in the chemistry data.
    """
    load_a = duty.load_a if duty.load_a is not None else (duty.load_w or 0.0) / nominal_v
    parts = []
    for state in states:
        part = 1.0 if duty.ambient_c is None else state.chem.at_temperature("capacity_t_slow", duty.ambient_c)
        if load_a > 0.0:
            exponent = float(state.chem.row("peukert")[1]) - 1.0
            part *= min(MOST_GAIN, (capacity_ah / (state.unit.rated_hours * load_a)) ** exponent)
        parts.append(part)
    return min(parts)


class Worth:
    """The usable energy of sets of units from one pool, with what depends on the set alone worked out once."""

    def __init__(self, pool: Pool, duty: Duty) -> None:
        self.pool, self.duty = pool, duty
        self._kinds = cache(self._kinds_of)

    def usable_wh(self, mask: int, capacity_ah: float) -> float:
        """Return the usable energy of a bank of these units with this capacity. [Wh]"""
        kinds, nominal_v = self._kinds(mask)
        return capacity_ah * nominal_v * duty_factor(kinds, capacity_ah, nominal_v, self.duty)

    def _kinds_of(self, mask: int) -> tuple[tuple[State, ...], float]:
        states = {(s.chem.key, s.unit.rated_hours): s for s in self.pool.chosen(mask)}
        kinds = tuple(states.values())
        return kinds, self.pool.cells * min(s.chem.num("nominal_v") for s in kinds)


def bound_wh(pool: Pool, duty: Duty) -> float:
    r"""
    Return an energy that no arrangement of the pool can pass. [Wh]

    Notes
    -----
    .. math:: E \le \frac{\sum_k c_k Q_k}{N}\,N\,v\,k

    Every amp-hour of the bank passes N cells in series, and no cell gives more than its own amp-hours; so N times the
    bank's capacity is at most the sum over the units of cells times capacity. Nominal voltage v and duty factor k are
    taken from the chemistry that has most of either.
    """
    if not pool.states:
        return 0.0
    capacity = sum(s.capacity_ah.value * s.unit.cells for s in pool.states) / pool.cells
    nominal_v = pool.cells * max(s.chem.num("nominal_v") for s in pool.states)
    return capacity * nominal_v * max(duty_factor([s], capacity, nominal_v, duty) for s in pool.states)
