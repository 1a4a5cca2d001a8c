"""Discharge runs: capacity to a cut-off, its dependence on rate and temperature, and the models of it."""
