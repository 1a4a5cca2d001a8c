"""
Whether a log shows that a unit was full when a run began: by the end of a charge, or by a rest voltage at full.

A run that begins half full draws what was in the unit, not what it holds: its charge is a lower bound of the capacity.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from hotchpot.bench.discharge.run_remarks import full_not_shown
from hotchpot.bench.estimate import Estimate, Line, Shape
from hotchpot.bench.trace import Flow, Piece
from hotchpot.pile.unit import Unit

BEGAN_FULL = "began_full"  # the fact of a logged run: 1 where the log shows it, 0 where it does not
LEAST_CHARGED_FRAC = 0.95  # of the charge drawn before, put back: below, a run did not begin full
TAIL_C = 0.05  # over the rated capacity: a charge at its voltage has ended below it; common practice, no source
NEARLY = 0.99  # of the lowest charge voltage: leads and a logger's gain; project rule
USED_FRAC = 0.05  # of the rated capacity drawn: full no more; project rule
_LAST = 5  # samples, for the current at the end of a charge


def began_full(before: Sequence[Piece], unit: Unit, *, was_full: bool, charged_frac: float | None) -> bool:
    """
    Tell whether a log shows a unit full before a run.

    Parameters
    ----------
    before : sequence of Piece
        What the log holds since the last run, with that run, or since its beginning.
    unit : Unit
        The pile entry.
    was_full : bool
        Whether the last run was shown to begin full; with what it drew put back, this one begins as full as that one.
    charged_frac : float, optional
        How much of the last run's charge was put back; None where there was no run before.
    """
    full = was_full and charged_frac is not None and charged_frac >= LEAST_CHARGED_FRAC
    charged = False
    for k, piece in enumerate(before):
        if piece.flow is Flow.CHARGE:
            charged = True
            full = full or _ends_full(piece, unit)
        elif piece.flow is Flow.REST:
            full = full or _rests_full(piece, unit, charged=charged)
        elif k > 0 and piece.out_ah > USED_FRAC * unit.rated_ah:
            full = charged = False
    return full


def at_least(rated: Estimate, unit: Unit) -> Estimate:
    r"""
    Return a capacity with the doubt of a run that was not shown to begin full; any other as it is.

    Notes
    -----
    .. math:: u = \max(0, C - Q) / \sqrt 3

    The unit may hold as much as its label says, and all between is as likely: a one-sided error that is not corrected
    (JCGM 100:2008, F.2.4.5), as a rectangle of that half-width, so that the run neither outvotes one from full nor
    contradicts it. *C*: rated capacity, *Q*: what the run tells. [Ah]
    """
    if rated.value is None or rated.facts.get(BEGAN_FULL) != 0.0:
        return rated
    missing = max(0.0, unit.rated_ah - rated.value) / math.sqrt(3.0)
    line = (Line("may not have begun full", missing, Shape.RECTANGULAR),) if missing > 0.0 else ()
    return replace(rated, budget=(*rated.budget, *line)).saying(full_not_shown(unit, rated.value))


def _ends_full(piece: Piece, unit: Unit) -> bool:
    """Tell whether a charge went to the end: at its voltage to a small current, or by its amp-hours alone."""
    chem, trace = unit.chem, piece.trace
    if piece.in_ah * chem.num("coulombic_eff") >= LEAST_CHARGED_FRAC * unit.rated_ah:
        return True
    band = chem.band("absorb_v")
    volts = [float(v) for v in trace.volts if math.isfinite(v)]
    if band is None or not volts or chem.kind == "nickel":
        return False
    last = sorted(abs(float(a)) for a in trace.amps[-_LAST:])
    return max(volts) >= NEARLY * unit.cells * band[0] and last[len(last) // 2] <= TAIL_C * unit.rated_ah


def _rests_full(piece: Piece, unit: Unit, *, charged: bool) -> bool:
    """
    Tell whether a rest voltage is that of a full unit; nickel's never tells.

    Just after a charge that did not go to the end, lead reads like full by the charge on its plates' surface: there it
    must have rested for the least hours of its kind.
    """
    chem = unit.chem
    volts = [float(v) for v in piece.trace.volts if math.isfinite(v)]
    if chem.kind == "nickel" or not volts:
        return False
    if chem.kind == "lead" and charged and (piece.end_s - piece.start_s) / 3600.0 < chem.num("rest_h_min"):
        return False
    full_v = max(chem.ocv.volts(1.0) - chem.num("ocv_curve_sd"), chem.ocv.volts(0.95))
    return volts[-1] >= unit.cells * full_v
