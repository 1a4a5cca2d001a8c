"""What came of a trial: the record, what to look at in it, and where the energy went."""

from __future__ import annotations

from dataclasses import dataclass

from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.circuit.record import Record
from hotchpot.trial.scenario import Scenario


@dataclass(frozen=True, slots=True)
class Share:
    """A part of the energy, named. [Wh]"""

    name: str
    wh: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """
    A bank tried on a scenario.

    `given_ah` and `given_wh` left the bank's terminals; `label_ah` and `label_wh` are what the labels of its units
    promise in this arrangement. `shares` tells where the labels' energy is: given, lost in resistance, links, gas,
    still inside, never there (worn, cold). `notable` holds the findings, the weightiest first.
    """

    arrangement: str
    scenario: Scenario
    record: Record
    given_ah: float
    given_wh: float
    label_ah: float
    label_wh: float
    shares: tuple[Share, ...]
    notable: tuple[Finding, ...]

    def telling(self, most: int) -> tuple[int, ...]:
        """
        Return the places of the units worth drawing, at most so many, in the bank's order.

        Those that findings name come first, the weightiest finding's before all; then those that carry most and least
        and that are emptiest and fullest. Alike units tell nothing more.
        """
        record = self.record
        count = len(record.ids)
        if count <= most:
            return tuple(range(count))
        peak, lowest = abs(record.unit_amps).max(axis=0), record.soc_frac.min(axis=0)
        ranked = [values.argsort(kind="stable") for values in (-peak, lowest, peak, -lowest)]
        chosen = dict.fromkeys(self._named(most))
        for row in zip(*ranked, strict=True):
            for k in row:
                if len(chosen) < most:
                    chosen.setdefault(int(k))
        return tuple(sorted(chosen))

    def _named(self, most: int) -> list[int]:
        """Return the places of the units that findings name; what is said of many units at once names none."""
        places = {name: k for k, name in enumerate(self.record.ids)}
        told = [found for found in self.notable if found.verdict is not Verdict.FINE and found.value is not None]
        named = [
            places[name]
            for found in told
            if len(found.subject) <= most // 2
            or (found.verdict is told[0].verdict and len(found.subject) < len(places))
            for name in found.subject
            if name in places
        ]
        return list(dict.fromkeys(named))[:most]
