"""A unit told in words at the bench, where there is no pile file yet; read by the same rules as a pile file."""

from __future__ import annotations

import csv
import io
import re

from hotchpot.errors import Fault, InputError
from hotchpot.pile import Unit
from hotchpot.pile.csvfile import parse_pile

_CELLS = re.compile(r"\s*(\d+)\s*(?:cells?|s)\s*", re.IGNORECASE)
_STANDS_IN = {"id": "A1", "chemistry": "lead_agm", "size": "6 cells", "rated_ah": "100"}


def unit_told(name: str, chemistry: str, size: str, rated_ah: str) -> Unit:
    """
    Return the unit that these words describe; `size` is its label volts, or its cells as in ``4 cells``.

    Raises
    ------
    InputError
        With what is wrong in each of them.

    Examples
    --------
    >>> unit_told("A1", "agm", "12 V", "100 Ah").cells, unit_told("c", "lfp", "4 cells", "280").rated_ah
    (6, 280.0)
    """
    cells = _CELLS.fullmatch(size)
    column, value = ("cells", cells[1]) if cells else ("nominal_v", size)
    out = io.StringIO(newline="")
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerows([("id", "chemistry", column, "rated_ah"), (name, chemistry, value, rated_ah)])
    try:
        return parse_pile(out.getvalue(), name="answer")[0]
    except InputError as error:
        raise InputError(Fault(f.where.removeprefix("answer:2 "), f.what, f.mend) for f in error.faults) from None


def check_told(part: str, text: str, *, chemistry: str | None = None) -> None:
    """Hold one of the words of `unit_told` (id, chemistry, size or rated_ah) against what it may be, by itself."""
    given = {**_STANDS_IN, **({} if chemistry is None else {"chemistry": chemistry}), part: text}
    unit_told(given["id"], given["chemistry"], given["size"], given["rated_ah"])
