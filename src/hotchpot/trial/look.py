"""A run as the checks look at it: what several of them ask, worked out once, and the facts that they hand back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.plan import Plan
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.circuit.record import Event, Record
from hotchpot.trial.outcome import Share
from hotchpot.trial.passed import Hardest, hardest_charge, live_cells
from hotchpot.trial.scenario import Scenario
from hotchpot.trial.wired import cut_out, dropped_taps, fuses_of, is_out

if TYPE_CHECKING:
    import numpy as np

FIRST_S = 0.01  # what happens earlier happens at the first moment
MOST_IDS = 3
KILO_WH = 9999.5  # from here on kWh read better

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
    def gone(self) -> frozenset[str]:
        """The units of branches that are cut out: they hang on nothing, and count for nothing."""
        return cut_out(self.bank.root, self.scenario.lost)

    @cached_property
    def there(self) -> tuple[int, ...]:
        """The places of the units that are not cut out."""
        return tuple(k for k, name in enumerate(self.record.ids) if name not in self.gone)

    @cached_property
    def cells(self) -> tuple[int, ...]:
        """How many cells of each unit have a voltage that counts, in the order of the record: none of one cut out."""
        return tuple(live_cells(state, self.scenario.shorted, self.gone) for state in self.states)

    @cached_property
    def dropped_taps(self) -> tuple[str, ...]:
        """The units whose taps the run went without, as the string they are in is cut out."""
        return () if self.scenario.fine else dropped_taps(self.bank, self.plan, self.scenario.lost)

    @property
    def compensated(self) -> bool:
        """Whether the charger's volts follow the temperature."""
        return bool(self.plan.charger.compensated)

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

    @cached_property
    def given(self) -> Hardest:
        """Each unit's largest discharge current, and its lasting limit."""
        import numpy as np

        peaks = self.record.peaks
        limits = np.array([state.discharge_limit_a() for state in self.states])
        return Hardest(peaks.out_a, limits, peaks.out_a_s, self.record.temperature_c[0])

    @cached_property
    def taken(self) -> Hardest:
        """Each unit's charge current that is furthest above, or nearest, what it may take as warm as it then is."""
        return hardest_charge(self.record, self.states)

    def bank_a_at(self, time_s: float, *, charging: bool) -> float:
        """
        Return the bank's current at the moment of a peak, in that direction. [A]

        From the record where it has that moment, else from the units' peaks where all were then, else the larger of
        the records before and after: a step lies between them.
        """
        import numpy as np

        record, peaks = self.record, self.record.peaks
        rows = np.abs(record.time_s - time_s) <= 1e-9 * max(1.0, time_s)
        if rows.any():
            return float(np.maximum(-record.amps[rows] if charging else record.amps[rows], 0.0).max())
        when, amps = (peaks.in_a_s, peaks.in_a) if charging else (peaks.out_a_s, peaks.out_a)
        if np.ptp(when) <= 1e-9 * max(1.0, time_s):
            return _through(self.bank.root, dict(zip(record.ids, map(float, amps), strict=True)))
        later = min(int(np.searchsorted(record.time_s, time_s)), len(record.time_s) - 1)
        near = record.amps[max(0, later - 1) : later + 1]
        return float(np.maximum(-near if charging else near, 0.0).max())

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


def energy(wh: float, digits: int = 3) -> str:
    """
    Return an energy in Wh, or kWh where that reads better.

    >>> energy(262_000.0), energy(4541.3)
    ('262 kWh', '4540 Wh')
    """
    kilo = abs(wh) >= KILO_WH
    return f"{Figure(wh / 1000.0 if kilo else wh):.{digits}g} {'kWh' if kilo else 'Wh'}"


def percent_down(frac: float) -> str:
    """
    Return a part as percent of two digits, rounded down.

    >>> percent_down(0.4667), percent_down(0.0109)
    ('46', '1')
    """
    percent = 100.0 * frac
    step = 10.0 ** (math.floor(math.log10(percent)) - 1) if percent > 0.0 else 1.0
    return f"{Figure(math.floor(percent / step + 1e-9) * step):.3g}"


def after(seconds: float) -> str:
    """
    Return when something happened, in words.

    >>> after(1.4e-4), after(7200.0)
    ('at the first moment', 'after 2 h')
    """
    return "at the first moment" if seconds < FIRST_S else f"after {span(seconds)}"


def span(seconds: float) -> str:
    """Return a time in the unit that reads best."""
    if seconds < 90.0:
        return f"{seconds:.3g} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.3g} min"
    if seconds < 999.5 * 3600.0:
        return f"{seconds / 3600.0:.3g} h"
    return f"{seconds / 86_400.0:.0f} days"


def few(names: Sequence[str]) -> str:
    """Return a few names, and how many more there are."""
    more = f" and {len(names) - MOST_IDS} more" if len(names) > MOST_IDS else ""
    return ", ".join(names[:MOST_IDS]) + more
