"""A wish becomes a scenario, a report, words and files: the desk's side of a trial."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot import desk
from hotchpot.bank.plan import Charger, Duty, Plan, Protection
from hotchpot.bank.verdict import Verdict
from hotchpot.desk.keeping import check_places
from hotchpot.desk.profiles import parse_profile
from hotchpot.desk.trying import FEWEST_MOMENTS, MOST_NUMBERS, TrialReport, try_bank
from hotchpot.desk.wishes import Wish, charge_of
from hotchpot.errors import InputError
from hotchpot.pile import Unit


def unit(name: str, chem: str = "lead_agm", cells: int = 6, ah: float = 100.0, **known: Any) -> Unit:
    """Return an invented unit, tested and at rest."""
    facts = {"capacity_ah": ah, "resistance_mohm": 5.0, "temperature_c": 25.0, **known}
    return Unit(id=name, chemistry=chem, cells=cells, rated_ah=100.0, rated_hours=20.0, **facts)


PAIR = (unit("A1"), unit("A2", ah=60.0))


def tried(wish: Wish, units: tuple[Unit, ...] = PAIR, expression: str = "A1 // A2", **options: Any) -> TrialReport:
    """Return the report of a trial without a plan."""
    return try_bank(expression, units, options.pop("plan", Plan()), wish, **options)


def faults_of(**wish: Any) -> list[str]:
    """Return where the faults of a wish are."""
    with pytest.raises(InputError) as told:
        Wish(**wish)
    return [fault.where for fault in told.value.faults]


def test_all_faults_of_a_wish_are_told_at_once() -> None:
    """Three mistakes are three faults, not the first of them."""
    assert faults_of(amps=-1.0, watts=5.0, step=0.0) == ["--amps and --watts", "--amps", "--step"]


@given(value=st.one_of(st.floats(max_value=0.0), st.just(float("nan")), st.just(float("inf"))))
def test_no_load_is_taken_that_is_no_number_above_nought(value: float) -> None:
    """Nought, below, infinite and not-a-number are refused for every amount, each at its option."""
    for name in ("amps", "watts", "ohms", "hours", "day", "step"):
        assert f"--{name}" in faults_of(**{name: value})


@pytest.mark.parametrize("begin", [-0.1, 1.1, float("nan"), "half", ""])
def test_no_charge_is_taken_that_is_none(begin: float | str) -> None:
    """A charge lies between empty and full, or has a name."""
    assert faults_of(amps=1.0, begin=begin) == ["--from"]


def test_a_unit_has_one_fault_once() -> None:
    """Named twice it has the fault once, in the order given; two faults of one unit contradict each other."""
    wish = Wish(amps=1.0, lost=("C", "A", "C"), shorted=("B", "B"))
    assert (wish.lost, wish.shorted) == (("C", "A"), ("B",))
    found = faults_of(amps=1.0, lost=("A",), shorted=("A",), dead=("A",))
    assert found == ["--lost and --shorted", "--lost and --dead", "--shorted and --dead"]


@given(percent=st.floats(0.0, 100.0).map(lambda value: round(value, 3)))
def test_percent_and_fraction_are_never_mixed_up(percent: float) -> None:
    """A number with % is a hundredth of itself; the same number bare is a fraction, or refused."""
    assert charge_of(f"{percent:f} %") == pytest.approx(percent / 100.0)
    if percent <= 1.0:
        assert charge_of(f"{percent:f}") == pytest.approx(percent)
    else:
        with pytest.raises(InputError, match=r"--from: .* is no fraction"):
            charge_of(f"{percent:f}")


def test_the_kind_follows_from_what_is_given() -> None:
    """A wish without a scenario of its own is a load."""
    profile = parse_profile("hours,watts\n0,5\n1,6\n", name="p.csv")
    kinds = [Wish(**one).kind for one in ({}, {"amps": 1.0}, {"charge": True}, {"day": 1.0}, {"joining": True})]
    assert kinds == ["load", "load", "charge", "day", "joining"]
    assert Wish(profile=profile).kind == "profile"


def test_the_plan_s_load_is_taken_where_none_is_wished_for() -> None:
    """Without amps, watts or ohms the plan says what is drawn; without a plan it is asked for."""
    report = tried(Wish(hours=0.2), plan=Plan(duty=Duty(load_a=7.0)))
    assert report.trial.record.amps[0] == pytest.approx(7.0)
    with pytest.raises(InputError, match="nothing to try"):
        tried(Wish(hours=0.2))


def test_the_smaller_of_two_in_a_string_is_said_to_be_empty_first() -> None:
    """Of 100 and 60 Ah in series the 60 Ah unit is empty first, in words and in the record (one current)."""
    report = tried(Wish(amps=10.0), expression="A1 + A2")
    empty = report.trial.record.first("empty")
    assert empty is not None
    assert empty.unit == "A2"
    assert any(line.startswith("A2 is empty first") for line in report.telling.lines)
    assert "All units carry the same current, 10 A" in " ".join(report.telling.lines)


def test_who_carries_most_is_said_with_figures_of_the_record() -> None:
    """The unit of a third of the resistance carries most; the amps told are the record's largest."""
    units = (unit("A1", resistance_mohm=4.0), unit("A2", resistance_mohm=12.0))
    report = tried(Wish(amps=20.0, hours=0.5), units)
    line = next(line for line in report.telling.lines if "carries most" in line)
    assert line.startswith("A1 carries most")
    assert f"{report.trial.record.unit_amps[:, 0].max():.3g} A" in line
    assert "an equal share would be 10 A" in line


def test_alike_units_share_evenly() -> None:
    """Of units that do not differ none is said to carry most."""
    report = tried(Wish(amps=20.0, hours=0.5), (unit("A1"), unit("A2")))
    assert any(line.startswith("The shares are even: 10 A") for line in report.telling.lines)


def test_a_reversed_unit_is_said_in_plain_words() -> None:
    """A weak unit in a long string, with no cut-off to save it, is driven below empty, and the words say which."""
    units = (*(unit(f"A{k}") for k in range(4)), unit("W", ah=30.0))
    plan = Plan(protection=Protection(disconnect_v=20.0))
    report = tried(Wish(amps=10.0), units, "A0 + A1 + A2 + A3 + W", plan=plan)
    assert report.trial.record.under_ah[4] > 1.0
    assert any(line.startswith("W is empty and") for line in report.telling.lines)
    assert "No unit is reversed or driven below empty." not in report.telling.lines


def test_a_load_under_which_the_bank_cannot_stand_ends_at_once() -> None:
    """A load that pulls the bank below its cut-off at the first moment is told as such, with one moment and no more."""
    report = tried(Wish(amps=1500.0))
    assert report.telling.moments == 1
    assert report.telling.lines[0].startswith("It ends at once")


@pytest.mark.parametrize("amps", [1e6, 1e9, 1e12])
def test_a_current_beyond_a_short_circuit_is_a_collapse(amps: float) -> None:
    """A current that would turn the terminals round is a collapse, with the most that can be given."""
    beyond, power = tried(Wish(amps=amps)), tried(Wish(watts=1e9))
    for report in (beyond, power):
        assert report.trial.record.ended.kind == "collapse"
        assert report.telling.moments == 0
        assert report.verdict is Verdict.FORBID
    assert beyond.trial.record.ended.value == pytest.approx(power.trial.record.ended.value, rel=1e-3)


def test_a_spike_that_cannot_be_fed_ends_a_profile_where_it_comes() -> None:
    """What ran before the spike stands; the spike's own figures do not."""
    profile = parse_profile("time_s,amps\n0,10\n60,1e7\n120,5\n", name="p.csv")
    report = tried(Wish(profile=profile))
    assert (report.trial.record.ended.kind, report.trial.record.ended.time_s) == ("collapse", 60.0)
    shape = desk.trial_wire(report)
    assert max(shape["bank"]["current_a"]) == pytest.approx(10.0)
    assert min(shape["bank"]["voltage_v"]) > 10.0


def test_the_verdict_is_the_worse_of_judge_and_trial() -> None:
    """Neither a fine judge hides what the trial finds, nor the other way round."""
    mild = tried(Wish(amps=5.0, hours=0.2))
    assert mild.verdict is mild.judgement.verdict
    hard = tried(Wish(amps=1500.0))
    assert hard.judgement.verdict is not Verdict.FORBID
    assert hard.verdict is Verdict.FORBID


def test_progress_rises_from_nought_to_one() -> None:
    """The bar never goes back, over the trial and its draws."""
    seen: list[float] = []
    tried(Wish(amps=20.0), draws=3, progress=seen.append)
    assert seen == sorted(seen)
    assert 0.0 <= seen[0] <= seen[-1] == pytest.approx(1.0)


def test_draws_are_the_same_by_seed_and_leave_the_trial_alone() -> None:
    """A study changes nothing of the trial that it doubts."""
    alone, studied = tried(Wish(amps=20.0)), tried(Wish(amps=20.0), draws=4, seed=2)
    again = tried(Wish(amps=20.0), draws=4, seed=2)
    assert studied.draws is not None
    assert again.draws is not None
    assert studied.draws.doubt.bands == again.draws.doubt.bands
    one, two = desk.trial_wire(alone), desk.trial_wire(studied)
    assert {**one, "doubt": None} == {**two, "doubt": None}


def test_a_bank_of_many_units_keeps_fewer_moments() -> None:
    """Of a thousand units so many moments are kept that the answer can still be read; --every stands above that."""
    units = tuple(unit(f"c{k}", chem="nmc", cells=1, ah=2.5) for k in range(1000))
    expression = " // ".join(one.id for one in units)
    report = tried(Wish(amps=100.0, hours=2.0), units, expression)
    assert FEWEST_MOMENTS <= len(report.trial.record.time_s) <= MOST_NUMBERS // 1000 + 20
    assert len(tried(Wish(amps=100.0, hours=2.0, every=720.0), units, expression).trial.record.time_s) < 20


def test_json_holds_no_infinity() -> None:
    """Whatever came of it, the answer is plain JSON, with null for what is none."""
    plan = Plan(duty=Duty(energy_wh_per_day=300.0), charger=Charger(volts=14.4, amps=10.0, source="wind"))
    for wish in (Wish(watts=1e9), Wish(amps=20.0), Wish(day=1.0), Wish(charge=True), Wish(amps=5.0, lost=("A1",))):
        shape = desk.trial_wire(tried(wish, plan=plan, draws=2))
        assert json.loads(json.dumps(shape, allow_nan=False)) == shape


def test_files_are_looked_at_before_a_long_run(tmp_path: Path) -> None:
    """Every place that cannot be written is told at once, and inputs are never written over."""
    pile = tmp_path / "pile.csv"
    pile.write_text("", "utf-8")
    places = {"--csv": tmp_path / "x" / ".." / "pile.csv", "--svg": tmp_path, "--parquet": tmp_path / "no" / "o"}
    with pytest.raises(InputError) as told:
        check_places({**places, "--other": None}, (pile, None))
    assert [fault.what for fault in told.value.faults] == ["was read from", "is a folder", "its folder is not there"]


@given(
    rows=st.lists(
        st.tuples(st.integers(1, 5000), st.integers(-900_000, 900_000)), min_size=2, max_size=12,
    ),
    comma=st.booleans(),
)  # fmt: skip
def test_a_profile_reads_back_as_written(rows: list[tuple[int, int]], comma: bool) -> None:
    """Times and watts come back as they were written, with decimal points or with commas."""
    times, watts, now = [], [], 0.0
    for gap, milliwatts in rows:
        times.append(now)
        watts.append(milliwatts / 1000)
        now += gap / 10
        now = round(now, 1)
    body = [f"{t:.1f};{w:.3f}" for t, w in zip(times, watts, strict=True)]
    text = "\n".join(["time_s;watts", *body]) + "\n"
    read = parse_profile(text.replace(".", ",") if comma else text, name="p.csv")
    assert read.time_s == pytest.approx(tuple(times))
    assert read.watts == pytest.approx(tuple(watts))
    assert read.amps is None


def test_the_columns_of_the_profile_are_fresh(root: Path) -> None:
    """docs/trial.md holds the table of the profile's columns as the program makes it now."""
    page = (root / "docs" / "trial.md").read_text("utf-8")
    assert desk.profile_markdown() in page, "write desk.profile_markdown() into docs/trial.md"
