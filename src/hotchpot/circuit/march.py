"""
The march through time, compiled: solve, look, step; stop where something happens that the caller must decide on.

Two states are kept, the current one and the next, so that a step can be taken back: where a step passes a limit, its
length is halved again and again until the moment stands to a microsecond. The caller (`run`) then changes what must
change and marches on.
"""

# The compiled functions have no types of their own: numba finds them from the arrays.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import math

from hotchpot.circuit.cells import (
    bent,
    colder,
    decays,
    extremes,
    foresee,
    later,
    mean,
    now,
    settle,
    sources,
    warm,
    warmed,
)
from hotchpot.circuit.compiled import compiled
from hotchpot.circuit.damped import solve_damped
from hotchpot.circuit.layout import (
    B_AGAIN_V,
    B_CEILING_PER_K,
    B_CEILING_V,
    B_HIGH_V,
    B_LOW_V,
    B_REACH,
    B_SETTLED_A,
    B_TAIL_A,
    BENT,
    C_COUNT,
    C_HELD,
    C_HELD_S,
    C_LEVEL,
    C_RECORD,
    C_SIDE,
    C_STRETCH,
    C_TIME,
    C_WARM,
    COLLAPSED,
    EVENT,
    F_AMPS2,
    F_NODE,
    F_TAU,
    F_TRIP,
    FAILED,
    L_AVAIL,
    L_FULL,
    L_HIGH_V,
    L_HOT_C,
    L_IN_A,
    L_LOW_V,
    L_OUT_A,
    LEVELS,
    N_E,
    N_I,
    N_LEAD,
    N_R,
    O_AMBIENT_C,
    O_FALL,
    O_RECORD_S,
    O_STEP_S,
    O_STOP_S,
    O_WARM_S,
    RECORD_COLD,
    RECORD_FULL,
    S_CHARGE,
    S_ENERGY,
    S_IN_CHARGE,
    S_IN_ENERGY,
    S_LINKS,
    S_TAPS,
    SOC,
    TEMP,
    TIME_OVER,
    W_AVAIL,
    W_I,
    W_MAIN,
    W_PER_C,
    W_U,
    WENT,
    Z_MESH,
    Z_WARM,
)  # fmt: skip
from hotchpot.circuit.network import (
    drive,
    links_w,
    mesh_links_w,
    reduce_mesh,
    reduce_tree,
    share_mesh,
    share_tree,
    taps_w,
)

_ROUNDS = 15
_LEAST_BENT_S = 1e-3  # steps as short as this are not halved for a bend
_MOMENT_S = 1e-6
_COLD_S = 600.0  # how fast the charge that cold holds back follows the temperature; engineering guess
_WARMED_K = 0.5  # warmth is looked at again when a unit has moved by this
_NEAR_EMPTY, _NEAR_FULL, _NEAR_FINER = 0.06, 0.97, 5.0
_BENDS_EMPTY, _BENDS_FULL = 0.01, 0.995  # where a step may leap over the end of a curve


@compiled
def _solve(P, tree, mesh, X, W, V, D, dt, G, at, ceiling_v, Z):
    """
    Solve units, network and drive together, for this moment (`dt` 0) or the mean of a step.

    Return the bank's current and voltage, whether the ceiling holds the source, whether the bank can feed the load,
    and whether all units agree with what was supposed of them.
    """
    for _ in range(_ROUNDS):
        if dt == 0.0:
            now(P, X, W, tree.nodes[N_LEAD], tree.nodes[N_E], tree.nodes[N_R], Z)
        else:
            mean(P, X, W, D, dt, tree.nodes[N_LEAD], tree.nodes[N_E], tree.nodes[N_R], Z)
        if Z[Z_MESH]:
            volts, ohms = reduce_mesh(mesh, tree)
        else:
            volts, ohms = reduce_tree(tree)
        amps, volts, held, good = drive(volts, ohms, G, at, ceiling_v)
        if Z[Z_MESH]:
            share_mesh(mesh, tree, amps)
        else:
            share_tree(tree, amps)
        agreed = settle(P, W, tree.nodes[N_E], tree.nodes[N_I], Z)
        if agreed:
            return amps, volts, held, good, agreed
    return solve_damped(P, tree, mesh, X, W, V, D, dt, G, at, ceiling_v, Z)


@compiled
def _look(X, W, L, B, F, fuses, amps, volts, held, ceiling_v):
    """
    Return whether anything has passed its limit, how fast the quickest unit moves through its curve [1/s], and whether
    any is near an end of it.

    Near the ends, where curves are steep, the pace counts more.
    """
    past = 0
    past += (volts < B[B_LOW_V]) | (volts < B[B_AGAIN_V] + ceiling_v - B[B_CEILING_V]) | (volts > B[B_HIGH_V])
    past += (held > 0.0) & ((amps > -B[B_TAIL_A]) | (B[B_REACH] > 0.0))
    n = X.shape[1]
    i, u, s, avail, warmth, main, per_c = W[W_I], W[W_U], X[SOC], W[W_AVAIL], X[TEMP], W[W_MAIN], W[W_PER_C]
    low, high, out, into, empty, full, hot = (
        L[L_LOW_V], L[L_HIGH_V], L[L_OUT_A], L[L_IN_A], L[L_AVAIL], L[L_FULL], L[L_HOT_C],
    )  # fmt: skip
    for k in range(n):
        past += (u[k] < low[k]) | (u[k] > high[k])
    for k in range(n):
        past += (i[k] > out[k]) | (-i[k] > into[k])
    for k in range(n):
        past += (avail[k] < empty[k]) | (s[k] > full[k]) | (warmth[k] > hot[k])
    most = quick = least = fullest = 0.0
    for k in range(n):
        most = max(most, abs(i[k]))
    for k in range(n):
        quick = max(quick, abs(main[k]) * per_c[k])
    least, fullest = avail[0], s[0]
    for k in range(n):
        least = min(least, avail[k])
        fullest = max(fullest, s[k])
    if least < _NEAR_EMPTY or fullest > _NEAR_FULL:
        for k in range(n):
            if avail[k] < _NEAR_EMPTY or s[k] > _NEAR_FULL:
                quick = max(quick, _NEAR_FINER * abs(main[k]) * per_c[k])
    past += most < B[B_SETTLED_A]
    for j in range(fuses.shape[1]):
        past += F[j] > fuses[F_TRIP, j]
    return past > 0, quick, least < _BENDS_EMPTY or fullest > _BENDS_FULL


@compiled
def _step(P, tab, tree, mesh, X, S, F, fuses, W, V, D, dt, G, at, ceiling_v, O, Z, p, near):
    """
    Take one step from state `p` to the other; the sources of `p` stand in the work space. Return how it went.

    Where a unit is `near` an end of its curve it is looked whether the curve is straight enough for such a step.
    """
    q = 1 - p
    amps, volts, _, good, agreed = _solve(P, tree, mesh, X[p], W, V, D, dt, G, at, ceiling_v, Z)
    if not good:
        return FAILED
    if near:
        foresee(P, W, D, dt, Z)
    later(P, X[p], X[q], W, D, dt, O[O_AMBIENT_C], Z)
    sources(P, tab, X[q], W, Z)
    lost = mesh_links_w(mesh, tree) if Z[Z_MESH] else links_w(tree)
    S[q, S_CHARGE] = S[p, S_CHARGE] + amps * dt
    S[q, S_ENERGY] = S[p, S_ENERGY] + amps * volts * dt
    S[q, S_LINKS] = S[p, S_LINKS] + lost * dt
    S[q, S_TAPS] = S[p, S_TAPS] + (taps_w(mesh, amps) * dt if Z[Z_MESH] else 0.0)
    S[q, S_IN_CHARGE] = S[p, S_IN_CHARGE] + max(-amps, 0.0) * dt
    S[q, S_IN_ENERGY] = S[p, S_IN_ENERGY] + max(-amps, 0.0) * volts * dt
    for j in range(fuses.shape[1]):
        i = tree.nodes[N_I, int(fuses[F_NODE, j])]
        rest = i * i / fuses[F_AMPS2, j]
        F[q, j] = rest + (F[p, j] - rest) * math.exp(-dt / fuses[F_TAU, j])
    return BENT if not agreed or (near and bent(P, W)) else WENT


@compiled
def _ceiling(B, X):
    total = 0.0
    for k in range(X.shape[1]):
        total += X[TEMP, k]
    return B[B_CEILING_V] + B[B_CEILING_PER_K] * (total / X.shape[1] - 25.0)


@compiled
def _write(rec_t, rec_b, rec_u, count, t, amps, volts, X, W):
    rec_t[count] = t
    rec_b[0, count], rec_b[1, count] = volts, amps
    n = X.shape[1]
    to, values = rec_u[0, count], W[W_I]
    for k in range(n):
        to[k] = values[k]
    to, values = rec_u[1, count], W[W_U]
    for k in range(n):
        to[k] = values[k]
    to, values = rec_u[2, count], X[SOC]
    for k in range(n):
        to[k] = values[k]
    if rec_u.shape[0] > RECORD_COLD:
        to, values = rec_u[3, count], X[TEMP]
        for k in range(n):
            to[k] = values[k]


@compiled
def march(
    P, tab, tree, mesh, X, S, F, fuses, W, V, D, M, known, edges, G, L, B, clock, O, Z, rec_t, rec_b, rec_u, bank
):
    """
    March until the drive ends, a limit is passed, the records are full, or the load cannot be fed; return which.

    Parameters
    ----------
    P, tab, tree, mesh
        Units and network, see `layout`.
    X, S, F : ndarray, shapes (2, X_ROWS, n), (2, S_ROWS), (2, f)
        The two states: of the units, of the bank's sums, of the fuses' heat.
    fuses : ndarray, shape (4, f)
    W, V, D, M, known
        Work space, more of it for the damped solution, decays of every step level and one for odd lengths, extremes,
        and whether a level's decays are known.
    edges, G : ndarray, shapes (m + 1,), (G_ROWS, m)
        Moments [s] at which the drive changes, and what it is between them.
    L, B, clock, O, Z
        Limits of the units and of the bank, where the steps stand, how they are made, and switches.
    rec_t, rec_b, rec_u : ndarray, shapes (c,), (2, c), (4, c, n) or, where temperatures are held, (3, c, n)
        Records: time; volts and amps of the bank; amps, volts, charge and temperature of the units.
    bank : ndarray, shape (3,)
        What stands at the end: amps, volts, whether the ceiling holds.
    """
    p, t = int(clock[C_SIDE]), clock[C_TIME]
    at, level = int(clock[C_STRETCH]), int(clock[C_LEVEL])
    count = int(clock[C_COUNT])
    ready = near = again = False
    ceiling_v = 0.0
    amps = volts = held = quick = 0.0
    grown = 0
    while True:
        if t >= clock[C_WARM]:
            warm(P, tab, X[p], W, t == 0.0)
            ceiling_v = _ceiling(B, X[p])
            clock[C_WARM] = t + O[O_WARM_S]
            ready = False
        elif ceiling_v == 0.0:
            ceiling_v = _ceiling(B, X[p])
        while at < G.shape[1] - 1 and t >= edges[at + 1]:
            at += 1
            ready = False
        if not ready:
            sources(P, tab, X[p], W, Z)
            amps, volts, held, good, _ = _solve(P, tree, mesh, X[p], W, V, D[LEVELS], 0.0, G, at, ceiling_v, Z)
            bank[0], bank[1], bank[2] = amps, volts, held
            if not good:
                code = COLLAPSED
                break
            extremes(X[p], W, M, t)
            past, quick, near = _look(X[p], W, L, B, F[p], fuses, amps, volts, held, ceiling_v)
            if past:
                code = EVENT
                if count < rec_t.size:
                    _write(rec_t, rec_b, rec_u, count, t, amps, volts, X[p], W)
                    count += 1
                break
        if t >= clock[C_RECORD] and not again:
            if count == rec_t.size:
                code = RECORD_FULL
                break
            _write(rec_t, rec_b, rec_u, count, t, amps, volts, X[p], W)
            extremes(X[p], W, M, t)
            count += 1
            clock[C_RECORD] = t + O[O_RECORD_S] if O[O_RECORD_S] > 0.0 else t
        if t >= edges[edges.size - 1] or t >= O[O_STOP_S]:
            code = TIME_OVER
            break
        # How long a step: the wanted length, less where charge moves fast, up to the next edge or record.
        if level > 0:
            grown += 1
            if grown >= 3:
                level -= 1
                grown = 0
        use = level
        while use < LEVELS - 1 and quick * O[O_STEP_S] * 0.5**use > O[O_FALL]:
            use += 1
        dt = O[O_STEP_S] * 0.5**use
        until = min(edges[at + 1], O[O_STOP_S]) - t
        if O[O_RECORD_S] > 0.0:
            until = min(until, clock[C_RECORD] - t)
        slot = use
        if until < dt * (1.0 - 1e-9):
            dt = until
            slot = LEVELS
            decays(P, dt, D[LEVELS])
        elif not known[use]:
            decays(P, dt, D[use])
            known[use] = True
        went = _step(P, tab, tree, mesh, X, S, F, fuses, W, V, D[slot], dt, G, at, ceiling_v, O, Z, p, near)
        again = went == BENT and dt > _LEAST_BENT_S and use < LEVELS - 1
        if again:  # from the same state, half as far
            level = use + 1
            while level < LEVELS - 1 and O[O_STEP_S] * 0.5**level > 0.51 * dt:
                level += 1
            grown = 0
            sources(P, tab, X[p], W, Z)
            continue
        if went == FAILED:
            past = True
        else:
            amps, volts, held, good, _ = _solve(P, tree, mesh, X[1 - p], W, V, D[slot], 0.0, G, at, ceiling_v, Z)
            past, quick, near = _look(X[1 - p], W, L, B, F[1 - p], fuses, amps, volts, held, ceiling_v)
            past |= not good
        if not past:
            p = 1 - p
            clock[C_HELD_S] += dt * held
            t = edges[at + 1] if slot == LEVELS and t + dt >= edges[at + 1] - 1e-9 else t + dt
            if t >= edges[at + 1]:
                extremes(X[p], W, M, t)
            if Z[Z_WARM]:
                colder(W, min(dt / _COLD_S, 1.0))
                if warmed(X[p], W) > _WARMED_K:
                    clock[C_WARM] = t
            ready = True
            continue
        # Something is passed within this step: halve it down to the moment.
        low, high = 0.0, dt
        while True:
            last = high - low <= _MOMENT_S
            part = high if last else 0.5 * (low + high)
            sources(P, tab, X[p], W, Z)
            decays(P, part, D[LEVELS])
            went = _step(P, tab, tree, mesh, X, S, F, fuses, W, V, D[LEVELS], part, G, at, ceiling_v, O, Z, p, False)
            past = went == FAILED
            if not past:
                amps, volts, held, good, _ = _solve(P, tree, mesh, X[1 - p], W, V, D[LEVELS], 0.0, G, at, ceiling_v, Z)
                past, quick, near = _look(X[1 - p], W, L, B, F[1 - p], fuses, amps, volts, held, ceiling_v)
                past |= not good
            else:
                good = False
            if last:
                break
            if past:
                high = part
            else:
                low = part
        t += part
        if good:
            p = 1 - p
            code = EVENT
            extremes(X[p], W, M, t)
            if count < rec_t.size:
                _write(rec_t, rec_b, rec_u, count, t, amps, volts, X[p], W)
                count += 1
        else:
            code = COLLAPSED
        bank[0], bank[1], bank[2] = amps, volts, held
        break
    if ready and code not in (EVENT, COLLAPSED):
        bank[0], bank[1], bank[2] = amps, volts, held
    clock[C_SIDE], clock[C_TIME], clock[C_STRETCH], clock[C_LEVEL] = p, t, at, level
    clock[C_COUNT], clock[C_HELD] = count, held
    return code
