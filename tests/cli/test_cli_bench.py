"""The bench on the command line: states, one unit's readings, a logger's file, and what goes wrong with them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hotchpot import desk

Run = Callable[..., Any]
READINGS = """\
# Invented.
unit,kind,when,volts,amps,hours,seconds,cutoff_v,temperature_c,meter
A1,rest,2024-11-08,12.79,,26,,,11,
A1,loads,2024-11-08,12.684 12.626,5.1 15.2,,10,,11,millivolt
A1,run,2024-11-10,12.6 12.1 11.6 10.5,4.8,0.1 9 17 19.5,,10.5,20,
"""


@pytest.fixture
def readings(folder: Path) -> Path:
    """Return the folder of the pile with readings beside it."""
    (folder / "readings.csv").write_text(READINGS, "utf-8")
    return folder


def test_states_without_readings(run: Run) -> None:
    """The contract's shape: every unit with its capacity, doubt, basis and grade, and the reason for the grade."""
    said = json.loads(run("bench", "--pile", "pile.csv", "--json").out)
    assert set(said["units"]) == {"A1", "A2", "B1", "B2"}
    one = said["units"]["A1"]
    assert (one["capacity_ah"], one["basis"], one["grade"]) == (96.0, "measured", "A")
    assert one["capacity_low_ah"] < 96.0 < one["capacity_high_ah"]
    assert "96 %" in one["because"]
    assert said["cautions"]


def test_readings_change_the_state(run: Run, readings: Path) -> None:
    """With readings, the run and the loads are in the state, each estimate with its budget and interval."""
    said = json.loads(run("bench", "--pile", "pile.csv", "--readings", "readings.csv", "--json").out)
    kinds = {e["quantity"]: e for e in said["units"]["A1"]["estimates"]}
    assert {"rest_v", "soc_frac", "resistance_mohm", "capacity_ah"} <= set(kinds)
    run_of = kinds["capacity_ah"]
    assert run_of["facts"]["drawn_ah"] == pytest.approx(4.8 * 19.5, rel=1e-6)
    assert run_of["low"] < run_of["value"] < run_of["high"]
    assert sum(line["sd"] ** 2 for line in run_of["budget"]) == pytest.approx(run_of["sd"] ** 2, rel=1e-4)
    assert said["readings"] == 3
    assert said["settling"]["odds"]


def test_judge_arrange_and_join_take_readings(run: Run, readings: Path) -> None:
    """What was read goes before the pile file, through every door."""
    given = ("--pile", "pile.csv", "--readings", "readings.csv", "--json")
    plain = json.loads(run("judge", "A1 // A2", "--pile", "pile.csv", "--json").out)
    judged = json.loads(run("judge", "A1 // A2", *given).out)
    assert judged["units"]["A1"]["capacity_ah"] != plain["units"]["A1"]["capacity_ah"]
    assert judged["units"]["A2"] == plain["units"]["A2"]
    assert json.loads(run("arrange", "--volts", "24", *given).out)["proposals"]
    assert json.loads(run("join", "A1 // A2", *given).out)["steps"]


def test_one_unit_shows_each_reading(run: Run, readings: Path) -> None:
    """--unit prints every reading with its 95 % interval and what its doubt is made of."""
    said = run("bench", "--pile", "pile.csv", "--readings", "readings.csv", "--unit", "A1", "--no-settle")
    assert said.code == 0
    assert "93.6 Ah in 19.5 h" in said.out
    assert "Doubt from:" in said.out
    assert "95 %:" in said.out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("bench",), ""),
        (("bench", "--pile", "pile.csv", "--unit", "Z9"), "there is no unit 'Z9'"),
        (("bench", "--pile", "pile.csv", "--readings", "none.csv"), "none.csv: no such file"),
        (("bench", "--json"), "--pile: is missing"),
        (("bench", "log", "none.csv"), "none.csv"),
        (("bench", "guide", "capacty", "--unit", "A1", "--pile", "pile.csv"), "did you mean 'capacity'?"),
    ],
)
def test_bad_input_is_one_clear_error(run: Run, arguments: tuple[str, ...], told: str) -> None:
    """Each slip ends with code 2 and says what is wrong."""
    said = run(*arguments)
    assert said.code == 2
    assert told in said.err + said.out


def test_a_reading_of_an_unknown_unit(run: Run, readings: Path) -> None:
    """A reading of a unit that the pile does not hold is told with its line and the nearest id."""
    (readings / "readings.csv").write_text(READINGS + "AA1,rest,2024-11-09,12.7,,24,,,,\n", "utf-8")
    said = run("bench", "--pile", "pile.csv", "--readings", "readings.csv")
    assert said.code == 2
    assert "readings.csv:6 unit" in said.err
    assert "'A1'" in said.err


def test_volts_beyond_the_unit_are_refused_with_their_place(run: Run, readings: Path) -> None:
    """What the pile file refuses as a rest voltage the readings file does not take either, with line and column."""
    (readings / "readings.csv").write_text(READINGS + "A1,rest,2024-11-11,126.1,,24,,,,\n", "utf-8")
    for command in (("bench",), ("judge", "A1 // A2")):
        said = run(*command, "--pile", "pile.csv", "--readings", "readings.csv")
        assert said.code == 2
        assert "readings.csv:6 volts: 126.1 V is beyond anything 6 cells of lead_agm can hold" in said.err
        assert "did you mean 12.61?" in said.err


def test_a_unit_in_other_capitals_is_hinted_at(run: Run, readings: Path) -> None:
    """--unit a1 is answered with A1, in the bench and for a log."""
    assert "did you mean 'A1'?" in run("bench", "--pile", "pile.csv", "--unit", "a1").err
    (readings / "log.csv").write_text("t_s,U,I\n0,12.6,5\n10,12.5,5\n", "utf-8")
    assert "did you mean 'A1'?" in run("bench", "log", "log.csv", "--pile", "pile.csv", "--unit", "a1").err


def test_the_worth_of_a_reading_is_told_for_a_person(run: Run, readings: Path) -> None:
    """How sure now and how sure then, in a hundred; bits stand in the JSON alone, by their proper names."""
    given = ("bench", "--pile", "pile.csv", "--readings", "readings.csv")
    shown, said = run(*given).out, json.loads(run(*given, "--json").out)["settling"]
    assert "bit" not in shown
    assert "sure now" in shown
    assert f"{100 * said['sure_frac']:.0f} in 100" in shown
    best = said["readings"][0]
    assert 0.0 < best["information_bits"] <= said["entropy_bits"]
    assert f"Now {100 * said['sure_frac']:.0f} in 100 sure" in best["says"]
    assert "bit" not in best["says"]


def test_a_budget_says_what_is_common(run: Run, readings: Path) -> None:
    """Each line of a budget tells whether every reading of the meter shares it: the gain yes, the counts no."""
    said = json.loads(run("bench", "--pile", "pile.csv", "--readings", "readings.csv", "--no-settle", "--json").out)
    rest = next(e for e in said["units"]["A1"]["estimates"] if e["quantity"] == "rest_v")
    assert {line["common"] for line in rest["budget"]} == {True, False}
    assert next(line for line in rest["budget"] if "gain" in line["cause"])["common"] is True


def test_a_log_without_temperature_takes_the_piles(run: Run, folder: Path) -> None:
    """The unit's temperature in the pile counts, is said, and stands in the row; one in the log goes before it."""
    rows = [f"{600 * k},{12.6 - 0.0182 * k:.4f},5" for k in range(116)]
    (folder / "run.csv").write_text("t_s,U,I\n" + "\n".join(rows) + "\n", "utf-8")
    (folder / "cold.csv").write_text(
        "id,chemistry,cells,rated_ah,temperature_c\nA1,lead_agm,6,100,5\nA2,lead_agm,6,100,\n", "utf-8"
    )
    asked = ("bench", "log", "run.csv", "--pile", "cold.csv", "--json")
    warm, cold = (json.loads(run(*asked, "--unit", name).out) for name in ("A2", "A1"))
    of = {name: said["estimates"][0] for name, said in (("A1", cold), ("A2", warm))}
    assert of["A1"]["facts"]["temperature_c"] == 5.0
    assert of["A1"]["value"] > of["A2"]["value"]  # less is drawn in the cold, so it holds more at 25 °C
    assert [r["code"] for r in cold["remarks"]].count("log-pile-temperature") == 1
    assert "log-pile-temperature" not in [r["code"] for r in warm["remarks"]]
    assert run(*asked, "--unit", "A1", "--readings", "new.csv", "--yes").code == 0
    (kept,) = desk.load_readings(folder / "new.csv")
    assert (kept.temperature_c, kept.note) == (5.0, "temperature of the pile file")
    own = [f"{row},21.5" for row in rows]
    (folder / "run.csv").write_text("t_s,U,I,temp_C\n" + "\n".join(own) + "\n", "utf-8")
    said = json.loads(run(*asked, "--unit", "A1").out)
    assert said["estimates"][0]["facts"]["temperature_c"] == 21.5
    assert "log-pile-temperature" not in [r["code"] for r in said["remarks"]]


def test_the_demo_files_make_a_tested_unit(run: Run, folder: Path) -> None:
    """The demo's log of L6 is read by its own headings, turned to discharge positive, and makes L6 a tested unit."""
    desk.keep_demo(folder / "demo")
    said = json.loads(
        run("bench", "--pile", "demo/pile.csv", "--readings", "demo/readings.csv", "--unit", "L6", "--json").out
    )
    unit = said["units"]["L6"]
    assert (unit["basis"], unit["grade"]) == ("measured", "B")
    (capacity,) = [e for e in unit["estimates"] if e["quantity"] == "capacity_ah"]
    # The invented unit was made to hold 87.4 Ah at 20 A down to 2.5 V a cell; 87.22 Ah of them were logged.
    assert capacity["facts"]["drawn_ah"] == pytest.approx(87.2, abs=0.3)


def test_a_log_is_shown_confirmed_and_kept(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was taken for what is shown; only a yes adds the log to the readings, and the readings file reads back."""
    desk.keep_demo(folder / "demo")
    monkeypatch.chdir(folder / "demo")
    asked = ("bench", "log", "l6-run.csv", "--pile", "pile.csv", "--unit", "L6", "--readings", "new.csv")
    shown = run(*asked, "--yes")
    assert shown.code == 0
    assert "positive current is charge" in shown.out
    (kept,) = desk.load_readings(Path("new.csv"))
    assert (kept.unit, kept.file) == ("L6", "l6-run.csv")
    assert run("bench", "--pile", "pile.csv", "--readings", "new.csv", "--no-settle").code == 0
    answer = json.loads(run("bench", "log", "l6-run.csv", "--json").out)
    assert answer["sign"] == -1
    assert sum(piece["out_ah"] for piece in answer["pieces"]) == pytest.approx(answer["out_ah"], rel=1e-4)
