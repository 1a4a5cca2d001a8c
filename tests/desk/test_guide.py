"""The guide as a use-case: answers in, a reading and its estimates out; drafts that survive; rows that lose nothing."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.bench.estimate import Quantity
from hotchpot.bench.procedure.figures import book as data_of_tests
from hotchpot.bench.procedure.procedures import Step, StepKind
from hotchpot.desk.files import LARGEST_READINGS_BYTES, load_readings
from hotchpot.desk.guiding import drafts, guide, newunit, notebook, procbook, watching, worked
from hotchpot.desk.guiding.answers import count_of, number
from hotchpot.desk.guiding.noted import reading_of, seen_reading
from hotchpot.errors import InputError
from hotchpot.pile import Unit
from hotchpot.pile.reading import Reading, ReadingKind
from hotchpot.pile.readingfile import parse_readings, write_readings

START = datetime(2026, 3, 1, 8, 0)
LEAD = Unit(id="A3", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
FLOODED = Unit(id="F1", chemistry="lead_flooded", cells=6, rated_ah=225, rated_hours=20)
CELL = Unit(id="c1", chemistry="nmc", cells=1, rated_ah=2.5, rated_hours=5)


def step_of(one: guide.Guide, key: str, answers: dict[str, Any] | None = None) -> Step:
    """Return a step of a guide by its key, in the branch that the answers take."""
    return next(step for step in guide.steps_now(one, answers or {}) if step.key == key)


def walked(one: guide.Guide, told: list[str], *, start: datetime = START, timers: bool = False) -> dict[str, Any]:
    """Return the answers that these lines give, one a step, each a minute after the last; waits are waited out."""
    answers: dict[str, Any] = {}
    at, lines = start, list(told)
    while (step := guide.next_step(one, answers)) is not None:
        if step.kind is StepKind.WAIT:
            answers[step.key] = {"began": at.isoformat(), "ended": at.isoformat(), "early": False}
            continue
        answers[step.key] = guide.take(one, step, lines.pop(0), answers, at=at, timers=timers)
        at += timedelta(minutes=1)
    assert lines == []
    return answers


def told_of(out: worked.Worked, quantity: Quantity) -> float:
    """Return the number of one quantity that a guide worked out."""
    return next(e.measure.value for e in reversed(out.estimates) if e.quantity is quantity and not e.refused)


# --- from answers to results -----------------------------------------------------------------------------------------


def test_two_loads_by_the_standards_example() -> None:
    """40 A 12.40 V and 200 A 11.80 V are 3.75 mΩ (IEC 60896-21 two-point method, check value R02)."""
    big = Unit(id="A3", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
    one = guide.guide_for("resistance", big, meter="millivolt")
    out = worked.work_out(one, walked(one, ["none", "12.55", "", "12.400", "40", "", "11.800", "200", "", "25"]))
    assert told_of(out, Quantity.RESISTANCE) == pytest.approx(3.75, abs=0.005)
    assert out.reading.seconds == 10.0
    assert out.reading.count_v == 0.001
    assert out.reading.meter == "millivolt"


def test_two_loads_of_a_lithium_cell() -> None:
    """0.5 A 3.950 V and 2.5 A 3.870 V on a 2.5 Ah cell are 40.0 mΩ (IEC 61960-3, check value R01)."""
    one = guide.guide_for("resistance", CELL, meter="millivolt")
    out = worked.work_out(one, walked(one, ["none", "3.95", "", "3.950", "0.5", "", "3.870", "2.5", "", "25"]))
    assert told_of(out, Quantity.RESISTANCE) == pytest.approx(40.0, abs=0.05)


def test_the_budget_is_told_largest_first() -> None:
    """The shares of the variance fall and make up the whole; the doubt told is that of the sum."""
    one = guide.guide_for("resistance", LEAD)
    out = worked.work_out(one, walked(one, ["none", "12.5", "", "12.50", "4", "", "12.41", "20", "", "25"]))
    shares = [share for _, share in worked.budget_of(out.estimates[-1])]
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) == pytest.approx(1.0)


def test_a_run_at_constant_current_gives_amps_times_hours() -> None:
    """5 A for 19 h are 95 Ah as drawn; at the 20 h rate, by Peukert with AGM's typical 1.10, 0.5 % more: grade A."""
    one = guide.guide_for("capacity", LEAD)
    looks = ["0 12.6", "5 12.4", "10 12.1", "15 11.6", "18.5 10.9", "19 10.50"]
    out = worked.work_out(one, walked(one, ["none", "12.8", "", "constant", "5", "", *looks, "", "25"]), when=START)
    rated = 95.0 * (5.0 / (95.0 / 20)) ** 0.1  # physics.md section 3: Q_c = Q_t (I_t / I_c)^(n-1), I_c = Q_c / H
    for _ in range(20):
        rated = 95.0 * (5.0 / (rated / 20)) ** 0.1
    assert told_of(out, Quantity.CAPACITY) == pytest.approx(rated, rel=0.001)
    assert out.reading.cutoff_v == 10.5
    assert out.reading.when == "2026-03-01T08:00"
    assert any("Grade: A" in line for line in out.means)
    low, high = out.estimates[-1].interval()
    assert low < 95.0 < rated < high


def test_a_run_through_a_resistor_counts_volts_over_ohms() -> None:
    """12 V over 2.4 Ω throughout is 5 A: ten hours are 50 Ah by hand, less the sag (trapezium of V/R)."""
    one = guide.guide_for("capacity", LEAD)
    looks = ["0 12.6", "5 12.0", "10 10.50"]
    out = worked.work_out(one, walked(one, ["none", "12.8", "", "resistor", "2.4", "", *looks, "", "25"]))
    drawn = (5 * (12.6 + 12.0) / 2 + 5 * (12.0 + 10.5) / 2) / 2.4
    assert out.reading.ohms == 2.4
    assert out.reading.amps == ()
    run = next(e for e in out.estimates if e.quantity is Quantity.CAPACITY)
    assert told_of(out, Quantity.CAPACITY) == pytest.approx(drawn, rel=0.12)  # and then brought to the rated rate
    assert not run.refused


def test_a_run_through_bulbs_takes_amps_each_time() -> None:
    """Volts and amps are kept side by side, each with its hours."""
    one = guide.guide_for("capacity", LEAD)
    looks = ["0 12.6 5.2", "10 12.0 5.0", "18 10.45 4.6"]
    reading = reading_of(one, walked(one, ["none", "12.8", "", "bulbs", "", "", *looks, "", ""]))
    assert reading.amps == (5.2, 5.0, 4.6)
    assert reading.volts == (12.6, 12.0, 10.45)
    assert reading.hours == (0.0, 10.0, 18.0)
    assert reading.temperature_c is None


def test_a_run_that_was_broken_off_gives_no_capacity() -> None:
    """A run ended by `done` above its cut-off is refused by the bench, and kept as a reading all the same."""
    one = guide.guide_for("capacity", LEAD)
    looks = ["0 12.6", "5 12.4", "done"]
    out = worked.work_out(one, walked(one, ["none", "12.8", "", "constant", "5", "", *looks, "", "25"]))
    assert all(e.refused for e in out.estimates if e.quantity is Quantity.CAPACITY)
    assert out.means == ()
    assert out.remarks
    assert out.reading.hours == (0.0, 5.0)


def test_a_rest_voltage_tells_the_charge_of_lead() -> None:
    """12.60 V a day after use is some 75 to 100 % charged (tables L07, L09: 12.45 to 12.65 V)."""
    flooded = Unit(id="F1", chemistry="lead_flooded", cells=6, rated_ah=100, rated_hours=20)
    one = guide.guide_for("rest", flooded)
    out = worked.work_out(one, walked(one, ["", "24", "24.5 12.60", "25"]))
    assert 0.75 <= told_of(out, Quantity.CHARGE) <= 1.0
    assert out.reading.hours == (24.5,)


def test_a_rest_voltage_below_the_limit_is_a_reject() -> None:
    """10.2 V on a 12 V lead block is under 1.75 V a cell: the outcome says reject and what not to do."""
    one = guide.guide_for("rest", LEAD)
    out = worked.work_out(one, walked(one, ["", "24", "24 10.20", ""]))
    assert any("Grade: reject" in line and "Do not charge or load it" in line for line in out.means)


def test_the_hydrometer_tells_charge_and_spread() -> None:
    """Cells at 1.265 are full (BCI, L07); one at 1.200 among them stands apart by more than 0.050 (L17)."""
    one = guide.guide_for("gravity", FLOODED)
    full = worked.work_out(one, walked(one, ["none", "", "1.265 1.265 1.265 1.265 1.265 1.265", "25", ""]))
    assert told_of(full, Quantity.CHARGE) == pytest.approx(1.0, abs=0.03)
    assert any("they agree" in line for line in full.means)
    odd = worked.work_out(one, walked(one, ["none", "", "1.265 1.265 1.200 1.265 1.265 1.265", "25", ""]))
    assert any("0.065" in line and "reject" in line for line in odd.means)


def test_self_discharge_by_amp_hours() -> None:
    """100 Ah fresh and 94 Ah after 28 days are about 6 % in four weeks: as much as a vented block may lose."""
    one = guide.guide_for("leakage", FLOODED)
    told = ["none", "12.7", "ah", "", "0 100", "28 94", "done", "25"]
    out = worked.work_out(one, walked(one, told))
    assert told_of(out, Quantity.LEAKAGE) == pytest.approx(0.06 * 30 / 28, rel=0.1)
    assert out.reading.days == (0.0, 28.0)


def test_a_look_is_a_reading_and_a_grade() -> None:
    """What is seen becomes a look reading; swollen is a reject, a dent is not."""
    one = guide.guide_for("look", LEAD)
    out = worked.work_out(one, walked(one, ["", "swollen, dented", ""]))
    assert out.reading.flags == ("swollen", "dented")
    assert any("Grade: reject; swollen" in line for line in out.means)
    assert worked.work_out(one, walked(one, ["", "dented", ""])).means == (
        "Nothing seen that rejects it. It may be tested.",
    )


def test_what_the_pile_says_does_not_mix_in() -> None:
    """The grade told after a run is that of the run, not its mean with an old figure of the pile file."""
    from dataclasses import replace

    one = guide.guide_for("capacity", replace(LEAD, capacity_ah=20.0, resistance_mohm=99.0))
    looks = ["0 12.6", "10 12.1", "19 10.50"]
    out = worked.work_out(one, walked(one, ["none", "12.8", "", "constant", "5", "", *looks, "", "25"]))
    assert any("Grade: A" in line for line in out.means)


# --- answers ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "pattern"),
    [("", "nothing was typed"), ("soon", "not a number"), ("99", "cannot be"), ("12.4 A", "no unit for this")],
)
def test_a_bad_number_says_why(text: str, pattern: str) -> None:
    """Nothing, a word, a number that cannot be, another kind of unit: each is refused with its reason."""
    one = guide.guide_for("resistance", LEAD)
    with pytest.raises(InputError, match=pattern):
        guide.take(one, step_of(one, "start_v"), text, {}, at=START)


@given(st.floats(-15, 15))
def test_a_number_reads_the_same_however_it_is_written(value: float) -> None:
    """With a point, a comma, in volts or millivolts: one value."""
    text = f"{value:.3f}"
    for way in (text, text.replace(".", ","), f"{text} V", f"{1000 * float(text):.0f} mV"):
        assert number(way, "V", -20, 20, where="volts") == pytest.approx(float(text), abs=1e-9)


def test_a_hydrometer_reading_without_its_point_is_asked_back() -> None:
    """1265 is not read as 1.265 in silence, but the slip is named."""
    one = guide.guide_for("gravity", FLOODED)
    with pytest.raises(InputError, match=r"did you mean 1\.265"):
        guide.take(one, step_of(one, "gravity"), "1265 1265 1265 1265 1265 1265", {}, at=START)
    with pytest.raises(InputError, match="give 6"):
        guide.take(one, step_of(one, "gravity"), "1.265 1.265", {}, at=START)


def test_flags_must_be_said() -> None:
    """Nothing typed is no answer to what was seen; a slip names the nearest flag."""
    one = guide.guide_for("capacity", LEAD)
    step = step_of(one, "flags")
    assert guide.take(one, step, "none", {}, at=START) == []
    assert guide.take(one, step, "Unknown history; dented", {}, at=START) == ["unknown_history", "dented"]
    with pytest.raises(InputError, match="type none"):
        guide.take(one, step, "", {}, at=START)
    with pytest.raises(InputError, match="did you mean 'swollen'"):
        guide.take(one, step, "swolen", {}, at=START)


def test_the_last_digit_follows_what_was_typed() -> None:
    """The finest of several decides: a nought at the end may be left out once."""
    assert count_of(["12.7", "12.65", "12.41"]) == 0.01
    assert count_of(["12.70"]) == 0.01
    assert count_of(["13", "12"]) == 1.0
    assert count_of([]) is None


def test_looks_must_come_one_after_another() -> None:
    """A look at an earlier hour than the last is refused; so is one without hours where no clock runs."""
    one = guide.guide_for("capacity", LEAD)
    answers: dict[str, Any] = {"load": "constant", "start": START.isoformat(), "watch": {"looks": []}}
    step = step_of(one, "watch", answers)
    answers["watch"] = guide.take(one, step, "5:30 12.3", answers, at=START, timers=False)
    assert answers["watch"]["looks"][0]["at"] == 5.5
    with pytest.raises(InputError, match="is not after"):
        guide.take(one, step, "5 12.2", answers, at=START, timers=False)
    with pytest.raises(InputError, match="give hours and volts"):
        guide.take(one, step, "12.2", answers, at=START, timers=False)


def test_a_run_cannot_end_where_it_begins() -> None:
    """Volts at the cut-off in the first instant, or a run ended after one look, are no run."""
    one = guide.guide_for("capacity", LEAD)
    answers: dict[str, Any] = {"load": "constant", "start": START.isoformat()}
    step = step_of(one, "watch", answers)
    with pytest.raises(InputError, match="at its very beginning"):
        guide.take(one, step, "10.1", answers, at=START)
    answers["watch"] = guide.take(one, step, "12.6", answers, at=START)
    with pytest.raises(InputError, match="1 of 2 looks"):
        guide.take(one, step, "done", answers, at=START)


def test_the_heavy_load_must_be_the_heavier() -> None:
    """Two loads that do not differ tell no resistance: the slip is asked back before anything is written."""
    one = guide.guide_for("resistance", LEAD)
    step = step_of(one, "heavy_amps")
    for amps in ("4", "3.9"):
        with pytest.raises(InputError, match="more than with the load before"):
            guide.take(one, step, amps, {"light_amps": "4"}, at=START)
    assert guide.take(one, step, "4.1", {"light_amps": "4"}, at=START) == "4.1"


def test_answers_that_cannot_be_read_are_asked_again() -> None:
    """A draft that somebody edited: what has not the shape of an answer is dropped, the rest stays."""
    one = guide.guide_for("capacity", LEAD)
    edited = {
        "flags": "none",
        "start_v": 12.6,
        "full": "yesterday",
        "settle": {"began": 3},
        "load": "constant",
        "amps": "5",
        "start": START.isoformat(),
        "watch": {"looks": [7]},
    }
    assert guide.resumed(one, edited) == {"load": "constant", "amps": "5", "start": START.isoformat()}


def test_the_clock_runs_on_by_itself() -> None:
    """Volts typed twenty hours after the start are volts at twenty hours, however often the lid was closed."""
    one = guide.guide_for("capacity", LEAD)
    answers: dict[str, Any] = {"load": "constant", "start": START.isoformat()}
    step = step_of(one, "watch", answers)
    answers["watch"] = guide.take(one, step, "12.6", answers, at=START)
    answers["watch"] = guide.take(one, step, "10.4", answers, at=START + timedelta(hours=20))
    assert [look["at"] for look in answers["watch"]["looks"]] == [0.0, 20.0]
    assert guide.answered(step, answers)


def test_hours_already_stood_count() -> None:
    """A unit that stood 20 h before the guide began is at rest 4 h later."""
    one = guide.guide_for("rest", LEAD)
    answers: dict[str, Any] = {"apart": START.isoformat(), "stood_h": "20"}
    step = step_of(one, "watch")
    due = watching.due(LEAD, step, answers)
    assert due is not None
    assert due.when == START + timedelta(hours=4)
    told = guide.take(one, step, "12.71", answers, at=START + timedelta(hours=4))
    assert told == {"looks": [{"at": 24.0, "volts": "12.71"}], "done": True}


def test_a_stand_test_is_read_after_rest_then_half_way_then_at_its_end() -> None:
    """A lead block is read after a day at rest, one week and two weeks later; then nothing more is due."""
    one = guide.guide_for("leakage", LEAD)
    answers: dict[str, Any] = {"how": "volts", "full": START.isoformat(), "watch": {"looks": []}}
    step = step_of(one, "watch", answers)
    marks = []
    while (due := watching.due(LEAD, step, answers)) is not None:
        marks.append(due.at)
        answers["watch"] = guide.take(one, step, "12.80", answers, at=START + timedelta(days=due.at))
    assert marks == [1.0, 8.0, 15.0]


def test_going_back_takes_the_last_answer_only() -> None:
    """Back drops one answer, one look of a watch, and a wait together with what began it."""
    one = guide.guide_for("resistance", LEAD)
    wait = {"began": START.isoformat(), "ended": START.isoformat(), "early": False}
    answers: dict[str, Any] = {"flags": [], "start_v": "12.5", "light": START.isoformat(), "light_wait": wait}
    assert list(guide.step_back(one, answers)) == ["flags", "start_v"]
    run = guide.guide_for("capacity", LEAD)
    looks = [{"at": 0.0, "volts": "12.6"}, {"at": 5.0, "volts": "12.3"}]
    told = guide.step_back(run, {"load": "constant", "watch": {"looks": looks}})
    assert told["watch"] == {"looks": looks[:1]}


# --- refusals on the way ---------------------------------------------------------------------------------------------


def test_volts_read_on_the_way_can_refuse() -> None:
    """A unit that reads below its limit, or below zero, before the load comes on is refused there."""
    one = guide.guide_for("capacity", LEAD)
    assert not one.refused
    assert guide.refusals(one, {"start_v": "12.5"}) == ()
    assert [r.code for r in guide.refusals(one, {"start_v": "9.8"})] == ["unit-rejected"]
    assert [r.code for r in guide.refusals(one, {"start_v": "-12.4"})] == ["unit-reversed"]


def test_what_is_seen_on_the_way_refuses_and_is_noted() -> None:
    """A swelling named at the first step refuses the test, and becomes a look reading of its own."""
    one = guide.guide_for("resistance", LEAD)
    answers = {"flags": ["swollen"]}
    assert [r.code for r in guide.refusals(one, answers)] == ["unit-rejected"]
    seen = seen_reading(one, answers, when=START)
    assert seen is not None
    assert (seen.kind, seen.flags) == (ReadingKind.LOOK, ("swollen",))
    assert seen_reading(one, {"flags": []}) is None


# --- drafts ----------------------------------------------------------------------------------------------------------


def test_a_draft_comes_back_as_it_was(tmp_path: Path) -> None:
    """Answers, unit and meter of a broken-off guide are there again; those of another unit are not mixed in."""
    book = tmp_path / "readings.csv"
    one, other = guide.guide_for("capacity", LEAD, meter="millivolt"), guide.guide_for("capacity", CELL)
    drafts.save_draft(book, one, {"flags": [], "start_v": "12.80"})
    drafts.save_draft(book, other, {"flags": ["dented"]})
    found = drafts.load_draft(book, unit="A3", procedure="capacity")
    assert found is not None
    assert (found.answers, found.unit, found.meter) == ({"flags": [], "start_v": "12.80"}, LEAD, "millivolt")
    assert drafts.load_draft(book, unit="A3", procedure="rest") is None
    drafts.drop_draft(book, one)
    assert drafts.load_draft(book, unit="A3", procedure="capacity") is None
    assert drafts.load_draft(book, unit="c1", procedure="capacity") is not None
    drafts.drop_draft(book, other)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("text", ["", "{", "[]", '{"version": 9, "drafts": {}}', '{"version": 1, "drafts": [1]}'])
def test_a_damaged_draft_is_told_and_left_alone(tmp_path: Path, text: str) -> None:
    """A file of drafts that cannot be read is one clear error, and stays as it is."""
    book = tmp_path / "readings.csv"
    path = drafts.draft_path(book)
    path.write_text(text, "utf-8")
    with pytest.raises(InputError, match="damaged"):
        drafts.load_draft(book, unit="A3", procedure="capacity")
    assert path.read_text("utf-8") == text


def test_a_load_test_broken_off_begins_again_before_its_load() -> None:
    """What was read of a load that has been on for hours since is dropped; what came before stays."""
    one = guide.guide_for("resistance", LEAD)
    at = START.isoformat()
    answers = {"flags": [], "start_v": "12.5", "light": at, "light_wait": {"began": at}, "gone": "x"}
    assert guide.resumed(one, answers) == {"flags": [], "start_v": "12.5"}
    whole = {"flags": [], "start_v": "12.5", "light": at, "heavy_amps": "20", "off": at}
    assert guide.resumed(one, whole) == whole


# --- the readings file -----------------------------------------------------------------------------------------------

ROW = Reading(unit="A3", kind=ReadingKind.REST, when="2026-03-01T08:00", volts=(12.71,), hours=(24.0,), count_v=0.01)
LOOK = Reading(
    unit="A3", kind=ReadingKind.LOOK, when="2026-03-02", flags=("dented", "unknown_history"), note='lid, "soft"'
)


def readings(path: Path) -> list[Reading]:
    """Return the readings of a file without their lines."""
    from dataclasses import replace

    return [replace(one, line=None) for one in parse_readings(path.read_bytes(), name=path.name)]


def test_a_new_file_gets_a_heading(tmp_path: Path) -> None:
    """The first row makes the file, with the heading that the reader knows."""
    path = tmp_path / "readings.csv"
    row = notebook.append_reading(path, ROW)
    assert row in path.read_text("utf-8")
    assert readings(path) == [ROW]


def test_a_row_is_appended_and_nothing_else_moves(tmp_path: Path) -> None:
    """Where the columns are there, the old text stays byte for byte at the head of the new one."""
    path = tmp_path / "readings.csv"
    path.write_bytes(b"# mine\nunit,kind,when,volts,hours,count_v,note\nB1,rest,2026-01-01,12.6,30,0.01,cold\n\n")
    before, known = path.read_bytes(), readings(path)
    notebook.append_reading(path, ROW)
    assert path.read_bytes().startswith(before)
    assert readings(path) == [*known, ROW]


def test_a_missing_column_is_added_and_old_rows_keep_their_text(tmp_path: Path) -> None:
    """The heading grows by what the row needs; every old line, be it a comment or of a unit #7, begins as it did."""
    path = tmp_path / "readings.csv"
    path.write_text(
        '# mine\nunit,kind,volts,hours,note\nB1,rest,12.60,30,"a ""b"", c"\n#7,rest,12.61,9,\nB2,rest,12.50,9,\n',
        "utf-8",
    )
    lines, known = path.read_text("utf-8").splitlines(), readings(path)
    notebook.append_reading(path, ROW)
    notebook.append_reading(path, LOOK)
    after = path.read_text("utf-8").splitlines()
    assert all(new.startswith(old) for old, new in zip(lines, after, strict=False))
    assert readings(path) == [*known, ROW, LOOK]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["readings.csv"]


def test_a_file_without_an_end_of_line_gets_one(tmp_path: Path) -> None:
    """A last line that was not ended is not run into the new row."""
    path = tmp_path / "readings.csv"
    path.write_text("unit,kind,when,volts,hours,count_v\nB1,rest,2026-01-01,12.6,30,0.01", "utf-8")
    notebook.append_reading(path, ROW)
    assert len(readings(path)) == 2


def test_a_file_in_other_words_is_kept_beside(tmp_path: Path) -> None:
    """Headings in other units cannot take a row as it is: all is written in ours, and the old file stays beside it."""
    path = tmp_path / "readings.csv"
    path.write_text("# mine\nbattery;test;voltage [mV];rest hours\nB1;rest;12610;30\n", "utf-8")
    before, known = path.read_bytes(), readings(path)
    notebook.append_reading(path, ROW)
    assert readings(path) == [*known, ROW]
    assert (tmp_path / "readings.csv.before").read_bytes() == before
    assert path.read_text("utf-8").startswith("# mine\n")


@pytest.mark.parametrize(
    "data", [b"\xff\xfeu\x00", b"id,chemistry\nA1,lfp\n", b"unit,kind\nA1,nonsense\n", b"\x00\x01"]
)
def test_a_file_that_is_no_readings_file_is_left_as_it_was(tmp_path: Path, data: bytes) -> None:
    """What cannot be read is not written to: one clear error, the same bytes, no file beside it."""
    path = tmp_path / "readings.csv"
    path.write_bytes(data)
    with pytest.raises(InputError):
        notebook.append_reading(path, ROW)
    assert path.read_bytes() == data
    assert [p.name for p in tmp_path.iterdir()] == ["readings.csv"]


def test_a_failing_disk_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the new file cannot be flushed, the old one stands, and no half of a new one is left behind."""
    path = tmp_path / "readings.csv"
    path.write_text("unit,kind,volts\nB1,rest,12.60\n", "utf-8")
    before = path.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        notebook.append_reading(path, ROW)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["readings.csv"]


@given(
    st.lists(
        st.builds(
            Reading,
            unit=st.sampled_from(["A3", "shed 2", 'b "x"', "ü;1"]),
            kind=st.just(ReadingKind.LOOK),
            when=st.none() | st.just("2026-01-31"),
            flags=st.lists(st.sampled_from(["dented", "hot", "swollen"]), unique=True).map(tuple),
            temperature_c=st.none() | st.floats(-20, 40).map(lambda t: round(t, 1)),
            note=st.sampled_from(["", "a,b;c", 'he said "no"', "two\nlines", "ends, here"]),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_rows_written_one_by_one_read_back_as_they_were(
    tmp_path_factory: pytest.TempPathFactory, rows: list[Reading]
) -> None:
    """Whatever is in the texts, a file built row by row holds the same readings as one written at once."""
    path = tmp_path_factory.mktemp("book") / "readings.csv"
    for row in rows:
        notebook.append_reading(path, row)
    assert readings(path) == rows
    assert [p.name for p in path.parent.iterdir()] == ["readings.csv"]
    assert parse_readings(write_readings(rows), name="x") is not None


# --- a unit told in words, and the page ------------------------------------------------------------------------------


def test_a_unit_can_be_told_in_words() -> None:
    """Chemistry, label and amp-hours make a unit, by the same rules as a row of the pile file."""
    told = newunit.unit_told("A3", "AGM", "12 V", "100")
    assert (told.chemistry, told.cells, told.rated_ah, told.rated_hours) == ("lead_agm", 6, 100.0, 20.0)
    assert newunit.unit_told("x", "nmc", "14 cells", "2500 mAh").rated_ah == 2.5
    with pytest.raises(InputError, match="did you mean"):
        newunit.check_told("chemistry", "lifepo5")
    with pytest.raises(InputError, match="not a number"):
        newunit.check_told("rated_ah", "much")


def test_the_page_of_the_tests_is_fresh() -> None:
    """docs/bench-tests.md holds what the data makes now."""
    page = (Path(__file__).resolve().parents[2] / "docs" / "bench-tests.md").read_text("utf-8")
    assert procbook.procedures_markdown() in page, "write procbook.procedures_markdown() into docs/bench-tests.md"


def test_the_page_names_every_refusal() -> None:
    """Each code that can refuse or doubt a test stands on the page."""
    root = Path(__file__).resolve().parents[2]
    page = (root / "docs" / "bench-tests.md").read_text("utf-8")
    source = (root / "src" / "hotchpot" / "bench" / "procedure" / "fitness.py").read_text("utf-8")
    codes = set(re.findall(r'"((?:unit|sealed|alkaline|too|voltage|rest|far|no)-[a-z-]+)"', source))
    assert len(codes) >= 8
    assert [code for code in codes if f"`{code}`" not in page] == []


def test_every_caution_is_on_paper() -> None:
    """The page of the tests holds every caution of every test, also those of other kinds than its example."""
    pages = procbook.procedures_markdown().split("\n### ")
    for one in guide.procedures():
        (page,) = [page for page in pages if page.startswith(one.title + "\n")]
        for name in one.cautions:
            words = data_of_tests()["cautions"][name]["text"].split("{")[0]
            assert words in page, (one.key, name)


def test_the_notebook_takes_files_as_large_as_they_are_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One limit for reading and adding: a file below it gets its row, one beyond it is refused with the same words."""
    book = tmp_path / "readings.csv"
    reading = Reading(unit="A3", kind=ReadingKind.LOOK)
    notebook.append_reading(book, reading)
    monkeypatch.setattr("hotchpot.desk.files.LARGEST_BYTES", 1)
    notebook.append_reading(book, replace(reading, note="again"))
    assert len(load_readings(book)) == 2
    with book.open("r+b") as file:
        file.truncate(LARGEST_READINGS_BYTES + 1)  # a hole: it takes no room on the disk
    for use in (lambda: notebook.append_reading(book, reading), lambda: load_readings(book)):
        with pytest.raises(InputError, match="is larger than 200 MB"):
            use()
