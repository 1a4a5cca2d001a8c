"""
The rows of the arrays that the compiled steps work on, and the records that carry them.

Columns are units, in the order of the arrangement, so that the processor takes several at once. Everything here is
plain numbers: seconds, coulombs, ohms, volts.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Parameters of the units.
(
    Q_C, R_OHM, R1, TAU1, R2, TAU2, CELLS, WELL_C, WELL_K, WELL_M, HYST_V, HYST_RATE, GAS_A, GAS_PER_V, GAS_PER_K,
    GAS_AT_V, GAS_KEPT_V, CHARGE_RISE, LEAK_A, LEAK_DOUBLE_K, DROP_V, OVER_V, HEAT_J_K, COOL_W_K, ENTROPY_V_K, OXYGEN,
) = range(26)  # fmt: skip
P_ROWS = 26
# States, then sums since the start: charge [C] and energy [J].
SOC, V1, V2, WELL, HYST, TEMP, OUT_C, IN_C, MAIN_C, GAS_C, UNDER_C, E_OUT, E_R0, E_PAIRS, E_SIDE, E_EXTRA = range(16)
X_ROWS = 16
# Work space: what a state means now (source voltage, its slope by charge, resistances, factors of warmth, charge at
# hand), what came out (voltage, currents), which way the current was supposed to flow, and the plain curve; what the
# wells give back lifts the source by on the mean of a step, and where the source should stand after it.
(
    W_E, W_SLOPE, W_R, W_R_IN, W_WARM, W_COLD, W_LEAK, W_AVAIL, W_U, W_I, W_MAIN, W_GAS, W_INWARD, W_PLAIN,
    W_PLAIN_SLOPE, W_BEHIND, W_R_SLOPE, W_R_IN_SLOPE, W_PER_C, W_DRIFT, W_OHMS, W_HEAD, W_LEVEL, W_SEEN_C, W_COLD_TO,
    W_SHIFT, W_FORESEEN,
) = range(27)  # fmt: skip
W_ROWS = 27
# Work space of the damped solution: sources, what stands behind them and the resistance on charge, behind them on
# discharge, supposed currents, their last corrections, what part of these is taken and the most of it.
V_E, V_IN, V_OHMS, V_OUT, V_I, V_LAST, V_DAMP, V_MOST = range(8)
V_ROWS = 8
# Decays over one step length: of the pairs (what stays, its mean, what an amp adds), what an amp adds to both on the
# mean, what it takes of the charge, of the wells, of warmth.
D_A1, D_F1, D_B1, D_A2, D_F2, D_B2, D_PAIRS, D_PER_A, D_AW, D_FW, D_AT = range(11)
D_ROWS = 11
# Limits that every unit is watched against.
L_LOW_V, L_HIGH_V, L_AVAIL, L_FULL, L_OUT_A, L_IN_A, L_HOT_C = range(7)
L_ROWS = 7
# Kinds of an inner node.
SERIES, BARS, LADDER = range(3)
# What a stretch of the drive holds, one column a stretch: load (one of three kinds), source (one of two).
G_AMPS, G_WATTS, G_SIEMENS, G_SOURCE_A, G_SOURCE_W = range(5)
G_ROWS = 5
# What the whole bank is held to and watched for.
B_CEILING_V, B_CEILING_PER_K, B_LOW_V, B_HIGH_V, B_TAIL_A, B_SETTLED_A, B_REACH, B_AGAIN_V = range(8)
B_ROWS = 8
# The bank's own sums, kept beside the states: charge [C], energy out, lost in links, given by sources
# and drawn by taps [J].
S_CHARGE, S_ENERGY, S_LINKS, S_IN_CHARGE, S_IN_ENERGY, S_TAPS = range(6)
S_ROWS = 6
# Where the steps stand: time, which of the two states is current, step level, time of the next record, of the next
# look at warmth, stretch of the drive, records made, whether the ceiling holds the source back, and how long it has.
C_TIME, C_SIDE, C_LEVEL, C_RECORD, C_WARM, C_STRETCH, C_COUNT, C_HELD, C_HELD_S = range(9)
C_ROWS = 9
# How the steps are made: surroundings [°C], longest step [s], most charge a step may move [1], time
# between records and between looks at warmth [s], when to stop at the latest [s].
O_AMBIENT_C, O_STEP_S, O_FALL, O_RECORD_S, O_WARM_S, O_STOP_S = range(6)
O_ROWS = 6
# Rows of the fuses: node, rated amps squared, time constant [s], heat at which one opens.
F_NODE, F_AMPS2, F_TAU, F_TRIP = range(4)
# Switches: gas, charge rise, wells, hysteresis, warming, oxygen, mesh; and whether a unit's wells are empty just now.
Z_GAS, Z_RISE, Z_WELLS, Z_LOOPS, Z_WARM, Z_OXYGEN, Z_MESH, Z_DRY = range(8)
Z_ROWS = 8
# Extremes of the units and when they were.
X_OUT_A, X_OUT_S, X_IN_A, X_IN_S, X_HIGH_V, X_HIGH_S, X_LOW_V, X_LOW_S, X_HOT_C, X_HOT_S = range(10)
EXTREMES = 10
# What is recorded of the bank and of every unit.
RECORD_BANK, RECORD_UNITS, RECORD_COLD = 2, 4, 3  # the last where temperatures are held
# How a step went: the bank cannot feed the load, all is well, or the source bends too much within it.
FAILED, WENT, BENT = range(3)
# Why the steps stopped.
TIME_OVER, RECORD_FULL, EVENT, COLLAPSED = range(4)

GRID = 1000  # tables by charge have steps of 0.001
LOW_C, WARM_STEPS = -40, 120  # tables by temperature have steps of 1 K from here
KNEE = 0.03  # a cell falls below empty within this fraction of its capacity; engineering guess
OXYGEN_FROM, OXYGEN_TO = 0.7, 1.1
FULLEST = 1.0499  # where the charge resistance of lead is held; it would be infinite at 1.05
OPEN_OHM = 1e12
MESH_OPEN_OHM = 1e7  # in nodal equations, which lose as many digits as resistances lie apart
# Rows of the records below.
T_START, T_END, T_FIRST, T_WHAT = range(4)
T_RAIL, T_PULL = range(2)
N_LEAD, N_E, N_R, N_G, N_I, N_A, N_B, N_W = range(8)
N_ROWS = 8
M_TAP, M_VA, M_VB = range(3)
K_SIEMENS, K_FLOW = range(2)
HOTTEST_LEAK_C = 60.0  # self-discharge is not doubled beyond; nobody measured it there
LEVELS = 24  # of step lengths, each half the one before


class Tables(NamedTuple):
    """
    Tables of the kinds of units: by charge, shape (kinds, GRID + 1, 2), the volts of a cell and the factor of
    resistance; factors of resistance and capacity by temperature.
    """

    kind: Ints
    by_charge: Floats
    warm: Floats
    cap: Floats


class Tree(NamedTuple):
    """
    A tree of blocks, leaves first: inner node j stands at `units` + j, its children are ``kids[start:end]``.

    Few arrays, as each costs time at every call: rows of `inner` are T_START, T_END, T_FIRST (the first child where
    all are neighbours in the order of the arrays, else -1) and T_WHAT; of `rails` T_RAIL, one segment of a ladder, and
    T_PULL, 2 or 1 by its take-off; of `nodes` the resistance in series with each node (N_LEAD), its source,
    conductance and current, and a ladder's elimination.
    """

    units: int
    kids: Ints
    inner: Ints
    rails: Floats
    nodes: Floats

    @property
    def lead(self) -> Floats:
        """Resistance in series with each node. [Ω]"""
        row: Floats = self.nodes[N_LEAD]
        return row

    @property
    def amps(self) -> Floats:
        """Current of each node. [A]"""
        row: Floats = self.nodes[N_I]
        return row


class Mesh(NamedTuple):
    """
    Any network: nodes in an order that keeps neighbours near, -1 the bank's negative pole.

    Units lie between the two rows of `across`, resistors between those of `along`; rows of `links` are their
    conductance and current, of `nodes` what a tap draws there and the two solutions. The units' sources, leads and
    currents are those of the tree. `band` is worked on as rows of a symmetric band matrix.
    """

    port: int
    across: Ints
    along: Ints
    links: Floats
    nodes: Floats
    band: Floats
