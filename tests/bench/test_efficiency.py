"""Charge and energy efficiency: the open lead-acid log, cycles worked out by hand, and what must be refused."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from hotchpot.bench.efficiency import efficiencies_of_log
from hotchpot.bench.estimate import Quantity
from hotchpot.bench.meter import meter
from hotchpot.bench.trace import Flow, Log, Piece, trace_of
from hotchpot.errors import InputError
from hotchpot.pile.unit import Unit

ROOT = Path(__file__).resolve().parents[2]
LOG = ROOT.parent / "shared" / "data" / "lead_acid_cc_discharge" / "log.csv"
AGM = Unit(id="A", chemistry="lead_agm", cells=6, rated_ah=17, rated_hours=20)


def piece(
    flow: Flow, hours: float, amps: float, volts: float, *, start_h: float = 0.0, unit: str = "A", gap_s: float = 0.0
) -> Piece:
    """Return a piece at constant current and voltage; current positive on discharge."""
    ah = amps * hours
    return Piece(
        flow=flow, unit=unit, line=2, start_s=3600 * start_h, end_s=3600 * (start_h + hours),
        out_ah=max(0.0, ah), in_ah=max(0.0, -ah), out_wh=max(0.0, ah) * volts, in_wh=max(0.0, -ah) * volts,
        trace=trace_of([0.0, 1800.0 * hours, 3600.0 * hours], [volts] * 3, amps), gap_s=gap_s,
    )  # fmt: skip


def log_of(*pieces: Piece) -> Log:
    """Return a log of these pieces."""
    sums = {name: sum(getattr(p, name) for p in pieces) for name in ("out_ah", "in_ah", "out_wh", "in_wh")}
    return Log(name="made.csv", rows=99, span_s=0.0, pieces=pieces, **sums)


def cycles(n: int, *, into: float = 10.5, ends: tuple[float, float] = (12.8, 12.8), rest_a: float = 0.0) -> Log:
    """Return n cycles of 10 Ah out at 12 V and `into` Ah back at 14 V, and the discharge after them."""
    pieces = []
    for k in range(n + 1):
        pieces.append(piece(Flow.REST, 2, rest_a, ends[0] if k == 0 else ends[1]))
        pieces.append(piece(Flow.DISCHARGE, 5, 2.0, 12.0))
        pieces.append(piece(Flow.CHARGE, into, -1.0, 14.0))
    return log_of(*pieces[:-1])


def open_log() -> Log:
    """Return battery A's log as pieces: each interval by its mean current, out or in by the sign of that mean."""
    with LOG.open(encoding="utf-8") as lines:
        rows = [row for row in csv.DictReader(lines) if row["battery"] == "A" and row["current_A"]]
    t, v, i = (np.array([float(row[key]) for row in rows]) for key in ("t_s", "voltage_V", "current_A"))
    hours, amps, volts = np.diff(t) / 3600.0, (i[1:] + i[:-1]) / 2, (v[1:] + v[:-1]) / 2
    kind = np.where(amps > 0.1, 1, np.where(amps < -0.05, -1, 0))
    edges = [0, *(np.flatnonzero(np.diff(kind)) + 1).tolist(), kind.size]
    flows = {1: Flow.DISCHARGE, -1: Flow.CHARGE, 0: Flow.REST}
    pieces = []
    for a, b in pairwise(edges):
        ah = amps[a:b] * hours[a:b]
        wh = ah * volts[a:b]
        pieces.append(
            Piece(
                flow=flows[int(kind[a])], unit="A", line=a + 2, start_s=float(t[a]), end_s=float(t[b]),
                out_ah=float(ah[ah > 0].sum()), in_ah=float(-ah[ah < 0].sum()),
                out_wh=float(wh[wh > 0].sum()), in_wh=float(-wh[wh < 0].sum()),
                trace=trace_of(t[a : b + 1], v[a : b + 1], i[a : b + 1]),
            )
        )  # fmt: skip
    return log_of(*pieces)


@pytest.mark.skipif(not LOG.exists(), reason="the open data set lies outside the repository and is not here")
def test_the_open_lead_acid_log() -> None:
    """
    Seven cycles of a 17 Ah battery: 124.77 Ah out, 136.94 Ah in, 0.911 of the charge and 0.825 of the energy.

    Data: V. Sulzer et al., arXiv 1902.01771 (BSD-3-Clause); the figures were computed from them apart from this code.
    """
    charge, energy = efficiencies_of_log(open_log(), unit=AGM)
    assert charge.facts["cycles"] == 7  # the one that broke off at 12.1 V was charged again, so it counts here
    assert charge.facts["end_change_v"] == pytest.approx(-0.025, abs=0.01)
    assert charge.facts["out_ah"] == pytest.approx(124.77, abs=0.02)
    assert charge.facts["in_ah"] == pytest.approx(136.94, abs=0.02)
    assert charge.value == pytest.approx(0.911, abs=0.0005)
    assert energy.value == pytest.approx(0.825, abs=0.0005)
    assert charge.quantity is Quantity.CHARGE_EFFICIENCY
    assert energy.quantity is Quantity.ENERGY_EFFICIENCY


def test_cycles_by_hand() -> None:
    """10 Ah out at 12 V, 10.5 Ah in at 14 V: 0.952 of the charge and 120/147 of the energy, whatever the count."""
    for n in (1, 3):
        charge, energy = efficiencies_of_log(cycles(n), unit=AGM)
        assert charge.value == pytest.approx(10 / 10.5)
        assert energy.value == pytest.approx(120 / 147)
        assert charge.facts["cycles"] == n


def test_a_false_zero_is_the_doubt_and_a_gain_is_none() -> None:
    """By hand: a zero off by o moves the ratio by o (5 h/10 Ah + 10.5 h/10.5 Ah + 2 h/10.24 Ah); a gain cancels."""
    charge, _ = efficiencies_of_log(cycles(1), unit=AGM, meter=meter("logger"))
    zero = next(line for line in charge.budget if "zero" in line.cause)
    expected = 10 / 10.5 * (0.5 + 1.0 + 2.0 * (0.1 + 1 / 10.5) / 2) * 0.005 / 3**0.5
    assert zero.sd == pytest.approx(expected, rel=1e-6)
    assert not any("gain" in line.cause for line in charge.budget)


def test_the_zero_is_common_to_the_instrument() -> None:
    """One sensor's zero does not average away over logs, so its line is marked as common."""
    charge, _ = efficiencies_of_log(cycles(2), unit=AGM)
    assert [line.common for line in charge.budget] == [True, False]


@pytest.mark.parametrize("pieces", [(), (0,), (0, 1), (0, 1, 2)])
def test_less_than_a_cycle_is_refused(pieces: tuple[int, ...]) -> None:
    """Without a second discharge after a charge, what is still inside cannot be told from what was lost."""
    every = (piece(Flow.DISCHARGE, 5, 2, 12), piece(Flow.CHARGE, 10, -1, 14), piece(Flow.REST, 1, 0, 12.8))
    for found in efficiencies_of_log(log_of(*(every[k] for k in pieces)), unit=AGM):
        assert found.refused
        assert [remark.code for remark in found.remarks] == ["less-than-a-cycle"]


def test_ends_that_differ_are_refused() -> None:
    """0.3 V on 12 V at rest is a tenth and more of a lead unit's charge: in and out cannot be held together."""
    charge, energy = efficiencies_of_log(cycles(2, ends=(12.8, 12.5)), unit=AGM)
    assert charge.refused
    assert energy.refused
    assert charge.remarks[0].code == "ends-unlike"
    assert "12.80 V" in charge.remarks[0].says
    assert charge.facts["end_change_v"] == pytest.approx(-0.3)
    assert not efficiencies_of_log(cycles(2, ends=(12.8, 12.75)), unit=AGM)[0].refused


def test_more_out_than_in_is_refused_and_says_what_a_false_zero_does() -> None:
    """By hand: 10 Ah from 9 Ah; 10 mA of false zero is about 1.1 x (0.5 + 1 + 0.21) x 0.01 = 0.019."""
    charge, _ = efficiencies_of_log(cycles(2, into=9.0), unit=AGM)
    assert charge.remarks[0].code == "efficiency-above-one"
    assert "0.019" in charge.remarks[0].says


def test_a_moment_s_load_makes_no_cycle() -> None:
    """A tenth of an amp-hour drawn while charging counts as drawn, but does not begin a cycle."""
    parts = list(cycles(2).pieces)
    moment = [piece(Flow.DISCHARGE, 0.05, 2.0, 12.0), piece(Flow.CHARGE, 0.1, -1.0, 14.0)]
    charge, _ = efficiencies_of_log(log_of(*parts[:3], *moment, *parts[3:]), unit=AGM)
    assert charge.facts["cycles"] == 2
    assert charge.facts["out_ah"] == pytest.approx(20.1)


def test_a_discharge_broken_by_a_rest_is_one() -> None:
    """Two halves of a discharge with a rest between are one cycle's discharge."""
    half = [piece(Flow.DISCHARGE, 2.5, 2, 12), piece(Flow.REST, 1, 0, 12.3), piece(Flow.DISCHARGE, 2.5, 2, 12)]
    rest, fed = piece(Flow.REST, 1, 0, 12.8), piece(Flow.CHARGE, 10.5, -1, 14)
    charge, _ = efficiencies_of_log(log_of(rest, *half, fed, rest, *half), unit=AGM)
    assert charge.facts["cycles"] == 1
    assert charge.value == pytest.approx(10 / 10.5)


def test_without_rests_the_ends_are_in_doubt() -> None:
    """Where no rest was logged before a discharge, whether the ends are alike cannot be seen: doubtful, not refused."""
    out, fed = piece(Flow.DISCHARGE, 5, 2, 12), piece(Flow.CHARGE, 10.5, -1, 14)
    charge, _ = efficiencies_of_log(log_of(out, fed, out), unit=AGM)
    known, _ = efficiencies_of_log(cycles(1), unit=AGM)
    assert [remark.code for remark in charge.remarks] == ["ends-unknown"]
    assert charge.sd > known.sd


def test_a_gap_is_told() -> None:
    """Hours without samples within the cycles are told, as nobody knows what flowed."""
    rest, out = piece(Flow.REST, 1, 0, 12.8), piece(Flow.DISCHARGE, 5, 2, 12)
    fed = piece(Flow.CHARGE, 10.5, -1, 14, gap_s=3600.0)
    charge, _ = efficiencies_of_log(log_of(rest, out, fed, rest, out), unit=AGM)
    assert [remark.code for remark in charge.remarks] == ["log-gaps"]


def test_several_units_in_a_log_need_a_name() -> None:
    """A log of two units must be asked for one by its name; then only its pieces count."""
    parts = cycles(1).pieces
    other = [piece(Flow.DISCHARGE, 5, 2, 12, unit="B"), piece(Flow.CHARGE, 20, -1, 14, unit="B")]
    mixed = log_of(*parts, *other)
    assert efficiencies_of_log(mixed, unit=AGM)[0].value == pytest.approx(10 / 10.5)
    with pytest.raises(InputError, match="2 units"):
        efficiencies_of_log(mixed)
