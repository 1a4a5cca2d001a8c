"""Bad input: one clear error each (where, what, how to mend), exit 2, no traceback, and nothing written."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]
HEAD = "id,chemistry,cells,rated_ah,capacity_ah,resistance_mohm\n"

EXPRESSIONS = {
    "unknown unit": ("A1 // A9", r"A9", "did you mean|known"),
    "bracket left open": ("(A1 // A2", r"\(", "bracket|\\)"),
    "bracket never opened": ("A1 // A2)", r"\)", "bracket|\\("),
    "empty brackets": ("A1 // ()", "brackets hold nothing", "name a unit"),
    "nothing": ("", "", "A1"),
    "only a sign": ("//", "//", "unit"),
    "one slash": ("A1 / A2", "/", "//"),
    "a unit twice": ("A1 // A1", "A1", "once|twice"),
    "nested 5,000 deep": ("(" * 5000 + "A1" + ")" * 5000, "", "deep|bracket"),
    "nested 5,000 deep, in turn": ("(A1 // (A2 + " * 2500 + "B1" + "))" * 2500, "", "deep|bracket|once|twice"),
}

PILES = {
    "empty": ("", "empty"),
    "heading alone": (HEAD, "unit|row"),
    "unknown chemistry": (HEAD + "A1,lead_agn,6,100,96,5\n", "lead_agn.*did you mean 'lead_agm'"),
    "duplicate ids": (HEAD + "A1,lead_agm,6,100,96,5\nA1,lead_agm,6,100,97,5\n", "pile.csv:3 id"),
    "NaN": (HEAD + "A1,lead_agm,6,100,NaN,5\n", "pile.csv:2 capacity_ah"),
    "infinity": (HEAD + "A1,lead_agm,6,100,inf,5\n", "pile.csv:2 capacity_ah"),
    "1e9 Ah": (HEAD + "A1,lead_agm,6,1e9,,5\n", "pile.csv:2 rated_ah"),
    "negative resistance": (HEAD + "A1,lead_agm,6,100,96,-5\n", "pile.csv:2 resistance_mohm"),
    "made tomorrow": (
        "id,chemistry,cells,rated_ah,made\nA1,lead_agm,6,100,2091-03\n",
        "pile.csv:2 made: 2091-03 lies in",
    ),
    "no cells": (HEAD + "A1,lead_agm,0,100,96,5\n", "pile.csv:2 cells"),
    "words for numbers": (HEAD + "A1,lead_agm,six,100,96,5\n", "pile.csv:2 cells"),
    "a column missing": ("id,cells,rated_ah\nA1,6,100\n", "chemistry"),
    "a field too many": (HEAD + "A1,lead_agm,6,100,96,5,7,8\n", "pile.csv:2"),
    "20,000 units": (HEAD + "".join(f"u{i},lead_agm,6,100,96,5\n" for i in range(20_000)), "15000|15,000|20000|20,000"),
}

PLANS = {
    "unknown key": ("[charger]\nvolt = 14.4\n", "plan.toml:2 charger.volt.*did you mean 'volts'"),
    "a key without its section": ("load_w = 300\n", r"plan.toml:1 load_w.*write it below \[duty\]"),
    "a key of another section": ("[duty]\nvolts = 28\n", r"plan.toml:2 duty.volts.*write it below \[charger\]"),
    "not TOML": ("[charger\n", "plan.toml:1.*TOML"),
    "a word for a number": ('[duty]\nload_a = "10"\n', "plan.toml:2 duty.load_a"),
    "out of range": ("[duty]\nload_a = -10\n", "plan.toml:2 duty.load_a.*out of range"),
    "an unknown unit in the arrangement": ('arrangement = "A1 // Z9"\n', "Z9"),
}


def held(folder: Path) -> dict[str, int]:
    """Return the files of a folder with their sizes."""
    return {str(path.relative_to(folder)): path.stat().st_size for path in folder.rglob("*") if path.is_file()}


def refused(said: Any, pattern: str) -> None:
    """Hold a command to one clear refusal."""
    assert said.code == 2, said
    assert said.out == ""
    assert said.err.startswith("hotchpot: "), said.err[:300]
    assert "Traceback" not in said.err
    first = said.err.splitlines()[0]
    assert re.search(pattern, said.err.replace("\n", " "), re.IGNORECASE), said.err[:600]
    where, _, rest = first.removeprefix("hotchpot: ").partition(": ")
    assert where.strip(), first
    assert "," in rest or "?" in rest, f"no mending in: {first}"
    assert len(said.err) < 6000, "an error is a message, not a listing"


@pytest.mark.parametrize("name", EXPRESSIONS)
def test_wrong_expressions(run: Run, folder: Path, name: str) -> None:
    """An expression that cannot be read says where and how to mend it."""
    expression, what, mend = EXPRESSIONS[name]
    before = held(folder)
    said = run("judge", "--pile", "pile.csv", "--", expression)
    refused(said, what)
    refused(said, mend)
    assert held(folder) == before


USAGE = {
    "an expression in pieces": (("judge", "A1", "//", "A2", "--pile", "pile.csv"), "in quotes: 'A1 // A2'"),
    "in pieces behind an option": (("judge", "--pile", "pile.csv", "A1", "+", "A2"), "in quotes: 'A1 [+] A2'"),
    "no such command": (("arrnge",), "arrnge: no such command, did you mean 'arrange'"),
    "no such command below": (("bench", "guid"), "guid: no such command, did you mean 'guide'"),
    "an option missing": (("judge", "A1"), "--pile: is missing, give --pile PILE.csv"),
    "a word for a count": (("arrange", "--pile", "pile.csv", "--best", "five"), "--best: 'five' is not a whole number"),
    "too large a count": (("arrange", "--pile", "pile.csv", "--best=500"), "--best: '500' is out of range, give 100"),
    "too small a count": (("arrange", "--pile", "pile.csv", "--best", "0"), "--best: '0' is out of range, give 1 or"),
    "one word too many": (("rules", "join-surge", "soon"), "soon: nothing takes this"),
    "no such option": (("judge", "--pyle", "pile.csv"), "--pyle: no such option, did you mean '--pile'"),
}


@pytest.mark.parametrize("name", USAGE)
def test_what_cannot_be_understood_is_bad_input_like_any_other(run: Run, folder: Path, name: str) -> None:
    """A slip on the command line is told as where, what and how to mend it; with --json its shape is that of errors."""
    typed, pattern = USAGE[name]
    before = held(folder)
    refused(run(*typed), pattern)
    said = run(*typed, "--json")
    assert said.code == 2
    assert json.loads(said.out)["faults"][0].keys() == {"where", "what", "mend"}
    assert held(folder) == before


@pytest.mark.parametrize("name", PILES)
@pytest.mark.parametrize("command", ["judge", "arrange", "join"])
def test_wrong_piles(run: Run, folder: Path, name: str, command: str) -> None:
    """A pile that cannot be read says which line and column, whichever command reads it."""
    text, pattern = PILES[name]
    (folder / "pile.csv").write_text(text, "utf-8")
    before = held(folder)
    more = ["--volts", "12"] if command == "arrange" else ["A1"]
    refused(run(command, "--pile", "pile.csv", *more), pattern)
    assert held(folder) == before


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1", "cp1252"])
def test_wrong_encoding(run: Run, folder: Path, encoding: str) -> None:
    """A pile in another encoding is refused with the mending: save as UTF-8."""
    (folder / "pile.csv").write_bytes((HEAD + "Ä1,lead_agm,6,100,96,5\n").encode(encoding))
    refused(run("judge", "--pile", "pile.csv", "A1"), "UTF-8")


def test_a_binary_file(run: Run, folder: Path) -> None:
    """A file that is no text at all is refused in one message."""
    (folder / "pile.csv").write_bytes(bytes(range(256)) * 40)
    refused(run("judge", "--pile", "pile.csv", "A1"), "pile.csv")


@pytest.mark.parametrize("name", PLANS)
def test_wrong_plans(run: Run, folder: Path, name: str) -> None:
    """A plan that cannot be read says which line and key."""
    text, pattern = PLANS[name]
    (folder / "plan.toml").write_text(text, "utf-8")
    before = held(folder)
    refused(run("judge", "--pile", "pile.csv", "--plan", "plan.toml"), pattern)
    assert held(folder) == before


def test_a_missing_arrangement(run: Run, folder: Path) -> None:
    """Joining is asked of four loose units: the arrangement is missing, and the message says how to give one."""
    (folder / "plan.toml").write_text('question = "join"\n', "utf-8")
    refused(run("judge", "--pile", "pile.csv", "--plan", "plan.toml"), "arrangement: is missing.*A1 // A2")
    refused(run("join", "--pile", "pile.csv"), "arrangement: is missing.*A1 // A2")


@pytest.mark.parametrize("path", ["nothing.csv", "."])
def test_a_file_that_is_not_there(run: Run, path: str) -> None:
    """A missing file or a folder is refused by its name."""
    refused(run("judge", "--pile", path, "A1"), "no such file|is a folder")
    refused(run("judge", "--pile", "pile.csv", "--plan", path, "A1"), "no such file|is a folder")


def test_an_unknown_rule(run: Run) -> None:
    """A mistyped rule code is answered with the nearest."""
    refused(run("rules", "join-surg"), "no such rule, did you mean 'join-surge'")


@pytest.mark.parametrize("volts", ["nought", "-12", "0", "1e9", "nan", "24 Ah"])
def test_wrong_volts(run: Run, volts: str) -> None:
    """A system voltage that is none is refused by its option's name."""
    refused(run("arrange", "--pile", "pile.csv", f"--volts={volts}"), "--volts")


def test_every_fault_of_a_pile_comes_at_once(run: Run, folder: Path) -> None:
    """Three wrong rows are told in one go, each on a line of its own."""
    rows = "A1,lead_agm,6,100,NaN,5\nA2,lead_agm,6,-1,96,5\nA3,tin,6,100,96,5\n"
    (folder / "pile.csv").write_text(HEAD + rows, "utf-8")
    err = run("judge", "--pile", "pile.csv", "A1").err
    for line in (2, 3, 4):
        assert f"pile.csv:{line} " in err


def test_errors_as_json(run: Run, folder: Path) -> None:
    """With --json an error has one shape through every command: the text, and each fault's place, fault and mending."""
    (folder / "bad.csv").write_text(HEAD + "A1,lead_agm,6,100,NaN,5\nA2,lead_agm,6,-1,96,5\n", "utf-8")
    for arguments in (
        ["judge", "A1", "--pile", "bad.csv"],
        ["arrange", "--pile", "bad.csv", "--volts", "12"],
        ["join", "A1", "--pile", "bad.csv"],
    ):
        said = run(*arguments, "--json")
        assert said.code == 2
        shape = json.loads(said.out)
        assert set(shape) == {"error", "faults"}
        assert [fault["where"] for fault in shape["faults"]] == ["bad.csv:2 capacity_ah", "bad.csv:3 rated_ah"]
        for fault in shape["faults"]:
            assert set(fault) == {"where", "what", "mend"}
            assert all(fault.values())


@pytest.mark.parametrize(
    "arguments",
    [
        ["judge", "A1 // A9", "--pile", "pile.csv"],
        ["judge", "--pile", "pile.csv", "--", "(" * 5000 + "A1" + ")" * 5000],
        ["judge", "--pile", "nothing.csv"],
    ],
    ids=["unknown unit", "deep", "no file"],
)
def test_no_traceback_in_a_process_of_its_own(spawn: Run, folder: Path, arguments: list[str]) -> None:
    """As a shell runs it: exit 2, one message, no traceback, nothing written."""
    before = held(folder)
    said = spawn(*arguments)
    assert said.code == 2
    assert said.err.startswith("hotchpot: ")
    assert "Traceback" not in said.err
    assert held(folder) == before
