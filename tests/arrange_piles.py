"""What the tests of the search share: invented units, measured and good, and every way to divide a list into parts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from hotchpot.bench.state import State, state_of
from hotchpot.chemistry import chemistry
from hotchpot.pile.unit import Unit


def good(id: str, ah: float, *, cells: int = 6, chem: str = "lead_agm", **facts: Any) -> State:  # noqa: A002
    """Return a measured unit as good as new, rested and full, but for the facts given."""
    kind = chemistry(chem)
    known: dict[str, Any] = {
        "rated_ah": ah,
        "capacity_ah": ah,
        "resistance_mohm": kind.typical_mohm(cells, ah),
        "rest_v": round(cells * kind.ocv.volts(1.0), 2),
        "rest_hours": 48.0,
        "bms": True if kind.kind == "lithium" else None,
    }
    return state_of(Unit(id=id, chemistry=chem, cells=cells, rated_hours=kind.num("rated_h"), **known | facts))


def partitions(things: Sequence[str]) -> Iterator[list[list[str]]]:
    """Yield every partition of a list into parts."""
    if not things:
        yield []
        return
    head, *tail = things
    for smaller in partitions(tail):
        yield [[head], *smaller]
        for i, part in enumerate(smaller):
            yield [*smaller[:i], [head, *part], *smaller[i + 1 :]]
