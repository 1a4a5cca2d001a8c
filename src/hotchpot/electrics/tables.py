"""The room's printed tables: CSV files of the package, read on first use and kept."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources

from hotchpot.chemistry import Grade
from hotchpot.errors import InputError, nearest

TABLES = ("bundle", "cfr_183_425", "engine_space", "iec_60228", "iec_60364_5_52", "nec_310_16", "withstand")

Row = Mapping[str, str]


@cache
def table(name: str) -> tuple[Row, ...]:
    """Return every row of a printed table, as text, in the order of the file."""
    if name not in TABLES:
        raise InputError.one(f"table {name!r}", "no such table", nearest(name, TABLES))
    return _read(name)


@cache
def sources() -> Mapping[str, Row]:
    """Return every source of the tables by its key: title and how it was read."""
    return {row["key"]: row for row in _read("sources")}


def cite(name: str) -> str:
    """
    Return the sources behind a table in words, each with its edition and weakest grade.

    Examples
    --------
    >>> cite("iec_60228")[:58]
    'IEC 60228, Table 2: class 2 stranded plain copper, largest'
    """
    editions: dict[tuple[str, str], list[Grade]] = {}
    for row in table(name):
        editions.setdefault((row["source"], row["edition"]), []).append(Grade(row["grade"]))
    order = list(Grade)
    return "; ".join(
        f"{sources()[key]['title']} ({edition}) [{max(grades, key=order.index)}]"
        for (key, edition), grades in editions.items()
    )


def neighbours(size: float, sizes: Iterable[float]) -> str:
    """Return the printed sizes next below and above `size`, as a hint for a table without that row."""
    known = sorted(sizes)
    below = [other for other in known if other < size][-1:]
    above = [other for other in known if other > size][:1]
    return "nearest are " + " and ".join(f"{other:g}" for other in below + above)


def _read(name: str) -> tuple[Row, ...]:
    text = resources.files(__package__).joinpath("data", f"{name}.csv").read_text("utf-8")
    return tuple(csv.DictReader(text.splitlines()))
