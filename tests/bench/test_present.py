"""
What a unit stands at now: readings without a date, readings before and after charge moved, charges against bounds.

Rule (project rule, docs/methods/bench.md): a reading without a date never makes a unit look better than those with one.
"""

from __future__ import annotations

import math

import pytest

from hotchpot import desk
from hotchpot.bank.plan import Plan
from hotchpot.bench import Quantity, Study, state_of, study
from hotchpot.measure import Basis
from hotchpot.pile.reading import Reading
from hotchpot.pile.readingfile import parse_readings
from hotchpot.pile.unit import Unit

HEAD = "unit,kind,when,volts,amps,hours,seconds,cutoff_v,gravity,temperature_c,meter\n"
RUN = "12.6 12.1 11.6 10.5,4.6,0.1 9 17 19.5,,10.5,,25"


def unit(chem: str = "lead_agm", cells: int = 6, **known: object) -> Unit:
    """Return an invented unit of 100 Ah."""
    return Unit(id="A1", chemistry=chem, cells=cells, rated_ah=100, rated_hours=20, **known)  # type: ignore[arg-type]


def read(*rows: str) -> tuple[Reading, ...]:
    """Return readings of A1 from rows without the unit."""
    return parse_readings(HEAD + "".join(f"A1,{row}{',' * (10 - row.count(',') - 1)}\n" for row in rows), name="r.csv")


def said(found: Study) -> list[str]:
    """Return the codes of all remarks."""
    return [remark.code for remark in found.remarks]


@pytest.mark.parametrize("turned", [False, True])
def test_a_rest_without_a_date_does_not_hide_behind_a_dated_one(turned: bool) -> None:
    """10.2 V without a date beside 12.80 V with one: the low one stands, the charge is open, both are told."""
    rows = ["rest,2026-11-10,12.80,,24", "rest,,10.20,,24"]
    found = study(unit(capacity_ah=98.0), read(*(rows[::-1] if turned else rows)))
    assert found.unit.rest_v == pytest.approx(10.20)
    assert "contradiction" in said(found)
    assert Quantity.CHARGE not in found.told
    assert state_of(unit(capacity_ah=98.0), study=found).grade == "reject"


def test_a_rest_without_a_date_that_agrees_is_joined() -> None:
    """12.78 V without a date beside 12.80 V with one: no contradiction, and the charge is told."""
    found = study(unit(), read("rest,2026-11-10,12.80,,24", "rest,,12.78,,24"))
    assert "contradiction" not in said(found)
    assert Quantity.CHARGE in found.told


@pytest.mark.parametrize(
    ("rows", "known"),
    [
        (("rest,,12.80,,24", f"run,,{RUN}"), False),
        ((f"run,,{RUN}", "rest,,12.80,,24"), True),
        (("rest,2026-11-12,12.80,,24", f"run,,{RUN}"), False),
        ((f"run,,{RUN}", "rest,2026-11-12,12.80,,24"), False),
        ((f"run,2026-11-10,{RUN}", "rest,,12.80,,24"), False),
        ((f"run,2026-11-10,{RUN}", "rest,2026-11-12,12.80,,24"), True),
        (("rest,2026-11-12,12.80,,24", f"run,2026-11-10,{RUN}"), True),
        (("rest,2026-11-10,12.80,,24", f"run,2026-11-10,{RUN}"), False),
    ],
)
def test_a_charge_is_known_only_where_it_surely_came_after_the_run(rows: tuple[str, ...], known: bool) -> None:
    """A full unit that was run down is not full: where a date is missing, the run may be the later one."""
    found = study(unit(), read(*rows))
    assert (found.unit.rest_v is not None) is known
    assert (Quantity.CHARGE in found.told) is known


def test_a_voltage_that_rules_a_unit_out_outlives_a_run() -> None:
    """9.9 V at rest is a reject (under 1.75 V a cell); a later run does not clear it, a later rest voltage does."""
    low = unit(rest_v=9.9, rest_hours=24)
    assert study(low, read(f"run,2026-11-10,{RUN}")).unit.rest_v == pytest.approx(9.9)
    after = study(low, read(f"run,2026-11-10,{RUN}", "rest,2026-11-14,12.80,,24"))
    assert after.unit.rest_v == pytest.approx(12.80)


@pytest.mark.parametrize(("undated", "stands"), [(58.0, "58"), (99.0, "80")])
def test_the_less_favourable_of_an_undated_and_a_dated_run_stands(undated: float, stands: str) -> None:
    """About 92 Ah of a day against another run without one, far off: the lower stands, and both are named."""
    hours = undated / 4.6 if undated < 80 else 26.0
    rows = (
        f"run,2026-11-10,{RUN}",
        f"run,,12.6 12.0 11.4 10.5,4.6,0.1 {hours / 2:.3g} {hours * 0.8:.3g} {hours:.4g},,10.5,,25",
    )
    found = study(unit(), read(*rows))
    assert "contradiction" in said(found)
    value = found.told[Quantity.CAPACITY].value
    assert value is not None
    assert value < 92
    assert (value < 62) is (stands == "58")


def test_the_worse_gravity_stands_where_one_has_no_date() -> None:
    """Cells that lay apart without a date are not hidden by even ones with a date."""
    flooded = unit("lead_flooded")
    rows = (
        "gravity,2026-11-10,,,,,,1.265 1.265 1.265 1.265 1.265 1.265",
        "gravity,,,,,,,1.265 1.265 1.20 1.265 1.265 1.265",
    )
    assert min(study(flooded, read(*rows)).unit.gravity) == pytest.approx(1.20)
    dated = (rows[0], rows[1].replace("gravity,,", "gravity,2026-10-01,"))
    assert min(study(flooded, read(*dated)).unit.gravity) == pytest.approx(1.265)


def test_bounds_reach_the_judge_as_bounds() -> None:
    """13.20 V of four iron-phosphate cells fits 29 to 91 %: the judge gets the middle, all between as likely."""
    iron = unit("lfp", 4)
    state = state_of(iron, study=study(iron, read("rest,2026-11-10,13.20,,20")))
    assert state.soc_bounds is not None
    low, high = state.soc_bounds
    assert high - low > 0.4
    assert state.soc_frac is not None
    assert state.soc_frac.value == pytest.approx((low + high) / 2)
    assert state.soc_frac.sd == pytest.approx((high - low) / math.sqrt(12))  # of a rectangle: JCGM 100:2008, 4.3.7
    assert state.soc_doubt_frac == state.soc_frac.sd


@pytest.mark.parametrize(("stated", "stands"), [(0.6, True), (1.0, False), (0.05, False)])
def test_a_stated_charge_outside_the_bounds_does_not_stand(stated: float, stands: bool) -> None:
    """A counter that says what the rest voltage rules out is flagged, and the bounds are reckoned with."""
    iron = unit("lfp", 4, soc_frac=stated)
    found = study(iron, read("rest,2026-11-10,13.20,,20"))
    state = state_of(iron, study=found)
    assert state.soc_frac is not None
    assert ("contradiction" not in said(found)) is stands
    assert (state.soc_frac.basis is Basis.STATED) is stands
    assert (state.soc_frac.sd < 0.05) is stands


def test_the_judge_hears_of_a_stated_charge_that_cannot_be() -> None:
    """Full by its counter and 13.20 V at rest: at least a caution by name, and not milder than without the counter."""
    iron = unit("lfp", 4, capacity_ah=98.0, resistance_mohm=6.0, soc_frac=1.0, bms=True)
    plan = Plan(question=("accept",))
    readings = read("rest,2026-11-10,13.20,,20,,,,20")
    heard = desk.judge_bank(None, [iron], plan, desk.Evidence(readings)).judgement
    assert "unit-contradiction" in {finding.code for finding in heard.findings}
    plain = desk.judge_bank(
        None, [unit("lfp", 4, capacity_ah=98.0, resistance_mohm=6.0, bms=True)], plan, desk.Evidence(readings)
    )
    assert heard.verdict.rank >= plain.judgement.verdict.rank


def test_nickel_s_voltage_tells_its_charge_to_a_quarter_at_best() -> None:
    """± 25 % at best (common practice, no source), against another unit too, as it follows each unit's last use."""
    for found in (None, study(unit("nicd", 10), read("rest,2026-11-10,13.0,,20"))):
        state = state_of(unit("nicd", 10, rest_v=13.0), study=found)
        assert state.soc_frac is not None
        assert state.soc_frac.sd >= 0.25
        assert state.soc_doubt_frac >= 0.25
