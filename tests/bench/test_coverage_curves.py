"""
The doubts of own curves, of the kinetic model and of the laboratory's meter, proved as in `test_coverage.py`.

A unit's own curve is told with one doubt for all its points, so the share is that of points, from 15 % charge up in
steps of 5 %, that lie within ± 1.96 of it: 90 % or more over 1,000 units. Near a knee, and at full where the pairs are
not yet filled, it is less; how much less is held too. The seed is one for all and was not looked for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
import simulated as world
from numpy.typing import NDArray
from test_coverage import ALL, BAND, LEAD, SEED, Case, Draw, Rng, capacity, charge, leak_by_ah, loads, shares, step

from hotchpot.bench import (
    OwnCurve,
    capacity_of_run,
    combine,
    curve_of_points,
    curve_of_run,
    fit_kinetic,
    meter,
    rated_by_fit,
)
from hotchpot.bench.discharge.temperature import capacity_factor

UNITS = 1000
LEAST_SHARE = 0.90
AT = np.linspace(0.15, 1.0, 18)
TENTHS = tuple(n / 10 for n in range(1, 11))

Floats = NDArray[np.float64]
Own = Callable[[Rng], tuple[OwnCurve, Floats]]

# --- own curves ------------------------------------------------------------------------------------------------------


def of_run(key: str, *, both: bool = False, rested: bool = False, known: bool = False) -> Own:
    """A run over 20 h, sampled each minute, with what else was read: charge back, rest before, resistance."""

    def draw(rng: Rng) -> tuple[OwnCurve, Floats]:
        one, seen = world.battery(rng, ALL), world.Instrument(rng, meter(key))
        run = world.slow_run(one, seen, hours=20.0, every_s=60.0)
        down = replace(one, branch=-1.0)
        own = curve_of_run(
            run,
            unit=one.unit,
            meter=seen.kind,
            resistance_mohm=one.mohm(10.0) * (1.0 + rng.normal(0.0, 0.05)) if known else None,
            full_rest_v=float(seen.volts(down.ocv_v(1.0))) if rested else None,
            charge=world.slow_run(one, seen, hours=20.0, every_s=60.0, charging=True) if both else None,
        )
        stands = replace(one, branch=0.0) if both else down
        return own, stands.ocv_of(AT) / one.unit.cells

    return draw


def of_points(key: str, charges: Sequence[float], kinds: Sequence[str] = ALL) -> Own:
    """Rest points at these charges, each counted to 1 % of the charge."""

    def draw(rng: Rng) -> tuple[OwnCurve, Floats]:
        one, seen = replace(world.battery(rng, kinds), branch=0.0), world.Instrument(rng, meter(key))
        true = np.array(charges)
        counted = np.clip(true + rng.normal(0.0, 0.01, true.size), 0.0, 1.0)
        own = curve_of_points(counted.tolist(), seen.volts(one.ocv_of(true)).tolist(), unit=one.unit, meter=seen.kind)
        return own, one.ocv_of(AT) / one.unit.cells

    return draw


def within(draw: Own, *, units: int = UNITS) -> Floats:
    """Return, for each charge of `AT`, the share of units whose true curve lies within ± 1.96 doubts of the own one."""
    rng, held = np.random.default_rng(SEED), []
    for _ in range(units):
        own, true = draw(rng)
        assert not own.refused
        told = np.interp(AT, own.curve.soc, own.curve.volt)
        measured = (own.low - 0.01 <= AT) & (own.high + 0.01 >= AT)
        held.append(np.where(measured, abs(told - true) <= 1.96 * own.sd_v, np.nan))
    every = np.array(held)
    return np.nanmean(every[:, ~np.isnan(every).all(axis=0)], axis=0)


@dataclass(frozen=True)
class Way:
    """One way to an own curve, and the least share at its worst point, as it was found."""

    name: str
    draw: Own
    worst: float


WAYS = (
    Way("one slow run, by a logger", of_run("logger"), 0.90),
    Way("one slow run, by the laboratory", of_run("lab"), 0.90),
    Way("one slow run, resistance known, by a logger", of_run("logger", known=True), 0.90),
    Way("one slow run, rest before it known, by a logger", of_run("logger", rested=True), 0.90),
    # At full the pairs are empty as the run begins and filled as the charge ends: both branches do not cancel there.
    Way("slow run and charge, by a logger", of_run("logger", both=True), 0.75),
    Way("slow run and charge, by the laboratory", of_run("lab", both=True), 0.70),
    Way("rest points at five charges, millivolts", of_points("millivolt", TENTHS[::2]), 0.85),
    # Straight lines cut the knees of lithium iron and titanate at 95 %.
    Way("rest points at tenths, millivolts", of_points("millivolt", TENTHS), 0.75),
    Way("rest points at tenths, by the laboratory", of_points("lab", TENTHS), 0.60),
)


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.name)
def test_the_own_curve_lies_within_its_doubt(way: Way) -> None:
    """Of 1,000 units, 90 % or more of the points lie within the doubt, and at the worst point as many as is known."""
    held = within(way.draw)
    assert held.mean() >= LEAST_SHARE
    assert held.min() >= way.worst


@pytest.mark.parametrize("name", ["slow run and charge, by a logger", "rest points at tenths, by the laboratory"])
def test_a_bold_doubt_of_a_curve_is_found(name: str) -> None:
    """A third of the doubt holds fewer than 90 % of the points: the proof can fail."""
    way = next(one for one in WAYS if one.name == name)

    def bold(rng: Rng) -> tuple[OwnCurve, Floats]:
        own, true = way.draw(rng)
        return replace(own, sd_v=own.sd_v / 3.0), true

    assert within(bold).mean() < LEAST_SHARE


# --- the kinetic model -----------------------------------------------------------------------------------------------


def by_wells(key: str, hours: Sequence[float], *, joined: bool = False) -> Draw:
    """Runs at these rates of a lead unit of two wells, brought to the rated rate by the model fitted through them."""

    def draw(rng: Rng) -> tuple[object, float]:
        one = world.two_wells(rng, world.battery(rng, LEAD))
        seen, runs, points = world.Instrument(rng, meter(key)), [], []
        for k, run_h in enumerate(hours, 1):
            seen.begin()
            at_c = rng.uniform(15.0, 30.0)
            read_c = world.thermometer(rng, at_c)
            run = world.timed_run(one, seen, amps=one.unit.rated_ah / run_h, temperature_c=at_c, read_c=read_c)
            drawn = capacity_of_run(
                run.trace, unit=one.unit, meter=seen.kind, cutoff_v=run.cutoff_v, when=f"2026-03-{k:02}"
            )
            warmth = capacity_factor(one.unit.chem, read_c, hours=drawn.facts["hours"])
            runs.append(drawn)
            points.append((drawn.facts["hours"], drawn.measure.value / warmth.value))
        found = fit_kinetic(points)
        if found.kinetic is None:
            return replace(runs[0], value=None), one.capacity_ah
        rated = rated_by_fit(runs, unit=one.unit, fit=found)
        return (combine(rated, subject="S1") if joined else rated[int(rng.integers(len(rated)))]), one.capacity_ah

    return draw  # type: ignore[return-value]  # combine gives None for no estimates only


WELL_CASES = (
    Case("two wells, three rates about the rated one, by hand", by_wells("hand", (30.0, 10.0, 3.0)), 0.10, draws=500),
    Case("two wells, three faster rates, by hand", by_wells("hand", (10.0, 5.0, 2.0)), refused=0.15, draws=500),
    Case("two wells, three runs joined", by_wells("hand", (30.0, 10.0, 3.0), joined=True), refused=0.10, draws=500),
)


@pytest.mark.parametrize("case", WELL_CASES, ids=lambda case: case.name)
def test_the_capacity_by_the_kinetic_model_holds_the_truth(case: Case) -> None:
    """
    Brought to the rated rate by a model fitted through three runs, 93 to 97 % of the intervals hold the truth.

    500 batteries, run at three rates, at 15 to 30 °C; where noise leaves no two wells, no model is given.
    """
    held, refused = shares(case.draw, draws=case.draws)
    assert refused <= case.refused
    assert BAND[0] <= held <= BAND[1]


def test_two_wells_of_the_world_are_those_of_the_paper() -> None:
    """The world's wells give 60, 93 and 100 Ah in 1, 10 and 20 h with the constants fitted to those (closed form)."""
    rng = np.random.default_rng(SEED)
    made = world.two_wells(rng, world.battery(rng, ("lead_agm",)))
    one = replace(made, capacity_ah=100.0, unit=replace(made.unit, rated_hours=20.0), at_hand=0.4751, k_per_h=0.677)
    for hours, ah in ((1.0, 60.0), (10.0, 93.0), (20.0, 100.0)):
        assert one.warm_ah(ah / hours) == pytest.approx(ah, rel=1e-3)


# --- the laboratory's meter ------------------------------------------------------------------------------------------

LAB_CASES = (
    Case("capacity, by the laboratory", capacity("lab", logged=True)),
    Case("capacity at the rated rate and 25 °C, by the laboratory", capacity("lab", logged=True, rated=True)),
    Case("resistance of two loads, by the laboratory", loads("lab", (0.2, 1.0))),
    Case("resistance after 10 s, by the laboratory", step("lab", 10.0, 1.0)),
    Case("charge of a lead unit's rest, by the laboratory", charge("lab", LEAD)),
    Case("charge of an NMC unit's rest, by the laboratory", charge("lab", ("nmc",)), refused=0.02),
    Case("leakage by amp-hours, by the laboratory", leak_by_ah("lab", 28.0)),
)


@pytest.mark.parametrize("case", LAB_CASES, ids=lambda case: case.name)
def test_the_laboratory_s_interval_holds_the_truth(case: Case) -> None:
    """Read with the laboratory's meter, 93 to 97 % of 1,000 intervals hold the truth."""
    held, refused = shares(case.draw)
    assert refused <= case.refused
    assert BAND[0] <= held <= BAND[1]
