"""
Hydrogen and ventilation against published numbers.

H-numbers are our own numbering of checks; the source stands beside each. Where one is marked self-check, formula and
constants come from the source but the number is our own: it guards against change, it proves nothing about the source.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.chemistry import chemistry
from hotchpot.electrics import gas
from hotchpot.errors import InputError

LITRES_PER_FT3 = 28.316846592


def test_hydrogen_of_one_amp_hour() -> None:
    """H01: Faraday's law gives 0.018656 mol; 0.42 L at 0 °C (EN 50272-2) and 0.45-0.46 L at 25 °C (room supplier)."""
    assert gas.hydrogen_mol_per_ah() == pytest.approx(0.018656, abs=5e-7)
    assert gas.hydrogen_l_per_ah(0) == pytest.approx(0.4181, abs=1e-4)
    assert gas.hydrogen_l_per_ah(0) == pytest.approx(0.42, abs=5e-3)
    assert gas.hydrogen_l_per_ah(25) == pytest.approx(0.4564, abs=1e-4)
    assert gas.hydrogen_l_per_ah(25) == pytest.approx(0.46, abs=5e-3)


def test_water_of_one_amp_hour() -> None:
    """H02: 0.336 g of water for each Ah and cell, a figure of IEEE 484 practice (from memory)."""
    assert gas.water_g_per_ah() == pytest.approx(0.336, abs=5e-4)


def test_oxygen_of_one_amp_hour() -> None:
    """H03: 0.209 L of oxygen at 0 °C for each Ah and cell (handbook value, from memory)."""
    assert gas.oxygen_l_per_ah(0) == pytest.approx(0.209, abs=5e-4)


def test_water_becomes_its_two_gases() -> None:
    """Mass is kept: hydrogen and oxygen together weigh what the split water weighed (atomic weights, IUPAC)."""
    assert gas.hydrogen_mol_per_ah() * (2.01588 + 31.9988 / 2) == pytest.approx(gas.water_g_per_ah(), rel=1e-4)


def test_hydrogen_constant_in_us_units() -> None:
    """H04: 0.000269 ft³/min for each amp and cell at 25 °C, IEEE 484 as quoted on an engineering page."""
    cfm = gas.hydrogen_flow_l_per_h(1, 1) / LITRES_PER_FT3 / 60
    assert cfm == pytest.approx(0.000269, abs=5e-7)


def test_charger_limit_example() -> None:
    """H05: 25 A through 24 cells makes 0.161 ft³/min, worked on the same page."""
    cfm = gas.hydrogen_flow_l_per_h(24, 25) / LITRES_PER_FT3 / 60
    assert cfm == pytest.approx(0.161, abs=5e-4)


@pytest.mark.parametrize(("temperature_c", "ft3", "rel"), [(0, 0.01474, 3e-3), (25, 0.016, 1e-2)])
def test_hydrogen_in_cubic_feet(temperature_c: float, ft3: float, rel: float) -> None:
    """H06: vendors' 0.01474 ft³/Ah is the 0 °C volume, 0.2 % low; the UFC's 0.016 is the 25 °C one, 0.7 % low."""
    assert gas.hydrogen_l_per_ah(temperature_c) / LITRES_PER_FT3 == pytest.approx(ft3, rel=rel)


def test_motive_power_example() -> None:
    """H07: 24 cells of 450 Ah, a fifth of it gassed off over 4 h: a vendor's 7.96 ft³/h, 0.2 % low as H06 says."""
    flow = gas.hydrogen_flow_l_per_h(24, 450 * 0.20 / 4, temperature_c=0)
    assert flow / LITRES_PER_FT3 == pytest.approx(7.9596, rel=3e-3)


def test_flooded_makers_flow() -> None:
    """
    H08: a flooded maker's 0.000013 ft³/min per Ah and cell, 24 cells of 960 Ah: 0.30 ft³/min.

    That is the gas of a finishing rate of 5 A per 100 Ah (common practice, no source), within 4 %.
    """
    cfm = gas.hydrogen_flow_l_per_h(24, 0.05 * 960) / LITRES_PER_FT3 / 60
    assert cfm == pytest.approx(0.30, rel=0.04)


def test_flooded_makers_temperature_rule() -> None:
    """H08: with that maker's doubling per 8 °C, 33 °C gives twice the gas of 25 °C; our 0.06 /K grows more slowly."""
    at_25 = gas.gassing_current_a(2.5, 960)
    makers = gas.gassing_current_a(2.5, 960, temperature_c=33, c_t_per_k=math.log(2) / 8)
    assert makers / at_25 == pytest.approx(0.60 / 0.30)
    assert 1.5 < gas.gassing_current_a(2.5, 960, temperature_c=33) / at_25 < 2


def test_dilution_behind_the_standards_factor() -> None:
    """H09: 24 volumes of air to 4 %, and 24 · 0.42e-3 · 5 is the 0.05 of EN 50272-2 as it rounds it."""
    assert gas.dilution(0.04) == pytest.approx(24)
    product = gas.dilution() * gas.STANDARD_HYDROGEN_M3_PER_AH * gas.STANDARD_SAFETY
    assert product == pytest.approx(0.0504)
    assert round(product, 2) == gas.VENTILATION_M3_PER_AH


def test_standard_hydrogen_is_the_zero_degree_volume() -> None:
    """H01, H09: the standard's 0.42e-3 m³/Ah is Faraday's 0 °C volume rounded; at 25 °C it would be 9 % short."""
    assert round(gas.hydrogen_l_per_ah(0), 2) / 1000 == pytest.approx(gas.STANDARD_HYDROGEN_M3_PER_AH)
    assert gas.hydrogen_l_per_ah(25) / 1000 > 1.08 * gas.STANDARD_HYDROGEN_M3_PER_AH


@pytest.mark.parametrize(
    ("chemistry_key", "floating", "boosting", "emission", "rule"),
    [("lead_flooded", 1, 4, 1, (5, 20)), ("lead_agm", 1, 8, 0.2, (1, 8)), ("nicd", 1, 10, 1, (5, 50))],
)
def test_gas_current_of_the_rule(
    chemistry_key: str, floating: float, boosting: float, emission: float, rule: tuple[float, float]
) -> None:
    """H10: EN 50272-2:2001 Table 1 comes out of its own factors, and the chemistry files hold the same numbers."""
    got = tuple(gas.i_gas_ma_per_ah(current, emission_factor=emission) for current in (floating, boosting))
    assert got == pytest.approx(rule)
    chem = chemistry(chemistry_key)
    assert (chem.num("vent_i_float"), chem.num("vent_i_boost")) == rule


def test_ventilation_of_a_room() -> None:
    """H11, self-check: 24 vented cells of 500 Ah on boost need 12.0 m³/h, 336 cm² and 30 m³ (EN 50272-2 formulas)."""
    flow = gas.ventilation_m3_per_h(24, 20, 500)
    assert flow == pytest.approx(12.0)
    assert gas.opening_cm2(flow) == pytest.approx(336)
    assert gas.free_volume_m3(flow) == pytest.approx(30)


def test_opening_lets_the_flow_through_at_a_tenth_of_a_metre_a_second() -> None:
    """The standard's 28 cm² for each m³/h is a draught of 0.1 m/s, within the rounding of 1 %."""
    area_m2 = gas.opening_cm2(1) / 1e4
    assert 1 / 3600 / area_m2 == pytest.approx(0.1, rel=0.01)


def test_ventilation_keeps_the_room_below_the_limit() -> None:
    """Balance of gas: at the ruled flow, the unsafetied gas of a boost charge thins to under 1 % by volume."""
    hydrogen_m3_per_h = gas.hydrogen_flow_l_per_h(24, 500 * 4e-3, temperature_c=0) / 1000  # 4 mA/Ah before safety
    assert hydrogen_m3_per_h / gas.ventilation_m3_per_h(24, 20, 500) < 0.01


def test_spark_distance() -> None:
    """Self-check: 20 mA/Ah and 400 Ah keep sparks 576 mm away (IEC 62485-2 formula, from memory)."""
    assert gas.spark_distance_mm(20, 400) == pytest.approx(576, abs=0.5)


def test_spark_distance_is_a_sphere_of_gas() -> None:
    """Eight times the gas doubles the distance: the rule is the radius of a half ball of gas."""
    assert gas.spark_distance_mm(20, 8 * 400) == pytest.approx(2 * gas.spark_distance_mm(20, 400))


@pytest.mark.parametrize(("cell_v", "amps"), [(2.40, 0.13), (2.58, 0.94), (2.70, 3.5)])
def test_gassing_current(cell_v: float, amps: float) -> None:
    """Self-check: per 100 Ah of new antimonial plates, Schiffer's form with 11 /V (from memory) to two digits."""
    assert gas.gassing_current_a(cell_v, 100) == pytest.approx(amps, rel=0.02)


def test_gassing_reference_point() -> None:
    """At 2.23 V and 25 °C the current is Schiffer's 20 mA per 100 Ah, whatever the slopes."""
    assert gas.gassing_current_a(2.23, 250, c_u_per_v=3, c_t_per_k=1) == pytest.approx(0.050)


def test_gassing_slope_against_kunze() -> None:
    """A decade of gassing current takes 0.2 V by Kunze (TELESCON 1994); ours takes that within 5 %."""
    tenfold_v = math.log(10) / 11
    assert gas.gassing_current_a(2.4 + tenfold_v, 100) == pytest.approx(10 * gas.gassing_current_a(2.4, 100))
    assert tenfold_v == pytest.approx(0.2, rel=0.05)


@pytest.mark.parametrize("key", ["lead_flooded", "lead_agm", "lead_gel"])
def test_gassing_slopes_are_the_chemistries(key: str) -> None:
    """The default slopes of the gassing current are those of the lead chemistries' data files."""
    chem = chemistry(key)
    plain = gas.gassing_current_a(2.45, 100, temperature_c=35, i_g0_ma_per_100ah=chem.num("gas_i0"))
    spelt = gas.gassing_current_a(
        2.45,
        100,
        temperature_c=35,
        i_g0_ma_per_100ah=chem.num("gas_i0"),
        c_u_per_v=chem.num("gas_cu"),
        c_t_per_k=chem.num("gas_ct"),
    )
    assert plain == spelt


def test_no_current_no_gas() -> None:
    """Without gassing current there is no hydrogen, and without flow no opening is asked for."""
    assert gas.hydrogen_flow_l_per_h(24, 0) == 0
    assert gas.opening_cm2(0) == 0


@given(st.integers(1, 500), st.floats(0.1, 100), st.floats(1, 5000), st.integers(1, 20))
def test_ventilation_adds_up(cells: int, i_gas: float, capacity: float, banks: int) -> None:
    """Several equal banks need as much air as one with that many times the cells."""
    one = gas.ventilation_m3_per_h(cells, i_gas, capacity)
    assert gas.ventilation_m3_per_h(cells * banks, i_gas, capacity) == pytest.approx(banks * one)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: gas.ventilation_m3_per_h(0, 20, 500), "cells: must be one or more; got 0, count the cells"),
        (
            lambda: gas.ventilation_m3_per_h(24, -1, 500),
            "i_gas_ma_per_ah: must be above zero; got -1, give it in milliamps",
        ),
        (lambda: gas.ventilation_m3_per_h(24, 20, math.nan), "capacity_ah: .*amp-hours"),
        (lambda: gas.hydrogen_flow_l_per_h(24, -5), "gassing_a: must be zero or more"),
        (lambda: gas.hydrogen_l_per_ah(-300), "below absolute zero"),
        (lambda: gas.hydrogen_l_per_ah(math.inf), "temperature_c: must be a finite number"),
        (lambda: gas.i_gas_ma_per_ah(1, emission_factor=0), "emission_factor: .*give it as a plain number"),
        (lambda: gas.dilution(4), "must lie between 0 and 1; got 4, hydrogen burns from 0.04"),
        (lambda: gas.opening_cm2(-1), "q_m3_per_h: .*cubic metres an hour"),
        (lambda: gas.free_volume_m3(math.nan), "q_m3_per_h"),
        (lambda: gas.spark_distance_mm(20, 0), "capacity_ah: must be above zero"),
        (lambda: gas.gassing_current_a(math.nan, 100), "cell_v: must be a finite number; got nan, give it in volts"),
        (lambda: gas.gassing_current_a(2.4, 100, i_g0_ma_per_100ah=0), "milliamps per 100 amp-hours"),
    ],
)
def test_bad_input_says_what_would_be_right(call, says: str) -> None:
    """Every refusal names the argument, its value and its unit."""
    with pytest.raises(InputError, match=says):
        call()
