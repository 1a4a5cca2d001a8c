"""Isolator, pre-charge and touch: what stands between a person and the bank."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.bank import open_v
from hotchpot.bank.rules.registry import Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.electrics.fault import precharge

TOUCH_V, TOUCH_MORE_V = 60.0, 120.0
HARMLESS_INRUSH_J = 1.0


@rule(
    "isolator",
    title="Isolator made for dc",
    gate=Gate.PROTECTION,
    questions=("build", "operate"),
    decides="what the isolator is rated for",
    source="common practice, no source: a dc arc does not pass through zero",
)
def isolator(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid an isolator made for alternating current."""
    kind = case.plan.protection.isolator
    if kind is None:
        yield self.unasked("protection.isolator", "Whether there is a dc-rated isolator is not stated.")
    elif kind != "dc":
        none = kind == "none"
        yield self.finding(
            Verdict.ONLY_IF if none else Verdict.FORBID,
            [s.unit.id for s in case.units],
            "isolator",
            says="There is no isolator." if none else "The isolator is made for alternating current.",
            why="Without one nothing can be worked on dead."
            if none
            else "A dc arc does not go out by itself: it burns on in the open switch.",
            do=f"Fit an isolator rated for {case.max_v:.0f} V dc and the main fuse's current, both poles if neither is earthed.",
        )


@rule(
    "precharge",
    title="Pre-charge of the inverter",
    gate=Gate.PROTECTION,
    questions=("build", "join", "operate"),
    decides="inrush current and energy into the inverter's capacitors",
    source="i = V/R, E = CV²/2; full to 95 % after three time constants",
)
def inverter_precharge(self: Rule, case: Case) -> Iterator[Outcome]:
    """Ask for a pre-charge resistor where the inrush would weld contacts."""
    protection = case.plan.protection
    if not protection.inverter_capacitance_mf or case.bank is None:
        return
    volts = max(open_v(case.bank.root), case.plan.duty.system_v or 0.0)
    if volts <= 0.0:
        return  # a reversed or dead bank is decided at the unit gate
    farad = protection.inverter_capacitance_mf * 1e-3
    bare = precharge(case.bank.root.resistance_ohm.value, farad, volts)
    ohm = protection.precharge_ohm
    if bare.energy_j < HARMLESS_INRUSH_J:
        verdict, done = Verdict.FINE, bare
    elif ohm:
        done = precharge(ohm, farad, volts)
        verdict = Verdict.FINE if done.time_s <= 60 else Verdict.CAUTION
    else:
        verdict, done = Verdict.ONLY_IF, bare
    yield self.finding(
        verdict,
        case.bank.root.ids,
        "inrush current",
        value=done.peak_a,
        unit="A",
        says=f"{protection.inverter_capacitance_mf:g} mF at {volts:.1f} V draw {done.peak_a:.3g} A at first, {done.energy_j:.2g} J"
        + (f", 95 % full in {done.time_s:.2g} s." if ohm else "."),
        why="Small."
        if verdict is Verdict.FINE
        else "It welds contacts, pits terminals and trips protection as a short would.",
        do="Hold pre-charge until the volts stand, then close."
        if verdict is Verdict.FINE
        else f"Pre-charge through about 47 Ω (peak {volts**2 / 47:.0f} W) for {3 * 47 * farad:.2g} s or more, then close the main.",
    )


@rule(
    "touch-voltage",
    title="Touch voltage",
    gate=Gate.PROTECTION,
    questions=("build", "join", "operate", "site"),
    decides="highest dc voltage of the bank against 60 and 120 V",
    source="IEC 62485-2 and IEC 60364-4-41 (limits from memory): 60 V dc without basic protection in dry places",
)
def touch(self: Rule, case: Case) -> Iterator[Outcome]:
    """Ask for covers above 60 V dc, and more above 120 V."""
    volts = case.max_v
    if volts <= TOUCH_V + 1e-9 or (case.bank is None and len(case.units) > 1):
        return
    covered = case.plan.site.touchable_bars is False
    high = volts > TOUCH_MORE_V
    verdict = Verdict.ONLY_IF if high or not covered else Verdict.FINE
    yield self.finding(
        verdict,
        [s.unit.id for s in case.units],
        "highest dc voltage",
        value=volts,
        limit=TOUCH_MORE_V if high else TOUCH_V,
        unit="V",
        says=f"The bank reaches {volts:.1f} V dc" + (", its bars covered." if covered else "."),
        why="Above 60 V dc a touch can kill; below it, arcs and burns still can."
        if not high
        else "Above 120 V dc more than covers is needed.",
        do="Nothing."
        if verdict is Verdict.FINE
        else "Cover every live part, use insulated tools, fit two-pole isolation and "
        "insulation monitoring; have a licensed electrician do or check the work.",
    )
