"""A joining plan in the terminal."""

from __future__ import annotations

from hotchpot.desk import JoinReport
from hotchpot.faces.cli.looks import console, drawn, heading, mark, say


def show(report: JoinReport) -> None:
    """Print the plan step by step: what to do, what to read, when to stop."""
    heading("Joining")
    drawn(report.drawing)
    console().print(mark(str(report.plan.verdict)))
    for caution in report.plan.cautions:
        say(caution, indent=2)
    for step in report.plan.steps:
        console().print()
        say(f"[ ] {step.number}. {step.title}", style="bold")
        say(step.do, indent=4)
        if step.reads:
            say(f"Read: {step.reads}", indent=4)
        if step.stop_if:
            say(f"STOP if: {step.stop_if}", indent=4, style="bold")
        if step.why:
            say(f"Why: {step.why}", indent=4)
