"""
The joining surge against scipy's stiff integrator, hand-worked circuits and the project's reference figures.

The integrator (Radau) runs a nodal network of its own (`referee`): same open-circuit curves and 10 s resistances, none
of the charge-curve algebra under test.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from referee import bank, relaxing, settle, unit

from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Plan
from hotchpot.bank.rules import Case
from hotchpot.bank.surge import Joining, joinings
from hotchpot.bank.verdict import Verdict
from hotchpot.bench import state_of
from hotchpot.measure import Measure

CURRENT_TOLERANCE, CHARGE_TOLERANCE = 0.01, 0.02

CASES = {
    "flooded pair": bank("A // B", unit("A", "lead_flooded", soc_frac=0.9), unit("B", "lead_flooded", soc_frac=0.2)),
    "agm, small and old": bank(
        "A // B", unit("A", soc_frac=1.0), unit("B", ah=55, rated_ah=80, resistance_mohm=14.0, soc_frac=0.4)
    ),
    "gel": bank("A // B", unit("A", "lead_gel", soc_frac=0.95), unit("B", "lead_gel", ah=40, soc_frac=0.55)),
    "lfp plateau": bank("A // B", unit("A", "lfp", 4, soc_frac=0.9), unit("B", "lfp", 4, 60, soc_frac=0.35)),
    "lfp both knees": bank("A // B", unit("A", "lfp", 16, soc_frac=1.0), unit("B", "lfp", 16, 280, soc_frac=0.03)),
    "nmc": bank("A // B", unit("A", "nmc", 7, 40, soc_frac=0.8), unit("B", "nmc", 7, 90, soc_frac=0.3)),
    "lto": bank("A // B", unit("A", "lto", 6, 40, soc_frac=0.9), unit("B", "lto", 6, 20, soc_frac=0.1)),
    "nicd": bank("A // B", unit("A", "nicd", 10, 100, soc_frac=0.9), unit("B", "nicd", 10, 60, soc_frac=0.2)),
    "agm beside flooded": bank("A // B", unit("A", soc_frac=0.9), unit("B", "lead_flooded", soc_frac=0.3)),
    "no links": bank("A // B", unit("A", soc_frac=0.9), unit("B", soc_frac=0.6), link_mohm=0),
    "strings": bank(
        "(A + B) // (C + D)",
        *(unit(n, ah=q, soc_frac=s) for n, q, s in (("A", 100, 0.9), ("B", 90, 0.8), ("C", 60, 0.5), ("D", 70, 0.4))),
    ),
    "groups of unlike units beside a string": bank(
        "(A // B + C // D) // E",
        *(unit(n, ah=q, soc_frac=s) for n, q, s in (("A", 60, 0.9), ("B", 40, 0.7), ("C", 55, 0.85), ("D", 45, 0.9))),
        unit("E", cells=12, ah=80, soc_frac=0.4),
    ),
    "three unlike": bank(
        "A // B // C",
        *(unit(n, "lfp", 4, q, soc_frac=s) for n, q, s in (("A", 100, 1.0), ("B", 50, 0.5), ("C", 200, 0.97))),
    ),
}


def branch_sum(joining: Joining, per_unit: dict[str, float]) -> float:
    """Return what leaves a branch: the current of one unit of a string, the sum of those in parallel."""

    def out(node: Node) -> float:
        if not node.children:
            return per_unit[node.ids[0]]
        parts = [out(child) for child in node.children]
        return parts[0] if node.is_series else sum(parts)

    return out(joining.branch)


@pytest.mark.parametrize("made", CASES.values(), ids=CASES.keys())
def test_surge_agrees_with_the_stiff_integrator(made: Bank) -> None:
    """First current of every branch within 1 % and charge moved within 2 % of scipy's Radau on the same circuit."""
    settled = settle(made)
    joined = joinings(made, made.root)
    assert len(joined) == len(made.root.children)
    most_a = max(abs(j.current_a.value) for j in joined)
    most_ah = max(abs(j.charge_ah or 0) for j in joined)
    assert most_a > 1
    assert most_ah > 1
    for joining in joined:
        first, moved = branch_sum(joining, settled.first_a), branch_sum(joining, settled.charge_ah)
        assert joining.current_a.value == pytest.approx(first, rel=CURRENT_TOLERANCE, abs=1e-3 * most_a)
        assert joining.charge_ah == pytest.approx(moved, rel=CHARGE_TOLERANCE, abs=1e-3 * most_ah)


@pytest.mark.parametrize(
    ("name", "tolerance"),
    [("flooded pair", 0.05), ("no links", 0.05), ("nmc", 0.15), ("lto", 0.10), ("lfp plateau", 0.35)],
)
def test_heat_is_near_the_integrated_loss(name: str, tolerance: float) -> None:
    """
    Half the gap times the charge is near ∫ I²R dt of the integrator.

    It is exact for straight curves only; lead is nearly straight, lithium bends, and the tolerance of each case is how
    far the closed form is off on its curve. From full to empty on lithium it may be off by half: not held here.
    """
    made = CASES[name]
    assert joinings(made, made.root)[0].heat_j == pytest.approx(settle(made).heat_j, rel=tolerance)


def test_a_surge_with_its_slow_pairs_moves_two_thirds_of_the_charge_in_the_time_told() -> None:
    """After the time told, half to nine tenths of the charge has moved: Radau with slow pairs (63 % if straight)."""
    for name in ("flooded pair", "lfp plateau", "nmc", "lto", "strings", "agm beside flooded"):
        made = CASES[name]
        giver = joinings(made, made.root)[0]
        assert giver.hours is not None
        moved = branch_sum(giver, relaxing(made, giver.hours))
        assert 0.5 <= moved / (giver.charge_ah or 1) <= 0.9, name


def test_millman_values() -> None:
    """M12, self-check: 12.7 V/5 mΩ to 12.2 V/20 mΩ: 20.0 A, 12.600 V; with 50 A drawn 12.400 V, 60 and -10 A."""
    made = bank(
        "A // B", unit("A", rest_v=12.7, resistance_mohm=5.0), unit("B", rest_v=12.2, resistance_mohm=20.0), link_mohm=0
    )
    one, other = joinings(made, made.root)
    assert (one.current_a.value, other.current_a.value) == pytest.approx((20.0, -20.0))
    assert made.root.ocv_v is not None
    assert made.root.ocv_v.value == pytest.approx(12.600)
    loaded_v = made.root.ocv_v.value - 50 * made.root.resistance_ohm.value
    assert loaded_v == pytest.approx(12.400)
    assert [(e - loaded_v) / r for e, r in ((12.7, 0.005), (12.2, 0.020))] == pytest.approx([60.0, -10.0])


def test_reference_example_of_a_flooded_pair() -> None:
    """
    100 Ah 12 V flooded, 0.6 V apart, 14 mΩ: 43 A, 35 Ah and 38 kJ, by hand.

    Ohm: 0.6 V / 14 mΩ. Equal units meet halfway: (1.0 - 0.293)/2 of 100 Ah. A straight fall: 0.6 V x 35 Ah x 3600 / 2.
    """
    made = bank(
        "A // B",
        unit("A", "lead_flooded", soc_frac=1.0, resistance_mohm=6.0),
        unit("B", "lead_flooded", soc_frac=0.2 + 0.1 * 13 / 14, resistance_mohm=6.0),  # 2.010 V a cell
    )
    giver = joinings(made, made.root)[0]
    assert giver.gap_v == pytest.approx(0.6, abs=1e-9)
    assert giver.current_a.value == pytest.approx(43, abs=0.5)
    assert giver.charge_ah == pytest.approx(35, abs=0.5)
    assert (giver.heat_j or 0) / 1000 == pytest.approx(38, abs=0.5)


@pytest.mark.parametrize(
    ("row", "amps", "made"),
    [
        # 13.256 V: a model's curve, with which the row was worked out; that of measured cells reads 0.07 V more.
        ("H01", 68, bank("A // B", unit("A", soc_frac=0.6), unit("B", "lfp", 4, rest_v=4 * 3.314, soc_frac=0.9))),
        (
            "H02",
            524,
            bank(
                "A // B",
                unit("A", "lead_flooded", 3, 225, soc_frac=0.9),
                unit("B", "lead_flooded", 6, 225, soc_frac=0.9),
            ),
        ),
        (
            "H04",
            350,
            bank(
                "A // B",
                unit("A", "lfp", 16, rest_v=45.0, resistance_mohm=9.0),
                unit("B", "lfp", 16, rest_v=52.0, resistance_mohm=9.0),
            ),
        ),
        (
            "H25",
            133,
            bank(
                "A // B",
                unit("A", "lfp", 16, rest_v=54.0, resistance_mohm=14.0),
                unit("B", "lfp", 16, rest_v=50.0, resistance_mohm=14.0),
            ),
        ),
        (
            "H23",
            169,
            bank("A // B", unit("A", rest_v=12.7, resistance_mohm=5.0), unit("B", rest_v=10.5, resistance_mohm=6.0)),
        ),
        (
            "H44",
            273,
            bank(
                "A // B",
                unit("A", "lead_flooded", 24, soc_frac=0.9),
                unit("B", "lead_flooded", 12, soc_frac=0.9),
            ),
        ),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_currents_of_the_hazards_table(row: str, amps: float, made: Bank) -> None:
    """Hazards table, column deciding_quantity: the first current, with 2 mΩ of links in all, to the printed ampere."""
    assert joinings(made, made.root)[0].worst.value == pytest.approx(amps, abs=0.6)


def test_equal_voltages_make_no_current() -> None:
    """By hand: no gap, no current, no charge, no time and no heat, whatever the sizes."""
    made = bank("A // B", unit("A", soc_frac=0.7), unit("B", ah=30, soc_frac=0.7))
    for joining in joinings(made, made.root):
        assert joining.current_a.value == pytest.approx(0, abs=1e-9)
        assert joining.charge_ah == pytest.approx(0, abs=1e-6)
        assert joining.heat_j == pytest.approx(0, abs=1e-6)
        assert joining.hours is None


@pytest.mark.parametrize(("chem", "cells"), [("lead_agm", 6), ("nmc", 7), ("lfp", 4)])
def test_one_empty_one_full_meet_at_equal_charge(chem: str, cells: int) -> None:
    """By hand: two alike units, full and empty, meet half-way; 100 Ah and 50 Ah meet at two thirds: 33.3 Ah move."""
    alike = bank("A // B", unit("A", chem, cells, soc_frac=1.0), unit("B", chem, cells, soc_frac=0.0))
    assert joinings(alike, alike.root)[0].charge_ah == pytest.approx(50, rel=1e-6)
    unlike = bank("A // B", unit("A", chem, cells, soc_frac=1.0), unit("B", chem, cells, 50, soc_frac=0.0))
    assert joinings(unlike, unlike.root)[1].charge_ah == pytest.approx(-100 / 3, rel=1e-6)


def test_an_unknown_charge_leaves_the_current_known() -> None:
    """A unit without voltage or charge gives no surge at all, and no number is made up."""
    made = bank("A // B", unit("A", soc_frac=None), unit("B"))
    assert joinings(made, made.root) == ()


def test_a_wide_node_keeps_one_percent() -> None:
    """Sixty branches, one of them low: the currents still agree with the nodal referee within 1 %."""
    units = [unit(f"u{i}", "nmc", 1, 3 + i % 4, soc_frac=0.6 if i else 0.3) for i in range(60)]
    made = bank(" // ".join(u.id for u in units), *units, link_mohm=0.2)
    first = settle(made, hours=0.01).first_a
    for joining in joinings(made, made.root):
        assert joining.current_a.value == pytest.approx(first[joining.branch.ids[0]], rel=CURRENT_TOLERANCE)


def test_a_read_voltage_beats_the_curve() -> None:
    """A unit read 0.3 V above its curve is taken at its reading: the gap is the meter's, the curve gives its shape."""
    made = bank("A // B", unit("A", rest_v=12.8, soc_frac=0.8), unit("B", rest_v=12.5, soc_frac=0.8))
    giver = joinings(made, made.root)[0]
    assert giver.gap_v == pytest.approx(0.3)
    assert giver.charge_ah == pytest.approx(settle(made).charge_ah["A"], rel=CHARGE_TOLERANCE)


def test_units_at_one_voltage_without_doubt_are_judged() -> None:
    """Twins whose voltages are known exactly and alike join without a current; the judge does not divide by it."""
    twins = [replace(state_of(unit(name)), ocv_v=Measure(12.8, 0.0)) for name in ("A1", "A2")]
    bank = Bank(parse("A1 // A2", known=["A1", "A2"]), {s.unit.id: s for s in twins}, 1e-3)
    said = judge(Case(Plan(question=("join",)), bank.units, bank))
    assert not any(finding.code == "join-surge" and finding.verdict is Verdict.FORBID for finding in said.findings)
