"""Which way a logger's current is positive, by what the voltage does: the physics of any battery, whatever its kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logcolumns import Columns
from hotchpot.bench.trace import Flow, Jump, Log, Piece, Trace
from hotchpot.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_AGREE = 0.6  # (for - against) over all
_MANY_STEPS = 3
_MOST_VOTES = 100
_SHORTEST_S = 300.0
_LEAST_POINTS = 6
_FLAT_FRAC = 0.003
SIGNS = {"discharge": 1, "charge": -1}
_OTHER = {Flow.DISCHARGE: Flow.CHARGE, Flow.CHARGE: Flow.DISCHARGE, Flow.REST: Flow.REST}


@dataclass(frozen=True, slots=True)
class SignEvidence:
    """
    What speaks for positive current being discharge, and against it.

    `sign` is +1 where positive is discharge, -1 where it is charge, 0 where the log cannot tell. `flows` is false where
    no current flows at all.
    """

    sign: int
    steps_for: int
    steps_against: int
    drifts_for: int
    drifts_against: int
    flows: bool
    mixed: bool

    @property
    def words(self) -> str:
        """The evidence in words."""
        if not self.flows:
            return "no current flows, so its sign does not matter"
        steps, drifts = self.steps_for + self.steps_against, self.drifts_for + self.drifts_against
        return (
            f"when current grows the voltage falls at {self.steps_for} of {steps} steps; under current of one "
            f"direction the voltage drifts as when positive is discharge in {self.drifts_for} of {drifts} stretches"
        )


def sign_of_logs(logs: Sequence[Log]) -> SignEvidence:
    """
    Return which way current is positive in these logs of one file.

    Notes
    -----
    A battery has resistance: its terminal voltage falls when the discharge current grows, at once. And it empties: its
    voltage drifts down on discharge and up on charge (common practice, no source). The steps weigh more, as a drift is
    slow and temperature moves it too; where both are few and contradict each other, the log cannot tell.
    """
    jumps = [jump for log in logs for jump in log.jumps]
    runs = [piece for log in logs for piece in log.pieces if piece.flow is not Flow.REST]
    runs.sort(key=lambda piece: piece.out_ah + piece.in_ah, reverse=True)
    steps = [vote for jump in jumps[:: -(-len(jumps) // _MOST_VOTES) or 1] if (vote := _step_vote(jump))]
    drifts = [vote for piece in runs[:_MOST_VOTES] if (vote := _drift_vote(piece))]
    flows = bool(runs)
    by_steps, by_drifts = _verdict(steps), _verdict(drifts)
    mixed = bool(steps) and not by_steps
    sign = by_steps or (0 if mixed and len(steps) >= _MANY_STEPS else by_drifts)
    if by_steps and by_drifts == -by_steps and len(steps) < _MANY_STEPS:
        sign, mixed = 0, True
    return SignEvidence(
        sign,
        steps.count(1),
        steps.count(-1),
        drifts.count(1),
        drifts.count(-1),
        flows,
        mixed or (not sign and bool(drifts)),
    )


def _verdict(votes: Sequence[int]) -> int:
    if not votes or abs(sum(votes)) < _AGREE * len(votes):
        return 0
    return 1 if sum(votes) > 0 else -1


def _step_vote(jump: Jump) -> int:
    """Return +1 where the voltage fell as the current grew, -1 where it rose, 0 where it did not move enough to say."""
    before, after = _known(jump.before.volts), _known(jump.after.volts)
    scatter = float(before.std()) if before.size > 1 else 0.0
    moved = float(after[0] - before[-1])
    if abs(moved) <= 3.0 * scatter + 1e-6:
        return 0
    grew = float(jump.after.amps.mean() - jump.before.amps.mean())
    return -1 if moved * grew > 0 else 1


def _drift_vote(piece: Piece) -> int:
    """Return +1 where a piece's voltage drifts as its name says, -1 the other way, 0 where it is flat or short."""
    import numpy as np

    if piece.flow is Flow.REST or piece.end_s - piece.start_s < _SHORTEST_S:
        return 0
    good = np.isfinite(piece.trace.volts)
    t, v = piece.trace.time_s[good], piece.trace.volts[good]
    late = t >= t[0] + 0.1 * (t[-1] - t[0]) if t.size else good[:0]
    t, v = t[late], v[late]
    if v.size < _LEAST_POINTS:
        return 0
    third = max(2, v.size // 3)
    moved = float(np.median(v[-third:]) - np.median(v[:third]))
    scatter = float(np.median(np.abs(np.diff(v))))
    if abs(moved) < max(_FLAT_FRAC * abs(float(np.median(v))), 3.0 * scatter):
        return 0
    falls = moved < 0
    return 1 if falls == (piece.flow is Flow.DISCHARGE) else -1


def _known(values: NDArray[np.float64]) -> NDArray[np.float64]:
    import numpy as np

    return values[np.isfinite(values)]


def reversed_log(log: Log) -> Log:
    """Return the log with the sign of its current turned: what went out went in, and the other way round."""
    pieces = tuple(
        replace(
            piece, flow=_OTHER[piece.flow], trace=_reversed(piece.trace), out_ah=piece.in_ah, in_ah=piece.out_ah,
            out_wh=piece.in_wh, in_wh=piece.out_wh,
        )
        for piece in log.pieces
    )  # fmt: skip
    jumps = tuple(replace(jump, before=_reversed(jump.before), after=_reversed(jump.after)) for jump in log.jumps)
    return replace(
        log, out_ah=log.in_ah, in_ah=log.out_ah, out_wh=log.in_wh, in_wh=log.out_wh, pieces=pieces, jumps=jumps
    )


def _reversed(trace: Trace) -> Trace:
    return replace(trace, amps=-trace.amps, ah=-trace.ah)


def direction(logs: list[Log], columns: Columns, sign: str | None, name: str) -> tuple[bool, str]:
    """
    Return whether the logs' current must be turned to be positive on discharge, and why.

    Raises
    ------
    InputError
        If what is stated contradicts the physics, or neither tells.
    """
    physics = sign_of_logs(logs)
    turned = columns.amps.factor < 0
    column = columns.amps.name
    stated = SIGNS[sign] * (-1 if turned else 1) if sign else (1 if turned else 0)
    if stated and physics.sign and stated != physics.sign:
        raise _contradiction(physics, column, sign, turned, name)
    if sign and turned and SIGNS[sign] > 0:
        what = f"the sign is stated twice, and differently: sign {sign!r} and columns 'amps=-{column}'"
        raise InputError.one(name, what, f"leave one of them out; {_seen(physics, turned)}")
    if physics.sign:
        return physics.sign < 0, f"positive is {_word(physics.sign, turned)} in the file: {physics.words}"
    if stated:
        return stated < 0, f"positive is {_word(stated, turned)} in the file, as stated; {physics.words}"
    if not physics.flows:
        return False, physics.words
    if columns.amps.way:
        way = columns.amps.way
        return way < 0, f"positive is {_word(way, turned)} in the file by the heading {column!r}; {physics.words}"
    if physics.mixed and physics.steps_for + physics.steps_against >= 3:
        what = f"column {column!r} seems to have no sign: {physics.words}"
    else:
        what = f"whether positive {column!r} is discharge or charge cannot be told: {physics.words}"
    mend = "state it: sign 'discharge' or sign 'charge', whichever positive current is"
    raise InputError.one(name, what, f"{mend} (or columns 'amps=-{column}' where it is charge)")


def _word(sign: int, turned: bool) -> str:
    return "discharge" if (sign > 0) != turned else "charge"


def _seen(physics: SignEvidence, turned: bool) -> str:
    return f"the voltage says that positive is {_word(physics.sign, turned)}" if physics.sign else "the voltage is flat"


def _contradiction(physics: SignEvidence, column: str, sign: str | None, turned: bool, name: str) -> InputError:
    right = _word(physics.sign, turned)
    said = f"sign {sign!r}" if sign else f"columns 'amps=-{column}'"
    write = f"sign {right!r}" if sign else f"columns 'amps={'-' if right == 'charge' else ''}{column}'"
    what = f"{said} contradicts the voltage, by which positive {column!r} is {right}: {physics.words}"
    return InputError.one(name, what, f"write {write}, or nothing; or check that the meter's leads are not crossed")
