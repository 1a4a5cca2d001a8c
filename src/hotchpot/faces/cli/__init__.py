"""The command line."""

from hotchpot.faces.cli.app import app, main

__all__ = ["app", "main"]
