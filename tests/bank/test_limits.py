"""
Every number that a rule decides on, pinned from both sides: one case just inside, one just outside, with both verdicts.

The inputs are worked out by hand from the limit and the law beside it (Ohm, Kirchhoff, JCGM 100 for doubts), never read
off the program. `source` says what stands behind the limit itself: a standard, common practice without a source, a
project rule, an engineering guess, or a value of the chemistry files, which have their own source and grade.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from types import ModuleType
from typing import Any, NamedTuple

import pytest
from referee import unit

from hotchpot import desk
from hotchpot.bank import rules
from hotchpot.bank.planfile import parse_plan
from hotchpot.bank.rules import RULES
from hotchpot.bank.verdict import Finding
from hotchpot.chemistry import chemistry
from hotchpot.pile.unit import Unit

PRACTICE = "common practice, no source"
PROJECT = "project rule (docs/methods/judge.md)"
GUESS = "engineering guess"
STANDARD = "standard: "
DATA = "chemistry data: "
SILENT, FINE, CAUTION, ONLY_IF, FORBID = "silent", "fine", "caution", "only-if", "forbid"

CELLS = {"lead_agm": 6, "lead_flooded": 6, "lead_gel": 6, "lfp": 4, "nmc": 4, "nicd": 10, "nimh": 10, "nife": 10}
Side = tuple[object, str]


class Limit(NamedTuple):
    """
    One limit of one rule.

    `@` in `pile` or `plan` is what varies; `inside` and `outside` are its values with the verdict that the rule then
    gives, or part of its words where the limit changes only those. `pins` is the constant, as module.NAME.
    """

    code: str
    limit: str
    source: str
    pile: str
    plan: str
    inside: Side
    outside: Side
    quantity: str = ""
    pins: str = ""

    @property
    def name(self) -> str:
        """The row in one line."""
        return f"{self.code}: {self.limit}"


def units(text: str) -> list[Unit]:
    """Return units of 100 Ah, good, full and rested, but for what is said: `a lead_agm rest_v=12.6; b lfp`."""
    made = []
    for row in text.split(";"):
        name, chem, *facts = row.split()
        known = dict(fact.split("=") for fact in facts)
        values = {key: told(key, text) for key, text in known.items()}
        if "rest_v" in values:
            values.setdefault("soc_frac", None)
        cells, ah = values.pop("cells", CELLS[chem]), values.pop("rated_ah", 100.0)
        made.append(unit(name, chem, cells, ah, **values))
    return made


def told(key: str, text: str) -> object:
    """Return a fact of a pile entry from its text."""
    if text in ("yes", "no", "none"):
        return {"yes": True, "no": False, "none": None}[text]
    if key == "gravity":
        return tuple(float(part) for part in text.split(","))
    return int(text) if key in ("cells", "max_in_series", "max_in_parallel") else float(text)


def findings(row: Limit, value: object) -> list[Finding]:
    """Return what the row's rule says with `value` in place of the `@`."""
    pile = units(row.pile.replace("@", str(value)))
    first, *rest = row.plan.replace("@", str(value)).split("; ")
    question, _, expression = first.partition(": ")
    plan = parse_plan("\n".join([f'question = "{question}"', *rest]), name="plan.toml")
    said = desk.judge_bank(expression or None, pile, plan).judgement.findings
    return [f for f in said if f.code == row.code and row.quantity in f.quantity]


def keeps(row: Limit, side: Side) -> bool:
    """Tell whether the rule gives the verdict, or the words, that this side of the limit calls for."""
    value, wanted = side
    said = findings(row, value)
    if wanted == SILENT:
        return not said
    if wanted in (FINE, CAUTION, ONLY_IF, FORBID):
        return bool(said) and str(max((f.verdict for f in said), key=lambda v: v.rank)) == wanted
    return any(wanted in f"{f.says} {f.why} {f.do}" for f in said)


def gap_v(amps: float) -> float:
    """
    Return how far below 12.75 V a unit stands that joins another at so many amps, at their 95th percentile. [V]

    Two AGM units of 5.4 mΩ and bare links: I = E/R, u² = (u_E/R)² + (I u_R/R)² (JCGM 100, 5.1.2); a meter's doubt is
    0.05 % of each reading (two counts of 10 mV where that is more), a resistance's 10 %.
    """
    ohm, low, high = 10.8e-3, 0.0, 5.0
    for _ in range(60):
        gap = (low + high) / 2
        meter = math.hypot(0.0005 * 12.75, max(0.02 / math.sqrt(12), 0.0005 * (12.75 - gap)))
        doubt = math.hypot(meter / ohm, gap / ohm * math.hypot(0.54e-3, 0.54e-3) / ohm)
        low, high = (gap, high) if gap / ohm + 1.6449 * doubt < amps else (low, gap)
    return low


def at_gap(amps: float) -> str:
    """Return the rest voltage of the lower unit."""
    return f"{12.75 - gap_v(amps):.5f}"


PAIR = "a lead_agm rest_v=12.75; b lead_agm rest_v=@"
BARE = "; wiring.link_mohm=0"
TWO = "a lead_agm; b lead_agm"


def named(count: int, chem: str) -> str:
    """Return so many equal units: u1 to u9."""
    return "; ".join(f"u{i} {chem}" for i in range(1, count + 1))


UNIT_LIMITS = [
    # 6 cells: 10.5 V and 11.6 V; 4 cells: 8 V and 10 V; 10 cells: 10 V
    Limit("unit-rest-voltage", "lead 1.75 V a cell", DATA + "reject_rest_v",
          "a lead_agm rest_v=@", "accept", (10.51, ONLY_IF), (10.49, FORBID)),
    Limit("unit-rest-voltage", "lead 1.933 V a cell, all alive", DATA + "live_cells_v",
          "a lead_agm rest_v=@", "accept", (11.60, SILENT), (11.59, ONLY_IF)),
    Limit("unit-rest-voltage", "lead 1.933 V a cell, to be joined", DATA + "live_cells_v",
          "a lead_agm rest_v=@; b lead_agm", "join: a // b", (11.60, SILENT), (11.59, FORBID)),
    Limit("unit-rest-voltage", "lithium iron phosphate 2.0 V a cell", DATA + "reject_rest_v",
          "a lfp rest_v=@", "accept", (8.01, ONLY_IF), (7.99, FORBID)),
    Limit("unit-rest-voltage", "lithium iron phosphate 2.5 V a cell", DATA + "discharge_min_v",
          "a lfp rest_v=@", "accept", (10.01, SILENT), (9.99, ONLY_IF)),
    Limit("unit-rest-voltage", "layered lithium 2.0 V a cell", DATA + "reject_rest_v",
          "a nmc rest_v=@", "accept", (8.01, ONLY_IF), (7.99, FORBID)),
    Limit("unit-rest-voltage", "nickel-cadmium 1.0 V a cell", DATA + "discharge_min_v",
          "a nicd rest_v=@", "accept", (10.01, SILENT), (9.99, CAUTION)),
    # 1.95 V a cell is above 1.933 V and below the empty flooded cell's 1.965 V
    Limit("unit-rest-voltage", "a dead cell hides among more than six", PROJECT,
          "a lead_flooded cells=@", "accept", ("6 rest_v=11.7", SILENT), ("7 rest_v=13.65", ONLY_IF),
          pins="units.CELLS_OF_A_BLOCK"),
    # 0.7 x 6 cells of 2.1 V at four fifths of their charge are 8.82 V
    Limit("unit-rest-voltage", "reads as seven tenths of its cells", PROJECT,
          "a lead_agm rest_v=@", "accept", (8.85, "shorted cell takes"), (8.79, "count is entered wrong"),
          pins="units.MISLABELLED_FRAC"),
    # half of 2.0 V a cell
    Limit("unit-rest-voltage", "its protection has switched off", PROJECT,
          "a lfp rest_v=@", "accept", (4.05, "copper dissolves"), (3.95, "protection has switched off")),
    Limit("unit-rest-voltage", "lithium 0.02 V a cell above full", GUESS,
          "a lfp rest_v=@", "accept", (14.678, SILENT), (14.682, FORBID)),
    Limit("unit-rest-voltage", "lead 0.15 V a cell above its charge limit", GUESS,
          "a lead_agm rest_v=@", "accept", (15.59, SILENT), (15.61, ONLY_IF)),
    Limit("unit-polarity", "below zero", PRACTICE,
          "a lead_agm rest_v=@", "accept", (0.01, SILENT), (-0.01, FORBID)),
    Limit("unit-warm", "1 K at rest", PRACTICE,
          "a lead_agm rest_rise_k=@", "accept", (0.98, SILENT), (1.02, FORBID)),
    Limit("unit-capacity", "80 % of rated", STANDARD + "IEEE 450, IEEE 1188 (standby replacement line)",
          "a lead_agm capacity_ah=@", "accept", (80, FINE), (79, CAUTION)),
    Limit("unit-capacity", "lead, 5 % above its reject line", PRACTICE,
          "a lead_agm capacity_ah=@", "accept", (65.2, CAUTION), (64.8, ONLY_IF)),
    Limit("unit-capacity", "lead 60 % of rated", DATA + "reject_capacity_frac",
          "a lead_agm capacity_ah=@", "accept", (60.1, ONLY_IF), (59.9, FORBID)),
    Limit("unit-capacity", "lithium 70 % of rated", DATA + "reject_capacity_frac",
          "a lfp capacity_ah=@", "accept", (70.1, CAUTION), (69.9, FORBID)),
    # a good 100 Ah AGM unit: 6 x 90 mΩ·Ah / 100 Ah = 5.4 mΩ
    Limit("unit-resistance", "1.5 times a good unit's", STANDARD + "IEEE 1188, +20 to +50 % (from memory)",
          "a lead_agm resistance_mohm=@", "accept", (8.08, SILENT), (8.12, CAUTION)),
    Limit("unit-resistance", "twice a good unit's", PRACTICE,
          "a lead_agm resistance_mohm=@", "accept", (10.78, CAUTION), (10.82, FORBID)),
    Limit("unit-resistance", "a tenth of a good unit's", PROJECT,
          "a lead_agm resistance_mohm=@", "accept", (0.545, SILENT), (0.535, ONLY_IF),
          pins="condition.IMPLAUSIBLE_RATIO"),
    Limit("unit-gravity", "0.025 apart", STANDARD + "US Army TM 9-6140-200-14",
          "a lead_flooded gravity=1.27,@", "accept", (1.2455, SILENT), (1.2445, CAUTION)),
    Limit("unit-gravity", "0.050 apart", "equipment manuals",
          "a lead_flooded gravity=1.27,@", "accept", (1.2205, CAUTION), (1.2195, FORBID)),
    # good: AGM 2.5 % a month, lithium iron phosphate 3 %
    Limit("unit-self-discharge", "lead, twice a good unit's", PRACTICE,
          "a lead_agm self_discharge_frac_month=@", "accept", (0.0495, SILENT), (0.0505, CAUTION)),
    Limit("unit-self-discharge", "lead, four times a good unit's", PROJECT,
          "a lead_agm self_discharge_frac_month=@", "accept", (0.099, CAUTION), (0.101, ONLY_IF)),
    Limit("unit-self-discharge", "lithium, twice a good unit's", PRACTICE,
          "a lfp self_discharge_frac_month=@", "accept", (0.0595, SILENT), (0.0605, ONLY_IF)),
    Limit("unit-self-discharge", "lithium, three times, on acceptance", PRACTICE,
          "a lfp self_discharge_frac_month=@", "accept", (0.089, ONLY_IF), (0.091, FORBID)),
    Limit("unit-self-discharge", "lithium, five times, whatever is asked", PROJECT,
          "a lfp self_discharge_frac_month=@", "join", (0.149, ONLY_IF), (0.151, FORBID),
          pins="condition.LEAK_FORBIDS"),
    # 12.21 V on six flooded cells is 2.035 V a cell: half charged
    Limit("unit-contradiction", "a quarter of the charge", PROJECT,
          "a lead_flooded rest_v=12.21 soc_frac=@", "accept", (0.74, SILENT), (0.76, ONLY_IF),
          pins="condition.CONTRADICTION_FRAC"),
    # 13.32 V on four cells tells 80 % (3.330 V); stated 33.5 % is 3.2871 V, 42.9 mV away, 32 % is 3.2841 V, 45.9 mV
    Limit("unit-contradiction", "three times the curve's doubt of 15 mV", PROJECT,
          "a lfp rest_v=13.32 soc_frac=@", "accept", (0.335, SILENT), (0.32, ONLY_IF)),
    # capacity, else resistance, else rest voltage must have been read
    Limit("unit-untested", "capacity measured", PROJECT,
          "a lead_agm capacity_ah=@", "accept", (99, SILENT), ("none", ONLY_IF)),
    Limit("unit-untested", "resistance measured", PROJECT,
          "a lead_agm resistance_mohm=@", "join", (5.4, SILENT), ("none", ONLY_IF)),
    Limit("unit-untested", "rest voltage or charge known", PROJECT,
          "a lead_agm soc_frac=@", "accept", (1.0, SILENT), ("none", ONLY_IF)),
    Limit("unit-untested", "rest voltage or charge of two that are to be joined", PROJECT,
          "a lead_agm soc_frac=none; b lead_agm", "join: @", ("a", SILENT), ("a // b", ONLY_IF)),
    # on a curve of 22 mV from 3.257 V (23.6 %) up, 10 mV of it flat to 50 %: ± 9.8 % and ± 10.3 % by hand
    Limit("test-plateau", "± 10 % of the charge", PRACTICE,
          "a lfp rest_v=@", "test", (13.1266, SILENT), (13.12672, CAUTION)),
]  # fmt: skip

JOIN_LIMITS = [
    # the taking unit bears 30 A (0.3C of 100 Ah)
    Limit("join-surge", "a fifth of the limit: 6 A", PROJECT,
          PAIR, "join: a // b" + BARE, (at_gap(5.9), FINE), (at_gap(6.1), CAUTION), pins="joining.FINE_FRAC"),
    Limit("join-surge", "half of the limit: 15 A", PROJECT,
          PAIR, "join: a // b" + BARE, (at_gap(14.8), CAUTION), (at_gap(15.2), ONLY_IF), pins="joining.CAUTION_FRAC"),
    Limit("join-surge", "0.8 of a 20 A fuse, halved: 8 A", PRACTICE,
          PAIR, "join: a // b; protection.unit_fuse_a=20" + BARE, (at_gap(7.9), CAUTION), (at_gap(8.1), ONLY_IF),
          pins="joining.FUSE_FRAC"),
    Limit("join-surge", "half of its maker's 24 A", "the unit's label",
          PAIR.replace("b lead_agm", "b lead_agm max_charge_a=24"), "join: a // b" + BARE,
          (at_gap(11.9), CAUTION), (at_gap(12.1), ONLY_IF)),
    # 3C of 100 Ah; 2 x 1 mΩ, so that 0.53 V are 265 A, 299 A at the 95th percentile, and 0.55 V are 310 A
    Limit("join-surge", "the peak limit: 300 A", PROJECT,
          "a lead_agm rest_v=12.75 resistance_mohm=1; b lead_agm rest_v=@ resistance_mohm=1", "join: a // b" + BARE,
          (12.22, ONLY_IF), (12.20, FORBID)),
    Limit("join-surge", "only between equal counts of cells", "Kirchhoff's voltage law",
          "a lead_agm cells=@; b lead_agm", "join: a // b", (6, FINE), (3, SILENT)),
    # equal units of equal curve meet halfway: (0.9 - s)/2 moved, and 1.645 x √2 x 0.01 / 2 = 1.16 % of doubt
    Limit("join-surge", "a tenth of a unit's charge moved", PROJECT,
          "a lead_agm soc_frac=0.9 resistance_mohm=50; b lead_agm soc_frac=@ resistance_mohm=50", "join: a // b",
          (0.725, FINE), (0.722, CAUTION), pins="joining.CHARGE_FRAC"),
    # 0.5 V and 30 A: 0.5/6 = 0.0834 Ω, and twice 0.25/0.084 W = 5.95 W: 6.0 W; one and a half would be 4.5 W
    Limit("join-surge", "twice a resistor's watts", GUESS,
          PAIR, "join: a // b" + BARE, (12.25, "0.084 Ω or more, rated 6 W"), (12.0, "0.13 Ω or more, rated 8.7 W"),
          pins="joining.WATT_MARGIN"),
    *(
        Limit("join-rest", f"{chem} {hours:g} h", DATA + "rest_h_min",
              f"a {chem} rest_v={volts} rest_hours=@; b {chem}", "join: a // b",
              (hours, SILENT), (0.98 * hours, ONLY_IF))
        for chem, hours, volts in (
            ("lead_flooded", 6.0, 12.6), ("lead_agm", 8.0, 12.7), ("lead_gel", 8.0, 12.8), ("lfp", 2.0, 13.3),
            ("nmc", 0.5, 16.0), ("nicd", 24.0, 13.0),
        )
    ),
    Limit("join-temperature", "5 K apart", PRACTICE,
          "a lead_agm temperature_c=@; b lead_agm", "join: a // b", (24.9, SILENT), (25.1, CAUTION)),
    Limit("join-temperature", "10 K apart in a running bank", PRACTICE,
          "a lead_agm temperature_c=@; b lead_agm", "operate: a // b", (29.9, CAUTION), (30.1, FORBID),
          pins="matching.TRIP_SPREAD_K"),
    # 2 x 12.798 V are 25.596 V, 3 % of it 0.768 V
    Limit("join-reading", "3 % of the sum", PRACTICE,
          TWO, "join: a + b; wiring.reading_v=@", (24.84, FINE), (24.82, FORBID), pins="matching.READING_TOLERANCE"),
    # three of 12.8 V: less two of one are 12.8 V, less one are 25.6 V
    Limit("join-reading", "which unit is wrong", "Kirchhoff's voltage law",
          f"{TWO}; c lead_agm", "join: a + b + c; wiring.reading_v=@",
          (12.8, "one unit reversed"), (25.6, "one unit missing")),
    # a dead unit of 50 mV: 3 % of the 0.1 V that it counts as at least are 3 mV
    Limit("join-reading", "3 % of 0.1 V where next to nothing is expected", PROJECT,
          "a lead_agm rest_v=0.05", "join: a; wiring.reading_v=@", (0.0529, FINE), (0.0531, FORBID)),
    Limit("makers-count", "two in parallel", "the unit's label",
          "a lead_agm max_in_parallel=@; b lead_agm", "join: a // b", (2, SILENT), (1, FORBID)),
    Limit("makers-count", "two in series", "the unit's label",
          "a lead_agm max_in_series=@; b lead_agm", "join: a + b", (2, SILENT), (1, FORBID)),
    Limit("strings-count", "four branches of lead", PRACTICE,
          named(9, "lead_agm"), "join: //(u1..u@)", (4, SILENT), (5, CAUTION)),
    Limit("strings-count", "five branches of lithium", "one maker's manual, and common practice",
          named(9, "lfp"), "join: //(u1..u@)", (5, SILENT), (6, CAUTION)),
    # (100 - Q) / 100
    Limit("series-capacity", "10 % apart", PRACTICE,
          "a lead_agm; b lead_agm capacity_ah=@", "join: a + b", (90.2, FINE), (89.8, ONLY_IF),
          pins="series.MATCHED_FRAC"),
    Limit("series-capacity", "20 % apart, charged one by one", PRACTICE,
          "a lead_agm; b lead_agm capacity_ah=@", "join: a + b", (80.2, "or re-sort by Ah"), (79.8, "better re-sort"),
          pins="series.PER_UNIT_FRAC"),
    Limit("series-capacity", "a third apart", PROJECT,
          "a lead_agm; b lead_agm capacity_ah=@", "join: a + b", (66.8, ONLY_IF), (66.5, FORBID),
          pins="series.LOST_FRAC"),
    Limit("series-charge", "lithium 5 % apart", PRACTICE,
          "a lfp; b lfp soc_frac=@", "join: a + b", (0.951, SILENT), (0.949, ONLY_IF)),
    Limit("series-charge", "lead 10 % apart", PRACTICE,
          "a lead_agm; b lead_agm soc_frac=@", "join: a + b", (0.901, SILENT), (0.899, ONLY_IF)),
    # two equal readings on the flat: the meter and half the hysteresis, 10.1 mV, are ± 9.5 % and ± 10.3 % there
    Limit("series-charge", "a curve flat over twice the limit", PROJECT,
          "a lfp rest_v=@; b lfp rest_v=@", "join: a + b", (13.1463, SILENT), (13.1465, ONLY_IF)),
    # 1 % a month of 100 Ah is 33.3 mAh a day
    Limit("series-drift", "what the balancer moves", "physics: imbalance adds up",
          "a lfp self_discharge_frac_month=0.04; b lfp", "join: a + b; protection.balancer_mah_per_day=@",
          (33.4, FINE), (33.2, ONLY_IF)),
    Limit("series-drift", "1 mAh a day", PROJECT,
          "a lfp self_discharge_frac_month=@; b lfp", "join: a + b; protection.balancer_mah_per_day=9",
          (0.030295, SILENT), (0.030305, FINE)),
    # 3.65 V a cell: 2 x 4 cells are 29.2 V, 8 + 8 are 58.4 V, 8 + 9 are 62.05 V
    Limit("protection-rating", "what a pack's open switch stands", "the unit's label",
          "a lfp bms_max_v=@; b lfp", "join: a + b", (29.3, SILENT), (29.1, FORBID)),
    Limit("protection-rating", "60 V of packs without a rating", PROJECT,
          "a lfp cells=8; b lfp cells=@", "join: a + b", (8, SILENT), (9, ONLY_IF),
          pins="series.TWELVE_VOLT_PACKS_IN_SERIES_V"),
    Limit("protection-rating", "60 V of packs, not of cells", PROJECT,
          named(17, "lfp cells=@"), "join: " + " + ".join(f"u{i}" for i in range(1, 18)), (1, SILENT), (2, ONLY_IF)),
    Limit("lithium-protection", "two cells in series", "physics: string volts cannot show one cell",
          "a lfp cells=@ bms=no", "join", (1, SILENT), (2, FORBID)),
    # n (3.65 - 0.05) - (n - 1) 3.45 is what the last cell reaches: 57.6 - 51.75 and 54.0 - 48.3
    Limit("lithium-protection", "0.05 V below the charge limit", PROJECT,
          "a lfp cells=@ bms=no", "join", (16, "one full cell reach 5.85 V"), (15, "one full cell reach 5.70 V")),
    # half the load each, u = I/2 x √(0.1² + 0.0345²): 50 A / 1.087 = 46.0 A of 92 A
    Limit("share-worst", "lasting 0.5C", DATA + "discharge_c_cont",
          TWO, "discharge: a // b; duty.load_a=@", (91.6, FINE), (92.4, ONLY_IF), quantity="worst share"),
    # 300 A / 1.087 = 276 A of 552 A
    Limit("share-worst", "peak 3C", DATA + "discharge_c_peak",
          TWO, "discharge: a // b; duty.load_a=@", (550, ONLY_IF), (554, FORBID), quantity="worst share"),
    # 0.8 of the one left's 50 A; of three, two are left
    Limit("share-worst", "one string lost: 0.8 of the lasting 0.5C", PRACTICE,
          TWO, "discharge: a // b; duty.load_a=@", (39.9, SILENT), (40.1, ONLY_IF), quantity="one string is lost",
          pins="sharing.ALONE_FRAC"),
    Limit("share-worst", "one string of three lost: half of the load each", PRACTICE,
          f"{TWO}; c lead_agm", "discharge: a // b // c; duty.load_a=@", (79.8, SILENT), (80.2, ONLY_IF),
          quantity="one string is lost", pins="sharing.ALONE_FRAC"),
    Limit("share-worst", "only between equal counts of cells", "Kirchhoff's voltage law",
          "a lead_agm cells=@; b lead_agm", "discharge: a // b; duty.load_a=9", (6, FINE), (3, SILENT)),
    Limit("share-worst", "0.8 of a 50 A string fuse", PRACTICE,
          TWO, "build: a // b; protection.unit_fuse_a=50; duty.load_a=@", (79.5, SILENT), (80.5, CAUTION),
          quantity="through a string fuse", pins="sharing.FUSE_FRAC"),
    Limit("share-worst", "the whole of a 50 A string fuse", "the fuse's own rating",
          TWO, "build: a // b; protection.unit_fuse_a=50; duty.load_a=@", (99.5, CAUTION), (100.5, ONLY_IF),
          quantity="through a string fuse"),
    Limit("packs-alone", "packs of more than one cell", PROJECT,
          "a lfp cells=@; b lfp cells=@ capacity_ah=50", "join: a // b", (1, SILENT), (2, ONLY_IF)),
    Limit("packs-alone", "10 % apart in size", PROJECT,
          "a lfp; b lfp capacity_ah=@", "join: a // b", (90.2, SILENT), (89.8, ONLY_IF),
          pins="sharing.UNLIKE_PACKS_FRAC"),
]  # fmt: skip

CHARGE_LIMITS = [
    # gel has no equalise band: 2.40 V, 10 mV of tolerance, 50 mV of slip
    Limit("charge-voltage", "10 mV above the limit", PRACTICE,
          "a lead_gel", "charge; charger.volts_per_cell=@", (2.4095, FINE), (2.4105, ONLY_IF),
          pins="charging.VOLT_TOLERANCE"),
    Limit("charge-voltage", "gel 50 mV above the limit", PRACTICE,
          "a lead_gel", "charge; charger.volts_per_cell=@", (2.4495, ONLY_IF), (2.4505, FORBID),
          pins="charging.LEAD_SLIP_V"),
    Limit("charge-voltage", "AGM 2.45 V a cell", DATA + "charge_max_v",
          "a lead_agm", "charge; charger.volts_per_cell=@", (2.4595, FINE), (2.4605, ONLY_IF)),
    Limit("charge-voltage", "flooded 2.50 V a cell", DATA + "charge_max_v",
          "a lead_flooded", "charge; charger.volts_per_cell=@", (2.5095, FINE), (2.5105, CAUTION)),
    Limit("charge-voltage", "lithium iron phosphate 3.65 V a cell, and 5 mV", DATA + "charge_max_v",
          "a lfp", "charge; charger.volts_per_cell=@", (3.6547, FINE), (3.6553, FORBID),
          pins="charging.VOLT_TOLERANCE"),
    Limit("charge-voltage", "layered lithium 4.20 V a cell, and 5 mV", DATA + "charge_max_v",
          "a nmc", "charge; charger.volts_per_cell=@", (4.2047, FINE), (4.2053, FORBID)),
    Limit("charge-voltage", "flooded 2.70 V on equalise", DATA + "equalise_v",
          "a lead_flooded", "charge; charger.volts_per_cell=@", (2.7095, CAUTION), (2.7105, FORBID)),
    Limit("charge-voltage", "AGM 2.58 V on equalise", DATA + "equalise_v",
          "a lead_agm", "charge; charger.volts_per_cell=@", (2.5895, ONLY_IF), (2.5905, FORBID)),
    Limit("charge-voltage", "3 h of equalise", PRACTICE,
          "a lead_flooded", 'charge; charger.volts_per_cell=2.6; charger.stage="equalise"; charger.hours=@',
          (2.9, FINE), (3.1, CAUTION), pins="charging.EQUALISE_MOST_H"),
    # -4 mV/K x 10 K: 2.41 V at 35 °C, and 10 mV
    Limit("charge-voltage", "hot AGM without compensation", DATA + "temp_comp",
          "a lead_agm temperature_c=35", "charge; charger.compensated=false; charger.volts_per_cell=@",
          (2.4195, FINE), (2.4205, CAUTION)),
    # a charger made for lead adds 5 mV/K for each 2.4 V: V (1 + 0.005 x 25 / 2.4) = 3.65 V at 3.4693 V
    Limit("charge-voltage", "lithium on a charger that compensates, at 0 °C", PRACTICE,
          "a lfp temperature_c=25", "charge; charger.compensated=true; charger.volts_per_cell=@",
          (3.468, FINE), (3.471, ONLY_IF), pins="charging.LEAD_CELL_ABSORB_V"),
    # V (1 + 0.005 x 20 / 2.4) = 3.655 V at 3.5088 V
    Limit("charge-voltage", "lithium on a charger that compensates, at its own 5 °C", PRACTICE,
          "a lfp temperature_c=5", "charge; charger.compensated=true; charger.volts_per_cell=@",
          (3.507, ONLY_IF), (3.510, FORBID)),
    # it is warm now, so that less than 3.65 V is applied, but it will not stay so
    Limit("charge-voltage", "lithium on a charger that compensates, at its own 35 °C", DATA + "charge_max_v",
          "a lfp temperature_c=35", "charge; charger.compensated=true; charger.volts_per_cell=@",
          (3.6547, ONLY_IF), (3.6553, FORBID), pins="charging.VOLT_TOLERANCE"),
    # (2.43 - 0.004 x 10) x 6 and (2.45 - 0.004 x 10) x 6
    Limit("charge-voltage", "what a sensor would give at 35 °C", DATA + "temp_comp",
          "a lead_agm temperature_c=35", "charge; charger.compensated=false; charger.volts_per_cell=@",
          (2.43, "give 14.3 V"), (2.45, "give 14.5 V")),
    # 14.4 V at 2.4 V a cell are six lead cells, cut off at 1.75 V each: 10.5 V over four; 12 V are five: 8.75 V
    Limit("charge-reach", "a cut-off made for lead, 1.75 V a cell", PRACTICE,
          "a nmc", "charge; charger.volts=@", (14.4, "each cell fall to 2.62 V"), (12.0, "each cell fall to 2.19 V")),
    Limit("charge-reach", "AGM floats at 2.20 V", DATA + "float_v",
          "a lead_agm", "charge; charger.volts_per_cell=@", (2.1905, SILENT), (2.1895, CAUTION),
          pins="charging.VOLT_TOLERANCE"),
    # the flat of the curve: 3.2967 V at 47.3 %, 3.2969 V at 53.2 %
    Limit("charge-reach", "half of the charge", PROJECT,
          "a lfp", "charge; charger.volts_per_cell=@", (3.29684, SILENT), (3.29672, CAUTION)),
    Limit("charge-hold", "24 h above float", PROJECT,
          "a lead_agm", "charge; charger.volts_per_cell=2.32; charger.hours=@", (23.5, SILENT), (24.5, CAUTION),
          pins="charging.ROUTINE_HOLD_H"),
    Limit("charge-hold", "AGM floats at 2.30 V at most", DATA + "float_v",
          "a lead_agm", 'charge; charger.stage="float"; charger.volts_per_cell=@', (2.3095, SILENT), (2.3105, CAUTION),
          pins="charging.VOLT_TOLERANCE"),
    Limit("charge-hold", "sealed AGM gasses from 2.35 V", DATA + "gassing_onset_v",
          "a lead_agm", 'charge; charger.stage="float"; charger.volts_per_cell=@',
          (2.3495, CAUTION), (2.3505, ONLY_IF)),
    Limit("plates-parallel", "the lower of two limits, gel's 2.40 V", DATA + "charge_max_v",
          "a lead_agm; b lead_gel", "charge: a // b; charger.volts_per_cell=@", (2.3995, CAUTION), (2.4005, ONLY_IF)),
    # 0.3C of 100 Ah and 1 % of tolerance: 30.3 A
    Limit("charge-rate", "AGM 0.3C, and 1 %", DATA + "charge_c_max",
          "a lead_agm", "charge; charger.amps=@", (30.2, FINE), (30.4, ONLY_IF), pins="charge_rate.RATE_TOLERANCE"),
    Limit("charge-rate", "flooded 0.13C, and 1 %", DATA + "charge_c_max",
          "a lead_flooded", "charge; charger.amps=@", (13.1, FINE), (13.2, ONLY_IF)),
    Limit("charge-rate", "twice the limit", PROJECT,
          "a lead_agm", "charge; charger.amps=@", (59.9, ONLY_IF), (60.1, FORBID), pins="charge_rate.GROSS_RATE"),
    Limit("charge-rate", "lithium iron phosphate below 5 °C 0.2C", DATA + "charge_c_cold",
          "a lfp temperature_c=4.9", "charge; charger.amps=@", (20.1, FINE), (20.3, FORBID)),
    Limit("charge-rate", "the cold band ends at 5 °C", DATA + "charge_c_cold",
          "a lfp temperature_c=@", "charge; charger.amps=30", (5.1, FINE), (4.9, FORBID)),
    Limit("charge-rate", "the cool band ends at 15 °C", DATA + "charge_c_cold",
          "a lfp temperature_c=@", "charge; charger.amps=51", (15.1, ONLY_IF), (14.9, FORBID)),
    Limit("charge-rate", "lithium iron phosphate from 5 to 15 °C 0.5C", DATA + "charge_c_cold",
          "a lfp temperature_c=10 max_charge_a=80", "charge; charger.amps=@", (50.4, FINE), (50.6, FORBID)),
    # 50 A x (55 - 50)/(55 - 45) = 25 A at 50 °C, and 1 %
    Limit("charge-rate", "hot lithium falls to nothing from 45 to 55 °C", PRACTICE,
          "a lfp temperature_c=50", "charge; charger.amps=@", (25.2, FINE), (25.3, ONLY_IF)),
    Limit("charge-rate", "the coldest day counts", DATA + "charge_c_cold",
          "a lfp temperature_c=20", "charge; charger.amps=30; duty.ambient_c=@", (5.1, FINE), (4.9, ONLY_IF)),
    Limit("charge-nimh", "1.6 times its capacity", "makers' timed charge, 16 h at 0.1C (from memory)",
          "a nimh", "charge; charger.amps=10; charger.hours=@", (15.9, SILENT), (16.1, FORBID),
          pins="charge_rate.NIMH_CHARGE_FACTOR"),
    Limit("charge-nimh", "24 h at a constant voltage", PROJECT,
          "a nimh", "charge; charger.volts_per_cell=1.42; charger.hours=@", (23.5, ONLY_IF), (24.5, FORBID),
          pins="charge_rate.ROUTINE_HOLD_H"),
    *(
        Limit("charge-temperature", f"{chem} from {edge} °C", DATA + "charge_t",
              f"a {chem} temperature_c=@", "charge", (edge + 0.1, SILENT), (edge - 0.1, FORBID))
        for chem, edge in (("lead_agm", -20), ("lfp", 0), ("nmc", 0), ("nicd", -20), ("nimh", 0), ("nife", -10))
    ),
    *(
        Limit("charge-temperature", f"{chem} to {edge} °C", DATA + "charge_t",
              f"a {chem} temperature_c=@", "charge", (edge - 0.1, within), (edge + 0.1, FORBID))
        for chem, edge, within in (
            ("lead_agm", 50, CAUTION), ("lfp", 55, CAUTION), ("nmc", 45, SILENT), ("nicd", 50, SILENT),
            ("nimh", 45, SILENT), ("nife", 46, SILENT),
        )
    ),
    Limit("charge-temperature", "hot lead from 40 °C", PRACTICE,
          "a lead_agm temperature_c=@", "charge", (39.9, SILENT), (40.1, CAUTION)),
    Limit("charge-temperature", "hot lithium from 45 °C", PRACTICE,
          "a lfp temperature_c=@", "charge", (44.9, SILENT), (45.1, CAUTION), pins="charge_temperature.DERATED_FROM_C"),
    Limit("charge-temperature", "a place below 0 °C", DATA + "charge_t",
          "a lfp", "charge; duty.ambient_c=@", (0.1, SILENT), (-0.1, ONLY_IF)),
    # acid of 1.160 freezes at -17 °C
    Limit("charge-frozen", "5 K above freezing acid", GUESS,
          "a lead_flooded gravity=1.16,1.16 temperature_c=@", "charge", (-11.9, SILENT), (-12.1, FORBID),
          pins="charge_temperature.FREEZING_MARGIN_K"),
    # half charged: 2.035 - 0.845 = 1.190, three quarters of the way from -17 (1.160) to -28 °C (1.200): -25.25 °C
    Limit("charge-frozen", "acid by its voltage, less 0.845 V", PRACTICE,
          "a lead_flooded soc_frac=0.5 temperature_c=@", "charge", (-20.2, SILENT), (-20.3, FORBID)),
    # empty flooded acid, 1.100, freezes at -7 °C; 5 K above
    Limit("charge-frozen", "nobody read the acid: -2 °C", "US Army TM 9-6140: 1.100 freezes at -7 °C; 5 K: guess",
          "a lead_flooded soc_frac=none temperature_c=@", "charge", (-1.9, SILENT), (-2.1, ONLY_IF)),
    # weak acid by the hydrometer: 1.050 freezes half way to -7 °C, at -3.5 °C; 5 K above is +1.5 °C
    Limit("charge-frozen", "a hydrometer reading of 1.050", "US Army TM 9-6140, straight between 1.000 and 1.100",
          "a lead_flooded gravity=1.05 temperature_c=@", "charge", (1.6, SILENT), (1.4, FORBID)),
]  # fmt: skip

DISCHARGE_LIMITS = [
    Limit("discharge-rate", "AGM lasting 0.5C", DATA + "discharge_c_cont",
          "a lead_agm", "discharge; duty.load_a=@", (49.9, FINE), (50.1, ONLY_IF)),
    Limit("discharge-rate", "lithium iron phosphate lasting 1C", DATA + "discharge_c_cont",
          "a lfp", "discharge; duty.load_a=@", (99.9, FINE), (100.1, ONLY_IF)),
    Limit("discharge-rate", "lithium iron phosphate peak 2C", DATA + "discharge_c_peak",
          "a lfp", "discharge; duty.load_a=@", (199, ONLY_IF), (201, FORBID)),
    Limit("discharge-rate", "protection electronics of 60 A", "the unit's label",
          "a lfp bms_max_a=60", "discharge; duty.load_a=@", (59.9, FINE), (60.1, ONLY_IF)),
    Limit("discharge-rate", "AGM peak 3C", DATA + "discharge_c_peak",
          "a lead_agm", "discharge; duty.load_a=@", (299, ONLY_IF), (301, FORBID)),
    *(
        Limit("discharge-temperature", f"{chem} from {edge} °C", DATA + "discharge_t",
              f"a {chem} temperature_c=@", "discharge", (edge + 0.1, SILENT), (edge - 0.1, FORBID))
        for chem, edge in (("lead_agm", -20), ("lfp", -20), ("nicd", -20), ("nimh", -10))
    ),
    *(
        Limit("discharge-temperature", f"{chem} to {edge} °C", DATA + "discharge_t",
              f"a {chem} temperature_c=@", "discharge", (edge - 0.1, SILENT), (edge + 0.1, FORBID))
        for chem, edge in (("lead_agm", 50), ("lfp", 60), ("nicd", 50), ("nimh", 65))
    ),
    # 6 x 1.75 = 10.5 V less 10 mV; 6 x 1.92 = 11.52 V less 0.1 V a cell
    Limit("disconnect", "AGM 1.75 V a cell, less 10 mV", DATA + "discharge_min_v",
          "a lead_agm", "discharge; protection.disconnect_v=@", (10.4905, CAUTION), (10.4895, ONLY_IF)),
    Limit("disconnect", "AGM usually 1.92 V a cell, less 0.1 V", DATA + "lvd_v",
          "a lead_agm", "discharge; protection.disconnect_v=@", (10.93, SILENT), (10.91, CAUTION)),
    Limit("disconnect", "lithium iron phosphate 2.5 V a cell", DATA + "discharge_min_v",
          "a lfp", "discharge; protection.disconnect_v=@", (9.9905, CAUTION), (9.9895, FORBID)),
    # 5th percentile of 100 Ah: 94.33 Ah; x 12 V x 0.5 = 566 Wh, x 12.8 V x 0.8 = 966 Wh
    Limit("duty-energy", "half of a lead bank", PRACTICE,
          "a lead_agm", "operate; duty.still_days=1; duty.energy_wh_per_day=@", (565, FINE), (567, CAUTION)),
    Limit("duty-energy", "0.8 of a lithium bank", PRACTICE,
          "a lfp", "operate; duty.still_days=1; duty.energy_wh_per_day=@", (964, FINE), (968, CAUTION)),
    # 0.85 of it at 0 °C: 481 Wh
    Limit("duty-energy", "lead holds 0.85 at 0 °C", DATA + "capacity_t_slow",
          "a lead_agm", "operate; duty.still_days=1; duty.ambient_c=0; duty.energy_wh_per_day=@",
          (480, FINE), (482, CAUTION)),
    # 12 V: 14.12 V less 15 %, 9.6 V and 25 %
    Limit("system-voltage", "15 % below the system", PROJECT,
          "a lead_agm", "build; duty.system_v=@", (14.1, SILENT), (14.13, ONLY_IF), pins="discharging.LOW_SYSTEM_FRAC"),
    Limit("system-voltage", "25 % above the system", PROJECT,
          "a lead_agm", "build; duty.system_v=@", (9.61, SILENT), (9.59, FORBID), pins="discharging.HIGH_SYSTEM_FRAC"),
]  # fmt: skip

# Units of 12.798 mΩ at 12.798 V give 1000 A into a short.
KILOAMP = "a lead_agm resistance_mohm=12.798"
PROTECTION_LIMITS = [
    Limit("fuse-string", "a fuse in every branch", PRACTICE,
          TWO, "build: a // b; protection.unit_fuse_a=@", (80, SILENT), (0, FORBID), quantity="fault current"),
    Limit("fuse-string", "single cells side by side inside a string", PRACTICE,
          "a lfp cells=@; b lfp cells=@; c lfp cells=@", "build: a // b + c; protection.unit_fuse_a=0",
          (1, CAUTION), (2, FORBID), quantity="fault current"),
    Limit("fuse-string", "half of the weakest fault", GUESS,
          f"{KILOAMP}; {KILOAMP.replace('a ', 'b ', 1)}", "build: a // b; protection.unit_fuse_a=@",
          (495, SILENT), (505, ONLY_IF), quantity="string fuse", pins="fuses.SURE_TO_OPEN_FRAC"),
    Limit("fuse-string", "the whole of the weakest fault", "physics: less than its rating opens no fuse",
          f"{KILOAMP}; {KILOAMP.replace('a ', 'b ', 1)}", "build: a // b; protection.unit_fuse_a=@",
          (990, ONLY_IF), (1010, FORBID), quantity="string fuse"),
    Limit("fuse-interrupt", "1.25 times the fault", GUESS,
          KILOAMP, "build; protection.fuse_interrupt_ka=@", (1.26, FINE), (1.24, ONLY_IF),
          quantity="interrupt", pins="fuses.INTERRUPT_MARGIN"),
    Limit("fuse-interrupt", "1.25 times the fault of two in parallel", GUESS,
          f"{KILOAMP}; {KILOAMP.replace('a ', 'b ', 1)}", "build: a // b; protection.fuse_interrupt_ka=@",
          (2.52, FINE), (2.48, ONLY_IF), quantity="interrupt", pins="fuses.INTERRUPT_MARGIN"),
    Limit("fuse-interrupt", "the fault itself", "Ohm's law",
          KILOAMP, "build; protection.fuse_interrupt_ka=@", (1.01, ONLY_IF), (0.99, FORBID), quantity="interrupt"),
    Limit("fuse-interrupt", "volts of the full bank, 6 x 2.45 V", DATA + "charge_max_v",
          "a lead_agm", "build; protection.fuse_volts=@", (14.71, SILENT), (14.69, FORBID), quantity="fuse voltage"),
    # 14.4 V + 6 x 4 mV/K x 20 K
    Limit("fuse-interrupt", "volts of a cold bank on a charger that compensates", DATA + "temp_comp",
          "a lead_agm temperature_c=5", "build; charger.volts=14.4; charger.compensated=true; protection.fuse_volts=@",
          (14.89, SILENT), (14.87, FORBID), quantity="fuse voltage"),
    Limit("fuse-interrupt", "volts of a warm bank on a charger that compensates: no less than at 25 °C", PROJECT,
          "a lead_agm temperature_c=35", "build; charger.volts=15; charger.compensated=true; protection.fuse_volts=@",
          (15.01, SILENT), (14.99, FORBID), quantity="fuse voltage"),
    Limit("fuse-cable", "a main fuse behind two string fuses", PRACTICE,
          TWO, "build: @; protection.unit_fuse_a=80; protection.main_fuse_a=0", ("a", SILENT), ("a // b", ONLY_IF),
          quantity="main fuse"),
    # 2 AWG is 33.63 mm² (ASTM B258)
    Limit("fuse-cable", "2 AWG with 75 °C insulation 170 A", STANDARD + "33 CFR 183.425 Table 5",
          "a lead_agm", "build; wiring.cable_mm2=33.63; protection.main_fuse_a=@", (169, FINE), (171, ONLY_IF)),
    Limit("fuse-cable", "2 AWG with 105 °C insulation 210 A", STANDARD + "33 CFR 183.425 Table 5",
          "a lead_agm", "build; wiring.cable_mm2=33.63; protection.main_fuse_a=@", (209, ONLY_IF), (211, FORBID)),
    Limit("fuse-cable", "0.8 of a 100 A main fuse", PRACTICE,
          "a lead_agm", "build; protection.main_fuse_a=100; duty.load_a=@", (79.5, SILENT), (80.5, ONLY_IF),
          quantity="load against fuse", pins="fuses.FUSE_LOAD_FRAC"),
    # C V²/2 = 1 J at 12.798 V: 12.21 mF
    Limit("precharge", "1 J", GUESS,
          "a lead_agm", "build; protection.inverter_capacitance_mf=@", (12.15, FINE), (12.27, ONLY_IF),
          pins="protection.HARMLESS_INRUSH_J"),
    # 20 mF x R x ln 20 = 60 s: 1001 Ω
    Limit("precharge", "a minute", GUESS,
          "a lead_agm", "build; protection.inverter_capacitance_mf=20; protection.precharge_ohm=@",
          (995, FINE), (1007, CAUTION)),
    # 25 gel cells of 2.40 V are 60.0 V, 26 are 62.4 V; 50 are 120 V, 51 are 122.4 V
    Limit("touch-voltage", "60 V dc", STANDARD + "IEC 62485-2, IEC 60364-4-41 (from memory)",
          "a lead_gel cells=@", "build; site.touchable_bars=true", (25, SILENT), (26, ONLY_IF),
          pins="protection.TOUCH_V"),
    Limit("touch-voltage", "120 V dc, bars covered", STANDARD + "IEC 62485-2, IEC 60364-4-41 (from memory)",
          "a lead_gel cells=@", "build; site.touchable_bars=false", (50, FINE), (51, ONLY_IF),
          pins="protection.TOUCH_MORE_V"),
]  # fmt: skip

WIRING_LIMITS = [
    # two branches of 5.4 mΩ: the nearer carries (r + 2l)/(r + l) of the mean; 1.2 at l = r/4, 1.5 at l = r
    Limit("take-off", "1.2 times the mean", GUESS,
          TWO, 'build: a // b; wiring.takeoff="same_end"; wiring.link_mohm=@', (1.34, FINE), (1.36, ONLY_IF),
          pins="wiring.SHARE_FINE"),
    Limit("take-off", "1.5 times the mean", GUESS,
          TWO, 'build: a // b; wiring.takeoff="same_end"; wiring.link_mohm=@', (5.3, ONLY_IF), (5.5, FORBID),
          pins="wiring.SHARE_BAD"),
    Limit("joints", "0.2 mΩ", PRACTICE,
          "a lead_agm", "build; wiring.joint_mohm=@", (0.199, SILENT), (0.201, ONLY_IF), pins="wiring.JOINT_MOHM"),
    Limit("joints", "20 mV at full load", PRACTICE,
          "a lead_agm", "build; wiring.joint_mohm=0.1; duty.load_a=@", (199, SILENT), (201, ONLY_IF),
          pins="wiring.JOINT_MV"),
    # 0.1 mΩ x (223.6 A)² = 5 W
    Limit("joints", "5 W in one joint", GUESS,
          "a lead_agm", "build; wiring.joint_mohm=0.1; duty.load_a=@", (223, ONLY_IF), (224, FORBID)),
    # IEC 60228 class 5, 16 mm²: 1.21 mΩ/m x (1 + 0.00393 x 20) x 2 x 5 m = 13.05 mΩ; 3 % of 12 V at 27.6 A
    Limit("cable-drop", "3 % of the nominal voltage", PRACTICE,
          "a lead_agm", "build; wiring.cable_mm2=16; wiring.run_m=5; duty.load_a=@", (27.5, SILENT), (27.7, CAUTION),
          pins="wiring.DROP_FRAC"),
    Limit("cable-drop", "copper at 40 °C", PRACTICE,
          "a lead_agm", "build; wiring.cable_mm2=16; wiring.run_m=5; duty.load_a=@", (27.55, SILENT), (27.62, CAUTION),
          pins="wiring.COPPER_WORKING_C"),
    # 20 mm² is no size of the standard: 17.241/20 mΩ/m x 1.13 x 1.0786 x 10 m = 10.51 mΩ; 34.3 A
    Limit("cable-drop", "13 % above solid copper", STANDARD + "IEC 60228 class 5, the most of its sizes",
          "a lead_agm", "build; wiring.cable_mm2=20; wiring.run_m=5; duty.load_a=@", (34.1, SILENT), (34.4, CAUTION),
          pins="wiring.STRANDING"),
    # 100 Ah: 10 Ah a day for ten days
    Limit("tap", "ten days empty the bank", PROJECT,
          TWO, 'build: a + b; wiring.taps=[{below="b", amps=1, hours_per_day=@}]', (9.9, ONLY_IF), (10.1, FORBID),
          pins="wiring.TAP_DAYS"),
    Limit("tap", "24 h a day where nobody says", PROJECT,
          TWO, 'build: a + b; wiring.taps=[{below="b", amps=@}]', (9.9 / 24, ONLY_IF), (10.1 / 24, FORBID)),
    Limit("tap", "what an equaliser gives back", "physics: charge drawn below a tap is not returned",
          TWO,
          'build: a + b; protection.balancer_mah_per_day=5000; wiring.taps=[{below="b", amps=1, hours_per_day=@}]',
          (4.9, FINE), (5.1, ONLY_IF)),
]  # fmt: skip

# Q = 0.05 n I C / 1000 (IEC 62485-2), 6 cells of 100 Ah: 0.03 m³/h for each mA/Ah
SITE_LIMITS = [
    *(
        Limit("ventilation", f"{chem} {stage} {ma:g} mA/Ah", STANDARD + "IEC 62485-2 (read through public copies)",
              f"a {chem}", f'site; charger.stage="{stage}"; site.vent_m3_per_h=@',
              (0.05 * cells * ma * 0.1 * 1.01, FINE), (0.05 * cells * ma * 0.1 * 0.99, FORBID))
        for chem, cells, stage, ma in (
            ("lead_agm", 6, "absorb", 8.0), ("lead_flooded", 6, "absorb", 20.0), ("lead_gel", 6, "absorb", 8.0),
            ("lead_agm", 6, "float", 1.0), ("lead_flooded", 6, "float", 5.0), ("nicd", 10, "absorb", 50.0),
        )
    ),
    # 20 mA/Ah x exp(11 x 0.1) = 60.1 mA/Ah at 2.6 V a cell
    Limit("ventilation", "gassing grows from 2.40 + 0.10 V a cell", GUESS,
          "a lead_flooded", 'site: a; charger.volts_per_cell=2.6; charger.stage="equalise"; site.vent_m3_per_h=@',
          (1.82, FINE), (1.78, FORBID), pins="site.BOOST_CELL_V"),
    Limit("ventilation", "0.10 V above boost is still boost", GUESS,
          "a lead_flooded", 'site: a; charger.volts_per_cell=2.6; charger.stage="equalise"; site.vent_m3_per_h=@',
          (1.82, FINE), (1.78, FORBID), pins="site.EQUALISE_SLACK_V"),
    # no more than 0.5 V further: 20 mA/Ah x exp(11 x 0.5) = 4894 mA/Ah
    Limit("ventilation", "gassing grows up to 3.0 V a cell", PROJECT,
          "a lead_flooded", 'site: a; charger.volts_per_cell=3.2; charger.stage="equalise"; site.vent_m3_per_h=@',
          (148, FINE), (145.6, FORBID), pins="site.MOST_OVER_V"),
    Limit("ventilation", "no more gas than current: 5 A in 100 Ah", "Faraday's law",
          "a lead_flooded",
          'site: a; charger.volts_per_cell=2.6; charger.amps=5; charger.stage="equalise"; site.vent_m3_per_h=@',
          (1.51, FINE), (1.49, FORBID)),
    # 28.8 mm x ∛(8 x 100) = 267.4 mm
    Limit("spark-distance", "0.267 m", STANDARD + "IEC 62485-2 (formula from memory)",
          "a lead_agm", "site; site.spark_distance_m=@", (0.268, FINE), (0.267, FORBID)),
    # 16 cells of 3.2 V: 51.2 Wh for each Ah
    *(
        Limit("room", f"{kwh} kWh of lithium in a {kind}", "NFPA 855, as an installer quotes it" if kwh > 20 else
              "NFPA 855 (from memory)", "a lfp cells=16 rated_ah=@", f'site; site.room="{kind}"',
              (round(990 * kwh / 51.2), within), (round(1010 * kwh / 51.2), FORBID), pins="site.LITHIUM_KWH")
        for kind, kwh, within in (
            ("living", 20, CAUTION), ("cabinet", 40, FINE), ("garage", 80, FINE), ("shed", 80, FINE),
            ("outside", 80, FINE),
        )
    ),
    Limit("room", "no lithium where people sleep", "local codes; from memory",
          "a lfp cells=1 rated_ah=1", 'site; site.room="@"', ("outside", FINE), ("bedroom", FORBID)),
]  # fmt: skip

LIMITS = [
    *UNIT_LIMITS,
    *JOIN_LIMITS,
    *CHARGE_LIMITS,
    *DISCHARGE_LIMITS,
    *PROTECTION_LIMITS,
    *WIRING_LIMITS,
    *SITE_LIMITS,
]

# Rules that compare no number with a limit: they look at a kind, a flag, a count of one, or a word of the plan.
WITHOUT_A_LIMIT = {
    "unit-look",
    "chemistry-parallel",
    "chemistry-series",
    "cells-parallel",
    "cells-series",
    "nickel-parallel",
    "dump-load",
    "isolator",
    "midpoints",
    "test-hydrometer",
}


@pytest.mark.parametrize("row", LIMITS, ids=[row.name for row in LIMITS])
def test_a_limit_stands_where_it_is_said_to(row: Limit) -> None:
    """Just inside its limit a rule gives the milder verdict, just outside the harder one."""
    for side in (row.inside, row.outside):
        heard = [(str(f.verdict), f.quantity, f.value, f.limit, f.says, f.do) for f in findings(row, side[0])]
        assert keeps(row, side), (side, heard)


# Where a rule has more than one limit, the figure it prints must be that of the one that decided.
SHOWN = [
    ("unit-capacity", "a lead_agm capacity_ah=81", "accept", 0.80),
    ("unit-capacity", "a lead_agm capacity_ah=79", "accept", 0.80),
    ("unit-capacity", "a lead_agm capacity_ah=59", "accept", 0.60),
    ("unit-resistance", "a lead_agm resistance_mohm=8.2", "accept", 1.5),
    ("unit-resistance", "a lead_agm resistance_mohm=11", "accept", 2.0),
    ("unit-gravity", "a lead_flooded gravity=1.27,1.24", "accept", 0.025),
    ("unit-gravity", "a lead_flooded gravity=1.27,1.21", "accept", 0.050),
    ("unit-self-discharge", "a lead_agm self_discharge_frac_month=0.06", "accept", 0.05),
    ("unit-warm", "a lead_agm rest_rise_k=2", "accept", 1.0),
    ("join-temperature", "a lead_agm temperature_c=27; b lead_agm", "join: a // b", 5.0),
    ("join-temperature", "a lead_agm temperature_c=31; b lead_agm", "operate: a // b", 10.0),
    ("charge-reach", "a lfp", "charge; charger.volts_per_cell=3.25", 0.5),
    ("test-plateau", "a lfp rest_v=13.2", "test", 0.10),
    ("take-off", TWO, 'build: a // b; wiring.takeoff="same_end"; wiring.link_mohm=2', 1.2),
    ("joints", "a lead_agm", "build; wiring.joint_mohm=0.3", 0.2),
    ("cable-drop", "a lead_agm", "build; wiring.cable_mm2=16; wiring.run_m=5; duty.load_a=50", 0.03),
    ("touch-voltage", "a lead_gel cells=26", "build", 60.0),
    ("touch-voltage", "a lead_gel cells=51", "build", 120.0),
]


@pytest.mark.parametrize(("code", "pile", "plan", "limit"), SHOWN, ids=[f"{row[0]} {row[3]:g}" for row in SHOWN])
def test_the_limit_shown_is_the_one_that_decided(code: str, pile: str, plan: str, limit: float) -> None:
    """A finding prints the limit that it was held to, not another of the same rule."""
    row = Limit(code, "", "", pile, plan, ("", ""), ("", ""))
    assert [f.limit for f in findings(row, "")] == [pytest.approx(limit)]


def test_every_row_says_where_its_limit_comes_from() -> None:
    """Rows are unlike, name a rule that exists, and a source; a chemistry value named as one must exist."""
    assert len({row.name for row in LIMITS}) == len(LIMITS)
    for row in LIMITS:
        assert row.code in RULES
        assert row.source, row.name
        kind, _, name = row.source.partition(": ")
        if f"{kind}: " == DATA:
            assert name in chemistry("lead_agm").values or name in chemistry("lfp").values, row.name


def test_no_rule_is_left_out() -> None:
    """Every rule has a row, but for those that compare no number."""
    assert {row.code for row in LIMITS} == set(RULES) - WITHOUT_A_LIMIT


def constants() -> Iterator[tuple[ModuleType, str]]:
    """Yield every number, or table of numbers, that a module of rules holds under a name of its own."""
    for name in rules.__all__:
        module = getattr(rules, name)
        if not isinstance(module, ModuleType):
            continue
        for constant, value in vars(module).items():
            numeric = isinstance(value, (int, float)) or (isinstance(value, dict) and constant == "LITHIUM_KWH")
            if constant.isupper() and numeric:
                yield module, constant


def moved(value: Any, by: float) -> Any:
    """Return a constant a little off: a count by one, other numbers by a tenth."""
    if isinstance(value, dict):
        return {key: moved(number, by) for key, number in value.items()}
    return value + math.copysign(1, by) if isinstance(value, int) else value * (1 + by)


@pytest.mark.parametrize("by", [-0.1, 0.1], ids=["less", "more"])
@pytest.mark.parametrize(("module", "constant"), list(constants()), ids=lambda part: getattr(part, "__name__", part))
def test_no_constant_can_move_unseen(
    module: ModuleType, constant: str, by: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a constant a tenth off, one of the rows that pin it no longer holds."""
    pinned = [row for row in LIMITS if row.pins == f"{module.__name__.rsplit('.', 1)[1]}.{constant}"]
    assert pinned, "a new constant needs a row in this table, from both sides"
    monkeypatch.setattr(module, constant, moved(getattr(module, constant), by))
    assert not all(keeps(row, side) for row in pinned for side in (row.inside, row.outside))
