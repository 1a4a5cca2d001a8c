"""What came of a trial: the record, what to look at in it, and where the energy went."""

from __future__ import annotations

from dataclasses import dataclass

from hotchpot.bank.verdict import Finding
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

    `given_ah` and `given_wh` left the bank's terminals; `label_ah` and `label_wh` are what the labels of its units promise
    in this arrangement. `shares` tells where the labels' energy is: given, lost in resistance, links, gas, still inside,
    never there (worn, cold). `notable` holds the findings, the weightiest first.
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
