"""The demo as a use-case: the whole job on an invented pile, by the same functions that a user's commands call."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from hotchpot.bank.plan import Plan
from hotchpot.desk import demo
from hotchpot.desk.asking import ArrangeReport, JoinReport, JudgeReport, arrange_pile, join_bank, judge_bank
from hotchpot.desk.benching import BenchReport, bench_pile
from hotchpot.desk.evidence import Evidence, load_evidence
from hotchpot.desk.files import load_pile, load_plan
from hotchpot.desk.trying import TrialReport, try_bank
from hotchpot.desk.wishes import FULL, Wish
from hotchpot.errors import InputError
from hotchpot.pile import Unit

TEMPTING = "A1 // L1 + A2 // L2"
TODAY = "2024-12-01"  # the day of the invented story, so that its readings never grow old
BENCHED = "L6"  # the unit whose readings the demo shows one by one


@dataclass(frozen=True, slots=True, kw_only=True)
class Showcase:
    """What the demo found at each step, on its own files."""

    units: tuple[Unit, ...]
    plan: Plan
    evidence: Evidence
    pile: JudgeReport
    bench: BenchReport
    tempting: JudgeReport
    search: ArrangeReport
    chosen: JudgeReport
    joining: JoinReport
    trial: TrialReport


def keep_demo(folder: Path) -> None:
    """Write the demo's files into a folder; nothing that is there already is overwritten."""
    files = demo.files()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            target = folder / name
            if target.exists() and target.read_bytes() != data:
                raise InputError.one(str(target), "is there already", "name another folder; nothing was overwritten")
        for name, data in files.items():
            (folder / name).write_bytes(data)
    except OSError as error:
        raise InputError.one(str(folder), f"cannot be written ({error.strerror})", "name another folder") from None


def showcase(progress: Callable[[float], None] | None = None) -> Showcase:
    """Run the whole job on the demo's pile."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        keep_demo(folder)
        units, plan = load_pile(folder / "pile.csv"), load_plan(folder / "plan.toml")
        evidence = replace(load_evidence(folder / "readings.csv", units), today=TODAY)
    search = arrange_pile(units, plan, evidence, system_v=plan.duty.system_v or 24.0, progress=progress)
    chosen = search.expressions[0]
    return Showcase(
        units=units,
        plan=plan,
        evidence=evidence,
        pile=judge_bank(None, units, Plan()),
        bench=bench_pile(units, Plan(), evidence),
        tempting=judge_bank(TEMPTING, units, plan, evidence),
        search=search,
        chosen=judge_bank(chosen, units, plan, evidence),
        joining=join_bank(chosen, units, plan, evidence),
        trial=try_bank(chosen, units, plan, Wish(begin=FULL), evidence),
    )
