"""Options that several commands share, and the exit codes."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

FINE, BELOW, BAD_INPUT = 0, 1, 2


class AtLeast(StrEnum):
    """The verdicts, for --at-least."""

    FINE = "fine"
    CAUTION = "caution"
    ONLY_IF = "only-if"
    FORBID = "forbid"

    def is_missed_by(self, verdict: str) -> bool:
        """Return whether a verdict is worse than this."""
        order = list(AtLeast)
        return order.index(AtLeast(verdict)) > order.index(self)


PileOption = Annotated[Path, typer.Option("--pile", metavar="PILE.csv", help="The pile: one row for each battery.")]
PlanOption = Annotated[
    Path | None, typer.Option("--plan", metavar="PLAN.toml", help="What is to be judged: duty, charger, wiring, site.")
]
ExprArgument = Annotated[
    str | None,
    typer.Argument(metavar="[EXPR]", help='The arrangement, such as "A1 // A2 + B1 // B2": // parallel, + series.'),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")]
AtLeastOption = Annotated[AtLeast, typer.Option("--at-least", help="Exit with 1 when the verdict is worse than this.")]
