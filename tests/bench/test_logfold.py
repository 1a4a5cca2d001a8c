"""The fold of a logger's file: its count against scipy and a published log, its pieces, and what it mends."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import trapezoid

from hotchpot.bench.logs.logfold import LogFold
from hotchpot.bench.logs.logscale import scale_of
from hotchpot.bench.trace import Flow, Log
from hotchpot.errors import InputError

Floats = NDArray[np.float64]
DATA = Path(__file__).resolve().parents[3] / "shared" / "data" / "lead_acid_cc_discharge"

# runs.csv and README of the lead-acid log (V. Sulzer and others, arXiv 1902.01771, data in their repository, BSD-3).
RUNS_AH = {"A": (19.739, 19.843, 19.675, 8.70, 19.283, 18.967, 18.294, 18.458), "B": (14.113,)}


# --- helpers ---------------------------------------------------------------------------------------------------------


def battery(amps: Floats, t: Floats, *, ohm: float = 0.02) -> Floats:
    """Return the voltage of an invented 12 V battery under a current: resistance and a slow fall with charge drawn."""
    drawn = np.concatenate([[0.0], np.cumsum(0.5 * (amps[1:] + amps[:-1]) * np.diff(t)) / 3600.0])
    return np.asarray(12.7 - 0.02 * drawn - ohm * amps)


def folded(
    t: Floats, v: Floats, a: Floats, c: Floats | None = None, *, cuts: tuple[int, ...] = (), line: int = 2
) -> Log:
    """Return the log of rows given in batches that end at `cuts`."""
    fold = LogFold(name="invented.csv", unit="U1")
    for low, high in zip((0, *cuts), (*cuts, len(t)), strict=True):
        fold.add(t[low:high], v[low:high], a[low:high], None if c is None else c[low:high], line + low)
    return fold.close()


def program(*steps: tuple[float, float], every_s: float = 10.0) -> tuple[Floats, Floats, Floats]:
    """Return time, volts and amps of a program of (hours, amps)."""
    amps = np.concatenate([np.full(round(hours * 3600 / every_s), current) for hours, current in steps])
    t = np.arange(amps.size) * every_s
    return t, battery(amps, t), amps


def told(log: Log) -> list[tuple[str, float, float]]:
    """Return what a log says piece by piece, rounded."""
    return [(str(piece.flow), round(piece.out_ah, 3), round(piece.in_ah, 3)) for piece in log.pieces]


def codes(log: Log) -> set[str]:
    """Return the codes of a log's remarks."""
    return {remark.code for remark in log.remarks}


def alike(one: object, other: object) -> bool:
    """Whether two results are the same to the last bit, arrays and not-a-number included."""
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        return one.shape == other.shape and bool(((one == other) | (np.isnan(one) & np.isnan(other))).all())
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(alike, one, other))
    if hasattr(type(one), "__dataclass_fields__"):
        return type(one) is type(other) and all(
            alike(getattr(one, name), getattr(other, name)) for name in type(one).__dataclass_fields__
        )
    return one == other


@contextmanager
def small_tiles(rows: int = 128) -> Iterator[None]:
    """Fold in tiles of few rows, so that small logs have many of them."""
    fold, tile = "hotchpot.bench.logs.logfold", "hotchpot.bench.logs.logtile"
    with patch(f"{fold}.TILE", rows), patch(f"{fold}.HEAD", 2 * rows), patch(f"{tile}.TILE", rows):
        yield


@st.composite
def rough_logs(draw: st.DrawFn) -> tuple[Floats, Floats, Floats, Floats]:
    """Return an invented log with all that loggers do: steps, noise, holes, doubles, lone sensors, a set clock."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    stretches = draw(st.lists(st.sampled_from([-4.0, -0.5, 0.0, 0.01, 2.0, 5.0]), min_size=2, max_size=12))
    amps = np.concatenate([np.full(rng.integers(1, 120), level) for level in stretches])
    amps = amps + rng.normal(0.0, 1e-3, amps.size)
    step = rng.choice([0.1, 1.0, 10.0, 10.0, 10.0, 60.0], amps.size)
    if draw(st.booleans()):
        step[rng.integers(0, amps.size, 3)] = 0.0
    t = np.cumsum(step)
    v = np.round(battery(amps, t), 3)
    c = np.where(rng.random(amps.size) < 0.2, 22.0, np.nan)
    if draw(st.booleans()):
        gone = rng.random(amps.size) < 0.1
        v[gone], amps[gone] = np.nan, np.nan
    if draw(st.booleans()) and amps.size > 20:
        t[int(rng.integers(10, amps.size)) :] -= 3600.0
    return t, v, amps, c


# --- the published log -----------------------------------------------------------------------------------------------


@cache
def published(battery_name: str) -> Log:
    """Return the log of one battery of the published file."""
    if not DATA.exists():
        pytest.skip("the open data are not beside this checkout")
    with (DATA / "log.csv").open(newline="") as file:
        rows = [(k, row) for k, row in enumerate(csv.DictReader(file), 2) if row["battery"] == battery_name]
    t, v, a, c = (
        np.array([float(row[name] or "nan") for _, row in rows])
        for name in ("t_s", "voltage_V", "current_A", "temperature_C")
    )
    fold = LogFold(name="log.csv", unit=battery_name)
    fold.add(t, v, a, c, rows[0][0])
    return fold.close()


@pytest.mark.parametrize("name", RUNS_AH)
def test_the_published_runs_count_as_published(name: str) -> None:
    """
    Each discharge of the published log is one piece with the published charge, ± 0.01 Ah.

    The fourth was aborted after interruptions, which runs.csv counts as if the load had stayed on: held to 0.1 Ah.
    """
    runs = [piece for piece in published(name).pieces if piece.flow is Flow.DISCHARGE]
    assert len(runs) == len(RUNS_AH[name])
    for k, (piece, ah) in enumerate(zip(runs, RUNS_AH[name], strict=True)):
        assert piece.out_ah == pytest.approx(ah, abs=0.1 if name == "A" and k == 3 else 0.01)
        assert piece.trace.drawn_ah == pytest.approx(piece.out_ah - piece.in_ah, abs=1e-9)


def test_the_published_cycles_sum_as_published() -> None:
    """From the first discharge to the start of the last: 124.77 Ah out, 136.94 in, 1498.41 and 1815.91 Wh (README)."""
    log = published("A")
    runs = [piece for piece in log.pieces if piece.flow is Flow.DISCHARGE]
    cycles = [piece for piece in log.pieces if runs[0].start_s <= piece.start_s < runs[-1].start_s]
    out_ah, in_ah, out_wh, in_wh = (
        sum(getattr(piece, name) for piece in cycles) for name in ("out_ah", "in_ah", "out_wh", "in_wh")
    )
    assert (out_ah, in_ah) == (pytest.approx(124.77, abs=0.01), pytest.approx(136.94, abs=0.01))
    assert (out_wh, in_wh) == (pytest.approx(1498.41, abs=0.05), pytest.approx(1815.91, abs=0.05))
    assert out_ah / in_ah == pytest.approx(0.911, abs=0.0005)
    assert out_wh / in_wh == pytest.approx(0.825, abs=0.0005)


def test_the_published_lowest_voltage_is_no_stale_one() -> None:
    """The lowest volts of each run's trace are those of runs.csv, which leave out the instants of switching."""
    runs = [piece for piece in published("A").pieces if piece.flow is Flow.DISCHARGE]
    with (DATA / "runs.csv").open(newline="") as file:
        least = [float(row["min_V"]) for row in csv.DictReader(file) if row["battery"] == "A"]
    assert [float(np.nanmin(run.trace.volts)) for run in runs] == [pytest.approx(volts, abs=1e-3) for volts in least]


def test_volts_at_the_instants_of_switching_are_not_used() -> None:
    """Line 15 of the published file and those around it share one voltage across the step (its README, caution 3)."""
    log = published("A")
    jump = next(jump for jump in log.jumps if jump.line == 15)
    assert np.isnan(jump.before.volts[-1])
    assert np.isnan(jump.after.volts[:2]).all()
    assert jump.after.volts[2] == 12.6125
    assert "log-stale-volts" in codes(log)


# --- laws ------------------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(rough_logs(), st.data())
def test_batches_do_not_matter(rough: tuple[Floats, Floats, Floats, Floats], data: st.DataObject) -> None:
    """However the rows are cut into batches, the log is the same to the last bit."""
    cuts = tuple(sorted(data.draw(st.sets(st.integers(0, len(rough[0])), max_size=6))))
    with small_tiles():
        assert alike(folded(*rough), folded(*rough, cuts=cuts))


@settings(max_examples=60, deadline=None)
@given(rough_logs())
def test_pieces_tile_the_log_and_sum_to_it(rough: tuple[Floats, Floats, Floats, Floats]) -> None:
    """Every interval belongs to one piece: each begins where the last ends, and their charges sum to the log's."""
    with small_tiles():
        log = folded(*rough)
    ends = [piece.end_s for piece in log.pieces]
    assert [piece.start_s for piece in log.pieces[1:]] == ends[:-1]
    assert ends[-1] - log.pieces[0].start_s == pytest.approx(log.span_s)
    for name in ("out_ah", "in_ah", "out_wh", "in_wh"):
        assert sum(getattr(piece, name) for piece in log.pieces) == pytest.approx(getattr(log, name), abs=1e-9)
    for piece in log.pieces:
        assert 1 <= len(piece.trace.time_s) <= 2000
        assert min(piece.out_ah, piece.in_ah, piece.out_wh, piece.in_wh) >= 0.0


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 3000))
def test_charge_is_that_of_the_trapezium_rule(seed: int, n: int) -> None:
    """Out less in is the integral of the current, and of the power, as scipy has it, at uneven intervals."""
    rng = np.random.default_rng(seed)
    t, a = np.cumsum(rng.uniform(0.5, 1.5, n)), np.repeat(rng.normal(0.0, 5.0, n), 7)[:n]
    v = battery(a, t)
    with small_tiles(256):
        log = folded(t, v, a)
    assert log.out_ah - log.in_ah == pytest.approx(trapezoid(a, t) / 3600.0, abs=1e-9)
    assert log.out_wh - log.in_wh == pytest.approx(trapezoid(v * a, t) / 3600.0, abs=1e-8)
    mean = 0.5 * (a[1:] + a[:-1]) * np.diff(t) / 3600.0  # clipped after the two ends are averaged
    assert log.out_ah == pytest.approx(mean[mean > 0].sum(), abs=1e-9)


def test_a_long_log_keeps_the_count_of_every_sample() -> None:
    """A thinned trace has at most 2000 points, both ends in full, and the charge of the samples it left out."""
    t, v, a = program((0.5, 0.0), (40.0, 5.0), (0.5, 0.0), every_s=0.5)
    a = a + 0.3 * np.sin(np.arange(a.size) / 7.0) * (a > 0)
    log = folded(t, v, a)
    run = next(piece for piece in log.pieces if piece.flow is Flow.DISCHARGE)
    trace = run.trace
    assert len(trace.time_s) <= 2000 < np.count_nonzero(a) / 100
    assert (np.diff(trace.time_s[:50]) == 0.5).all()
    assert (np.diff(trace.time_s[-50:]) == 0.5).all()
    inside = (t >= run.start_s) & (t <= run.end_s)
    assert trace.drawn_ah == pytest.approx(trapezoid(a[inside], t[inside]) / 3600.0, abs=1e-9)
    middle = len(trace.time_s) // 2
    until = inside & (t <= trace.time_s[middle])
    assert trace.ah[middle] == pytest.approx(trapezoid(a[until], t[until]) / 3600.0, abs=1e-9)


# --- pieces and steps ------------------------------------------------------------------------------------------------


def test_discharge_rest_and_charge_are_pieces() -> None:
    """A discharge, a rest and a charge are told apart; an offset of the sensor is rest."""
    log = folded(*program((1.0, 0.008), (2.0, 5.0), (1.0, 0.008), (3.0, -3.0), (1.0, 0.008)))
    assert [str(piece.flow) for piece in log.pieces] == ["rest", "discharge", "rest", "charge", "rest"]
    assert log.pieces[1].out_ah == pytest.approx(10.0, abs=0.02)
    assert log.pieces[3].in_ah == pytest.approx(9.0, abs=0.02)


@pytest.mark.parametrize(("pause_h", "runs"), [(0.05, 1), (0.2, 2)])
def test_a_brief_interruption_does_not_split_a_run(pause_h: float, runs: int) -> None:
    """Three minutes without load belong to the run; twelve part it in two."""
    log = folded(*program((0.5, 0.0), (3.0, 5.0), (pause_h, 0.0), (2.0, 5.0), (0.5, 0.0)))
    assert sum(piece.flow is Flow.DISCHARGE for piece in log.pieces) == runs
    assert sum(piece.out_ah for piece in log.pieces if piece.flow is Flow.DISCHARGE) == pytest.approx(25.0, abs=0.05)


def test_a_pause_that_is_much_of_a_short_run_parts_it() -> None:
    """Pulses of half a minute, five minutes apart, are runs of their own."""
    log = folded(*program((0.2, 0.0), *[(1 / 120, 5.0), (1 / 12, 0.0)] * 4, every_s=1.0))
    assert sum(piece.flow is Flow.DISCHARGE for piece in log.pieces) == 4


def test_steps_are_found_with_their_windows() -> None:
    """A step of the current has samples at full rate before it and for two minutes after."""
    log = folded(*program((1.0, 0.0), (1.0, 5.0), (1.0, 0.0), every_s=1.0))
    assert [round(jump.time_s) for jump in log.jumps] == [3600, 7200]
    first = log.jumps[0]
    assert first.line == 3602
    assert (first.before.amps == 0.0).all()
    assert (first.after.amps == 5.0).all()
    assert 118.0 <= first.after.time_s[-1] - first.time_s <= 130.0
    assert (np.diff(first.after.time_s) == 1.0).all()


def test_many_steps_are_sampled_over_the_whole_log() -> None:
    """Of five thousand steps a few hundred are kept, from the first hours to the last."""
    log = folded(*program(*[(0.01, 5.0), (0.01, 1.0)] * 2500, every_s=4.0))
    assert 100 <= len(log.jumps) <= 300
    assert log.jumps[0].time_s < 0.02 * log.span_s
    assert log.jumps[-1].time_s > 0.98 * log.span_s


def test_a_current_that_never_settles_is_brought_to_few_pieces() -> None:
    """A current of random sign gives at most two thousand pieces, and its whole charge."""
    rng = np.random.default_rng(3)
    t, a = np.arange(60_000.0), np.repeat(rng.normal(0.0, 5.0, 6000), 10)
    log = folded(t, battery(a, t), a)
    assert len(log.pieces) <= 2000
    assert "log-many-pieces" in codes(log)
    assert log.out_ah - log.in_ah == pytest.approx(trapezoid(a, t) / 3600.0)


def test_an_offset_and_a_low_load_beside_bursts() -> None:
    """Rest is told from a load by the gap between them, not by a fixed fraction of the largest current."""
    offset = scale_of(np.arange(400.0), np.repeat([0.066, 2.3], 200))
    assert 0.066 < offset.rest_a < 2.3
    bursts = scale_of(np.arange(1000.0), np.r_[np.full(950, 5.0), np.full(50, 200.0)])
    assert bursts.rest_a < 5.0


# --- what is mended --------------------------------------------------------------------------------------------------


def test_rows_of_another_sensor_are_normal() -> None:
    """Temperature on rows of its own gives the pieces' means and takes nothing from the count."""
    t, v, a = program((1.0, 0.0), (2.0, 5.0), (1.0, 0.0))
    plain = folded(t, v, a)
    extra = np.arange(55.0, t[-1], 300.0)
    order = np.argsort(np.r_[t, extra], kind="stable")
    empty = np.full(extra.size, np.nan)
    mixed = folded(
        np.r_[t, extra][order], np.r_[v, empty][order], np.r_[a, empty][order],
        np.r_[np.full(t.size, np.nan), np.full(extra.size, 21.5)][order],
    )  # fmt: skip
    assert told(mixed) == told(plain)
    assert [piece.trace.temperature_c for piece in mixed.pieces] == [21.5, 21.5, 21.5]
    assert "log-other-rows" in codes(mixed)


def test_rows_that_stand_twice_count_once() -> None:
    """Exact doubles are dropped and counted; of rows with one time the last is taken, and that is said."""
    t, v, a = program((1.0, 0.0), (2.0, 5.0), (1.0, 0.0))
    doubled = [np.repeat(x, 2) for x in (t, v, a)]
    log = folded(*doubled)
    assert told(log) == told(folded(t, v, a))
    assert next(r for r in log.remarks if r.code == "log-duplicates").value == t.size
    doubled[1][::2] += 0.5
    log = folded(*doubled)
    assert log.out_wh == pytest.approx(folded(t, v, a).out_wh)
    assert next(r for r in log.remarks if r.code == "log-same-time").value == t.size


@pytest.mark.parametrize("jump_s", [-3600.0, -1e6, 86400.0 * 400])
def test_a_clock_that_is_set_once_goes_on(jump_s: float) -> None:
    """One jump of the clock, back or far ahead, changes no charge; it is told with its line."""
    t, v, a = program((1.0, 0.0), (2.0, 5.0), (1.0, 0.0))
    moved = t + np.where(np.arange(t.size) >= 600, jump_s, 0.0)
    log = folded(moved, v, a)
    assert told(log) == told(folded(t, v, a))
    assert log.span_s == pytest.approx(t[-1])
    remark = next(r for r in log.remarks if r.code == "log-clock-jump")
    assert "line 602" in remark.says


def test_a_clock_set_ahead_under_load_is_no_gap() -> None:
    """An hour that passed without the voltage moving, in mid discharge, was none; a real gap stays one."""
    t, v, a = program((1.0, 0.0), (8.0, 5.0), (1.0, 0.0))
    moved = t + np.where(np.arange(t.size) >= 1500, 3600.0, 0.0)
    assert folded(moved, v, a).out_ah == pytest.approx(40.0, abs=0.02)
    gone = (t >= 15_000) & (t < 18_600)
    gap = folded(t[~gone], v[~gone], a[~gone])
    assert gap.out_ah == pytest.approx(40.0, abs=0.02)
    assert "log-gap" in codes(gap)


def test_one_wrong_stamp_is_put_between_its_neighbours() -> None:
    """A single time out of order, behind or ahead, moves nothing else."""
    t, v, a = program((1.0, 0.0), (2.0, 5.0), (1.0, 0.0))
    for wrong in (3.0, 1e5):
        moved = t.copy()
        moved[500] = wrong
        log = folded(moved, v, a)
        assert log.out_ah == pytest.approx(10.0, abs=0.02)
        assert log.span_s == pytest.approx(t[-1])
        assert "log-stray-time" in codes(log)


def test_runs_that_restart_the_clock_are_pieces_of_their_own() -> None:
    """Where time begins anew at zero another run begins: it is not joined to the last."""
    t, v, a = program((2.0, 5.0))
    log = folded(np.r_[t, t], np.r_[v, v], np.r_[a, a])
    assert [round(piece.out_ah, 1) for piece in log.pieces if piece.flow is Flow.DISCHARGE] == [10.0, 10.0]


def test_two_clocks_are_one_clear_error() -> None:
    """A clock that goes back again and again says at which lines, and how to mend it."""
    t, v, a = program((1.0, 0.0), (1.0, 5.0))
    moved = t + np.where(np.arange(t.size) % 2, 7000.0, 0.0)
    with pytest.raises(InputError, match=r"goes back at lines 4, 6, 8, .*two clocks") as caught:
        folded(moved, v, a)
    assert len(caught.value.faults) == 1
    with pytest.raises(InputError, match="newest row stands first"):
        folded(t[::-1].copy(), v, a)
    runs = np.tile(t[:60], 12)
    with pytest.raises(InputError, match="begins anew at lines 62"):
        folded(runs, v[: runs.size], a[: runs.size])


def test_a_gap_under_load_says_what_it_could_hide() -> None:
    """Half an hour without samples at 5 A can hide 2.5 Ah; the same gap at rest hides nothing."""
    t, v, a = program((2.0, 0.0), (2.0, 5.0), (1.0, 0.0))
    load = (t >= 9000) & (t < 10_800)
    log = folded(t[~load], v[~load], a[~load])
    remark = next(r for r in log.remarks if r.code == "log-gap")
    assert "2.51 Ah" in remark.says
    run = next(piece for piece in log.pieces if piece.flow is Flow.DISCHARGE)
    assert run.gap_s == pytest.approx(1810.0)
    rest = (t >= 1000) & (t < 2800)
    assert "log-gap" not in codes(folded(t[~rest], v[~rest], a[~rest]))


def test_a_long_run_of_missing_values_is_a_gap() -> None:
    """Rows that hold nothing under load are told with their number and what could hide there."""
    t, v, a = program((1.0, 0.0), (2.0, 5.0), (1.0, 0.0))
    gone = (t >= 5000) & (t < 6000)
    v[gone], a[gone] = np.nan, np.nan
    log = folded(t, v, a)
    remark = next(r for r in log.remarks if r.code == "log-missing-run")
    assert "100 rows without a value" in remark.says
    assert log.out_ah == pytest.approx(10.0, abs=0.02)


def test_missing_volts_leave_the_charge_whole() -> None:
    """A row with amps and no volts counts its charge; its volts are not a number in the trace."""
    t, v, a = program((1.0, 0.0), (2.0, 5.0), (1.0, 0.0))
    v[700] = np.nan
    log = folded(t, v, a)
    run = next(piece for piece in log.pieces if piece.flow is Flow.DISCHARGE)
    assert np.isnan(run.trace.volts).sum() == 1
    assert told(log) == told(folded(*program((1.0, 0.0), (2.0, 5.0), (1.0, 0.0))))


@pytest.mark.parametrize("rows", [0, 1])
def test_a_log_of_nothing_is_one_clear_error(rows: int) -> None:
    """No row, or a single one, is no log."""
    fold = LogFold(name="short.csv")
    fold.add(np.zeros(rows), np.full(rows, 12.0), np.ones(rows), None, 2)
    with pytest.raises(InputError, match=r"short\.csv"):
        fold.close()


def test_volts_and_amps_that_never_meet_are_said_so() -> None:
    """Volts in some rows and amps in others cannot be counted together."""
    n = 100
    odd = np.arange(n) % 2 == 1
    with pytest.raises(InputError, match="never stand in the same row"):
        folded(np.arange(float(n)), np.where(odd, np.nan, 12.0), np.full(n, np.nan))


# --- a clock that begins anew ----------------------------------------------------------------------------------------


def restarted(t: Floats, at: int) -> Floats:
    """Return times that begin at zero again from row `at` on."""
    return np.where(np.arange(t.size) >= at, t - t[at], t)


def restart_of(log: Log) -> str:
    """Return what a log says of its one restart: words and reason."""
    (remark,) = [r for r in log.remarks if r.code == "log-clock-restart"]
    assert "log-clock-jump" not in codes(log)
    return f"{remark.says}; {remark.why}; {remark.do}"


@pytest.mark.parametrize("amps", [5.0, -5.0])
@pytest.mark.parametrize("count_v", [0.0, 0.001, 0.01])
@pytest.mark.parametrize("at", [1200, 2304, 2305, 3000])
def test_a_restart_of_the_clock_within_a_run_joins_its_halves(amps: float, count_v: float, at: int) -> None:
    """Where amps and volts go on, seconds that begin anew make no second run: the whole charge stands in one piece."""
    t, v, a = program((1.0, 0.0), (10.0, amps), (1.0, 0.0))
    v = v if count_v == 0.0 else np.round(v / count_v) * count_v
    whole, log = folded(t, v, a), folded(restarted(t, at), v, a)
    with small_tiles(256):
        tiled = folded(restarted(t, at), v, a)
    for one in (log, tiled):
        assert told(one) == told(whole)
        assert f"begins anew at line {at + 2}" in restart_of(one)
        assert "counted as one run" in restart_of(one)
        (run,) = [piece for piece in one.pieces if piece.flow is not Flow.REST]
        # What can hide there is a gap of the run: half a count of the volts over their slope, a little scatter, and of
        # volts without counts half an interval.
        slope = abs(float(v[at + 100] - v[at - 100])) / 2000.0
        assert 0.0 <= run.gap_s <= (0.5 * count_v + 0.3 * count_v) / slope + 6.0
    assert "log-clock-restart" not in codes(whole)


@pytest.mark.parametrize("off_s", [60.0, 300.0, 600.0])
def test_the_time_a_logger_was_off_stands_in_the_gap(off_s: float) -> None:
    """Rows lost while the load stayed on: the volts have moved on, and the gap is at least what is missing."""
    t, v, a = program((1.0, 0.0), (10.0, 5.0), (1.0, 0.0))
    kept = (t < 20_000.0) | (t >= 20_000.0 + off_s)
    at = int(np.count_nonzero(t < 20_000.0))
    log = folded(restarted(t[kept], at), np.round(v[kept], 3), a[kept])
    (run,) = [piece for piece in log.pieces if piece.flow is Flow.DISCHARGE]
    assert off_s <= run.gap_s <= off_s + 100.0
    assert 50.0 - run.out_ah == pytest.approx(5.0 * off_s / 3600.0, abs=0.03)


def test_a_restart_that_may_hide_much_parts_the_run() -> None:
    """An hour lost, volts that do not move, another current, or volts that came back: two runs, and how to mend it."""
    t, v, a = program((1.0, 0.0), (10.0, 5.0), (1.0, 0.0))
    at = 2000
    lost = (t < 20_000.0) | (t >= 23_600.0)
    flat = np.where(a > 0, 13.1, 13.3)
    less = np.where(np.arange(t.size) >= at, 0.7 * a, a)
    rested = v + np.where(np.arange(t.size) >= at, 0.3, 0.0)
    cases = [
        (folded(restarted(t[lost], at), v[lost], a[lost]), "may be missing there"),
        (folded(restarted(t, at), flat, a), "they do not tell"),
        (folded(restarted(t, at), battery(less, t), less), "the current before is 5 A and after 3.5 A"),
        (folded(restarted(t, at), rested, a), "they do not tell"),
    ]
    for log, why in cases:
        assert [str(piece.flow) for piece in log.pieces].count("discharge") == 2
        assert why in restart_of(log)
        assert "column of dates" in restart_of(log)
        assert "file of its own" in restart_of(log)


def test_a_restart_at_rest_is_another_run() -> None:
    """A file of two runs, the clock at zero before each: the second is another run, and it is said."""
    t, v, a = program((1.0, 0.0), (2.0, 5.0), (1.0, 0.0))
    log = folded(np.r_[t, t], np.r_[v, v], np.r_[a, a])
    assert [round(piece.out_ah, 1) for piece in log.pieces if piece.flow is Flow.DISCHARGE] == [10.0, 10.0]
    assert "counted as another run" in restart_of(log)
