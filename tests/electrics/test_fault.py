"""
Fault currents against published numbers.

S- and R-numbers are our own numbering of checks; "self-check" ones have a read formula but our own numbers, so they
guard against change only.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.electrics import fault
from hotchpot.errors import InputError


def test_four_parallel_batteries() -> None:
    """
    S01: 110 cells of 0.5 mΩ at 240 V give 4.37 kA each, 17.5 kA for four (a circuit-breaker maker's DC guide).

    240 V / 55 mΩ is 4.364 kA, so the print is rounded up by half a digit: 10 A and 50 A are allowed.
    """
    each = fault.string_fault_a(110, 240 / 110, 0.5e-3)
    assert each == pytest.approx(4370, abs=10)
    assert fault.bank_fault_a([each] * 4) == pytest.approx(17500, abs=50)


def test_string_with_links() -> None:
    """R05b, self-check: 24 cells of 2.05 V, 0.30 mΩ and 0.02 mΩ of link each give 6406 A (form of IEEE 946)."""
    assert fault.string_fault_a(24, 2.05, 0.30e-3, links_ohm=24 * 0.02e-3) == pytest.approx(6406, abs=1)


def test_series_ratings_are_not_added() -> None:
    """S06: six 6 V batteries of 2400 A as a 12 V bank give 7200 A (panel maker's guide citing ABYC E-11)."""
    one = fault.string_fault_a(1, 6, 6 / 2400)
    pair = fault.string_fault_a(2, 6, 6 / 2400)
    assert pair == pytest.approx(one)
    assert fault.bank_fault_a([pair] * 3) == pytest.approx(7200)


def test_fallback_from_capacity() -> None:
    """S02, self-check: with resistance unknown 500 Ah counts as 5 kA, bounded by 10 kA (rule of the same DC guide)."""
    assert fault.fallback_fault_a(500) == (5000, 10000)


@pytest.mark.parametrize(("ms", "percent"), [(5, 63.2), (15, 95.0)])
def test_rise_of_the_fault(ms: float, percent: float) -> None:
    """S03, self-check: τ = 5 ms reaches 63.2 % and 95.0 % (the guide prints the exponent without its minus sign)."""
    assert fault.rise_a(100, ms / 1000, 0.005) == pytest.approx(percent, abs=0.05)


def test_rise_at_its_ends() -> None:
    """A fault starts from nothing at the slope I/τ and ends at the full current (worked by hand)."""
    assert fault.rise_a(4000, 0, 0.005) == 0
    assert fault.rise_a(4000, 1e-9, 0.005) == pytest.approx(4000 * 1e-9 / 0.005, rel=1e-6)
    assert fault.rise_a(4000, 1, 0.005) == pytest.approx(4000)


def test_two_load_reading() -> None:
    """R02, self-check: 12.40 V at 40 A and 11.80 V at 200 A are 3.75 mΩ, 3347 A, 12.55 V (IEC 60896-21 by memory)."""
    source = fault.two_load_source(12.40, 40, 11.80, 200)
    assert source.r_ohm == pytest.approx(3.75e-3)
    assert source.fault_a == pytest.approx(3347, abs=1)
    assert source.ocv_v == pytest.approx(12.55)
    assert source.fault_a == pytest.approx((12.40 * 200 - 11.80 * 40) / (12.40 - 11.80))  # the standard's own form


def test_rest_and_load_reading() -> None:
    """R05, self-check: 12.6 V at rest and 12.1 V at 50 A are 10 mΩ and 1260 A (electrical formula page)."""
    source = fault.two_load_source(12.6, 0, 12.1, 50)
    assert source.r_ohm == pytest.approx(10e-3)
    assert source.fault_a == pytest.approx(1260)


@given(st.floats(1, 100), st.floats(1e-4, 0.1), st.floats(0, 100), st.floats(1, 500))
def test_two_readings_give_back_the_source(ocv_v: float, r_ohm: float, i1_a: float, step_a: float) -> None:
    """Readings taken from a known source give that source back, in either order."""
    i2_a = i1_a + step_a
    u1_v, u2_v = ocv_v - i1_a * r_ohm, ocv_v - i2_a * r_ohm
    forth = fault.two_load_source(u1_v, i1_a, u2_v, i2_a)
    back = fault.two_load_source(u2_v, i2_a, u1_v, i1_a)
    for source in (forth, back):
        assert source.ocv_v == pytest.approx(ocv_v, rel=1e-6)
        assert source.r_ohm == pytest.approx(r_ohm, rel=1e-6)


@pytest.mark.parametrize(("area", "insulation", "amps"), [(10, "pvc", 1150), (10, "xlpe", 1430), (4, "pvc", 460)])
def test_one_second_withstand(area: float, insulation: str, amps: float) -> None:
    """C29: one-second withstand of copper cables, published worked values of IEC 60364-5-54."""
    assert fault.withstand_a(area, 1, insulation) == pytest.approx(amps)


@pytest.mark.parametrize(("area", "insulation", "a2s"), [(35, "pvc", 1.620e7), (16, "xlpe", 5.235e6)])
def test_let_through_withstand(area: float, insulation: str, a2s: float) -> None:
    """S15, self-check: k²S² of IEC 60364-4-43, 434.5.2, to the printed digit."""
    assert fault.withstand_a2s(area, insulation) == pytest.approx(a2s, rel=5e-4)


@given(st.floats(1, 300), st.floats(0.01, 5))
def test_withstand_is_one_heat(area: float, t_s: float) -> None:
    """Whatever the time, current squared by time is the same let-through."""
    assert fault.withstand_a(area, t_s) ** 2 * t_s == pytest.approx(fault.withstand_a2s(area))


def test_precharge_of_an_inverter() -> None:
    """Self-check: 10 mF through 47 Ω at 51.2 V takes 1.4 s, peaks at 56 W and leaves 13 J (RC circuit, by hand)."""
    got = fault.precharge(47, 10e-3, 51.2)
    assert got.peak_a == pytest.approx(51.2 / 47)
    assert got.peak_w == pytest.approx(55.8, abs=0.05)
    assert got.energy_j == pytest.approx(13.1, abs=0.05)
    assert got.time_s == pytest.approx(1.41, abs=0.005)


def test_precharge_against_stepping() -> None:
    """Stepping the RC circuit through its differential equation gives the same heat and the same 95 % time."""
    ohm, farad, volts = 47.0, 10e-3, 51.2
    got = fault.precharge(ohm, farad, volts)
    steps, cap_v, heat_j = 40_000, 0.0, 0.0
    dt = 5 * got.time_s / steps
    reached = math.nan
    for step in range(steps):
        amps = (volts - (cap_v + (volts - cap_v) * dt / (2 * ohm * farad))) / ohm  # midpoint rule
        heat_j += amps**2 * ohm * dt
        cap_v += amps / farad * dt
        if math.isnan(reached) and cap_v >= 0.95 * volts:
            reached = (step + 1) * dt
    assert reached == pytest.approx(got.time_s, rel=1e-3)
    assert heat_j == pytest.approx(got.energy_j, rel=1e-4)


@given(st.floats(0.01, 1000), st.floats(1e-6, 1), st.floats(1, 1000))
def test_precharge_heat_ignores_the_resistor(ohm: float, farad: float, volts: float) -> None:
    """Half the energy drawn stays as heat, however large the resistor: it only sets peak and time."""
    small, large = fault.precharge(ohm, farad, volts), fault.precharge(2 * ohm, farad, volts)
    assert large.energy_j == small.energy_j
    assert large.time_s == pytest.approx(2 * small.time_s)
    assert large.peak_a == pytest.approx(small.peak_a / 2)


@given(st.lists(st.floats(0, 1e5), max_size=30))
def test_bank_fault_is_the_sum(strings: list[float]) -> None:
    """A bank's fault current is the sum over its strings and never less than the strongest of them."""
    whole = fault.bank_fault_a(strings)
    assert whole == pytest.approx(math.fsum(strings))
    assert whole >= max(strings, default=0)


@given(st.integers(1, 200), st.floats(0.5, 4), st.floats(1e-5, 1e-2), st.floats(0, 0.1), st.floats(1e-6, 0.1))
def test_more_resistance_never_raises_the_fault(
    cells: int, cell_v: float, cell_ohm: float, links_ohm: float, more_ohm: float
) -> None:
    """Adding links or cable to a string lowers what it feeds into a short."""
    before = fault.string_fault_a(cells, cell_v, cell_ohm, links_ohm=links_ohm)
    assert fault.string_fault_a(cells, cell_v, cell_ohm, links_ohm=links_ohm + more_ohm) < before


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: fault.string_fault_a(0, 2, 1e-3), "count the cells in series"),
        (lambda: fault.string_fault_a(6, 2, 0), "cell_ohm: must be above zero; got 0, give it in ohms"),
        (lambda: fault.string_fault_a(6, 2, 1e-3, links_ohm=-1), "links_ohm: must be zero or more"),
        (lambda: fault.bank_fault_a([100, math.nan]), "string_2_a: must be zero or more; got nan"),
        (lambda: fault.fallback_fault_a(-5), "capacity_ah: must be above zero"),
        (lambda: fault.rise_a(100, -1, 0.005), "t_s: must be zero or more; got -1, give it in seconds"),
        (lambda: fault.rise_a(100, 1, 0), "tau_s: must be above zero"),
        (lambda: fault.two_load_source(12, 10, 11, 10), "read at two clearly different currents"),
        (lambda: fault.two_load_source(12, 10, 12.5, 50), "voltage must be lower at the larger current"),
        (lambda: fault.two_load_source(math.nan, 10, 12.5, 50), "u1_v: must be a finite number"),
        (lambda: fault.precharge(0, 0, 0), "ohm: .*ohms\ncapacitance_f: .*farads\nvolts: .*volts"),
        (lambda: fault.withstand_a(35, 6), "give at most 5 s, or use ampacity"),
        (lambda: fault.withstand_a2s(35, "pcv"), "did you mean 'pvc'"),
        (lambda: fault.withstand_a2s(0), "area_mm2: must be above zero"),
    ],
)
def test_bad_input_says_what_would_be_right(call, says: str) -> None:
    """Every refusal says what is wrong and what would be right."""
    with pytest.raises(InputError, match=says):
        call()
