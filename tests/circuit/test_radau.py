"""
Single units against scipy's Radau, an implicit Runge-Kutta method of fifth order, at rtol 1e-9.

The right-hand side is written here anew from the equations that `UnitModel` states, with its own solution for the
voltage at the terminals. Wanted: the voltage within 0.5 mV and the charge within 1e-6 at every sample, at steps of 1 s;
an error that falls with the square of the step where all is smooth. All units and loads are invented. The worst errors
measured at 1 s (`pytest -s` prints them):

====================================  ===========  =======
unit                                  voltage      charge
====================================  ===========  =======
oxide cell, currents                  < 1e-5 mV    4.9e-14
oxide cell, watts                     0.00024 mV   2.6e-07
oxide cell, ohms (not yet)            0.00178 mV   1.5e-06
lead, drawn hard                      < 1e-5 mV    7.7e-10
lead, drawn beyond empty              0.00057 mV   9.7e-10
lead, charged and gassing (not yet)   1.24419 mV   4.6e-06
lead, charged, no rise                < 1e-5 mV    4.6e-12
flat lithium with a loop              0.00003 mV   1.6e-09
cell that warms up                    0.00017 mV   2.9e-14
====================================  ===========  =======

The warming cell's temperature is within 1.7e-3 K, and the moment at which the wells run dry within 2e-6 s.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from _pytest.mark import ParameterSet
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from hotchpot.bank.arrangement import unit
from hotchpot.circuit.drive import ChargePlan, Stretch, drive_of
from hotchpot.circuit.model import Gas, Pair, UnitModel, Wells, own_curve
from hotchpot.circuit.record import Record
from hotchpot.circuit.run import Circuit

Floats = NDArray[np.float64]

MOST_V, MOST_SOC, MOST_K = 0.5e-3, 1e-6, 0.01
NO_CEILING = ChargePlan(absorb_v=1e3)
HYSTERESIS_RATE = 30.0  # per unit of charge, as the methods state it
KELVIN = 273.15
SOC, PAIR_1, PAIR_2, WELL, LOOP, TEMP = range(6)

OXIDE = UnitModel(
    id="A",
    capacity_ah=2.5,
    curve=own_curve([0, 0.1, 0.3, 0.5, 0.7, 1], [3.0, 3.45, 3.6, 3.7, 3.85, 4.2]),
    ohm=0.030,
    ohm_by_charge=((0.0, 2.0), (0.1, 1.5), (0.5, 1.0), (1.0, 1.05)),
    pairs=(Pair(0.015, 20.0), Pair(0.020, 900.0)),
    leak_a=1e-4,
    soc_frac=0.95,
)
ACID = UnitModel(
    id="A",
    capacity_ah=80.0,
    curve=own_curve([0, 0.2, 0.4, 0.6, 0.8, 1], [1.92, 1.985, 2.03, 2.07, 2.105, 2.14]),
    cells=6,
    ohm=0.007,
    ohm_by_charge=((0.05, 3.0), (0.1, 1.8), (0.2, 1.35), (0.5, 1.1), (0.8, 1.0), (1.0, 1.0)),
    pairs=(Pair(0.004, 60.0), Pair(0.006, 1800.0)),
    wells=Wells(0.315, 1.24, 1.0877),
    gas=Gas(0.03, 13.38, 11.0 / 6, 0.06, 0.0),
    charge_rise=0.5,
    leak_a=0.005,
    empty_drop_v=23.0,
    overcharge_v=6.0,
    soc_frac=0.9,
)
FLAT = UnitModel(
    id="A",
    capacity_ah=100.0,
    curve=own_curve([0, 0.05, 0.1, 0.3, 0.6, 0.65, 0.95, 1], [2.6, 3.15, 3.2, 3.28, 3.30, 3.32, 3.335, 3.36]),
    ohm=0.0012,
    pairs=(Pair(0.0006, 30.0), Pair(0.0015, 1200.0)),
    hysteresis_v=0.010,
    leak_a=0.003,
    soc_frac=0.6,
)


@dataclass(frozen=True, slots=True)
class Law:
    """One unit's equations under one stretch of a drive."""

    model: UnitModel
    load: Stretch
    warming: bool = False
    ambient_c: float = 25.0

    def fixed(self, y: Floats) -> tuple[float, float, float, float]:
        """Return the source, the resistance behind it on discharge and on charge, and the charge at hand."""
        m = self.model
        s, warmth = y[SOC], y[TEMP]
        head = avail = s - (1.0 - by(m.capacity_by_warmth, warmth))
        if m.wells:
            hand = head + m.wells.whole - 1.0 - (1.0 - m.wells.part) * y[WELL]
            head, avail = hand / m.wells.whole, m.wells.part * hand
        volts = m.cells * float(np.interp(s, m.curve.soc, m.curve.volt)) + m.overcharge_v * max(s - 1.0, 0.0)
        if avail < 0.0:
            volts -= m.empty_drop_v * (1.0 - math.exp(avail / 0.03))
        volts += y[LOOP] + m.entropy_v_k * (warmth - 25.0) - y[PAIR_1] - y[PAIR_2]
        ohm = m.ohm * by(m.ohm_by_warmth, warmth)
        rise = 1.0 + m.charge_rise / (1.05 - min(max(head, 0.0), 1.0499))
        out = ohm * by(m.ohm_by_charge, head)
        return volts, out, ohm * rise if m.charge_rise else out, avail

    def leak_a(self, y: Floats) -> float:
        """Return the self-discharge."""
        return self.model.leak_a * 2.0 ** ((y[TEMP] - 25.0) / self.model.leak_double_k)

    def gas_a(self, y: Floats, volts: float) -> float:
        """Return the gas current."""
        gas = self.model.gas
        if gas is None:
            return 0.0
        return gas.amps * math.exp(gas.per_v * (volts - gas.at_v) + gas.per_k * (y[TEMP] - 25.0))

    def volts(self, y: Floats) -> float:
        """Return the terminal voltage: where what the unit gives is what the drive takes."""
        source, out, inward, _ = self.fixed(y)
        load = self.load

        def surplus(u: float) -> float:
            drawn = load.load_a - load.source_a + (load.load_w - load.source_w) / u + load.load_s * u
            main = drawn + self.leak_a(y) + self.gas_a(y, u)
            return source - (out if main >= 0.0 else inward) * main - u

        if not (load.load_w or load.source_w or load.load_s or self.model.gas):
            return surplus(1.0) + 1.0
        return float(brentq(surplus, 0.7 * source, 1.6 * source, xtol=1e-12, rtol=1e-14))

    def amps(self, volts: float) -> float:
        """Return what the drive takes."""
        load = self.load
        return load.load_a - load.source_a + (load.load_w - load.source_w) / volts + load.load_s * volts

    def __call__(self, _t: float, y: Floats) -> list[float]:
        """Return how fast the states change."""
        m = self.model
        u = self.volts(y)
        gas, leak = self.gas_a(y, u), self.leak_a(y)
        amps = self.amps(u)
        main = amps + leak + gas
        charge = 3600.0 * m.capacity_ah
        pairs = [(main * p.ohm - v) / p.tau_s for p, v in zip(m.pairs, (y[PAIR_1], y[PAIR_2]), strict=False)]
        well = main / (m.wells.part * charge) - m.wells.rate_h / 3600.0 * y[WELL] if m.wells else 0.0
        far = -m.hysteresis_v if main > 0.0 else m.hysteresis_v
        loop = HYSTERESIS_RATE * abs(main) / charge * (far - y[LOOP]) if m.hysteresis_v else 0.0
        warm = 0.0
        if self.warming:
            # What the source gives and the terminals do not get is heat, but for what gas carries away.
            _, out, inward, _ = self.fixed(y)
            heat = main * main * (out if main >= 0.0 else inward) + main * (y[PAIR_1] + y[PAIR_2]) + u * leak
            heat += gas * (u - (m.gas.kept_v if m.gas else 0.0)) - main * (y[TEMP] + KELVIN) * m.entropy_v_k
            warm = (heat - m.cooling_w_k * (y[TEMP] - self.ambient_c)) / m.heat_j_k
        return [-main / charge, *pairs, *[0.0] * (2 - len(pairs)), well, loop, warm]


@dataclass(frozen=True, slots=True)
class Until:
    """A value whose coming to nought ends the integration: an event, as scipy wants it."""

    law: Law
    value: Callable[[Law, Floats], float]
    terminal: bool = True

    def __call__(self, _t: float, y: Floats) -> float:
        """Return the value."""
        return self.value(self.law, y)


def tell(words: str) -> None:
    """Say what was measured; `pytest -s` shows it."""
    print(words)  # noqa: T201


def by(points: object, x: float) -> float:
    """Return a factor from a table, held at its ends; 1 without a table."""
    return float(np.interp(x, *zip(*points, strict=True))) if points else 1.0  # type: ignore[call-overload]


def radau(
    model: UnitModel, stretches: list[Stretch], time_s: Floats, *, warming: bool = False, rtol: float = 1e-9,
    longest_s: float = 20.0, until: Callable[[Law, Floats], float] | None = None,
) -> tuple[Floats, Floats, float | None]:  # fmt: skip
    """Return volts and states at given moments, and when `until` first comes to nought."""
    y = np.array([model.soc_frac, 0.0, 0.0, 0.0, 0.0, model.temperature_c])
    volts, states = np.full(len(time_s), np.nan), np.full((len(time_s), 6), np.nan)
    begin = 0.0
    for load in stretches:
        law = Law(model, load, warming)
        end = begin + load.seconds
        # A sample on an edge belongs to what begins there; the last to what ends there.
        mine = (time_s >= begin - 1e-9) & ((time_s < end - 1e-9) | (load is stretches[-1]))
        stop = Until(law, until) if until else None
        done = solve_ivp(law, (begin, end), y, "Radau", dense_output=True, rtol=rtol, atol=1e-3 * rtol,
                         max_step=longest_s, events=stop)  # fmt: skip
        assert done.success
        if stop and done.status == 1:
            return volts, states, float(done.t_events[0][0])
        if mine.any():
            states[mine] = done.sol(np.minimum(time_s[mine], end)).T
            volts[mine] = [law.volts(x) for x in states[mine]]
        y, begin = done.y[:, -1], end
    return volts, states, None


def ours(
    model: UnitModel, stretches: list[Stretch], step_s: float, *, warming: bool = False, fall: float = 0.01
) -> Record:
    """Run one unit, recorded at every second or at every step where steps are longer."""
    circuit = Circuit(unit("A"), [model], warming=warming)
    return circuit.run(drive_of(stretches, NO_CEILING), step_s=step_s, record_s=max(1.0, step_s), fall=fall)


S = Stretch
WARM = replace(OXIDE, leak_a=0.0, heat_j_k=45.0, cooling_w_k=0.05, entropy_v_k=-1e-4)
CASES = {
    "oxide cell, currents": (OXIDE, [S(seconds=900, load_a=4), S(seconds=600), S(seconds=900, source_a=2)], False),
    "oxide cell, watts": (
        OXIDE, [S(seconds=1200, load_w=12), S(seconds=600, load_w=3), S(seconds=900, source_w=6)], False),
    "oxide cell, ohms": (OXIDE, [S(seconds=1800, load_s=1.0), S(seconds=600, load_s=0.2)], False),
    "lead, drawn hard": (ACID, [S(seconds=2700, load_a=35), S(seconds=900)], False),
    "lead, drawn beyond empty": (replace(ACID, soc_frac=0.45), [S(seconds=3600, load_a=20)], False),
    "lead, charged and gassing": (ACID, [S(seconds=3600, source_a=10)], False),
    "lead, charged, no rise": (replace(ACID, charge_rise=0.0), [S(seconds=3600, source_a=10)], False),
    "flat lithium with a loop": (
        FLAT, [S(seconds=1200, load_a=60), S(seconds=300), S(seconds=1200, source_a=80), S(seconds=900, load_w=150)],
        False),
    "cell that warms up": (WARM, [S(seconds=1200, load_a=5), S(seconds=600, source_a=2.5)], True),
}  # fmt: skip
FIRST_ORDER = "the resistance is that of the step's beginning, so that its change by charge is met to first order only"
NOT_YET: dict[str, str] = {}


def named(cases: Iterable[str]) -> list[ParameterSet]:
    """Return parameters, with a mark on those that cannot hold yet."""
    return [
        pytest.param(
            name, id=name, marks=[pytest.mark.xfail(reason=NOT_YET[name], strict=True)] if name in NOT_YET else []
        )
        for name in cases
    ]


@pytest.mark.parametrize("name", named(CASES))
def test_agrees_with_radau(name: str) -> None:
    """At every second the voltage is within 0.5 mV and the charge within a millionth, at steps of 1 s."""
    model, stretches, warming = CASES[name]
    record = ours(model, stretches, 1.0, warming=warming)
    assert record.ended.kind == "time"
    volts, states, _ = radau(model, stretches, record.time_s, warming=warming)
    off_v = np.abs(record.volts - volts).max()
    off_soc = np.abs(record.soc_frac[:, 0] - states[:, SOC]).max()
    off_k = np.abs(record.temperature_c[:, 0] - states[:, TEMP]).max()
    tell(f"{name}: {1e3 * off_v:.5f} mV, charge {off_soc:.1e}, {off_k:.1e} K, {len(record.time_s)} samples")
    assert off_v < MOST_V
    assert off_soc < MOST_SOC
    assert off_k < MOST_K


def test_resistance_follows_warmth() -> None:
    """Where resistance falls with warmth, the voltage lags by what half a minute of warming makes of it at most."""
    model = replace(WARM, ohm_by_charge=(), ohm_by_warmth=((0.0, 2.4), (25.0, 1.0), (60.0, 0.5)))
    stretches = [S(seconds=1200, load_a=5), S(seconds=600, source_a=2.5)]
    record = ours(model, stretches, 1.0, warming=True)
    volts, states, _ = radau(model, stretches, record.time_s, warming=True)
    quickest_k_s = np.abs(np.diff(states[:, TEMP]) / np.diff(record.time_s)).max()
    lag_v = 30.0 * quickest_k_s * model.ohm * 1.4 / 25.0 * 5.0
    off_v, off_k = np.abs(record.volts - volts).max(), np.abs(record.temperature_c[:, 0] - states[:, TEMP]).max()
    tell(f"resistance by warmth: {1e3 * off_v:.3f} mV of {1e3 * lag_v:.3f} mV, {off_k:.1e} K")
    assert off_v < MOST_V + lag_v
    assert off_k < 0.1


def at_hand(law: Law, y: Floats) -> float:
    """Return the charge at hand."""
    return law.fixed(y)[3]


@pytest.mark.parametrize(
    ("amps", "rest_s"), [(20.0, 0.0), (40.0, 0.0), (60.0, 900.0)], ids=["slow", "quick", "with a rest between"]
)
def test_wells_run_dry_when_radau_says(amps: float, rest_s: float) -> None:
    """The moment at which no charge is at hand is found to a hundredth of a second, at steps of 10 s too."""
    model = replace(ACID, ohm_by_charge=())
    stretches = [S(seconds=900, load_a=amps), *([S(seconds=rest_s)] if rest_s else []), S(seconds=14_400, load_a=amps)]
    _, _, dry_s = radau(model, stretches, np.array([0.0]), until=at_hand)
    assert dry_s is not None
    for step_s in (1.0, 10.0):
        empty = ours(model, stretches, step_s).first("empty")
        assert empty is not None
        tell(f"{amps:g} A: empty after {dry_s:.4f} s, ours off by {empty.time_s - dry_s:.1e} s at {step_s:g} s")
        assert empty.time_s == pytest.approx(dry_s, abs=0.01)


STRAIGHT = own_curve([0, 1], [3.2, 4.0])
SMOOTH = {
    "watts": (replace(OXIDE, curve=STRAIGHT, ohm_by_charge=(), pairs=(Pair(0.05, 400.0), Pair(0.03, 2000.0))),
              [S(seconds=3600, load_w=7)]),
    "ohms": (replace(OXIDE, curve=own_curve([0, 1], [2.0, 4.0]), ohm_by_charge=(), pairs=(Pair(0.05, 400.0),)),
             [S(seconds=3600, load_s=0.5)]),
    "gas": (replace(ACID, curve=own_curve([0, 1], [1.93, 2.33]), ohm_by_charge=(), charge_rise=0.0, soc_frac=0.7),
            [S(seconds=3600, source_w=170)]),
    "loop": (replace(FLAT, curve=own_curve([0, 1], [2.8, 3.6]), hysteresis_v=0.10), [S(seconds=3600, load_w=120)]),
    "resistance by charge": (replace(OXIDE, curve=STRAIGHT, ohm_by_charge=((0.0, 4.0), (1.0, 1.0))),
                             [S(seconds=3600, load_w=7)]),
    "rise on charge": (replace(ACID, curve=own_curve([0, 1], [1.93, 2.33]), soc_frac=0.7),
                       [S(seconds=3600, source_w=170)]),
}  # fmt: skip


@pytest.mark.parametrize("name", named(SMOOTH))
def test_error_falls_with_the_square_of_the_step(name: str) -> None:
    """Where all is smooth, steps of a sixth have a thirty-sixth of the error, and those of a tenth a hundredth."""
    model, stretches = SMOOTH[name]
    time_s = np.arange(0.0, 3601.0, 60.0)
    volts, states, _ = radau(model, stretches, time_s, rtol=1e-12, longest_s=20.0)
    errors = []
    for step_s in (60.0, 10.0, 1.0):
        record = ours(model, stretches, step_s, fall=1.0)
        places = np.searchsorted(record.time_s, time_s - 1e-6)
        assert np.allclose(record.time_s[places], time_s, atol=1e-6)
        errors.append(
            (np.abs(record.volts[places] - volts).max(), np.abs(record.soc_frac[places, 0] - states[:, SOC]).max())
        )
    (v60, s60), (v10, s10), (v1, s1) = errors
    tell(
        f"{name}: {v60:.1e} {v10:.1e} {v1:.1e} V; charge {s60:.1e} {s10:.1e} {s1:.1e}; "
        f"ratios {v60 / v10:.1f} {v10 / v1:.1f}, {s60 / s10:.1f} {s10 / s1:.1f}"
    )
    assert v60 / v10 > 25.0
    assert v10 / v1 > 70.0
    assert s60 / s10 > 25.0
    assert s10 / s1 > 70.0
