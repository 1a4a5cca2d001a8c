"""What the judge says: findings, their verdicts, and the order in which they decide."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum


class Verdict(StrEnum):
    """The four verdicts, mildest first."""

    FINE = "fine"
    CAUTION = "caution"
    ONLY_IF = "only-if"
    FORBID = "forbid"

    @property
    def rank(self) -> int:
        """0 for fine to 3 for forbid."""
        return _RANKS[self]


_RANKS = {verdict: rank for rank, verdict in enumerate(Verdict)}


class Gate(IntEnum):
    """The gates a bank goes through; the first that fails decides."""

    UNIT = 1
    CHEMISTRY = 2
    CELLS = 3
    WINDOW = 4
    CURRENT = 5
    PROTECTION = 6
    SITE = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """
    One thing the judge has to say.

    `value`, `sd` and `limit` are in `unit`; None where the matter is not a number. `says` is the fact, `why` the
    reason, `do` the next step, `source` where the limit comes from.
    """

    code: str
    gate: Gate
    verdict: Verdict
    subject: tuple[str, ...]
    quantity: str
    says: str
    why: str
    do: str
    source: str
    value: float | None = None
    sd: float | None = None
    limit: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unasked:
    """A rule that could not decide because the plan or the pile does not say what it needs; it never says fine."""

    code: str
    needs: str
    says: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """All findings on a bank, worst and earliest gate first, and the rules that could not be asked."""

    verdict: Verdict
    findings: tuple[Finding, ...]
    unasked: tuple[Unasked, ...] = field(default=())

    @property
    def decisive(self) -> Finding | None:
        """The finding that decides: the worst, of the first gate that fails so."""
        return self.findings[0] if self.findings else None


def conclude(outcomes: Iterable[Finding | Unasked]) -> Judgement:
    """Return the judgement that follows from what the rules said."""
    listed = list(outcomes)
    findings = sorted(
        (found for found in listed if isinstance(found, Finding)), key=lambda f: (-f.verdict.rank, f.gate, f.code)
    )
    unasked = tuple(found for found in listed if isinstance(found, Unasked))
    worst = findings[0].verdict if findings else Verdict.FINE
    return Judgement(worst, tuple(findings), unasked)
