"""The demo as a use-case: the whole job on an invented pile, by the same functions that a user's commands call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hotchpot.bank.plan import Plan
from hotchpot.bank.planfile import parse_plan
from hotchpot.desk import demo
from hotchpot.desk.asking import ArrangeReport, JoinReport, JudgeReport, arrange_pile, join_bank, judge_bank
from hotchpot.errors import InputError
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
