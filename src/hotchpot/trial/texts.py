"""What a trial may have to say: one row of words for each code, filled in by `notable`, weightier rows first."""

from __future__ import annotations

from dataclasses import dataclass

from hotchpot.bank.verdict import Gate

CAUTION = (
    "Simulated, not measured: real batteries differ, and a wrong bank can burn, burst or gas. Maker's print, local "
    "codes and a licensed electrician come first."
)
SOLVED = "circuit solved step by step (methods: trial)"
NOTHING = "Nothing."
MOST_NAMED = 6  # names in one sentence


@dataclass(frozen=True, slots=True)
class Words:
    """The words of one code; `says` is filled with the facts of the case, `why` and `do` hold where it is not fine."""

    gate: Gate
    quantity: str
    unit: str
    says: str
    why: str
    do: str
    source: str = SOLVED


TEXTS = {
    "trial-balance": Words(
        Gate.WINDOW, "charge or energy that does not add up", "",
        "Of the charge {charge:.1e} and of the energy {energy:.1e} do not add up in this run.",
        "A run whose sums are off has steps too long for what happens in it.",
        "Do not use these figures; run it again with shorter steps.",
        "charge to 1e-6, energy to 1e-3: project rule",
    ),
    "trial-collapse": Words(
        Gate.CURRENT, "most power that the bank can give", "W",
        "The load asks, {when}, for more than the {value:.3g} W that the bank can still give at any voltage.",
        "Beyond that point more current gives less power: the voltage falls away, and inverters trip.",
        "Use a smaller load, a disconnect that opens earlier, or more units.",
        "P = E²/4R, the most a source behind a resistance can give",
    ),
    "trial-electronics-overstressed": Words(
        Gate.PROTECTION, "voltage across an open protection switch", "V",
        "{unit}'s protection opens {when} with {now} across it; up to {value:.3g} V can come to lie there "
        "({of}); it bears {limit:.3g} V.",
        "A switch that must block more than it is made for fails shorted, often with fire, and guards nothing then.",
        "Fewer units in series, or packs whose maker allows this many.",
        "unit's label (bms_max_v); " + SOLVED,
    ),
    "trial-internal-short": Words(
        Gate.WINDOW, "lowest charge of a lithium unit", "of capacity",
        "{unit} is driven {percent:.0f} % of its capacity below empty; {under_ah:.3g} Ah are forced through it in all.",
        "Beyond about 12 % below empty copper has grown through the separator: a short inside, now or on recharge.",
        "Cut off each cell by itself, and never charge a unit again that has been there.",
        "internal short seen after -12 % (chemistry data: overdischarge)",
    ),
    "trial-reversed": Words(
        Gate.WINDOW, "charge forced through an empty unit", "Ah",
        "{unit} is {empty}{depth} {when}: {low}.",
        "{harm}",
        "{do}",
        "chemistry data (reversal_v, overdischarge); " + SOLVED,
    ),
    "trial-over-voltage": Words(
        Gate.WINDOW, "highest voltage of a unit on charge", "V",
        "{unit} reaches {high} V {when}, {per_cell} V a cell{short}; {allowed} V is allowed.",
        "{harm}",
        "{do}",
    ),
    "trial-short-charged": Words(
        Gate.WINDOW, "charge current of a unit with a shorted cell", "A",
        "{unit} has a shorted cell and takes up to {value:.3g} A {when}, {ah:.3g} Ah in all.",
        "The cells that are left get the volts of the lost one too, and the short heats: lithium can burn, lead gas.",
        "Never charge it, and never charge this bank while it is in it: take it out first.",
        "a unit with a shorted cell is never charged: common practice, no source; " + SOLVED,
    ),
    "trial-plan-volts": Words(
        Gate.SITE, "nominal voltage of the bank", "V",
        "The bank is one of {value:.4g} V; the plan is made for {plan}.",
        "Cut-offs and chargers of another voltage end a run at once, or never.",
        "Arrange units for the plan's voltage, or write the plan for this bank.",
        "sums over the cells' lowest and highest voltages (chemistry data); a quarter apart: project rule",
    ),
    "trial-start": Words(
        Gate.UNIT, "rest voltage as read", "V",
        "{unit} begins at {percent:.0f} % here, but was read at {value:.3g} V: {what}. That contradicts it.",
        "A unit that is reversed or far below empty does not come back to such a charge: all that follows is too good.",
        "Read it again with the right leads; if it holds, leave it out.",
    ),
    "trial-low-volts": Words(
        Gate.WINDOW, "lowest voltage of a unit under load", "V",
        "{unit} is pressed down to {value:.3g} V {when}, {per_cell:.3g} V a cell, against {limit:.3g} V"
        "{forced}.",
        "Nothing looks at one unit: the others press it below its lowest voltage, and its weakest cell may reverse.",
        "Give {unit} its own cut-off, match the string in Ah, or cut the bank off higher.",
    ),
    "trial-fuse-loaded": Words(
        Gate.PROTECTION, "largest current of a fuse", "A",
        "{whose} carries up to {value:.3g} A, and more than its {limit:.3g} A for {when} in all, without opening.",
        "Above its rating a fuse ages and runs hot, and opens some day under a load that it has borne before.",
        "Keep the load below the rating, or fit a larger fuse only where cable and units bear it.",
        "a minute: project rule; " + SOLVED,
    ),
    "trial-gas": Words(
        Gate.SITE, "hydrogen made", "L",
        "{ah:.3g} Ah go into gas, over all units: {value:.3g} L of hydrogen if it leaves. Air in, air out, no sparks.",
        "Above 4 % in air it explodes: so much hydrogen is enough for {air_l:.2g} L of air; {sealed}.",
        "Air the room, openings low and high; no flame, no sparks, and no sealed box. Local codes decide.",
        "0.42 L/Ah a cell (IEC 62485-2, read second hand; Faraday's law); " + SOLVED,
    ),
    "trial-cycling": Words(
        Gate.SITE, "how many times it came and went", "",
        "Until {when} {what} {times} times; the run stops there.",
        "{why}",
        "{do}",
    ),
    "trial-open": Words(
        Gate.PROTECTION, "voltage across the opened place", "V",
        "{when} nothing can flow any more; open: {what}.",
        "The loads go dark at once; what stands open sees the whole voltage.",
        "Look at what opened first, below or in the events, and give it room.",
    ),
    "trial-fuse": Words(
        Gate.PROTECTION, "current when a fuse opened", "A",
        "{whose} opens {when} at {value:.3g} A.",
        "The branches left take its share at once, and their fuses follow.",
        "Find why that branch carries so much before fitting a larger fuse; never above what cable and unit bear.",
        "heating of a fuse as (I/In)² with one time constant: near IEC 60269 gates, from memory; " + SOLVED,
    ),
    "trial-electronics": Words(
        Gate.PROTECTION, "voltage across an open protection switch", "V",
        "{unit}'s protection opens {when}, {reason}; {now} {lie} across it{bears}, and {may}. In this run it "
        "stays open; {again}.",
        "Protection is the last resort, not the regulator: what it carried, the others must carry.",
        "Set the bank's cut-off or charger so that no unit's own protection has to act.",
        "chemistry data (discharge_min_v, charge_max_v) or label (bms_max_a); " + SOLVED,
    ),
    "trial-surge": Words(
        Gate.CURRENT, "joining current nearest its unit's limit", "A",
        "{unit} {gives} {value:.3g} A {when}, against {against}{opened}{most}; {moved_ah:.3g} Ah move.",
        "{why}",
        "{do}",
        "the judge's join-surge: fine to 0.2 of the limit and 10 % of the capacity, caution to 0.5; " + SOLVED,
    ),
    "trial-discharge-share": Words(
        Gate.CURRENT, "discharge current nearest its unit's limit", "A",
        "{unit} gives {up}{value:.3g} A {when}, against {against}; an equal share then is {equal:.3g} A"
        "{most}.",
        "Shares go by resistance at first, by the charge left in the end; a unit beyond its limit heats and ages.",
        "{do}",
    ),
    "trial-charge-share": Words(
        Gate.CURRENT, "charge current nearest its unit's limit", "A",
        "{unit} takes {up}{value:.3g} A {when}, against {against}; an equal share then is {equal:.3g} A"
        "{most}.",
        "Beyond its limit lithium plates and lead gasses and heats.",
        "{do}",
    ),
    "trial-heat": Words(
        Gate.WINDOW, "highest temperature of a unit", "°C",
        "{unit} reaches {value:.3g} °C {when}, {rise:.2g} K above its start; {limit:.3g} °C is allowed.{coldest}",
        "Heat halves the life every 10 K, and past its window a battery can run away.",
        "Less current, more air between the units, or a cooler place.",
    ),
    "trial-cold": Words(
        Gate.WINDOW, "lowest temperature of a unit that gives current", "°C",
        "{unit} gives current at {value:.2g} °C {when}; {limit:.3g} °C is the lowest allowed.",
        "In such cold resistance soars, and others must carry what it cannot.",
        "Insulate and warm it first, or take the load off until it is warmer.",
    ),
    "trial-charge-cold": Words(
        Gate.WINDOW, "charge taken in the cold", "Ah",
        "{own} takes {value:.3g} Ah below {limit:.3g} °C, the lowest it may be charged at: first {when}, at "
        "{first_c:.2g} °C{lowest}.{bms}{others}",
        "{why}",
        "Fit a charger or protection that stops the charge when the cells are too cold, or insulate and warm them.",
        "a thousandth of the capacity: project rule; " + SOLVED,
    ),
    "trial-freezing": Words(
        Gate.WINDOW, "lowest temperature above freezing acid", "°C",
        "{own}, at {percent:.0f} % and {value:.2g} °C, {is} {when}: its acid of {density} freezes near "
        "{freezes:.0f} °C{charged}.{others}",
        "Ice splits plates and cases, and a frozen cell that is charged may burst. A model's acid is not the cell's: "
        "it may freeze sooner.",
        "Keep lead charged in the cold, or warm it. Once it may be ice: thaw it slowly in a ventilated place, look for "
        "cracks, and only then charge it, gently.",
        "the judge's charge-frozen, 5 K above the freezing point; " + SOLVED,
    ),
    "trial-first-empty": Words(
        Gate.WINDOW, "time to the first empty unit", "h",
        "{unit} is empty{first}, {when}{left}.",
        "From there on others carry its part, or in a string it is driven below empty.",
        "Watch {unit} by itself, and end a discharge by its voltage.",
    ),
    "trial-short": Words(
        Gate.WINDOW, "time until it ends", "h",
        "It ends {when} of {wanted}: {reason}.",
        "{why}",
        "{do}",
    ),
    "trial-unfilled": Words(
        Gate.WINDOW, "charge when the charger is done", "%",
        "{own} holds {value:.0f} % {done}.{needs}{others}",
        "{why}",
        "{do}",
        "90 %: project rule; " + SOLVED,
    ),
    "trial-tap-dropped": Words(
        Gate.SITE, "taps left out", "",
        "What is tapped at {unit} is left out of this run, as its string is cut out.",
        "A load that hangs on a string that is gone is dark, or finds another way that nobody planned.",
        "Move the tap to a string that stays, or feed it from the whole bank through a converter.",
    ),
    "trial-unmet": Words(
        Gate.SITE, "energy that loads did without", "Wh",
        "Loads are cut off {times}, first {when}, for {off} in all, and do without {unmet}.",
        "The bank reaches its disconnect before the next charge.",
        "Use less, charge more, or add units.",
    ),
    "trial-standing": Words(
        Gate.WINDOW, "time that lead stands nearly empty", "h",
        "{own} stands below 20 % for the last {long}, and ends at {percent:.0f} %.{others}",
        "Lead that stands discharged sulphates within weeks, and its thin acid freezes early.",
        "Charge it fully within a day or two, or take the load off before it is so low.",
        "chemistry data: sulphation below 2.05 V a cell; 20 %, a day: project rules",
    ),
    "trial-settling": Words(
        Gate.CURRENT, "time to equalise", "h",
        "{settled} {after} after the joining; the largest current is down to half {half}.",
        "Flat curves equalise slowly: the voltages meet long before the charges do.",
        "Leave it joined, unloaded and watched until then, or charge each unit to full by itself first.",
    ),
    "trial-usable": Words(
        Gate.SITE, "charge given", "Ah",
        "It gives {value:.3g} Ah and {wh} until {reason}: {percent:.0f} % of the {limit:.3g} Ah that the labels "
        "promise so arranged, {percent_wh:.0f} % of their {label_wh}.",
        "Worn units, the smallest of each string, cold, resistance and rate take the rest.",
        "Plan with these figures, not with the labels.",
    ),
    "trial-losses": Words(
        Gate.SITE, "energy lost on the way", "Wh",
        "Of the labels' {labels}: {parts}.",
        "What is lost on the way turns into heat in units and cables.",
        "Shorter and thicker cables for links, less current for units.",
        "run's own ledger of energy; " + SOLVED,
    ),
    "trial-assumed": Words(
        Gate.UNIT, "values that were never measured", "",
        "This rests on values that nobody measured: {parts}.{best}",
        "Who carries what follows from just these; with others the answer may be another.",
        "Measure them to be sure: {tests}.",
        "hotchpot bench tells which reading settles most",
    ),
    "trial-typical": Words(
        Gate.UNIT, "values typical of the chemistry", "",
        "Taken from the chemistry's data, as memory or guess: {parts}.",
        "They shape minutes and warmth more than who carries what.",
        "A pulse or a slow run on the unit would replace them.",
        "chemistry data files, each value with its grade",
    ),
}  # fmt: skip
