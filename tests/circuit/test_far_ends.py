"""What units do far from the middle of their laws: cold, gassing hard, short peaks, loads that come and go."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from hotchpot.bank.notation import parse
from hotchpot.chemistry import chemistry
from hotchpot.circuit.drive import ChargePlan, Drive, Stop, Stretch, drive_of
from hotchpot.circuit.model import Gas, UnitModel, own_curve
from hotchpot.circuit.record import Record
from hotchpot.circuit.run import Circuit, Electronics

LFP = UnitModel(
    id="A", capacity_ah=100.0, curve=chemistry("lfp").ocv, cells=4, ohm=0.006, empty_drop_v=15.0,
    capacity_by_warmth=((-20.0, 0.5), (-10.0, 0.66), (0.0, 0.8), (25.0, 1.0)), heat_j_k=9000.0, cooling_w_k=1.0,
    leak_a=0.004,
)  # fmt: skip
STRAIGHT = UnitModel(id="A", capacity_ah=100.0, curve=own_curve([0, 1], [11.0, 13.0]), ohm=0.01)


def go(unit: UnitModel, drive: Drive, **options: object) -> Record:
    """Return one unit's run."""
    return Circuit(parse("A", known=["A"]), [unit]).run(drive, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("celsius", [-19.0, -10.0, 0.0, 20.0])
@pytest.mark.parametrize("soc", [0.05, 0.15, 0.3])
def test_cold_alone_never_empties_a_unit(celsius: float, soc: float) -> None:
    """At rest a unit shows the voltage of its charge, however cold it is: what the cold holds back is not gone."""
    cold = replace(LFP, soc_frac=soc, temperature_c=celsius)
    record = go(cold, drive_of([Stretch(seconds=7200.0)]), ambient_c=celsius)
    assert record.volts == pytest.approx(4 * LFP.curve.volts(soc), abs=0.02)
    assert not {"empty", "reversed"} & {event.kind for event in record.events}
    charged = go(cold, drive_of([Stretch(seconds=600.0, source_a=5.0)], ChargePlan(absorb_v=14.6)), ambient_c=celsius)
    assert charged.volts.min() > 4 * LFP.curve.volts(soc) - 0.02


def test_units_running_empty_in_the_cool_draw_no_spikes() -> None:
    """
    As units in parallel run empty while they warm, each hands over to the others once, and not again every minute.

    Each of the first three knees may move a current by some amps in a second; a look at warmth must not.
    """
    sizes = {"A": 60.0, "B": 90.0, "C": 100.0, "D": 110.0}
    four = [replace(LFP, id=name, capacity_ah=ah, temperature_c=5.0) for name, ah in sizes.items()]
    bank = Circuit(parse("A // B // C // D", known=sizes), four)
    drive = drive_of([Stretch(seconds=12_000.0, load_w=1500.0)])
    record = bank.run(drive, stop=Stop(low_v=11.0), step_s=1.0, record_s=1.0, ambient_c=5.0)
    last = max(event.time_s for event in record.events if event.kind == "empty")
    steps = np.abs(np.diff(record.unit_amps[record.time_s < last], axis=0)).max(axis=1)
    assert steps.max() < 9.0
    assert (steps > 3.0).sum() < 12


@pytest.mark.parametrize(("ah", "amps"), [(100, 20), (12, 40), (7, 40), (4, 20), (1, 200)])
@pytest.mark.parametrize("soc", [0.5, 1.0])
def test_gas_is_that_of_its_law_at_any_voltage(ah: float, amps: float, soc: float) -> None:
    """The first voltage of a small unit charged very hard is the root of its law, by scipy's bracketing."""
    gas = Gas(amps=1e-4 * ah, at_v=13.38, per_v=11.0 / 6.0, per_k=0.06, kept_v=0.0)
    unit = UnitModel(
        id="A", capacity_ah=ah, curve=chemistry("lead_agm").ocv, cells=6, ohm=0.54 / ah, gas=gas, soc_frac=soc
    )
    record = go(unit, drive_of([Stretch(seconds=60.0, source_a=amps)], ChargePlan(absorb_v=500.0)), step_s=1.0)
    rest = 6 * unit.curve.volts(soc)

    def over(volts: float) -> float:
        return (volts - rest) / unit.ohm + gas.amps * math.exp(min(gas.per_v * (volts - gas.at_v), 600.0)) - amps

    assert record.volts[0] == pytest.approx(brentq(over, rest, rest + amps * unit.ohm), abs=1e-4)
    assert record.balance.energy_error_frac < 1e-6


def test_a_peak_between_two_records_is_kept() -> None:
    """Two seconds of 300 A in a day stand in the extremes, with their moment, though no record falls on them."""
    stretches = [
        Stretch(seconds=40_001.0, load_a=0.1),
        Stretch(seconds=2.0, load_a=300.0),
        Stretch(seconds=40_000.0, load_a=0.1),
    ]
    record = go(STRAIGHT, drive_of(stretches))
    assert record.unit_amps.max() < 300.0
    assert record.peaks.out_a == pytest.approx([300.0])
    assert 40_001.0 <= record.peaks.out_a_s[0] <= 40_003.0
    assert record.peaks.low_v == pytest.approx([13.0 - 300.0 * 0.01], abs=0.05)


def test_a_trip_at_the_first_moment_is_told_with_its_amps() -> None:
    """A joining whose surge opens a unit's electronics at once ends as parted, and the surge stands in the record."""
    high, low = STRAIGHT, replace(STRAIGHT, id="B", soc_frac=0.0)
    bank = Circuit(parse("A // B", known="AB"), [high, low], electronics={"B": Electronics(most_a=80.0)})
    record = bank.run(drive_of([Stretch(seconds=3600.0)]), stop=Stop(settled_a=0.1), fine=True)
    opened = record.first("electronics-amps")
    assert opened is not None
    assert opened.amps == pytest.approx(-100.0)
    assert record.unit_amps[0] == pytest.approx([100.0, -100.0])
    assert record.peaks.in_a[1] == pytest.approx(100.0)
    assert record.ended.kind == "parted"


def test_loads_come_back_no_sooner_than_they_may() -> None:
    """A bank whose voltage jumps up as its loads go off does not flutter: five minutes lie between off and on."""
    weak = UnitModel(id="A", capacity_ah=20.0, curve=own_curve([0, 1], [11.0, 13.0]), ohm=0.2, soc_frac=0.5)
    record = go(weak, drive_of([Stretch(seconds=7200.0, load_a=9.0)]), stop=Stop(low_v=10.5, back_v=11.0), step_s=10.0)
    off = [event.time_s for event in record.events if event.kind == "loads-off"]
    on = [event.time_s for event in record.events if event.kind == "loads-on"]
    assert 1 <= len(off) <= 30
    assert all(back - gone >= 300.0 for gone, back in zip(off, on, strict=False))
