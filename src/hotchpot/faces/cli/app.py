"""
The commands: parse what was typed, ask the desk, print the answer.

Everything heavy is imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from hotchpot.errors import HotchpotError, InputError, NoAnswerError
from hotchpot.faces.cli import usage
from hotchpot.faces.cli.bench import ReadingsOption, bench_app
from hotchpot.faces.cli.options import (
    BAD_INPUT,
    BELOW,
    FINE,
    AtLeast,
    AtLeastOption,
    ExprArgument,
    JsonOption,
    PileOption,
    PlanOption,
)
from hotchpot.faces.cli.printing import print_json
from hotchpot.faces.cli.trial import trial

if TYPE_CHECKING:
    from hotchpot.bank.plan import Plan

app = typer.Typer(
    name="hotchpot",
    help="One safe, lasting battery bank from a pile of unlike batteries. An aid, not a licence: batteries can burn, "
    "burst and gas; local codes and a licensed electrician decide.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


app.add_typer(bench_app, name="bench", short_help="What each unit truly is, with its doubt.")


def _version(asked: bool) -> None:
    if asked:
        from hotchpot import __version__

        print(f"hotchpot {__version__}")
        raise typer.Exit(FINE)


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Hold the options that stand before a command."""


@app.command(short_help="May these be joined so, and why.")
def judge(
    expr: ExprArgument = None,
    *,
    pile: PileOption,
    readings: ReadingsOption = None,
    plan: PlanOption = None,
    at_least: AtLeastOption = AtLeast.FORBID,
    as_json: JsonOption = False,
) -> None:
    """Say whether these units may be joined so, and why: amps, volts and minutes."""
    from hotchpot import desk

    units = desk.load_pile(pile)
    report = desk.judge_bank(expr, units, desk.load_plan(plan), desk.load_evidence(readings, units))
    if as_json:
        print_json(desk.judge_wire(report))
    else:
        from hotchpot.faces.cli import show_judge

        show_judge.show(report)
    if at_least.is_missed_by(str(report.judgement.verdict)):
        raise typer.Exit(BELOW)


@app.command(short_help="The safe arrangement that wastes least.")
def arrange(
    *,
    pile: PileOption,
    volts: Annotated[
        str | None, typer.Option("--volts", metavar="V", help="System voltage, such as 24; else the plan's.")
    ] = None,
    plan: PlanOption = None,
    readings: ReadingsOption = None,
    best: Annotated[int, typer.Option("--best", min=1, max=100, help="How many proposals.")] = 5,
    seconds: Annotated[float, typer.Option("--seconds", min=0.1, max=86400, help="Longest time to search.")] = 10.0,
    seed: Annotated[int, typer.Option("--seed", help="Makes a search repeatable.")] = 1,
    as_json: JsonOption = False,
) -> None:
    """Find the safe series-parallel arrangement of the pile that wastes least."""
    from hotchpot import desk

    units, stated = desk.load_pile(pile), desk.load_plan(plan)
    system_v = _system_v(volts, stated)
    evidence = desk.load_evidence(readings, units)
    from hotchpot.faces.cli import looks, show_arrange

    with looks.progress("searching", quiet=as_json) as tick:
        report = desk.arrange_pile(
            units, stated, evidence, system_v=system_v, best=best, seconds=seconds, seed=seed, progress=tick
        )
    if as_json:
        print_json(desk.arrange_wire(report))
    else:
        show_arrange.show(report)


@app.command(short_help="How to bring a bank together, step by step.")
def join(
    expr: ExprArgument = None,
    *,
    pile: PileOption,
    readings: ReadingsOption = None,
    plan: PlanOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how to bring a bank together, step by step, with the reading to expect and when to stop."""
    from hotchpot import desk

    units = desk.load_pile(pile)
    report = desk.join_bank(expr, units, desk.load_plan(plan), desk.load_evidence(readings, units))
    if as_json:
        print_json(desk.join_wire(report))
    else:
        from hotchpot.faces.cli import show_join

        show_join.show(report)


app.command(short_help="Run it on paper: who carries what, and how long.")(trial)


@app.command(short_help="What the judge decides on, with sources.")
def rules(
    code: Annotated[str | None, typer.Argument(metavar="[CODE]", help="One rule's code.")] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """List the rules of the judge: what each decides on, and its source."""
    from hotchpot import desk

    cards = desk.list_rules(code)
    if as_json:
        print_json(desk.rules_wire(cards))
    else:
        from hotchpot.faces.cli import show_rules

        show_rules.show(cards)


@app.command(short_help="The whole job on an invented pile.")
def demo(
    *,
    keep: Annotated[Path | None, typer.Option("--keep", metavar="FOLDER", help="Copy the demo's files here.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Run the whole job on an invented pile: read, judge, arrange, join."""
    from hotchpot import desk

    if as_json:
        if keep is not None:
            desk.keep_demo(keep)
        print_json(desk.showcase_wire(desk.showcase()))
        return
    from hotchpot.faces.cli import show_demo

    show_demo.show(keep)


def main() -> NoReturn:
    """Run the command line; every error of ours is one clear message and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without Ω or ✗ shows a question mark, not a traceback
    code = FINE
    try:
        code = app(standalone_mode=False) or FINE
    except typer.Abort:
        print("Aborted!", file=sys.stderr)
        code = BELOW
    except usage.UsageError as error:
        _misused(error)
    except InputError as error:
        _fail(error, BAD_INPUT)
    except NoAnswerError as error:
        _fail(error, BELOW)
    except OSError as error:  # such as a full disk under what is printed; of a file we would know the name
        if error.filename is not None:
            raise
        print(f"hotchpot: the answer cannot be written ({error.strerror or error})", file=sys.stderr)
        raise SystemExit(BELOW) from None
    finally:
        _let_go()
    raise SystemExit(code)


def _misused(error: Exception) -> NoReturn:
    """Tell bad usage as every other bad input; a bare `hotchpot` gets its help."""
    if type(error).__name__ == "NoArgsIsHelpError":
        error.show()  # type: ignore[attr-defined]  # as the parser shows it
        raise SystemExit(BAD_INPUT)
    _fail(usage.told(error, sys.argv[1:]), BAD_INPUT)


def _let_go() -> None:
    """Write out what is left; where the reader (such as `head`) has gone, or the disk is full, nothing more can be."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _fail(error: HotchpotError, code: int) -> NoReturn:
    if "--json" in sys.argv:
        from hotchpot import desk

        # A script that reads proposals finds an empty list where there is no answer.
        searched = "arrange" in sys.argv[1:2] and isinstance(error, NoAnswerError)
        print_json({**({"proposals": []} if searched else {}), **desk.error_wire(error)})
    print(f"hotchpot: {error}", file=sys.stderr)
    raise SystemExit(code)


def _system_v(text: str | None, plan: Plan) -> float:
    from hotchpot.quantities import parse_quantity

    if text is not None:
        volts = parse_quantity(text, "V", where="--volts")
    elif plan.duty.system_v is not None:
        volts = plan.duty.system_v
    else:
        raise InputError.one("--volts", "is missing", "give the system voltage, such as --volts 24, or duty.system_v")
    if not 0.5 <= volts <= 1500:
        raise InputError.one("--volts", f"{volts:g} V is out of range", "give 0.5 to 1500 V")
    return volts
