"""`hotchpot judge`: its JSON key by key, its exit codes, and what a person reads."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]
VERDICTS = ("forbid", "only-if", "caution", "fine")
PLAN = 'question = ["join", "charge", "discharge"]\n[duty]\nload_a = 20\n[charger]\nvolts = 14.4\namps = 20\n'
FUSED = PLAN + "[protection]\nunit_fuse_a = 80\ndisconnect_v = 11.4\n"


def numbers(value: object) -> bool:
    """Tell whether a value is a number and not a truth value."""
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def test_the_shape_of_the_contract(run: Run, folder: Path) -> None:
    """Every key that docs/commands.md promises is there, of its kind."""
    (folder / "plan.toml").write_text(FUSED, "utf-8")
    said = json.loads(run("judge", "A1 // A2", "--pile", "pile.csv", "--plan", "plan.toml", "--json").out)
    assert said["arrangement"] == "A1 // A2"
    assert said["verdict"] in VERDICTS
    rated = said["ratings"]
    for key in (
        "nominal_v",
        "cells",
        "capacity_ah",
        "capacity_sd_ah",
        "energy_wh",
        "resistance_mohm",
        "charge_v_max",
        "discharge_v_min",
    ):
        assert numbers(rated[key]), key
    assert isinstance(rated["cells"], int)
    assert isinstance(rated["limiting_units"], list)
    assert rated["limiting_units"]
    assert set(said["units"]) == {"A1", "A2"}
    for unit in said["units"].values():
        assert numbers(unit["capacity_ah"])
        assert numbers(unit["capacity_sd_ah"])
        assert unit["basis"] in ("measured", "stated", "assumed")
        assert unit["grade"] in ("A", "B", "C", "reject", "untested")
    assert said["findings"]
    for found in said["findings"]:
        assert found["verdict"] in VERDICTS
        assert set(found["subject"]) <= {"A1", "A2"}
        for key in ("code", "quantity", "says", "why", "do", "source"):
            assert isinstance(found[key], str), key
            assert found[key], key
        assert isinstance(found["unit"], str)
        for key in ("value", "sd", "limit"):
            assert found[key] is None or numbers(found[key]), key


def test_figures_of_the_shape_are_right(run: Run) -> None:
    """By hand: 96 and 98 Ah of 12 V make 194 Ah, 2328 Wh, six cells, 14.7 V at most and 10.5 V at least."""
    rated = json.loads(run("judge", "A1 // A2", "--pile", "pile.csv", "--json").out)["ratings"]
    assert (rated["nominal_v"], rated["cells"], rated["capacity_ah"]) == (12, 6, 194)
    assert rated["energy_wh"] == pytest.approx(194 * 12)
    assert (rated["charge_v_max"], rated["discharge_v_min"]) == (pytest.approx(14.7), pytest.approx(10.5))


def test_the_arrangement_may_stand_in_the_plan(run: Run, folder: Path) -> None:
    """Without an expression the plan's arrangement is judged; with one, the expression wins."""
    (folder / "plan.toml").write_text('arrangement = "A1 // A2 + B1 // B2"\n', "utf-8")
    from_plan = json.loads(run("judge", "--pile", "pile.csv", "--plan", "plan.toml", "--json").out)
    assert from_plan["arrangement"] == "A1 // A2 + B1 // B2"
    assert from_plan["ratings"]["nominal_v"] == 24
    typed = json.loads(run("judge", "A1", "--pile", "pile.csv", "--plan", "plan.toml", "--json").out)
    assert typed["arrangement"] == "A1"


def test_loose_units_are_judged_one_by_one(run: Run) -> None:
    """A pile without an arrangement is looked at unit by unit, and has no ratings."""
    said = run("judge", "--pile", "pile.csv", "--json")
    shape = json.loads(said.out)
    assert said.code == 0
    assert shape["arrangement"] is None
    assert shape["ratings"] is None
    assert set(shape["units"]) == {"A1", "A2", "B1", "B2"}


@pytest.mark.parametrize(("at_least", "code"), [("fine", 1), ("caution", 1), ("only-if", 0), ("forbid", 0), (None, 0)])
def test_exit_codes_by_at_least(run: Run, folder: Path, at_least: str | None, code: int) -> None:
    """0 when answered, 1 when the verdict is worse than --at-least: here 'only if', as no fuse is stated."""
    (folder / "plan.toml").write_text(PLAN, "utf-8")
    options = ["--at-least", at_least] if at_least else []
    said = run("judge", "A1 // A2", "--pile", "pile.csv", "--plan", "plan.toml", "--json", *options)
    assert json.loads(said.out)["verdict"] == "only-if"
    assert said.code == code


def test_a_forbidden_bank_is_still_an_answer(run: Run, folder: Path) -> None:
    """The worst verdict is an answer: exit 0, and 1 as soon as anything better is asked for."""
    text = (folder / "pile.csv").read_text("utf-8") + "L1,lfp,4,100,100,6,13.3,24,20\n"
    (folder / "pile.csv").write_text(text, "utf-8")
    said = run("judge", "A1 // L1", "--pile", "pile.csv", "--json")
    assert json.loads(said.out)["verdict"] == "forbid"
    assert json.loads(said.out)["decided_by"] == "chemistry-parallel"
    assert said.code == 0
    assert run("judge", "A1 // L1", "--pile", "pile.csv", "--at-least", "only-if").code == 1


def test_a_wrong_option_is_bad_input(run: Run) -> None:
    """An unknown verdict, an unknown option or a missing pile ends with 2."""
    assert run("judge", "A1", "--pile", "pile.csv", "--at-least", "good").code == 2
    assert run("judge", "A1", "--pile", "pile.csv", "--colour").code == 2
    assert run("judge", "A1").code == 2


def test_what_a_person_reads(run: Run, folder: Path) -> None:
    """The page shows verdict, drawing, units, ratings, findings with why and do, and the cautions."""
    (folder / "plan.toml").write_text(PLAN, "utf-8")
    out = " ".join(run("judge", "A1 // A2", "--pile", "pile.csv", "--plan", "plan.toml").out.split())
    for part in (
        "Findings",
        "Ratings",
        "Verdict",
        "only if",
        "fuse-string",
        "Why:",
        "Do:",
        "licensed electrician",
        "A1",
    ):
        assert part in out, part


def test_a_verdict_is_told_in_words_and_without_colour_codes(spawn: Run) -> None:
    """Piped output is plain text: the verdict is a word, and no escape codes are in it."""
    said = spawn("judge", "A1 // A2", "--pile", "pile.csv")
    assert said.code == 0
    assert "\x1b[" not in said.out
    assert "only if" in said.out
    assert said.err == ""


def test_json_is_the_whole_of_standard_output(spawn: Run) -> None:
    """With --json nothing else is printed, in a process of its own as in this one."""
    said = spawn("judge", "A1 // A2", "--pile", "pile.csv", "--json")
    assert said.code == 0
    assert said.err == ""
    assert json.loads(said.out)["arrangement"] == "A1 // A2"


def test_semicolons_and_decimal_commas_read(run: Run, folder: Path) -> None:
    """A spreadsheet saved with semicolons, decimal commas and a byte-order mark reads as the same pile."""
    plain = json.loads(run("judge", "A1 // A2", "--pile", "pile.csv", "--json").out)
    text = (folder / "pile.csv").read_text("utf-8").replace(",", ";").replace(".", ",")
    (folder / "sheet.csv").write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert "12,78" in text
    said = run("judge", "A1 // A2", "--pile", "sheet.csv", "--json")
    assert said.code == 0
    assert json.loads(said.out) == plain


def test_headings_with_units_read(run: Run, folder: Path) -> None:
    """Headings with a unit, in other words and another order, read as the same pile."""
    (folder / "other.csv").write_text(
        "Type,Name,capacity [Ah],R (mΩ),cells,rated [Ah],rest voltage [V],rested,temperature [°C]\n"
        "lead_agm,A1,96,5.6,6,100,12.78,24,20\nlead_agm,A2,98,5.5,6,100,12.77,24,20\n",
        "utf-8",
    )
    plain = json.loads(run("judge", "A1 // A2", "--pile", "pile.csv", "--json").out)
    assert json.loads(run("judge", "A1 // A2", "--pile", "other.csv", "--json").out) == plain
