"""The bench's commands: states of the pile, the guided tests, a logger's file by itself."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from hotchpot.errors import InputError
from hotchpot.faces.cli.printing import print_json

bench_app = typer.Typer(
    help="What each unit truly is, with its doubt and grade.",
    invoke_without_command=True,
    no_args_is_help=True,
    rich_markup_mode=None,
)
ReadingsOption = Annotated[
    Path | None, typer.Option("--readings", metavar="READINGS.csv", help="What was read on the units, and when.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")]


@bench_app.callback()
def bench(
    context: typer.Context,
    *,
    pile: Annotated[
        Path | None, typer.Option("--pile", metavar="PILE.csv", help="The pile: one row for each battery.")
    ] = None,
    readings: ReadingsOption = None,
    plan: Annotated[
        Path | None, typer.Option("--plan", metavar="PLAN.toml", help="What the bank is for, and its arrangement.")
    ] = None,
    arrangement: Annotated[
        str | None,
        typer.Option("--arrangement", metavar="EXPR", help="The arrangement whose verdict is to be settled."),
    ] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", metavar="ID", help="This unit only, with every reading and its doubt.")
    ] = None,
    settle: Annotated[
        bool, typer.Option("--settle/--no-settle", help="Look for the reading that would most settle the verdict.")
    ] = True,
    seed: Annotated[int, typer.Option("--seed", help="Makes that repeatable.")] = 1,
    as_json: JsonOption = False,
) -> None:
    """Say what each unit truly is, with its doubt and grade, and which reading would settle most."""
    if context.invoked_subcommand is not None:
        return
    if pile is None:
        raise InputError.one("--pile", "is missing", "name the pile file, such as --pile pile.csv")
    from hotchpot import desk
    from hotchpot.faces.cli import looks, show_bench

    units, stated = desk.load_pile(pile), desk.load_plan(plan)
    with looks.progress("reading and judging", quiet=as_json) as tick:
        evidence = desk.load_evidence(readings, units)
        report = desk.bench_pile(
            units, stated, evidence, expression=arrangement, only=unit, settle=settle, seed=seed, progress=tick
        )
    if as_json:
        print_json(desk.bench_wire(report))
    else:
        show_bench.show(report, whole=unit is not None)


@bench_app.command(short_help="Walk through a test, step by step.")
def guide(
    procedure: Annotated[
        str | None, typer.Argument(metavar="[PROCEDURE]", help="Which test; without one, they are listed.")
    ] = None,
    *,
    unit: Annotated[str | None, typer.Option("--unit", metavar="ID", help="The unit to be tested.")] = None,
    pile: Annotated[
        Path | None, typer.Option("--pile", metavar="PILE.csv", help="The pile that says what the unit is.")
    ] = None,
    readings: Annotated[
        Path | None, typer.Option("--readings", metavar="READINGS.csv", help="Where the reading is added.")
    ] = None,
    meter: Annotated[str | None, typer.Option("--meter", metavar="KEY", help="What it is read with.")] = None,
    no_wait: Annotated[bool, typer.Option("--no-wait", help="Do not wait for the timers.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Walk through a test of one unit: what to connect, when to read, when to stop, and what it says."""
    from hotchpot.faces.cli.guide import run_guide

    raise typer.Exit(
        run_guide(procedure, unit=unit, pile=pile, readings=readings, meter=meter, no_wait=no_wait, as_json=as_json)
    )


@bench_app.command(short_help="A logger's file by itself.")
def log(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="What a logger wrote.")],
    *,
    unit: Annotated[str | None, typer.Option("--unit", metavar="ID", help="Whose log it is.")] = None,
    pile: Annotated[
        Path | None, typer.Option("--pile", metavar="PILE.csv", help="The pile that says what the unit is.")
    ] = None,
    columns: Annotated[
        str | None,
        typer.Option("--columns", metavar="TEXT", help="What is what, such as 'time=t_s, volts=U, amps=-I'."),
    ] = None,
    sign: Annotated[
        str | None, typer.Option("--sign", metavar="WAY", help="What positive current is: discharge or charge.")
    ] = None,
    cutoff: Annotated[
        str | None, typer.Option("--cutoff", metavar="V", help="Volts down to which a discharge counts.")
    ] = None,
    meter: Annotated[str | None, typer.Option("--meter", metavar="KEY", help="What logged it.")] = None,
    readings: Annotated[
        Path | None, typer.Option("--readings", metavar="READINGS.csv", help="Add it here once confirmed.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Take the columns as confirmed.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Read a logger's file: what was taken for what, what happened in it, and what it says of the unit."""
    from hotchpot import desk
    from hotchpot.faces.cli import looks, show_log
    from hotchpot.quantities import parse_quantity

    with looks.progress("reading", quiet=as_json) as tick:
        card = desk.log_card(
            file,
            units=() if pile is None else desk.load_pile(pile),
            unit=unit,
            columns=columns,
            sign=sign,
            cutoff_v=None if cutoff is None else parse_quantity(cutoff, "V", where="--cutoff"),
            meter=meter,
            progress=tick,
        )
    if as_json:
        print_json(desk.log_wire(card))
    else:
        show_log.show(card)
    if readings is not None:
        if not (yes or typer.confirm("Are columns, units and sign right, and is it to be added?", err=True)):
            raise typer.Exit(1)
        row = desk.keep_log(card, readings)
        print(f"Written to {readings}: {row}", file=sys.stderr)
