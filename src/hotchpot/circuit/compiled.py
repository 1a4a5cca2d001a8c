"""
How the circuit's functions are compiled: one decorator, so that all are compiled alike.

Arrays are never made or let go inside, so numba's counting of references is off (`_nrt`, an option that numba keeps to
itself): it cost more than half of the time, at every call and for every array. Divisions by nought give infinities, as
in numpy. Sums may be taken in any order, but not-a-number stays what it is.

numba keeps compiled code by the date of the file that a function stands in. After a change to a function that others
call delete the ``__pycache__`` of this folder (``make clean`` does).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit

_FAST = {"contract", "reassoc", "arcp", "nsz"}
_HOW: dict[str, Any] = {"fastmath": _FAST, "error_model": "numpy", "_nrt": False}


def compiled(function: Callable[..., Any]) -> Any:
    """Return the function compiled, kept on disk, and free of Python's lock."""
    return njit(cache=True, nogil=True, **_HOW)(function)


def inlined(function: Callable[..., Any]) -> Any:
    """Return the function compiled into each of its callers."""
    return njit(inline="always", **_HOW)(function)
