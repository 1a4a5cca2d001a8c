"""Builders of scenarios by the hours: days of the plan's household, and a load that is given over time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.circuit.drive import Stop
from hotchpot.errors import InputError
from hotchpot.trial.begins import all_at, begun, positive, tapped
from hotchpot.trial.days import Table, charges, feed, given, given_day, has_source, household, without_source
from hotchpot.trial.look import span
from hotchpot.trial.planned import (
    ambient_c,
    charge_plan,
    charger_a,
    daily_plan,
    held_at,
    lowest_v,
    rest_v,
    unit_cut_offs,
    until,
)
from hotchpot.trial.scenario import Scenario


def day(
    bank: Bank,
    plan: Plan,
    days: float = 1,
    *,
    idle_w: float | None = None,
    from_soc: float | None = 1.0,
    still: bool = False,
) -> Scenario:
    """
    Return days of a household: the plan's energy in an invented shape, its largest load each evening, its charger.

    The plan's energy is all that is used in a day: what the inverter draws idle, `idle_w` or else the plan's, is part
    of it. The charger follows an invented sun, runs in the evening (generator), gives a steady part (wind) or all day
    (mains), and goes on to float, until the bank has fallen to where it charges again; in a `still` spell it gives
    nothing. Loads are cut off at the disconnect and come back when the bank has recovered.

    Raises
    ------
    InputError
        If the plan states no energy, or a number is out of range.
    """
    positive(days=days)
    idle_w = (plan.duty.idle_w or 0.0) if idle_w is None else idle_w
    if not (math.isfinite(idle_w) and idle_w >= 0.0):
        raise InputError.one("idle_w", f"it is {idle_w:g}", "give watts, nought or more")
    energy_wh = plan.duty.energy_wh_per_day
    if not energy_wh:
        raise InputError.one(
            "duty.energy_wh_per_day", "the plan does not state it", "give what is used in a day, in Wh"
        )
    largest_w = max(plan.duty.load_w or 0.0, (plan.duty.load_a or 0.0) * bank.root.nominal_v)
    table, held_s = household(energy_wh, largest_w=largest_w, idle_w=idle_w)
    idle = f"{idle_w:g} W of idle inverter" if idle_w else "an inverter's idle draw"
    held = f" with its largest load, {largest_w:g} W, for {span(held_s)} each evening" if held_s else ""
    return _days(
        bank, plan, days, table, from_soc,
        still=still,
        says=f"{energy_wh:g} Wh{' each' * (days != 1)} in an invented household's hours{held}, {idle} counted in",
    )  # fmt: skip


def _days(
    bank: Bank, plan: Plan, days: float, table: Table, from_soc: float | None, *, says: str, still: bool
) -> Scenario:
    """Return days of a table of loads; where it has no source of its own the plan's charger gives by its source."""
    amps, own = charger_a(bank, plan), has_source(table)
    kind = plan.charger.source or "mains"
    if still:
        fed, table = " and a source that gives nothing", without_source(table)
    elif own:
        fed = " and what it brings itself"
    else:
        fed = f" and {amps:g} A of {kind}" if amps else " and no charger"
        table = table.beside(feed(kind, amps))
    charged = not still and (own or amps > 0.0)
    ceiling, low_v = daily_plan(bank, plan), lowest_v(bank, plan)
    held = held_at(bank, ceiling) if charged else ""
    whole = table.repeated(days)
    return Scenario(
        name="day",
        says=f"{'A day' if days == 1 else f'{days:g} days'} of {says}{fed}, {begun(from_soc)}.{held}{tapped(plan)}",
        drive=whole.drive(ceiling),
        stop=Stop(low_v=low_v, back_v=max(rest_v(bank.root, 0.5), 1.03 * low_v), unit_low_v=unit_cut_offs(bank, plan)),
        soc_frac=all_at(bank, from_soc),
        ambient_c=ambient_c(bank, plan),
    )


def profile(
    bank: Bank,
    plan: Plan,
    time_s: Sequence[float],
    *,
    watts: Sequence[float] | None = None,
    amps: Sequence[float] | None = None,
    source_w: Sequence[float] | None = None,
    source_a: Sequence[float] | None = None,
    days: float | None = None,
    from_soc: float | None = 1.0,
    still: bool = False,
) -> Scenario:
    """
    Return a load given in columns, as from a file: each value holds until the next moment; negative values charge.

    Parameters
    ----------
    time_s : sequence, shape (n,) or (n + 1,)
        Rising; when each value begins, and where it has one moment more, when the last one ends. Without that a last
        row of nothing, or whole days after the first, is the end; any other holds as long as the one before it. [s]
    watts, amps : sequence, shape (n,)
        What is drawn, one of them. [W], [A]
    source_w, source_a : sequence, shape (n,), optional
        What a source gives besides, one of them. [W], [A]
    days : float, optional
        The profile is a day from midnight, and so many of them follow one another as in `day`: the plan's charger
        gives by its source, where the profile has none of its own, and loads that were cut off come back.
    from_soc : float or None
        Charge of every unit at the start; None leaves each as its state says.
    still : bool
        Every source gives nothing.

    Raises
    ------
    InputError
        If there is not exactly one column of load, there are two of source, lengths differ, times do not rise, a value
        is no number, or a profile of days is longer than a day.
    """
    positive(days=days)
    if (watts is None) == (amps is None):
        raise InputError.one("profile", "it needs one column of load", "give either watts or amps")
    if source_w is not None and source_a is not None:
        raise InputError.one("profile", "it has two columns of source", "give either source_w or source_a")
    listed = {"load_w": watts, "load_a": amps, "source_w": source_w, "source_a": source_a}
    columns = {name: values for name, values in listed.items() if values is not None}
    if days is not None:
        table = given_day(time_s, columns)
        return _days(bank, plan, days, table, from_soc, says="a given profile", still=still)
    table = given(time_s, columns)
    if still:
        table = without_source(table)
    ceiling = None
    if charges(table):
        ceiling = replace(charge_plan(bank, plan), tail_a=0.0, absorb_hours=math.inf)
    drive = table.drive(ceiling)
    low_v = lowest_v(bank, plan)
    dark = " and a source that gives nothing" if still else ""
    return Scenario(
        name="profile",
        says=f"A given profile of {span(drive.seconds)}{dark}, {begun(from_soc)}, {until(low_v)}.{tapped(plan)}",
        drive=drive,
        stop=Stop(low_v=low_v, unit_low_v=unit_cut_offs(bank, plan)),
        soc_frac=all_at(bank, from_soc),
        ambient_c=ambient_c(bank, plan),
    )
