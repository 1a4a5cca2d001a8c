r"""
Who carries what while a bank is discharged, from full to empty, and when a string drops out.

Units are a source OCV(SoC), their own where it was measured, behind a resistance R(SoC) and two slow pairs. Each step
solves the network exactly by series-parallel reduction and moves the charge implicitly: over a step the open-circuit
voltage of a unit falls by its slope times the charge drawn, and each slow pair relaxes exactly,

.. math::
    E(s - I\,\Delta t/Q) \approx E(s) - E'(s)\,I\,\Delta t/Q \qquad
    v_i(t+\Delta t) = a_i v_i + (1-a_i) R_i I, \quad a_i = e^{-\Delta t/\tau_i}

so slope and pair act as more resistance and flat curves in parallel stay stable. Below empty a cell falls towards its
reversal voltage, OCV(s<0) = OCV(0) + (V_rev - OCV(0)) (1 - exp(s/0.03)). At first current divides by resistance, later
by capacity over slope, and at the end whoever has charge left takes it all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from hotchpot.bank.bank import Bank, Node, sum_over_cells
from hotchpot.chemistry import SOC_GRID, Chemistry, Curve

if TYPE_CHECKING:
    from numpy.typing import NDArray

_STEP_SOC, _KNEE_STEP_SOC = 0.01, 0.001  # fine steps once a unit comes near its knee
_MOST_STEPS = 1500
_NEAR_KNEE_SOC = 0.06
_KNEE_SOC = 0.03  # how fast a cell falls below empty; engineering guess, to be replaced by a measured over-discharge


@dataclass(frozen=True, slots=True)
class Sharing:
    """
    The largest current of each unit over a discharge at constant bank current.

    Arrays run over the bank's units in order: `first_a` at the start, `worst_a` the largest size at any time, and
    `worst_hour` when that was. `hours` is when the bank reached its lowest allowed voltage.
    """

    ids: tuple[str, ...]
    load_a: float
    first_a: tuple[float, ...]
    worst_a: tuple[float, ...]
    worst_hour: tuple[float, ...]
    hours: float


def discharge_shares(bank: Bank, load_a: float) -> Sharing:
    """
    Return what each unit carries while the bank, all units full, gives `load_a` until it is empty.

    The bank is empty when its voltage under load reaches the sum of its cells' lowest voltages, or no unit has charge
    left. Slow polarisation is scaled with a unit's own resistance; temperatures are left out.
    """
    import numpy as np

    run = _Run(bank, np)
    soc = np.ones(len(bank.units))
    current: NDArray[np.float64] | None = None
    worst = np.zeros(len(bank.units))
    when = np.zeros(len(bank.units))
    hours = 0.0
    first, _ = run.solve(soc, load_a, 0.0)
    for _ in range(_MOST_STEPS):
        step_h = run.step_h(load_a, current, _KNEE_STEP_SOC if soc.min() < _NEAR_KNEE_SOC else _STEP_SOC)
        current, volts = run.solve(soc, load_a, step_h)
        if volts <= run.empty_v:
            break
        larger = np.abs(current) > worst
        worst[larger], when[larger] = np.abs(current[larger]), hours
        soc = soc - current * step_h / run.capacity_ah
        run.relax(current, step_h)
        hours += step_h
        if np.all(soc <= 0.0):
            break
    worst = np.maximum(worst, np.abs(first))
    return Sharing(bank.root.ids, load_a, tuple(first.tolist()), tuple(worst.tolist()), tuple(when.tolist()), hours)


class _Run:
    """The bank's numbers as arrays, and its reduction order."""

    def __init__(self, bank: Bank, np: Any) -> None:
        self.np = np
        self.root = bank.root
        self.branch_ohm = bank.branch_ohm
        self.capacity_ah = np.array([state.capacity_ah.value for state in bank.units])
        self.cells = np.array([float(state.unit.cells) for state in bank.units])
        self.r_ohm = np.array([state.resistance_mohm.value * 1e-3 for state in bank.units])
        self.empty_v = sum_over_cells(bank.root, "discharge_min_v")
        self.groups = self._groups(bank)
        self.pairs = self._slow_pairs(bank)
        self.pair_v = [np.zeros(len(bank.units)) for _ in self.pairs]

    def _slow_pairs(self, bank: Bank) -> list[tuple[Any, Any]]:
        """Resistance [Ω] and time constant [h] of each unit's slow pairs, scaled as its 10 s resistance has grown."""
        worn = self.np.array([state.resistance_ratio / state.unit.rated_ah for state in bank.units]) * self.cells
        rows = []
        for r_name, tau_name in (("r1_q", "tau1"), ("r2_q", "tau2")):
            ohm = worn * self.np.array([state.chem.num(r_name) * 1e-3 for state in bank.units])
            rows.append((ohm, self.np.array([state.chem.num(tau_name) / 3600.0 for state in bank.units])))
        return rows

    def relax(self, current: Any, step_h: float) -> None:
        """Move the slow pairs' voltages on by one step."""
        for i, (ohm, tau_h) in enumerate(self.pairs):
            stay = self.np.exp(-step_h / tau_h)
            self.pair_v[i] = stay * self.pair_v[i] + (1.0 - stay) * ohm * current

    def _groups(self, bank: Bank) -> list[tuple[Chemistry, Curve, Any]]:
        """Units with one curve, their chemistry's or a unit's own, and their places."""
        kinds: dict[tuple[str, int], list[int]] = {}
        for i, state in enumerate(bank.units):
            kinds.setdefault((state.chem.key, id(state.ocv_curve)), []).append(i)
        firsts = [(bank.units[rows[0]], rows) for rows in kinds.values()]
        return [(state.chem, state.ocv_curve, self.np.array(rows)) for state, rows in firsts]

    def step_h(self, load_a: float, current: Any, step_soc: float) -> float:
        """A step in which no unit, nor the bank as a whole, loses more than `step_soc` of its charge."""
        fastest = load_a / float(self.capacity_ah.sum())
        if current is not None:
            fastest = max(fastest, float(self.np.abs(current / self.capacity_ah).max()))
        return step_soc / fastest

    def solve(self, soc: Any, load_a: float, step_h: float) -> tuple[Any, float]:
        """Return every unit's current and the bank's voltage."""
        volts, slopes, factor = self._sources(soc)
        resistance = self.r_ohm * factor + slopes * step_h / self.capacity_ah
        for pair_v, (ohm, tau_h) in zip(self.pair_v, self.pairs, strict=True):
            stay = self.np.exp(-step_h / tau_h)
            volts = volts - stay * pair_v
            resistance = resistance + (1.0 - stay) * ohm
        e, r = volts.tolist(), resistance.tolist()
        bank_e, bank_r, tree = self._reduce(self.root, e, r, iter(range(len(e))))
        amps = [0.0] * len(e)
        self._share(tree, load_a, amps)
        return self.np.array(amps), bank_e - load_a * bank_r

    def _sources(self, soc: Any) -> tuple[Any, Any, Any]:
        np = self.np
        volts, slopes, factor = np.empty_like(soc), np.empty_like(soc), np.empty_like(soc)
        for chem, curve, rows in self.groups:
            s, v = np.array(curve.soc), np.array(curve.volt)
            x = soc[rows]
            piece = np.clip(np.searchsorted(s, x, side="right") - 1, 0, len(s) - 2)
            below = np.exp(np.minimum(x, 0.0) / _KNEE_SOC)
            drop = v[0] - chem.num("reversal_v")
            volts[rows] = np.interp(x, s, v) - drop * (1.0 - below)
            slopes[rows] = np.where(x > 0.0, ((v[1:] - v[:-1]) / (s[1:] - s[:-1]))[piece], drop * below / _KNEE_SOC)
            factor[rows] = np.interp(x, SOC_GRID, chem.row("r_soc_mult"))
        return volts * self.cells, slopes * self.cells, factor

    def _reduce(self, node: Node, e: list[float], r: list[float], index: Any) -> tuple[float, float, Any]:
        if not node.children:
            i = next(index)
            return e[i], r[i], i
        parts = [self._reduce(child, e, r, index) for child in node.children]
        if node.is_series:
            return sum(p[0] for p in parts), sum(p[1] for p in parts), ("+", parts)
        link = self.branch_ohm
        g = sum(1.0 / (p[1] + link) for p in parts)
        bus = sum(p[0] / (p[1] + link) for p in parts) / g
        return bus, 1.0 / g, ("//", parts, bus, g)

    def _share(self, tree: Any, amps: float, out: list[float]) -> None:
        if isinstance(tree, int):
            out[tree] = amps
        elif tree[0] == "+":
            for part in tree[1]:
                self._share(part[2], amps, out)
        else:
            bus = tree[2] - amps / tree[3]
            for part in tree[1]:
                self._share(part[2], (part[0] - bus) / (part[1] + self.branch_ohm), out)
