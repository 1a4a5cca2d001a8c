"""
Whole installations of every chemistry, and the same with one fault, through the public command line.

Source: written blind, from the same physics and tests/data/hazards.csv, with its own arithmetic; a sound
installation must not be judged worse than it is, and each fault must be found among all that is well.
"""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from hotchpot.faces.cli import app

CASES: list[dict[str, Any]] = tomllib.loads((Path(__file__).parent / "data" / "installations.toml").read_text("utf-8"))[
    "case"
]


def test_the_table_is_whole() -> None:
    """No case is lost, and all four verdicts are there."""
    assert len(CASES) == len({case["id"] for case in CASES}) == 78
    assert Counter(case["verdict"] for case in CASES) == {"fine": 30, "forbid": 25, "caution": 12, "only-if": 11}


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_every_installation_gets_its_verdict(tmp_path: Path, case: dict[str, Any]) -> None:
    """The verdict is the one that its author gave without knowing the rules."""
    (tmp_path / "pile.csv").write_text(case["pile"], "utf-8")
    (tmp_path / "plan.toml").write_text(case["plan"], "utf-8")
    args = ["judge", "--pile", str(tmp_path / "pile.csv"), "--plan", str(tmp_path / "plan.toml"), "--json"]
    result = CliRunner().invoke(app, args, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    said = json.loads(result.stdout)
    heard = [(f["verdict"], f["code"], f["says"]) for f in said["findings"] if f["verdict"] != "fine"]
    assert said["verdict"] == case["verdict"], f"{case['description']}: {case['deciding']}\n{heard}"
