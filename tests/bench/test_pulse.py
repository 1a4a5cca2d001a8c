"""
A circuit fitted to pulses.

Referees: scipy's integrator for the circuit's equations, and open data of a 33 Ah cell (Wiggins, Allu, Wang, doi
10.5281/zenodo.2580327). Units are invented.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path
from statistics import median

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from hotchpot.bench.load.pulse import PulseFit, fit_pulse
from hotchpot.bench.remark import Weight
from hotchpot.bench.trace import Trace, trace_of
from hotchpot.errors import InputError

STRING_CELL = Path(__file__).parents[2].parent / "shared" / "data" / "series_string_6s2p" / "cell_hppc_25C.csv"
R0, PAIRS, DRIFT, OPEN_V, AMPS = 5.0, ((2.0, 4.0), (3.0, 40.0)), 0.02, 12.7, 20.0


def pulsed(
    *,
    noise_v: float = 0.0,
    pairs: tuple[tuple[float, float], ...] = PAIRS,
    rest_s: float = 180.0,
    on_s: float = 60.0,
    amps: float = AMPS,
) -> Trace:
    """Return ten seconds of rest, a pulse and a rest, by scipy's integrator; the pairs in mΩ and s."""

    def current(t: float) -> float:
        return amps if 10.0 < t <= 10.0 + on_s else 0.0

    times = np.arange(0.0, 10.0 + on_s + rest_s + 0.5, 0.5)
    states, at, done = np.zeros(len(pairs) + 1), 0.0, [np.zeros(len(pairs) + 1)]
    for until in (10.0, 10.0 + on_s, float(times[-1])):
        inside = times[(times > at) & (times <= until)]
        middle = current((at + until) / 2)

        def held(t: float, state: NDArray[np.float64], amps: float = middle) -> list[float]:
            return [*((amps - x) / tau for x, (_, tau) in zip(state, pairs, strict=False)), amps / 3600.0]

        solved = solve_ivp(held, (at, until), states, t_eval=inside, rtol=1e-10, atol=1e-12)
        done += list(solved.y.T)
        states, at = solved.y[:, -1], until
    states_all = np.array(done)
    amps_all = np.array([current(t) for t in times])
    fall = R0 * amps_all / 1000 + DRIFT * states_all[:, -1]
    for j, (mohm, _) in enumerate(pairs):
        fall = fall + mohm * states_all[:, j] / 1000
    noise = np.random.default_rng(7).normal(0.0, noise_v, times.size) if noise_v else 0.0
    return trace_of(times, OPEN_V - fall + noise, amps_all, ah=states_all[:, -1])


def test_a_circuit_comes_back() -> None:
    """The parameters of a pulse made by scipy's integrator come back, with next to nothing left."""
    found = fit_pulse(pulsed())
    assert found.r0_mohm is not None
    assert found.r0_mohm.value == pytest.approx(R0, rel=1e-4)
    assert [(p.mohm.value, p.tau_s.value) for p in found.pairs] == [pytest.approx(pair, rel=1e-2) for pair in PAIRS]
    assert found.open_v == pytest.approx(OPEN_V, abs=1e-5)
    assert found.drift_v_per_ah == pytest.approx(DRIFT, rel=0.02)
    assert found.residual_v is not None
    assert found.residual_v < 1e-6
    assert found.remarks == ()


def test_a_pulse_of_charge() -> None:
    """A pulse into the unit has the same circuit."""
    found = fit_pulse(pulsed(amps=-AMPS))
    assert found.r0_mohm is not None
    assert found.r0_mohm.value == pytest.approx(R0, rel=1e-4)
    assert len(found.pairs) == 2


def test_doubts_hold_the_truth() -> None:
    """With 1 mV of noise every parameter lies within four of its standard deviations, and the residual is the noise."""
    found = fit_pulse(pulsed(noise_v=0.001))
    assert found.r0_mohm is not None
    assert abs(found.r0_mohm.value - R0) < 4 * found.r0_mohm.sd
    for pair, (mohm, tau) in zip(found.pairs, PAIRS, strict=True):
        assert abs(pair.mohm.value - mohm) < 4 * pair.mohm.sd
        assert abs(pair.tau_s.value - tau) < 4 * pair.tau_s.sd
    assert found.residual_v == pytest.approx(0.001, rel=0.1)


def test_fewer_pairs_where_one_is_all() -> None:
    """A unit with one pair gets one, however many are asked for, and the fit says so; none asked, none given."""
    one = fit_pulse(pulsed(pairs=((4.0, 20.0),), noise_v=0.0005), pairs=3)
    assert len(one.pairs) == 1
    assert (one.pairs[0].mohm.value, one.pairs[0].tau_s.value) == pytest.approx((4.0, 20.0), rel=0.1)
    assert [remark.code for remark in one.remarks] == ["fewer-pairs"]
    assert fit_pulse(pulsed(), pairs=0).pairs == ()


def test_noise_is_no_pair() -> None:
    """A plain resistance read with noise gets no pair."""
    found = fit_pulse(pulsed(pairs=(), noise_v=0.002))
    assert found.pairs == ()
    assert found.r0_mohm is not None
    assert found.r0_mohm.value == pytest.approx(R0, abs=5 * found.r0_mohm.sd)


def test_a_pair_slower_than_the_trace_is_told() -> None:
    """A pair of half an hour in a log of two minutes is doubtful, or told as one with the drift."""
    found = fit_pulse(pulsed(pairs=((2.0, 4.0), (20.0, 1800.0)), on_s=60, rest_s=60), pairs=2)
    assert {remark.code for remark in found.remarks} & {"outlasts-the-trace", "pair-or-drift", "fewer-pairs"}
    assert found.response_mohm(30) == pytest.approx(
        R0 + 2 * (1 - math.exp(-30 / 4)) + 20 * (1 - math.exp(-30 / 1800)) + 0.02 / 3.6 * 30, rel=0.02
    )


def test_the_same_twice() -> None:
    """The fit starts from fixed places: the same samples give the same numbers."""
    assert fit_pulse(pulsed(noise_v=0.001)) == fit_pulse(pulsed(noise_v=0.001))


def test_samples_not_to_be_used() -> None:
    """NaN volts, as around the switching, are passed over."""
    trace = pulsed()
    trace.volts[[21, 22, 141, 200]] = math.nan
    found = fit_pulse(trace)
    assert found.r0_mohm is not None
    assert found.r0_mohm.value == pytest.approx(R0, rel=1e-3)


def test_two_samples_at_the_instant() -> None:
    """A logger may write the instant of switching twice, before and after: that is no interval and no fault."""
    trace = pulsed()
    k = 20  # 10 s
    volts = np.insert(trace.volts, k + 1, trace.volts[k] - R0 * AMPS / 1000)
    doubled = trace_of(np.insert(trace.time_s, k + 1, trace.time_s[k]), volts, np.insert(trace.amps, k + 1, AMPS))
    found = fit_pulse(doubled)
    assert found.r0_mohm is not None
    assert found.r0_mohm.value == pytest.approx(R0, rel=1e-3)


def test_no_pulse_is_refused() -> None:
    """Rest, a load that was on from the start, and a handful of samples hold no pulse: no circuit, and why."""
    t = np.arange(60.0)
    for trace in (
        trace_of(t, 12.7 + 0 * t, 0.0),
        trace_of(t, 12.5 - 1e-3 * t, 5.0),
        trace_of(t[:4], t[:4], [0, 1, 1, 0]),
    ):
        found = fit_pulse(trace, subject="A1")
        assert found.refused
        assert (found.remarks[0].code, found.remarks[0].weight) == ("no-pulse", Weight.REFUSED)
        assert math.isnan(found.response_mohm(10))


def test_faults_of_the_input() -> None:
    """A number of pairs out of reach, time that falls and lists of unlike length are faults of the input."""
    trace = pulsed()
    with pytest.raises(InputError, match="must be 0 to 3"):
        fit_pulse(trace, pairs=4)
    with pytest.raises(InputError, match="its time falls"):
        fit_pulse(trace_of(trace.time_s[::-1], trace.volts, trace.amps))
    with pytest.raises(InputError, match="unlike in length"):
        fit_pulse(Trace(time_s=trace.time_s, volts=trace.volts[:-1], amps=trace.amps, ah=trace.ah))


# --- open data -------------------------------------------------------------------------------------------------------


def cell_fits() -> list[tuple[PulseFit, float]]:
    """Return the fit of each 30 A pulse of the 33 Ah cell, with the resistance read at its end. [mΩ]"""
    if not STRING_CELL.is_file():
        pytest.skip("the open data of the 33 Ah cell is not beside the repository")
    with STRING_CELL.open(encoding="utf-8") as file:
        rows = [
            (float(r["t_s"]), float(r["voltage_V"]), -float(r["current_A"]), int(r["step"]))
            for r in csv.DictReader(file)
        ]
    fits = []
    for k in (k for k in range(1, len(rows)) if rows[k][3] == 6 and rows[k - 1][3] != 6):
        end = next(j for j in range(k, len(rows)) if rows[j][3] == 8)
        t, v, a, _ = np.array(rows[k - 3 : end]).T
        fits.append((fit_pulse(trace_of(t, v, a)), 1000 * (rows[k - 1][1] - rows[k + 59][1]) / 30))
    return fits


def test_string_cell() -> None:
    """The response after 30 s is what was read there, 2.55 mΩ, within two counts of 1 mV; the residual is under one."""
    fits = cell_fits()
    assert len(fits) == 10
    for found, read in fits:
        assert len(found.pairs) == 2
        assert found.residual_v is not None
        assert found.residual_v < 0.001
        assert found.response_mohm(30) == pytest.approx(read, abs=1000 * 0.002 / 30)
        assert found.r0_mohm is not None
        assert 1.4 < found.r0_mohm.value < 1.77  # under what is read half a second on
    assert median(found.response_mohm(30) for found, _ in fits) == pytest.approx(2.55, abs=0.05)
    assert median(found.residual_v or 1.0 for found, _ in fits) < 0.0005
