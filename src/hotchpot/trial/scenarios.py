"""
Builders of scenarios: a discharge, a charge, a joining, and faults laid over any of them; by the hours: `daily`.

What the plan states is used; what it does not is said in the scenario's sentence. A bank is cut off at the plan's
disconnect, else where its cells' lowest voltages add up. Nothing watches a single unit but what the plan or the pile
names: a unit's own protection (see `wired`), or the plan's cell-level protection on lithium. Loads that no bank can
feed are not refused here: the run ends with the reason's name.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.circuit.drive import Stop, Stretch, drive_of
from hotchpot.errors import Fault, InputError
from hotchpot.trial.begins import all_at, begun, positive, tapped
from hotchpot.trial.daily import day, profile
from hotchpot.trial.planned import ambient_c, charge_plan, charger_a, lowest_v, unit_cut_offs, until
from hotchpot.trial.scenario import Scenario

__all__ = ["charge", "day", "discharge", "joining", "lost", "profile", "stuck"]

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
    positive(amps=amps, watts=watts, ohms=ohms, hours=hours)
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
        says=f"{load} {begun(from_soc)}, {limit}{until(low_v)}.{tapped(plan)}",
        drive=drive_of([stretch]),
        stop=Stop(low_v=low_v, unit_low_v=unit_cut_offs(bank, plan)),
        soc_frac=all_at(bank, from_soc),
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
    positive(hours=hours)
    amps = charger_a(bank, plan)
    if not amps:
        raise InputError.one("charger.amps", "the plan does not state it", "give the charger's current in amps")
    ceiling = charge_plan(bank, plan)
    missing = 1.0 if from_soc is None else 1.0 - from_soc
    limit_h = hours or min(LONGEST_H, 2.0 * missing * _whole_ah(bank) / amps + 1.5 * ceiling.absorb_hours + 1.0)
    return Scenario(
        name="charge",
        says=f"{amps:g} A up to {ceiling.absorb_v:.4g} V, {begun(from_soc)}, until the current tails off."
        f"{tapped(plan)}",
        drive=drive_of([Stretch(seconds=3600.0 * limit_h, source_a=amps)], ceiling),
        soc_frac=all_at(bank, from_soc),
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
    positive(hours=hours)
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
