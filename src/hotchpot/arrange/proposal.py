"""What the search hands out, and how the one who asked may watch and stop it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from hotchpot.bank.arrangement import Block
from hotchpot.bank.verdict import Judgement, Verdict
from hotchpot.measure import Measure


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """
    One arrangement that the judge does not forbid, with what it gives.

    `usable_ah` and `usable_wh` are at the duty; no arrangement of the pile that may be joined gives more than
    `bound_wh`, and `gap_frac` is how far below it this one is. `left_over` are all units of the pile that it does not
    use, `links` the leads between neighbouring units, `strings` the branches from pole to pole, `why` what limits it
    and why units are left over.
    """

    block: Block
    verdict: Verdict
    judgement: Judgement
    usable_ah: Measure
    usable_wh: Measure
    bound_wh: float
    gap_frac: float
    left_over: tuple[str, ...]
    links: int
    strings: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """
    The answer of one search: proposals, best first, and what was searched.

    `families` are those of which some arrangement reaches the voltage, `considered` counts the arrangements listed,
    `rejected` says of each unit that may not or cannot be used why.
    """

    proposals: tuple[Proposal, ...]
    proven_optimal: bool
    families: tuple[str, ...]
    considered: int
    rejected: Mapping[str, str]


@dataclass(slots=True)
class Watch:
    """Asks now and then whether to stop, and tells how far the search is; what it told never goes back."""

    stop: Callable[[], bool] | None = None
    progress: Callable[[float], None] | None = None
    cut: bool = field(default=False, init=False)
    _told: float = field(default=-1.0, init=False)
    _base: float = field(default=0.0, init=False)
    _span: float = field(default=1.0, init=False)

    def over(self) -> bool:
        """Tell whether the search is to end; once it is, it stays so."""
        if not self.cut and self.stop is not None and self.stop():
            self.cut = True
        return self.cut

    def part(self, base: float, span: float) -> None:
        """Let the fractions that follow run from `base` to `base + span` of the whole."""
        self._base, self._span = base, span

    def tell(self, fraction: float) -> None:
        """Report how much of the present part is done."""
        whole = min(1.0, self._base + self._span * fraction)
        if self.progress is not None and whole > self._told:
            self._told = whole
            self.progress(whole)
