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
it is long: that damps what the midpoint rule would let ring on the steep ends of a curve. The resistance is that of
half a step on, by the main current as last known.

Loops are many and short on purpose: with a few arrays each, the compiler can see that they do not overlap, and takes
several units at once. What only some kinds of units have stands in loops of its own.
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
    D_B1,
    D_B2,
    D_F1,
    D_F2,
    D_FW,
    D_PAIRS,
    D_PER_A,
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
    W_COLD_TO,
    W_DRIFT,
    W_E,
    W_FORESEEN,
    W_GAS,
    W_HEAD,
    W_I,
    W_INWARD,
    W_LEAK,
    W_LEVEL,
    W_MAIN,
    W_OHMS,
    W_PER_C,
    W_PLAIN,
    W_PLAIN_SLOPE,
    W_R,
    W_R_IN,
    W_R_IN_SLOPE,
    W_R_SLOPE,
    W_SEEN_C,
    W_SHIFT,
    W_SLOPE,
    W_U,
    W_WARM,
    WARM_STEPS,
    WELL,
    WELL_C,
    WELL_K,
    WELL_M,
    X_HIGH_S,
    X_HIGH_V,
    X_HOT_C,
    X_HOT_S,
    X_IN_A,
    X_IN_S,
    X_LOW_S,
    X_LOW_V,
    X_OUT_A,
    X_OUT_S,
    Z_DRY,
    Z_GAS,
    Z_LOOPS,
    Z_OXYGEN,
    Z_RISE,
    Z_WARM,
    Z_WELLS,
)  # fmt: skip

_CLOSE_A = 1e-6  # what the straightened gas may miss, beside the unit's own current
_SMALL = 0.03
_MOST_HELD = 0.98  # of its charge that the cold may hold back in a unit at rest
_LEAST_LEAKING = 0.05  # below this charge self-discharge dies down
_MOST_BENT_C_RATE, _MOST_BENT_FRAC = 0.002, 0.02  # current that a bend of the source within a step may make wrong
_LONGEST = 4.0  # e-folds of gas that one round may add
STEEPEST = 300.0  # of the exponent of gas, so that it cannot overflow; a round adds few e-folds


@compiled
def decays(P, dt, D):
    """Fill the decays of one step length."""
    for k in range(P.shape[1]):
        D[D_A1, k], D[D_F1, k] = _decay(P[TAU1, k], dt)
        D[D_A2, k], D[D_F2, k] = _decay(P[TAU2, k], dt)
        D[D_B1, k], D[D_B2, k] = (1.0 - D[D_A1, k]) * P[R1, k], (1.0 - D[D_A2, k]) * P[R2, k]
        D[D_PAIRS, k] = (1.0 - D[D_F1, k]) * P[R1, k] + (1.0 - D[D_F2, k]) * P[R2, k]
        D[D_PER_A, k] = dt / P[Q_C, k]
        rate = P[WELL_K, k]
        D[D_AW, k] = math.exp(-rate * dt)
        held = -math.expm1(-rate * dt) / rate if rate > 0.0 else 0.0
        D[D_FW, k] = held / (P[WELL_C, k] * P[Q_C, k])
        heat = P[HEAT_J_K, k]
        D[D_AT, k] = math.exp(-P[COOL_W_K, k] * dt / heat) if heat > 0.0 else 1.0


@inlined
def _decay(tau, dt):
    x = dt / tau if tau > 0.0 else 1.0
    return (math.exp(-x), -math.expm1(-x) / x) if tau > 0.0 else (0.0, 0.0)


@compiled
def warm(P, tab, X, W, first):
    """Work out what temperature does to resistance, charge at hand and self-discharge; the gas current anew."""
    for k in range(P.shape[1]):
        at = min(max(X[TEMP, k] - LOW_C, 0.0), WARM_STEPS - 1e-9)
        j = int(at)
        part = at - j
        row = tab.kind[k]
        W[W_WARM, k] = tab.warm[row, j] + part * (tab.warm[row, j + 1] - tab.warm[row, j])
        W[W_PER_C, k] = 1.0 / P[Q_C, k]
        cold = 1.0 - (tab.cap[row, j] + part * (tab.cap[row, j + 1] - tab.cap[row, j]))
        # The cold holds charge back; it never takes a unit below empty that nobody has drawn on.
        W[W_COLD_TO, k] = min(cold, max(W[W_COLD, k], _MOST_HELD * X[SOC, k], 0.0))
        if first:
            W[W_COLD, k] = W[W_COLD_TO, k]
        W[W_SEEN_C, k] = X[TEMP, k]
        above = (min(X[TEMP, k], HOTTEST_LEAK_C) - 25.0) / P[LEAK_DOUBLE_K, k]
        W[W_LEAK, k] = P[LEAK_A, k] * 2.0**above * min(max(X[SOC, k] / _LEAST_LEAKING, 0.0), 1.0)
        if P[GAS_A, k] > 0.0:
            up = P[GAS_PER_V, k] * (W[W_U, k] - P[GAS_AT_V, k]) + P[GAS_PER_K, k] * (X[TEMP, k] - 25.0)
            W[W_GAS, k] = P[GAS_A, k] * math.exp(min(up, STEEPEST))


@compiled
def sources(P, tab, X, W, Z):
    """Work out every unit's open-circuit voltage, its slope by charge, its resistances and the charge at hand."""
    n = P.shape[1]
    s, head, avail, cold = X[SOC], W[W_HEAD], W[W_AVAIL], W[W_COLD]
    volts, slope, cells = W[W_PLAIN], W[W_PLAIN_SLOPE], P[CELLS]
    for k in range(n):
        head[k] = s[k] - cold[k]
        avail[k] = head[k]
    if Z[Z_WELLS]:
        _wells(P, X, W)
    ohms, fall, base, warmth = W[W_R], W[W_R_SLOPE], P[R_OHM], W[W_WARM]
    past = apart = dry = 0
    for k in range(n):
        apart += head[k] != s[k]
        past += (s[k] > 1.0) | (s[k] < 0.0)
        dry += avail[k] < 0.0
    past += dry
    Z[Z_DRY] = dry > 0 and Z[Z_WELLS]
    for k in range(n):
        at = min(max(s[k], 0.0), 1.0) * GRID
        j = min(int(at), GRID - 1)
        row = tab.kind[k]
        low = tab.by_charge[row, j, 0]
        rise = tab.by_charge[row, j + 1, 0] - low
        volts[k] = cells[k] * (low + (at - j) * rise)
        slope[k] = cells[k] * rise * GRID
        low = tab.by_charge[row, j, 1]
        rise = tab.by_charge[row, j + 1, 1] - low
        whole = base[k] * warmth[k]
        ohms[k] = whole * (low + (at - j) * rise)
        fall[k] = whole * rise * GRID
    if apart > 0:
        for k in range(n):
            at = min(max(head[k], 0.0), 1.0) * GRID
            j = min(int(at), GRID - 1)
            row = tab.kind[k]
            low = tab.by_charge[row, j, 1]
            rise = tab.by_charge[row, j + 1, 1] - low
            whole = base[k] * warmth[k]
            ohms[k] = whole * (low + (at - j) * rise)
            fall[k] = whole * rise * GRID
    own, steep, entropy, warmer = W[W_E], W[W_SLOPE], P[ENTROPY_V_K], X[TEMP]
    for k in range(n):
        own[k] = volts[k] + entropy[k] * (warmer[k] - 25.0)
    for k in range(n):
        steep[k] = slope[k]
    if Z[Z_RISE]:
        _rise(P, X, W)
    if past > 0:
        _ends(P, X, W)
    if Z[Z_LOOPS]:
        for k in range(n):
            if P[HYST_V, k] > 0.0:
                own[k] += X[HYST, k]
                gap = P[HYST_V, k] + X[HYST, k] if W[W_MAIN, k] >= 0.0 else P[HYST_V, k] - X[HYST, k]
                steep[k] += P[HYST_RATE, k] * max(gap, 0.0)


@inlined
def _wells(P, X, W):
    for k in range(P.shape[1]):
        if P[WELL_C, k] < 1.0:
            at_hand = W[W_HEAD, k] + P[WELL_M, k] - 1.0 - (1.0 - P[WELL_C, k]) * X[WELL, k]
            W[W_HEAD, k] = at_hand / P[WELL_M, k]
            W[W_LEVEL, k] = (at_hand + W[W_COLD, k]) / P[WELL_M, k]
            W[W_AVAIL, k] = P[WELL_C, k] * at_hand
            W[W_PER_C, k] = 1.0 / (P[Q_C, k] * P[WELL_C, k] * P[WELL_M, k])
            W[W_DRIFT, k] = (1.0 - P[WELL_C, k]) * P[WELL_K, k] * X[WELL, k] / P[WELL_M, k]


@inlined
def _rise(P, X, W):
    """Work out the resistance on charge, by how full the well at hand is; the cold holds no room for more."""
    for k in range(P.shape[1]):
        if P[CHARGE_RISE, k] > 0.0:
            level = W[W_LEVEL, k] if P[WELL_C, k] < 1.0 else X[SOC, k]
            ohms = P[R_OHM, k] * W[W_WARM, k]
            more = ohms * P[CHARGE_RISE, k] / (1.05 - min(max(level, 0.0), FULLEST))
            W[W_R_IN, k] = ohms + more
            W[W_R_IN_SLOPE, k] = more * more / (ohms * P[CHARGE_RISE, k]) if 0.0 < level < FULLEST else 0.0


@inlined
def _ends(P, X, W):
    """Mend the units that stand beyond full or below empty."""
    for k in range(P.shape[1]):
        s, avail = X[SOC, k], W[W_AVAIL, k]
        if s > 1.0 or s < 0.0:
            W[W_PLAIN_SLOPE, k] = 0.0
            W[W_E, k] += P[OVER_V, k] * max(s - 1.0, 0.0)
            W[W_SLOPE, k] = P[OVER_V, k] if s > 1.0 else 0.0
        if avail < 0.0:
            left = math.exp(avail / KNEE)
            W[W_E, k] -= P[DROP_V, k] * (1.0 - left)
            W[W_SLOPE, k] += P[DROP_V, k] * left / KNEE
        if not 0.0 < W[W_HEAD, k] < 1.0:
            W[W_R_SLOPE, k] = 0.0


@compiled
def now(P, X, W, lead, e, r, Z):
    """Set every unit's source and resistance, its lead included, to those of this moment."""
    plain_now(P, X, W, e, Z)
    _beside(P, W, lead, e, r, Z)


@inlined
def plain_now(P, X, W, e, Z):
    """Set every unit's source, and what stands behind it, to those of this moment, without gas and leak."""
    n = P.shape[1]
    own, v1, v2, behind, ohms = W[W_E], X[V1], X[V2], W[W_BEHIND], W[W_R]
    for k in range(n):
        e[k] = own[k] - v1[k] - v2[k]
    for k in range(n):
        behind[k] = ohms[k]
    if Z[Z_RISE]:
        for k in range(n):
            if W[W_INWARD, k] > 0.0:
                behind[k] = W[W_R_IN, k]


@compiled
def mean(P, X, W, D, dt, lead, e, r, Z):
    """Set every unit's source and resistance, its lead included, to those of the mean over a step."""
    plain_mean(P, X, W, D, dt, e, Z)
    _beside(P, W, lead, e, r, Z)


@inlined
def plain_mean(P, X, W, D, dt, e, Z):
    """Set every unit's source, and what stands behind it, to those of the mean over a step, without gas and leak."""
    n = P.shape[1]
    own, v1, v2, f1, f2 = W[W_E], X[V1], X[V2], D[D_F1], D[D_F2]
    for k in range(n):
        e[k] = own[k] - f1[k] * v1[k] - f2[k] * v2[k]
    ohms, base, fall, main, per_c = W[W_OHMS], W[W_R], W[W_R_SLOPE], W[W_MAIN], W[W_PER_C]
    half = 0.5 * dt
    for k in range(n):
        ohms[k] = max(base[k] - fall[k] * half * per_c[k] * main[k], 0.25 * base[k])
    if Z[Z_RISE] or Z[Z_WELLS]:
        for k in range(n):
            moved = half * (W[W_DRIFT, k] - per_c[k] * main[k])
            if W[W_INWARD, k] > 0.0:
                ohms[k] = max(W[W_R_IN, k] + W[W_R_IN_SLOPE, k] * moved, 0.25 * W[W_R_IN, k])
            else:
                ohms[k] = max(base[k] + fall[k] * moved, 0.25 * base[k])
    behind, slope, per_a, pairs = W[W_BEHIND], W[W_SLOPE], D[D_PER_A], D[D_PAIRS]
    for k in range(n):
        # theta * sag, with theta = 1/2 for sag < 2 ohms and 1 - ohms/sag beyond
        sag = slope[k] * per_a[k]
        behind[k] = ohms[k] + max(0.5 * sag, sag - ohms[k]) + pairs[k]
    if Z[Z_DRY]:
        for k in range(n):
            W[W_SHIFT, k] = 0.0
            if W[W_AVAIL, k] < 0.0:
                sag = slope[k] * per_a[k]
                W[W_SHIFT, k] = max(0.5, 1.0 - ohms[k] / max(sag, ohms[k])) * dt * _given_back(P, W, k)
                e[k] += W[W_SHIFT, k]


@inlined
def _given_back(P, W, k):
    """Return how fast what comes loose in the wells of an empty unit lifts its source. [V/s]"""
    steep = P[DROP_V, k] * math.exp(W[W_AVAIL, k] / KNEE) / KNEE
    return steep * P[WELL_C, k] * P[WELL_M, k] * W[W_DRIFT, k]


@inlined
def foresee(P, W, D, dt, Z):
    """Note where every unit's source will stand after the step if its curve is straight."""
    own, slope, per_a, main, to = W[W_E], W[W_SLOPE], D[D_PER_A], W[W_MAIN], W[W_FORESEEN]
    for k in range(P.shape[1]):
        to[k] = own[k] - slope[k] * per_a[k] * main[k]
    if Z[Z_DRY]:
        for k in range(P.shape[1]):
            if W[W_AVAIL, k] < 0.0:
                to[k] += dt * _given_back(P, W, k)


@inlined
def bent(P, W):
    """
    Return whether a source stands so far from where it was foreseen that currents are wrong by what matters.

    Between branches side by side a volt too much drives a current through little more than their resistance; where a
    step leaps over a knee they would throw it to and fro from step to step.
    """
    found = 0
    own, foreseen, ohms, main = W[W_E], W[W_FORESEEN], W[W_R], W[W_MAIN]
    for k in range(P.shape[1]):
        most_a = _MOST_BENT_C_RATE / 3600.0 * P[Q_C, k] + _MOST_BENT_FRAC * abs(main[k])
        found += abs(own[k] - foreseen[k]) > most_a * ohms[k]
    return found > 0


@inlined
def _beside(P, W, lead, e, r, Z):
    """Put leak and gas, straightened about the last voltage, beside the main source: what is left is a plain source."""
    n = P.shape[1]
    behind, leak = W[W_BEHIND], W[W_LEAK]
    if Z[Z_GAS]:
        for k in range(n):
            grow = P[GAS_PER_V, k] * W[W_GAS, k]
            side = leak[k] + W[W_GAS, k] - grow * W[W_U, k]
            together = 1.0 / behind[k] + grow
            e[k] = (e[k] / behind[k] - side) / together
            behind[k] = 1.0 / together
    else:
        for k in range(n):
            e[k] -= behind[k] * leak[k]
    for k in range(n):
        r[k] = behind[k] + lead[k]


@compiled
def settle(P, W, e, i, Z):
    """Fill voltages, gas and main currents; return whether they agree with what was supposed, so that all is solved."""
    n = P.shape[1]
    behind, amps, main, leak, volts = W[W_BEHIND], W[W_I], W[W_MAIN], W[W_LEAK], W[W_U]
    for k in range(n):
        amps[k] = i[k]
    for k in range(n):
        main[k] = i[k] + leak[k]
    good = True
    if Z[Z_GAS]:
        for k in range(n):
            u = e[k] - behind[k] * i[k]
            if P[GAS_A, k] > 0.0:
                # Held, as junctions are in circuit simulators: far up its curve gas is not what the line says.
                u = min(u, max(volts[k], P[GAS_AT_V, k]) + _LONGEST / P[GAS_PER_V, k])
                step = P[GAS_PER_V, k] * (u - volts[k])
                if abs(step) < _SMALL:  # as it is from step to step
                    gas = W[W_GAS, k] * _series(step)
                else:
                    up = P[GAS_PER_V, k] * (u - P[GAS_AT_V, k]) + P[GAS_PER_K, k] * (W[W_SEEN_C, k] - 25.0)
                    gas = P[GAS_A, k] * math.exp(min(up, STEEPEST))
                if 0.5 * step * step * gas > _CLOSE_A * (1.0 + abs(i[k])) or u < e[k] - behind[k] * i[k]:
                    good = False
                W[W_GAS, k] = gas
                main[k] += gas
            volts[k] = u
    else:
        for k in range(n):
            volts[k] = e[k] - behind[k] * i[k]
    if Z[Z_RISE]:
        for k in range(n):
            if P[CHARGE_RISE, k] > 0.0:
                inward = 1.0 if main[k] < 0.0 else 0.0
                if inward != W[W_INWARD, k]:
                    good = False
                W[W_INWARD, k] = inward
    return good


@inlined
def _series(up):
    """Return exp(up) for a small exponent, to 1e-12."""
    return 1.0 + up * (1.0 + up * (0.5 + up * (1.0 / 6.0 + up * (1.0 / 24.0 + up / 120.0))))


@compiled
def later(P, X, Y, W, D, dt, ambient_c, Z):
    """Fill the states `Y` a step after `X`, with the sums of charge and energy."""
    n = P.shape[1]
    main, amps, volts, ohms = W[W_MAIN], W[W_I], W[W_U], W[W_OHMS]
    x, y, a, b = X[V1], Y[V1], D[D_A1], D[D_B1]
    for k in range(n):
        y[k] = a[k] * x[k] + b[k] * main[k]
    x, y, a, b = X[V2], Y[V2], D[D_A2], D[D_B2]
    for k in range(n):
        y[k] = a[k] * x[k] + b[k] * main[k]
    x, y, per_a = X[SOC], Y[SOC], D[D_PER_A]
    for k in range(n):
        y[k] = x[k] - per_a[k] * main[k]
    x, y = X[OUT_C], Y[OUT_C]
    for k in range(n):
        y[k] = x[k] + max(amps[k], 0.0) * dt
    x, y = X[IN_C], Y[IN_C]
    for k in range(n):
        y[k] = x[k] + max(-amps[k], 0.0) * dt
    x, y = X[MAIN_C], Y[MAIN_C]
    for k in range(n):
        y[k] = x[k] + main[k] * dt
    x, y = X[E_OUT], Y[E_OUT]
    for k in range(n):
        y[k] = x[k] + volts[k] * amps[k] * dt
    x, y = X[E_R0], Y[E_R0]
    for k in range(n):
        y[k] = x[k] + main[k] * main[k] * ohms[k] * dt
    x, y, v1, v2, f1, f2, pairs = X[E_PAIRS], Y[E_PAIRS], X[V1], X[V2], D[D_F1], D[D_F2], D[D_PAIRS]
    for k in range(n):
        y[k] = x[k] + (f1[k] * v1[k] + f2[k] * v2[k] + pairs[k] * main[k]) * main[k] * dt
    x, y, avail = X[UNDER_C], Y[UNDER_C], W[W_AVAIL]
    for k in range(n):
        y[k] = x[k] + (max(main[k], 0.0) * dt if avail[k] < 0.0 else 0.0)
    # What is added to the plain curve: a loop, a knee, overcharge, warmth; taken as the solution took it.
    x, y, own, plain, slope, flat = X[E_EXTRA], Y[E_EXTRA], W[W_E], W[W_PLAIN], W[W_SLOPE], W[W_PLAIN_SLOPE]
    for k in range(n):
        sag = slope[k] * per_a[k]
        more = max(0.5 * sag, sag - ohms[k]) - 0.5 * flat[k] * per_a[k]
        y[k] = x[k] + (own[k] - plain[k] - more * main[k]) * main[k] * dt
    if Z[Z_DRY]:
        for k in range(n):
            Y[E_EXTRA, k] += W[W_SHIFT, k] * main[k] * dt
    x, y, leak = X[E_SIDE], Y[E_SIDE], W[W_LEAK]
    for k in range(n):
        y[k] = x[k] + volts[k] * leak[k] * dt
    if Z[Z_OXYGEN]:
        _oxygen(P, X, Y, W, dt)
    if Z[Z_GAS]:
        for k in range(n):
            Y[GAS_C, k] = X[GAS_C, k] + W[W_GAS, k] * dt
            Y[E_SIDE, k] += volts[k] * W[W_GAS, k] * dt
    if Z[Z_WELLS]:
        for k in range(n):
            Y[WELL, k] = D[D_AW, k] * X[WELL, k] + D[D_FW, k] * main[k]
    if Z[Z_LOOPS]:
        for k in range(n):
            if P[HYST_V, k] > 0.0:
                fall = X[SOC, k] - Y[SOC, k]
                far = -P[HYST_V, k] if fall > 0.0 else P[HYST_V, k]
                Y[HYST, k] = far + (X[HYST, k] - far) * math.exp(-P[HYST_RATE, k] * abs(fall))
    if Z[Z_WARM]:
        _warmer(P, X, Y, W, D, dt, ambient_c)


@inlined
def _oxygen(P, X, Y, W, dt):
    """Take back from the charge what went into oxygen; it took the plain curve's energy with it."""
    for k in range(P.shape[1]):
        main = W[W_MAIN, k]
        if P[OXYGEN, k] > 0.0 and main < 0.0:
            s, charge = X[SOC, k], main * dt
            moved = charge * min(max((OXYGEN_TO - s) / (OXYGEN_TO - OXYGEN_FROM), 0.0), 1.0)
            fall = moved / P[Q_C, k]
            Y[SOC, k] = s - fall
            Y[MAIN_C, k] = X[MAIN_C, k] + moved
            half = 0.5 * W[W_PLAIN_SLOPE, k]
            kept_j = (W[W_PLAIN, k] - half * fall) * moved
            Y[E_SIDE, k] += kept_j - (W[W_PLAIN, k] - half * charge / P[Q_C, k]) * charge


@inlined
def _warmer(P, X, Y, W, D, dt, ambient_c):
    """Warm the units by what they lost, and cool them towards their surroundings."""
    for k in range(P.shape[1]):
        main = W[W_MAIN, k]
        inside_j = (Y[E_R0, k] - X[E_R0, k]) + (Y[E_PAIRS, k] - X[E_PAIRS, k])
        # A reversed unit's source takes energy in, and stores none of it.
        taken_j = max(-(W[W_U, k] * main * dt + inside_j), 0.0) if main > 0.0 else 0.0
        lost_j = inside_j + taken_j + (Y[E_SIDE, k] - X[E_SIDE, k])
        heat_w = lost_j / dt - main * (X[TEMP, k] + 273.15) * P[ENTROPY_V_K, k] - W[W_GAS, k] * P[GAS_KEPT_V, k]
        if P[COOL_W_K, k] > 0.0:
            rest_c = ambient_c + heat_w / P[COOL_W_K, k]
            Y[TEMP, k] = rest_c + (X[TEMP, k] - rest_c) * D[D_AT, k]
        else:
            Y[TEMP, k] = X[TEMP, k] + heat_w * dt / P[HEAT_J_K, k]


@compiled
def extremes(X, W, M, t):
    """Keep the extremes of every unit and when they were."""
    for k in range(X.shape[1]):
        i, u, c = W[W_I, k], W[W_U, k], X[TEMP, k]
        if i > M[X_OUT_A, k]:
            M[X_OUT_A, k], M[X_OUT_S, k] = i, t
        if -i > M[X_IN_A, k]:
            M[X_IN_A, k], M[X_IN_S, k] = -i, t
        if u > M[X_HIGH_V, k]:
            M[X_HIGH_V, k], M[X_HIGH_S, k] = u, t
        if u < M[X_LOW_V, k]:
            M[X_LOW_V, k], M[X_LOW_S, k] = u, t
        if c > M[X_HOT_C, k]:
            M[X_HOT_C, k], M[X_HOT_S, k] = c, t


@compiled
def warmed(X, W):
    """Return by how much the temperature of any unit has moved since warmth was looked at. [K]"""
    most = 0.0
    for k in range(X.shape[1]):
        most = max(most, abs(X[TEMP, k] - W[W_SEEN_C, k]))
    return most


@compiled
def colder(W, part):
    """Let what the cold holds back follow the temperature without jumps: by this part of the way."""
    held, towards = W[W_COLD], W[W_COLD_TO]
    for k in range(W.shape[1]):
        held[k] += (towards[k] - held[k]) * part
