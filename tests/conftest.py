"""What all tests share: one profile for property tests, and the way to reference data that is not ours to ship."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from cli_runner import folder, run, spawn

__all__ = ["folder", "run", "spawn"]  # fixtures for every test below

ROOT = Path(__file__).resolve().parents[1]

# No deadlines: a slow machine is not a defect. Derandomized: a red test is red for everyone, every time.
settings.register_profile("house", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")


@pytest.fixture(scope="session")
def root() -> Path:
    """Return the folder that holds pyproject.toml."""
    return ROOT


@pytest.fixture(scope="session")
def shared() -> Path:
    """Return the folder of reference data beside the repository, or skip with the reason when there is none."""
    folder = Path(os.environ.get("HOTCHPOT_SHARED", ROOT.parent / "shared"))
    if not (folder / "reference").is_dir():
        pytest.skip("no reference data: set HOTCHPOT_SHARED to its folder, or put it beside the repository as shared/")
    return folder
