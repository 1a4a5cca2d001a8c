"""The demo: placeholder until its data stand."""

from __future__ import annotations

from pathlib import Path


def show(keep: Path | None) -> None:
    """Run the demo."""
    raise NotImplementedError(keep)
