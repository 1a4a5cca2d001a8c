"""A unit as a fact: what its label says and what was read on it. Nothing here is inferred."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from hotchpot.chemistry import Chemistry, chemistry

FLAGS = ("swollen", "leaking", "immersed", "burnt", "crashed", "hot", "dented", "unknown_history")


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """
    One battery or cell as handled: one thing with two terminals.

    Field names are the pile file's columns, with the same units; None is "not known", never zero.
    """

    id: str
    chemistry: str
    cells: int
    rated_ah: float
    rated_hours: float
    capacity_ah: float | None = None
    resistance_mohm: float | None = None
    rest_v: float | None = None
    rest_hours: float | None = None
    soc_frac: float | None = None
    temperature_c: float | None = None
    made: str | None = None
    self_discharge_frac_month: float | None = None
    gravity: tuple[float, ...] = ()
    flags: tuple[str, ...] = ()
    rest_rise_k: float | None = None
    bms: bool | None = None
    bms_max_a: float | None = None
    bms_max_v: float | None = None
    max_in_series: int | None = None
    max_in_parallel: int | None = None
    max_charge_a: float | None = None
    max_discharge_a: float | None = None
    note: str = field(default="")

    @property
    def chem(self) -> Chemistry:
        """The values of this unit's chemistry."""
        return chemistry(self.chemistry)

    def facts(self) -> dict[str, Any]:
        """Return every column that is known, by its column name."""
        known = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: value for name, value in known.items() if value not in (None, (), "")}
