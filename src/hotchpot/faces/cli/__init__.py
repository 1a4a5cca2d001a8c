"""The command line: what a person types and reads in a terminal."""

from hotchpot.faces.cli.app import app, main

__all__ = ["app", "main"]
