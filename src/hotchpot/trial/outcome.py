"""What came of a trial: the record, what to look at in it, and where the energy went."""

from __future__ import annotations

from dataclasses import dataclass

from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.circuit.record import Record
from hotchpot.trial.scenario import Scenario

MOST_OUT = 6  # units that are cut out, by name


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
    still inside, never there (worn, cold). `notable` holds the findings, the weightiest first; `gone` names the units
    that are cut out, with all that hangs in one string with them.
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
    gone: frozenset[str] = frozenset()

    @property
    def there(self) -> tuple[int, ...]:
        """The places of the units that are not cut out."""
        return tuple(k for k, name in enumerate(self.record.ids) if name not in self.gone)

    @property
    def cut_out(self) -> str:
        """The units that are cut out, in the bank's order, in words; nothing where none is."""
        names = [name for name in self.record.ids if name in self.gone]
        more = f" and {len(names) - MOST_OUT} more" if len(names) > MOST_OUT else ""
        return f"cut out: {', '.join(names[:MOST_OUT])}{more}" if names else ""

    def telling(self, most: int) -> tuple[int, ...]:
        """
        Return the places of the units worth drawing, at most so many, in the bank's order.

        Those that findings name come first, the weightiest finding's before all; then those that carry most and least
        and that are emptiest and fullest. Alike units tell nothing more, and those that are cut out nothing at all.
        """
        record, there = self.record, self.there
        if len(there) <= most:
            return there
        places = list(there)
        peak, lowest = abs(record.unit_amps[:, places]).max(axis=0), record.soc_frac[:, places].min(axis=0)
        ranked = [values.argsort(kind="stable") for values in (-peak, lowest, peak, -lowest)]
        chosen = dict.fromkeys(self._named(most))
        for row in zip(*ranked, strict=True):
            for k in row:
                if len(chosen) < most:
                    chosen.setdefault(there[int(k)])
        return tuple(sorted(chosen))

    def _named(self, most: int) -> list[int]:
        """Return the places of the units that findings name; what is said of many units at once names none."""
        places = {self.record.ids[k]: k for k in self.there}
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
