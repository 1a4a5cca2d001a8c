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

from hotchpot.circuit.compiled import compiled
from hotchpot.circuit.layout import BARS, OPEN_OHM, SERIES


@compiled
def reduce_tree(t):
    """Reduce a tree to its root's source, the units' sources with their leads given; return its volts and ohms."""
    n = t.units
    for j in range(t.what.size):
        a, b, node = t.ptr[j], t.ptr[j + 1], n + j
        volts = ohms = 0.0
        if t.what[j] == SERIES:
            for i in range(a, b):
                k = t.kids[i]
                volts += t.e[k]
                ohms += t.r[k]
        elif t.what[j] == BARS:
            together = 0.0
            k0 = t.first[j]
            if k0 >= 0:
                e, r, g = t.e[k0 : k0 + b - a], t.r[k0 : k0 + b - a], t.g[k0 : k0 + b - a]
                for k in range(b - a):
                    g[k] = 1.0 / r[k]
                for k in range(b - a):
                    together += g[k]
                    volts += g[k] * e[k]
            else:
                for i in range(a, b):
                    k = t.kids[i]
                    g = 1.0 / t.r[k]
                    t.g[k] = g
                    together += g
                    volts += g * t.e[k]
            ohms = 1.0 / together
            volts *= ohms
        else:
            volts, ohms = _reduce_ladder(t, a, b, t.rail[j], t.pull[j])
        t.e[node], t.r[node] = volts, ohms + t.lead[node]
    return t.e[t.e.size - 1], t.r[t.e.size - 1]


@compiled
def _reduce_ladder(t, a, b, rail, pull):
    weight = past_a = past_b = 0.0
    for i in range(a, b - 1):
        k, after = t.kids[i], t.kids[i + 1]
        pivot = t.r[k] * (1.0 - weight) + t.r[after] + 2.0 * rail
        past_a = (t.e[k] - t.e[after] + t.r[k] * past_a) / pivot
        past_b = (pull * rail + t.r[k] * past_b) / pivot
        weight = t.r[after] / pivot
        t.a[k], t.b[k], t.w[k] = past_a, past_b, weight
    last = t.kids[b - 1]
    t.a[last], t.b[last] = 0.0, 1.0
    rails_a = rails_b = 0.0
    for i in range(b - 2, a - 1, -1):
        k, after = t.kids[i], t.kids[i + 1]
        t.a[k] += t.w[k] * t.a[after]
        t.b[k] += t.w[k] * t.b[after]
        rails_a += t.a[k]
        rails_b += t.b[k]
    k = t.kids[a]
    volts, ohms = t.e[k] - t.r[k] * t.a[k], t.r[k] * t.b[k]
    if pull < 1.5:  # the minus lead is at the far end of its rail
        volts -= rail * rails_a
        ohms += rail * rails_b
    return volts, ohms


@compiled
def share_tree(t, amps):
    """Fill every node's current for the root's current."""
    n = t.units
    t.i[t.i.size - 1] = amps
    for j in range(t.what.size - 1, -1, -1):
        a, b, node = t.ptr[j], t.ptr[j + 1], n + j
        own = t.i[node]
        if t.what[j] == SERIES:
            for i in range(a, b):
                t.i[t.kids[i]] = own
        elif t.what[j] == BARS:
            volts = t.e[node] - (t.r[node] - t.lead[node]) * own
            k0 = t.first[j]
            if k0 >= 0:
                e, g, i = t.e[k0 : k0 + b - a], t.g[k0 : k0 + b - a], t.i[k0 : k0 + b - a]
                for k in range(b - a):
                    i[k] = (e[k] - volts) * g[k]
            else:
                for j2 in range(a, b):
                    k = t.kids[j2]
                    t.i[k] = (t.e[k] - volts) * t.g[k]
        else:
            past = 0.0
            for i in range(a, b):
                k = t.kids[i]
                rail = t.a[k] + t.b[k] * own
                t.i[k] = rail - past
                past = rail


@compiled
def links_w(t):
    """Return what all links of a tree turn into heat. [W]"""
    n, lost = t.units, 0.0
    for node in range(t.lead.size):
        if t.lead[node] < OPEN_OHM:
            lost += t.lead[node] * t.i[node] * t.i[node]
    for j in range(t.what.size):
        if t.rail[j] > 0.0:
            own, past = t.i[n + j], 0.0
            for i in range(t.ptr[j], t.ptr[j + 1] - 1):
                past += t.i[t.kids[i]]
                beyond = own - past
                # Diagonal: the plus rail carries what comes from beyond, the minus rail what lies before.
                other = beyond if t.pull[j] > 1.5 else past
                lost += t.rail[j] * (beyond * beyond + other * other)
    return lost


@compiled
def reduce_mesh(m, t):
    """Solve a mesh for a bank current of nought and of one; return the bank's source volts and ohms."""
    size, width = m.band.shape[0], m.band.shape[1]
    m.band[:] = 0.0
    m.vb[:] = 0.0
    for i in range(size):
        m.band[i, 0] = 1.0 / OPEN_OHM
        m.va[i] = -m.tap_a[i]
    m.vb[m.port] = -1.0
    for k in range(m.up.size):
        g = 1.0 / t.r[k]
        _stamp(m.band, m.up[k], m.down[k], g)
        if m.up[k] >= 0:
            m.va[m.up[k]] += g * t.e[k]
        if m.down[k] >= 0:
            m.va[m.down[k]] -= g * t.e[k]
    for k in range(m.near.size):
        _stamp(m.band, m.near[k], m.far[k], m.siemens[k])
    # Elimination of a symmetric band, column by column; every pivot is positive.
    for i in range(size):
        pivot = 1.0 / m.band[i, 0]
        for d in range(1, min(width, size - i)):
            held = m.band[i, d]
            if held != 0.0:
                factor = held * pivot
                for c in range(d, min(width, size - i)):
                    m.band[i + d, c - d] -= factor * m.band[i, c]
                m.va[i + d] -= factor * m.va[i]
                m.vb[i + d] -= factor * m.vb[i]
    for i in range(size - 1, -1, -1):
        a, b = m.va[i], m.vb[i]
        for d in range(1, min(width, size - i)):
            a -= m.band[i, d] * m.va[i + d]
            b -= m.band[i, d] * m.vb[i + d]
        m.va[i], m.vb[i] = a / m.band[i, 0], b / m.band[i, 0]
    return m.va[m.port], -m.vb[m.port]


@compiled
def _stamp(band, i, j, g):
    if i >= 0:
        band[i, 0] += g
    if j >= 0:
        band[j, 0] += g
    if i >= 0 and j >= 0:
        band[min(i, j), abs(i - j)] -= g


@compiled
def share_mesh(m, t, amps):
    """Fill the currents of units and resistors for the bank's current."""
    for k in range(m.up.size):
        across = 0.0
        if m.up[k] >= 0:
            across += m.va[m.up[k]] + m.vb[m.up[k]] * amps
        if m.down[k] >= 0:
            across -= m.va[m.down[k]] + m.vb[m.down[k]] * amps
        t.i[k] = (t.e[k] - across) / t.r[k]
    t.i[t.i.size - 1] = amps
    for k in range(m.near.size):
        across = 0.0
        if m.near[k] >= 0:
            across += m.va[m.near[k]] + m.vb[m.near[k]] * amps
        if m.far[k] >= 0:
            across -= m.va[m.far[k]] + m.vb[m.far[k]] * amps
        m.flow[k] = across * m.siemens[k]


@compiled
def mesh_links_w(m, t):
    """Return what all links of a mesh turn into heat. [W]"""
    lost = 0.0
    for k in range(m.near.size):
        if m.siemens[k] > 0.0:
            lost += m.flow[k] * m.flow[k] / m.siemens[k]
    for k in range(m.up.size):
        if t.lead[k] < OPEN_OHM:
            lost += t.lead[k] * t.i[k] * t.i[k]
    return lost


@compiled
def taps_w(m, amps):
    """Return what the taps of a mesh draw. [W]"""
    drawn = 0.0
    for node in range(m.tap_a.size):
        drawn += m.tap_a[node] * (m.va[node] + m.vb[node] * amps)
    return drawn
