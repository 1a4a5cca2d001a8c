"""Which column of a log is what: headings in many spellings, silent headings, none at all, and what the user states."""

from __future__ import annotations

from pathlib import Path

import pytest

from hotchpot.bench.logs.logcolumns import Columns, guess_columns
from hotchpot.bench.logs.loglayout import Head, read_head
from hotchpot.bench.logs.logtimes import seconds_of, time_form
from hotchpot.bench.logs.logwords import way_of
from hotchpot.errors import InputError

DATA = Path(__file__).resolve().parents[3] / "shared" / "data"


def rows(first: str, row: str, count: int = 60) -> str:
    """Return a file of a heading and rows; in `row`, {k} counts, {v} and {a} move as a battery's volts and amps do."""
    lines = [first] if first else []
    for k in range(count):
        a = 5.0 if k % 20 > 9 else 0.0
        lines.append(row.format(k=k, v=12.7 - 0.02 * a - 0.001 * k, a=a, mv=12700 - 20 * a - k, ma=1000 * a))
    return "\n".join(lines) + "\n"


def guessed(text: str, stated: str | None = None) -> Columns:
    """Return the columns of a file's text."""
    return guess_columns(read_head(text, name="log.csv"), stated=stated, name="log.csv")


def names(columns: Columns) -> tuple[str, str, str]:
    """Return the names of what was taken for time, volts and amps."""
    return columns.time.name, columns.volts.name, columns.amps.name


# --- layout ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "delimiter", "comma", "first"),
    [
        ("t,U,I\n0,12.5,1\n1,12.4,1\n", ",", False, 2),
        ("t;U;I\n0;12,5;1\n1;12,4;1\n", ";", True, 2),
        ("t\tU\tI\n0\t12,5\t1\n1\t12,4\t1\n", "\t", True, 2),
        ("# a logger\n# t,U,I\n0,12.5,1\n1,12.4,1\n", ",", False, 3),
        ("Logger;X\nSerial;12\n\nt;U;I\ns;V;A\n0;12.5;1\n1;12.4;1\n", ";", False, 6),
        ("0,12.5,1\n1,12.4,1\n2,12.4,1\n", ",", False, 1),
        ('"t","U","I"\r\n"0","12,5","1"\r\n"1","12,4","1"\r\n', ",", True, 2),
    ],
    ids=["commas", "semicolons", "tabs", "comments", "preamble", "no headings", "quotes"],
)
def test_the_layout_is_found(text: str, delimiter: str, comma: bool, first: int) -> None:
    """Delimiter, decimal sign, comments, preamble and the first row are found."""
    layout = read_head(text, name="log.csv").layout
    assert (layout.delimiter, layout.decimal_comma, layout.first_line, layout.width) == (delimiter, comma, first, 3)
    assert layout.headings in ((), ("t", "U", "I"), ("t [s]", "U [V]", "I [A]"))


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "is empty"),
        ("t,U,I\n", "no rows of numbers"),
        ("just words\nand more\nof them\n", "no rows of numbers"),
        ("t,U,I\n0,12,5,1,0\n1,12,4,1,0\n", "decimal commas between commas"),
        ("t;U;I\n0;12,5;1.5\n1;12,4;1.5\n", "commas and points"),
    ],
)
def test_a_layout_that_cannot_be_read_is_one_error(text: str, match: str) -> None:
    """What is no table, or one that reads two ways, says what to do."""
    with pytest.raises(InputError, match=match) as caught:
        read_head(text, name="log.csv")
    assert len(caught.value.faults) == 1


# --- headings --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("heading", "units"),
    [
        ("t,U,I", ("s", "V", "A")),
        ("t_s,voltage_V,current_A", ("s", "V", "A")),
        ("Zeit [s],Spannung [V],Strom [A]", ("s", "V", "A")),
        ("Elapsed (min),V,I(A)", ("min", "V", "A")),
        ("temps (h),tension (V),courant (A)", ("h", "V", "A")),
        ("Time/h,Voltage/V,Current/A", ("h", "V", "A")),
        ("elapsed time in s,voltage in V,current in A", ("s", "V", "A")),
        ("timestamp,Klemmenspannung,Batteriestrom", ("s", "V", "A")),
        ("seconds,pack_V,pack_A", ("s", "V", "A")),
        ("timeStamp,batteryVoltage,packCurrent", ("s", "V", "A")),
        ("TIME (S),VOLTAGE (V),CURRENT (A)", ("s", "V", "A")),
        ("tid,spänning,ström", ("s", "V", "A")),
        ("时间,电压,电流", ("s", "V", "A")),
    ],
)
def test_headings_in_many_spellings(heading: str, units: tuple[str, str, str]) -> None:
    """Any common spelling of time, volts and amps is known, with its unit; the order of the columns does not matter."""
    columns = guessed(rows(heading, "{k},{v},{a}"))
    assert (columns.time.index, columns.volts.index, columns.amps.index) == (0, 1, 2)
    assert (columns.time.unit, columns.volts.unit, columns.amps.unit) == units
    first, second, third = heading.split(",")
    turned = guessed(rows(f"{third},{first},{second}", "{a},{k},{v}"))
    assert names(turned) == names(columns)


def test_thousandths_in_headings() -> None:
    """Units in headings become factors to V, A and s."""
    columns = guessed(rows("t [ms];U [mV];current mA;T [°F]", "{k}000;{mv};{ma};71.5"))
    assert (columns.time.factor, columns.volts.factor, columns.amps.factor) == (1e-3, 1e-3, 1e-3)
    assert columns.temperature is not None
    assert 71.5 * columns.temperature.factor + columns.temperature.offset == pytest.approx(21.94, abs=0.01)


def test_thousandths_from_values() -> None:
    """12870 in a column of volts can only be mV, and that is said."""
    columns = guessed(rows("t,U,I", "{k},{mv},{ma}"))
    assert (columns.volts.unit, columns.amps.unit) == ("mV", "mA")
    assert "can only be mV" in columns.volts.why
    wrong = guessed(rows("t,U [V],I [A]", "{k},{mv},{a}"))
    assert wrong.volts.unit == "mV"
    assert any("no battery" in doubt for doubt in wrong.ambiguous)


def test_a_counter_of_milliseconds() -> None:
    """Whole steps of 1000 without a unit are milliseconds, and the doubt is told."""
    columns = guessed(rows("time,U,I", "{k}000,{v},{a}"))
    assert columns.time.unit == "ms"
    assert any("state time=" in doubt for doubt in columns.ambiguous)


@pytest.mark.parametrize(
    ("first", "factor"),
    [("1700000000", 1.0), ("1700000000000", 1e-3)],
)
def test_epochs(first: str, factor: float) -> None:
    """Numbers that count from 1970 are known by their size."""
    base = int(first)
    step = round(1 / factor)
    text = "ts,U,I\n" + "\n".join(f"{base + k * step},12.{k},{k % 3}" for k in range(30)) + "\n"
    columns = guessed(text)
    assert columns.time.factor == factor
    assert "since 1970" in columns.time.why


@pytest.mark.parametrize(
    ("cell", "seconds"),
    [
        ("2024-03-24T07:00:06", 1711263606.0),
        ("2024-03-24 07:00:06.5", 1711263606.5),
        ("2024/03/24 07:00:06", 1711263606.0),
        ("24.03.2024 07:00:06", 1711263606.0),
        ("24.3.24 7:00:06", 1711263606.0),
        ("03/24/2024 07:00:06 AM", 1711263606.0),
        ("2024-03-24T08:00:06+01:00", 1711263606.0),
        ("2024-03-24T07:00:06Z", 1711263606.0),
        ("27:00:06", 97206.0),
    ],
)
def test_dates_in_many_orders(cell: str, seconds: float) -> None:
    """Dates are read in ISO 8601 and in the orders people use; the seconds are those of the Unix clock (POSIX date)."""
    form = time_form([cell])
    assert form is not None
    assert seconds_of(cell, form) == seconds


def test_a_date_that_reads_two_ways_is_told() -> None:
    """03/04/2024 may be March or April; days that change tell, one day alone does not."""
    assert time_form(["03/04/2024 10:00:00"] * 3).doubt  # type: ignore[union-attr]
    apart = time_form(["03/04/2024 10:00:00", "03/05/2024 10:00:00", "03/06/2024 10:00:00"])
    assert apart is not None
    assert apart.pattern.startswith("%m/%d")


def test_date_and_time_of_day_in_two_columns() -> None:
    """A column of dates and one of times of day are one time."""
    columns = guessed(rows("Datum;Uhrzeit;U;I", "24.03.2024;07:00:{k:02};{v};{a}"))
    assert columns.time.beside == 1
    assert (columns.volts.index, columns.amps.index) == (2, 3)


def test_other_quantities_are_left_alone() -> None:
    """Power, energy, steps and set points are not taken for volts or amps."""
    columns = guessed(rows("step,t,P [W],U set,U,I max,I,E [Wh],mode", "1,{k},60,12.0,{v},9,{a},3,CC"))
    assert names(columns) == ("t", "U", "I")
    assert columns.unit is None


def test_a_column_of_units_needs_few_values() -> None:
    """A heading that names batteries, over few different values, tells units apart; a counter does not."""
    assert guessed(rows("battery,t,U,I", "A,{k},{v},{a}")).unit is not None
    assert guessed(rows("id,t,U,I", "{k},{k},{v},{a}")).unit is None


def test_two_that_would_do_are_told() -> None:
    """Of two currents the first is taken, and that the other would do as well is said."""
    columns = guessed(rows("t,U,current1_A,current2_A", "{k},{v},{a},{a}"))
    assert columns.amps.name == "current1_A"
    assert any("current2_A" in doubt for doubt in columns.ambiguous)


@pytest.mark.parametrize(
    ("heading", "way"), [("Entladestrom", 1), ("charge current", -1), ("I_discharge", 1), ("I", 0)]
)
def test_headings_that_say_which_way(heading: str, way: int) -> None:
    """A heading may say that its current is that of discharge or of charge."""
    assert way_of(heading) == way


# --- no headings -----------------------------------------------------------------------------------------------------


def test_a_file_without_headings() -> None:
    """Without headings the values tell: time rises, volts stay, amps step; what might be otherwise is said."""
    columns = guessed(rows("", "1700000000{k:03},{mv},{ma},24.5"))
    assert names(columns) == ("column 1", "column 2", "column 3")
    assert (columns.time.unit, columns.volts.unit, columns.amps.unit) == ("ms", "mV", "mA")
    dated = guessed(rows("", "{v};{a};2024-03-24 07:00:{k:02}"))
    assert (dated.time.index, dated.volts.index, dated.amps.index) == (2, 0, 1)


def test_what_cannot_be_found_is_asked_for_at_once() -> None:
    """Every column that is missing is named in one error, with what there is."""
    with pytest.raises(InputError, match="volts=") as caught:
        guessed("time_local,active_power_kW\n2008-01-01T00:00,1.58\n2008-01-01T00:10,1.53\n")
    assert len(caught.value.faults) == 2


def test_a_column_of_text_says_its_lines() -> None:
    """A column of volts that holds words says what stands there, and where."""
    with pytest.raises(InputError, match=r"'U' holds text, not volts: 'abc', .* at lines 2, 3, 4"):
        guessed(rows("t,U,I", "{k},abc,{a}"))


# --- what the user states --------------------------------------------------------------------------------------------


def test_what_is_stated_goes_first() -> None:
    """Stated columns, units and the minus go before any guess; a heading may be given without its unit."""
    text = rows("T,t,U [V],I,I2", "24.5,{k},{v},9,{a}")
    columns = guessed(text, "time=t [min], volts=u, amps=-I2")
    assert names(columns) == ("t", "U [V]", "I2")
    assert columns.time.factor == 60.0
    assert columns.amps.factor == -1.0
    assert guessed(text, "amps=-column 5").amps.index == 4
    assert guessed(rows("t,U,-I", "{k},{v},{a}"), "amps=-I").amps.factor == 1.0  # a heading with a minus of its own
    assert guessed(rows("t,U,I", "{k},{v},{a}"), "amps=-I").amps.factor == -1.0


def test_faults_of_what_is_stated_come_all_at_once() -> None:
    """Each wrong part of a statement is told, with what would be right."""
    with pytest.raises(InputError) as caught:
        guessed(rows("t,U,I", "{k},{v},{a}"), "tme=t, volts=W, amps=I [V], temperature=-t, volts=U")
    said = str(caught.value)
    assert len(caught.value.faults) == 4
    for words in (
        "did you mean 'time'",
        "no column is called 'W'",
        "'V' is no unit of amps",
        "only the current's sign",
    ):
        assert words in said
    with pytest.raises(InputError, match="two roles"):
        guessed(rows("t,U,I", "{k},{v},{a}"), "volts=U, amps=U")


def test_the_columns_are_shown_with_their_reasons() -> None:
    """Each role is shown with its column, unit and why it was taken."""
    shown = guessed(rows("t_s,U,I", "{k},{mv},{a}")).shown()
    assert shown["volts"].startswith("U [mV]: heading 'U'; values near 126")
    assert set(shown) == {"time", "volts", "amps"}


# --- open data -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "taken"),
    [
        ("lead_acid_cc_discharge/log.csv", ("t_s", "voltage_V", "current_A")),
        ("series_string_6s2p/cell_hppc_25C.csv", ("t_s", "voltage_V", "current_A")),
        ("series_string_6s2p/string_6s2p_discharge.csv", ("t_s", "pack_V", "current_A")),
        ("parallel_pair_current_sharing/parallel_c10.csv", ("t_s", "voltage_V", "current1_A")),
    ],
)
def test_the_columns_of_open_data(file: str, taken: tuple[str, str, str]) -> None:
    """The columns of published logs are those that their READMEs name."""
    if not DATA.exists():
        pytest.skip("the open data are not beside this checkout")
    head: Head = read_head((DATA / file).read_text("utf-8")[:20_000], name=file)
    assert names(guess_columns(head, name=file)) == taken
