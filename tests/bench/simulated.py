"""
Synthetic batteries read with simulated meters: the world that the bench's doubts are held against.

Nothing here comes from the bench's estimators or their budgets. A battery has a true capacity, exponent, resistance, RC
pairs, open-circuit curve and leakage; a meter has a gain that was drawn once, a zero drawn once a session, and counts
drawn at each reading, all rectangular within the limits that its maker prints. What the trade knows only by experience
(how alike two runs of one battery are, how well a thermometer on the case tells the plates) is stated at the head.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from hotchpot.bench.meter import Meter
from hotchpot.bench.trace import Flow, Jump, Log, Piece, Trace, trace_of
from hotchpot.pile.unit import Unit

Floats = NDArray[np.float64]

# Common practice, no source, each: what the methods state of the world, not what an estimator makes of it.
THERMOMETER_K = 3.0  # limit: the case against the plates, and the thermometer
RUN_SD = 0.03  # one battery run twice from full: 3 to 5 %
CONTACT_SD = 0.03  # clips put on anew, and the moment of reading, in one resistance
LIKE_RUNS_SD = 0.015  # two runs of one unit, alike in all and soon after each other
LIKE_ENDS_SD = 0.01  # of one discharge: two full states that look alike
GRAVITY_SD = (0.0046, 0.002)  # a hydrometer's scale, and reading it cell by cell; 0.005 together
GRAVITY_OF_V = 0.845  # a cell's rest voltage less its acid's specific gravity: handbook rule
GRAVITY_PER_K = (0.0007, 0.0001)  # fall of a reading for each kelvin, and its limit
MOVE_V = {"lead": 0.10, "lithium": 0.05}  # of a cell just off load or charger, to where it settles
CLOCK_S = 30.0  # limit: a clock read to the minute
MOST_OFTEN_S = 150.0  # a person with a notebook writes no faster
WARMTH_LIMIT = 1.0 / 6.0  # limit: share by which a unit's own temperature effect differs from the printed one
HOT_COLD_C = (-20.0, -10.0, 0.0, 10.0, 25.0, 40.0)  # the chemistry files' grid of temperatures
SLOPE_SD = 0.05  # of the curve's slope near full, between units of one kind: how smoothly a unit's curve departs
RUN_KNEE = 0.015  # of the charge: within what a slow run falls from its curve to the cut-off
LEAD_COEFFICIENT = ((3.0, 0.010), (10.0, 0.006))  # a maker's manual: hours of the run, share lost for each kelvin

KINDS = {  # chemistry: cells in series, rated Ah, rated hours
    "lead_flooded": ((3, 6), (60.0, 230.0), 20.0),
    "lead_agm": ((3, 6), (7.0, 200.0), 20.0),
    "lead_gel": ((6,), (30.0, 200.0), 20.0),
    "lfp": ((1, 4), (20.0, 280.0), 5.0),
    "nmc": ((1, 7), (2.0, 60.0), 5.0),
    "lto": ((1, 6), (10.0, 60.0), 5.0),
}


@dataclass(frozen=True, kw_only=True)
class Battery:
    """
    What one battery truly is: capacity at 25 °C and the rated hours, and how it departs from its kind.

    `warmth` is what its temperature effect is of the printed one; `r0_mohm` and `pairs` (mΩ, s) its circuit at 25 °C;
    `bend_v` two amplitudes of a smooth departure from its chemistry's curve [V per cell]; `branch` from -1 (just
    discharged) to 1 (just charged) where it stands in the gap between both curves.
    """

    unit: Unit
    capacity_ah: float
    exponent: float
    warmth: float
    r0_mohm: float
    pairs: tuple[tuple[float, float], ...]
    bend_v: tuple[float, float]
    branch: float
    knee: float
    usual_v: float

    def mohm(self, seconds: float, temperature_c: float = 25.0) -> float:
        """Return the fall of voltage over a steady current, so long after it came on. [mΩ]"""
        return float(self.response_mohm(np.array([seconds]), temperature_c)[0])

    def response_mohm(self, seconds: Floats, temperature_c: float) -> Floats:
        """Return the same at many moments. [mΩ]"""
        slow = [-mohm * np.expm1(-seconds / tau) for mohm, tau in self.pairs]
        return (self.r0_mohm + sum(slow)) * table(self.unit, "r_temp_mult", temperature_c)

    def ocv_v(self, soc: float, temperature_c: float = 25.0) -> float:
        """Return the voltage of the whole unit at rest: its chemistry's curve, bent within the curve's doubt. [V]"""
        return float(self.ocv_of(np.asarray(soc), temperature_c))

    def ocv_of(self, soc: Floats, temperature_c: float = 25.0) -> Floats:
        """Return the same at many charges. [V]"""
        chem = self.unit.chem
        turn = SLOPE_SD * (chem.ocv.volts(1.0) - chem.ocv.volts(0.9)) / 0.1 / chem.num("ocv_curve_sd") * soc
        bend = self.bend_v[0] * np.cos(turn) + self.bend_v[1] * np.sin(turn)
        gap = self.branch * chem.num("ocv_hysteresis") / 2.0
        warm = chem.num("ocv_temp_coeff") / 1000.0 * (temperature_c - 25.0)
        return self.unit.cells * (np.interp(soc, chem.ocv.soc, chem.ocv.volt) + bend + gap + warm)

    def warm_ah(self, amps: float) -> float:
        """Return what it usually gives at a current at 25 °C: Peukert's law. [Ah]"""
        rated_a = self.capacity_ah / self.unit.rated_hours
        return self.capacity_ah * (rated_a / amps) ** (self.exponent - 1.0)

    def capacity_at(self, amps: float, temperature_c: float) -> float:
        """Return what it usually gives at a current and temperature: by its law of rates, then the cold. [Ah]"""
        given = warm = self.warm_ah(amps)
        for _ in range(6):  # each step leaves a thirtieth of the error
            printed = self.printed_factor(temperature_c, given / amps)
            given = warm * (1.0 + self.warmth * (printed - 1.0))
        return given

    def printed_factor(self, temperature_c: float, hours: float) -> float:
        """Return the printed capacity over that at 25 °C."""
        if self.unit.chem.kind != "lead":
            return table(self.unit, "capacity_t_slow", temperature_c)
        at, per_k = zip(*LEAD_COEFFICIENT, strict=True)
        return 1.0 + float(np.interp(math.log(hours), np.log(at), per_k)) * (temperature_c - 25.0)

    def loaded_v(self, drawn: Floats, cutoff_v: float) -> Floats:
        """Return the voltage under load against the share drawn: a slope, then the knee; the cut-off at 1. [V]"""
        span = self.usual_v - cutoff_v
        left = 1.0 - drawn
        return cutoff_v + span * (0.35 * left - 0.65 * np.expm1(-left / self.knee))


@dataclass(frozen=True, kw_only=True)
class TwoWells(Battery):
    """A battery of two wells (Manwell and McGowan 1993): the share at hand, and the rate k' of the flow. [1/h]"""

    at_hand: float
    k_per_h: float

    def warm_ah(self, amps: float) -> float:
        """Return what it usually gives at a current at 25 °C: the closed form's q(T) where it is I T. [Ah]"""
        whole = self.capacity_ah / self._share(self.unit.rated_hours)
        hours = whole / amps
        for _ in range(60):  # drains to the root, as q(T)/I rises ever more slowly with T
            hours = whole * self._share(hours) / amps
        return amps * hours

    def _share(self, hours: float) -> float:
        x = self.k_per_h * hours
        fall = -math.expm1(-x)
        return self.at_hand * x / (fall + self.at_hand * (x - fall))


def two_wells(rng: np.random.Generator, one: Battery) -> TwoWells:
    """Return a battery as it is, but for the law of its rates: wells as published for lead, give or take."""
    same = {field.name: getattr(one, field.name) for field in fields(one)}
    k_per_h = math.exp(rng.uniform(math.log(0.3), math.log(2.0)))
    return TwoWells(**same, at_hand=rng.uniform(0.25, 0.6), k_per_h=k_per_h)


def table(unit: Unit, name: str, temperature_c: float) -> float:
    """Return a row of the chemistry's file at a temperature, straight between its six."""
    return float(np.interp(temperature_c, HOT_COLD_C, [float(x) for x in unit.chem.row(name)]))


def battery(rng: np.random.Generator, kinds: Sequence[str] = tuple(KINDS)) -> Battery:
    """Return a battery of one of these kinds: aged or not, well known or not."""
    kind = kinds[rng.integers(len(kinds))]
    cells, sizes, hours = KINDS[kind]
    rated = math.exp(rng.uniform(math.log(sizes[0]), math.log(sizes[1])))
    unit = Unit(
        id="S1", chemistry=kind, cells=cells[rng.integers(len(cells))], rated_ah=round(rated, 1), rated_hours=hours
    )
    chem, capacity = unit.chem, unit.rated_ah * rng.uniform(0.55, 1.05)
    low, typical, high = (float(n) for n in chem.row("peukert"))
    ten_s = unit.cells * chem.num("r10s_q") / capacity * math.exp(rng.normal(0.0, 0.3))
    taus = (rng.uniform(3.0, 40.0), rng.uniform(0.5, 1.5) * chem.num("tau2"))
    parts = (rng.uniform(0.15, 0.45), rng.uniform(0.3, 0.85))  # of R0
    r0 = ten_s / (1.0 - sum(part * math.expm1(-10.0 / tau) for part, tau in zip(parts, taus, strict=True)))
    doubt = chem.num("ocv_curve_sd")
    return Battery(
        unit=unit,
        capacity_ah=capacity,
        exponent=float(rng.triangular(low, typical, high)),
        warmth=1.0 + rng.uniform(-WARMTH_LIMIT, WARMTH_LIMIT),
        r0_mohm=r0,
        pairs=tuple((part * r0, tau) for part, tau in zip(parts, taus, strict=True)),
        bend_v=(rng.normal(0.0, doubt), rng.normal(0.0, doubt)),
        branch=rng.uniform(-1.0, 1.0),
        knee=rng.uniform(0.02, 0.06),
        usual_v=unit.cells * chem.ocv.volts(0.9),
    )


class Instrument:
    """
    One meter as it came out of its box: `gain_v` and `gain_a` for good, `zero_a` for a session.

    What it shows is a whole number of its last digit, any one within the counts of the true value with its gain: over
    many readings that error is rectangular, as the limit is. Where `exact`, digits are not rounded.
    """

    def __init__(self, rng: np.random.Generator, kind: Meter, *, exact: bool = False) -> None:
        self.kind, self.rng, self.exact = kind, rng, exact
        self.gain_v = rng.uniform(-1.0, 1.0) * kind.volts.gain_frac
        self.gain_a = rng.uniform(-1.0, 1.0) * kind.amps.gain_frac
        self.begin()

    def begin(self) -> None:
        """Begin a session: the clamp is set to zero, as well as it can be."""
        self.zero_a = self.rng.uniform(-1.0, 1.0) * self.kind.amps.offset

    def volts(self, true: float | Floats, *, count: float | None = None) -> Floats:
        """Return what it shows of a voltage. [V]"""
        digit = self.kind.volts.count if count is None else count
        return self._shown(np.asarray(true) * (1.0 + self.gain_v), self.kind.volts.counts, digit)

    def amps(self, true: float | Floats) -> Floats:
        """Return what it shows of a current. [A]"""
        limits = self.kind.amps
        return self._shown(np.asarray(true) * (1.0 + self.gain_a) + self.zero_a, limits.counts, limits.count)

    def _shown(self, true: Floats, counts: float, digit: float) -> Floats:
        if self.exact:
            return true + self.rng.uniform(-1.0, 1.0, true.shape) * counts * digit
        choices = round(2 * counts)
        return digit * (np.ceil(true / digit - counts) + self.rng.integers(0, choices, true.shape))


def thermometer(rng: np.random.Generator, true_c: float) -> float:
    """Return what a thermometer on the case shows of the plates' temperature. [°C]"""
    return true_c + rng.uniform(-THERMOMETER_K, THERMOMETER_K)


@dataclass(frozen=True, kw_only=True)
class Run:
    """A discharge run as it was noted, and what the battery usually gives at its current and temperature. [Ah]"""

    trace: Trace
    usual_ah: float
    cutoff_v: float


def timed_run(
    one: Battery, seen: Instrument, *, amps: float, temperature_c: float = 25.0, read_c: float | None = None
) -> Run:
    """
    Return a run at constant current, timed by a clock, the current read once.

    Half of the people watch the voltmeter to the end and note the moment when it shows the cut-off; the others read it
    every so often and stop at the first reading below.
    """
    rng, usual = seen.rng, one.capacity_at(amps, temperature_c)
    cutoff = cutoff_of(one.unit)
    drawn_ah = usual * (1.0 + rng.normal(0.0, RUN_SD))
    every = max(rng.uniform(0.01, 0.03), MOST_OFTEN_S * amps / (3600.0 * drawn_ah))
    share = np.concatenate([[0.0, 0.2, 0.4, 0.6, 0.8], 0.85 + every * (rng.uniform() + np.arange(40))])
    volts = seen.volts(one.loaded_v(share, cutoff))
    first = int(np.argmax(volts <= cutoff))
    if rng.uniform() < 0.5:
        error = float(seen.volts(cutoff)) - cutoff
        at = float(crossing(one, cutoff, cutoff - error))
        kept = share[: first + 1] < at - every
        share, volts = np.append(share[: first + 1][kept], at), np.append(volts[: first + 1][kept], cutoff)
        volts[:-1] = np.maximum(volts[:-1], cutoff + seen.kind.volts.count)
    else:
        share, volts = share[: first + 1], volts[: first + 1]
    noted_s = 3600.0 * share * drawn_ah / amps + rng.uniform(-CLOCK_S, CLOCK_S, share.size)
    trace = trace_of(noted_s - noted_s[0], volts, float(seen.amps(amps)), temperature_c=read_c)
    return Run(trace=trace, usual_ah=usual, cutoff_v=cutoff)


def logged_run(
    one: Battery, seen: Instrument, *, amps: float, temperature_c: float = 25.0, read_c: float | None = None
) -> Run:
    """Return a run at constant current by a logger: some hundreds of samples, each with its own counts."""
    rng, usual = seen.rng, one.capacity_at(amps, temperature_c)
    cutoff = cutoff_of(one.unit)
    drawn_ah = usual * (1.0 + rng.normal(0.0, RUN_SD))
    share = (rng.uniform() + np.arange(330)) / 300.0
    volts = seen.volts(one.loaded_v(share, cutoff))
    below = np.flatnonzero(volts <= cutoff)
    until = slice(0, int(below[min(2, below.size - 1)]) + 1)
    time_s = 3600.0 * share * drawn_ah / amps
    trace = trace_of(time_s[until], volts[until], seen.amps(np.full(share.size, amps))[until], temperature_c=read_c)
    return Run(trace=trace, usual_ah=usual, cutoff_v=cutoff)


def resistor_run(
    one: Battery, seen: Instrument, *, ohms: float, temperature_c: float = 25.0
) -> tuple[Floats, Floats, float, float]:
    """Return hours and volts as noted over a resistor that truly is `ohms`, the usual capacity, and the cut-off."""
    rng, cutoff = seen.rng, cutoff_of(one.unit)
    fine = np.linspace(0.0, 1.2, 601)
    volts = np.maximum(one.loaded_v(fine, cutoff), 0.3 * cutoff)
    inverse = np.concatenate([[0.0], np.cumsum(0.5 * (ohms / volts[1:] + ohms / volts[:-1]) * np.diff(fine))])
    hours_per_ah = float(np.interp(1.0, fine, inverse))
    usual = one.capacity_at(1.0 / hours_per_ah, temperature_c)
    drawn_ah = usual * (1.0 + rng.normal(0.0, RUN_SD))
    share = np.concatenate(
        [[0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8], 0.84 + 0.02 * (rng.uniform() + np.arange(18))]
    )
    read = seen.volts(np.interp(share, fine, volts))
    until = int(np.argmax(read <= cutoff)) + 1
    noted_s = 3600.0 * np.interp(share, fine, inverse) * drawn_ah + rng.uniform(-CLOCK_S, CLOCK_S, share.size)
    return (noted_s[:until] - noted_s[0]) / 3600.0, read[:until], usual, cutoff


def cutoff_of(unit: Unit) -> float:
    """Return the voltage at which a run ends, as the chemistry's file has it. [V]"""
    return unit.cells * unit.chem.num("discharge_min_v")


def crossing(one: Battery, cutoff_v: float, volts: float) -> float:
    """Return the share drawn at which the loaded voltage falls through `volts`."""
    fine = np.linspace(0.8, 1.2, 801)
    return float(np.interp(-volts, -one.loaded_v(fine, cutoff_v), fine))


def load_readings(
    one: Battery, seen: Instrument, amps: Sequence[float], *, temperature_c: float, seconds: float = 10.0
) -> tuple[list[float], list[float]]:
    """Return the volts and amps shown under each load, read `seconds` after it came on; no load reads no amps."""
    felt = one.mohm(seconds, temperature_c) / 1000.0 * (1.0 + seen.rng.normal(0.0, CONTACT_SD))
    true = np.asarray(amps, dtype=float)
    rest = one.ocv_v(seen.rng.uniform(0.5, 0.8), temperature_c)
    shown = np.where(true == 0.0, 0.0, seen.amps(true))
    return seen.volts(rest - felt * true).tolist(), shown.tolist()


def logged_step(
    one: Battery, seen: Instrument, *, amps: float, temperature_c: float, read_c: float | None, every_s: float
) -> Jump:
    """Return a step of current from rest as a logger samples it: 20 samples before, 40 s after, at any phase."""
    contact = 1.0 + seen.rng.normal(0.0, CONTACT_SD)
    since = every_s * (seen.rng.uniform() + np.arange(int(40.0 / every_s)))
    before = since[0] - every_s * np.arange(20, 0, -1)
    rest = one.ocv_v(seen.rng.uniform(0.5, 0.8), temperature_c)
    fall = one.response_mohm(since, temperature_c) / 1000.0 * amps * contact
    sides = (
        trace_of(before, seen.volts(np.full(20, rest)), seen.amps(np.zeros(20)), temperature_c=read_c),
        trace_of(since, seen.volts(rest - fall), seen.amps(np.full(since.size, amps)), temperature_c=read_c),
    )
    return Jump(unit=one.unit.id, line=2, time_s=float(since[0]), before=sides[0], after=sides[1])


def stood(one: Battery, days: Sequence[float], *, month_frac: float, temperature_c: float) -> list[float]:
    """Return the charge left of a full unit that loses `month_frac` in 30 days at 25 °C, after days of standing."""
    warm = 2.0 ** ((temperature_c - 25.0) / one.unit.chem.num("self_discharge_double_k"))
    return [1.0 - month_frac * warm * day / 30.0 for day in days]


def counted_ah(seen: Instrument, drawn_ah: float, *, amps: float) -> float:
    """Return the charge of one run at constant current, counted in a session of its own. [Ah]"""
    seen.begin()
    given = drawn_ah * (1.0 + seen.rng.normal(0.0, LIKE_RUNS_SD))
    return float(seen.amps(amps)) * given / amps


def hydrometer(
    rng: np.random.Generator, one: Battery, charges: Sequence[float], *, temperature_c: float
) -> list[float]:
    """Return the hydrometer's readings of cells with these charges, by one scale."""
    scale, per_k = rng.normal(0.0, GRAVITY_SD[0]), GRAVITY_PER_K[0] + rng.uniform(-1.0, 1.0) * GRAVITY_PER_K[1]
    acid = np.interp(charges, one.unit.chem.ocv.soc, one.unit.chem.ocv.volt) - GRAVITY_OF_V
    read = acid + scale - per_k * (temperature_c - 25.0) + rng.normal(0.0, GRAVITY_SD[1], len(acid))
    return [float(x) for x in read]


@dataclass(frozen=True, kw_only=True)
class Cycled:
    """A log of whole cycles, and what truly came out of what went in, as charge and as energy."""

    log: Log
    charge_frac: float
    energy_frac: float


def cycled(one: Battery, seen: Instrument, *, cycles: int, amps: float, charge_frac: float, rest_h: float) -> Cycled:
    """Return a log of cycles between rests, each from full; the charger brings it back to full nearly alike."""
    rng, cells = seen.rng, one.unit.cells
    out_ah = 0.6 * one.capacity_ah
    out_v, in_v, rest_v = cells * 2.0, cells * 2.0 * rng.uniform(1.05, 1.15), cells * 2.1
    unlike_ah = out_ah * rng.normal(0.0, LIKE_ENDS_SD)
    pieces: list[Piece] = []
    clock_s = 0.0
    for cycle in range(cycles + 1):
        in_ah = (out_ah + (unlike_ah if cycle == cycles - 1 else 0.0)) / charge_frac
        flows = ((Flow.REST, 0.0, rest_h, rest_v), (Flow.DISCHARGE, amps, out_ah / amps, out_v))
        flows += ((Flow.REST, 0.0, rest_h, rest_v), (Flow.CHARGE, -amps, in_ah / amps, in_v))
        for flow, true_a, hours, volts in flows:
            pieces.append(_piece(seen, flow, true_a=true_a, hours=hours, volts=volts, start_s=clock_s))
            clock_s += 3600.0 * hours
    sums = [sum(getattr(piece, name) for piece in pieces) for name in ("out_ah", "in_ah", "out_wh", "in_wh")]
    log = Log(
        name="invented.csv", rows=1000, span_s=clock_s, pieces=tuple(pieces),
        out_ah=sums[0], in_ah=sums[1], out_wh=sums[2], in_wh=sums[3],
    )  # fmt: skip
    return Cycled(log=log, charge_frac=charge_frac, energy_frac=charge_frac * out_v / in_v)


def _piece(seen: Instrument, flow: Flow, *, true_a: float, hours: float, volts: float, start_s: float) -> Piece:
    """Return a stretch at one current as the logger counted it: its counts average out, its gain and zero do not."""
    ah = (true_a * (1.0 + seen.gain_a) + seen.zero_a) * hours
    wh = ah * volts * (1.0 + seen.gain_v)
    return Piece(
        flow=flow, unit="", line=2, start_s=start_s, end_s=start_s + 3600.0 * hours,
        out_ah=max(0.0, ah), in_ah=max(0.0, -ah), out_wh=max(0.0, wh), in_wh=max(0.0, -wh),
        trace=trace_of([start_s, start_s + 3600.0 * hours], seen.volts(np.full(2, volts)), true_a),
    )  # fmt: skip


def log_of_steps(steps: Sequence[Jump]) -> Log:
    """Return a log that holds these steps and nothing else."""
    return Log(
        name="invented.csv", rows=1000, span_s=3600.0, pieces=(), jumps=tuple(steps),
        out_ah=0.0, in_ah=0.0, out_wh=0.0, in_wh=0.0,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Pulsed:
    """A pulse from rest and the rest after it, as logged; the series resistance in the meters' own units. [mΩ]"""

    trace: Trace
    r0_mohm: float


def pulsed(one: Battery, seen: Instrument, *, amps: float) -> Pulsed:
    """
    Return a pulse of a minute and two of rest: each second about the steps, then every six.

    The unit has one RC pair here, well within the trace; its open-circuit voltage falls straight with the charge drawn.
    """
    rng, on_s = seen.rng, 60.0
    edge = np.arange(0.0, 20.0)
    on = np.concatenate([edge, np.arange(20.0, on_s - 4.0, 6.0), on_s - np.arange(3.0, 0.0, -1.0)])
    off = on_s + np.concatenate([edge, np.arange(20.0, 120.0, 6.0)])
    time_s = np.concatenate([np.arange(-6.0, 0.0), on, off]) + rng.uniform()
    r0, slow, tau = one.r0_mohm, one.r0_mohm * rng.uniform(0.15, 0.5), rng.uniform(6.0, 25.0)
    soc = rng.uniform(0.5, 0.8)
    per_ah = (one.ocv_v(soc + 0.02) - one.ocv_v(soc - 0.02)) / 0.04 / one.capacity_ah
    since = np.clip(time_s, 0.0, on_s)
    flows = np.where((time_s > 0.0) & (time_s <= on_s), amps, 0.0)
    pair = -np.expm1(-since / tau) * np.exp(-np.clip(time_s - on_s, 0.0, None) / tau)
    volts = one.ocv_v(soc) - max(0.0, per_ah) * since * amps / 3600.0 - (flows * r0 + amps * slow * pair) / 1000.0
    trace = trace_of(time_s, seen.volts(volts), seen.amps(flows))
    return Pulsed(trace=trace, r0_mohm=r0 * (1.0 + seen.gain_v) / (1.0 + seen.gain_a))


def settling(one: Battery, rng: np.random.Generator, hours: Floats) -> Floats:
    """
    Return how far a unit just off load or charger is from where it settles. [V]

    One time constant in two of three, else a tail of many; how far it started is as uncertain as `MOVE_V` says.
    """
    chem = one.unit.chem
    fast, slow = chem.num("tau1") / 7200.0, 2.5 * chem.num("tau2") / 3600.0
    tau = math.exp(rng.uniform(math.log(fast), math.log(slow)))
    stretch = 1.0 if rng.uniform() < 2.0 / 3.0 else rng.uniform(0.4, 0.9)
    start = rng.normal(0.0, MOVE_V[chem.kind]) * one.unit.cells
    return start * np.exp(-((hours / tau) ** stretch))


def slow_run(one: Battery, seen: Instrument, *, hours: float, every_s: float, charging: bool = False) -> Trace:
    """
    Return a slow discharge from full, or charge from empty, at constant current as a logger samples it.

    The unit stands on the branch that it moves along; its pairs fill as they do under any steady current. At the end
    of a discharge its voltage falls through the knee to the cut-off.
    """
    amps = one.capacity_ah / hours
    usual = one.capacity_at(amps, 25.0)
    time_s = np.arange(0.0, 3600.0 * usual / amps, every_s)
    moved = time_s * amps / usual / 3600.0
    sign, soc = (-1.0, moved) if charging else (1.0, 1.0 - moved)
    volts = replace(one, branch=-sign).ocv_of(soc) - sign * amps * one.response_mohm(time_s, 25.0) / 1000.0
    if not charging:
        volts = volts - (volts[-1] - cutoff_of(one.unit)) * np.exp(-soc / RUN_KNEE)
    return trace_of(time_s, seen.volts(volts), seen.amps(np.full(time_s.size, sign * amps)))
