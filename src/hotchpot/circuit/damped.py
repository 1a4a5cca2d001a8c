"""
The stubborn case of a solution, compiled: gas far up its curve, and units that hardly take what they give easily.

The plain way (`cells.settle`) follows the tangent of every unit and nearly always agrees in a few rounds. Where a lead
unit is full, its resistance jumps a hundredfold with the sign of its current while its gas grows by a power of ten each
tenth of a volt, and tangents may throw the solution to and fro for ever. Here every unit's own voltage is found
exactly for a supposed current, between two that it cannot pass. The supposed currents follow the network's with a
damping of their own, which is halved whenever a unit's correction changes its sign, and grows again less each time.
All units' voltages fall as their currents rise, so there is one solution only.
"""

# The compiled functions have no types of their own: numba finds them from the arrays.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import math

from hotchpot.circuit.cells import STEEPEST, plain_mean, plain_now
from hotchpot.circuit.compiled import compiled, inlined
from hotchpot.circuit.layout import (
    CHARGE_RISE,
    GAS_A,
    GAS_AT_V,
    GAS_PER_K,
    GAS_PER_V,
    N_E,
    N_I,
    N_LEAD,
    N_R,
    V_DAMP,
    V_E,
    V_I,
    V_IN,
    V_LAST,
    V_MOST,
    V_OHMS,
    V_OUT,
    W_BEHIND,
    W_GAS,
    W_I,
    W_INWARD,
    W_LEAK,
    W_MAIN,
    W_OHMS,
    W_SEEN_C,
    W_U,
    Z_MESH,
)
from hotchpot.circuit.network import drive, reduce_mesh, reduce_tree, share_mesh, share_tree

_ROUNDS, _HALVINGS = 400, 200
_TAMER, _TAMEST = 0.7, 0.02
_CLOSE, _CLOSE_V = 1e-9, 1e-12


@compiled
def solve_damped(P, tree, mesh, X, W, V, D, dt, G, at, ceiling_v, Z):
    """
    Solve units, network and drive together, as `march` does, with a damping of its own for every unit.

    `V` is work space, shape (V_ROWS, n). Return the bank's current and voltage, whether the ceiling holds the source,
    whether the bank can feed the load, and whether all agrees.
    """
    n = P.shape[1]
    e, r, lead, shared = tree.nodes[N_E], tree.nodes[N_R], tree.nodes[N_LEAD], tree.nodes[N_I]
    _laws(P, X, W, V, D, dt, e, Z)
    for k in range(n):
        V[V_I, k] = W[W_I, k]
        V[V_LAST, k], V[V_DAMP, k], V[V_MOST, k] = 0.0, 1.0, 1.0
    amps = volts = held = 0.0
    good, agreed = True, False
    for _ in range(_ROUNDS):
        for k in range(n):
            _own(P, W, V, k)
            inward = V[V_IN, k] if W[W_INWARD, k] > 0.0 else V[V_OUT, k]
            grow = P[GAS_PER_V, k] * W[W_GAS, k]
            together = 1.0 / inward + grow
            e[k] = (V[V_E, k] / inward - W[W_LEAK, k] - W[W_GAS, k] + grow * W[W_U, k]) / together
            r[k] = 1.0 / together + lead[k]
        volts, ohms = reduce_mesh(mesh, tree) if Z[Z_MESH] else reduce_tree(tree)
        amps, volts, held, good = drive(volts, ohms, G, at, ceiling_v)
        if Z[Z_MESH]:
            share_mesh(mesh, tree, amps)
        else:
            share_tree(tree, amps)
        far = 0.0
        for k in range(n):
            off = shared[k] - V[V_I, k]
            far = max(far, abs(off) / (1.0 + abs(shared[k])))
            if off * V[V_LAST, k] < 0.0:
                V[V_DAMP, k] *= 0.5
                V[V_MOST, k] = max(_TAMER * V[V_MOST, k], _TAMEST)
            else:
                V[V_DAMP, k] = min(V[V_MOST, k], 1.5 * V[V_DAMP, k])
            V[V_LAST, k] = off
            V[V_I, k] += V[V_DAMP, k] * off
        if far < _CLOSE:
            agreed = True
            break
    for k in range(n):
        V[V_I, k] = shared[k]
        _own(P, W, V, k)
        W[W_I, k] = shared[k]
        W[W_MAIN, k] = shared[k] + W[W_LEAK, k] + W[W_GAS, k]
        W[W_OHMS, k] = V[V_OHMS, k] if W[W_INWARD, k] > 0.0 else W[W_OHMS, k]
        W[W_BEHIND, k] = r[k] - lead[k]
    return amps, volts, held, good, agreed


@inlined
def _laws(P, X, W, V, D, dt, e, Z):
    """Note every unit's source and what stands behind it for either way of the current, as they were supposed."""
    n = P.shape[1]
    for inward in (1.0, 0.0):
        for k in range(n):
            W[W_INWARD, k] = inward if P[CHARGE_RISE, k] > 0.0 else 0.0
        if dt == 0.0:
            plain_now(P, X, W, e, Z)
        else:
            plain_mean(P, X, W, D, dt, e, Z)
        for k in range(n):
            V[V_E, k] = e[k]
            V[V_IN if inward > 0.0 else V_OUT, k] = W[W_BEHIND, k]
        if inward > 0.0:
            for k in range(n):
                V[V_OHMS, k] = W[W_OHMS, k]


@inlined
def _own(P, W, V, k):
    """Find a unit's voltage, gas and direction for its supposed current: its voltage lies between two that are sure."""
    amps = V[V_I, k] + W[W_LEAK, k]
    if P[GAS_A, k] <= 0.0:
        behind = V[V_IN, k] if amps < 0.0 else V[V_OUT, k]
        W[W_U, k], W[W_GAS, k] = V[V_E, k] - behind * amps, 0.0
        W[W_INWARD, k] = 1.0 if amps < 0.0 and P[CHARGE_RISE, k] > 0.0 else 0.0
        return
    # Without gas the voltage would be the higher one; with the gas of a voltage that it cannot pass, the lower.
    high = V[V_E, k] - (V[V_IN, k] if amps < 0.0 else V[V_OUT, k]) * amps
    upper = min(high, V[V_E, k])
    low = min(upper, V[V_E, k] - V[V_OUT, k] * (amps + _gas(P, W, k, upper)))
    u = min(max(W[W_U, k], low), high)
    gas = 0.0
    for _ in range(_HALVINGS):
        gas = _gas(P, W, k, u)
        main = amps + gas
        behind = V[V_IN, k] if main < 0.0 else V[V_OUT, k]
        over = u - V[V_E, k] + behind * main
        if over > 0.0:
            high = u
        else:
            low = u
        step = over / (1.0 + behind * P[GAS_PER_V, k] * gas)  # by the tangent where that stays between
        if abs(step) < _CLOSE_V:
            break
        u = u - step if low < u - step < high else 0.5 * (low + high)
    W[W_U, k], W[W_GAS, k] = u, gas
    W[W_INWARD, k] = 1.0 if amps + W[W_GAS, k] < 0.0 and P[CHARGE_RISE, k] > 0.0 else 0.0


@inlined
def _gas(P, W, k, u):
    up = P[GAS_PER_V, k] * (u - P[GAS_AT_V, k]) + P[GAS_PER_K, k] * (W[W_SEEN_C, k] - 25.0)
    return P[GAS_A, k] * math.exp(min(up, STEEPEST))
