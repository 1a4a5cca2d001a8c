"""What all tests share: one profile for property tests, and the command line's fixtures."""

from __future__ import annotations

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
