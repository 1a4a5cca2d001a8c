r"""
How much of the charge, and of the energy, that went into a unit came out again: from a log of whole cycles.

Counting runs from the start of the first discharge to the start of the last one, both after a full charge, so that the
unit holds as much at the end as at the beginning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape, refused
from hotchpot.bench.meter import Meter, meter
from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.trace import Flow, Log, Piece
from hotchpot.errors import InputError
from hotchpot.pile.unit import Unit

USED_FRAC = 0.05  # of the largest discharge: smaller ones are noise or a moment's load, not the start of a cycle
LIKE_V = 0.02  # volts a cell by which the rest voltages at the two ends may differ
LIKE_SD_FRAC = 0.01  # of one discharge: how unlike two full states are that look alike; engineering guess
_DEFAULT_METER = "logger"
_RULE = "project rule: docs/methods/bench-charge.md"


@dataclass(frozen=True, slots=True)
class _Cycles:
    """What was counted over whole cycles, and the voltages at their ends (None where no rest came before)."""

    count: int
    out_ah: float
    in_ah: float
    out_wh: float
    in_wh: float
    out_h: float
    in_h: float
    rest_h: float
    ends_v: tuple[float | None, float | None]


def efficiencies_of_log(
    log: Log, *, unit: Unit | None = None, meter: Meter | None = None, when: str | None = None
) -> tuple[Estimate, Estimate]:
    r"""
    Return charge and energy efficiency over the whole cycles of a log.

    Parameters
    ----------
    log : Log
        With its pieces in order.
    unit : Unit, optional
        Whose pieces to take where the log has several units', and how many cells it has. None takes a log of one.
    meter : Meter, optional
        What logged it; a logger with a shunt when None.
    when : str, optional
        ISO date; the log's start when None.

    Returns
    -------
    tuple of Estimate
        Of `Quantity.CHARGE_EFFICIENCY` and `Quantity.ENERGY_EFFICIENCY`. Facts: ``cycles``, ``out_ah``, ``in_ah``,
        ``out_wh``, ``in_wh``, ``end_change_v``. Refused under ``less-than-a-cycle``, ``ends-unlike`` and
        ``efficiency-above-one``; doubtful under ``ends-unknown`` and ``log-gaps``.

    Raises
    ------
    InputError
        If the log holds several units and none was named.

    Notes
    -----
    .. math::
        \eta_Q = \frac{\sum_{I>0} I\,\Delta t}{\sum_{I<0} |I|\,\Delta t}, \qquad
        \eta_E = \frac{\sum_{I>0} V I\,\Delta t}{\sum_{I<0} V |I|\,\Delta t}

    over all pieces between, rests included. The gain of the ammeter is the same both ways and cancels; so does that of
    the voltmeter. A zero that is off by *o* does not: charge counts :math:`o\,t` too little and discharge as much too
    much, so :math:`\Delta\eta/\eta = o\,(t_{out}/Q_{out} + t_{in}/Q_{in} + t_{rest}/Q)`. Unlike ends count as charge
    that came from nowhere.
    """
    pieces = _of_unit(log, unit)
    subject = log.name if unit is None else unit.id
    when = when or log.start
    starts = _starts(pieces)
    if len(starts) < 2 or not any(piece.in_ah > 0 for piece in pieces[starts[0] : starts[-1]]):
        return _both(_too_short(subject, len(starts)), when, cycles=float(max(0, len(starts) - 1)))
    seen = _count(pieces, starts)
    facts = {
        "cycles": float(seen.count), "out_ah": seen.out_ah, "in_ah": seen.in_ah, "out_wh": seen.out_wh,
        "in_wh": seen.in_wh, "out_hours": seen.out_h, "in_hours": seen.in_h, "rest_hours": seen.rest_h,
    }  # fmt: skip
    remarks: tuple[Remark, ...] = ()
    first_v, last_v = seen.ends_v
    if first_v is None or last_v is None:
        remarks = (_ends_unknown(subject),)
    else:
        facts["end_change_v"] = last_v - first_v
        cells = unit.cells if unit is not None else max(1.0, last_v / 2.0)
        if abs(last_v - first_v) > LIKE_V * cells:
            return _both(_unlike(subject, first_v, last_v, LIKE_V * cells), when, **facts)
    gap_s = sum(piece.gap_s for piece in pieces[starts[0] : starts[-1]])
    if gap_s > 0.01 * 3600.0 * (seen.out_h + seen.in_h):
        remarks += (_gaps(subject, gap_s / 3600.0),)
    charge, energy = seen.out_ah / seen.in_ah, seen.out_wh / seen.in_wh
    resting = seen.rest_h * (1.0 / seen.out_ah + 1.0 / seen.in_ah) / 2.0  # a false zero while resting counts one way
    off_frac = seen.out_h / seen.out_ah + seen.in_h / seen.in_ah + resting
    instrument = meter or _default()
    if charge > 1.0 + 3.0 * charge * instrument.amps.offset_sd() * off_frac or energy > 1.0:
        return _both(_above_one(subject, charge, energy, charge * off_frac), when, **facts)
    like = LIKE_SD_FRAC / seen.count * (1.0 if first_v is not None and last_v is not None else 5.0)
    shared = Estimate(
        quantity=Quantity.CHARGE_EFFICIENCY,
        value=None,
        facts=facts,
        remarks=remarks,
        when=when,
        instrument=instrument.key,
    )
    relative = (
        Line("zero of the ammeter", off_frac * instrument.amps.offset_sd(), Shape.RECTANGULAR, common=True),
        Line("unlike states at the ends", like),
    )
    return (
        _told(shared, Quantity.CHARGE_EFFICIENCY, charge, relative),
        _told(shared, Quantity.ENERGY_EFFICIENCY, energy, relative),
    )


def _default() -> Meter:
    return meter(_DEFAULT_METER)


def _of_unit(log: Log, unit: Unit | None) -> tuple[Piece, ...]:
    names = {piece.unit for piece in log.pieces}
    if len(names) < 2:
        return log.pieces
    if unit is None or unit.id not in names:
        raise InputError.one(
            f"log {log.name}", f"it holds {len(names)} units", "name one of: " + ", ".join(sorted(names))
        )
    return tuple(piece for piece in log.pieces if piece.unit == unit.id)


def _starts(pieces: Sequence[Piece]) -> list[int]:
    """
    Return where each cycle begins: the first discharge after a charge, or the first of all.

    A discharge that is broken by a rest, or a charge by a moment's load, makes no new cycle.
    """
    drawn = [piece.out_ah for piece in pieces if piece.flow is Flow.DISCHARGE]
    fed = [piece.in_ah for piece in pieces if piece.flow is Flow.CHARGE]
    least_out, least_in = USED_FRAC * max(drawn, default=0.0), USED_FRAC * max(fed, default=0.0)
    starts: list[int] = []
    charged = True
    for index, piece in enumerate(pieces):
        if piece.flow is Flow.DISCHARGE and piece.out_ah >= least_out and piece.out_ah > 0:
            if charged:
                starts.append(index)
            charged = False
        elif piece.flow is Flow.CHARGE and piece.in_ah >= least_in:
            charged = True
    return starts


def _count(pieces: Sequence[Piece], starts: Sequence[int]) -> _Cycles:
    between = pieces[starts[0] : starts[-1]]
    hours = {flow: sum(p.end_s - p.start_s for p in between if p.flow is flow) / 3600.0 for flow in Flow}
    return _Cycles(
        count=len(starts) - 1,
        out_ah=sum(p.out_ah for p in between),
        in_ah=sum(p.in_ah for p in between),
        out_wh=sum(p.out_wh for p in between),
        in_wh=sum(p.in_wh for p in between),
        out_h=hours[Flow.DISCHARGE],
        in_h=hours[Flow.CHARGE],
        rest_h=hours[Flow.REST],
        ends_v=(_rest_before(pieces, starts[0]), _rest_before(pieces, starts[-1])),
    )


def _rest_before(pieces: Sequence[Piece], index: int) -> float | None:
    """Return the median of the last three voltages of the rest before a discharge; None where there was no rest."""
    import numpy as np

    if index == 0 or pieces[index - 1].flow is not Flow.REST:
        return None
    volts = pieces[index - 1].trace.volts
    read = volts[np.isfinite(volts)][-3:]
    return float(np.median(read)) if read.size else None


def _told(shared: Estimate, quantity: Quantity, value: float, relative: Sequence[Line]) -> Estimate:
    """Return one efficiency with a budget that was worked out as fractions of it."""
    budget = tuple(replace(line, sd=value * line.sd) for line in relative if line.sd > 0)
    return replace(shared, quantity=quantity, value=value, budget=budget)


def _both(remark: Remark, when: str | None, **facts: float) -> tuple[Estimate, Estimate]:
    return (
        refused(Quantity.CHARGE_EFFICIENCY, remark, when=when, **facts),
        refused(Quantity.ENERGY_EFFICIENCY, remark, when=when, **facts),
    )


def _too_short(subject: str, starts: int) -> Remark:
    return Remark(
        code="less-than-a-cycle", weight=Weight.REFUSED, subject=subject,
        says=f"{starts} discharge{'' if starts == 1 else 's'} with a charge before it, and no whole cycle between two",
        why="without the same state at both ends, what is still inside counts as lost or won",
        do="Log from one full charge, through a discharge and a full charge, into the next discharge.", source=_RULE,
        value=float(max(0, starts - 1)), limit=1.0, unit="cycles",
    )  # fmt: skip


def _unlike(subject: str, first_v: float, last_v: float, limit: float) -> Remark:
    return Remark(
        code="ends-unlike", weight=Weight.REFUSED, subject=subject,
        says=f"at rest {first_v:.2f} V before the first discharge and {last_v:.2f} V before the last",
        why="the unit did not hold the same charge at both ends, so what went in cannot be held against what came out",
        do="Charge to the same end each time, rest as long, and log again.", source=_RULE, value=last_v - first_v,
        limit=limit, unit="V",
    )  # fmt: skip


def _above_one(subject: str, charge: float, energy: float, per_a: float) -> Remark:
    return Remark(
        code="efficiency-above-one", weight=Weight.REFUSED, subject=subject,
        says=f"{charge:.3f} of the charge and {energy:.3f} of the energy came back; "
        f"10 mA of false zero would make {0.01 * per_a:.3f} of the charge",
        why="more than went in cannot come out: the sign is reversed, or the current sensor's zero is off",
        do="Read the sensor with nothing connected, take that off, check which way is charge, and log again.",
        source="physics", value=max(charge, energy), limit=1.0, unit="1",
    )  # fmt: skip


def _ends_unknown(subject: str) -> Remark:
    return Remark(
        code="ends-unknown", weight=Weight.DOUBTFUL, subject=subject,
        says="no rest was logged before the first or the last discharge",
        why="whether the unit held the same charge at both ends cannot be seen",
        do="Log half an hour of rest before each discharge.", source=_RULE,
    )  # fmt: skip


def _gaps(subject: str, hours: float) -> Remark:
    return Remark(
        code="log-gaps", weight=Weight.DOUBTFUL, subject=subject,
        says=f"{hours:.2g} h of the cycles are not in the log", why="what flowed meanwhile was not counted",
        do="Find why the logger stopped, and log again.", source=_RULE, value=hours, unit="h",
    )  # fmt: skip
