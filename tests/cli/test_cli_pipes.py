"""What scripts and old terminals meet: JSON from every command, output of few letters, a reader that goes away."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
import typer

from hotchpot.faces.cli import app
from hotchpot.faces.cli.looks import WIDEST, console

Run = Callable[..., Any]
PLAN = "[duty]\nsystem_v = 24\nload_w = 100\n[charger]\nvolts = 28.8\namps = 20\n[protection]\nunit_fuse_a = 80\n"
FILES = ("--pile", "pile.csv", "--plan", "plan.toml")
COMMANDS: dict[str, tuple[str, ...]] = {
    "judge": ("judge", "A1 // A2 + B1 // B2", *FILES),
    "arrange": ("arrange", *FILES),
    "join": ("join", "A1 // A2 + B1 // B2", *FILES),
    "trial": ("trial", "A1 // A2 + B1 // B2", *FILES, "--hours", "1"),
    "bench": ("bench", *FILES),
    "rules": ("rules",),
    "demo": ("demo",),
}


@pytest.fixture
def planned(folder: Path) -> Path:
    """Return the folder of the pile, with a plan beside it."""
    (folder / "plan.toml").write_text(PLAN, "utf-8")
    return folder


def test_every_command_is_tried_here() -> None:
    """A command that is added must join this table."""
    assert set(typer.main.get_command(app).commands) == set(COMMANDS)  # type: ignore[attr-defined]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_takes_json(run: Run, planned: Path, command: str) -> None:
    """With --json standard output is one JSON object and nothing else, and standard error is empty."""
    said = run(*COMMANDS[command], "--json")
    assert said.code == 0
    assert isinstance(json.loads(said.out), dict)
    assert said.err == ""


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_terminal_of_few_letters_is_answered(spawn: Run, planned: Path, command: str, encoding: str) -> None:
    """Without Ω and ✗ the text still comes, with exit code 0 and no traceback."""
    said = spawn(*COMMANDS[command], encoding=encoding)
    assert said.code == 0, said.err
    assert len(said.out) > 200
    assert "Traceback" not in said.err


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
@pytest.mark.parametrize("command", ["judge", "join", "rules"])
def test_json_loses_no_letter_on_such_a_terminal(spawn: Run, planned: Path, command: str, encoding: str) -> None:
    """JSON is the same whatever the output's encoding: what it cannot hold is escaped, never a question mark."""
    poor, rich = (spawn(*COMMANDS[command], "--json", encoding=name) for name in (encoding, "utf-8"))
    assert poor.code == rich.code == 0
    assert json.loads(poor.out) == json.loads(rich.out)
    assert "Ω" in rich.out or "²" in rich.out or "°" in rich.out


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_an_error_is_told_on_such_a_terminal(spawn: Run, planned: Path, encoding: str) -> None:
    """Bad input is one clear message and exit code 2, also where its letters cannot be shown."""
    said = spawn("judge", "A1 // Ω9", *FILES, encoding=encoding)
    assert said.code == 2
    assert said.err.startswith("hotchpot: ")
    assert "Traceback" not in said.err


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_reader_that_goes_away_is_no_fault(planned: Path, command: str, as_json: bool) -> None:
    """As behind `head`: the pipe is closed at once, and the command ends with 0 and without a word."""
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-m", "hotchpot", *COMMANDS[command], *(["--json"] if as_json else [])],
        cwd=planned,
        stdout=writer,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        check=False,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_first_lines_reach_the_reader(planned: Path) -> None:
    """A reader of one line gets it, and the command that has more to say ends with 0."""
    asked = [sys.executable, "-m", "hotchpot", "rules"]
    environment = {**os.environ, "COLUMNS": "100", "PYTHONIOENCODING": "utf-8"}
    with subprocess.Popen(asked, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as command:
        assert command.stdout is not None
        assert command.stderr is not None
        assert command.stdout.readline()
        command.stdout.close()
        assert command.stderr.read() == b""
        assert command.wait(timeout=60) == 0


def test_the_version_is_printed(run: Run) -> None:
    """--version prints the name and the installed version, and nothing else."""
    assert run("--version") == (0, f"hotchpot {version('hotchpot')}\n", "")


@pytest.mark.parametrize("columns", [40, 80, 400])
def test_text_fits_the_terminal(planned: Path, run: Run, monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    """Sentences and tables wrap at the terminal's width, and never beyond what reads well."""
    monkeypatch.setenv("COLUMNS", str(columns))
    console.cache_clear()
    lines = run(*COMMANDS["judge"]).out.splitlines()
    console.cache_clear()
    assert len(lines) > 10
    assert max(map(len, lines)) <= min(columns, WIDEST)
