"""What the bench says of a discharge run that tells no capacity, or tells it badly."""

from __future__ import annotations

import math

from hotchpot.bench.remark import Remark, Weight
from hotchpot.pile.unit import Unit

PRACTICE = "common practice, no source"
RULE = "project rule"
ALONE = "Stay with it, stop at the cut-off, and recharge soon."


def run_aborted(
    unit: Unit, *, end_v: float | None, cutoff_v: float, drawn_ah: float, left_ah: float, limit_frac: float
) -> Remark:
    """Return the refusal of a run that did not reach its cut-off, with what was still to come."""
    share = left_ah / drawn_ah
    if end_v is None:
        to_come = "no voltage was read under load"
    elif math.isinf(left_ah):
        to_come = "and its voltage was not falling, so what was still to come is not known"
    else:
        to_come = f"by the slope there about {left_ah:.3g} Ah, {share:.1%} of what was drawn, was still to come"
    ended = "its end" if end_v is None else f"it ended at {end_v:.4g} V"
    return Remark(
        code="run-aborted",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"the run drew {drawn_ah:.4g} Ah and did not reach its cut-off of {cutoff_v:.4g} V: {ended}, {to_come}",
        why="a capacity is what is drawn down to the cut-off; an aborted run only says that there is at least so much",
        do=f"Charge it fully, rest it, and run it down to {cutoff_v:.4g} V in one go. {ALONE}",
        source=f"a capacity test ends at its cut-off: IEEE 450 and IEC 60896 (from memory); {limit_frac:.0%}: {RULE}",
        value=share if math.isfinite(share) else None,
        limit=limit_frac,
        unit="1",
    )


def cutoff_missed(unit: Unit, end_v: float, cutoff_v: float) -> Remark:
    """Return the refusal of a run whose cut-off was passed before its first voltage."""
    return Remark(
        code="cutoff-missed",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"every voltage of the run is at or below the cut-off of {cutoff_v:.4g} V, down to {end_v:.4g} V",
        why="when it passed the cut-off is not known; or the cut-off, or the count of cells, is not this unit's",
        do="Check the cells and the cut-off. If they are right, run it again from full and note the volts on the way. "
        + ALONE,
        source=RULE,
        value=end_v,
        limit=cutoff_v,
        unit="V",
    )


def gap_in_run(unit: Unit, gap_s: float, at_stake_ah: float, drawn_ah: float, limit_frac: float) -> Remark:
    """Return the refusal of a run with too much of it unseen."""
    share = at_stake_ah / drawn_ah
    return Remark(
        code="gap-in-run",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{gap_s / 60:.3g} minutes of the run have no samples; {at_stake_ah:.3g} Ah, {share:.1%} of it, is unseen",
        why="whether current flowed in a gap is not known, so the charge in it is not either",
        do="Run it again with the logger on throughout.",
        source=RULE,
        value=share,
        limit=limit_frac,
        unit="1",
    )


def charged_in_run(unit: Unit, charged_ah: float, drawn_ah: float) -> Remark:
    """Return the refusal of a run in which the unit was charged as well."""
    return Remark(
        code="charged-in-run",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{charged_ah:.3g} Ah flowed into the unit inside the run, which drew {drawn_ah:.4g} Ah on balance",
        why="a capacity is drawn in one discharge; what is put back in between counts by its efficiency, not known",
        do="Take chargers, panels and turbines off, charge it fully, and run it down in one go. " + ALONE,
        source=PRACTICE,
        value=charged_ah,
        unit="Ah",
    )


def no_load(unit: Unit) -> Remark:
    """Return the refusal of a run in which nothing was drawn."""
    return Remark(
        code="no-load",
        weight=Weight.REFUSED,
        subject=unit.id,
        says="no current was drawn over any length of time",
        why="current counts positive on discharge; a run of nothing but charge or rest tells no capacity",
        do="Check the sign of the current and which column it is; on discharge it must be above zero.",
        source=RULE,
    )


def current_unknown(unit: Unit) -> Remark:
    """Return the refusal of a run whose current is not a number somewhere."""
    return Remark(
        code="current-unknown",
        weight=Weight.REFUSED,
        subject=unit.id,
        says="the current of the run is not known throughout",
        why="a charge is current times time; through a resistor the current falls with the voltage",
        do="Note the amps, or the volts at the start, on the way and at the end with the ohms of the resistor.",
        source=RULE,
    )


def cutoff_high(unit: Unit, cutoff_v: float, own_v: float, left_frac: float) -> Remark:
    """Return the doubt of a capacity down to a cut-off well above the chemistry's."""
    return Remark(
        code="cutoff-high",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the run counts to {cutoff_v:.4g} V, where {own_v:.4g} V is usual for {unit.cells} cells of its kind",
        why=f"by the slope there about {min(left_frac, 1.0):.0%} of the capacity lies between the two",
        do=f"Give {own_v:.4g} V as the cut-off, and read the run to there.",
        source=unit.chem.cite("discharge_min_v"),
        value=cutoff_v,
        limit=own_v,
        unit="V",
    )


def cutoff_low(unit: Unit, cutoff_v: float, own_v: float) -> Remark:
    """Return that a run was to end below the chemistry's empty voltage, to which alone it counts."""
    return Remark(
        code="cutoff-low",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the run was to end at {cutoff_v:.4g} V; it counts to {own_v:.4g} V, where {unit.cells} cells of its "
        "kind are empty",
        why="so deep a discharge harms it, and nobody may reckon with the charge below empty",
        do=f"Give {own_v:.4g} V as the cut-off, and do not run it deeper.",
        source=unit.chem.cite("discharge_min_v"),
        value=cutoff_v,
        limit=own_v,
        unit="V",
    )


def run_past(unit: Unit, past_ah: float, cutoff_v: float, *, lowest_v: float) -> Remark:
    """Return the note that a run went on past its cut-off: by charge, or by volts."""
    went = f"went {past_ah:.3g} Ah past {cutoff_v:.4g} V, " if past_ah > 0.0 else "went "
    counts = f"; the capacity counts to {cutoff_v:.4g} V" if past_ah > 0.0 else f", below {cutoff_v:.4g} V"
    return Remark(
        code="run-past",
        weight=Weight.NOTED,
        subject=unit.id,
        says=f"the run {went}down to {lowest_v:.4g} V{counts}",
        why="below its cut-off a battery is harmed, and its weakest cell may be driven into reversal",
        do="Recharge it at once, watch it for heat, read its rest voltage a day later, and stop earlier next time.",
        source=PRACTICE,
        value=lowest_v,
        limit=cutoff_v,
        unit="V",
    )


def paused(unit: Unit, paused_h: float, hours: float) -> Remark:
    """Return the doubt of a run with rests inside."""
    return Remark(
        code="run-paused",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the run rested for {paused_h:.3g} h inside its {hours:.3g} h of load",
        why="a battery recovers while it rests, so it gives more than in one go",
        do="Run it again from full without a rest, at the same current.",
        source="the kinetic model shows the recovery: Manwell and McGowan, Solar Energy 50 (1993) 399",
        value=paused_h,
        unit="h",
    )


def temperature_unknown(unit: Unit, assumed_c: float, limit_k: float) -> Remark:
    """Return the doubt of a capacity brought to 25 °C from a temperature that was not read."""
    return Remark(
        code="temperature-unread",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the temperature of the run was not read; {assumed_c:.0f} °C is taken, give or take {limit_k:.0f} K",
        why="cold takes capacity away, so a cold run looks like a worn battery",
        do="Hold a thermometer to the middle of the case at the end of the run, and note it.",
        source=PRACTICE,
    )


def temperature_far(unit: Unit, temperature_c: float) -> Remark:
    """Return the doubt of a capacity from a temperature beyond the tables."""
    return Remark(
        code="temperature-far",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the run was at {temperature_c:.3g} °C, beyond −20 to 40 °C",
        why="the correction to 25 °C is not known there; that of the nearest end is used",
        do="Bring it to room temperature for a day, charge it fully, and run it again.",
        source=unit.chem.cite("capacity_t_slow"),
        value=temperature_c,
        unit="°C",
    )


def rate_far(unit: Unit, ratio: float, limit: float) -> Remark:
    """Return the doubt of a capacity from a rate far from the rated one."""
    far = ratio if ratio > 1.0 else 1.0 / ratio
    return Remark(
        code="rate-far",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the run drew {far:.2g} times {'more' if ratio > 1.0 else 'less'} current than the rated "
        f"{unit.rated_hours:g} h take",
        why="one exponent does not reach that far: near both ends it changes",
        do=f"Run it again at less than {limit:g} times the rated current, {unit.rated_ah / unit.rated_hours:.3g} A.",
        source=RULE,
        value=ratio,
        limit=limit,
        unit="1",
    )
