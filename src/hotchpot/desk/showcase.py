"""The demo as a use-case: the whole job on an invented pile, by the same functions that a user's commands call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from hotchpot.bank.plan import Plan
from hotchpot.bank.planfile import parse_plan
from hotchpot.desk import demo
from hotchpot.desk.asking import ArrangeReport, JoinReport, JudgeReport, arrange_pile, join_bank, judge_bank
from hotchpot.pile import Unit
from hotchpot.pile.csvfile import parse_pile

TEMPTING = "A1 // L1 + A2 // L2"


@dataclass(frozen=True, slots=True, kw_only=True)
class Showcase:
    """What the demo found at each step, on its own files."""

    units: tuple[Unit, ...]
    plan: Plan
    pile: JudgeReport
    tempting: JudgeReport
    search: ArrangeReport
    chosen: JudgeReport
    joining: JoinReport


def demo_files() -> dict[str, bytes]:
    """Return the demo's files by name."""
    return dict(demo.files())


def showcase(progress: Callable[[float], None] | None = None) -> Showcase:
    """Run the whole job on the demo's pile."""
    texts = demo.files()
    units = parse_pile(texts["pile.csv"], name="pile.csv")
    plan = parse_plan(texts["plan.toml"], name="plan.toml")
    search = arrange_pile(units, plan, system_v=plan.duty.system_v or 24.0, progress=progress)
    chosen = search.expressions[0]
    return Showcase(
        units=units,
        plan=plan,
        pile=judge_bank(None, units, Plan()),
        tempting=judge_bank(TEMPTING, units, plan),
        search=search,
        chosen=judge_bank(chosen, units, plan),
        joining=join_bank(chosen, units, plan),
    )
