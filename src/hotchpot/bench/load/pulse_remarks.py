"""What the bench says of a circuit fitted to a pulse: that there is no pulse, or what its samples do not carry."""

from __future__ import annotations

from hotchpot.bench.remark import Remark, Weight

_PRACTICE = "common practice, no source"


def no_pulse(subject: str) -> Remark:
    """Return the refusal of a trace without a pulse."""
    return Remark(
        code="no-pulse",
        weight=Weight.REFUSED,
        subject=subject,
        says="The trace holds no pulse of current that begins at rest, with six voltages or more around it.",
        why="A circuit shows in how the voltage answers a step of current from rest.",
        do="Log from a minute before the load comes on until some minutes after it goes off.",
        source=_PRACTICE,
    )


def fewer_pairs(subject: str, found: int, asked: int) -> Remark:
    """Return that the samples carry fewer RC pairs than were asked for."""
    return Remark(
        code="fewer-pairs",
        weight=Weight.NOTED,
        subject=subject,
        says=f"The samples carry {found} RC pairs of the {asked} asked for.",
        why="One pair more would not leave clearly less than the noise, or would be a copy of its neighbour.",
        do="For a slower pair, log longer; for a faster one, log faster.",
        source="Bayesian information criterion: Schwarz, Ann. Statist. 6, 1978 (from memory)",
        value=float(found),
        limit=float(asked),
        unit="pairs",
    )


def outlasts(subject: str, tau_s: float, span_s: float) -> Remark:
    """Return that a time constant is longer than the trace."""
    return Remark(
        code="outlasts-the-trace",
        weight=Weight.DOUBTFUL,
        subject=subject,
        says=f"A time constant of {tau_s:.3g} s outlasts the {span_s:.3g} s from the pulse to the end of the trace.",
        why="Of so slow a pair only the beginning was seen: little more than resistance over time constant is known.",
        do=f"Log the rest after the pulse for {2.0 * tau_s:.2g} s, or use the pair only for times within the trace.",
        source=_PRACTICE,
        value=tau_s,
        limit=span_s,
        unit="s",
    )


def not_told_apart(subject: str, tau_s: float, span_s: float) -> Remark:
    """Return that the slowest pair and the open-circuit drift cannot be told apart."""
    return Remark(
        code="pair-or-drift",
        weight=Weight.NOTED,
        subject=subject,
        says=f"Over {span_s:.3g} s, a pair of {tau_s:.3g} s is hardly told from its neighbour or the rest's own fall.",
        why="All grow with the charge drawn; only a longer rest shows which part comes back, and how fast.",
        do="Log the rest after the pulse for longer.",
        source=_PRACTICE,
        value=tau_s,
        limit=span_s,
        unit="s",
    )
