"""The page of a trial in the terminal, and its JSON: verdict first, conditions counted, no advice where forbidden."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]
PILE = ("--pile", "pile.csv")
COLD = """\
[duty]
ambient_c = -6
[charger]
volts = 14.2
amps = 20
"""
DAYS = """\
[duty]
energy_wh_per_day = 1500
"""


@pytest.fixture
def lithium(folder: Path) -> Path:
    """Write a pile of two invented LFP units read at 4 °C, a lead unit, and a plan for a place of -6 °C."""
    text = "id,chemistry,cells,rated_ah,capacity_ah,resistance_mohm,rest_v,rest_hours,temperature_c\n"
    rows = "L1,lfp,4,100,95,6,13.2,24,4\nL2,lfp,4,100,90,6,13.2,24,4\nP1,agm,6,100,90,6,12.7,24,4\n"
    (folder / "cold.csv").write_text(text + rows, "utf-8")
    (folder / "cold.toml").write_text(COLD, "utf-8")
    return folder


def test_the_first_line_is_the_trials_own_verdict(run: Run, lithium: Path) -> None:
    """Lithium charged below 0 °C is forbidden (makers' sheets): said before the plots, and first in the JSON."""
    asked = ("trial", "L1 // L2", "--pile", "cold.csv", "--plan", "cold.toml", "--charge")
    shape = json.loads(run(*asked, "--json").out)
    assert shape["plain"][0].startswith("The trial by itself: FORBID")
    worst = shape["notable"][0]
    assert shape["plain"][0].endswith(worst["says"])
    assert "trial-charge-cold" in {one["code"] for one in shape["notable"] if one["verdict"] == "forbid"}
    out = run(*asked).out
    tried = out.index("On trial, on paper")
    assert tried < out.index("The trial by itself: FORBID") < out.index("It takes") < out.index("Over time")


def test_the_judges_other_conditions_are_counted(run: Run, lithium: Path) -> None:
    """As many as `hotchpot judge` lists of the same files, less the one that is shown."""
    files = ("--pile", "cold.csv", "--plan", "cold.toml")
    found = json.loads(run("judge", "L1 // L2", *files, "--json").out)["findings"]
    counts = {name: sum(one["verdict"] == name for one in found) for name in ("forbid", "only-if")}
    shape = json.loads(run("trial", "L1 // L2", *files, "--charge", "--json").out)["judged"]
    assert sum(shape["more"].values()) == sum(counts.values()) - 1
    assert shape["more"]["only-if"] >= 1
    assert f"{shape['more']['only-if']} more 'only if'" in run("trial", "L1 // L2", *files, "--charge").out


def test_a_forbidden_joining_gets_no_advice_how_to_join(run: Run, lithium: Path) -> None:
    """Lead beside lithium: the judge forbids, and no finding of the trial says how to do it all the same."""
    asked = ("trial", "L1 // P1", "--pile", "cold.csv", "--joining")
    shape = json.loads(run(*asked, "--json").out)
    assert shape["judged"]["verdict"] == "forbid"
    told = [one["do"] for one in shape["notable"] if one["verdict"] != "fine"]
    assert told
    assert all(do == f"Do not join: the judge forbids it ({shape['judged']['decided_by']})." for do in told)
    assert shape["next"].startswith("Build and join nothing")
    assert "resistor (hotchpot join)" not in run(*asked).out


@pytest.mark.parametrize(
    ("asked", "begins"),
    [
        (("A1 // A2", "--amps", "5", "--hours", "1"), "Settle every condition"),
        (("A1 // A2", "--amps", "1500"), "Do not run it like this"),
    ],
)
def test_the_page_ends_with_a_next_step(run: Run, asked: tuple[str, ...], begins: str) -> None:
    """Each page says what to do next, by the worse of judge and trial; never that all is well."""
    shape = json.loads(run("trial", *asked, *PILE, "--json").out)
    assert shape["next"].startswith(begins)
    out = run("trial", *asked, *PILE).out
    assert out.index(" Next ") > out.index("How it ended")
    assert begins in out


def test_sums_that_hold_are_said_to_hold(run: Run) -> None:
    """The sums read as what they are: they hold; no error is named where there is none."""
    out = " ".join(run("trial", "A1 // A2", "--amps", "20", "--hours", "1", *PILE).out.split())
    assert "The sums hold: charge adds up to less than a billionth" in out
    assert "does not add up" not in out
    assert not re.search(r"\de-\d\d does", out)


def test_days_tell_the_chance_of_being_cut_off(run: Run, folder: Path) -> None:
    """Where no draw cuts the loads off the chance is told all the same, as nought with what it may still be."""
    (folder / "days.toml").write_text(DAYS, "utf-8")
    asked = ("trial", "A1 // A2", "--day", "1", "--doubt", "4", "--plan", "days.toml", *PILE)
    out = " ".join(run(*asked).out.split())
    assert "Chance that the loads are cut off: 0 %, in 0 of 4 draws, 0 to 49 % (95 % sure)" in out
    assert "the loads first go off after never" in re.sub(r" +", " ", out)
    shape = json.loads(run(*asked, "--json").out)
    assert shape["doubt"]["bands"]["first_off_h"] == dict.fromkeys(("p05", "p25", "p50", "p75", "p95"))
    assert shape["doubt"]["bands"]["unmet_wh"]["p95"] == 0.0
    assert shape["loads_off"] == {"first_s": None, "off_s": 0.0, "times": 0, "unmet_wh": 0.0}
    dark = json.loads(run("trial", "A1", "--day", "2", "--plan", "days.toml", *PILE, "--json").out)
    assert dark["loads_off"]["times"] >= 1
    assert 0 < dark["loads_off"]["first_s"] < dark["ended"]["time_s"]
    assert dark["plain"][1].startswith("The loads first go off after")


def test_times_and_energies_are_printed_in_the_unit_that_reads_best(run: Run) -> None:
    """Minutes for parts of an hour: no finding is headed with a hundredth of an hour."""
    out = run("trial", "A1 // A2", "--joining", *PILE).out
    assert not re.search(r"\b0\.0\d+ h\b", out)
