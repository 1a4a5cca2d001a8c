"""The judge's rules, one module per family; importing this package registers them all."""

from hotchpot.bank.rules import (
    charging,
    chemistry,
    discharging,
    joining,
    operation,
    protection,
    series,
    sharing,
    site,
    testing,
    units,
    wiring,
)
from hotchpot.bank.rules.registry import RULES, Case, Rule

__all__ = [
    "RULES",
    "Case",
    "Rule",
    "charging",
    "chemistry",
    "discharging",
    "joining",
    "operation",
    "protection",
    "series",
    "sharing",
    "site",
    "testing",
    "units",
    "wiring",
]
