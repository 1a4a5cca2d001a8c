"""The use-cases: one function for each thing a user can ask; the only code that the faces call."""

from hotchpot.bank.settling import in_hundred
from hotchpot.bench.estimate import Estimate, Quantity
from hotchpot.bench.remark import Remark, Weight
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
from hotchpot.desk.benching import BenchCard, BenchReport, bench_pile
from hotchpot.desk.evidence import Evidence, load_evidence
from hotchpot.desk.files import load_pile, load_plan, load_profile, load_readings
from hotchpot.desk.keeping import check_places, keep_trial, possible_trial
from hotchpot.desk.logcard import LogCard, keep_log, log_card, log_wire
from hotchpot.desk.logs.logfile import LogReport, read_log
from hotchpot.desk.planbook import plan_markdown
from hotchpot.desk.profiles import profile_markdown
from hotchpot.desk.rulebook import rules_markdown
from hotchpot.desk.showcase import Showcase, keep_demo, showcase
from hotchpot.desk.trying import Draws, TrialReport, try_bank
from hotchpot.desk.wire import arrange_wire, error_wire, join_wire, judge_wire, rules_wire, showcase_wire
from hotchpot.desk.wire_bench import bench_wire
from hotchpot.desk.wire_trial import trial_wire
from hotchpot.desk.wishes import Wish
from hotchpot.pile.readingcolumns import readings_markdown

__all__ = [
    "ArrangeReport",
    "BenchCard",
    "BenchReport",
    "Draws",
    "Estimate",
    "Evidence",
    "JoinReport",
    "JudgeReport",
    "LogCard",
    "LogReport",
    "Quantity",
    "Remark",
    "RuleCard",
    "Showcase",
    "TrialReport",
    "UnitCard",
    "Weight",
    "Wish",
    "arrange_pile",
    "arrange_wire",
    "bench_pile",
    "bench_wire",
    "check_places",
    "error_wire",
    "in_hundred",
    "join_bank",
    "join_wire",
    "judge_bank",
    "judge_wire",
    "keep_demo",
    "keep_log",
    "keep_trial",
    "list_rules",
    "load_evidence",
    "load_pile",
    "load_plan",
    "load_profile",
    "load_readings",
    "log_card",
    "log_wire",
    "plan_markdown",
    "possible_trial",
    "profile_markdown",
    "read_log",
    "readings_markdown",
    "rules_markdown",
    "rules_wire",
    "showcase",
    "showcase_wire",
    "trial_wire",
    "try_bank",
]
