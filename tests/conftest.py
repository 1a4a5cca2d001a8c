"""What all tests share: one profile for property tests, and the command line's fixtures."""

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

# numba keeps compiled code by the date of the file a function stands in, and does not see that a function it calls has
# changed in another file; so what was compiled before the newest source is thrown away, once, before any worker starts.
KERNELS = ROOT / "src" / "hotchpot" / "circuit"


def pytest_configure() -> None:
    """Throw away compiled kernels that are older than a source of theirs."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        return
    newest = max(path.stat().st_mtime for path in KERNELS.glob("*.py"))
    kept = list(KERNELS.glob("__pycache__/*.nb[ic]"))
    if any(path.stat().st_mtime < newest for path in kept):
        for path in kept:
            path.unlink(missing_ok=True)


@pytest.fixture(scope="session")
def root() -> Path:
    """Return the folder that holds pyproject.toml."""
    return ROOT
