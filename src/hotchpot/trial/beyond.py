r"""
A load that no bank can carry ends in a name, not in numbers.

A steady current beyond what the bank gives into a short circuit would pull its terminals below nought. The circuit is
linear at one moment and answers with such a voltage; here that moment becomes a collapse, as for a power beyond

.. math:: P_{max} = \frac{E^2}{4R}

with E and R from that moment and the one before it (or the bank at rest).
"""

from __future__ import annotations

from dataclasses import replace

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.circuit.drive import Stretch, drive_of
from hotchpot.circuit.record import Event, Record
from hotchpot.trial.notable import notable
from hotchpot.trial.outcome import Trial
from hotchpot.trial.scenario import Scenario
from hotchpot.trial.wired import circuit_of


def is_beyond(record: Record) -> bool:
    """Return whether a run ended at a moment that no bank can have: a load at a voltage of nought or less."""
    return bool(record.volts[-1] <= 0.0 < record.amps[-1])


def named(bank: Bank, plan: Plan, scenario: Scenario, trial: Trial) -> Trial:
    """Return the trial, ended as a collapse where its last moment is none that a bank can have."""
    record = trial.record
    if record.ended.kind == "collapse" or not is_beyond(record):
        return trial
    before = record.time_s < record.ended.time_s
    if before.any():
        before_v, before_a = float(record.volts[before][-1]), float(record.amps[before][-1])
    else:
        rest = circuit_of(bank, plan, scenario).run(drive_of([Stretch(seconds=1.0)]), ambient_c=scenario.ambient_c)
        before_v, before_a = float(rest.volts[0]), float(rest.amps[0])
    ohm = (before_v - float(record.volts[-1])) / (float(record.amps[-1]) - before_a)
    full_v = before_v + ohm * before_a
    ended = Event("collapse", record.ended.time_s, None, full_v**2 / (4.0 * ohm))
    kept = tuple(event for event in record.events if event.time_s < ended.time_s)
    record = replace(record, ended=ended, events=(*kept, ended))
    return replace(trial, record=record, notable=notable(bank, scenario, record, trial.shares, plan))
