r"""
Where the energy is that the labels promise: parts that add up to them.

For every unit the label's energy is cut, from what was never there to what is left inside:

.. math::
    E_\mathrm{label} =
    E_\mathrm{worn} + E_\mathrm{volts} + E_\mathrm{not\,charged} + E_\mathrm{curve} + E_\mathrm{inside}

with :math:`E(s) = n Q \int_0^s \mathrm{OCV}\,ds`, and what the curve gave up is what the run's ledger says became of
it: terminals, resistance, side currents, over-discharge; of what left the units' terminals, links took their part.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise

from hotchpot.bank.bank import Bank, Node
from hotchpot.chemistry import interpolate
from hotchpot.circuit.model import UnitModel
from hotchpot.circuit.record import Record
from hotchpot.circuit.run import Circuit
from hotchpot.trial.outcome import Share
from hotchpot.trial.wired import cut_out

GIVEN, CHARGED, TAPS = "given at the terminals", "taken in from the charger", "taken at taps"
RESISTANCE, LINKS = "lost in the units' resistance", "lost in links and cables"
SIDE, EXTRA = "lost to gas and self-discharge", "lost below empty and above full, to loops and warmth"
INSIDE, COLD = "still inside", "held by the cold"
UNCHARGED, WORN, VOLTS = "not charged at the start", "worn: never there", "volts other than the label's"


def label_of(bank: Bank, lost: Collection[str] = ()) -> tuple[float, float]:
    """Return what the labels promise without what is cut out: Ah in this arrangement, and the Wh of all units."""
    gone = cut_out(bank.root, lost)
    there = [s for s in bank.units if s.unit.id not in gone]
    return _label_ah(bank.root, gone), sum(s.unit.rated_ah * s.unit.cells * s.chem.num("nominal_v") for s in there)


def _label_ah(node: Node, gone: frozenset[str]) -> float:
    if not node.children:
        return node.states[0].unit.rated_ah
    parts = [_label_ah(child, gone) for child in node.children if not gone.issuperset(child.ids)]
    return min(parts) if node.is_series else sum(parts)


def energy_wh(model: UnitModel, soc: float) -> float:
    """Return the energy below a unit's open-circuit curve, up to a charge held to 0..1. [Wh]"""
    curve, soc = model.curve, min(max(soc, 0.0), 1.0)
    knots = [0.0, *(s for s in curve.soc if 0.0 < s < soc), soc]
    area = sum((b - a) * (curve.volts(a) + curve.volts(b)) / 2.0 for a, b in pairwise(knots))
    return area * model.cells * model.capacity_ah


def shares_of(bank: Bank, circuit: Circuit, record: Record, lost: Collection[str] = ()) -> tuple[Share, ...]:
    """
    Return where the labels' energy is after a run; the parts add up to the labels' sum. [Wh]

    What a charger brought counts as negative, as it is more than the labels promise. Parts below a thousandth of the
    labels' energy are left out, where all such parts together do not matter either. Units that are cut out, as `lost`
    are, have no part in it.
    """
    gone = cut_out(bank.root, lost)
    there = [k for k, name in enumerate(record.ids) if name not in gone]
    worn = volts = uncharged = cold = inside = beyond = 0.0
    ledger = record.ledger
    for k in there:
        state, model = bank.units[k], circuit.models[k]
        nominal_v = state.unit.cells * state.chem.num("nominal_v")
        worn += (state.unit.rated_ah - model.capacity_ah) * nominal_v
        full = energy_wh(model, 1.0)
        volts += model.capacity_ah * nominal_v - full
        begun = energy_wh(model, model.soc_frac)
        uncharged += full - begun
        left = begun - float(ledger.curve[k])
        held = energy_wh(
            model,
            min(
                cold_frac(model.capacity_by_warmth, float(record.temperature_c[-1, k])),
                float(record.soc_frac[-1, k]),
            ),
        )
        cold += held
        inside += max(left, 0.0) - held
        beyond += min(left, 0.0)
    net = record.bank_out_wh - record.bank_in_wh
    taps = float(ledger.out[there].sum()) - ledger.links - net
    shares = (
        Share(GIVEN, record.bank_out_wh),
        Share(CHARGED, -record.bank_in_wh),
        Share(TAPS, taps),
        Share(RESISTANCE, float(ledger.resistance[there].sum() + ledger.pairs[there].sum())),
        Share(LINKS, ledger.links),
        Share(SIDE, float(ledger.side[there].sum())),
        Share(EXTRA, float(ledger.extra[there].sum()) + beyond),
        Share(INSIDE, inside),
        Share(COLD, cold),
        Share(UNCHARGED, uncharged),
        Share(WORN, worn),
        Share(VOLTS, volts),
    )
    least = 1e-3 * label_of(bank, lost)[1]
    small = [share for share in shares if abs(share.wh) < least]
    if abs(sum(share.wh for share in small)) >= 2.0 * least:
        return shares
    return tuple(share for share in shares if abs(share.wh) >= least)


def cold_frac(by_warmth: Sequence[tuple[float, float]], temperature_c: float) -> float:
    """
    Return the part of the capacity that a temperature holds back, by pairs of °C and the part that is given there.

    >>> cold_frac([(-10.0, 0.75), (0.0, 0.85), (25.0, 1.0)], -5.0), cold_frac([], -5.0)
    (0.2, 0.0)
    """
    if not by_warmth:
        return 0.0
    return max(0.0, 1.0 - interpolate(temperature_c, [t for t, _ in by_warmth], [f for _, f in by_warmth]))
