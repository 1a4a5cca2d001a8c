"""
Builders of scenarios: a discharge, a charge, a day, a given profile, a joining, and faults laid over any of them.

What the plan states is used; what it does not is said in the scenario's sentence. A bank is cut off at the plan's
disconnect, else where its cells' lowest voltages add up. Nothing watches a single unit but what the plan or the pile
names: a unit's own protection (see `wired`), or the plan's cell-level protection on lithium. Loads that no bank can
feed are not refused here: the run ends with the reason's name.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.circuit.drive import Drive, Stop, Stretch, drive_of
from hotchpot.circuit.drive import profile as drive_of_profile
from hotchpot.errors import Fault, InputError
from hotchpot.trial.look import span
from hotchpot.trial.planned import ambient_c, charge_plan, charger_a, daily_plan, lowest_v, rest_v, unit_cut_offs, until
from hotchpot.trial.scenario import Scenario
from hotchpot.trial.wired import taps_of

# Invented: how a household spreads its energy over the hours from midnight, morning and evening peaks; parts of 100.
HOUSEHOLD = (2, 2, 2, 2, 2, 3, 5, 6, 5, 4, 4, 4, 5, 4, 3, 3, 4, 6, 8, 9, 7, 5, 3, 2)
IDLE_W = 10.0  # an inverter that waits; engineering guess
SUNRISE_H, SUNSET_H = 6.0, 18.0  # of the invented day
GENERATOR_H = (17.0, 21.0)  # when the invented day's generator runs
WIND_FRAC = 0.3  # of the charger's amps, all day; engineering guess
QUARTER_S = 900.0
SETTLED_C = 0.002  # a joining has settled when no unit carries more than this part of the smallest capacity per hour
JOINING_DAYS = 14.0
MOST_KEPT = 300_000  # moments times units of a joining that is recorded step by step
LONGEST_H = 24.0 * 90


def discharge(
    bank: Bank,
    plan: Plan,
    *,
    amps: float | None = None,
    watts: float | None = None,
    ohms: float | None = None,
    hours: float | None = None,
    from_soc: float | None = 1.0,
) -> Scenario:
    """
    Return a discharge at constant current, power or resistance; without any, the plan's load.

    Parameters
    ----------
    amps, watts, ohms : float, optional
        One of them. [A], [W], [Ω]
    hours : float, optional
        How long at most; None goes on until the bank is cut off. [h]
    from_soc : float or None
        Charge of every unit at the start; None leaves each as its state says.

    Raises
    ------
    InputError
        If there is no load, more than one, or a number is not above nought.
    """
    _positive(amps=amps, watts=watts, ohms=ohms, hours=hours)
    if amps is None and watts is None and ohms is None:
        amps, watts = plan.duty.load_a, None if plan.duty.load_a else plan.duty.load_w
        if not amps and not watts:
            raise InputError.one(
                "discharge", "there is no load", "give amps, watts or ohms, or duty.load_w in the plan"
            )
    if sum(value is not None for value in (amps, watts, ohms)) != 1:
        raise InputError.one("discharge", "more than one load is given", "give one of amps, watts and ohms")
    nominal_v = bank.root.nominal_v
    drawn_a = amps or (watts / nominal_v if watts else nominal_v / ohms if ohms else 0.0)
    limit_h = min(LONGEST_H, 1.5 * _whole_ah(bank) / drawn_a + 0.5) if hours is None else hours
    load = f"{amps:g} A" if amps else f"{watts:g} W" if watts else f"{ohms:g} Ω"
    stretch = Stretch(
        seconds=3600.0 * limit_h, load_a=amps or 0.0, load_w=watts or 0.0, load_s=1.0 / ohms if ohms else 0.0
    )
    low_v = lowest_v(bank, plan)
    limit = f"for {hours:g} h or " if hours else ""
    return Scenario(
        name="discharge",
        says=f"{load} {_begun(from_soc)}, {limit}{until(low_v)}.{tapped(plan)}",
        drive=drive_of([stretch]),
        stop=Stop(low_v=low_v, unit_low_v=unit_cut_offs(bank, plan)),
        soc_frac=_all_at(bank, from_soc),
        ambient_c=ambient_c(bank, plan),
    )


def charge(bank: Bank, plan: Plan, from_soc: float | None = 0.2, *, hours: float | None = None) -> Scenario:
    """
    Return a charge by the plan's charger, from one charge for every unit or, with None, from where each stands.

    It ends as charged: when the current has fallen to the chemistry's tail at the absorb voltage, or when the stage's
    time is over. Without volts in the plan the middle of the chemistry's absorb band is taken.

    Raises
    ------
    InputError
        If the plan states no charge current, or a number is out of range.
    """
    _positive(hours=hours)
    amps = charger_a(bank, plan)
    if not amps:
        raise InputError.one("charger.amps", "the plan does not state it", "give the charger's current in amps")
    ceiling = charge_plan(bank, plan)
    missing = 1.0 if from_soc is None else 1.0 - from_soc
    limit_h = hours or min(LONGEST_H, 2.0 * missing * _whole_ah(bank) / amps + 1.5 * ceiling.absorb_hours + 1.0)
    return Scenario(
        name="charge",
        says=f"{amps:g} A up to {ceiling.absorb_v:.4g} V, {_begun(from_soc)}, until the current tails off."
        f"{tapped(plan)}",
        drive=drive_of([Stretch(seconds=3600.0 * limit_h, source_a=amps)], ceiling),
        soc_frac=_all_at(bank, from_soc),
        ambient_c=ambient_c(bank, plan),
    )


def day(bank: Bank, plan: Plan, days: float = 1, *, idle_w: float = IDLE_W, from_soc: float | None = 1.0) -> Scenario:
    """
    Return days of a household: the plan's energy in an invented shape, the inverter's idle draw, the plan's charger.

    The charger follows an invented sun, runs in the evening (generator), gives a steady part (wind) or all day (mains),
    and goes on to float, until the bank has fallen to where it charges again. Loads are cut off at the disconnect and
    come back when the bank has recovered.

    Raises
    ------
    InputError
        If the plan states no energy, or a number is out of range.
    """
    _positive(days=days)
    if not (math.isfinite(idle_w) and idle_w >= 0.0):
        raise InputError.one("idle_w", f"it is {idle_w:g}", "give watts, nought or more")
    energy_wh = plan.duty.energy_wh_per_day
    if not energy_wh:
        raise InputError.one(
            "duty.energy_wh_per_day", "the plan does not state it", "give what is used in a day, in Wh"
        )
    amps = charger_a(bank, plan)
    kind = plan.charger.source or "mains"
    quarters = max(1, round(days * 86400.0 / QUARTER_S))
    whole = sum(HOUSEHOLD)
    stretches = []
    for k in range(quarters):
        hour = (k + 0.5) * QUARTER_S / 3600.0 % 24.0
        watts = energy_wh * HOUSEHOLD[int(hour)] / whole + idle_w
        stretches.append(Stretch(seconds=QUARTER_S, load_w=watts, source_a=amps * _feed_frac(kind, hour)))
    low_v = lowest_v(bank, plan)
    count = "A day" if days == 1 else f"{days:g} days"
    fed = f" and {amps:g} A of {kind}" if amps else " and no charger"
    return Scenario(
        name="day",
        says=f"{count} of {energy_wh:g} Wh in an invented household's hours, {idle_w:g} W of idle inverter{fed}, "
        f"{_begun(from_soc)}.{tapped(plan)}",
        drive=drive_of(stretches, daily_plan(bank, plan)),
        stop=Stop(low_v=low_v, back_v=max(rest_v(bank.root, 0.5), 1.03 * low_v), unit_low_v=unit_cut_offs(bank, plan)),
        soc_frac=_all_at(bank, from_soc),
        ambient_c=ambient_c(bank, plan),
    )


def _feed_frac(kind: str, hour: float) -> float:
    """Return the part of the charger's amps at an hour of the invented day."""
    if kind == "pv":
        return max(0.0, math.sin(math.pi * (hour - SUNRISE_H) / (SUNSET_H - SUNRISE_H)))
    if kind == "generator":
        return float(GENERATOR_H[0] <= hour < GENERATOR_H[1])
    return WIND_FRAC if kind == "wind" else 1.0


def profile(
    bank: Bank,
    plan: Plan,
    time_s: Sequence[float],
    *,
    watts: Sequence[float] | None = None,
    amps: Sequence[float] | None = None,
    from_soc: float | None = 1.0,
) -> Scenario:
    """
    Return a load given in columns, as from a file: each value holds until the next moment; negative values charge.

    Raises
    ------
    InputError
        If there is not exactly one column of values, lengths differ, times do not rise or a value is no number.
    """
    if (watts is None) == (amps is None):
        raise InputError.one("profile", "it needs one column of load", "give either watts or amps")
    values = watts if watts is not None else amps
    assert values is not None
    charges = any(value < 0.0 for value in values)
    ceiling = charge_plan(bank, plan) if charges else None
    if ceiling is not None:
        ceiling = replace(ceiling, tail_a=0.0, absorb_hours=math.inf)
    drive: Drive = drive_of_profile(time_s, load_w=watts, load_a=amps, charge=ceiling)
    low_v = lowest_v(bank, plan)
    return Scenario(
        name="profile",
        says=f"A given profile of {span(drive.seconds)}, {_begun(from_soc)}, {until(low_v)}.{tapped(plan)}",
        drive=drive,
        stop=Stop(low_v=low_v, unit_low_v=unit_cut_offs(bank, plan)),
        soc_frac=_all_at(bank, from_soc),
        ambient_c=ambient_c(bank, plan),
    )


def joining(bank: Bank, plan: Plan, *, hours: float | None = None) -> Scenario:
    """
    Return the joining: every branch at its own charge and voltage meets the others at once, no load, until it settles.

    Raises
    ------
    InputError
        If the charge of a unit is not known: names every such unit.
    """
    _positive(hours=hours)
    unknown = [state.unit.id for state in bank.units if state.soc_frac is None]
    if unknown:
        mend = "read the rest voltage, or charge it to full and state that"
        raise InputError(Fault(f"unit {name}", "its charge is not known", mend) for name in unknown)
    seconds = 3600.0 * (hours or 24.0 * JOINING_DAYS)
    settled_a = SETTLED_C * min(state.capacity_ah.value for state in bank.units)
    return Scenario(
        name="joining",
        says=f"All branches joined at once as they stand, no load, until no unit carries more than {settled_a:.2g} A.",
        drive=drive_of([Stretch(seconds=seconds)]),
        stop=Stop(settled_a=settled_a),
        ambient_c=ambient_c(bank, plan),
        fine=True,
        record_s=0.0 if _steps(seconds) * len(bank.units) <= MOST_KEPT else None,
    )


def _steps(seconds: float) -> float:
    """Return about how many steps a run of so long takes: of a second, in longer ones of ten, then of a minute."""
    return max(seconds / 60.0, min(seconds, 86_400.0) / 10.0, min(seconds, 7200.0))


def lost(scenario: Scenario, ids: Iterable[str]) -> Scenario:
    """Return the scenario with the branches of these units cut out from the start."""
    named = _named(ids)
    says = f"{scenario.says} {', '.join(named)} cut out."
    return replace(scenario, name=f"{scenario.name}, branch lost", says=says, lost=(*scenario.lost, *named))


def stuck(scenario: Scenario, ids: Iterable[str], *, dead: bool = False) -> Scenario:
    """Return the scenario with one cell of each of these units shorted; with `dead`, their resistance a hundredfold."""
    named = _named(ids)
    what = "a hundred times its resistance" if dead else "one cell shorted"
    says = f"{scenario.says} {', '.join(named)} with {what}."
    name = f"{scenario.name}, {'dead unit' if dead else 'shorted cell'}"
    if dead:
        return replace(scenario, name=name, says=says, dead=(*scenario.dead, *named))
    return replace(scenario, name=name, says=says, shorted=(*scenario.shorted, *named))


def _named(ids: Iterable[str]) -> tuple[str, ...]:
    named = (ids,) if isinstance(ids, str) else tuple(ids)
    if not named:
        raise InputError.one("fault", "it names no unit", "name at least one unit of the bank")
    return named


def _whole_ah(bank: Bank) -> float:
    """Return the most charge that could leave the bank's terminals. [Ah]"""
    return max(node.capacity_ah.value for node in bank.root.walk())


def _all_at(bank: Bank, soc: float | None) -> dict[str, float]:
    if soc is None:
        return {}
    if not 0.0 <= soc <= 1.0:
        raise InputError.one("from_soc", f"it is {soc:g}", "give a fraction, 0 to 1")
    return {state.unit.id: soc for state in bank.units}


def tapped(plan: Plan) -> str:
    """Return a sentence on what is tapped besides, as its mean over the day; nothing where the plan has no tap."""
    named = [f"{amps:.3g} A at the plus of {unit}" for unit, amps in taps_of(plan.wiring)]
    return f" Tapped besides, as a mean over the day: {', '.join(named)}." if named else ""


def _begun(soc: float | None) -> str:
    return "from where each unit stands" if soc is None else "from full" if soc == 1.0 else f"from {100 * soc:.0f} %"


def _positive(**given: float | None) -> None:
    faults = [
        Fault(name, f"it is {value:g}", "give a number above nought")
        for name, value in given.items()
        if value is not None and not (math.isfinite(value) and value > 0.0)
    ]
    if faults:
        raise InputError(faults)
