"""What the bench has to say of a reading besides a number: that it refuses one, doubts it, or noticed something."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Weight(StrEnum):
    """How much a remark weighs, mildest first."""

    NOTED = "noted"
    DOUBTFUL = "doubtful"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """
    One thing the bench has to say of a reading.

    A refused reading gives no number; a doubtful one gives a number with more doubt. `subject` is the unit's id (or a
    file's name), `says` the fact with its figures, `why` the reason, `do` the next step, `source` where the rule comes
    from. `value` is held to `limit`, both in `unit`; None where the matter is not a number.
    """

    code: str
    weight: Weight
    subject: str
    says: str
    why: str
    do: str
    source: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""
