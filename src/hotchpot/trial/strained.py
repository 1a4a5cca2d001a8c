"""Checks on what is strained though nothing broke: low units, fuses, gas; and a plan that does not fit."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.bank import Node, sum_over_cells
from hotchpot.bank.verdict import Verdict
from hotchpot.circuit.record import Record
from hotchpot.electrics.gas import STANDARD_HYDROGEN_M3_PER_AH, dilution
from hotchpot.trial import passed
from hotchpot.trial.look import Figure, Look, Said, after, branch_amps, few, span
from hotchpot.trial.openings import MAIN
from hotchpot.trial.wired import fuses_of

LOW_FRAC = (
    0.1  # a unit so far below its lowest voltage under load is told of, less is the knee of any end; project rule
)
GAS_L = 1.0  # less hydrogen than this in a run is not told of; project rule
FUSE_S = 60.0  # above its rating for longer than this counts as long; project rule
OFF_FRAC = 0.25  # a bank and a plan whose volts differ by more are of two systems; project rule
FROM_NOUGHT = 0.05  # a run that begins with less charge contradicts no reading of an empty unit; project rule
SEALED = {
    True: "sealed plates recombine most of it until they vent, and dry out for what leaves",
    False: "all of it leaves the cells",
}


def _low_volts(look: Look) -> Iterator[Said]:
    """Tell of units that others press below their lowest voltage under load, but are not yet below empty."""
    record, scenario = look.record, look.scenario
    if scenario.fine or scenario.name.startswith("charge"):
        return
    for k in low_volts(look):
        state, cells = look.states[k], look.cells[k]
        lowest, value = cells * state.chem.num("discharge_min_v"), float(record.peaks.low_v[k])
        forced_ah = float(record.under_ah[k])
        drained = forced_ah >= passed.BELOW_FRAC * state.capacity_ah.value
        forced = (
            f", and {Figure(forced_ah):.2g} Ah are forced through it after it is empty" if forced_ah >= 5e-3 else ""
        )
        facts = {"when": after(float(record.peaks.low_v_s[k])), "per_cell": value / cells, "forced": forced}
        yield Said(
            code="trial-low-volts", verdict=Verdict.ONLY_IF if drained else Verdict.CAUTION,
            subject=(state.unit.id,), facts=facts, value=value, limit=lowest,
            source=state.chem.cite("discharge_min_v"),
        )  # fmt: skip


def low_volts(look: Look) -> list[int]:
    """Return the places of units clearly below their lowest voltage under load that are not told as below empty."""
    record = look.record
    told = passed.below_empty(record, look.states, look.cells)
    found = []
    for k, (state, cells) in enumerate(zip(look.states, look.cells, strict=True)):
        lowest = (1.0 - LOW_FRAC) * cells * state.chem.num("discharge_min_v")
        gave = float(record.peaks.out_a[k]) > 1e-3 * state.capacity_ah.value
        if cells and gave and not told[k] and float(record.peaks.low_v[k]) < lowest:
            found.append(k)
    return found


def _gas(look: Look) -> Iterator[Said]:
    """Tell how much of the charge splits water, and how much hydrogen that is."""
    rows = [(state, float(ah)) for state, ah in zip(look.states, look.record.gas_ah, strict=True)]
    rows = [(state, ah) for state, ah in rows if state.chem.kind in ("lead", "nickel") and ah > 0.0]
    litres = sum(1e3 * STANDARD_HYDROGEN_M3_PER_AH * state.unit.cells * ah for state, ah in rows)
    if not litres >= GAS_L:  # nor where it is no number
        return
    facts = {
        "ah": sum(ah for _, ah in rows), "air_l": (1.0 + dilution()) * litres,
        "sealed": SEALED[all(state.chem.sealed for state, _ in rows)],
    }  # fmt: skip
    subject = tuple(state.unit.id for state, _ in rows)
    yield Said(code="trial-gas", verdict=Verdict.CAUTION, subject=subject, facts=facts, value=litres)


def _fuses_loaded(look: Look) -> Iterator[Said]:
    """Tell of the fuse that carries most above its rating for long and has not opened."""
    record, blown = look.record, {event.unit for event in look.record.events if event.kind == "fuse"}
    nodes = {node.ids: node for node in look.bank.root.walk()}
    worst = None
    for fuse in fuses_of(look.bank, look.plan):
        node = nodes.get(tuple(fuse.below)) if fuse.below else look.bank.root
        name = " ".join(fuse.below) if fuse.below else MAIN
        if name in blown or node is None:
            continue
        most, long_s = _above(record, node, fuse.amps, main=not fuse.below)
        if long_s > FUSE_S and (worst is None or most / fuse.amps > worst[0]):
            worst = most / fuse.amps, fuse.below or (), most, fuse.amps, long_s
    if worst is not None:
        _, below, most, rated, long_s = worst
        whose = f"The fuse of {few(below)}" if below else "The main fuse"
        yield Said(
            code="trial-fuse-loaded", verdict=Verdict.CAUTION, subject=tuple(below) or ("main",),
            facts={"whose": whose, "when": span(long_s)}, value=most, limit=rated,
        )  # fmt: skip


def _above(record: Record, node: Node, rated_a: float, *, main: bool) -> tuple[float, float]:
    """
    Return the largest current of a fuse over a block, and for how long in all it was above its rating. [A], [s]

    The records tell both. Over one unit or string the run's own peaks tell of spells between records too: these last
    as long, at the least, as the charge that the records do not show takes at the largest current.
    """
    import numpy as np

    steps = np.diff(record.time_s)
    units = dict(zip(record.ids, record.unit_amps.T, strict=True))
    carried = np.abs(record.amps if main else branch_amps(node, units))
    long_s = float(steps[np.minimum(carried[1:], carried[:-1]) > rated_a].sum())
    most = float(carried.max())
    if any(part.is_parallel for part in node.walk()):
        return most, long_s
    peaks = record.peaks
    each = [(max(float(peaks.out_a[k]), float(peaks.in_a[k])), k) for k in map(record.ids.index, node.ids)]
    peak_a, k = max(each)
    if peak_a > max(most, rated_a):
        shown_ah = float(np.trapezoid(np.abs(record.unit_amps[:, k]), record.time_s)) / 3600.0
        hidden_ah = float(record.out_ah[k] + record.in_ah[k]) - shown_ah
        long_s += max(0.0, 3600.0 * hidden_ah / peak_a)
    return max(most, peak_a), long_s


def _plan_volts(look: Look) -> Iterator[Said]:
    """Tell of a plan that is made for another voltage than this bank's."""
    plan, root = look.plan, look.bank.root
    nominal_v, low_v, top_v = root.nominal_v, *(sum_over_cells(root, f"{n}_v") for n in ("discharge_min", "charge_max"))
    charger_v = plan.charger.volts
    off = []
    if plan.duty.system_v and abs(plan.duty.system_v / nominal_v - 1.0) > OFF_FRAC:
        off.append((plan.duty.system_v, f"a system of {plan.duty.system_v:g} V"))
    disconnect_v = plan.protection.disconnect_v
    if disconnect_v and not (1.0 - OFF_FRAC) * low_v <= disconnect_v <= top_v:
        off.append((disconnect_v, f"a disconnect at {disconnect_v:g} V"))
    if charger_v and not nominal_v <= charger_v <= (1.0 + OFF_FRAC) * top_v:
        off.append((charger_v, f"a charger of {charger_v:g} V"))
    if off:
        told = [text for _, text in off]
        listed = told[0] if len(told) == 1 else f"{', '.join(told[:-1])} and {told[-1]}"
        yield Said(
            code="trial-plan-volts", verdict=Verdict.ONLY_IF, subject=root.ids, facts={"plan": listed},
            value=nominal_v, limit=off[0][0],
        )  # fmt: skip


def _start(look: Look) -> Iterator[Said]:
    """Tell of units that begin with a charge that what was read of them contradicts."""
    if look.scenario.fine:
        return
    for state, begins in zip(look.states, map(float, look.record.soc_frac[0]), strict=True):
        read_v, name = state.unit.rest_v, state.unit.id
        floor_v = state.unit.cells * state.chem.num("abs_min_v")
        if read_v is None or begins < FROM_NOUGHT or read_v >= max(floor_v, 1e-9):
            continue
        what = "reversed, or the leads were swapped" if read_v < 0.0 else "far below empty"
        facts = {"percent": 100.0 * begins, "what": what}
        yield Said(
            code="trial-start", verdict=Verdict.ONLY_IF, subject=(name,), facts=facts, value=read_v, limit=floor_v,
            source=state.chem.cite("abs_min_v"),
        )  # fmt: skip


STRAINED = (_plan_volts, _start, _low_volts, _fuses_loaded, _gas)
