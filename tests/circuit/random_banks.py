"""
Made-up banks for property tests: units, trees of blocks, links, drives; and Kirchhoff's laws over a record.

Everything here is invented. Sizes and resistances lie within what the trade sells; states of charge are anything.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from hotchpot.bank.arrangement import Block, Parallel, Series, Single, ids
from hotchpot.chemistry import chemistry
from hotchpot.circuit.drive import ChargePlan, Drive, Stretch, drive_of
from hotchpot.circuit.model import Gas, Pair, UnitModel, Wells, own_curve
from hotchpot.circuit.net import Leads
from hotchpot.circuit.record import Record

Array = NDArray[np.float64]

CURVES = {
    "lfp": chemistry("lfp").ocv,
    "nmc": chemistry("nmc").ocv,
    "lead": chemistry("lead_agm").ocv,
    "nicd": chemistry("nicd").ocv,
    "straight": own_curve([0.0, 1.0], [3.0, 4.2]),
    "level": own_curve([0.0, 1.0], [3.3, 3.3]),
}


@dataclass(frozen=True)
class Made:
    """A bank with its units and a drive."""

    block: Block
    models: tuple[UnitModel, ...]
    leads: Leads
    drive: Drive

    @property
    def least_ah(self) -> float:
        """The capacity of the smallest unit. [Ah]"""
        return min(model.capacity_ah for model in self.models)


@st.composite
def unit(draw: st.DrawFn, name: str, kind: str, cells: int) -> UnitModel:
    """Return a unit of a kind: its size, age and charge are anything."""
    yes = st.booleans()
    ah = draw(st.floats(5.0, 300.0))
    ohm = draw(st.floats(0.03, 0.5)) * cells / ah
    gas = kind == "lead" and draw(yes)
    kept_v = draw(st.sampled_from([0.0, 1.48 * cells]))
    return UnitModel(
        id=name,
        capacity_ah=ah,
        curve=CURVES[kind],
        cells=cells,
        ohm=ohm,
        ohm_by_charge=((0.05, 2.0), (0.5, 1.0)) if draw(yes) else (),
        ohm_by_warmth=((-20.0, 4.0), (0.0, 2.0), (25.0, 1.0), (40.0, 0.8)) if draw(yes) else (),
        capacity_by_warmth=((-20.0, 0.6), (0.0, 0.85), (25.0, 1.0)) if draw(yes) else (),
        pairs=(Pair(ohm * draw(st.floats(0.1, 2.0)), 30.0), Pair(ohm, 1800.0))[: draw(st.integers(0, 2))],
        wells=Wells(0.315, 1.24, 1.1) if kind == "lead" and draw(yes) else None,
        hysteresis_v=cells * 0.01 if kind in ("lfp", "nicd") and draw(yes) else 0.0,
        gas=Gas(1e-4 * ah, 2.23 * cells, 11.0 / cells, 0.06, kept_v) if gas else None,
        charge_rise=0.5 if kind == "lead" and draw(yes) else 0.0,
        leak_a=ah * draw(st.sampled_from([0.0, 1e-4])),
        empty_drop_v=cells * 4.0,
        overcharge_v=cells * 2.0,
        heat_j_k=30.0 * ah * cells,
        cooling_w_k=0.05 * cells,
        entropy_v_k=cells * draw(st.sampled_from([0.0, 2e-4])),
        oxygen=kind == "nicd" and draw(yes),
        soc_frac=draw(st.floats(0.02, 1.0)),
        temperature_c=draw(st.floats(-5.0, 40.0)),
    )


@st.composite
def blocks(draw: st.DrawFn, *, even: bool = True, regular: bool = False) -> Block:
    """
    Return a tree of at most three levels. An `even` one puts equal counts of units in line between any two rails, as a
    bank would; a `regular` one has groups of one size as well; else anything stands beside anything.
    """
    levels = draw(st.sampled_from(["P", "S", "PS", "SP", "PSP", "SPS"]))
    lines = [draw(st.integers(2, 3)) for _ in levels]
    number = iter(range(1, 1000))

    def grow(level: int) -> Block:
        if level == len(levels) or (not even and level > 0 and draw(st.integers(0, 4)) == 0):
            return Single(f"A{next(number)}")
        count = lines[level] if regular or (even and levels[level] == "S") else draw(st.integers(2, 3))
        members = tuple(grow(level + 1) for _ in range(count))
        return Series(members) if levels[level] == "S" else Parallel(members)

    return grow(0)


def wiring(*, ladders: bool = True) -> st.SearchStrategy[Leads]:
    """Return links: bars with leads to each branch, or ladders."""
    takeoff = st.sampled_from(["busbar", "same_end", "diagonal"]) if ladders else st.just("busbar")
    ohm = st.sampled_from([0.0, 2e-4, 1e-3])
    return st.builds(Leads, link_ohm=ohm, joint_ohm=ohm, main_ohm=ohm, takeoff=takeoff)


def in_line(block: Block) -> int:
    """Return how many units lie between a block's terminals, along its longest way."""
    if isinstance(block, Single):
        return 1
    parts = [in_line(member) for member in block.members]
    return sum(parts) if isinstance(block, Series) else max(parts)


@st.composite
def made(draw: st.DrawFn, *, even: bool = True, ladders: bool = True, kinds: tuple[str, ...] = tuple(CURVES)) -> Made:
    """Return a bank with a drive of one to four stretches of any sort: amps, watts, siemens, rest, charge."""
    block = draw(blocks(even=even))
    kind, cells = draw(st.sampled_from(kinds)), draw(st.integers(1, 6))
    models = tuple(draw(unit(name, kind, cells if even else draw(st.integers(1, 6)))) for name in ids(block))
    volts = in_line(block) * cells * CURVES[kind].volts(0.5)
    most_a = min(model.capacity_ah for model in models) * 0.5
    stretches = []
    for _ in range(draw(st.integers(1, 4))):
        seconds, amps = draw(st.sampled_from([300.0, 1800.0, 7000.0])), draw(st.floats(0.02, 1.0)) * most_a
        what = draw(st.sampled_from(["load_a", "load_w", "load_s", "source_a", "source_w", "both", "rest"]))
        values = {
            "load_a": {"load_a": amps},
            "load_w": {"load_w": amps * volts},
            "load_s": {"load_s": amps / volts},
            "source_a": {"source_a": amps},
            "source_w": {"source_w": amps * volts},
            "both": {"source_a": amps, "load_w": 0.3 * amps * volts},
            "rest": {},
        }[what]
        stretches.append(Stretch(seconds=seconds, **values))
    ceiling = in_line(block) * cells * CURVES[kind].volts(1.0) * 1.05
    return Made(block, models, draw(wiring(ladders=ladders)), drive_of(stretches, ChargePlan(absorb_v=ceiling)))


def side_by_side(block: Block) -> int:
    """Return how many units of a regular block share its current."""
    if isinstance(block, Single):
        return 1
    part = side_by_side(block.members[0])
    return part * len(block.members) if isinstance(block, Parallel) else part


def kirchhoff(block: Block, leads: Leads, record: Record) -> tuple[float, float]:
    """
    Return by how much currents and voltages of a record fail to add up, at worst, over all nodes and windows. [A], [V]

    A unit's voltage is taken as recorded at its own terminals, and all else worked out from the wiring as `Leads` tells
    it, with nothing of the circuit's own code.
    """
    place = {name: k for k, name in enumerate(record.ids)}
    off_a = off_v = 0.0

    def through(node: Block) -> tuple[Array, Array]:
        """Return the current into the load and the voltage between the terminals of a block."""
        nonlocal off_a, off_v
        if isinstance(node, Single):
            return record.unit_amps[:, place[node.id]], record.unit_volts[:, place[node.id]]
        parts = [through(member) for member in node.members]
        amps, volts = np.array([a for a, _ in parts]), np.array([v for _, v in parts])
        if isinstance(node, Series):
            off_a = max(off_a, float(np.ptp(amps, axis=0).max()))
            return amps[0], volts.sum(axis=0)
        volts = volts - 2.0 * leads.joint_ohm * amps
        total = amps.sum(axis=0)
        if leads.takeoff == "busbar" or leads.link_ohm == 0.0:
            seen = volts - 2.0 * leads.link_ohm * amps
        else:
            beyond = total - np.cumsum(amps, axis=0)  # in the segment after each branch
            plus = np.concatenate([np.zeros((1, total.size)), np.cumsum(beyond[:-1], axis=0)])
            if leads.takeoff == "same_end":
                minus = plus
            else:
                before = np.cumsum(amps, axis=0)[:-1]
                minus = np.concatenate([np.cumsum(before[::-1], axis=0)[::-1], np.zeros((1, total.size))])
            seen = volts - leads.link_ohm * (plus + minus)
        off_v = max(off_v, float(np.ptp(seen, axis=0).max()))
        return total, seen[0]

    amps, volts = through(block)
    off_a = max(off_a, float(np.abs(amps - record.amps).max()))
    off_v = max(off_v, float(np.abs(volts - leads.main_ohm * amps - record.volts).max()))
    return off_a, off_v
