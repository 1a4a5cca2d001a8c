"""A trial from end to end: wire the bank, run the scenario, look at what came of it."""

from __future__ import annotations

from collections.abc import Callable

from hotchpot.bank.arrangement import show
from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.trial.notable import notable
from hotchpot.trial.outcome import Trial
from hotchpot.trial.scenario import Scenario
from hotchpot.trial.shares import label_of, shares_of
from hotchpot.trial.wired import circuit_of, cut_out


def try_out(bank: Bank, plan: Plan, scenario: Scenario, *, progress: Callable[[float], None] | None = None) -> Trial:
    """
    Return what comes of a scenario on a bank.

    Parameters
    ----------
    bank, plan, scenario
        The bank with its units' states, how it is wired and protected, and what it is tried on.
    progress : callable, optional
        Called now and then with the fraction done.

    Raises
    ------
    InputError
        If the scenario names units that the bank has not. What the bank cannot do is no error: the record's end says.
    """
    circuit = circuit_of(bank, plan, scenario)
    record = circuit.run(
        scenario.drive,
        stop=scenario.stop,
        step_s=scenario.step_s,
        record_s=scenario.record_s,
        ambient_c=scenario.ambient_c,
        fine=scenario.fine,
        progress=progress,
    )
    shares = shares_of(bank, circuit, record, scenario.lost)
    label_ah, label_wh = label_of(bank, scenario.lost)
    return Trial(
        arrangement=show(bank.arrangement),
        scenario=scenario,
        record=record,
        given_ah=record.bank_out_ah,
        given_wh=record.bank_out_wh,
        label_ah=label_ah,
        label_wh=label_wh,
        shares=shares,
        notable=notable(bank, scenario, record, shares, plan),
        gone=cut_out(bank.root, scenario.lost),
    )
