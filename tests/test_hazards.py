"""
Every row of the hazards table gets its verdict through the public command line: a pile file and a plan file.

Source: the table's own `source` column, row by row: standards, makers' manuals, common practice; currents computed.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

import hazard_cases
from hotchpot.faces.cli import app

ROWS = hazard_cases.rows()
# Written by somebody who had not seen the rules, from the same physics, on both sides of each limit.
MORE = hazard_cases.rows(hazard_cases.TABLE.with_name("hazards_more.csv"))
SIBLINGS = hazard_cases.rows(hazard_cases.TABLE.with_name("hazards_siblings.csv"))
EVERY = ROWS + MORE + SIBLINGS


def judge(tmp_path: Path, pile: str, plan: str) -> dict[str, object]:
    """Return what `hotchpot judge --json` says."""
    (tmp_path / "pile.csv").write_text(pile, "utf-8")
    (tmp_path / "plan.toml").write_text(plan, "utf-8")
    args = ["judge", "--pile", str(tmp_path / "pile.csv"), "--plan", str(tmp_path / "plan.toml"), "--json"]
    result = CliRunner().invoke(app, args, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_the_table_is_whole() -> None:
    """No row is lost: the given table has 55 rows with unique ids."""
    assert len(ROWS) == len({row["id"] for row in ROWS}) == 55
    assert len(MORE) == len({row["id"] for row in MORE}) == 66
    assert len(SIBLINGS) == len({row["id"] for row in SIBLINGS}) == 79


@pytest.mark.parametrize("fuse_a", [80, 300], ids=["fuse80", "fuse300"])
@pytest.mark.parametrize("both", [True, False], ids=["volts+charge", "volts"])
@pytest.mark.parametrize("row", EVERY, ids=[row["id"] for row in EVERY])
def test_every_hazard_gets_its_verdict(tmp_path: Path, row: dict[str, str], both: bool, fuse_a: float) -> None:
    """The verdict is the table's, however the untold rest is written down."""
    inputs = json.loads(row["inputs_json"])
    pile, plan = hazard_cases.case(inputs, row["description"], both=both, fuse_a=fuse_a)
    said = judge(tmp_path, pile, plan)
    heard = [(f["verdict"], f["code"], f["says"]) for f in said["findings"]]  # type: ignore[attr-defined]
    assert said["verdict"] == row["verdict"], f"{row['description']}\n{heard}"
