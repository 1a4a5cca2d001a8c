"""A run as the checks look at it: what several of them ask, worked out once, and the facts that they hand back."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from hotchpot.bank.bank import Bank
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.circuit.record import Record
from hotchpot.trial.outcome import Share
from hotchpot.trial.scenario import Scenario
from hotchpot.trial.wired import is_out

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
    "too-many-events": "too much happens at once to go on",
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

    @cached_property
    def states(self) -> tuple[State, ...]:
        """The units' states in the order of the record."""
        return self.bank.units

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

    def share(self, name: str) -> float:
        """Return a part of the energy by its name; nought where it was left out. [Wh]"""
        return sum(share.wh for share in self.shares if share.name == name)


def span(seconds: float) -> str:
    """Return a time in the unit that reads best."""
    if seconds < 90.0:
        return f"{seconds:.3g} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.3g} min"
    return f"{seconds / 3600.0:.3g} h"
