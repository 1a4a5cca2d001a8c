"""The trial's command: what was typed becomes a wish, the desk runs it on paper, and the answer is printed or kept."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hotchpot.errors import InputError, NoAnswerError
from hotchpot.faces.cli.bench import ReadingsOption
from hotchpot.faces.cli.options import (
    BELOW,
    AtLeast,
    AtLeastOption,
    ExprArgument,
    JsonOption,
    PileOption,
    PlanOption,
)
from hotchpot.faces.cli.printing import print_json


def trial(
    expr: ExprArgument = None,
    *,
    pile: PileOption,
    readings: ReadingsOption = None,
    plan: PlanOption = None,
    amps: Annotated[str | None, typer.Option("--amps", metavar="A", help="A steady current.")] = None,
    watts: Annotated[str | None, typer.Option("--watts", metavar="W", help="A steady power.")] = None,
    ohms: Annotated[str | None, typer.Option("--ohms", metavar="OHM", help="A resistor.")] = None,
    charge: Annotated[bool, typer.Option("--charge", help="A charge with the plan's charger.")] = False,
    profile: Annotated[
        Path | None,
        typer.Option("--profile", metavar="LOAD.csv", help="A load over time, with a source if it has one."),
    ] = None,
    day: Annotated[
        str | None,
        typer.Option("--day", metavar="N", help="So many days of the plan's energy and charger, or of the profile."),
    ] = None,
    still: Annotated[
        bool, typer.Option("--still", help="No sun, no wind: what feeds the day or the profile gives nothing.")
    ] = False,
    joining: Annotated[
        bool, typer.Option("--joining", help="The joining: all branches as they stand, no load.")
    ] = False,
    hours: Annotated[
        str | None, typer.Option("--hours", metavar="H", help="Longest time; without it, until something ends it.")
    ] = None,
    begin: Annotated[
        str | None,
        typer.Option("--from", metavar="CHARGE", help="Charge at the start: full, now (as units stand), 80 % or 0.8."),
    ] = None,
    lost: Annotated[
        list[str] | None, typer.Option("--lost", metavar="ID", help="Cut out the branch of this unit.")
    ] = None,
    shorted: Annotated[
        list[str] | None, typer.Option("--shorted", metavar="ID", help="Short one cell of this unit.")
    ] = None,
    dead: Annotated[
        list[str] | None, typer.Option("--dead", metavar="ID", help="Give this unit a hundred times its resistance.")
    ] = None,
    step: Annotated[str | None, typer.Option("--step", metavar="S", help="The longest step, in seconds.")] = None,
    every: Annotated[
        str | None,
        typer.Option(
            "--every", metavar="S", help="Seconds between the moments kept; 0 keeps every step of a short run."
        ),
    ] = None,
    doubt: Annotated[int, typer.Option("--doubt", metavar="N", help="Try N draws of what the units may truly be.")] = 0,
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Makes the draws repeatable.")] = 1,
    on: Annotated[str | None, typer.Option("--on", metavar="URL", help="Run the draws on this Dask cluster.")] = None,
    csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Write every moment to this file; amps above nought give."),
    ] = None,
    parquet: Annotated[Path | None, typer.Option("--parquet", metavar="FILE", help="The same as Parquet.")] = None,
    svg: Annotated[Path | None, typer.Option("--svg", metavar="FILE", help="Write the chart to this file.")] = None,
    at_least: AtLeastOption = AtLeast.FORBID,
    as_json: JsonOption = False,
) -> None:
    """
    Run a bank on paper: how long it lasts, who carries what, who is empty first, what fails.

    Without a load of its own it takes the plan's.
    """
    from hotchpot import desk
    from hotchpot.desk import wishes
    from hotchpot.faces.cli import looks

    wish = desk.Wish(
        amps=_amount(amps, "A", "--amps"),
        watts=_amount(watts, "W", "--watts"),
        ohms=_amount(ohms, "Ω", "--ohms"),
        hours=_amount(hours, "h", "--hours"),
        charge=charge,
        profile=None if profile is None else desk.load_profile(profile),
        day=_amount(day, "days", "--day"),
        still=still,
        joining=joining,
        begin=None if begin is None else wishes.charge_of(begin),
        lost=tuple(lost or ()),
        shorted=tuple(shorted or ()),
        dead=tuple(dead or ()),
        step=_amount(step, "s", "--step"),
        every=_amount(every, "s", "--every"),
    )
    places = {"--csv": csv, "--parquet": parquet, "--svg": svg}
    desk.check_places(places, (pile, readings, plan, profile))
    units = desk.load_pile(pile)
    stated, evidence = desk.load_plan(plan), desk.load_evidence(readings, units)
    if readings is not None:
        desk.check_places(places, {readings.parent / one.file for one in evidence.readings if one.file})
    with looks.progress("running on paper", quiet=as_json) as tick:
        report = desk.try_bank(expr, units, stated, wish, evidence, draws=doubt, seed=seed, on=on, progress=tick)
    if as_json:
        print_json(desk.trial_wire(report), indent=None)
    else:
        from hotchpot.faces.cli import show_trial

        show_trial.show(report)
    try:
        desk.keep_trial(report, csv=csv, parquet=parquet, svg=svg)
    except NoAnswerError as error:
        if not as_json:
            raise
        typer.echo(f"hotchpot: {error}", err=True)  # the answer stands already, and is the only thing printed
        raise typer.Exit(BELOW) from None
    if not as_json:
        for path in places.values():
            if path is not None:
                looks.say(f"Written: {path}")
    if at_least.is_missed_by(str(report.verdict)):
        raise typer.Exit(BELOW)


def _amount(text: str | None, unit: str, where: str) -> float | None:
    from hotchpot.quantities import parse_quantity, split_amount

    if text is None:
        return None
    number, given = split_amount(text) or ("", "")
    if unit in ("h", "s") and given in ("m", "M"):  # read as metres, or as nothing
        raise InputError.one(where, f"{text!r}: {given!r} is no unit of time", f"give {number} min for minutes")
    return parse_quantity(text, unit, where=where)
