"""What is done when a run passes a limit: loads off and on, charger's stages, fuses, electronics, and the end."""

from __future__ import annotations

import math

from hotchpot.circuit import layout as at
from hotchpot.circuit.going import FULL, Going
from hotchpot.circuit.guards import Electronics
from hotchpot.circuit.record import Event

FINE_LEVEL = 14  # a joining, and what follows an opening, begins with steps of this many halvings
MOST_NOTED = 200  # units of a large pack that are told of as empty, full or reversed
_NOTES = {
    "empty": (at.L_AVAIL, 0.0, -math.inf),
    "full": (at.L_FULL, FULL, math.inf),
    "reversed": (at.L_LOW_V, 0.0, -math.inf),
}  # limit of a unit, where it usually stands, and where it never strikes
_DEAD_OHM = 1e6
_ABSORBED_S = 60.0  # a stage that lacks less is over


def most_w(going: Going) -> float:
    """Return the most power that the bank could give as it stands. [W]"""
    e, r = _seen(going)
    return e * e / (4.0 * r)


def collapsed(going: Going) -> Event | None:
    """
    End a run whose load asks for what the bank cannot give; what stands then is the bank by itself.

    Where loads that are cut off come back, they are cut off: voltage falls through the cut-off as it collapses.
    """
    if going.stop.back_v is not None and not going.shed:
        _loads_off(going, 0.0)
        return None
    event = going.tell("collapse", value=most_w(going))
    _let_go(going)
    return event


def _let_go(going: Going) -> None:
    from hotchpot.circuit.network import share_mesh, share_tree

    e, _ = _seen(going)
    tree, n = going.net.tree, len(going.units.ids)
    if going.net.is_mesh:
        share_mesh(going.net.mesh, tree, 0.0)
    else:
        share_tree(tree, 0.0)
    going.work[at.W_I] = tree.amps[:n]
    going.work[at.W_U] = tree.nodes[at.N_E, :n] - going.work[at.W_BEHIND] * tree.amps[:n]
    going.bank[:] = 0.0, e, 0.0


def enter(going: Going, stage: str) -> None:
    """Set the charger to a stage: absorb or float."""
    plan = going.drive.charge
    assert plan is not None
    absorbing = stage == "absorb"
    volts = plan.absorb_v if absorbing else plan.float_v
    assert volts is not None
    going.stage = stage
    going.whole[at.B_CEILING_V], going.whole[at.B_CEILING_PER_K] = volts, plan.per_k
    going.whole[at.B_TAIL_A] = plan.tail_a if absorbing and plan.tail_a > 0.0 else -math.inf
    going.whole[at.B_REACH] = 1.0 if absorbing else -1.0
    going.whole[at.B_AGAIN_V] = plan.again_v if not absorbing and plan.again_v is not None else -math.inf
    going.clock[at.C_WARM] = -1.0
    going.absorb_until_s = math.inf
    going.wait()


def time_over(going: Going) -> Event | None:
    """The drive has ended, or the time of a stage."""
    if going.now_s >= going.drive.seconds - 1e-9:
        return going.tell("time")
    if going.now_s >= going.back_from_s:
        going.back_from_s = math.inf
        going.whole[at.B_HIGH_V] = going.stop.back_v if going.stop.back_v is not None else math.inf
        going.wait()
        return None
    return _absorbed(going)


def happened(going: Going) -> Event | None:
    """Deal with whatever has passed its limit; return the end of the run, or None where it goes on."""
    amps, volts, held = (float(x) for x in going.bank)
    whole, stop = going.whole, going.stop
    if volts < whole[at.B_LOW_V]:
        if volts <= 0.0:
            return collapsed(going)
        if stop.back_v is None:
            return going.tell("cut-off", value=volts)
        _loads_off(going, volts)
    elif volts > whole[at.B_HIGH_V]:
        _loads_on(going, volts)
    if volts < whole[at.B_AGAIN_V] + _compensation_v(going):
        enter(going, "absorb")
        going.tell("bulk", value=volts)
    if held and amps > -whole[at.B_TAIL_A]:
        return _charged(going)
    if held and whole[at.B_REACH] > 0.0:
        _reached(going, volts)
    ended = _units(going)
    for j in range(len(going.fuses)):
        if going.heats[going.side, j] > going.fuse_rows[at.F_TRIP, j]:
            ended = ended or _blown(going, j)
    if ended is None and float(abs(going.work[at.W_I]).max()) < whole[at.B_SETTLED_A]:
        return going.tell("parted" if going.parted else "settled")
    return ended


def unmet_ws(going: Going) -> float:
    """Return the energy that loads in watts have done without since they were last cut off. [J]"""
    import numpy as np

    if not going.shed:
        return 0.0
    edges = np.clip(going.drive.edges, going.shed_since_s, going.now_s)
    return float((np.diff(edges) * going.drive.table[at.G_WATTS]).sum())


def _absorbed(going: Going) -> Event | None:
    """
    The time of the absorb stage is over: it counts only while the charger holds its volts.

    A source that has since gone, as the sun does at night, begins the stage anew when it is back.
    """
    plan = going.drive.charge
    assert plan is not None
    if not going.clock[at.C_HELD]:
        enter(going, "absorb")
        return None
    left_s = 3600.0 * plan.absorb_hours - (going.clock[at.C_HELD_S] - going.held_before_s)
    if left_s > _ABSORBED_S:
        going.absorb_until_s = going.now_s + float(left_s)
        going.wait()
        return None
    return _charged(going)


def _charged(going: Going) -> Event | None:
    plan = going.drive.charge
    assert plan is not None
    if plan.float_v is None:
        return going.tell("charged")
    enter(going, "float")
    going.tell("float")
    return None


def _compensation_v(going: Going) -> float:
    """Return by how much warmth has moved the charger's volts. [V]"""
    mean_c = float(going.state[at.TEMP].mean())
    return float(going.whole[at.B_CEILING_PER_K]) * (mean_c - 25.0)


def _reached(going: Going, volts: float) -> None:
    plan = going.drive.charge
    assert plan is not None
    going.whole[at.B_REACH] = -1.0
    going.tell("absorb", value=volts)
    if math.isfinite(plan.absorb_hours):
        going.held_before_s = float(going.clock[at.C_HELD_S])
        going.absorb_until_s = going.now_s + 3600.0 * plan.absorb_hours
        going.wait()


def _loads_off(going: Going, volts: float) -> None:
    going.tell("loads-off", value=volts)
    going.table[: at.G_SOURCE_A] = 0.0
    going.whole[at.B_LOW_V], going.whole[at.B_HIGH_V] = -math.inf, math.inf
    going.shed, going.shed_since_s = True, going.now_s
    going.back_from_s = going.now_s + going.stop.back_after_s
    going.wait()


def _loads_on(going: Going, volts: float) -> None:
    going.tell("loads-on", value=volts)
    going.unmet_ws += unmet_ws(going)
    going.table[: at.G_SOURCE_A] = going.drive.table[: at.G_SOURCE_A]
    assert going.stop.low_v is not None
    going.whole[at.B_LOW_V], going.whole[at.B_HIGH_V] = going.stop.low_v, math.inf
    going.shed = False


def _units(going: Going) -> Event | None:
    """Deal with the units that have passed a limit of their own."""
    import numpy as np

    work, limits, state = going.work, going.limits, going.state
    empty = work[at.W_AVAIL] < limits[at.L_AVAIL]
    full = state[at.SOC] > limits[at.L_FULL]
    low, high = work[at.W_U] < limits[at.L_LOW_V], work[at.W_U] > limits[at.L_HIGH_V]
    over = np.abs(work[at.W_I]) > limits[at.L_OUT_A]
    hot = np.flatnonzero(state[at.TEMP] > limits[at.L_HOT_C])
    ended = going.tell("hot", int(hot[0]), float(state[at.TEMP, hot[0]])) if hot.size else None
    for k in np.flatnonzero(empty | full | low | high | over).tolist():
        name, volts = going.units.ids[k], float(work[at.W_U, k])
        own = going.electronics.get(name)
        if empty[k]:
            ended = _noted(going, "empty", k, volts, ends=going.stop.first_empty) or ended
        if full[k]:
            ended = _noted(going, "full", k, volts, ends=going.stop.first_full) or ended
        if low[k]:
            ended = ended or _low(going, k, name, volts)
        if own is not None and high[k]:
            ended = ended or _opened(going, k, "high", own)
        if own is not None and over[k]:
            ended = ended or _opened(going, k, "amps", own)
    return ended


def _noted(going: Going, kind: str, k: int, value: float, *, ends: bool) -> Event | None:
    """Note something of a unit, once; of the very many units of a large pack only so many are noted."""
    column, usual, never = _NOTES[kind]
    event = going.tell(kind, k, value)
    going.noted[kind] = going.noted.get(kind, 0) + 1
    watched = going.limits[column]
    watched[k] = never
    if going.noted[kind] >= MOST_NOTED:
        watched[watched == usual] = never
    return event if ends else None


def _low(going: Going, k: int, name: str, volts: float) -> Event | None:
    own, low = going.electronics.get(name), going.stop.unit_low_v.get(name)
    if low is not None and volts < low * going.units.params[at.CELLS, k]:
        return going.tell("unit-low", k, volts)
    if own is not None and volts < own.low_v:
        return _opened(going, k, "low", own)
    return _noted(going, "reversed", k, float(going.work[at.W_I, k]), ends=going.stop.first_reversed)


def _opened(going: Going, k: int, why: str, own: Electronics) -> Event | None:
    """Open a unit's electronics; the run ends where nothing can flow any more."""
    going.limits[at.L_LOW_V, k] = -math.inf
    going.limits[at.L_HIGH_V, k] = going.limits[at.L_OUT_A, k] = going.limits[at.L_IN_A, k] = math.inf
    going.held_open[k] = why
    amps = float(going.work[at.W_I, k])
    dead, across = _open(going, k)
    going.tell(f"electronics-{why}", k, across, amps=amps)
    if own.bears_v is not None and across is not None and across > own.bears_v:
        going.tell("electronics-overstressed", k, across)
    return _dead(going, k, across) if dead else None


def _blown(going: Going, j: int) -> Event | None:
    node = int(going.fuse_rows[at.F_NODE, j])
    amps = float(going.net.tree.amps[node])
    going.fuse_rows[at.F_TRIP, j] = math.inf
    below = going.fuses[j].below
    going.tell("fuse", value=amps, name=" ".join(below) if below else "main", amps=amps)
    dead, across = _open(going, node)
    return _dead(going, None, across) if dead else None


def _dead(going: Going, k: int | None, across: float | None) -> Event:
    """End a run through whose bank nothing can flow any more; what stands is the units at rest."""
    event = going.tell("open", k, across)
    _let_go(going)
    return event


def _open(going: Going, node: int) -> tuple[bool, float | None]:
    """
    Open a branch; return whether nothing can flow through the bank any more, and the voltage across the gap. [V]

    With the whole bank open, what lies across it is the bank's own voltage, or what a charger has above it.
    """
    from hotchpot.circuit.network import share_mesh, share_tree

    net, amps = going.net, float(going.bank[0])
    # A mesh has no place of its own for a block's lead: its units at the positive end open together.
    opened, ohm = (list(net.tops[node]), at.MESH_OPEN_OHM) if net.is_mesh else ([node], at.OPEN_OHM)
    net.tree.lead[opened] = ohm
    going.clock[at.C_LEVEL] = FINE_LEVEL
    going.clock[at.C_WARM] = -1.0
    going.clock[at.C_RECORD] = going.now_s
    going.parted = True
    e, r = _seen(going)
    if r > _DEAD_OHM or node == going.net.root:
        charging = amps < 0.0
        return True, abs(float(going.whole[at.B_CEILING_V]) - e) if charging else abs(e)
    if net.is_mesh:
        share_mesh(net.mesh, net.tree, amps)
    else:
        share_tree(net.tree, amps)
    return False, max(abs(float(net.tree.amps[k])) for k in opened) * ohm


def _seen(going: Going) -> tuple[float, float]:
    """Return the bank as one source, its volts and ohms, from the units as they stand."""
    from hotchpot.circuit.network import reduce_mesh, reduce_tree

    tree, n = going.net.tree, len(going.units.ids)
    tree.nodes[at.N_R, :n] = going.work[at.W_BEHIND] + tree.lead[:n]
    e, r = reduce_mesh(going.net.mesh, tree) if going.net.is_mesh else reduce_tree(tree)
    return float(e), float(r)
