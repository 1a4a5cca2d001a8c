"""A run as the checks look at it: what several of them ask, worked out once, and the facts that they hand back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.plan import Plan
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.circuit.record import Event, Record
from hotchpot.trial.outcome import Share
from hotchpot.trial.passed import live_cells
from hotchpot.trial.scenario import Scenario
from hotchpot.trial.wired import dropped_taps, fuses_of, is_out

if TYPE_CHECKING:
    import numpy as np

ENDS = {
    "time": "its time is over",
    "cut-off": "the bank's cut-off",
    "unit-low": "{unit} at its lowest voltage",
    "empty": "{unit} empty",
    "reversed": "{unit} reversed",
    "full": "{unit} full",
    "collapse": "the load can no longer be fed",
    "charged": "charged",
    "settled": "settled",
    "open": "nothing can flow any more",
    "parted": "something opened, and nothing flows any more; what is apart has not settled",
    "hot": "{unit} is so hot that what follows is fire, not current",
    "diverged": "its numbers run away, and none of them is to be used",
    "too-many-events": "too much happens, over and over, to go on",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """Facts under a code; `value` and `limit` are facts too."""

    code: str
    verdict: Verdict
    subject: tuple[str, ...]
    facts: dict[str, Any]
    value: float | None = None
    limit: float | None = None
    source: str = ""


class Figure(float):
    """
    A number that is told without an exponent where it is large.

    >>> f"{Figure(1538.2):.3g} {Figure(0.5):.3g}"
    '1540 0.5'
    """

    def __format__(self, spec: str) -> str:
        text = float.__format__(self, spec)
        return f"{float(text):.0f}" if spec.endswith("g") and "e+" in text else text


@dataclass(frozen=True)
class Look:
    """A run with what several checks ask of it, worked out once."""

    bank: Bank
    scenario: Scenario
    record: Record
    shares: tuple[Share, ...]
    plan: Plan = field(default_factory=Plan)

    @cached_property
    def states(self) -> tuple[State, ...]:
        """The units' states in the order of the record."""
        return self.bank.units

    @cached_property
    def cells(self) -> tuple[int, ...]:
        """How many cells of each unit have a voltage, in the order of the record."""
        return tuple(live_cells(state, self.scenario.shorted) for state in self.states)

    @cached_property
    def dropped_taps(self) -> tuple[str, ...]:
        """The units whose taps the run went without, as the string they are in is cut out."""
        return () if self.scenario.fine else dropped_taps(self.bank, self.plan, self.scenario.lost)

    @cached_property
    def first_empty(self) -> Event | None:
        """The first unit that was empty; a unit without a living cell has no charge to be out of."""
        live = {state.unit.id for state, cells in zip(self.states, self.cells, strict=True) if cells}
        events = self.record.events
        return next((event for event in events if event.kind == "empty" and event.unit in live), None)

    @cached_property
    def fused_a(self) -> dict[str, float]:
        """The rating of the fuse whose whole current each unit carries, by unit. [A]"""
        groups = {node.ids: node for node in self.bank.root.walk()}
        rated: dict[str, float] = {}
        for fuse in fuses_of(self.bank, self.plan):
            node = groups.get(tuple(fuse.below)) if fuse.below else None
            if node is not None and not any(part.is_parallel for part in node.walk()):
                rated |= dict.fromkeys(node.ids, fuse.amps)
        return rated

    @property
    def parted(self) -> bool:
        """Whether a fuse or a protection opened."""
        opened = ("fuse", "electronics-low", "electronics-high", "electronics-amps")
        return self.record.ended.kind == "parted" or any(event.kind in opened for event in self.record.events)

    @cached_property
    def equal_parts(self) -> np.ndarray:
        """Each unit's part of the bank's current if all groups shared equally, none if cut out, shape (n,)."""
        import numpy as np

        parts: list[float] = []
        waiting = [(self.bank.root, 1.0)]
        while waiting:
            node, part = waiting.pop()
            if not node.children:
                parts.append(part)
            there = [not is_out(child, self.scenario.lost) for child in node.children]
            own = part / max(1, sum(there)) if node.is_parallel else part
            waiting.extend((c, own * stays) for c, stays in zip(node.children[::-1], there[::-1], strict=True))
        return np.array(parts)

    @property
    def ends(self) -> str:
        """Why the run ended, in words."""
        ended = self.record.ended
        return ENDS.get(ended.kind, ended.kind).format(unit=ended.unit)

    def limits_a(self, *, charging: bool) -> np.ndarray:
        """Return the units' lasting limits, those of charge at the temperature they begin with, shape (n,). [A]"""
        import numpy as np

        if not charging:
            return np.array([state.discharge_limit_a() for state in self.states])
        warmth = self.record.temperature_c[0]
        return np.array([s.charge_limit_at(float(t)) for s, t in zip(self.states, warmth, strict=True)])

    def bank_a_at(self, time_s: float, *, charging: bool) -> float:
        """
        Return the bank's current at the moment of a peak, in that direction. [A]

        From the record where it has that moment, else from the units' peaks where all were then.
        """
        import numpy as np

        record, peaks = self.record, self.record.peaks
        rows = np.abs(record.time_s - time_s) <= 1e-9 * max(1.0, time_s)
        if rows.any():
            return float(np.maximum(-record.amps[rows] if charging else record.amps[rows], 0.0).max())
        when, amps = (peaks.in_a_s, peaks.in_a) if charging else (peaks.out_a_s, peaks.out_a)
        if np.ptp(when) <= 1e-9 * max(1.0, time_s):
            return _through(self.bank.root, dict(zip(record.ids, map(float, amps), strict=True)))
        return abs(float(np.interp(time_s, record.time_s, record.amps)))

    def share(self, name: str) -> float:
        """Return a part of the energy by its name; nought where it was left out. [Wh]"""
        return sum(share.wh for share in self.shares if share.name == name)


def branch_amps(node: Node, amps: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return the current of a block from its units', each an array over time; of a string the largest part. [A]"""
    import numpy as np

    if not node.children:
        return amps[node.ids[0]]
    parts = np.array([branch_amps(child, amps) for child in node.children])
    if node.is_parallel:
        return np.asarray(parts.sum(axis=0))
    return np.asarray(np.take_along_axis(parts, np.abs(parts).argmax(axis=0)[None], axis=0)[0])


def _through(node: Node, amps: dict[str, float]) -> float:
    if not node.children:
        return amps[node.ids[0]]
    parts = [_through(child, amps) for child in node.children]
    return sum(parts) if node.is_parallel else max(parts)


def span(seconds: float) -> str:
    """Return a time in the unit that reads best."""
    if seconds < 90.0:
        return f"{seconds:.3g} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.3g} min"
    if seconds < 1000.0 * 3600.0:
        return f"{seconds / 3600.0:.3g} h"
    return f"{seconds / 86_400.0:.0f} days"
