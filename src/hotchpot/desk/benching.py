"""The bench as a use-case: what each unit of the pile is, and which single reading would most settle the verdict."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hotchpot.bank.plan import Plan
from hotchpot.bench import State
from hotchpot.bench.remark import Remark
from hotchpot.bench.study import Study
from hotchpot.desk.asking import HOUSE_RULES, UnitCard, cards, case_of, states
from hotchpot.desk.evidence import Evidence
from hotchpot.desk.files import unit_of
from hotchpot.pile import Unit

if TYPE_CHECKING:
    from hotchpot.bank.settling import Settling


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchCard:
    """One unit on the bench: its card, why it has its grade, and the study of its readings where it has any."""

    card: UnitCard
    because: str
    study: Study | None

    @property
    def id(self) -> str:
        """The unit's id."""
        return self.card.id

    @property
    def state(self) -> State:
        """What the unit is now."""
        return self.card.state


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchReport:
    """What the bench says of a pile, and which reading would most reduce the doubt of the verdict."""

    arrangement: str | None
    units: tuple[BenchCard, ...]
    remarks: tuple[Remark, ...]
    settling: Settling | None
    evidence: Evidence
    cautions: tuple[str, ...] = HOUSE_RULES


def bench_pile(
    units: Sequence[Unit],
    plan: Plan,
    evidence: Evidence,
    *,
    expression: str | None = None,
    only: str | None = None,
    settle: bool = True,
    samples: int = 400,
    seed: int = 1,
    progress: Callable[[float], None] | None = None,
) -> BenchReport:
    """
    Return what each unit of the pile is now, and what would settle the verdict.

    Parameters
    ----------
    units, plan, evidence
        The pile, what is to be judged, and what was read.
    expression : str, optional
        An arrangement to judge; None takes the plan's, or judges the units by themselves.
    only : str, optional
        Leave out all units but this one.
    settle : bool, default True
        Whether to look for the reading that would most settle the verdict; that takes a second or two.
    samples, seed
        How many truths to draw for that, and what makes the draw repeatable.

    Raises
    ------
    InputError
        If there is no unit `only`, or the arrangement cannot be read.
    """
    from hotchpot.bank.settling import what_settles

    if only is not None:
        unit_of(units, only)
        if expression is None:
            units = [unit for unit in units if unit.id == only]
    if expression is None and plan.arrangement is None:
        plan = replace(
            plan, question=("accept",)
        )  # a plan for a bank that is still to be found: the units by themselves
    studies = evidence.studies(units)
    known = states(units, plan, studies)
    named = cards(tuple(known.values()))
    # Loose units are asked about one by one: a reject would decide for the whole pile, whatever is read on the others.
    if expression is None and plan.arrangement is None:
        fit = [card.id for card in named if card.grade != "reject"] or list(known)
        asked = {name: known[name] for name in fit}
        arrangement, case = case_of(None, [state.unit for state in asked.values()], plan, asked)
    else:
        arrangement, case = case_of(expression, units, plan, known)
    settling = what_settles(case, seed=seed, samples=samples, progress=progress) if settle else None
    listed = tuple(
        BenchCard(card=card, because=card.because, study=studies.get(card.id))
        for card in named
        if only is None or card.id == only
    )
    remarks = tuple(remark for one in listed if one.study for remark in one.study.remarks)
    return BenchReport(arrangement=arrangement, units=listed, remarks=remarks, settling=settling, evidence=evidence)
