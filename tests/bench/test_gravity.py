"""The hydrometer: published corrections, charge as bands, the lowest cell, spreads, and who has no acid to read."""

from __future__ import annotations

import numpy as np
import pytest

from hotchpot.bench.remark import Weight
from hotchpot.bench.standing.gravity import READING_SD, SCALE_SD, charge_of_gravity, gravity_at, gravity_at_25
from hotchpot.errors import InputError
from hotchpot.pile.unit import Unit

TUB = Unit(id="T1", chemistry="lead_flooded", cells=6, rated_ah=225, rated_hours=20)


def fahrenheit(degrees: float) -> float:
    """Return °C."""
    return (degrees - 32.0) / 1.8


@pytest.mark.parametrize(("read", "celsius", "at_25"), [(1.255, 35, 1.262), (1.275, 15, 1.268)])
def test_a_maker_s_correction_to_25(read: float, celsius: float, at_25: float) -> None:
    """L14, manual of a solar battery, 0.0007 per kelvin: 1.255 at 35 °C is 1.262; 1.275 at 15 °C is 1.268."""
    assert gravity_at(read, celsius) == pytest.approx(at_25, abs=5e-4)
    assert gravity_at_25(read, celsius).value == pytest.approx(at_25, abs=5e-4)


def test_the_army_s_correction_to_80_fahrenheit() -> None:
    """L15, US Army TM 5-3895-349-14&P: 1.240 at 100 °F is 1.248 at 80 °F, by 0.004 per 10 °F."""
    per_k = 0.004 / 10 * 1.8
    assert gravity_at(1.240, fahrenheit(100), base_c=fahrenheit(80), per_k=per_k) == pytest.approx(1.248, abs=1e-6)
    assert gravity_at(1.240, fahrenheit(100), base_c=fahrenheit(80)) == pytest.approx(1.248, abs=5e-4)


def test_an_old_book_s_correction_to_70_fahrenheit() -> None:
    """L16, Witte 1922: 1.275 at 82 °F is 1.279 at 70 °F, by 0.001 per 3 °F; ours agrees within a thousandth."""
    assert gravity_at(1.275, fahrenheit(82), base_c=fahrenheit(70), per_k=0.0006) == pytest.approx(1.279, abs=5e-4)
    assert gravity_at(1.275, fahrenheit(82), base_c=fahrenheit(70)) == pytest.approx(1.279, abs=1e-3)


def test_a_hot_full_cell() -> None:
    """L09b, a maker's support note: 1.258 read at 38 °C is a full cell of 1.265."""
    found = charge_of_gravity([1.258] * 6, unit=TUB, temperature_c=38)
    assert found.value == pytest.approx(1.0)
    assert found.facts["gravity_25"] == pytest.approx(1.267, abs=5e-4)


@pytest.mark.parametrize(
    ("low", "high", "percent"),
    [(1.255, 1.275, 100), (1.215, 1.235, 75), (1.180, 1.200, 50), (1.155, 1.165, 25), (1.110, 1.130, 0)],
)
def test_a_maker_s_bands_of_gravity(low: float, high: float, percent: int) -> None:
    """L09b: each printed band of gravity, read at 25 °C, must hold the charge it is printed for, with our doubt."""
    found = [charge_of_gravity([sg] * 6, unit=TUB, temperature_c=25) for sg in (low, high)]
    assert found[0].low is not None
    assert found[1].high is not None
    assert found[0].low <= percent / 100 <= found[1].high


@pytest.mark.parametrize(("gravity", "percent"), [(1.265, 100), (1.225, 75), (1.190, 50), (1.155, 25), (1.120, 0)])
def test_a_trade_body_s_points_as_bands(gravity: float, percent: int) -> None:
    """L07, a trade body's table at 26.7 °C: each gravity's bounds must hold its charge (a band, not a point: D13)."""
    found = charge_of_gravity([gravity], unit=TUB, temperature_c=26.7)
    assert found.low is not None
    assert found.high is not None
    assert found.low - 0.02 <= percent / 100 <= found.high + 0.02


@pytest.mark.parametrize(
    ("low", "high", "percent"), [(1.260, 1.280, 100), (1.230, 1.250, 75), (1.200, 1.220, 50), (1.170, 1.190, 25)]
)
def test_a_magazine_s_bands(low: float, high: float, percent: int) -> None:
    """L09, a third table, for a stronger acid: its bands must still meet our bounds."""
    found = [charge_of_gravity([sg], unit=TUB, temperature_c=25) for sg in (low, high)]
    assert found[0].low is not None
    assert found[1].high is not None
    assert found[0].low - 0.02 <= percent / 100 <= found[1].high + 0.02


def test_the_doubt_is_that_of_the_hydrometer() -> None:
    """Project rule: 0.005 over the 0.145 from empty to full is 3.4 %; temperature ± 3 K adds 0.8 % to it."""
    assert np.hypot(SCALE_SD, READING_SD) == pytest.approx(0.005)
    found = charge_of_gravity([1.1925], unit=TUB, temperature_c=25)
    assert found.sd == pytest.approx(0.0051 / 0.13, rel=0.10)  # 0.12 to 0.14 V of slope in the curve's middle


def test_the_lowest_cell_rules() -> None:
    """One cell at 1.180 among cells at 1.220 empties first: the unit's charge is that cell's."""
    low = charge_of_gravity([1.220, 1.222, 1.180, 1.219, 1.221, 1.220], unit=TUB, temperature_c=25)
    alone = charge_of_gravity([1.180], unit=TUB, temperature_c=25)
    assert low.value == pytest.approx(alone.value, abs=0.01)
    assert low.facts["spread"] == pytest.approx(0.042)


def test_the_luck_of_the_lowest_is_taken_out() -> None:
    """Six equal cells read ± 0.002: the lowest reading is bad luck, so the charge is nearer to their mean."""
    found = charge_of_gravity([1.2225, 1.2185, 1.2205, 1.2215, 1.2195, 1.2205], unit=TUB, temperature_c=25)
    assert found.facts["gravity_25"] == pytest.approx(1.2205, abs=2e-4)


@pytest.mark.parametrize(
    ("lowest", "limit"), [(1.195, None), (1.194, 0.025), (1.170, 0.025), (1.169, 0.050), (1.120, 0.050)]
)
def test_both_limits_of_spread(lowest: float, limit: float | None) -> None:
    """L17: more than 0.025 (US Army) is doubted, more than 0.050 (equipment manuals) rejects after equalising."""
    found = charge_of_gravity([1.220] * 5 + [lowest], unit=TUB, temperature_c=25)
    spread = [remark for remark in found.remarks if remark.code == "gravity-spread"]
    assert [remark.limit for remark in spread] == ([] if limit is None else [limit])
    for remark in spread:
        assert ("reject" in remark.do) is (limit == 0.050)
        assert remark.weight is Weight.DOUBTFUL


@pytest.mark.parametrize("key", ["lead_agm", "lead_gel", "lfp", "nmc", "nicd", "nife"])
def test_only_vented_lead_has_acid_to_read(key: str) -> None:
    """Sealed cells must not be opened, and the lye of nickel cells does not tell their charge."""
    other = Unit(id="X", chemistry=key, cells=6, rated_ah=100, rated_hours=20)
    found = charge_of_gravity([1.250], unit=other)
    assert found.refused
    assert found.remarks[0].code == "no-acid-to-read"


@pytest.mark.parametrize("gravity", [1.02, 1.36])
def test_water_and_strong_acid_are_refused(gravity: float) -> None:
    """Almost water, or stronger than any battery acid: no charge, but goggles and a reason."""
    found = charge_of_gravity([1.25] * 5 + [gravity] if gravity < 1.2 else [gravity] * 6, unit=TUB, temperature_c=25)
    assert found.refused
    assert found.remarks[0].code == "acid-impossible"
    assert "goggles" in found.remarks[0].do


def test_cells_that_were_not_read_are_a_doubt() -> None:
    """The lowest cell may be one that nobody read."""
    found = charge_of_gravity([1.25, 1.25], unit=TUB, temperature_c=25)
    assert [remark.code for remark in found.remarks] == ["cells-missing"]


def test_without_a_temperature_a_room_s_is_taken_in_more_doubt() -> None:
    """By hand: at 20 °C the reading is 0.0035 lower at 25 °C, and ± 8 K are a doubt of 0.0032."""
    assert gravity_at_25(1.250).value == pytest.approx(1.2465)
    assert gravity_at_25(1.250).sd == pytest.approx(np.hypot(0.005, 0.0007 * 8 / 3**0.5), rel=0.01)


def test_every_fault_is_told_at_once() -> None:
    """Two impossible numbers and one too many must be one error that names all three."""
    with pytest.raises(InputError) as caught:
        charge_of_gravity([1250, 0.9, 1.2, 1.2, 1.2, 1.2, 1.2], unit=TUB)
    assert len(caught.value.faults) == 3


@pytest.mark.parametrize("apart", [0.0, 0.05])
def test_the_bounds_hold_the_lowest_cell(apart: float) -> None:
    """300 invented units with one hydrometer each: the lowest cell's charge lies within the bounds in 91 to 99 %."""
    rng, held = np.random.default_rng(3), 0
    for _ in range(300):
        charges = np.clip(rng.uniform(0.2, 0.95) - np.abs(rng.normal(0.0, apart, 6)), 0.0, 1.0)
        celsius = rng.uniform(5, 40)
        true = np.array([TUB.chem.ocv.volts(float(s)) - 0.845 for s in charges])
        read = true - rng.uniform(6e-4, 8e-4) * (celsius - 25) + rng.normal(0, SCALE_SD) + rng.normal(0, READING_SD, 6)
        found = charge_of_gravity(read.tolist(), unit=TUB, temperature_c=celsius + rng.uniform(-3, 3))
        low, high = found.interval()
        held += low <= charges.min() <= high
    assert 0.91 <= held / 300 <= 0.99
