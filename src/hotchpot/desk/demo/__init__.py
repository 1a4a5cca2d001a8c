"""The demo's invented files, as package data."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources


def files() -> Mapping[str, bytes]:
    """Return the demo's files by name."""
    folder = resources.files(__package__)
    return {name: folder.joinpath(name).read_bytes() for name in ("pile.csv", "plan.toml")}
