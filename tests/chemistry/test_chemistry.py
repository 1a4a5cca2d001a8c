"""The chemistry files: sources, grades, order of limits, curves, and points printed by others."""

from __future__ import annotations

import csv
import tomllib
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hotchpot.chemistry import KEYS, SOC_GRID, TEMPERATURE_GRID_C, Curve, Grade, chemistry, cite, interpolate, sources
from hotchpot.errors import InputError

# value rows, hazard rows, curve points, sum of all numbers, sum of the curve's volts, sum of its states of charge.
# Made from the files themselves: not a proof of any value, only that none changes unnoticed.
FROZEN = {
    "lead_flooded": (55, 6, 11, 11457.538, 22.406, 5.5),
    "lead_agm": (55, 6, 11, 10522.888, 22.191, 5.5),
    "lead_gel": (55, 6, 11, 11014.478, 22.51, 5.5),
    "lfp": (48, 5, 19, 12672.76, 61.4426, 9.249),
    "nmc": (46, 5, 13, 6533.752, 47.479, 5.57),
    "nca": (46, 5, 15, 5783.582, 54.616, 7.5),
    "lco": (46, 5, 15, 4466.572, 56.527, 7.5),
    "lmo": (46, 5, 15, 4803.35, 57.32, 7.5),
    "lto": (46, 5, 15, 29990.233, 34.616, 7.5),
    "nicd": (48, 4, 11, 9960.99, 13.85, 5.5),
    "nimh": (48, 4, 11, 6681.33, 14.14, 5.5),
    "nife": (48, 4, 11, 19378.49, 14.12, 5.5),
    "naion": (46, 5, 15, 8321.2, 44.68, 7.5),
}
SOURCE_ROWS = 54
LEAD = ("lead_flooded", "lead_agm", "lead_gel")
TENTHS = tuple(n / 10 for n in range(11))


def raw(key: str) -> dict[str, Any]:
    """Return a data file as written."""
    return tomllib.loads(resources.files("hotchpot.chemistry").joinpath("data", f"{key}.toml").read_text("utf-8"))


def numbers(value: Any) -> list[float]:
    """Return every number within a value, however nested; true and false are none."""
    if isinstance(value, (bool, str)):
        return []
    if isinstance(value, list):
        return [number for item in value for number in numbers(item)]
    return [float(value)]


@pytest.mark.parametrize("key", KEYS)
def test_every_source_key_resolves(key: str) -> None:
    """Each value, curve and hazard must name only sources that stand in the sources file."""
    data = raw(key)
    rows = [*data["values"].values(), data["ocv"], *data["hazards"].values()]
    used = {name for row in rows for name in row["source"].split("+")}
    assert used <= set(sources()), used - set(sources())
    for row in rows:
        assert cite(row["source"])


def test_every_source_is_used() -> None:
    """A source that no value names any more must go, so that the list says what the values rest on."""
    used = set()
    for key in KEYS:
        data = raw(key)
        for row in [*data["values"].values(), data["ocv"], *data["hazards"].values()]:
            used |= set(row["source"].split("+"))
    assert set(sources()) == used
    assert len(sources()) == SOURCE_ROWS


@pytest.mark.parametrize("key", KEYS)
def test_grades_and_units_are_given(key: str) -> None:
    """Each value must have a unit and one of the six grades; an invented grade must not load."""
    chem = chemistry(key)
    assert chem.key == key
    for name, entry in chem.values.items():
        assert isinstance(entry.grade, Grade), name
        assert entry.unit, name
        assert chem.cite(name).endswith(f"[{entry.grade}]")
    assert isinstance(chem.ocv.grade, Grade)


@pytest.mark.parametrize("key", KEYS)
def test_a_guess_is_graded_as_one(key: str) -> None:
    """A value whose only source is a guess or memory must not carry a better grade than that."""
    weak = {"guess": {Grade.GUESS}, "mem": {Grade.MEMORY, Grade.GUESS}}
    wrong = [
        name
        for name, entry in chemistry(key).values.items()
        if entry.source in weak and entry.grade not in weak[entry.source]
    ]
    assert wrong == [name for name in wrong if (key, name) in KNOWN_BETTER_THAN_MEMORY]


# Naumann's coefficients were from memory and then met in two public implementations; the note in the file says so.
KNOWN_BETTER_THAN_MEMORY = {("lfp", "ageing_cycle")}


@pytest.mark.parametrize("key", KEYS)
def test_rows_and_sums_are_frozen(key: str) -> None:
    """Row counts and sums must stand as frozen, so that an edit by accident fails."""
    data = raw(key)
    every = [number for row in data["values"].values() for number in numbers(row["value"])]
    ocv = data["ocv"]
    found = (len(data["values"]), len(data["hazards"]), len(ocv["soc"]), sum(every), sum(ocv["volt"]), sum(ocv["soc"]))
    assert found == pytest.approx(FROZEN[key], rel=1e-9)


@pytest.mark.parametrize("key", KEYS)
def test_the_curve_rises_from_empty_to_full(key: str) -> None:
    """Rest voltage must rise strictly over a grid from 0 to 1, and lie between the cell's own limits."""
    chem = chemistry(key)
    assert chem.ocv.soc[0] == 0.0
    assert chem.ocv.soc[-1] == 1.0
    assert len(chem.ocv.soc) == len(chem.ocv.volt)
    assert all(low < high for low, high in pairwise(chem.ocv.soc))
    assert all(low < high for low, high in pairwise(chem.ocv.volt))
    assert chem.num("abs_min_v") < chem.ocv.volt[0]
    assert chem.ocv.volt[-1] <= chem.num("charge_max_v")


@pytest.mark.parametrize("key", KEYS)
def test_voltage_limits_stand_in_order(key: str) -> None:
    """From reversed to equalise, each limit of a cell must lie above the one before it."""
    chem = chemistry(key)
    rising = ["discharge_min_v", "lvd_v", "nominal_v"]
    volts = [chem.num(name) for name in rising]
    for name in ("float_v", "absorb_v"):
        volts += chem.band(name) or ()
    volts.append(chem.num("charge_max_v"))
    assert all(low <= high for low, high in pairwise(volts)), volts
    assert chem.num("discharge_min_v") < chem.num("lvd_v") < chem.num("nominal_v") < volts[3]
    assert chem.num("reversal_v") < 0.0 <= chem.num("abs_min_v") <= chem.num("reject_rest_v")
    assert chem.num("reject_rest_v") <= chem.num("discharge_min_v")
    equalise = chem.band("equalise_v")
    if equalise:
        assert volts[-2] <= equalise[1]
        assert chem.num("charge_max_v") <= equalise[1]


@pytest.mark.parametrize("key", LEAD)
def test_lead_gasses_above_float(key: str) -> None:
    """Gassing must begin above float and at or below the highest charge voltage, or float would dry a cell out."""
    chem = chemistry(key)
    float_v = chem.band("float_v")
    assert float_v is not None
    assert float_v[1] < chem.num("gassing_onset_v") <= chem.num("charge_max_v")
    assert chem.num("temp_comp") < 0.0


@pytest.mark.parametrize("key", KEYS)
def test_temperature_bands_stand_in_order(key: str) -> None:
    """Charging must never be allowed at a temperature where discharging is not."""
    chem = chemistry(key)
    charge, discharge = chem.band("charge_t"), chem.band("discharge_t")
    assert charge is not None
    assert discharge is not None
    assert discharge[0] <= charge[0] < charge[1] <= discharge[1]


@pytest.mark.parametrize("key", KEYS)
def test_tables_fit_their_grids(key: str) -> None:
    """Tables over temperature and charge must have a value for each grid point, 1 at reference, and the right trend."""
    chem = chemistry(key)
    by_soc, by_temperature = chem.row("r_soc_mult"), chem.row("r_temp_mult")
    assert len(by_soc) == len(SOC_GRID) == 6
    assert len(by_temperature) == len(TEMPERATURE_GRID_C) == 6
    assert by_soc[4] == 1.0
    assert all(high >= low for high, low in pairwise(by_soc[:5]))
    assert by_temperature[4] == 1.0
    assert all(high > low for high, low in pairwise(by_temperature))
    if "capacity_t_slow" in chem.values:
        capacity = chem.row("capacity_t_slow")
        assert capacity[4] == 1.0
        assert all(low <= high for low, high in pairwise(capacity[:5]))  # nickel-metal hydride loses a little above
    assert tuple(sorted(TEMPERATURE_GRID_C)) == TEMPERATURE_GRID_C
    assert tuple(sorted(SOC_GRID)) == SOC_GRID
    low, typical, high = chem.row("peukert")
    assert 1.0 <= low <= typical <= high


@pytest.mark.parametrize("key", KEYS)
def test_twelve_volt_counts_make_about_twelve_volts(key: str) -> None:
    """The usual cell count of a 12 V unit must come within 10 % of 12 V (common practice, no source)."""
    chem = chemistry(key)
    assert chem.num("cells_12v") * chem.num("nominal_v") == pytest.approx(12.0, rel=0.1)


# The table of Battery Council International at 26.7 °C, and a vehicle magazine's. The rule OCV = SG + 0.84 V, by which
# our curve is made, misses the first by up to 0.13 V, and other tables of empty cells by more: so a band, not a point.
@pytest.mark.parametrize(
    ("soc", "unit_v"),
    [
        (1.0, 12.65), (0.75, 12.45), (0.5, 12.24), (0.25, 12.06), (0.0, 11.89),
        (1.0, 12.66), (0.5, 12.30), (0.25, 12.15),
    ],
)  # fmt: skip
def test_flooded_curve_lies_in_the_printed_band(soc: float, unit_v: float) -> None:
    """Six flooded cells must read within 0.13 V of two printed tables (BCI; a vehicle magazine)."""
    assert 6 * chemistry("lead_flooded").ocv.volts(soc) == pytest.approx(unit_v, abs=0.13)


def test_flooded_full_agrees_with_bode() -> None:
    """Six full flooded cells must read 12.66 V ± 0.03 V (Bode 1977, acid of 35.45 % by weight)."""
    assert 6 * chemistry("lead_flooded").ocv.volts(1.0) == pytest.approx(12.66, abs=0.03)


@pytest.mark.parametrize("cells", [4, 8, 16])
def test_lfp_pack_limits(cells: int) -> None:
    """LFP packs must have the printed full voltages (makers' charts: 14.6, 29.2, 58.4 V) and cell limits."""
    chem = chemistry("lfp")
    assert cells * chem.num("charge_max_v") == pytest.approx({4: 14.6, 8: 29.2, 16: 58.4}[cells], abs=1e-9)
    assert chem.num("nominal_v") == 3.2
    assert chem.num("discharge_min_v") == 2.5
    absorb = chem.band("absorb_v")
    assert absorb is not None
    assert cells * absorb[0] == pytest.approx({4: 13.8, 8: 27.6, 16: 55.2}[cells], abs=1e-9)


# NMC111/graphite: Ecker 2014 and Schmalstieg 2014, figure 1, digitised. NMC 75 Ah: Smith et al., ACC 2017.
ECKER = (3.331, 3.491, 3.581, 3.627, 3.655, 3.697, 3.775, 3.869, 3.965, 4.073, 4.162)
SMITH = (3.0000, 3.4679, 3.5394, 3.5950, 3.6453, 3.6876, 3.7469, 3.8400, 3.9521, 4.0668, 4.193)


@pytest.mark.parametrize("table", [ECKER, SMITH], ids=["Ecker", "Smith"])
def test_nmc_curve_against_other_nmc_cells(table: tuple[float, ...]) -> None:
    """From 30 % charge up, the NMC curve must lie within 0.11 V of two measured cells of other makes.

    The bound is what was found, not what was hoped: the two tables differ from each other by up to 0.032 V there.
    """
    nmc = chemistry("nmc").ocv
    for soc, volts in list(zip(TENTHS, table, strict=True))[3:]:
        assert nmc.volts(soc) == pytest.approx(volts, abs=0.11), soc


# The curve is the mean of these two tables, so this only proves that they agree within the doubt it states.
@pytest.mark.parametrize("table", [ECKER, SMITH], ids=["Ecker", "Smith"])
def test_nmc_curve_within_its_stated_doubt(table: tuple[float, ...]) -> None:
    """The rms distance to other NMC cells must not exceed the doubt that the file states for a label-only unit."""
    chem = chemistry("nmc")
    away = [chem.ocv.volts(soc) - volts for soc, volts in zip(TENTHS, table, strict=True)]
    assert float(np.sqrt(np.mean(np.square(away[3:])))) <= chem.num("ocv_curve_sd")


@pytest.mark.parametrize(
    ("key", "low_v", "high_v"),
    [("lfp", 2.0, 3.6), ("nmc", 2.5, 4.2), ("lead_flooded", 1.75, 2.42), ("lead_agm", 1.75, 2.42)],
)
def test_curves_lie_in_published_windows(key: str, low_v: float, high_v: float) -> None:
    """Rest voltages must lie within the windows of published parameter sets (Prada 2013, Chen 2020, Sulzer 2019)."""
    curve = chemistry(key).ocv
    assert low_v <= curve.volt[0] < curve.volt[-1] <= high_v


@pytest.mark.parametrize("key", ["nmc", "nca", "lco"])
def test_layered_lithium_limits(key: str) -> None:
    """NMC, NCA and LCO must have 4.20 V at most, 3.6 to 3.7 V nominal and 2.5 to 3.0 V at least (cell data sheets)."""
    chem = chemistry(key)
    assert chem.num("charge_max_v") == 4.20
    assert 3.6 <= chem.num("nominal_v") <= 3.7
    assert 2.5 <= chem.num("discharge_min_v") <= 3.0


# Tao et al. 2024, doi 10.1038/s41467-024-54454-0, on the charge branch after 10 min of rest: tests/data/README.md.
RETIRED = Path(__file__).parents[1] / "data" / "retired_cells_mean.csv"
LEAF = Path(__file__).parents[3] / "shared" / "data" / "series_string_6s2p" / "cell_hppc_25C.csv"
TENTHS_OF_HALF = tuple(n / 20 for n in range(1, 11))  # 5 to 50 % of the nominal charge


def retired(kind: str) -> list[tuple[float, float]]:
    """Return mean true state of charge and mean rest voltage of a batch of retired cells at each step of charge."""
    with RETIRED.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["chemistry"] == kind]
    return [(float(row["soc_frac"]), float(row["rest_v"])) for row in rows]


def test_the_retired_cells_are_as_written() -> None:
    """Three batches of ten steps, 5 to 50 % of nominal charge, must stand as computed from 56, 95 and 67 records."""
    with RETIRED.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {(row["chemistry"], row["batch"], row["cells"]) for row in rows} == {
        ("LFP", "LFP35", "56"), ("LMO", "LMO10", "95"), ("NMC", "NMC2.1", "67"),
    }  # fmt: skip
    assert [int(row["charged_pct_of_nominal"]) for row in rows] == 3 * list(range(5, 55, 5))
    assert sum(float(row["soc_frac"]) for row in rows) == pytest.approx(10.1234, abs=1e-9)
    assert sum(float(row["rest_v"]) for row in rows) == pytest.approx(103.4461, abs=1e-9)


@pytest.mark.parametrize(("soc", "charged_v"), retired("LFP"))
def test_lfp_curve_follows_measured_cells(soc: float, charged_v: float) -> None:
    """The LFP curve, half the hysteresis gap (10 mV) below these cells, must lie below them and within its doubt."""
    chem = chemistry("lfp")
    assert charged_v - chem.num("ocv_curve_sd") <= chem.ocv.volts(soc) < charged_v


@pytest.mark.parametrize("soc", [0.8, 0.9, 0.95])
def test_lfp_upper_plateau(soc: float) -> None:
    """A rested LFP cell must read about 3.33 V from 80 to 95 % (common practice, no source)."""
    chem = chemistry("lfp")
    assert chem.ocv.volts(soc) == pytest.approx(3.33, abs=chem.num("ocv_curve_sd"))


def test_a_rested_12_volt_lfp_unit_reads_13_2() -> None:
    """Four LFP cells in mid-plateau must read about 13.2 V (makers' charts: 3.30 V a cell)."""
    assert 4 * chemistry("lfp").ocv.volts(0.5) == pytest.approx(13.2, abs=4 * 0.015)


def freed(key: str, kind: str) -> np.ndarray:
    """
    Return how far each step's mean lies above the curve once what the way of reading adds is taken off. [V]

    Three parts, each from the chemistry's own file. Half the hysteresis: they were charged to each step. What ten
    minutes leave of the slow pairs after a step of 5 % at 1C (three minutes). And the charge left in a cell that a 1C
    run calls empty, where its open-circuit voltage is the lowest allowed and the drop under 1C: the true charge is that
    much more than the one counted from there.
    """
    chem, found = chemistry(key), []
    for nominal, (soc, volts) in zip(TENTHS_OF_HALF, retired(kind), strict=True):
        c_rate = soc / nominal  # 1C of the nominal capacity, over what the cell still holds
        slow = [(chem.num(r) * 1e-3 * c_rate, chem.num(tau)) for r, tau in (("r1_q", "tau1"), ("r2_q", "tau2"))]
        left_v = sum(ohm * -np.expm1(-180.0 / tau) * np.exp(-600.0 / tau) for ohm, tau in slow)
        drop_v = chem.num("r10s_q") * 1e-3 * c_rate + sum(ohm for ohm, _ in slow)
        under = chem.ocv.soc_at(chem.num("discharge_min_v") + drop_v)
        true = under + (1.0 - under) * soc
        found.append(volts - chem.num("ocv_hysteresis") / 2 - left_v - chem.ocv.volts(true))
    return np.array(found)


def rms(away: object) -> float:
    """Return the root of the mean square."""
    return float(np.sqrt(np.mean(np.square(away))))


# A batch is one draw of the doubt, not ten: its steps lie on one smooth curve. Of a departure with two independent
# normal amplitudes (a cosine and a sine over the charge), the largest is Rayleigh's: 95 % within 2.45 deviations.
LARGEST_SD = float(np.sqrt(-2.0 * np.log(0.05)))


@pytest.mark.parametrize(
    ("key", "kind"),
    [
        ("lfp", "LFP"),
        ("nmc", "NMC"),
        pytest.param(
            "lmo",
            "LMO",
            marks=pytest.mark.xfail(
                strict=True,
                reason="another cell behind one label: 0.52 V rms below (0.23 V at 63 % to 0.80 V at 6 %), five times "
                "the 0.1 V that the Leaf's cells confirm; a doubt for both, 0.35 V, voids the checks of full cells",
            ),
        ),
    ],
)
def test_curve_lies_with_the_retired_cells(key: str, kind: str) -> None:
    """
    Freed of what the reading adds, a batch must lie within the stated doubt: rms within 1.96, the largest within 2.45.

    Data: Tao et al. 2024, means of 56, 67 and 95 records of cells of 52 to 96 % health.
    """
    away, doubt = freed(key, kind), chemistry(key).num("ocv_curve_sd")
    assert len(away) == 10
    assert rms(away) <= 1.96 * doubt
    assert np.abs(away).max() <= LARGEST_SD * doubt


def test_the_doubt_of_nmc_is_that_of_three_makes() -> None:
    """
    The doubt of an NMC unit known by its label must be the standard deviation of three makes about the curve, to 5 mV.

    JCGM 100:2008, 4.2.2, with two degrees of freedom, as the curve itself was made of two of them: 48 mV.
    """
    chem = chemistry("nmc")
    published = [[chem.ocv.volts(s) - v for s, v in list(zip(TENTHS, t, strict=True))[1:]] for t in (ECKER, SMITH)]
    makes = [*(rms(away) for away in published), rms(freed("nmc", "NMC"))]
    spread = float(np.sqrt(np.sum(np.square(makes)) / (len(makes) - 1)))
    assert chem.num("ocv_curve_sd") == pytest.approx(spread, abs=0.005)


@pytest.mark.skipif(not LEAF.exists(), reason="the open data set lies outside the repository, not here")
def test_a_leaf_s_cell_lies_within_the_doubt_of_lmo() -> None:
    """
    Rest points of a cell of LMO and graphite, an hour after each 3.2 Ah, must lie within the LMO curve's doubt.

    Data: G. Wiggins et al., "Battery cell data from a 2013 Nissan Leaf", doi 10.5281/zenodo.2580327.
    """
    with LEAF.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    hours, amps, volts = (np.array([float(row[key]) for row in rows]) for key in ("t_s", "current_A", "voltage_V"))
    step = np.array([int(row["step"]) for row in rows])
    drawn = np.concatenate([[0.0], np.cumsum(-(amps[1:] + amps[:-1]) / 2 * np.diff(hours) / 3600.0)])
    ends = np.flatnonzero(np.isin(step[:-1], (5, 10)) & (step[1:] == 6))  # the last of each rest before a pulse
    chem = chemistry("lmo")
    away = [chem.ocv.volts(1.0 - float(drawn[k] / drawn[-1])) - float(volts[k]) for k in ends]
    assert len(away) >= 9
    assert rms(away) <= chem.num("ocv_curve_sd")
    assert np.abs(away).max() <= LARGEST_SD * chem.num("ocv_curve_sd")


@pytest.mark.parametrize("key", KEYS)
def test_curves_read_both_ways(key: str) -> None:
    """Reading a state of charge from a voltage and back must return it, and hold at both ends."""
    curve = chemistry(key).ocv
    for soc in np.linspace(0.0, 1.0, 41):
        assert curve.soc_at(curve.volts(float(soc))) == pytest.approx(float(soc), abs=1e-9)
    assert curve.soc_at(-2.0) == 0.0
    assert curve.soc_at(9.0) == 1.0
    assert curve.slope(0.0) > 0.0
    assert curve.slope(1.0) > 0.0


def test_interpolation_matches_numpy() -> None:
    """Our straight-line reading must equal numpy.interp inside, at and beyond the points."""
    xs, ys = [0.0, 0.5, 2.0], [1.0, -1.0, 4.0]
    for x in np.linspace(-1.0, 3.0, 81):
        assert interpolate(float(x), xs, ys) == pytest.approx(float(np.interp(x, xs, ys)), abs=1e-12)


def test_slope_of_a_straight_curve() -> None:
    """A straight curve must have its one slope everywhere, also at the ends."""
    curve = Curve((0.0, 1.0), (2.0, 2.5), "mem", Grade.GUESS)
    for soc in (0.0, 0.01, 0.5, 1.0):
        assert curve.slope(soc) == pytest.approx(0.5)


def test_an_unknown_key_gets_the_nearest() -> None:
    """A mistyped chemistry must be answered with the one that was meant."""
    with pytest.raises(InputError, match=r"'lead_amg'.*no such chemistry.*did you mean 'lead_agm'\?"):
        chemistry("lead_amg")


def test_bands_that_a_chemistry_does_not_have() -> None:
    """Gel must have no equalise band, NiMH no float: None, not a number."""
    assert chemistry("lead_gel").band("equalise_v") is None
    assert chemistry("nimh").band("float_v") is None
    assert chemistry("lfp").get("gassing_onset_v", 9.9) == 9.9


def test_typical_resistance_scales() -> None:
    """Twice the cells must double a unit's resistance and twice the capacity halve it (250 mΩ·Ah a flooded cell)."""
    flooded = chemistry("lead_flooded")
    assert flooded.typical_mohm(6, 100.0) == pytest.approx(15.0)
    assert flooded.typical_mohm(12, 100.0) == pytest.approx(30.0)
    assert flooded.typical_mohm(6, 200.0) == pytest.approx(7.5)


@pytest.mark.parametrize(
    ("temperature_c", "factor"), [(-40.0, 2.0), (0.0, 1.35), (5.0, 1.25), (25.0, 1.0), (60.0, 0.93)]
)
def test_temperature_tables_are_read_between_points(temperature_c: float, factor: float) -> None:
    """A six-point table must be straight between its points and held at its ends (worked by hand)."""
    assert chemistry("lead_agm").at_temperature("r_temp_mult", temperature_c) == pytest.approx(factor)
