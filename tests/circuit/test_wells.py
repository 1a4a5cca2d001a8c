"""
The kinetic model's two wells inside the circuit: lifetimes and limited steps of the published examples.

A flat curve and next to no resistance leave nothing but the wells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import cycle, islice

import numpy as np
import pytest

from hotchpot.bank.notation import parse
from hotchpot.bench.discharge.kinetic import Kinetic
from hotchpot.circuit.drive import ChargePlan, Stop, Stretch, drive_of
from hotchpot.circuit.model import UnitModel, Wells, own_curve
from hotchpot.circuit.record import Record
from hotchpot.circuit.run import Circuit

WIDE = ChargePlan(absorb_v=100.0)  # a ceiling that nothing here reaches
FLAT = own_curve([0.0, 1.0], [12.0, 12.0])

# Jongerden, Haverkort, Bohnenkamp, Katoen, DSN 2009, battery B1: 5.5 A min in all, c = 0.166, k' = 0.122 /min. The
# figures come from memory and were computed anew; see check-values M04.
PHONE = UnitModel(id="A", capacity_ah=5.5 / 60.0, curve=FLAT, ohm=1e-3, wells=Wells(0.166, 0.122 * 60.0, 1.0))
LIFETIMES_MIN = {
    "steady 250 mA": ([(1, 0.25)], 4.53),
    "steady 500 mA": ([(1, 0.50)], 2.02),
    "500 and 250 mA in turn": ([(1, 0.50), (1, 0.25)], 2.58),
    "250 mA, a minute on, a minute off": ([(1, 0.25), (1, 0.0)], 10.80),
    "500 mA, a minute on, a minute off": ([(1, 0.50), (1, 0.0)], 4.30),
    "500 and 250 mA, a minute on, a minute off": ([(1, 0.50), (1, 0.0), (1, 0.25), (1, 0.0)], 4.80),
    "250 mA, a minute on, two off": ([(1, 0.25), (2, 0.0)], 21.86),
    "500 mA, a minute on, two off": ([(1, 0.50), (2, 0.0)], 6.53),
}


def lasts(model: UnitModel, pieces: Sequence[tuple[float, float]], *, step_s: float = 1.0) -> Record:
    """Run pieces of (minutes, amps) over and over until the unit has no charge at hand."""
    drive = drive_of([Stretch(seconds=60.0 * m, load_a=a) for m, a in islice(cycle(pieces), 60)])
    return Circuit(parse("A", known=["A"]), [model]).run(drive, stop=Stop(first_empty=True), step_s=step_s)


@pytest.mark.parametrize(("pieces", "minutes"), LIFETIMES_MIN.values(), ids=LIFETIMES_MIN)
def test_published_lifetimes(pieces: list[tuple[float, float]], minutes: float) -> None:
    """The unit is empty within 0.01 min of the published lifetime, steady or with rests in which it recovers."""
    record = lasts(PHONE, pieces)
    assert record.ended.kind == "empty"
    assert record.ended.time_s / 60.0 == pytest.approx(minutes, abs=0.01)


@pytest.mark.parametrize("step_s", [0.25, 5.0, 30.0])
def test_the_lifetime_does_not_hang_on_the_step(step_s: float) -> None:
    """Steps of any length give one lifetime to a tenth of a second: the wells' step is exact, the end is found."""
    pieces = [(1, 0.50), (1, 0.0), (1, 0.25), (1, 0.0)]
    fine, other = lasts(PHONE, pieces), lasts(PHONE, pieces, step_s=step_s)
    assert other.ended.time_s == pytest.approx(fine.ended.time_s, abs=1e-4)


# Manwell and McGowan, Solar Energy 50 (1993) 399, as fitted in the open-source unit test of NREL's model (check-values
# M01 to M03): 60, 93 and 100 Ah in 1, 10 and 20 h.
LEAD = Kinetic(capacity_ah=108.16, c=0.475111, k_per_h=0.67696)
GIVEN_AH = {1.0: 60.0, 10.0: 93.0, 20.0: 100.0}


def lead(soc_frac: float = 1.0) -> UnitModel:
    """Return the unit of those figures: 100 Ah at 20 h, 108.16 Ah in all."""
    wells = Wells(LEAD.c, LEAD.k_per_h, LEAD.capacity_ah / 100.0)
    return UnitModel(id="A", capacity_ah=100.0, curve=FLAT, ohm=1e-3, wells=wells, soc_frac=soc_frac)


@pytest.mark.parametrize(("hours", "ah"), GIVEN_AH.items())
def test_capacity_by_rate(hours: float, ah: float) -> None:
    """A full unit gives 60 Ah in an hour, 93 in ten and 100 in twenty (M03), and is empty then and not before."""
    record = lasts(lead(), [(60.0 * 40.0, ah / hours)], step_s=10.0)
    assert record.ended.time_s / 3600.0 == pytest.approx(hours, rel=2e-4)
    assert float(record.out_ah[0]) == pytest.approx(ah, rel=2e-4)


def charge_left(record: Record, model: UnitModel) -> float:
    """Return the charge in both wells after a run: all there was less what was drawn. [Ah]"""
    return LEAD.capacity_ah - (1.0 - float(record.soc_frac[-1, 0])) * model.capacity_ah


def test_steps_from_half_full() -> None:
    """
    From half of all its charge, an hour at 1.5 A and one at 3 A leave 52.58 and 49.58 Ah; then an hour gives 26.65 A.

    M02. A request for 490 A is cut there to what the wells give for an hour: 26.65 A, and 6.25 A in the hour after. A
    circuit does not cut a request, so the same is asked the other way round: at that current the unit lasts the hour
    to the second, having given those charges.
    """
    half = 1.0 - 0.5 * LEAD.capacity_ah / 100.0
    first, last = 26.6525, 6.25576
    steps = [Stretch(seconds=3600.0, load_a=a) for a in (1.5, 3.0)]
    bank = Circuit(parse("A", known=["A"]), [lead(half)])
    two = bank.run(drive_of(steps), step_s=10.0)
    one = bank.run(drive_of(steps[:1]), step_s=10.0)
    assert charge_left(one, lead()) == pytest.approx(52.58, abs=0.01)
    assert charge_left(two, lead()) == pytest.approx(49.58, abs=0.01)
    third = bank.run(
        drive_of([*steps, Stretch(seconds=7200.0, load_a=first)]), stop=Stop(first_empty=True), step_s=10.0
    )
    assert third.ended.time_s == pytest.approx(3 * 3600.0, abs=2.0)
    assert charge_left(third, lead()) == pytest.approx(22.927, abs=0.02)
    assert float(third.out_ah[0]) == pytest.approx(1.5 + 3.0 + first, abs=0.02)
    hour = Stretch(seconds=3600.0, load_a=first * (1.0 - 1e-5))  # a hair less, so that the last hour begins
    fourth = bank.run(
        drive_of([*steps, hour, Stretch(seconds=7200.0, load_a=last)]), stop=Stop(first_empty=True), step_s=10.0
    )
    assert fourth.ended.time_s == pytest.approx(4 * 3600.0, abs=2.0)
    assert charge_left(fourth, lead()) == pytest.approx(16.67, abs=0.02)


def test_wells_even_out_at_rest() -> None:
    """An emptied unit that rests has charge at hand again, as much as the bench's own kinetic model says."""
    model = lead()
    hard = [Stretch(seconds=3000.0, load_a=60.0), Stretch(seconds=3600.0), Stretch(seconds=36_000.0, load_a=60.0)]
    record = Circuit(parse("A", known=["A"]), [model]).run(drive_of(hard), stop=Stop(first_empty=True), step_s=1.0)
    free, bound = LEAD.c * LEAD.capacity_ah, (1.0 - LEAD.c) * LEAD.capacity_ah
    for seconds, amps in ((3000.0, 60.0), (3600.0, 0.0), (record.ended.time_s - 6600.0, 60.0)):
        free, bound = _euler(free, bound, amps, seconds)
    assert free == pytest.approx(0.0, abs=0.02)
    assert record.ended.time_s > 6600.0 + 300.0


def _euler(free: float, bound: float, amps: float, seconds: float) -> tuple[float, float]:
    """Step the two wells with tiny plain steps, from the model's own equations. [Ah]"""
    k = LEAD.k_per_h * LEAD.c * (1.0 - LEAD.c)
    n = max(1, int(seconds / 0.5))
    dt_h = seconds / n / 3600.0
    for _ in range(n):
        flow = k * (bound / (1.0 - LEAD.c) - free / LEAD.c)
        free, bound = free + (flow - amps) * dt_h, bound - flow * dt_h
    return free, bound


def test_a_unit_without_wells_gives_all() -> None:
    """Without wells the whole capacity comes at any rate."""
    record = lasts(replace(lead(), wells=None), [(600.0, 60.0)], step_s=10.0)
    assert float(record.out_ah[0]) == pytest.approx(100.0, rel=1e-9)


def test_a_data_sheet_s_curve_comes_out_at_the_terminals() -> None:
    """
    The voltage model of data-sheet points gives the published voltages when its curve is the unit's (M06).

    Tremblay and Dessaint, EVS24 (2009); figures of NREL's unit test: 4.1, 4.05 and 3.4 V at full, 0.04 and 2.0 of
    2.25 Ah, 0.2 Ω at 0.2C. Its polarisation falls with charge, not with current, so it is a curve and a resistance.
    The figures are those of five strings side by side, with the charge and current of all.
    """
    full_ah, a, b, k, e0, ohm = 2.25, 0.05, 75.0, 0.08125, 4.22125, 0.2
    soc = np.linspace(1e-3, 1.0, 2001)
    drawn = full_ah * (1.0 - soc)
    volts = e0 - k * full_ah / (full_ah - drawn) + a * np.exp(-b * drawn)
    curve = own_curve(soc.tolist(), volts.tolist())
    names = [f"A{k}" for k in range(1, 6)]
    for charge_ah, amps, expected in (
        (5 * 1.125, 0.0, 4.059),
        (3.625, 2.0, 3.889),
        (5.625, -2.0, 4.139),
        (0.625, 5.0, 2.559),
    ):
        charge = charge_ah / 5 / full_ah
        five = [UnitModel(id=n, capacity_ah=full_ah, curve=curve, ohm=ohm, soc_frac=charge) for n in names]
        load = Stretch(seconds=1.0, load_a=amps) if amps >= 0.0 else Stretch(seconds=1.0, source_a=-amps)
        record = Circuit(parse(" // ".join(names), known=names), five).run(drive_of([load], WIDE), step_s=1.0)
        assert float(record.volts[0]) == pytest.approx(expected, abs=0.01)
