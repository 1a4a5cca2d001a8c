"""
A bank as a netlist for ngspice, and what ngspice makes of it: the referee that knows nothing of our code.

Only the description of the bank is ours (models, blocks, leads, drive). The netlist is laid out here anew, from the
definitions in `UnitModel` and `Leads` and not from the arrays of the engine: charge, pairs and wells are capacitors
that integrate a current, open-circuit voltage and resistance are tables (`pwl`) in behavioural sources, gas and
self-discharge are current sources beside them, links are resistors. Every state stands on a capacitor to ground and
is set by `.ic`, so that ngspice finds a consistent moment nought by itself.

Temperatures are held. Hysteresis and the oxygen of nickel are left to the other referee, `test_radau`.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hotchpot.bank.arrangement import Block, Parallel, Series, Single
from hotchpot.circuit import layout as at
from hotchpot.circuit.drive import Drive
from hotchpot.circuit.model import UnitModel
from hotchpot.circuit.net import TIE_OHM, Leads

Floats = NDArray[np.float64]

PROGRAM = shutil.which("ngspice")
WHY_NOT = "ngspice is not installed (apt-get install ngspice)"
EDGE_S = 1e-6  # how long a load takes to change
_AFTER_S = 2e-6  # a moment stands for what is just after it, beyond an edge
# reltol 1e-6 holds currents and voltages to a millionth, a thousandth of what is asked; vntol and abstol are as far
# below the smallest voltages (mV) and currents (0.1 A) that matter; trtol 1 takes the estimate of a step's error at its
# word (the default, 7, lets steps be seven times worse); the trapezoidal rule is of second order and keeps charge.
TIGHT = "reltol=1e-6 vntol=1e-8 abstol=1e-9 trtol=1 method=trap itl4=50"


@dataclass(frozen=True, slots=True)
class Referee:
    """What ngspice gave: its moments, the bank's volts, the units' amps and charge (t, n), and how long it took."""

    time_s: Floats
    volts: Floats
    unit_amps: Floats
    soc_frac: Floats
    took_s: float

    def at(self, time_s: Floats, what: str) -> Floats:
        """Return a quantity at given moments, straight between its own."""
        values = np.asarray(getattr(self, what))
        after = np.minimum(np.asarray(time_s, dtype=float) + _AFTER_S, self.time_s[-1])
        columns = values.reshape(len(self.time_s), -1)
        found = np.stack([np.interp(after, self.time_s, column) for column in columns.T], axis=1)
        return found.reshape(len(after), *values.shape[1:])


def referee(
    block: Block,
    models: Sequence[UnitModel],
    leads: Leads,
    drive: Drive,
    folder: Path,
    *,
    held_v: float | None = None,
    deep: bool = False,
    clock_s: float = 0.0,
    options: str = TIGHT,
    step_s: float = 1.0,
) -> Referee:
    """
    Return what ngspice makes of a bank and its drive.

    With `held_v` the bank stands on that voltage instead of the drive; `deep` writes the fall below empty too.
    """
    assert PROGRAM, WHY_NOT
    order, text = netlist(
        block, models, leads, drive, held_v=held_v, deep=deep, clock_s=clock_s, options=options, step_s=step_s
    )
    (folder / "bank.cir").write_text(text, "ascii")
    command = [PROGRAM, "-b", "-r", "bank.raw", "bank.cir"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    said = done.stdout + done.stderr
    took = re.search(r"Total analysis time \(seconds\) = ([\d.]+)", said)
    if done.returncode or took is None or "aborted" in said:
        raise RuntimeError(f"ngspice failed: {said[-2000:]}")
    table = _raw(folder / "bank.raw")
    return Referee(
        table["time"],
        table["v(bank)"],
        np.stack([table[f"i(vi{k})"] for k in range(len(order))], axis=1),
        np.stack([table[f"v(s{k})"] for k in range(len(order))], axis=1),
        float(took[1]),
    )


def netlist(
    block: Block,
    models: Sequence[UnitModel],
    leads: Leads,
    drive: Drive,
    *,
    held_v: float | None = None,
    deep: bool = False,
    clock_s: float = 0.0,
    options: str = TIGHT,
    step_s: float = 1.0,
) -> tuple[list[str], str]:
    """Return the units' ids in the order of their numbers, and the netlist."""
    paper = _Paper({model.id: model for model in models}, leads, deep)
    paper.lay(block, paper.joined("bank", leads.main_ohm), "0")
    for name, amps in leads.taps:
        paper.add(f"itap_{paper.ids.index(name)} {paper.plus[name]} 0 dc {amps!r}")
    _load(paper, drive, held_v)
    if clock_s:  # a source with a corner at every sample, joined to nothing: ngspice sets a moment on every corner
        paper.add(f"vclock clock 0 pwl(0 0 {clock_s!r} 1 {2 * clock_s!r} 0) r=0")
    saved = " ".join(f"i(vi{k}) v(s{k})" for k in range(len(paper.ids)))
    lines = [
        "a bank",
        *paper.lines,
        f".options {options}",
        f".tran {step_s!r} {drive.seconds!r} 0 {step_s!r}",
        f".save v(bank) {saved}",
        ".end",
        "",
    ]
    return paper.ids, "\n".join(_folded(line) for line in lines)


class _Paper:
    """The lines of a netlist as they grow; node 0 is the bank's negative pole."""

    def __init__(self, models: dict[str, UnitModel], leads: Leads, deep: bool) -> None:
        self.models, self.leads, self.deep = models, leads, deep
        self.lines: list[str] = []
        self.ids: list[str] = []
        self.plus: dict[str, str] = {}
        self.count = 0

    def add(self, line: str) -> None:
        self.lines.append(line)

    def node(self) -> str:
        self.count += 1
        return f"n{self.count}"

    def joined(self, node: str, ohm: float) -> str:
        """Return a new node behind a resistor, or the node itself where there is no resistance."""
        if ohm == 0.0:
            return node
        after = self.node()
        self.add(f"r{after} {node} {after} {ohm!r}")
        return after

    def lay(self, block: Block, up: str, down: str) -> list[str]:
        """Lay a block between two nodes; return the nodes between the members of a string."""
        if isinstance(block, Single):
            self.unit(self.models[block.id], up, down)
            return []
        if isinstance(block, Series):
            between = [self.node() for _ in block.members[1:]]
            for member, a, b in zip(block.members, [up, *between], [*between, down], strict=True):
                self.lay(member, a, b)
            return between
        self.lay_parallel(block, up, down)
        return []

    def lay_parallel(self, block: Parallel, up: str, down: str) -> None:
        leads = self.leads
        count = len(block.members)
        tops, bottoms, own = [up] * count, [down] * count, leads.joint_ohm
        if leads.takeoff == "busbar":
            own += leads.link_ohm
        else:
            for k in range(1, count):
                tops[k] = self.joined(tops[k - 1], leads.link_ohm)
            order = list(range(count)) if leads.takeoff == "same_end" else list(range(count))[::-1]
            for before, k in pairwise(order):
                bottoms[k] = self.joined(bottoms[before], leads.link_ohm)
        middles = [
            self.lay(member, self.joined(top, own), self.joined(bottom, own))
            for member, top, bottom in zip(block.members, tops, bottoms, strict=True)
        ]
        if leads.tied:
            for here, there in pairwise(middles):
                for a, b in zip(here, there, strict=True):
                    self.add(f"rtie{a}{b} {a} {b} {TIE_OHM!r}")

    def unit(self, model: UnitModel, up: str, down: str) -> None:
        """Write one unit between two nodes."""
        if model.hysteresis_v or model.oxygen:
            raise ValueError("hysteresis and oxygen are not written here")
        k = len(self.ids)
        self.ids.append(model.id)
        self.plus[model.id] = up
        warmth = model.temperature_c
        charge, self_a = 3600.0 * model.capacity_ah, model.leak_a * 2.0 ** ((warmth - 25.0) / model.leak_double_k)
        cold = 1.0 - _by(model.capacity_by_warmth, warmth)
        self.add(f"vi{k} p{k} {up} 0")  # the current that leaves the unit
        inside = f"p{k}"
        if model.gas or self_a:
            inside = f"q{k}"
            self.add(f"vm{k} {inside} p{k} 0")
            self.add(f"bg{k} p{k} {down} i={_side(model, self_a, f'v(p{k},{down})')}")
        main = f"i(vm{k})" if inside != f"p{k}" else f"i(vi{k})"
        self.state(f"s{k}", charge, model.soc_frac, main)
        head = avail = f"(v(s{k})-{cold!r})"
        if model.wells:
            wells = model.wells
            self.add(f"rw{k} w{k} 0 {3600.0 / wells.rate_h!r}")  # with 1 F: levels meet at k'
            self.state(f"w{k}", 1.0, 0.0, f"(-{main}/{wells.part * charge!r})")
            hand = f"(v(s{k})+{wells.whole - 1.0 - cold!r}-{1.0 - wells.part!r}*v(w{k}))"
            head, avail = f"({hand}/{wells.whole!r})", f"({wells.part!r}*{hand})"
        volts = f"{model.cells}*{_pwl(f'v(s{k})', _curve(model))}"
        if model.entropy_v_k:
            volts += f"+{model.entropy_v_k * (warmth - 25.0)!r}"
        if self.deep:
            volts += f"-{model.empty_drop_v!r}*(1-exp(min({avail},0)/0.03))"
        for j, pair in enumerate(model.pairs):
            self.state(f"x{j}_{k}", pair.tau_s / pair.ohm, 0.0, f"(-{main})")
            self.add(f"rx{j}_{k} x{j}_{k} 0 {pair.ohm!r}")
            volts += f"-v(x{j}_{k})"
        ohm = model.ohm * _by(model.ohm_by_warmth, warmth)
        if model.ohm_by_charge or model.charge_rise:
            self.add(f"be{k} {inside} {down} v={volts}-{main}*{self.ohms(model, ohm, main, head)}")
        else:
            self.add(f"re{k} e{k} {inside} {ohm!r}")
            self.add(f"be{k} e{k} {down} v={volts}")

    def ohms(self, model: UnitModel, ohm: float, main: str, head: str) -> str:
        """Return the resistance of a unit as an expression of its charge and the way of its current."""
        if not model.ohm_by_charge:
            model = replace(model, ohm_by_charge=((0.0, 1.0), (1.0, 1.0)))
        points = [(-9.0, model.ohm_by_charge[0][1]), *model.ohm_by_charge, (9.0, model.ohm_by_charge[-1][1])]
        grown = f"{ohm!r}*{_pwl(head, points)}"
        if not model.charge_rise:
            return grown
        inward = f"{ohm!r}*(1+{model.charge_rise!r}/(1.05-max(0,min({head},1.0499))))"
        return f"({main} < 0 ? {inward} : {grown})"

    def state(self, node: str, farad: float, first: float, out: str) -> None:
        """Write a capacitor to ground that a current discharges."""
        self.add(f"c{node} {node} 0 {farad!r}")
        self.add(f"b{node} {node} 0 i={out}")
        self.add(f".ic v({node})={first!r}")


def _load(paper: _Paper, drive: Drive, held_v: float | None) -> None:
    if held_v is not None:
        paper.add(f"vheld bank 0 dc {held_v!r}")
        return
    amps = drive.table[at.G_AMPS] - drive.table[at.G_SOURCE_A]
    watts = drive.table[at.G_WATTS] - drive.table[at.G_SOURCE_W]
    siemens = drive.table[at.G_SIEMENS]
    paper.add(f"iload bank 0 {_steps(drive.edges, amps)}")
    for name, values, current in (("w", watts, "v(w)/v(bank)"), ("g", siemens, "v(g)*v(bank)")):
        if values.any():
            paper.add(f"v{name} {name} 0 {_steps(drive.edges, values)}")
            paper.add(f"b{name} bank 0 i={current}")


def _steps(edges: Floats, values: Floats) -> str:
    points = [(0.0, values[0])]
    for edge, before, after in zip(edges[1:], values, values[1:], strict=False):
        points += [(edge, before), (edge + EDGE_S, after)] if before != after else []
    if len(points) == 1:
        return f"dc {float(values[0])!r}"
    return "pwl(" + " ".join(f"{float(t)!r} {float(v)!r}" for t, v in points) + ")"


def _side(model: UnitModel, self_a: float, across: str) -> str:
    if model.gas is None:
        return repr(self_a)
    gas = model.gas
    warm = math.exp(gas.per_k * (model.temperature_c - 25.0))
    return f"{self_a!r}+{gas.amps * warm!r}*exp(min({gas.per_v!r}*({across}-{gas.at_v!r}),40))"


def _curve(model: UnitModel) -> list[tuple[float, float]]:
    """Return the curve of one cell: held below empty, rising beyond full."""
    points = list(zip(model.curve.soc, model.curve.volt, strict=True))
    return [(-9.0, points[0][1]), *points, (9.0, points[-1][1] + 8.0 * model.overcharge_v / model.cells)]


def _by(points: Sequence[tuple[float, float]], x: float) -> float:
    return float(np.interp(x, *zip(*points, strict=True))) if points else 1.0


def _pwl(x: str, points: Sequence[tuple[float, float]]) -> str:
    return f"pwl({x}," + ",".join(f"{float(a)!r},{float(b)!r}" for a, b in points) + ")"


def _folded(line: str) -> str:
    """Return a line in pieces of a length that every reader of netlists takes."""
    pieces, rest = [], line
    while len(rest) > 900:
        cut = max(rest.rfind(mark, 0, 900) for mark in ", ")
        pieces.append(rest[: cut + 1])
        rest = rest[cut + 1 :]
    return "\n+ ".join([*pieces, rest])


def _raw(path: Path) -> dict[str, Floats]:
    """Return the columns of a raw file by name."""
    data = path.read_bytes()
    mark = b"Binary:\n"
    begin = data.index(mark) + len(mark)
    head = data[:begin].decode("ascii", "replace")
    names = re.findall(r"^\t\d+\t(\S+)\t", head, re.MULTILINE)
    count = re.search(r"No\. Points: *(\d+)", head)
    assert count is not None
    table = np.frombuffer(data, dtype=float, offset=begin, count=int(count[1]) * len(names))
    return dict(zip(names, table.reshape(-1, len(names)).T.copy(), strict=True))
