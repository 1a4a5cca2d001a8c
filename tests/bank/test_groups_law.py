"""
The law of groups: series forces one current, so amp-hours decide; parallel forces one voltage, so volts decide.

It is sometimes told the other way round. The counterexamples here are integrated by hand, with nothing of the bank's
own algebra.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest
from referee import bank, unit

from hotchpot.bank import sharing
from hotchpot.bank.bank import Bank
from hotchpot.bank.judge import judge
from hotchpot.bank.plan import Duty, Plan, Protection
from hotchpot.bank.ratings import rate
from hotchpot.bank.rules import Case
from hotchpot.bank.sharing import discharge_shares
from hotchpot.bank.surge import joinings
from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.chemistry import chemistry

FUSED = Plan(question=("join",), protection=Protection(bms=True, unit_fuse_a=80.0))


def found(made: Bank, code: str, plan: Plan = FUSED) -> Finding:
    """Return the one finding of a rule."""
    return next(f for f in judge(Case(plan, made.units, made)).findings if f.code == code)


def verdict(made: Bank, plan: Plan = FUSED) -> Verdict:
    """Return the verdict on a bank."""
    return judge(Case(plan, made.units, made)).verdict


def unit_volts(chem: str, cells: int, soc: float) -> float:
    """Return a unit's open-circuit voltage by its curve, below empty by the over-discharge law of the methods page."""
    kind = chemistry(chem)
    bottom = kind.ocv.volt[0]
    if soc < 0:
        return cells * (bottom + (kind.num("reversal_v") - bottom) * (1 - math.exp(soc / 0.03)))
    for (s0, v0), (s1, v1) in pairwise(zip(kind.ocv.soc, kind.ocv.volt, strict=True)):
        if s0 <= soc <= s1:
            return cells * (v0 + (v1 - v0) * (soc - s0) / (s1 - s0))
    return cells * kind.ocv.volt[-1]


# ------------------------------------------------------------------------------------------------ the reverse telling


def test_equal_voltages_do_not_make_a_string() -> None:
    """
    Groups of 200 Ah and 100 Ah, both 12 V, in series: the voltages match, and the small one is reversed.

    Integrated step by step: at 20 A the small group is empty after 5 h. A little later it stands below zero while the
    bank's own low-voltage disconnect, 21 V for two lead blocks, has only just been reached.
    """
    made = bank("A // B + C // D", *(unit(n, ah=q) for n, q in (("A", 120), ("B", 80), ("C", 60), ("D", 40))))
    assert made.root.children[0].nominal_v == made.root.children[1].nominal_v == 12
    assert verdict(made) is Verdict.FORBID
    assert found(made, "series-capacity").verdict is Verdict.FORBID
    assert found(made, "series-capacity").value == pytest.approx(0.5)

    amps, hours, small, big = 20.0, 0.0, 1.0, 1.0
    while unit_volts("lead_agm", 6, small) > 0:
        hours += 1 / 3600
        small, big = small - amps / 100 / 3600, big - amps / 200 / 3600
    assert hours == pytest.approx(5, rel=0.02)
    assert big == pytest.approx(0.5, abs=0.02)
    assert unit_volts("lead_agm", 6, big) > 12  # half full and well, driving the small one backwards
    assert unit_volts("lead_agm", 6, small) <= 0


def test_equal_capacities_make_a_string_of_groups() -> None:
    """Groups 60+40 Ah and 55+45 Ah in series: unlike units, equal groups: fine (hazards table H43)."""
    made = bank("A // B + C // D", *(unit(n, ah=q) for n, q in (("A", 60), ("B", 40), ("C", 55), ("D", 45))))
    assert verdict(made) is Verdict.FINE


def test_equal_capacities_do_not_make_a_parallel_pair() -> None:
    """
    24 V 100 Ah beside 12 V 100 Ah: the capacities match, and hundreds of amps flow.

    By Ohm's law, gel, half charged, without links: 12.30 V over 25.2 mΩ are 488 A.
    """
    made = bank("A // B", unit("A", "lead_gel", 12, soc_frac=0.5), unit("B", "lead_gel", 6, soc_frac=0.5), link_mohm=0)
    assert made.units[0].capacity_ah == made.units[1].capacity_ah
    assert joinings(made, made.root)[0].worst.value == pytest.approx(488, abs=0.6)
    assert pytest.approx(488, abs=0.6) == 6 * 2.05 / (18 * 140 / 100 * 1e-3)
    assert found(made, "cells-parallel").verdict is Verdict.FORBID
    assert verdict(made) is Verdict.FORBID


def test_equal_voltages_make_a_parallel_pair_of_strings() -> None:
    """24 V 100 Ah beside 24 V 50 Ah: capacities differ, voltages match: fine (hazards table H29)."""
    made = bank("A // B", unit("A", cells=12), unit("B", cells=12, ah=50))
    assert verdict(made) is Verdict.FINE


# --------------------------------------------------------------------------------------- common practice, no source


def test_amp_hours_add_in_parallel() -> None:
    """Common practice, no source: 5 Ah and 10 Ah in parallel make 15 Ah at one voltage."""
    made = rate(bank("A // B", unit("A", ah=5), unit("B", ah=10)))
    assert made.capacity_ah.value == pytest.approx(15)
    assert made.nominal_v == 12


def test_volts_add_in_series() -> None:
    """Common practice, no source: 12 V and 6 V in series make 18 V of the smaller capacity."""
    made = rate(bank("A + B", unit("A", cells=6), unit("B", cells=3)))
    assert made.nominal_v == 18
    assert made.capacity_ah.value == pytest.approx(100)


def test_the_small_unit_of_a_string_is_empty_and_then_reversed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Common practice, no source: 10 Ah and 5 Ah in series at 5 A: the small is empty after an hour, then reversed."""
    made = bank("A + B", unit("A", "lfp", 4, ah=10), unit("B", "lfp", 4, ah=5))
    assert verdict(made) is Verdict.FORBID
    assert rate(made).limiting_units == ("B",)
    # The bank is at its lowest voltage as the small unit empties, though the large one is half full. (Lithium: at this
    # rate lead sags to its lowest voltage sooner, and gives less than its amp-hours.)
    assert discharge_shares(made, 5).hours == pytest.approx(1.0, abs=0.02)
    # Without a cut-off, ten minutes on: the small one is driven backwards by the large one.
    monkeypatch.setattr(sharing, "sum_over_cells", lambda node, name: -100.0)
    charge: list[list[float]] = []
    solve = sharing._Run.solve

    def note(self: sharing._Run, soc: Any, load_a: float, step_h: float) -> tuple[Any, float]:
        charge.append(soc.tolist())
        return solve(self, soc, load_a, step_h)

    monkeypatch.setattr(sharing._Run, "solve", note)
    discharge_shares(made, 5)
    large, small = next(row for row in charge if row[0] <= 1 - 5 * (1 + 1 / 6) / 10)
    assert small == pytest.approx(1 - 5 * (1 + 1 / 6) / 5, abs=0.02)
    assert unit_volts("lfp", 4, small) < -4
    assert unit_volts("lfp", 4, large) > 12


# ------------------------------------------------------------------------------------- what a string hides: by hand


def test_the_weak_unit_reads_nine_volts_at_the_disconnect() -> None:
    """Kirchhoff, by hand: two 12 V units, disconnect 21 V: the weak one can stand at 9.0 V (21 - 12)."""
    plan = Plan(question=("join",), protection=Protection(unit_fuse_a=80.0, disconnect_v=21.0))
    made = bank("A + B", unit("A"), unit("B", ah=75, rated_ah=80))
    assert "the weak one can be at 9.0 V" in found(made, "series-capacity", plan).why


def test_one_lithium_cell_hides_in_a_string() -> None:
    """Kirchhoff, by hand: 16 LFP cells at 57.6 V, 15 of them at 3.45 V: the last stands at 5.85 V."""
    made = bank("A", unit("A", "lfp", 16, bms=False))
    hidden = found(made, "lithium-protection", Plan(question=("join",)))
    assert hidden.verdict is Verdict.FORBID
    assert hidden.value == pytest.approx(57.6 - 15 * 3.45, abs=0.005)


def test_sizes_in_a_group_may_differ_while_the_groups_agree() -> None:
    """Groups of one sum pass whatever their members; the same members sorted the other way fail."""
    sizes = (("A", 90), ("B", 10), ("C", 50), ("D", 50))
    pile = [unit(n, ah=q, resistance_mohm=5.4) for n, q in sizes]
    load = Plan(question=("join",), duty=Duty(load_a=5), protection=Protection(unit_fuse_a=80.0))
    assert found(bank("A // B + C // D", *pile), "series-capacity", load).verdict is Verdict.FINE
    assert found(bank("A // C + B // D", *pile), "series-capacity", load).verdict is Verdict.FORBID
