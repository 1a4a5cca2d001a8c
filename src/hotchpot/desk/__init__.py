"""The use-cases: one function for each thing a user can ask; the only code that the faces call."""

from hotchpot.desk.asking import (
    ArrangeReport,
    JoinReport,
    JudgeReport,
    RuleCard,
    UnitCard,
    arrange_pile,
    join_bank,
    judge_bank,
    list_rules,
)
from hotchpot.desk.files import load_pile, load_plan
from hotchpot.desk.planbook import plan_markdown
from hotchpot.desk.rulebook import rules_markdown
from hotchpot.desk.showcase import Showcase, keep_demo, showcase
from hotchpot.desk.wire import arrange_wire, error_wire, join_wire, judge_wire, rules_wire, showcase_wire

__all__ = [
    "ArrangeReport",
    "JoinReport",
    "JudgeReport",
    "RuleCard",
    "Showcase",
    "UnitCard",
    "arrange_pile",
    "arrange_wire",
    "error_wire",
    "join_bank",
    "join_wire",
    "judge_bank",
    "judge_wire",
    "keep_demo",
    "list_rules",
    "load_pile",
    "load_plan",
    "plan_markdown",
    "rules_markdown",
    "rules_wire",
    "showcase",
    "showcase_wire",
]
