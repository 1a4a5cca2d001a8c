"""A unit's own open-circuit curve: open cells against their rest points, made runs found again, refusals."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from hotchpot.bench.meter import meter
from hotchpot.bench.standing.charge import charge_of_rest
from hotchpot.bench.standing.curve import curve_of_points, curve_of_run
from hotchpot.bench.trace import Trace, trace_of
from hotchpot.chemistry import chemistry
from hotchpot.errors import InputError
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit

ROOT = Path(__file__).resolve().parents[2]
STRING = ROOT.parent / "shared" / "data" / "series_string_6s2p"
RETIRED = ROOT / "tests" / "data" / "retired_cells_mean.csv"
HERE = pytest.mark.skipif(not STRING.exists(), reason="the open data set lies outside the repository, not here")
LEAF = Unit(id="L1", chemistry="lmo", cells=1, rated_ah=33, rated_hours=3)
NMC = Unit(id="N1", chemistry="nmc", cells=7, rated_ah=20, rated_hours=5)
LAB = meter("lab")
FULL_REST_V = 4.182  # of the pulse test's cell, an hour after its charge


def slow_run() -> Trace:
    """Return the cell's C/15 discharge."""
    with (STRING / "cell_cc_discharge.csv").open(encoding="utf-8") as lines:
        rows = [row for row in csv.DictReader(lines) if row["rate"] == "C/15"]
    return trace_of([float(r["t_s"]) for r in rows], [float(r["voltage_V"]) for r in rows], 2.17)


def rest_points() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return charge drawn and rest voltage just before each pulse of the pulse test, and all that it drew. [Ah], [V]"""
    with (STRING / "cell_hppc_25C.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    t, i, v = (np.array([float(row[key]) for row in rows]) for key in ("t_s", "current_A", "voltage_V"))
    steps = np.array([int(row["step"]) for row in rows])
    drawn = np.concatenate([[0.0], np.cumsum(-(i[1:] + i[:-1]) / 2 * np.diff(t) / 3600.0)])
    ends = np.flatnonzero(np.isin(steps[:-1], (5, 10)) & (steps[1:] == 6))
    return np.append(drawn[ends], drawn[-1]), np.append(v[ends], v[-1])


def made_run(
    *, hours: float = 20.0, ohm: float = 0.0, rate_ah: float = 20.0, until: float = 0.0, sign: float = 1.0
) -> Trace:
    """Return a run of the NMC unit over its chemistry's curve with a resistance, from full, or from empty where < 0."""
    soc = np.linspace(1.0, until, 400) if sign > 0 else np.linspace(until, 1.0, 400)
    amps = sign * rate_ah / hours
    volts = [7 * chemistry("nmc").ocv.volts(float(s)) - amps * ohm for s in soc]
    return trace_of(np.linspace(0, 3600 * hours * (1 - until), 400), volts, amps)


@HERE
def test_the_slow_run_meets_the_cell_s_rest_points() -> None:
    """
    The open C/15 run, freed of its drop, lies within its own doubt of the pulse test's rest points from 15 to 95 %.

    Data: G. Wiggins et al., doi 10.5281/zenodo.2580327. The run reads 0.25 V (116 mΩ) below the rest points all along:
    leads, which the rest voltage before the run shows and the remark tells. Near empty, diffusion adds more than that.
    """
    drawn, rest = rest_points()
    capacity = float(drawn[-1])
    own = curve_of_run(slow_run(), unit=LEAF, meter=LAB, capacity_ah=capacity, full_rest_v=FULL_REST_V)
    charge = 1.0 - drawn / capacity
    inside = (charge > 0.15) & (charge < 0.95)
    off = np.array([own.curve.volts(float(s)) for s in charge[inside]]) - rest[inside]
    assert inside.sum() >= 8
    assert np.abs(off).max() < 2.1 * own.sd_v
    assert [remark.code for remark in own.remarks] == ["leads-in-reading"]
    of_label = np.array([chemistry("lmo").ocv.volts(float(s)) for s in charge[inside]]) - rest[inside]
    assert np.sqrt((off**2).mean()) < 0.75 * np.sqrt((of_label**2).mean())


@HERE
def test_the_cell_s_own_rest_points_give_its_curve() -> None:
    """Rest points of the pulse test, every other one left out: the curve meets those left out within its doubt."""
    drawn, rest = rest_points()
    charge = (1.0 - drawn / drawn[-1])[:-1]
    used = [0, 2, 4, 6, 8]
    own = curve_of_points(charge[used].clip(0, 1).tolist(), rest[used].tolist(), unit=LEAF, meter=LAB)
    for k in (1, 3, 5, 7):
        assert own.curve.volts(float(charge[k])) == pytest.approx(rest[k], abs=2.5 * own.sd_v)
    assert own.sd_v < 0.02
    assert not own.refused


def test_retired_cells_are_off_their_chemistry_s_curve_by_more_than_its_doubt() -> None:
    """
    The NMC batch's mean rest points lie 45 to 120 mV above the chemistry's curve; their own curve meets them.

    Data: S. Tao et al., Nature Communications 2024, doi 10.1038/s41467-024-54454-0 (MIT), means of the batch.
    """
    with RETIRED.open(encoding="utf-8") as lines:
        rows = [row for row in csv.DictReader(lines) if row["chemistry"] == "NMC"]
    soc, volts = [float(row["soc_frac"]) for row in rows], [float(row["rest_v"]) for row in rows]
    cell = Unit(id="N2", chemistry="nmc", cells=1, rated_ah=2.1, rated_hours=1)
    own = curve_of_points(soc, volts, unit=cell, meter=LAB)
    assert not own.refused
    of_label = [abs(chemistry("nmc").ocv.volts(s) - v) for s, v in zip(soc, volts, strict=True)]
    assert max(of_label) > 1.96 * chemistry("nmc").num("ocv_curve_sd")
    assert max(abs(own.curve.volts(s) - v) for s, v in zip(soc, volts, strict=True)) < 0.002
    assert own.sd_v < chemistry("nmc").num("ocv_curve_sd")
    by_own = charge_of_rest(Measure(volts[4], 0.001), unit=cell, curve=own, temperature_c=25.0)
    by_label = charge_of_rest(Measure(volts[4], 0.001), unit=cell, temperature_c=25.0)
    assert by_own.value == pytest.approx(soc[4], abs=0.01)
    assert by_label.value is not None
    assert abs(by_label.value - soc[4]) > abs((by_own.value or 0.0) - soc[4])
    assert by_own.sd < by_label.sd


def test_beyond_what_was_measured_the_chemistry_s_doubt_holds() -> None:
    """A curve measured from 6 to 62 % says nothing new of 90 %: there the doubt is the chemistry's."""
    cell = Unit(id="N2", chemistry="nmc", cells=1, rated_ah=2.1, rated_hours=1)
    own = curve_of_points([0.06, 0.2, 0.4, 0.62], [3.49, 3.60, 3.74, 3.88], unit=cell, meter=LAB)
    assert (own.low, own.high) == (0.06, 0.62)
    assert own.sd_at(0.4, otherwise=0.03) == own.sd_v
    assert own.sd_at(0.9, otherwise=0.03) == 0.03
    assert own.curve.volts(1.0) > own.curve.volts(0.62)


@pytest.mark.parametrize("until", [0.0, 0.1])
def test_a_made_run_is_found_again(until: float) -> None:
    """A C/20 run over a known curve with a known resistance gives that curve back, per cell, to 3 mV."""
    run = made_run(ohm=0.05, until=until)
    own = curve_of_run(run, unit=NMC, meter=LAB, capacity_ah=20.0, resistance_mohm=50.0)
    assert not own.refused
    for soc in np.linspace(max(until, 0.06), 1.0, 20):
        assert own.curve.volts(float(soc)) == pytest.approx(chemistry("nmc").ocv.volts(float(soc)), abs=0.003)
    assert own.low == pytest.approx(until, abs=1e-3)


@pytest.mark.parametrize("every_s", [10.0, 240.0])
@pytest.mark.parametrize("key", ["lto", "nmc", "lfp"])
def test_the_drop_from_rest_is_freed_of_the_curve_s_own_fall(key: str, every_s: float) -> None:
    """Five samples 240 s apart draw 1 % of the charge: what the curve falls by there is no resistance (Ohm's law)."""
    chem, amps, ohm = chemistry(key), 1.0, 0.080
    unit = Unit(id="U", chemistry=key, cells=5, rated_ah=20, rated_hours=5)
    time_s = np.arange(0.0, 20 * 3600.0 + 1.0, every_s)
    volts = [5 * chem.ocv.volts(1.0 - t * amps / 3600.0 / 20.0) - amps * ohm for t in time_s.tolist()]
    full_v = 5 * chem.ocv.volts(1.0)
    own = curve_of_run(trace_of(time_s, volts, amps), unit=unit, meter=LAB, capacity_ah=20.0, full_rest_v=full_v)
    assert own.facts["drop_v"] == pytest.approx(amps * ohm / 5, rel=1e-6)


def test_both_branches_need_no_resistance() -> None:
    """The mean of a slow discharge and a slow charge is free of the drop, whatever it is."""
    down, up = made_run(ohm=0.2), made_run(ohm=0.2, sign=-1.0)
    own = curve_of_run(down, unit=NMC, meter=LAB, capacity_ah=20.0, charge=up)
    one = curve_of_run(down, unit=NMC, meter=LAB, capacity_ah=20.0)
    assert own.curve.volts(0.5) == pytest.approx(chemistry("nmc").ocv.volts(0.5), abs=1e-3)
    assert own.sd_v < one.sd_v


def test_the_curve_rises_strictly_whatever_the_noise() -> None:
    """Noise of 20 mV makes the samples fall in places; the curve must rise, so that it can be read backwards."""
    run, rng = made_run(), np.random.default_rng(4)
    noisy = trace_of(run.time_s, run.volts + rng.normal(0, 0.14, run.volts.size), run.amps)
    own = curve_of_run(noisy, unit=NMC, meter=LAB, capacity_ah=20.0)
    assert bool(np.all(np.diff(own.curve.volt) > 0))
    assert bool(np.all(np.diff(own.curve.soc) > 0))
    assert own.facts["scatter_v"] > 0.001


def test_isotonic_by_hand() -> None:
    """Pooling of adjacent violators: 3.5, 3.7, 3.6, 3.9 become 3.5, 3.65, 3.65, 3.9."""
    cell = Unit(id="N2", chemistry="nmc", cells=1, rated_ah=2.1, rated_hours=1)
    own = curve_of_points([0.1, 0.4, 0.6, 0.9], [3.5, 3.7, 3.6, 3.9], unit=cell, meter=LAB)
    assert [own.curve.volts(s) for s in (0.1, 0.4, 0.6, 0.9)] == pytest.approx([3.5, 3.65, 3.65, 3.9], abs=1e-4)


@pytest.mark.parametrize(
    ("run", "known", "code"),
    [
        (made_run(hours=5.0), {"capacity_ah": 20.0}, "run-too-fast"),
        (made_run(until=0.4), {"capacity_ah": 20.0}, "run-too-short"),
        (made_run(until=0.4), {}, "capacity-unknown"),
    ],
)
def test_runs_that_cannot_tell_are_refused(run: Trace, known: dict[str, float], code: str) -> None:
    """Too fast without a resistance, too short, or without a capacity: refused, and the chemistry's curve stays."""
    own = curve_of_run(run, unit=NMC, meter=LAB, **known)
    assert own.refused
    assert own.remarks[0].code == code
    assert own.curve == chemistry("nmc").ocv
    assert not own.measured


def test_a_fast_run_with_a_known_resistance_will_do() -> None:
    """C/5 with the resistance known gives the curve back."""
    own = curve_of_run(made_run(hours=5, ohm=0.05), unit=NMC, meter=LAB, capacity_ah=20.0, resistance_mohm=50.0)
    assert not own.refused
    assert own.curve.volts(0.5) == pytest.approx(chemistry("nmc").ocv.volts(0.5), abs=0.002)


@pytest.mark.parametrize(
    ("soc", "volts"), [([0.1, 0.5, 0.9], [24.0, 25.9, 28.0]), ([0.5, 0.6, 0.7, 0.8], [26, 26.5, 27, 27.5])]
)
def test_points_that_cannot_tell_are_refused(soc: list[float], volts: list[float]) -> None:
    """Fewer than four points, or less than half of the charge between them, are no curve."""
    own = curve_of_points(soc, volts, unit=NMC, meter=LAB)
    assert own.refused
    assert own.remarks[0].code == "too-few-points"


def test_malformed_input_is_told_at_once() -> None:
    """Unlike lists, charges beyond 0 to 1, runs of the wrong sign and runs of a few samples are faults of the input."""
    with pytest.raises(InputError) as caught:
        curve_of_points([0.1, 1.5], [3.6], unit=NMC, meter=LAB)
    assert len(caught.value.faults) == 2
    with pytest.raises(InputError, match="wrong sign"):
        curve_of_run(made_run(sign=-1.0), unit=NMC, meter=LAB)
    with pytest.raises(InputError, match="fewer than ten"):
        curve_of_run(trace_of([0, 1], [4.1, 4.0], 1.0), unit=NMC, meter=LAB)


def test_the_stated_doubt_holds_the_true_curve() -> None:
    """200 made cells read by a hand meter at rest points: the curve is within ± 1.96 of its doubt in 90 to 100 %."""
    rng, hand, held = np.random.default_rng(9), meter("hand"), 0
    soc = [0.1, 0.3, 0.5, 0.7, 0.9]
    for _ in range(200):
        shift = rng.normal(0, 0.03)
        true = [chemistry("nmc").ocv.volts(s) + shift for s in soc]
        gain, limit = 1 + rng.uniform(-1, 1) * hand.volts.gain_frac, hand.volts.own_limit()
        counted = [float(np.clip(s + rng.normal(0, 0.01), 0, 1)) for s in soc]
        read = [7 * v * gain + rng.uniform(-limit, limit) for v in true]
        own = curve_of_points(counted, read, unit=NMC, meter=hand)
        held += abs(own.curve.volts(0.5) - true[2]) <= 1.96 * own.sd_v
    assert held / 200 >= 0.90
