r"""
The units' own laws, compiled: what a state means, what it looks like from outside, and what it is a step later.

A unit is :math:`U = E(s) + h - R_0 I_{main} - v_1 - v_2` with :math:`I_{main} = I + I_{gas}(U) + I_{leak}`. Over a
step the main current is constant; solved for is the mean over the step, which is exact for the pairs and of second
order for the charge:

.. math::
    \bar U = E(s) - \theta E' \frac{I\Delta t}{Q} - R_0 I - \sum_i \bar v_i, \quad
    \bar v_i = \varphi_i v_i + (1-\varphi_i) R_i I, \quad \varphi_i = \frac{\tau_i}{\Delta t}(1-a_i)

.. math:: v_i \leftarrow a_i v_i + (1-a_i) R_i I, \quad a_i = e^{-\Delta t/\tau_i}

:math:`\theta` is one half where a step is short beside :math:`Q R/E'`, and :math:`1 - 1/z`, with z their ratio, where
it is long: that damps what the midpoint rule would let ring on the steep ends of a curve.
"""

# The compiled functions have no types of their own: numba finds them from the arrays.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import math

from hotchpot.circuit.compiled import compiled, inlined
from hotchpot.circuit.layout import (
    CELLS,
    CHARGE_RISE,
    COOL_W_K,
    D_A1,
    D_A2,
    D_AT,
    D_AW,
    D_F1,
    D_F2,
    D_FW,
    DROP_V,
    E_EXTRA,
    E_OUT,
    E_PAIRS,
    E_R0,
    E_SIDE,
    ENTROPY_V_K,
    FULLEST,
    GAS_A,
    GAS_AT_V,
    GAS_C,
    GAS_KEPT_V,
    GAS_PER_K,
    GAS_PER_V,
    GRID,
    HEAT_J_K,
    HOTTEST_LEAK_C,
    HYST,
    HYST_RATE,
    HYST_V,
    IN_C,
    KNEE,
    LEAK_A,
    LEAK_DOUBLE_K,
    LOW_C,
    MAIN_C,
    OUT_C,
    OVER_V,
    OXYGEN,
    OXYGEN_FROM,
    OXYGEN_TO,
    Q_C,
    R1,
    R2,
    R_OHM,
    SOC,
    TAU1,
    TAU2,
    TEMP,
    UNDER_C,
    V1,
    V2,
    W_AVAIL,
    W_BEHIND,
    W_COLD,
    W_DRIFT,
    W_E,
    W_GAS,
    W_I,
    W_INWARD,
    W_LEAK,
    W_MAIN,
    W_OHMS,
    W_PER_C,
    W_PLAIN,
    W_PLAIN_SLOPE,
    W_R,
    W_R_IN,
    W_R_IN_SLOPE,
    W_R_SLOPE,
    W_SLOPE,
    W_U,
    W_WARM,
    WARM_STEPS,
    WELL,
    WELL_C,
    WELL_K,
    WELL_M,
)  # fmt: skip

_CLOSE_A = 1e-6  # what the straightened gas may miss, beside the unit's own current
_SMALL = 0.03
_LEAST_LEAKING = 0.05  # below this charge self-discharge dies down
_MOST_GAS_A = 1e9
_STEEPEST = 40.0  # of the exponent of gas: beyond, the current is past all sense and only must not overflow


@compiled
def decays(P, dt, D):
    """Fill the decays of one step length."""
    for k in range(P.shape[0]):
        D[k, D_A1], D[k, D_F1] = _decay(P[k, TAU1], dt)
        D[k, D_A2], D[k, D_F2] = _decay(P[k, TAU2], dt)
        rate = P[k, WELL_K]
        D[k, D_AW] = math.exp(-rate * dt)
        D[k, D_FW] = -math.expm1(-rate * dt) / rate if rate > 0.0 else 0.0
        heat = P[k, HEAT_J_K]
        D[k, D_AT] = math.exp(-P[k, COOL_W_K] * dt / heat) if heat > 0.0 else 1.0


@compiled
def _decay(tau, dt):
    if tau <= 0.0:
        return 0.0, 0.0
    x = dt / tau
    return math.exp(-x), -math.expm1(-x) / x


@compiled
def warm(P, tab, X, W):
    """Work out what temperature does to resistance, charge at hand and self-discharge."""
    for k in range(P.shape[0]):
        at = min(max(X[k, TEMP] - LOW_C, 0.0), WARM_STEPS - 1e-9)
        j = int(at)
        part = at - j
        row = tab.kind[k]
        W[k, W_WARM] = tab.warm[row, j] + part * (tab.warm[row, j + 1] - tab.warm[row, j])
        W[k, W_COLD] = 1.0 - (tab.cap[row, j] + part * (tab.cap[row, j + 1] - tab.cap[row, j]))
        above = (min(X[k, TEMP], HOTTEST_LEAK_C) - 25.0) / P[k, LEAK_DOUBLE_K]
        W[k, W_LEAK] = P[k, LEAK_A] * 2.0**above * min(max(X[k, SOC] / _LEAST_LEAKING, 0.0), 1.0)
        if P[k, GAS_A] > 0.0:
            up = P[k, GAS_PER_V] * (W[k, W_U] - P[k, GAS_AT_V]) + P[k, GAS_PER_K] * (X[k, TEMP] - 25.0)
            W[k, W_GAS] = P[k, GAS_A] * math.exp(min(up, _STEEPEST))


@inlined
def _source(k, P, tab, X, W, wells, loops):
    """Work out a unit's open-circuit voltage, its slope by charge, its resistances and the charge at hand."""
    s = X[k, SOC]
    row = tab.kind[k]
    at = min(max(s, 0.0), 1.0) * GRID
    j = min(int(at), GRID - 1)
    low = tab.by_charge[row, j, 0]
    rise = tab.by_charge[row, j + 1, 0] - low
    cells = P[k, CELLS]
    volts = cells * (low + (at - j) * rise)
    slope = cells * rise * GRID
    W[k, W_PLAIN], W[k, W_PLAIN_SLOPE] = volts, slope
    avail = head = s - W[k, W_COLD]
    W[k, W_PER_C], W[k, W_DRIFT] = 1.0 / P[k, Q_C], 0.0
    if wells and P[k, WELL_C] < 1.0:
        at_hand = head + P[k, WELL_M] - 1.0 - (1.0 - P[k, WELL_C]) * X[k, WELL]
        head = at_hand / P[k, WELL_M]
        avail = P[k, WELL_C] * at_hand
        W[k, W_PER_C] = 1.0 / (P[k, Q_C] * P[k, WELL_C] * P[k, WELL_M])
        W[k, W_DRIFT] = (1.0 - P[k, WELL_C]) * P[k, WELL_K] * X[k, WELL] / P[k, WELL_M]
    if head != s:
        at = min(max(head, 0.0), 1.0) * GRID
        j = min(int(at), GRID - 1)
    low = tab.by_charge[row, j, 1]
    ohms = P[k, R_OHM] * W[k, W_WARM]
    rise = tab.by_charge[row, j + 1, 1] - low
    W[k, W_R] = ohms * (low + (at - j) * rise)
    W[k, W_R_SLOPE] = ohms * rise * GRID if 0.0 < head < 1.0 else 0.0
    if P[k, CHARGE_RISE] > 0.0:
        more = ohms * P[k, CHARGE_RISE] / (1.05 - min(max(head, 0.0), FULLEST))
        W[k, W_R_IN] = ohms + more
        W[k, W_R_IN_SLOPE] = more * more / (ohms * P[k, CHARGE_RISE]) if 0.0 < head < FULLEST else 0.0
    if s > 1.0:
        volts += P[k, OVER_V] * (s - 1.0)
        slope = P[k, OVER_V]
    elif s < 0.0:
        slope = 0.0
    if avail < 0.0:
        left = math.exp(avail / KNEE)
        volts -= P[k, DROP_V] * (1.0 - left)
        slope += P[k, DROP_V] * left / KNEE
    if loops and P[k, HYST_V] > 0.0:
        volts += X[k, HYST]
        gap = P[k, HYST_V] + X[k, HYST] if W[k, W_MAIN] >= 0.0 else P[k, HYST_V] - X[k, HYST]
        slope += P[k, HYST_RATE] * max(gap, 0.0)
    W[k, W_E] = volts + P[k, ENTROPY_V_K] * (X[k, TEMP] - 25.0)
    W[k, W_SLOPE] = slope
    W[k, W_AVAIL] = avail


@compiled
def sources(P, tab, X, W, wells, loops):
    """Work out every unit's open-circuit voltage, its slope by charge, its resistances and the charge at hand."""
    for k in range(P.shape[0]):
        _source(k, P, tab, X, W, wells, loops)


@compiled
def now(P, X, W, lead, e, r, gassing):
    """Set every unit's source and resistance, its lead included, to those of this moment."""
    if gassing:
        for k in range(P.shape[0]):
            _now(k, P, X, W, lead, e, r, True)
    else:
        for k in range(P.shape[0]):
            _now(k, P, X, W, lead, e, r, False)


@inlined
def _now(k, P, X, W, lead, e, r, gassing):
    ohms = W[k, W_R_IN] if W[k, W_INWARD] > 0.0 else W[k, W_R]
    _outside(k, P, W, W[k, W_E] - X[k, V1] - X[k, V2], ohms, lead, e, r, gassing)


@compiled
def mean(P, X, W, D, dt, lead, e, r, gassing):
    """Set every unit's source and resistance, its lead included, to those of the mean over a step."""
    if gassing:
        for k in range(P.shape[0]):
            _mean(k, P, X, W, D, dt, lead, e, r, True)
    else:
        for k in range(P.shape[0]):
            _mean(k, P, X, W, D, dt, lead, e, r, False)


@inlined
def _mean(k, P, X, W, D, dt, lead, e, r, gassing):
    inward = W[k, W_INWARD] > 0.0
    ohms = W[k, W_R_IN] if inward else W[k, W_R]
    # The resistance half a step on, by the main current as last known.
    moved = 0.5 * dt * (W[k, W_DRIFT] - W[k, W_PER_C] * W[k, W_MAIN])
    ohms = max(ohms + (W[k, W_R_IN_SLOPE] if inward else W[k, W_R_SLOPE]) * moved, 0.25 * ohms)
    W[k, W_OHMS] = ohms
    f1, f2 = D[k, D_F1], D[k, D_F2]
    sag = W[k, W_SLOPE] * dt / P[k, Q_C]
    # theta * sag, with theta = 1/2 for sag < 2 ohms and 1 - ohms/sag beyond
    inner = ohms + max(0.5 * sag, sag - ohms) + (1.0 - f1) * P[k, R1] + (1.0 - f2) * P[k, R2]
    _outside(k, P, W, W[k, W_E] - f1 * X[k, V1] - f2 * X[k, V2], inner, lead, e, r, gassing)


@inlined
def _outside(k, P, W, volts, ohms, lead, e, r, gassing):
    """Put leak and gas, straightened about the last voltage, beside the main source: what is left is a plain source."""
    if gassing and P[k, GAS_A] > 0.0:
        grow = P[k, GAS_PER_V] * W[k, W_GAS]
        side = W[k, W_LEAK] + W[k, W_GAS] - grow * W[k, W_U]
        together = 1.0 / ohms + grow
        volts = (volts / ohms - side) / together
        ohms = 1.0 / together
    else:
        volts -= ohms * W[k, W_LEAK]
    W[k, W_BEHIND] = ohms
    e[k] = volts
    r[k] = ohms + lead[k]


@inlined
def _grown(gas, up):
    """Return a gas current grown by exp(up): by its series where that is small, as it is from step to step."""
    if abs(up) < _SMALL:
        return gas * (1.0 + up * (1.0 + up * (0.5 + up * (1.0 / 6.0 + up * (1.0 / 24.0 + up / 120.0)))))
    return min(gas * math.exp(min(up, _STEEPEST)), _MOST_GAS_A)


@compiled
def settle(P, W, e, i, gassing, rising):
    """Fill voltages, gas and main currents; return whether they agree with what was supposed, so that all is solved."""
    good = True
    if gassing or rising:
        for k in range(P.shape[0]):
            good &= _settle(k, P, W, e, i, gassing, rising)
    else:
        for k in range(P.shape[0]):
            _settle(k, P, W, e, i, False, False)
    return good


@inlined
def _settle(k, P, W, e, i, gassing, rising):
    good = True
    volts = e[k] - W[k, W_BEHIND] * i[k]
    main = i[k] + W[k, W_LEAK]
    if gassing and P[k, GAS_A] > 0.0:
        step = P[k, GAS_PER_V] * (volts - W[k, W_U])
        gas = _grown(W[k, W_GAS], step)
        if 0.5 * step * step * gas > _CLOSE_A * (1.0 + abs(i[k])):
            good = False
        W[k, W_GAS] = gas
        main += gas
    W[k, W_U] = volts
    if rising and P[k, CHARGE_RISE] > 0.0:
        inward = 1.0 if main < 0.0 else 0.0
        if inward != W[k, W_INWARD]:
            good = False
        W[k, W_INWARD] = inward
    W[k, W_I] = i[k]
    W[k, W_MAIN] = main
    return good


@inlined
def _later(k, P, tab, X, Y, W, D, dt, ambient_c, wells, loops, warming, gassing):
    """Fill a unit's state a step later."""
    main, amps, volts = W[k, W_MAIN], W[k, W_I], W[k, W_U]
    v1, v2 = X[k, V1], X[k, V2]
    a1, a2 = D[k, D_A1], D[k, D_A2]
    f1, f2 = D[k, D_F1], D[k, D_F2]
    r1, r2 = P[k, R1] * main, P[k, R2] * main
    Y[k, V1] = a1 * v1 + (1.0 - a1) * r1
    Y[k, V2] = a2 * v2 + (1.0 - a2) * r2
    pairs = f1 * v1 + f2 * v2 + (1.0 - f1) * r1 + (1.0 - f2) * r2
    charge = main * dt
    moved = charge
    s = X[k, SOC]
    if P[k, OXYGEN] > 0.0 and main < 0.0:
        moved *= min(max((OXYGEN_TO - s) / (OXYGEN_TO - OXYGEN_FROM), 0.0), 1.0)
    fall = moved / P[k, Q_C]
    Y[k, SOC] = s - fall
    Y[k, OUT_C] = X[k, OUT_C] + max(amps, 0.0) * dt
    Y[k, IN_C] = X[k, IN_C] + max(-amps, 0.0) * dt
    Y[k, MAIN_C] = X[k, MAIN_C] + moved
    ohms = W[k, W_OHMS]
    Y[k, E_OUT] = X[k, E_OUT] + volts * amps * dt
    Y[k, E_R0] = X[k, E_R0] + main * ohms * charge
    Y[k, E_PAIRS] = X[k, E_PAIRS] + pairs * charge
    Y[k, UNDER_C] = X[k, UNDER_C] + (max(charge, 0.0) if W[k, W_AVAIL] < 0.0 else 0.0)
    # What is added to the plain curve: a loop, a knee, overcharge, warmth; taken as the solution took it.
    sag, plain = W[k, W_SLOPE] * dt / P[k, Q_C], W[k, W_PLAIN_SLOPE] * dt / P[k, Q_C]
    extra = W[k, W_E] - W[k, W_PLAIN] - (max(0.5 * sag, sag - ohms) - 0.5 * plain) * main
    # Charge that went into oxygen took the plain curve's energy with it.
    half = 0.5 * W[k, W_PLAIN_SLOPE]
    oxygen_j = (W[k, W_PLAIN] - half * fall) * moved - (W[k, W_PLAIN] - half * charge / P[k, Q_C]) * charge
    Y[k, E_EXTRA] = X[k, E_EXTRA] + extra * charge
    side = W[k, W_LEAK]
    if gassing:
        side += W[k, W_GAS]
        Y[k, GAS_C] = X[k, GAS_C] + W[k, W_GAS] * dt
    Y[k, E_SIDE] = X[k, E_SIDE] + volts * side * dt + oxygen_j
    if wells:
        Y[k, WELL] = D[k, D_AW] * X[k, WELL] + D[k, D_FW] * main / (P[k, WELL_C] * P[k, Q_C])
    if loops and P[k, HYST_V] > 0.0:
        far = -P[k, HYST_V] if fall > 0.0 else P[k, HYST_V]
        Y[k, HYST] = far + (X[k, HYST] - far) * math.exp(-P[k, HYST_RATE] * abs(fall))
    if warming:
        heat_w = main * (main * ohms + pairs) + volts * side - main * (X[k, TEMP] + 273.15) * P[k, ENTROPY_V_K]
        heat_w += W[k, W_E] * (moved - charge) / dt - (side - W[k, W_LEAK]) * P[k, GAS_KEPT_V]
        rest_c = ambient_c + heat_w / P[k, COOL_W_K]
        Y[k, TEMP] = rest_c + (X[k, TEMP] - rest_c) * D[k, D_AT]
    _source(k, P, tab, Y, W, wells, loops)


@compiled
def later(P, tab, X, Y, W, D, dt, ambient_c, wells, loops, warming, gassing):
    """Fill the states `Y` a step after `X`, with the sums of charge and energy; then what those states mean."""
    if wells or loops or warming or gassing:
        for k in range(P.shape[0]):
            _later(k, P, tab, X, Y, W, D, dt, ambient_c, wells, loops, warming, gassing)
    else:  # the same with all that is left out known to the compiler
        for k in range(P.shape[0]):
            _later(k, P, tab, X, Y, W, D, dt, ambient_c, False, False, False, False)
