"""Links, take-off, joints, cable drop, midpoints and taps: what the copper does to equal units."""

from __future__ import annotations

from collections.abc import Iterator
from typing import cast

from hotchpot.bank.bank import Node
from hotchpot.bank.plan import Wiring
from hotchpot.bank.rules.registry import Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.electrics.conductors import cable_resistance_ohm, copper_factor, iec_60228_ohm_per_km
from hotchpot.electrics.sharing import Takeoff, ladder_shares
from hotchpot.errors import InputError

SHARE_FINE, SHARE_BAD = 1.2, 1.5
JOINT_MOHM, JOINT_MV = 0.2, 20.0
DROP_FRAC = 0.03
COPPER_WORKING_C, STRANDING = 40.0, 1.13  # class 5 runs to 13 % above solid copper of its nominal area
TAP_DAYS = 10.0


@rule(
    "take-off",
    title="Where the leads are taken off",
    gate=Gate.CURRENT,
    questions=("build", "join", "operate"),
    decides="largest branch current over the mean, from link and unit resistance",
    source="ladder network solved exactly; limit 1.2: engineering guess",
)
def takeoff(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the share error of a daisy chain to what units can bear, in every group of the bank."""
    wiring = case.plan.wiring
    if case.bank is None or not case.parallels or wiring.takeoff == "busbar":
        return
    if wiring.takeoff is None or wiring.link_mohm is None:
        yield self.unasked("wiring.takeoff and wiring.link_mohm", "Where the leads leave the bank is not stated.")
        return
    link_ohm, where = wiring.link_mohm * 1e-3, cast(Takeoff, wiring.takeoff)
    rows = []
    for node in case.parallels:
        ohms = [child.resistance_ohm.value for child in node.children]
        shares = ladder_shares(len(ohms), sum(ohms) / len(ohms), link_ohm, where)
        rows.append((max(shares) * len(shares), shares, node))
    worst, shares, node = max(rows, key=lambda row: row[0])
    yield _takeoff_finding(self, node, worst, shares, wiring)


def _takeoff_finding(self: Rule, node: Node, worst: float, shares: tuple[float, ...], wiring: Wiring) -> Outcome:
    verdict = Verdict.FORBID if worst > SHARE_BAD else Verdict.ONLY_IF if worst > SHARE_FINE + 1e-6 else Verdict.FINE
    where = "at the same end" if wiring.takeoff == "same_end" else "diagonally"
    mean_ohm = sum(child.resistance_ohm.value for child in node.children) / len(node.children)
    return self.finding(
        verdict,
        node.ids,
        "largest share over mean",
        value=worst,
        limit=SHARE_FINE,
        says=f"{len(shares)} branches of {1000 * mean_ohm:.2g} mΩ, links of {wiring.link_mohm:g} mΩ, taken off {where}: "
        f"{100 * max(shares):.0f} % of the current in one, {100 * min(shares):.0f} % in another.",
        why="The unit nearest the leads works hardest and ages first."
        if verdict is not Verdict.FINE
        else "Near enough equal.",
        do="Nothing."
        if verdict is Verdict.FINE
        else "Take one lead off each end (diagonally), or better, give every branch its own equal leads to a busbar.",
    )


@rule(
    "joints",
    title="Bolted joints",
    gate=Gate.PROTECTION,
    questions=("build", "operate"),
    decides="joint resistance and its drop at the largest load",
    source="0.2 mΩ, 20 mV: common practice, no source",
)
def joints(self: Rule, case: Case) -> Iterator[Outcome]:
    """Warn of joints that will heat."""
    mohm = case.plan.wiring.joint_mohm
    if mohm is None:
        return
    load = case.load_a
    drop_mv = None if load is None else mohm * load
    heat_w = None if load is None else mohm * 1e-3 * load**2
    bad_drop = drop_mv is not None and drop_mv > JOINT_MV
    if mohm <= JOINT_MOHM + 1e-9 and not bad_drop:
        return
    hot = heat_w is not None and heat_w > 5.0
    yield self.finding(
        Verdict.FORBID if hot else Verdict.ONLY_IF,
        [s.unit.id for s in case.units],
        "joint resistance",
        value=mohm,
        limit=JOINT_MOHM,
        unit="mΩ",
        says=f"A joint of {mohm:g} mΩ"
        + ("." if load is None else f" drops {drop_mv:.0f} mV and makes {heat_w:.1f} W at {load:.3g} A."),
        why="A loose or dirty joint heats, loosens further, and starts fires.",
        do="Clean to bright metal, use the right lug and torque, and measure again: 20 mV or less at full load.",
    )


@rule(
    "cable-drop",
    title="Drop along the cable",
    gate=Gate.PROTECTION,
    questions=("build", "operate"),
    decides="voltage lost along the run against 3 % of the system",
    source="IEC 60228 class 5 at 40 °C; 2 to 3 %: common practice, no source",
)
def drop(self: Rule, case: Case) -> Iterator[Outcome]:
    """Warn of a run that loses more than 3 %."""
    wiring, load = case.plan.wiring, case.load_a
    if wiring.cable_mm2 is None or not wiring.run_m or load is None or case.bank is None:
        return
    lost = 2.0 * _cable_ohm(wiring.cable_mm2, wiring.run_m) * load
    frac = lost / case.bank.root.nominal_v
    if frac <= DROP_FRAC:
        return
    yield self.finding(
        Verdict.CAUTION,
        case.bank.root.ids,
        "voltage lost in the cable",
        value=frac,
        limit=DROP_FRAC,
        says=f"{wiring.run_m:g} m of {wiring.cable_mm2:g} mm² lose {lost:.2g} V, {100 * frac:.1f} %, at {load:.3g} A.",
        why="The load sees a low voltage and cuts off early; the lost energy heats the cable.",
        do=f"Use {wiring.cable_mm2 * frac / DROP_FRAC:.0f} mm² or more, or shorten the run.",
    )


def _cable_ohm(area_mm2: float, run_m: float) -> float:
    """Resistance of one conductor at working warmth: the standard's largest for flexible cable, where it has the size."""
    try:
        r20 = iec_60228_ohm_per_km(area_mm2) * 1e-3 * run_m
    except InputError:  # a size between the standard's: pure copper, and what stranding and lay add at most
        r20 = STRANDING * cable_resistance_ohm(area_mm2, run_m)
    return r20 * copper_factor(COPPER_WORKING_C)


@rule(
    "midpoints",
    title="Midpoints tied together",
    gate=Gate.PROTECTION,
    questions=("build", "join", "operate"),
    decides="whether the midpoints of parallel strings are linked",
    source="a lithium maker's manual: no midpoint links; for lead, common practice",
)
def midpoints(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid linking midpoints of protected lithium strings."""
    if not case.plan.wiring.midpoints_tied or case.bank is None:
        return
    lithium = any(s.chem.kind == "lithium" for s in case.units)
    yield self.finding(
        Verdict.FORBID if lithium else Verdict.CAUTION,
        case.bank.root.ids,
        "midpoint links",
        says="Midpoints of the strings are tied together.",
        why="Current passes around each string's protection, which no longer sees what its cells carry."
        if lithium
        else "It makes groups of the halves, which then must match in Ah; each link needs a fuse, and a bad unit hides.",
        do="Take the links out."
        if lithium
        else "Fuse each link, and only tie strings whose halves agree in measured Ah.",
    )


@rule(
    "tap",
    title="Loads taken from part of the bank",
    gate=Gate.CURRENT,
    questions=("build", "join", "operate", "discharge", "tap"),
    decides="Ah a day drawn from part of a string against what an equaliser gives back",
    source="physics: charge drawn below a tap is not returned by charging the string",
)
def tap(self: Rule, case: Case) -> Iterator[Outcome]:
    """Forbid a tap that unbalances the string by more than a balancer gives back."""
    if case.bank is None:
        return
    for load in case.plan.wiring.taps:
        if not load.amps:
            yield self.unasked("wiring.taps amps", "A tap is stated without its current.")
            continue
        if not any(load.below is None or load.below in node.ids for node in case.strings):
            continue  # with nothing in series, a tap is the whole bank
        hours = 24.0 if load.hours_per_day is None else load.hours_per_day
        daily = load.amps * hours
        back = (case.plan.protection.balancer_mah_per_day or 0.0) / 1000.0
        capacity = case.bank.root.capacity_ah.value
        short = daily - back
        verdict = Verdict.FINE
        if short > 1e-9:
            lithium = any(s.chem.kind == "lithium" for s in case.units)
            verdict = Verdict.FORBID if lithium or short * TAP_DAYS > capacity else Verdict.ONLY_IF
        yield self.finding(
            verdict,
            [load.below] if load.below else case.bank.root.ids,
            "imbalance a day",
            value=daily,
            limit=back,
            unit="Ah",
            says=f"A tap of {load.amps:g} A draws {daily:.3g} Ah a day from part of the string; {back:.3g} Ah a day is given back.",
            why="The part below the tap empties and is reversed while the rest is overcharged.",
            do="Nothing."
            if verdict is Verdict.FINE
            else f"Take the load off the whole bank through a DC-DC converter, or fit an equaliser of {load.amps:g} A or more.",
        )
