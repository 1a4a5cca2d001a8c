"""Write a pile as the CSV of the pile file, what `parse_pile` reads back as the same units; or any such table."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from hotchpot.pile.columns import PILE
from hotchpot.pile.table import Table
from hotchpot.pile.unit import Unit

_ALWAYS = ("id", "chemistry", "cells", "rated_ah", "rated_hours")


def write_pile(units: Iterable[Unit]) -> str:
    """
    Return the units as CSV text: commas between, decimal points, one heading line, only the columns in use.

    >>> from hotchpot.pile import Unit
    >>> unit = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20, flags=("dented", "hot"))
    >>> print(write_pile([unit]).replace("\\r", ""))
    id,chemistry,cells,rated_ah,rated_hours,flags
    A1,lead_agm,6,100,20,dented;hot
    """
    return write_table(PILE, [unit.facts() for unit in units], always=_ALWAYS)


def write_table(table: Table, facts: Sequence[Mapping[str, Any]], *, always: Collection[str]) -> str:
    """Return rows of known values as CSV text; columns in `always` are there even when no row has a value."""
    used = {name for known in facts for name in known} | set(always)
    names = [column.name for column in table.columns if column.name in used]
    out = io.StringIO(newline="")
    # Lines end as RFC 4180 has it; only so does the csv module quote a text that holds either line character.
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(names)
    writer.writerows([_text(known.get(name)) for name in names] for known in facts)
    return out.getvalue()


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return ";".join(_text(item) for item in value)
    if isinstance(value, float):
        return repr(value).removesuffix(".0")  # the shortest text that reads back as the same number
    return str(value)
