"""`hotchpot arrange`, `join`, `rules` and the help: their JSON shapes and what a person reads."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hotchpot import desk

Run = Callable[..., Any]
FUSED = "[protection]\nunit_fuse_a = 80\n"
PROPOSAL_KEYS = (
    "arrangement",
    "verdict",
    "usable_ah",
    "usable_wh",
    "bound_wh",
    "gap_frac",
    "left_over",
    "links",
    "strings",
    "why",
)


def test_arrange_gives_the_shape_of_the_contract(run: Run, folder: Path) -> None:
    """Every key of a proposal and of the search is there; the best comes first and none beats its bound."""
    (folder / "plan.toml").write_text(FUSED, "utf-8")
    said = run("arrange", "--pile", "pile.csv", "--plan", "plan.toml", "--volts", "24", "--json", "--seed", "3")
    assert said.code == 0
    shape = json.loads(said.out)
    assert {"proposals", "proven_optimal", "families", "seconds", "seed"} <= set(shape)
    assert shape["seed"] == 3
    assert isinstance(shape["proven_optimal"], bool)
    assert shape["proposals"]
    for proposal in shape["proposals"]:
        assert set(PROPOSAL_KEYS) <= set(proposal)
        assert proposal["verdict"] != "forbid"
        assert proposal["usable_wh"] <= proposal["bound_wh"] * (1 + 1e-6)
        assert 0 <= proposal["gap_frac"] <= 1
    energies = [proposal["usable_wh"] for proposal in shape["proposals"]]
    assert energies[0] == max(energies)


def test_arrange_takes_its_volts_from_the_plan(run: Run, folder: Path) -> None:
    """Without --volts the plan's system voltage holds; without either the message says how to give one."""
    (folder / "plan.toml").write_text("[duty]\nsystem_v = 12\n", "utf-8")
    said = run("arrange", "--pile", "pile.csv", "--plan", "plan.toml", "--json")
    assert said.code == 0
    assert json.loads(said.out)["proposals"]
    missing = run("arrange", "--pile", "pile.csv")
    assert missing.code == 2
    assert "--volts: is missing" in missing.err


def test_what_arrange_proposes_the_judge_accepts(run: Run, folder: Path) -> None:
    """The two commands agree: the first proposal, judged by itself, has the verdict it was offered with."""
    (folder / "plan.toml").write_text(FUSED, "utf-8")
    files = ("--pile", "pile.csv", "--plan", "plan.toml")
    first = json.loads(run("arrange", *files, "--volts", "24", "--json").out)["proposals"][0]
    judged = json.loads(run("judge", first["arrangement"], *files, "--json").out)
    assert judged["verdict"] == first["verdict"]


def test_join_gives_steps(run: Run, folder: Path) -> None:
    """A joining plan has numbered steps, an order and cautions, and a forbidden bank gets none (exit 1)."""
    (folder / "plan.toml").write_text(FUSED, "utf-8")
    said = run("join", "A1 // A2", "--pile", "pile.csv", "--plan", "plan.toml", "--json")
    assert said.code == 0
    shape = json.loads(said.out)
    assert {"arrangement", "verdict", "steps", "order", "cautions", "findings"} <= set(shape)
    assert [step["number"] for step in shape["steps"]] == list(range(1, len(shape["steps"]) + 1))
    text = (folder / "pile.csv").read_text("utf-8") + "L1,lfp,4,100,100,6,13.3,24,20\n"
    (folder / "pile.csv").write_text(text, "utf-8")
    refused = run("join", "A1 // L1", "--pile", "pile.csv", "--plan", "plan.toml", "--json")
    assert refused.code == 1
    assert set(json.loads(refused.out)) == {"error", "faults"}


def test_rules_lists_all_and_one(run: Run) -> None:
    """The table names every rule; with a code it tells that rule in full; with --json the shape is the desk's."""
    out = run("rules", "--json").out
    codes = [card["code"] for card in json.loads(out)["rules"]]
    assert codes == [card.code for card in desk.list_rules()]
    one = run("rules", "join-surge").out
    assert "join-surge" in one
    assert "Source:" in one
    every = run("rules").out
    assert "join-surge" in every
    assert "fuse-string" in every


@pytest.mark.parametrize("command", [[], ["judge"], ["arrange"], ["join"], ["rules"], ["demo"]])
def test_help_answers(run: Run, command: list[str]) -> None:
    """Every command says what it does; the first page names the dangers and the commands."""
    said = run(*command, "--help")
    assert said.code == 0
    assert "Usage" in said.out
    if not command:
        text = " ".join(said.out.split())
        for word in ("judge", "arrange", "join", "rules", "demo", "licensed electrician"):
            assert word in text
