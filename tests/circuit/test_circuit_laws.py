"""
Laws that every run of every bank keeps, as properties over made-up banks; and a few figures worked by hand.

Kirchhoff's laws are checked against the wiring as `Leads` tells it, by `random_banks.kirchhoff`, which shares no code
with the circuit. Worst figures of 300 banks, at steps of 10 s: charge 2e-12 and energy 3e-4 of what moved, currents
1e-11 of the largest, voltages 1e-7 V.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_banks import CURVES, Made, blocks, in_line, kirchhoff, made, side_by_side, unit

from hotchpot.bank.arrangement import Block, Parallel, Series, Single, ids
from hotchpot.bank.notation import parse
from hotchpot.circuit.drive import ChargePlan, Drive, Stretch, drive_of
from hotchpot.circuit.model import UnitModel, own_curve
from hotchpot.circuit.net import Leads
from hotchpot.circuit.record import Record
from hotchpot.circuit.run import Circuit, Fuse

MOST_CHARGE, MOST_ENERGY = 1e-9, 1e-3
STRAIGHT = own_curve([0.0, 1.0], [3.0, 4.2])


def run(bank: Made, *, step_s: float = 10.0, record_s: float = 60.0, warming: bool = True) -> Record:
    """Run a made-up bank on its drive."""
    circuit = Circuit(bank.block, bank.models, bank.leads, warming=warming)
    return circuit.run(bank.drive, step_s=step_s, record_s=record_s)


def numbers(record: Record) -> list[np.ndarray]:
    """Return every array of a record."""
    arrays = [record.time_s, record.volts, record.amps, record.unit_amps, record.unit_volts, record.soc_frac]
    return [*arrays, record.temperature_c, record.out_ah, record.in_ah, record.gas_ah, record.under_ah]


# --- what always holds -----------------------------------------------------------------------------------------------


@settings(max_examples=150)
@given(made())
def test_charge_and_energy_add_up(bank: Made) -> None:
    """
    Charge adds up to 1e-9 and energy to 1e-3 of what moved, whatever bank and drive; every run ends by name.

    """
    record = run(bank)
    assert record.ended.kind in {"time", "collapse", "hot"}
    assert record.balance.charge_error_frac <= MOST_CHARGE
    assert record.balance.energy_error_frac <= MOST_ENERGY
    assert all(np.isfinite(values).all() for values in numbers(record))


@settings(max_examples=100)
@given(made())
def test_kirchhoff_at_every_record(bank: Made) -> None:
    """Currents meet at every node and voltages close round every window, at every moment recorded."""
    record = run(bank)
    off_a, off_v = kirchhoff(bank.block, bank.leads, record)
    assert off_a <= 1e-9 * max(1.0, float(np.abs(record.unit_amps).max()))
    assert off_v <= 1e-6


@settings(max_examples=60)
@given(made(kinds=("lfp", "nmc", "lead", "straight")))
def test_each_unit_s_charge_is_what_went_through_it(bank: Made) -> None:
    """What a unit's charge fell by is what left it, less what came in, with its gas: counted at the terminals."""
    tight = replace(bank, models=tuple(replace(model, leak_a=0.0, capacity_by_warmth=()) for model in bank.models))
    record = run(tight)
    capacity = np.array([model.capacity_ah for model in tight.models])
    begun = np.array([model.soc_frac for model in tight.models])
    fell = (begun - record.soc_frac[-1]) * capacity
    moved = record.out_ah - record.in_ah + record.gas_ah
    assert np.abs(fell - moved).max() <= 1e-9 * max(1.0, float((record.out_ah + record.in_ah).max()))
    top = ids(bank.block.members[0]) if isinstance(bank.block, Series) else ids(bank.block)
    if isinstance(bank.block, Parallel) and all(isinstance(member, Single) for member in bank.block.members):
        net = float((record.out_ah - record.in_ah)[[record.ids.index(name) for name in top]].sum())
        assert net == pytest.approx(record.bank_out_ah - record.bank_in_ah, abs=1e-9 * float(capacity.sum()))


@settings(max_examples=80)
@given(made(even=False))
def test_no_bank_breaks_it(bank: Made) -> None:
    """Anything beside anything, six cells against one, full against empty: no number is ever missing or endless."""
    record = run(bank)
    assert record.ended.kind
    assert all(np.isfinite(values).all() for values in numbers(record))
    assert math.isfinite(record.balance.energy_error_frac)
    assert record.balance.charge_error_frac <= MOST_CHARGE


def test_energy_of_a_unit_driven_past_empty() -> None:
    """The energy of a small cell driven far below empty adds up to 1e-3 at steps of 10 s, those of a run of hours."""
    unit = replace(cell("A", 5, 0.025, 0.125, empty_drop_v=4.0), curve=CURVES["nmc"])
    record = Circuit(Single("A"), [unit]).run(drive_of([Stretch(seconds=7000.0, load_a=2.5)]), step_s=10.0)
    assert record.balance.energy_error_frac <= MOST_ENERGY


def test_charge_of_a_string_at_rest() -> None:
    """A string that only discharges itself keeps its charge in balance as any other does."""
    units = [cell("A", 200, 0.005, 0.6, leak_a=0.020), cell("B", 130, 0.005, 0.4, leak_a=0.013)]
    bank = Circuit(parse("A + B", known=["A", "B"]), units)
    record = bank.run(drive_of([Stretch(seconds=1800.0)]), step_s=10.0)
    assert record.balance.charge_error_frac <= MOST_CHARGE


def test_the_moment_of_collapse() -> None:
    """What is recorded of a collapse is a state of the bank as well: volts of the string are those of its units."""
    units = [cell("A", 100, 0.05), cell("B", 100, 0.05)]
    block = parse("A + B", known=["A", "B"])
    record = Circuit(block, units).run(drive_of([Stretch(seconds=60.0, load_w=500.0)]))
    assert record.ended.kind == "collapse"
    assert kirchhoff(block, Leads(), record)[1] < 1e-6


def test_energy_of_a_nickel_unit_near_full() -> None:
    """The energy of a nickel unit that makes oxygen, with hysteresis or beyond full, adds up at any step."""
    unit = cell("A", 10, 0.02, 0.95, oxygen=True, hysteresis_v=0.06, overcharge_v=2.0)
    charge = drive_of([Stretch(seconds=7200.0, source_a=2.0)], ChargePlan(absorb_v=9.0))
    record = Circuit(Single("A"), [unit]).run(charge, step_s=1.0)
    assert record.balance.energy_error_frac <= MOST_ENERGY


# --- two ways to one solution ----------------------------------------------------------------------------------------


@settings(max_examples=80)
@given(made())
def test_tree_and_mesh_agree(bank: Made) -> None:
    """A bank solved node by node, as a tap of no current asks for, gives what series-parallel reduction gives."""
    tree = run(bank)
    loose = replace(bank, leads=replace(bank.leads, taps=((bank.models[0].id, 0.0),)))
    mesh = run(loose)
    assert mesh.ended.kind == tree.ended.kind
    assert mesh.ended.time_s == pytest.approx(tree.ended.time_s, abs=1e-3)
    most_a = max(1.0, float(np.abs(tree.unit_amps).max()))
    assert np.abs(mesh.unit_amps - tree.unit_amps).max() <= 1e-6 * most_a
    assert np.abs(mesh.volts - tree.volts).max() <= 1e-6
    assert mesh.balance.energy_error_frac <= MOST_ENERGY


def turned(block: Block) -> Block:
    """Return a block with the members of every group and string in reverse."""
    if isinstance(block, Single):
        return block
    return type(block)(tuple(turned(member) for member in reversed(block.members)))


@settings(max_examples=60)
@given(made(ladders=False))
def test_order_does_not_matter(bank: Made) -> None:
    """On bars, and in strings, the order of the members changes no unit's current."""
    one, other = run(bank), run(replace(bank, block=turned(bank.block)))
    place = [other.ids.index(name) for name in one.ids]
    most_a = max(1.0, float(np.abs(one.unit_amps).max()))
    assert np.abs(one.unit_amps - other.unit_amps[:, place]).max() <= 1e-6 * most_a
    assert np.abs(one.volts - other.volts).max() <= 1e-6


@settings(max_examples=60)
@given(made(), blocks(regular=True), st.sampled_from(["lfp", "nmc", "lead", "straight"]), st.data())
def test_identical_units_behave_as_one(like: Made, block: Block, kind: str, data: st.DataObject) -> None:
    """A bank of like units on ideal bars is one unit with the volts of its string and the current of its groups."""
    single = data.draw(unit("A", kind, 4))
    lines, strands, ah = in_line(block), side_by_side(block), single.capacity_ah
    amps = [(s.seconds, min(s.load_a, ah), min(s.source_a, ah)) for s in like.drive.stretches or ()]
    ceiling = 4 * single.curve.volts(1.0) * 1.05

    def under(many: int, count: int) -> Drive:
        each = [Stretch(seconds=t, load_a=out * many, source_a=into * many) for t, out, into in amps]
        return drive_of(each, ChargePlan(absorb_v=ceiling * count))

    alone = Circuit(Single("A"), [single]).run(under(1, 1), step_s=10.0, record_s=60.0)
    models = [replace(single, id=name) for name in ids(block)]
    together = Circuit(block, models).run(under(strands, lines), step_s=10.0, record_s=60.0)
    assert together.time_s == pytest.approx(alone.time_s)
    assert together.volts / lines == pytest.approx(alone.volts, abs=1e-6)
    assert together.amps / strands == pytest.approx(alone.amps, abs=1e-6 * ah)
    assert np.ptp(together.soc_frac, axis=1).max() < 1e-9


@settings(max_examples=40)
@given(made(kinds=("nmc", "lead", "straight")))
def test_half_the_step_changes_little(bank: Made) -> None:
    """At steps of five seconds instead of ten the charge of no unit moves by more than 1e-4, over hours of anything."""
    one, half = run(bank), run(bank, step_s=5.0)
    assert half.ended.kind == one.ended.kind
    assert half.ended.time_s == pytest.approx(one.ended.time_s, abs=1.0)
    assert np.abs(half.soc_frac[-1] - one.soc_frac[-1]).max() < 1e-4


@settings(max_examples=60)
@given(made())
def test_units_do_not_know_their_names(bank: Made) -> None:
    """The order in which models are handed over, and a fuse that never blows, change nothing."""
    one = run(bank)
    fused = Circuit(bank.block, bank.models[::-1], bank.leads, fuses=[Fuse(amps=1e6)])
    other = fused.run(bank.drive, step_s=10.0, record_s=60.0)
    assert np.array_equal(one.unit_amps, other.unit_amps)
    assert np.array_equal(one.soc_frac, other.soc_frac)


# --- figures worked by hand ------------------------------------------------------------------------------------------


def cell(name: str, ah: float, ohm: float, soc: float = 1.0, **more: Any) -> UnitModel:
    """Return a cell whose voltage falls straight from 4.2 to 3.0 V."""
    return UnitModel(id=name, capacity_ah=ah, curve=STRAIGHT, ohm=ohm, soc_frac=soc, **more)


def two(a: UnitModel, b: UnitModel, stretches: Sequence[Stretch], leads: Leads | None = None, **how: Any) -> Record:
    """Run two cells side by side."""
    return Circuit(parse("A // B", known=["A", "B"]), [a, b], leads).run(drive_of(stretches), **how)


def test_matched_products_do_not_drift() -> None:
    """10 mΩ and 100 Ah beside 20 mΩ and 50 Ah share 30 A as 20 and 10 A from the first moment to the last (M10)."""
    record = two(cell("A", 100, 0.010), cell("B", 50, 0.020), [Stretch(seconds=7200.0, load_a=30.0)], step_s=10.0)
    assert record.unit_amps[:, 0] == pytest.approx(20.0, abs=1e-9)
    assert record.unit_amps[:, 1] == pytest.approx(10.0, abs=1e-9)


def test_drift_to_the_share_of_capacity() -> None:
    """10 and 15 mΩ, both 100 Ah: 18 A at first, 15 in the end, time constant 3750 s; 16.149 A at an hour (M11)."""
    record = two(
        cell("A", 100, 0.010), cell("B", 100, 0.015), [Stretch(seconds=3600.0, load_a=30.0)], step_s=1.0, record_s=60.0
    )
    assert record.unit_amps[0, 0] == pytest.approx(18.0, abs=1e-9)
    assert record.unit_amps[-1, 0] == pytest.approx(16.1486, abs=1e-4)
    assert record.unit_amps[:, 0] == pytest.approx(15.0 + 3.0 * np.exp(-record.time_s / 3750.0), abs=1e-6)


def level(name: str, volts: float, ohm: float) -> UnitModel:
    """Return a large unit of constant voltage."""
    return UnitModel(id=name, capacity_ah=1000.0, curve=own_curve([0, 1], [volts, volts]), ohm=ohm, soc_frac=0.5)


@pytest.mark.parametrize(("load_a", "volts", "amps"), [(0.0, 12.6, (20.0, -20.0)), (50.0, 12.4, (60.0, -10.0))])
def test_unlike_voltages_on_one_bar(load_a: float, volts: float, amps: tuple[float, float]) -> None:
    """12.7 V behind 5 mΩ beside 12.2 V behind 20 mΩ: 20 A between them at 12.6 V; under 50 A 60 and -10 A (M12)."""
    record = two(level("A", 12.7, 0.005), level("B", 12.2, 0.020), [Stretch(seconds=60.0, load_a=load_a)])
    assert record.volts[0] == pytest.approx(volts, abs=1e-9)
    assert record.unit_amps[0] == pytest.approx(amps, abs=1e-9)


@pytest.mark.parametrize(("takeoff", "share"), [("same_end", 0.545455), ("diagonal", 0.5), ("busbar", 0.5)])
@pytest.mark.parametrize("meshed", [False, True])
def test_a_link_between_two_cells(takeoff: str, share: float, meshed: bool) -> None:
    """Two cells of 10 mΩ with 1 mΩ links share 54.5 to 45.5 from one end and evenly from opposite ends (M16)."""
    leads = Leads(link_ohm=1e-3, takeoff=takeoff, taps=(("A", 0.0),) if meshed else ())
    record = two(cell("A", 100, 0.010), cell("B", 100, 0.010), [Stretch(seconds=1.0, load_a=40.0)], leads)
    assert record.unit_amps[0, 0] / 40.0 == pytest.approx(share, abs=1e-6)


def test_a_tap_drains_the_unit_below_it() -> None:
    """
    A tap of 2 A at the midpoint of two units takes 48 Ah a day out of the lower one alone (physics 2.8).

    The load of the tap flows from the lower unit's plus terminal to the bank's minus; nothing else flows.
    """
    units = [cell("A", 200, 0.005), cell("B", 200, 0.005)]
    bank = Circuit(parse("A + B", known=["A", "B"]), units, Leads(taps=(("B", 2.0),)))
    record = bank.run(drive_of([Stretch(seconds=86_400.0)]), step_s=60.0)
    assert record.out_ah == pytest.approx([0.0, 48.0], abs=1e-6)


def test_a_tap_s_energy_is_counted() -> None:
    """The energy of a bank with a tap adds up as that of any other."""
    units = [cell("A", 200, 0.005), cell("B", 200, 0.005)]
    bank = Circuit(parse("A + B", known=["A", "B"]), units, Leads(taps=(("B", 2.0),)))
    record = bank.run(drive_of([Stretch(seconds=86_400.0)]), step_s=60.0)
    assert record.balance.energy_error_frac <= MOST_ENERGY


def test_tied_midpoints_share_between_strings() -> None:
    """
    With tied midpoints each upper unit works with the other string's upper one, as in groups in series.

    Ties of 1 mΩ against units of 50 mΩ: within 2 % of the groups; without ties a string's units carry one current.
    """
    units = [cell(name, ah, 0.05) for name, ah in (("A", 100), ("B", 60), ("C", 50), ("D", 90))]
    drive = drive_of([Stretch(seconds=7200.0, load_a=20.0)])
    strings = parse("(A + B) // (C + D)", known=list("ABCD"))
    tied = Circuit(strings, units, Leads(tied=True)).run(drive, step_s=10.0)
    groups = Circuit(parse("A // C + B // D", known=list("ABCD")), units).run(drive, step_s=10.0)
    place = [groups.ids.index(name) for name in tied.ids]
    assert np.abs(tied.unit_amps[-1] - groups.unit_amps[-1, place]).max() < 0.02 * 20.0
    apart = Circuit(strings, units).run(drive, step_s=10.0)
    assert apart.unit_amps[:, 0] == pytest.approx(apart.unit_amps[:, 1], abs=1e-9)
    assert abs(tied.unit_amps[-1, 0] - tied.unit_amps[-1, 1]) > 1.0
    assert tied.balance.energy_error_frac <= MOST_ENERGY
