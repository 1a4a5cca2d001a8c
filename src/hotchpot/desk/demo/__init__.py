"""The demo's invented files, as package data."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources

NAMES = ("pile.csv", "readings.csv", "l6-run.csv", "plan.toml")


def files() -> Mapping[str, bytes]:
    """Return the demo's files by name."""
    folder = resources.files(__package__)
    return {name: folder.joinpath(name).read_bytes() for name in NAMES}
