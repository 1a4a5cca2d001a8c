r"""
The network's solution, compiled: trees of blocks by series-parallel reduction, ladders and meshes by elimination.

Each function fills the currents of the units for the sources in the work space, given a rule for the bank's current. A
block is a source E behind a resistance R as seen from its two ends:

.. math:: \text{series: } E=\sum E_k,\; R=\sum R_k \qquad \text{parallel: } R = 1/\sum g_k,\; E = R\sum g_k E_k

A ladder has the tridiagonal system for the rail currents :math:`S_k` (sum of the first k branches) of
`electrics.sharing`, here with unlike branches; it is solved for a ladder current of nought and of one together.
"""

# The compiled functions have no types of their own: numba finds them from the arrays.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import math

from hotchpot.circuit.compiled import compiled, inlined
from hotchpot.circuit.layout import (
    BARS,
    G_AMPS,
    G_SIEMENS,
    G_SOURCE_A,
    G_SOURCE_W,
    G_WATTS,
    K_FLOW,
    K_SIEMENS,
    M_TAP,
    M_VA,
    M_VB,
    N_A,
    N_B,
    N_E,
    N_G,
    N_I,
    N_LEAD,
    N_R,
    N_W,
    OPEN_OHM,
    SERIES,
    T_END,
    T_FIRST,
    T_PULL,
    T_RAIL,
    T_START,
    T_WHAT,
)  # fmt: skip


@compiled
def reduce_tree(t):
    """Reduce a tree to its root's source, the units' sources with their leads given; return its volts and ohms."""
    n = t.units
    e, r, g, lead = t.nodes[N_E], t.nodes[N_R], t.nodes[N_G], t.nodes[N_LEAD]
    for k in range(n):
        g[k] = 1.0 / r[k]
    for j in range(t.inner.shape[1]):
        a, b, node = t.inner[T_START, j], t.inner[T_END, j], n + j
        volts = ohms = 0.0
        if t.inner[T_WHAT, j] == SERIES:
            for m in range(a, b):
                volts += e[t.kids[m]]
                ohms += r[t.kids[m]]
        elif t.inner[T_WHAT, j] == BARS:
            together = 0.0
            first = t.inner[T_FIRST, j]
            if first >= 0:
                for k in range(first, first + b - a):
                    together += g[k]
                    volts += g[k] * e[k]
            else:
                for m in range(a, b):
                    k = t.kids[m]
                    together += g[k]
                    volts += g[k] * e[k]
            ohms = 1.0 / together
            volts *= ohms
        else:
            volts, ohms = _reduce_ladder(t, a, b, t.rails[T_RAIL, j], t.rails[T_PULL, j])
        ohms += lead[node]
        e[node], r[node], g[node] = volts, ohms, 1.0 / ohms
    return e[e.size - 1], r[r.size - 1]


@inlined
def _reduce_ladder(t, a, b, rail, pull):
    e, r, na, nb, nw = t.nodes[N_E], t.nodes[N_R], t.nodes[N_A], t.nodes[N_B], t.nodes[N_W]
    weight = past_a = past_b = 0.0
    for m in range(a, b - 1):
        k, after = t.kids[m], t.kids[m + 1]
        pivot = r[k] * (1.0 - weight) + r[after] + 2.0 * rail
        past_a = (e[k] - e[after] + r[k] * past_a) / pivot
        past_b = (pull * rail + r[k] * past_b) / pivot
        weight = r[after] / pivot
        na[k], nb[k], nw[k] = past_a, past_b, weight
    last = t.kids[b - 1]
    na[last], nb[last] = 0.0, 1.0
    rails_a = rails_b = 0.0
    for m in range(b - 2, a - 1, -1):
        k, after = t.kids[m], t.kids[m + 1]
        na[k] += nw[k] * na[after]
        nb[k] += nw[k] * nb[after]
        rails_a += na[k]
        rails_b += nb[k]
    k = t.kids[a]
    volts, ohms = e[k] - r[k] * na[k], r[k] * nb[k]
    if pull < 1.5:  # the minus lead is at the far end of its rail
        volts -= rail * rails_a
        ohms += rail * rails_b
    return volts, ohms


@compiled
def share_tree(t, amps):
    """Fill every node's current for the root's current."""
    n = t.units
    e, r, g, i, lead = t.nodes[N_E], t.nodes[N_R], t.nodes[N_G], t.nodes[N_I], t.nodes[N_LEAD]
    i[i.size - 1] = amps
    for j in range(t.inner.shape[1] - 1, -1, -1):
        a, b, node = t.inner[T_START, j], t.inner[T_END, j], n + j
        own = i[node]
        if t.inner[T_WHAT, j] == SERIES:
            for m in range(a, b):
                i[t.kids[m]] = own
        elif t.inner[T_WHAT, j] == BARS:
            volts = e[node] - (r[node] - lead[node]) * own
            first = t.inner[T_FIRST, j]
            if first >= 0:
                for k in range(first, first + b - a):
                    i[k] = (e[k] - volts) * g[k]
            else:
                for m in range(a, b):
                    k = t.kids[m]
                    i[k] = (e[k] - volts) * g[k]
        else:
            past = 0.0
            for m in range(a, b):
                k = t.kids[m]
                rail = t.nodes[N_A, k] + t.nodes[N_B, k] * own
                i[k] = rail - past
                past = rail


@compiled
def links_w(t):
    """Return what all links of a tree turn into heat. [W]"""
    n, lost = t.units, 0.0
    i, lead = t.nodes[N_I], t.nodes[N_LEAD]
    for node in range(lead.size):
        lost += lead[node] * i[node] * i[node] if lead[node] < OPEN_OHM else 0.0
    for j in range(t.inner.shape[1]):
        rail = t.rails[T_RAIL, j]
        if rail > 0.0:
            own, past = i[n + j], 0.0
            for m in range(t.inner[T_START, j], t.inner[T_END, j] - 1):
                past += i[t.kids[m]]
                beyond = own - past
                # Diagonal: the plus rail carries what comes from beyond, the minus rail what lies before.
                other = beyond if t.rails[T_PULL, j] > 1.5 else past
                lost += rail * (beyond * beyond + other * other)
    return lost


@compiled
def reduce_mesh(m, t):
    """Solve a mesh for a bank current of nought and of one; return the bank's source volts and ohms."""
    size, width = m.band.shape
    band, va, vb = m.band, m.nodes[M_VA], m.nodes[M_VB]
    band[:] = 0.0
    vb[:] = 0.0
    for k in range(size):
        band[k, 0] = 1.0 / OPEN_OHM
        va[k] = -m.nodes[M_TAP, k]
    vb[m.port] = -1.0
    for k in range(m.across.shape[1]):
        g, up, down = 1.0 / t.nodes[N_R, k], m.across[0, k], m.across[1, k]
        _stamp(band, up, down, g)
        if up >= 0:
            va[up] += g * t.nodes[N_E, k]
        if down >= 0:
            va[down] -= g * t.nodes[N_E, k]
    for k in range(m.along.shape[1]):
        _stamp(band, m.along[0, k], m.along[1, k], m.links[K_SIEMENS, k])
    # Elimination of a symmetric band, column by column; every pivot is positive.
    for k in range(size):
        pivot = 1.0 / band[k, 0]
        for d in range(1, min(width, size - k)):
            held = band[k, d]
            if held != 0.0:
                factor = held * pivot
                for c in range(d, min(width, size - k)):
                    band[k + d, c - d] -= factor * band[k, c]
                va[k + d] -= factor * va[k]
                vb[k + d] -= factor * vb[k]
    for k in range(size - 1, -1, -1):
        a, b = va[k], vb[k]
        for d in range(1, min(width, size - k)):
            a -= band[k, d] * va[k + d]
            b -= band[k, d] * vb[k + d]
        va[k], vb[k] = a / band[k, 0], b / band[k, 0]
    return va[m.port], -vb[m.port]


@compiled
def _stamp(band, i, j, g):
    if i >= 0:
        band[i, 0] += g
    if j >= 0:
        band[j, 0] += g
    if i >= 0 and j >= 0:
        band[min(i, j), abs(i - j)] -= g


@inlined
def _volts(m, node, amps):
    return m.nodes[M_VA, node] + m.nodes[M_VB, node] * amps if node >= 0 else 0.0


@compiled
def share_mesh(m, t, amps):
    """Fill the currents of units, resistors and blocks for the bank's current; a tap counts to the block it is in."""
    for k in range(m.across.shape[1]):
        over = _volts(m, m.across[0, k], amps) - _volts(m, m.across[1, k], amps)
        t.nodes[N_I, k] = (t.nodes[N_E, k] - over) / t.nodes[N_R, k]
    for j in range(t.inner.shape[1]):
        total = 0.0
        last = t.inner[T_START, j] + 1 if t.inner[T_WHAT, j] == SERIES else t.inner[T_END, j]
        for c in range(t.inner[T_START, j], last):
            total += t.nodes[N_I, t.kids[c]]
        t.nodes[N_I, t.units + j] = total
    t.nodes[N_I, t.nodes.shape[1] - 1] = amps
    for k in range(m.along.shape[1]):
        over = _volts(m, m.along[0, k], amps) - _volts(m, m.along[1, k], amps)
        m.links[K_FLOW, k] = over * m.links[K_SIEMENS, k]


@compiled
def mesh_links_w(m, t):
    """Return what all links of a mesh turn into heat. [W]"""
    lost = 0.0
    for k in range(m.along.shape[1]):
        if m.links[K_SIEMENS, k] > 0.0:
            lost += m.links[K_FLOW, k] * m.links[K_FLOW, k] / m.links[K_SIEMENS, k]
    for k in range(m.across.shape[1]):
        if t.nodes[N_LEAD, k] < OPEN_OHM:
            lost += t.nodes[N_LEAD, k] * t.nodes[N_I, k] * t.nodes[N_I, k]
    return lost


@compiled
def taps_w(m, amps):
    """Return what the taps of a mesh draw. [W]"""
    drawn = 0.0
    for node in range(m.nodes.shape[1]):
        drawn += m.nodes[M_TAP, node] * (m.nodes[M_VA, node] + m.nodes[M_VB, node] * amps)
    return drawn


@compiled
def drive(volts, ohms, G, at, ceiling_v):
    """
    Return the bank's current and voltage for one stretch of the drive, whether the ceiling holds the source, and
    success.

    No success means that the load asks for more power than the bank can give at any voltage.
    """
    scale = 1.0 / (1.0 + ohms * G[G_SIEMENS, at])
    e, r = volts * scale, ohms * scale
    amps, watts = G[G_AMPS, at] - G[G_SOURCE_A, at], G[G_WATTS, at] - G[G_SOURCE_W, at]
    held = 0.0
    feeds = G[G_SOURCE_A, at] > 0.0 or G[G_SOURCE_W, at] > 0.0
    u, good = _under(e, r, amps, watts)
    if feeds and u > ceiling_v:
        held = 1.0
        amps, watts = G[G_AMPS, at], G[G_WATTS, at]
        u, good = _under(e, r, amps, watts)
        if u < ceiling_v:  # the source gives what holds the ceiling; above it of itself the bank stands alone
            u, good = ceiling_v, True
            watts, amps = 0.0, (e - u) / r
    total = amps + u * G[G_SIEMENS, at]
    if watts != 0.0:
        total += watts / u
    return total, u, held, good


@compiled
def _under(e, r, amps, watts):
    open_v = e - r * amps
    room = open_v * open_v - 4.0 * r * watts
    if watts == 0.0:
        return open_v, True
    if room < 0.0 or open_v <= 0.0:
        return 0.5 * max(open_v, 1e-9), False
    return 0.5 * (open_v + math.sqrt(room)), True
