"""Amounts with units, read and shown."""

from __future__ import annotations

import math
import subprocess
import sys
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotchpot.errors import InputError
from hotchpot.quantities import number_readings, parse_quantity, show, unit_factor, unit_line


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("2.5 kWh", "Wh", 2500.0),
        ("35 mm2", "mm2", 35.0),
        ("35 mm²", "mm2", 35.0),
        ("24", "V", 24.0),
        ("24 V", "V", 24.0),
        ("24V", "V", 24.0),
        ("12,5 V", "V", 12.5),
        ("1.234,5 W", "W", 1234.5),
        ("1 500 W", "W", 1500.0),
        ("-0,2 V", "V", -0.2),
        ("−3 °C", "°C", -3.0),
        ("12.8 mΩ", "ohm", 0.0128),
        ("12.8 mOhm", "Ω", 0.0128),
        ("3400 mAh", "Ah", 3.4),
        ("85 %", "1", 0.85),
        ("1e3 W", "W", 1000.0),
        ("2 days", "h", 48.0),
        ("90 min", "h", 1.5),
        ("10 feet", "m", 3.048),  # the international foot is 0.3048 m exactly (ISO 31-1)
        ("77 °F", "°C", 25.0),  # the definition: (77 − 32) · 5/9
        ("-40 F", "C", -40.0),
        ("298.15 K", "°C", 25.0),
        ("18 °F", "K", 10.0),  # a difference, so without the offset
        ("5 K", "K", 5.0),
    ],
)
def test_reads_amounts(text: str, unit: str, value: float) -> None:
    """A number with its unit must arrive as a float in the unit asked for."""
    assert parse_quantity(text, unit, where="x") == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("gauge", "area_mm2"),
    [("6 AWG", 13.30), ("2 AWG", 33.63), ("1/0 AWG", 53.48), ("4/0 awg", 107.2), ("AWG 2", 33.63), ("0 AWG", 53.48)],
)
def test_wire_gauges_match_the_printed_areas(gauge: str, area_mm2: float) -> None:
    """Gauges must match NEC table 310-16's mm² column (printed to 0.1 mm², so within 0.2 %)."""
    assert parse_quantity(gauge, "mm2", where="cable") == pytest.approx(area_mm2, rel=2e-3)


@pytest.mark.parametrize(
    ("gauge", "cmil"),
    [("14", 4110), ("12", 6530), ("10", 10380), ("8", 16510), ("4", 41740), ("1/0", 105600), ("2/0", 133100)],
)
def test_wire_gauges_match_circular_mils(gauge: str, cmil: float) -> None:
    """Gauges must match NFPA 70 chapter 9 table 8 in circular mils (rounded to 10 cmil, so within 0.1 %)."""
    mm2_per_cmil = math.pi / 4 * 0.0254**2
    assert parse_quantity(f"{gauge} AWG", "mm2", where="cable") == pytest.approx(cmil * mm2_per_cmil, rel=1e-3)


@pytest.mark.parametrize("gauge", ["5/0 AWG", "41 AWG", "00000 AWG", "0/0 AWG"])
def test_refuses_gauges_that_do_not_exist(gauge: str) -> None:
    """A gauge outside 4/0 to 40 must be refused with the range that exists."""
    with pytest.raises(InputError, match="4/0 to 40 AWG"):
        parse_quantity(gauge, "mm2", where="cable_mm2")


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("24 Ah", "V"),
        ("2.5 kWh", "Ah"),
        ("5 AWG", "V"),
        ("5 parsnips", "V"),
        ("", "V"),
        ("V", "V"),
        ("nan", "V"),
        ("inf V", "V"),
        ("1e999", "V"),
        ("1_000", "V"),
        ("1.2.3", "V"),
        ("٣ V", "V"),
        ("5 9**9**9**9", "V"),
        ("5 __import__('os')", "V"),
        ("5 m**99999999", "m"),
        ("5 " + "(" * 5000, "V"),
    ],
)
def test_refuses_nonsense_in_one_clear_error(text: str, unit: str) -> None:
    """Another dimension or nonsense must raise InputError with where, what and mend, and nothing else."""
    with pytest.raises(InputError, match=r"^plan\.toml duty\.system_v: .+, give it in") as caught:
        parse_quantity(text, unit, where="plan.toml duty.system_v")
    assert len(caught.value.faults) == 1
    assert len(str(caught.value)) < 250


def test_asks_back_when_a_comma_can_mean_two_things() -> None:
    """A text that can be read two ways a thousand apart must be refused, and both readings named."""
    with pytest.raises(InputError, match=r"can mean 1\.5 or 1500"):
        parse_quantity("1,500 W", "W", where="load")


@pytest.mark.parametrize(
    ("text", "unit", "factor"),
    [
        ("mAh", "Ah", 0.001),
        ("Ω", "mΩ", 1000.0),
        ("\u2126", "mΩ", 1000.0),
        ("mOhm", "mΩ", 1.0),
        ("mohm", "mΩ", 1.0),
        ("milliohm", "mΩ", 1.0),
        ("MΩ", "Ω", 1e6),
        ("degC", "°C", 1.0),
        ("℃", "°C", 1.0),
        ("C", "°C", 1.0),
        ("hr", "h", 1.0),
        ("hours", "h", 1.0),
        ("%", "1", 0.01),
        ("%/day", "%/week", 7.0),
        ("kW", "W", 1000.0),
        ("cm^2", "mm2", 100.0),
        ("m3/h", "m³/h", 1.0),
        ("°F", "°C", None),
        ("Wh", "Ah", None),
        ("rubbish", "V", None),
    ],
)
def test_unit_factors(text: str, unit: str, factor: float | None) -> None:
    """One unit in another must be the textbook factor, whatever the spelling, and None across kinds."""
    got = unit_factor(text, unit)
    assert got == (None if factor is None else pytest.approx(factor, rel=1e-12))


@pytest.mark.parametrize("pair", [("°F", "°C"), ("K", "°C")])
def test_temperature_lines_match_the_unit_library(pair: tuple[str, str]) -> None:
    """Our temperature offsets must equal those of an independent library (pint) at three points."""
    import pint

    library: Any = pint.UnitRegistry()
    names = {"°F": "degF", "°C": "degC", "K": "kelvin"}
    line = unit_line(*pair)
    assert line is not None
    for value in (-40.0, 0.0, 300.0):
        expected = library.Quantity(value, names[pair[0]]).to(names[pair[1]]).magnitude
        assert value * line[0] + line[1] == pytest.approx(expected, abs=1e-9)


def test_common_spellings_need_no_unit_library() -> None:
    """Everyday units must be read without loading pint, which takes a third of a second."""
    code = (
        "import sys; from hotchpot.quantities import unit_line, parse_quantity as p\n"
        "for t, u in [('mAh','Ah'),('Ohm','mΩ'),('°F','°C'),('%','1'),('hours','h'),('mOhm','mΩ'),('kWh','Wh')]:\n"
        "    assert unit_line(t, u), (t, u)\n"
        "p('2 AWG', 'mm2', where='x'); p('24 V', 'V', where='x')\n"
        "assert 'pint' not in sys.modules and 'numpy' not in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (1234, "W", "1.23 kW"),
        (0.0128, "Ω", "12.8 mΩ"),
        (0.0128, "ohm", "12.8 mΩ"),
        (12.8, "mohm", "12.8 mΩ"),
        (1500, "mΩ", "1.50 Ω"),
        (0.00002, "Ω", "20.0 µΩ"),
        (999.6, "W", "1.00 kW"),
        (2_500_000, "Wh", "2.50 MWh"),
        (1234, "Ah", "1230 Ah"),
        (0.05, "A", "50.0 mA"),
        (-12.345, "V", "−12.3 V"),
        (100, "V", "100 V"),
        (5, "A", "5.00 A"),
        (0, "A", "0 A"),
        (float("nan"), "V", "not known"),
        (float("inf"), "A", "∞ A"),
        (float("-inf"), "A", "−∞ A"),
        (25, "degC", "25.0 °C"),
        (35, "mm2", "35.0 mm²"),
        (0.85, "1", "0.850"),
    ],
)
def test_shows_numbers_as_people_write_them(value: float, unit: str, shown: str) -> None:
    """Three figures, a natural prefix, a real minus sign, and words where there is no number (common practice)."""
    assert show(value, unit) == shown


@settings(deadline=None)
@given(st.floats(min_value=1e-4, max_value=1e6), st.sampled_from(["W", "V", "A", "Wh", "mΩ"]), st.booleans())
def test_what_is_shown_reads_back(value: float, unit: str, negative: bool) -> None:
    """Showing a number and reading it back must keep it to the figures shown."""
    value = -value if negative else value
    assert parse_quantity(show(value, unit, digits=6), unit, where="x") == pytest.approx(value, rel=1e-5)


@settings(deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_float_has_itself_as_first_reading(value: float) -> None:
    """A number as the computer prints it must read as itself, before any other reading."""
    assert number_readings(repr(value))[0] == value


@settings(deadline=None)
@given(st.text(max_size=30))
def test_any_text_reads_or_is_refused(text: str) -> None:
    """Whatever is typed, the answer must be a finite number or InputError."""
    value, faults = 0.0, 1
    try:
        value = parse_quantity(text, "V", where="x")
    except InputError as error:
        faults = len(error.faults)
    assert math.isfinite(value)
    assert faults == 1
