"""What the tests of the command line share: a pile in a folder, and a way to run a command as a user does."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from hotchpot.faces.cli import main
from hotchpot.faces.cli.looks import console

PILE = """\
id,chemistry,cells,rated_ah,capacity_ah,resistance_mohm,rest_v,rest_hours,temperature_c
A1,lead_agm,6,100,96,5.6,12.78,24,20
A2,lead_agm,6,100,98,5.5,12.77,24,20
B1,lead_agm,6,100,99,5.4,12.79,24,20
B2,lead_agm,6,100,101,5.4,12.78,24,20
"""
COLUMNS = "100"  # wide enough for whole sentences, and the same whatever terminal the tests are started from


class Said(NamedTuple):
    """What a command printed, and how it ended."""

    code: int
    out: str
    err: str


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder of its own with a pile of four good units, made the working folder."""
    (tmp_path / "pile.csv").write_text(PILE, "utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def run(folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    """Return a function that runs the command's entry point in this process: fast, and a traceback is an error."""

    monkeypatch.setenv("COLUMNS", COLUMNS)
    console.cache_clear()  # it keeps the width that it was made with

    def call(*arguments: str) -> Said:
        monkeypatch.setattr(sys, "argv", ["hotchpot", *arguments])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return Said(int(ended.value.code or 0), out, err)

    return call


@pytest.fixture
def spawn(folder: Path) -> Callable[..., Said]:
    """Return a function that runs the command in a process of its own, as a shell would."""

    def call(*arguments: str, encoding: str = "utf-8") -> Said:
        environment = {**os.environ, "COLUMNS": COLUMNS, "PYTHONIOENCODING": encoding}
        done = subprocess.run(
            [sys.executable, "-m", "hotchpot", *arguments],
            cwd=folder,
            env=environment,
            capture_output=True,
            encoding=encoding,
            check=False,
        )
        return Said(done.returncode, done.stdout, done.stderr)

    return call
