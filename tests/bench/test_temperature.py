"""
Temperature corrections against what is printed.

L-numbers are our own numbering of checks. IEEE 485 was read second hand; sources stand beside each block.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.bench.discharge import temperature as tm
from hotchpot.chemistry import KEYS, Grade, chemistry
from hotchpot.errors import InputError

# ---------------------------------------------------------------- L01: IEEE 485 Table 1

# Second hand: a public program for battery testing, its chart of factors for 77 °F; the last four from memory.
READ = {
    40: 1.300, 45: 1.250, 50: 1.190, 55: 1.150, 60: 1.110, 65: 1.080, 68: 1.056, 70: 1.040, 72: 1.029, 75: 1.011,
    77: 1.000, 80: 0.980, 85: 0.960, 90: 0.940, 95: 0.930, 100: 0.910, 105: 0.890, 110: 0.880, 115: 0.870, 120: 0.860,
}  # fmt: skip
REMEMBERED = {25: 1.520, 30: 1.430, 35: 1.350, 125: 0.850}


@pytest.mark.parametrize(("fahrenheit", "factor"), sorted({**READ, **REMEMBERED}.items()))
def test_factor_of_the_printed_table(fahrenheit: int, factor: float) -> None:
    """L01: each row of IEEE 485 Table 1 comes back as printed."""
    assert tm.kt_ieee_485(fahrenheit) == pytest.approx(factor, abs=1e-12)


def test_the_table_is_whole_sourced_and_falls() -> None:
    """L01: 24 rows, rising temperature, falling factor; what was remembered says so; a silent edit changes the sum."""
    rows = tm.ieee_485_table()
    assert len(rows) == 24
    assert sum(row[1] for row in rows) == pytest.approx(sum(READ.values()) + sum(REMEMBERED.values()))
    assert [row[0] for row in rows] == sorted({row[0] for row in rows})
    assert [row[1] for row in rows] == sorted((row[1] for row in rows), reverse=True)
    assert {row[0] for row in rows if Grade(row[3]) is Grade.MEMORY} == set(REMEMBERED)
    assert all("IEEE 485" in row[2] for row in rows)


@pytest.mark.parametrize("outside", [24.9, 125.1, math.nan, math.inf])
def test_the_table_is_not_read_beyond_its_rows(outside: float) -> None:
    """A temperature that the table does not print is refused with the table's range."""
    with pytest.raises(InputError, match="25 to 125 °F"):
        tm.kt_ieee_485(outside)


def test_between_the_rows_it_is_straight() -> None:
    """L03: 62.5 °F lies half way between 1.110 and 1.080 (derived from L01 by hand)."""
    assert tm.kt_ieee_485(62.5) == pytest.approx((1.110 + 1.080) / 2)


# ---------------------------------------------------------------- L02: the smooth form


@pytest.mark.parametrize(
    ("celsius", "factor"),
    [(25.0, 1.000), (4.4, 1.30), (15.6, 1.11), (37.8, 0.91), (51.7, 0.85), (0.0, 1.405), (10.0, 1.195)],
)
def test_smooth_form(celsius: float, factor: float) -> None:
    """L02: the polynomial gives the quoted factors within 0.02; 0 and 10 °C as worked out by hand from it."""
    assert tm.kt_ieee_485_smooth(celsius) == pytest.approx(factor, abs=0.02)


@pytest.mark.parametrize("fahrenheit", sorted(READ))
def test_smooth_form_meets_the_table(fahrenheit: int) -> None:
    """Two sources that do not know each other, table and polynomial, agree within 0.02 at each row that was read."""
    assert tm.kt_ieee_485_smooth((fahrenheit - 32) / 1.8) == pytest.approx(READ[fahrenheit], abs=0.02)


@given(st.floats(-20, 59.9))
def test_smooth_form_falls_all_the_way(celsius: float) -> None:
    """Warmer never needs more current headroom: a law of the trade that a cubic could break."""
    assert tm.kt_ieee_485_smooth(celsius + 0.1) < tm.kt_ieee_485_smooth(celsius)


def test_smooth_form_has_an_end() -> None:
    """Beyond −20 to 60 °C the polynomial is not used."""
    with pytest.raises(InputError, match="-20 to 60 °C"):
        tm.kt_ieee_485_smooth(-21)


# ---------------------------------------------------------------- L04: IEEE 450, rate-adjusted


def test_rate_adjusted_test_current() -> None:
    """L04: 100 A rated at 60 °F is tested at 100/1.110 = 90.09 A (method read in a maker's manual of IEEE 450-2002)."""
    assert tm.current_ieee_450_a(100.0, 60.0) == pytest.approx(90.09, abs=0.005)


def test_rate_adjusted_capacity_needs_no_more_correction() -> None:
    """L04: the capacity is time run over time rated, whatever the temperature was."""
    assert tm.capacity_frac_ieee_450(6.0, 8.0) == 0.75


def test_rate_adjusted_current_must_be_a_current() -> None:
    """A rated current of zero or less is an error."""
    with pytest.raises(InputError, match="rated_a"):
        tm.current_ieee_450_a(0.0, 60.0)


# ---------------------------------------------------------------- L05: running time of a flooded battery


def test_runtime_in_both_forms_each_with_its_own_reference() -> None:
    """L05: 100 min at 30 °C are 97.3 min at 27 °C; at 86 °F, the same warmth, 97.0 min at 80 °F (user guide §9.5)."""
    assert tm.runtime_at_27c_min(100.0, 30.0) == pytest.approx(97.3, abs=0.05)
    assert tm.runtime_at_80f_min(100.0, 86.0) == pytest.approx(97.0, abs=0.05)


def test_runtime_at_its_own_reference_stays() -> None:
    """D3: each form is one at its own reference, and not at the other's."""
    assert tm.runtime_at_27c_min(83.0, 27.0) == 83.0
    assert tm.runtime_at_80f_min(83.0, 80.0) == 83.0


@pytest.mark.parametrize("celsius", [23.9, 32.1])
def test_runtime_keeps_to_its_range(celsius: float) -> None:
    """L05: the guide gives both forms for 24 to 32 °C; outside they are refused, in the caller's own degrees."""
    with pytest.raises(InputError, match="24 to 32 °C"):
        tm.runtime_at_27c_min(100.0, celsius)
    with pytest.raises(InputError, match=r"75\.2 to 89\.6 °F"):
        tm.runtime_at_80f_min(100.0, 32 + 1.8 * celsius)


# ---------------------------------------------------------------- the bench's own factor


@pytest.mark.parametrize(
    ("hours", "celsius", "factor"),
    [(20, 10, 0.91), (10, 0, 0.85), (20, -20, 0.73), (3, 10, 0.85), (1, 0, 0.75), (20, 35, 1.06), (5, 25, 1.0)],
)
@pytest.mark.parametrize("kind", ["lead_agm", "lead_flooded", "lead_gel"])
def test_lead_by_the_printed_coefficients(kind: str, hours: float, celsius: float, factor: float) -> None:
    """A maker prints 0.006 /K at C20 and C10 and 0.010 /K at C3 and C1 about 25 °C (vela); worked out by hand."""
    assert tm.capacity_factor(chemistry(kind), celsius, hours=hours).value == pytest.approx(factor)


def test_lead_between_the_printed_rates_lies_between() -> None:
    """Between 3 and 10 h the coefficient falls from one printed value to the other, without a step."""
    ks = [tm.lead_coefficient_per_k(h) for h in (2, 3, 4, 6, 9, 10, 30)]
    assert ks == sorted(ks, reverse=True)
    assert (ks[0], ks[-1]) == pytest.approx((0.010, 0.006))
    assert tm.lead_coefficient_per_k(math.sqrt(30)) == pytest.approx(0.008)


@pytest.mark.parametrize(("kind", "celsius", "factor"), [("lfp", 0, 0.80), ("lfp", -10, 0.66), ("nmc", 10, 0.95)])
def test_lithium_by_its_file(kind: str, celsius: float, factor: float) -> None:
    """Lithium iron phosphate keeps 80 % at 0 °C and 66 % at −10 °C (three data sets, `lithink`); NMC as remembered."""
    assert tm.capacity_factor(chemistry(kind), celsius, hours=5).value == pytest.approx(factor)


@pytest.mark.parametrize("kind", KEYS)
@given(celsius=st.floats(-40, 60), hours=st.floats(0.3, 100))
def test_every_factor_is_sound(kind: str, celsius: float, hours: float) -> None:
    """For every chemistry the factor is 1 without doubt at 25 °C, above zero anywhere, and less sure the farther."""
    chem = chemistry(kind)
    factor = tm.capacity_factor(chem, celsius, hours=hours)
    assert 0.2 < factor.value < 1.2
    assert factor.sd == pytest.approx(abs(factor.value - 1) / 6 / math.sqrt(3))
    assert tm.capacity_factor(chem, 25.0, hours=hours) == tm.Measure(1.0, 0.0, factor.basis)


def test_beyond_the_tables_the_last_value_holds() -> None:
    """Below −20 and above 40 °C the factor stays, and `beyond_table` says so."""
    agm = chemistry("lead_agm")
    assert tm.capacity_factor(agm, -35, hours=20) == tm.capacity_factor(agm, -20, hours=20)
    assert [tm.beyond_table(c) for c in (-20.1, -20, 40, 40.1)] == [True, False, False, True]


@pytest.mark.parametrize(("celsius", "hours", "named"), [(math.nan, 20, "temperature_c"), (20, 0, "hours")])
def test_what_is_no_number_is_an_error(celsius: float, hours: float, named: str) -> None:
    """A temperature or a time that is none is named."""
    with pytest.raises(InputError, match=named):
        tm.capacity_factor(chemistry("lead_agm"), celsius, hours=hours)
