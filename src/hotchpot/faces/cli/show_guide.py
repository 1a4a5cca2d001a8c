"""The procedures, a guide's beginning and its outcome in the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from hotchpot.desk.guiding.guide import Guide, Remark, Weight, procedures
from hotchpot.desk.guiding.worked import Estimate, Worked, budget_of
from hotchpot.faces.cli.looks import console, heading, plain, say, table
from hotchpot.faces.cli.show_bench import NAMES, WEIGHTS
from hotchpot.faces.cli.talk import Talk, remaining

_SMALL_SHARE = 0.01


def show_procedures() -> None:
    """Print the procedures as a table."""
    heading("The tests of the bench, in the order of a careful day")
    rows = table("test", "what it is", "gives", "hands on", "suits")
    for one in procedures():
        rows.add_row(one.key, one.title, one.gives, f"{one.hands_on_min:g} min", one.suits)
    console().print(rows)
    say("hotchpot bench guide TEST --unit ID --pile PILE.csv walks through one, step by step.")


def show_start(talk: Talk, guide: Guide) -> None:
    """Print what a guide is of, its cautions, and what is needed."""
    one = guide.procedure
    talk.heading(f"{one.title}: {guide.unit.id}")
    talk.say(f"Gives {one.gives}.")
    talk.say("Before anything else", style="bold")
    briefly(talk, guide.brief)
    talk.say("Each of them in full, with its reason: type cautions.", indent=2)
    talk.say(f"You need: {'; '.join(one.needs)}.")
    talk.say(f"It takes about {remaining(3600 * guide.hours)}, {one.hands_on_min:g} min of it hands on.")
    talk.say(f"Good is: {guide.good}.")
    show_remarks(talk, [remark for remark in guide.remarks if remark.weight is not Weight.REFUSED])
    talk.say(
        "At any step: back goes one step back, cautions shows them in full, quit keeps what you have and stops, new "
        "begins again, stop means that a stop limit is met: switch off first, then type it."
    )


def show_remarks(talk: Talk, remarks: Sequence[Remark]) -> None:
    """Print remarks: what, why, and what to do."""
    for remark in remarks:
        talk.say(f"{WEIGHTS[remark.weight]}  {remark.code}", style="bold")
        talk.say(remark.says, indent=2)
        talk.say(f"Why: {remark.why}", indent=2)
        talk.say(f"Do: {remark.do}", indent=2)


def show_worked(talk: Talk, worked: Worked) -> None:
    """Print the outcome: each estimate with its doubt and what makes most of it, what it means, what was said."""
    talk.heading(f"What comes of it: {worked.guide.unit.id}")
    for estimate in worked.estimates:
        _estimate(talk, estimate)
    for line in worked.means:
        talk.say(line, style="bold")
    show_remarks(talk, worked.remarks)


def _estimate(talk: Talk, estimate: Estimate) -> None:
    name, unit, scale = NAMES[estimate.quantity]
    if estimate.refused:
        bounds = [] if estimate.low is None or estimate.high is None else [estimate.low, estimate.high]
        between = (
            "" if not bounds else f", only between {plain(scale * bounds[0])} and {plain(scale * bounds[1])} {unit}"
        )
        talk.say(f"{name}: no number{between.rstrip()}; the reason is below.", style="bold")
        return
    low, high = estimate.interval()
    digits = 4 if unit == "V" else 3
    value = plain(scale * estimate.measure.value, digits)
    span = f"{plain(scale * low, digits)} to {plain(scale * high, digits)} {unit}".rstrip()
    talk.say(f"{name}: {value} {unit}".rstrip() + f" (95 % sure: {span})", style="bold")
    lines = budget_of(estimate)
    if lines:
        talk.say(f"Most of the doubt: {lines[0][0].cause}.", indent=2)
    for line, share in lines:
        if share >= _SMALL_SHARE:
            doubt = f"± {plain(scale * line.sd, 2)} {unit}".rstrip()
            talk.say(f"{doubt}  {100 * share:.0f} % of the variance: {line.cause}", indent=4)


def briefly(talk: Talk, lines: Sequence[str]) -> None:
    """Print cautions, each in its one line."""
    for line in lines:
        talk.say(f"! {line}", indent=2, style="bold")


def show_cautions(talk: Talk, guide: Guide) -> None:
    """Print all cautions in full."""
    talk.heading(f"Cautions of this test: {guide.unit.id}")
    for caution in guide.cautions:
        talk.say(f"! {caution}", indent=2)


def show_end(talk: Talk, guide: Guide) -> None:
    """Print what holds on after the test."""
    talk.say("And once more", style="bold")
    talk.say(f"! {guide.cautions[0]}", indent=2)
    talk.say(f"The other {len(guide.cautions) - 1} hold while you clear away; docs/bench-tests.md has them on paper.")
