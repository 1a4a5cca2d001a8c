"""
Peukert's law in both conventions, and the exponent out of runs.

L-numbers are our own numbering of checks; D8: a test must say which convention it means.
"""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.bench.discharge.capacity import capacity_of_run
from hotchpot.bench.discharge.rate import (
    capacity_at_hours,
    capacity_at_rated,
    exponent_of_chemistry,
    exponent_of_points,
    exponent_of_runs,
    exponent_of_two,
    time_rated_h,
    time_textbook_h,
)
from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape
from hotchpot.bench.meter import meter
from hotchpot.bench.remark import Weight
from hotchpot.bench.trace import trace_of
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import InputError
from hotchpot.pile.unit import Unit

DATA = Path(__file__).resolve().parents[3] / "shared" / "data"
LEAD = Unit(id="A", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
CELL = Unit(id="C", chemistry="lmo", cells=1, rated_ah=33, rated_hours=3)
exponents = st.floats(1.0, 1.6)


def run(amps: float, ah: float, *, sd_frac: float = 0.03, when: str | None = None, **facts: float) -> Estimate:
    """Return an invented run of this capacity."""
    return Estimate(
        quantity=Quantity.CAPACITY,
        value=ah,
        budget=(Line("repeatability", sd_frac * ah),),
        facts={"mean_a": amps, "hours": ah / amps, **facts},
        when=when,
        instrument="hand",
    )


def rows_of(*parts: str) -> list[dict[str, str]]:
    """Return the rows of an open data file; skip where it is not at hand."""
    path = DATA.joinpath(*parts)
    if not path.exists():
        pytest.skip("the open data lie beside the repository, and are not there")
    with path.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def lead_runs(cutoff_v: float | None) -> list[Estimate]:
    """Return the whole runs of battery A in the lead-acid log (faster-lead-acid, arXiv 1902.01771)."""
    table = {row["run"]: row for row in rows_of("lead_acid_cc_discharge", "runs.csv")}
    samples = defaultdict(list)
    for row in rows_of("lead_acid_cc_discharge", "log.csv"):
        if row["run"].startswith("A") and row["voltage_V"] and row["current_A"]:
            samples[row["run"]].append([float(row[c]) for c in ("t_s", "voltage_V", "current_A")])
    unit = Unit(id="A", chemistry="lead_agm", cells=6, rated_ah=17, rated_hours=20)
    found = [
        capacity_of_run(
            trace_of(*zip(*rows, strict=True), temperature_c=float(table[name]["T_mean_C"])),  # type: ignore[arg-type]
            unit=unit,
            meter=meter("logger"),
            cutoff_v=cutoff_v,
            when=table[name]["start_utc"],
        )
        for name, rows in samples.items()
    ]
    return [one for one in found if not one.refused]


# ---------------------------------------------------------------- L18-L21: both conventions


def test_textbook_form() -> None:
    """L18, textbook form, C the 1 A capacity: 250 Ah, 20 A, 1.3 give 5.0886 h and 101.773 Ah (easycalculation.com)."""
    hours = time_textbook_h(250.0, 20.0, 1.3)
    assert hours == pytest.approx(5.0886, abs=5e-5)
    assert 20 * hours == pytest.approx(101.773, abs=5e-4)


def test_textbook_form_again() -> None:
    """L19, textbook form: 100 Ah at 1 A, 5 A, 1.2 give 14.5 h (electrotechnik.net, 2010)."""
    assert time_textbook_h(100.0, 5.0, 1.2) == pytest.approx(14.5, abs=0.05)


def test_rated_form() -> None:
    """L20, rated form: 100 Ah at 20 h, 10 A, 1.2 give 8.706 h and 87.06 Ah (encyclopedia article, from memory)."""
    hours = time_rated_h(100.0, 20.0, 10.0, 1.2)
    assert hours == pytest.approx(8.706, abs=5e-4)
    assert 10 * hours == pytest.approx(87.06, abs=5e-3)


def test_the_conventions_differ_on_the_same_numbers() -> None:
    """D8: the same three numbers mean other hours in each form; with the 1 A capacity worked out first they agree."""
    assert time_textbook_h(100.0, 10.0, 1.2) != pytest.approx(time_rated_h(100.0, 20.0, 10.0, 1.2), rel=0.1)
    at_1a = 100.0 * (100.0 / 20.0) ** 0.2  # the 1 A capacity of 100 Ah at 20 h: C (C/H)^(n-1), by hand
    assert time_textbook_h(at_1a, 10.0, 1.2) == pytest.approx(time_rated_h(100.0, 20.0, 10.0, 1.2))


def test_exponent_of_two_tests() -> None:
    """L21: 20 h at 5 A and 7.5 h at 10 A give 1.415 (formula of a battery monitor's manual, data of a dealer)."""
    assert exponent_of_two((5.0, 10.0), (20.0, 7.5)) == pytest.approx(1.415, abs=5e-4)


def test_a_printed_exponent_from_a_maker_s_figures() -> None:
    """447 min at 25 A of 225 Ah at 20 h give 1.24, as a battery monitor's manual prints for that battery."""
    assert exponent_of_two((225 / 20, 25.0), (20.0, 447 / 60)) == pytest.approx(1.24, abs=0.005)
    assert capacity_at_rated(25 * 447 / 60, 25.0, 20.0, 1.24) == pytest.approx(225, rel=0.005)


@given(exponents, st.floats(1, 500), st.floats(1, 100), st.floats(0.1, 300))
def test_to_the_rated_rate_and_back(exponent: float, rated: float, hours: float, amps: float) -> None:
    """What a unit gives at a current by the rated form leads back to its rated capacity."""
    lasts = time_rated_h(rated, hours, amps, exponent)
    assert capacity_at_rated(amps * lasts, amps, hours, exponent) == pytest.approx(rated)
    assert capacity_at_hours(rated, hours, lasts, exponent) == pytest.approx(amps * lasts)


@given(exponents, st.floats(1, 500), st.floats(1, 100), st.floats(0.1, 300), st.floats(0.1, 10))
def test_charge_scales(exponent: float, rated: float, hours: float, amps: float, times: float) -> None:
    """A unit of several times the size, drained several times as fast, lasts as long."""
    assert time_rated_h(times * rated, hours, times * amps, exponent) == pytest.approx(
        time_rated_h(rated, hours, amps, exponent)
    )


@given(exponents, st.lists(st.floats(0.5, 60), min_size=2, max_size=8, unique=True))
def test_least_squares_finds_the_exponent_that_made_the_points(exponent: float, amps: list[float]) -> None:
    """Points on Peukert's law lead back to its exponent; two of them as the formula for two does."""
    if max(amps) < 1.05 * min(amps):
        return
    ah = [100.0 * a ** (1 - exponent) for a in amps]
    assert exponent_of_points(amps, ah) == pytest.approx(exponent, abs=1e-6)
    first, last = amps.index(min(amps)), amps.index(max(amps))
    pair = (amps[first], amps[last]), (ah[first] / amps[first], ah[last] / amps[last])
    assert exponent_of_two(*pair) == pytest.approx(exponent, abs=1e-6)


@pytest.mark.parametrize("key", KEYS)
def test_the_usual_exponent_of_a_chemistry(key: str) -> None:
    """The file's typical value is used; its doubt is the root mean square distance of the triangle from it."""
    low, typical, high = chemistry(key).row("peukert")
    xs = [low + (high - low) * (i + 0.5) / 20000 for i in range(20000)]
    up, down = max(typical - low, 1e-12), max(high - typical, 1e-12)
    weights = [(x - low) / up if x < typical else (high - x) / down for x in xs]
    meant = math.sqrt(sum(w * (x - typical) ** 2 for w, x in zip(weights, xs, strict=True)) / sum(weights))
    found = exponent_of_chemistry(chemistry(key))
    assert found.value == typical
    assert found.sd == pytest.approx(meant, rel=1e-3)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: time_textbook_h(0, 1, 1.2), "capacity_at_1a_ah"),
        (lambda: time_rated_h(100, 20, -1, 1.2), "amps"),
        (lambda: exponent_of_two((5, 5), (20, 20)), "both currents are the same"),
        (lambda: exponent_of_points([5, 5], [20, 20]), "all currents are the same"),
        (lambda: exponent_of_points([5, 6], [20, math.nan]), "ah"),
        (lambda: capacity_at_hours(100, 20, 0, 1.2), "hours"),
        (lambda: exponent_of_runs([Estimate(quantity=Quantity.CAPACITY, value=5.0)], unit=LEAD), "runs"),
    ],
)
def test_what_is_malformed_is_an_error(call: object, named: str) -> None:
    """Each wrong number is named."""
    with pytest.raises(InputError, match=named):
        call()  # type: ignore[operator]


# ---------------------------------------------------------------- the exponent out of runs: open data


def test_naive_exponent_of_the_lead_log_is_below_one() -> None:
    """The log's runs to 10.8 V give 0.957 by plain least squares, as its reader warns (runs not in random order)."""
    runs = lead_runs(10.8)
    assert len(runs) == 7
    found = exponent_of_points([r.facts["mean_a"] for r in runs], [r.measure.value for r in runs])
    assert found == pytest.approx(0.957, abs=0.0005)


@pytest.mark.parametrize("cutoff_v", [None, 10.5, 10.8])
def test_the_lead_log_s_exponent_is_refused_with_what_confounds_it(cutoff_v: float | None) -> None:
    """The refusal names the order of the runs and the temperature, both of which the log's reader warns of."""
    unit = Unit(id="A", chemistry="lead_agm", cells=6, rated_ah=17, rated_hours=20)
    found = exponent_of_runs(lead_runs(cutoff_v), unit=unit)
    assert found.refused
    (remark,) = found.remarks
    assert (remark.code, remark.weight, remark.limit) == ("exponent-below-one", Weight.REFUSED, 1.0)
    assert remark.value == pytest.approx(0.957, abs=0.012)
    assert "fast ones came first and the slow ones last in time" in remark.why
    assert "K colder" in remark.why


@pytest.mark.parametrize("counted", ["by the logger", "by the trapezium rule"])
def test_exponent_of_the_string_s_cell(counted: str) -> None:
    """Its 14 runs at 1C to 3C give 1.0504 within 0.001 (Nissan Leaf cell, doi 10.5281/zenodo.2580327)."""
    samples = defaultdict(list)
    for row in rows_of("series_string_6s2p", "cell_cc_discharge.csv"):
        if row["rate"] in {"1C", "2C", "3C"}:
            samples[row["rate"], row["run"]].append([float(row[c]) for c in ("t_s", "voltage_V", "current_A", "Ah")])
    runs = []
    for rows in samples.values():
        t, v, i, ah = zip(*rows, strict=True)
        own = [abs(q) for q in ah] if counted == "by the logger" else None
        trace = trace_of(t, v, [-a for a in i], ah=own)
        runs.append(capacity_of_run(trace, unit=CELL, meter=meter("logger"), cutoff_v=3.0))
    found = exponent_of_runs(runs, unit=CELL)
    assert found.facts["runs"] == 14
    assert found.facts["rates"] == 3
    assert found.value == pytest.approx(1.0504, abs=0.001)
    assert found.sd < 0.02


# ---------------------------------------------------------------- the exponent out of runs: what must hold


def peukert_runs(exponent: float, amps: Sequence[float], **facts: float) -> list[Estimate]:
    """Return runs of 100 Ah at 20 h by the rated form."""
    return [run(a, a * time_rated_h(100.0, 20.0, a, exponent), **facts) for a in amps]


@given(st.floats(1.02, 1.5), st.permutations([2.0, 2.05, 5.0, 12.0, 30.0]))
def test_runs_on_the_law_give_its_exponent_in_any_order(exponent: float, amps: list[float]) -> None:
    """Runs of a known exponent give it back; their order is no matter."""
    found = exponent_of_runs(peukert_runs(exponent, amps), unit=LEAD)
    assert found.value == pytest.approx(exponent, abs=0.002)
    assert found.facts["rates"] == 4


def test_the_doubt_of_two_runs() -> None:
    """Two runs of 3 % each, a factor e apart, leave √2·3 % on the slope, less what their perfect fit takes away."""
    found = exponent_of_runs(peukert_runs(1.2, [2.0, 2.0 * math.e]), unit=LEAD)
    assert found.sd == pytest.approx(math.sqrt(2) * 0.03, rel=1e-6)


def test_temperature_is_taken_out_first() -> None:
    """Runs whose slow ones were colder give the exponent of the law, not of law and cold mixed (0.006 /K, vela)."""
    chill = {3.0: 25.0, 5.0: 20.0, 5.0 * 0.45: 15.0}
    runs = [
        run(a, a * time_rated_h(100.0, 20.0, a, 1.1) * (1 + 0.006 * (t - 25)), temperature_c=t)
        for a, t in chill.items()
    ]
    assert exponent_of_runs(runs, unit=LEAD).value == pytest.approx(1.1, abs=0.002)


def test_the_ammeter_s_gain_cancels_and_its_zero_does_not() -> None:
    """A gain shifts all runs of one ammeter alike; a zero, set anew for each run, bends slow runs more: more doubt."""

    def with_line(cause: str, sd: float, *, relative: bool) -> list[Estimate]:
        runs = peukert_runs(1.2, [2.0, 20.0])
        sds = [sd * (r.measure.value if relative else r.facts["hours"]) for r in runs]
        lines = [Line(cause, one, Shape.RECTANGULAR, common=True) for one in sds]
        return [replace(r, budget=(*r.budget, line)) for r, line in zip(runs, lines, strict=True)]

    plain = exponent_of_runs(peukert_runs(1.2, [2.0, 20.0]), unit=LEAD)
    gain = exponent_of_runs(with_line("ammeter's gain", 0.0115, relative=True), unit=LEAD)
    zero = exponent_of_runs(with_line("ammeter's zero", 0.058, relative=False), unit=LEAD)
    assert gain.sd == pytest.approx(plain.sd)
    # by hand: 1.2 sqrt((0.058/20)² + (0.058/2)²) / ln 10 = 0.0152
    assert math.sqrt(zero.sd**2 - plain.sd**2) == pytest.approx(0.0152, abs=1e-4)


def test_scatter_widens_the_doubt() -> None:
    """Runs that scatter by far more than their budgets are doubted by their scatter."""
    amps = [2.0, 2.0, 2.0, 10.0, 10.0, 10.0]
    wild = [run(a, q) for a, q in zip(amps, [100, 120, 84, 70, 85, 60], strict=True)]
    assert exponent_of_runs(wild, unit=LEAD).sd > 2 * exponent_of_runs(peukert_runs(1.2, amps), unit=LEAD).sd


# ---------------------------------------------------------------- what is refused


@pytest.mark.parametrize("amps", [[], [5.0], [5.0, 5.1, 4.95]])
def test_one_rate_tells_no_exponent(amps: list[float]) -> None:
    """No run, one run, or runs at one current within 5 % are refused with what to do."""
    found = exponent_of_runs(peukert_runs(1.2, amps), unit=LEAD)
    assert found.refused
    (remark,) = found.remarks
    assert (remark.code, remark.weight) == ("one-rate-only", Weight.REFUSED)


def test_refused_runs_do_not_count() -> None:
    """A run that told no capacity tells nothing of the rate."""
    aborted = Estimate(quantity=Quantity.CAPACITY, value=None, facts={"mean_a": 20.0, "hours": 1.0})
    found = exponent_of_runs([*peukert_runs(1.2, [5.0]), aborted], unit=LEAD)
    assert [r.code for r in found.remarks] == ["one-rate-only"]


BELOW = [(2.0, 90.0), (4.0, 93.0), (8.0, 97.0)]


@pytest.mark.parametrize(
    ("runs", "named"),
    [
        ([run(a, q, temperature_c=10 + 2 * a) for a, q in [(2.0, 70.0), *BELOW[1:]]], "12.0 K colder"),
        ([run(a, q, when=f"2031-05-{20 - a:02.0f}") for a, q in BELOW], "slow ones last in time (from 8 to 2 A)"),
        ([run(a, q) for a, q in BELOW], "fast ones last in the order given"),
        ([run(a, q, charged_frac=0.9 + 0.02 * a) for a, q in BELOW], "2 of 3 runs only 0.94 to 0.98"),
        ([run(a, q) for a, q in [(5.0, 90.0), (6.0, 95.0)]], "span only 1.20 times"),
        ([run(a, q, cutoff_v=10.5 if a > 3 else 10.8) for a, q in BELOW], "10.5 to 10.8 V"),
    ],
)
def test_an_exponent_below_one_is_refused_and_the_cause_named(runs: list[Estimate], named: str) -> None:
    """Each way in which something else mixes with the rate is named from the runs' own figures."""
    found = exponent_of_runs(runs, unit=LEAD)
    assert found.refused
    (remark,) = found.remarks
    assert remark.code == "exponent-below-one"
    assert remark.value is not None
    assert remark.value < 1.0
    assert named in remark.why


def test_full_charges_at_one_temperature_in_mixed_order_name_no_cause() -> None:
    """Where nothing in the figures is mixed with the rate, the refusal says that too."""
    runs = [
        run(a, q, when=f"2031-05-{day}", temperature_c=22.0, charged_frac=1.1)
        for a, q, day in [(2.0, 90.0, 12), (4.0, 93.0, 11), (8.0, 97.0, 13), (2.0, 90.5, 14)]
    ]
    (remark,) = exponent_of_runs(runs, unit=LEAD).remarks
    assert "name no cause" in remark.why


def test_an_exponent_beyond_all_printed_ones_is_doubted() -> None:
    """Printed exponents end at 1.6 (bdbatteries.com); above it the value is given and doubted."""
    found = exponent_of_runs(peukert_runs(1.9, [2.0, 8.0, 30.0]), unit=LEAD)
    assert found.value == pytest.approx(1.9, abs=1e-6)
    assert [(r.code, r.weight) for r in found.remarks] == [("exponent-mixed", Weight.DOUBTFUL)]
