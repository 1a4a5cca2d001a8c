"""What a bank is tried on: a load, a charge, a day, a joining, a fault; each as a drive for the circuit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from hotchpot.circuit.drive import Drive, Stop


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """
    One thing to try on a bank.

    `says` tells it in a sentence. `soc_frac` puts units at another charge than their states say, by id; `lost` names
    the units of branches that are cut out from the start, `shorted` units of which one cell has shorted, `dead` units
    whose resistance has grown a hundredfold. `fine` is set for a joining: it begins with very short steps, at the
    voltages that were read.
    """

    name: str
    says: str
    drive: Drive
    stop: Stop = field(default_factory=Stop)
    soc_frac: Mapping[str, float] = field(default_factory=dict)
    lost: tuple[str, ...] = ()
    shorted: tuple[str, ...] = ()
    dead: tuple[str, ...] = ()
    ambient_c: float = 25.0
    fine: bool = False
    step_s: float | None = None
    record_s: float | None = None
