"""Judge, arrange, join and list the rules: each question as one function from inputs to a report."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from hotchpot.bank.arrangement import Block, ids, unit
from hotchpot.bank.bank import Bank, assumed_link_ohm
from hotchpot.bank.drawing import draw
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse, show
from hotchpot.bank.plan import Plan
from hotchpot.bank.ratings import Ratings, rate
from hotchpot.bank.rules import RULES, Case
from hotchpot.bank.verdict import Judgement, Verdict
from hotchpot.bench import State, state_of
from hotchpot.bench.state import by_unlike_meters
from hotchpot.errors import Fault, InputError, nearest
from hotchpot.pile import Unit

if TYPE_CHECKING:
    from hotchpot.arrange import Search
    from hotchpot.bench.study import Study
    from hotchpot.build.joining import JoiningPlan
    from hotchpot.desk.evidence import Evidence

LOOSE_QUESTIONS = ("accept", "test", "site")  # what can be asked of units without an arrangement
_HOUSE_RULE = (
    "Batteries can burn, burst, gas and give currents that melt tools. Figures here are an aid, not a licence: your "
    "local codes and a licensed electrician decide, and what a maker prints on a battery comes first."
)
HOUSE_RULES = (_HOUSE_RULE,)


@dataclass(frozen=True, slots=True)
class UnitCard:
    """
    One unit as the bench sees it, with the reason for its grade.

    `grade` is reject wherever the judge would not accept the unit by itself.
    """

    state: State
    grade: str
    because: str = ""

    @property
    def id(self) -> str:
        """The unit's id."""
        return self.state.unit.id


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgeReport:
    """What the judge says of a bank, or of loose units where there is no arrangement."""

    arrangement: str | None
    drawing: str
    judgement: Judgement
    ratings: Ratings | None
    units: tuple[UnitCard, ...]
    cautions: tuple[str, ...] = HOUSE_RULES


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrangeReport:
    """What the search offers, drawn, with the time it took and its seed."""

    search: Search
    expressions: tuple[str, ...]
    drawings: tuple[str, ...]
    seconds: float
    seed: int
    cautions: tuple[str, ...] = HOUSE_RULES


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinReport:
    """How to bring a bank together, step by step."""

    arrangement: str
    drawing: str
    plan: JoiningPlan
    judgement: Judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleCard:
    """One rule for people: what it decides, for which questions, from which source."""

    code: str
    title: str
    gate: str
    questions: tuple[str, ...]
    decides: str
    says: str
    source: str


def states(units: Sequence[Unit], plan: Plan, studies: Mapping[str, Study] | None = None) -> dict[str, State]:
    """
    Return what each unit is now, by its pile entry and the studies of its readings.

    The year is today's, for the age of units that were never measured; a temperature that was not read is the plan's.
    """
    year, known = date.today().year, studies or {}
    found = {u.id: state_of(u, year=year, ambient_c=plan.duty.ambient_c, study=known.get(u.id)) for u in units}
    return by_unlike_meters(found, known)


def judge_bank(
    expression: str | None, units: Sequence[Unit], plan: Plan, evidence: Evidence | None = None
) -> JudgeReport:
    """
    Judge an arrangement of the pile against a plan.

    Without an arrangement, a pile of one unit is that unit, and a larger pile is judged unit by unit. What was read on
    the units, where `evidence` is given, goes before what the pile file says of them.
    """
    block, plan = _arrangement(expression, units, plan)
    known = _known(units, plan, evidence)
    case = _case(block, known, plan)
    return JudgeReport(
        arrangement=None if block is None else show(block, short=False),
        drawing="" if block is None else draw(block),
        judgement=judge(case),
        ratings=None if case.bank is None else rate(case.bank),
        units=cards(case.units),
    )


def case_of(
    expression: str | None, units: Sequence[Unit], plan: Plan, known: Mapping[str, State]
) -> tuple[str | None, Case]:
    """Return an arrangement as written out, and the case that the judge would get; loose units have no arrangement."""
    block, plan = _arrangement(expression, units, plan)
    return None if block is None else show(block, short=False), _case(block, known, plan)


def cards(units: tuple[State, ...]) -> tuple[UnitCard, ...]:
    """Return each unit with its grade and the reason for it; what the judge would not accept is a reject."""
    accepted = judge(Case(Plan(question=("accept",)), units))
    refused: dict[str, str] = {}
    for finding in accepted.findings:
        if finding.verdict is Verdict.FORBID:
            for name in finding.subject:
                refused.setdefault(name, f"{finding.says} {finding.do}")
    return tuple(
        UnitCard(s, "reject", refused[s.unit.id]) if s.unit.id in refused else UnitCard(s, s.grade, s.grade_reason)
        for s in units
    )


def _known(units: Sequence[Unit], plan: Plan, evidence: Evidence | None) -> dict[str, State]:
    return states(units, plan, None if evidence is None else evidence.studies(units))


def arrange_pile(
    units: Sequence[Unit],
    plan: Plan,
    evidence: Evidence | None = None,
    *,
    system_v: float,
    best: int = 5,
    seconds: float = 10.0,
    seed: int = 1,
    progress: Callable[[float], None] | None = None,
) -> ArrangeReport:
    """Search the pile for the best safe arrangements at `system_v`, for at most `seconds`."""
    from hotchpot.arrange import propose

    planned = plan.duty.system_v
    if planned is not None and abs(system_v - planned) > 0.12 * planned:
        what = f"is {system_v:g} V, but the plan is for {planned:g} V"
        raise InputError.one("--volts", what, "leave it out, or give a plan for this voltage")
    started = time.monotonic()
    search = propose(
        tuple(_known(units, plan, evidence).values()),
        system_v=system_v,
        plan=plan,
        best=best,
        seed=seed,
        stop=lambda: time.monotonic() - started > seconds,
        progress=progress,
    )
    return ArrangeReport(
        search=search,
        expressions=tuple(show(p.block, short=False) for p in search.proposals),
        drawings=tuple(draw(p.block) for p in search.proposals),
        seconds=time.monotonic() - started,
        seed=seed,
    )


def join_bank(
    expression: str | None, units: Sequence[Unit], plan: Plan, evidence: Evidence | None = None
) -> JoinReport:
    """Return how to bring a bank together; a forbidden bank gets no plan (NoAnswerError)."""
    from hotchpot.build.joining import joining_plan

    block, plan = _arrangement(expression, units, plan)
    if block is None:
        raise InputError.one("arrangement", "is missing", 'give one, such as "A1 // A2", or `arrangement` in the plan')
    if plan.question and "join" not in plan.question:
        plan = replace(plan, question=(*plan.question, "join"))
    case = _case(block, _known(units, plan, evidence), plan)
    judgement = judge(case)
    return JoinReport(
        arrangement=show(block, short=False),
        drawing=draw(block),
        plan=joining_plan(case, judgement),
        judgement=judgement,
    )


def list_rules(code: str | None = None) -> tuple[RuleCard, ...]:
    """Return every rule, or the one with this code."""
    if code is not None and code not in RULES:
        raise InputError.one(f"rule {code!r}", "no such rule", nearest(code, RULES))
    chosen = RULES.values() if code is None else [RULES[code]]
    return tuple(
        RuleCard(
            code=rule.code,
            title=rule.title,
            gate=rule.gate.name.lower(),
            questions=rule.questions,
            decides=rule.decides,
            says=(rule.judge.__doc__ or "").strip(),
            source=rule.source,
        )
        for rule in sorted(chosen, key=lambda rule: (rule.gate, rule.code))
    )


def _arrangement(expression: str | None, units: Sequence[Unit], plan: Plan) -> tuple[Block | None, Plan]:
    if not units:
        raise InputError.one("pile", "holds no units", "give at least one row below the header")
    text = expression if expression is not None else plan.arrangement
    if text is not None:
        block = parse(text, known=dict.fromkeys(u.id for u in units))
        _check_taps(block, plan)
        return block, plan
    if len(units) == 1:
        return unit(units[0].id), plan
    if not plan.question:
        return None, replace(plan, question=("accept",))
    wanting = [question for question in plan.question if question not in LOOSE_QUESTIONS]
    if wanting:
        what = f"is missing, and {wanting[0]!r} is asked of {len(units)} units"
        raise InputError.one("arrangement", what, 'give one, such as "A1 // A2", or `arrangement` in the plan')
    return None, plan


def _check_taps(block: Block, plan: Plan) -> None:
    known = ids(block)
    faults = [
        Fault("wiring.taps", f"{tap.below!r} is not in the arrangement", nearest(tap.below, known))
        for tap in plan.wiring.taps
        if tap.below is not None and tap.below not in known
    ]
    if faults:
        raise InputError(faults)


def _case(block: Block | None, known: Mapping[str, State], plan: Plan) -> Case:
    if block is None:
        return Case(plan, tuple(known.values()))
    link = plan.wiring.link_mohm
    bank = Bank(block, known, assumed_link_ohm(known[name] for name in ids(block)) if link is None else link * 1e-3)
    return Case(plan, bank.units, bank)
