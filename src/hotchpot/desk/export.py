"""
A run as tables: polars frames, Parquet and CSV files, and pandas or Arrow for who has them.

The bank's table has a row for each moment. The units' table is long (a row for each moment and unit) or wide (a row for
each moment, a column for each unit and quantity). Headings carry their units; amps above nought leave what they are of
(discharge), amps below nought go into it (charge).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

from hotchpot.circuit.record import Record
from hotchpot.errors import InputError, nearest

if TYPE_CHECKING:
    import pandas as pd  # type: ignore[import-untyped]  # may not be there, and has no types of its own
    import polars as pl
    import pyarrow as pa  # type: ignore[import-untyped]

Table = Literal["bank", "units", "wide"]
QUANTITIES = {"amps_a": "unit_amps", "volts_v": "unit_volts", "soc_frac": "soc_frac", "temperature_c": "temperature_c"}
DIGITS, TIME_DIGITS = 9, 12  # of numbers in text; of moments more, as ten years have 3e8 seconds
INSTALL = 'install it, or the extra that brings it: pip install "hotchpot[frames]"'


def frame(record: Record, table: Table = "bank") -> pl.DataFrame:
    """
    Return a run as a polars DataFrame.

    Parameters
    ----------
    record : Record
    table : "bank", "units" or "wide"
        ``time_s, volts_v, amps_a``; or ``time_s, unit`` and the units' amps, volts, charge and temperature; or
        ``time_s`` and a column such as ``A1 amps_a`` for each unit and quantity.

    Raises
    ------
    InputError
        If there is no such table.
    """
    import numpy as np
    import polars as pl

    if table not in get_args(Table):
        raise InputError.one("table", f"{table!r} is none", nearest(table, get_args(Table)))
    if table == "bank":
        return pl.DataFrame({"time_s": record.time_s, "volts_v": record.volts, "amps_a": record.amps})
    arrays = {name: getattr(record, field) for name, field in QUANTITIES.items()}
    if table == "wide":
        columns = {f"{unit} {name}": a[:, k] for k, unit in enumerate(record.ids) for name, a in arrays.items()}
        return pl.DataFrame({"time_s": record.time_s, **columns})
    count = len(record.ids)
    times, names = np.repeat(record.time_s, count), pl.Series(list(record.ids) * len(record.time_s), dtype=pl.String)
    return pl.DataFrame({"time_s": times, "unit": names, **{name: a.reshape(-1) for name, a in arrays.items()}})


def to_parquet(record: Record, path: Path, table: Table = "bank") -> None:
    """
    Write a table of a run as a Parquet file.

    Raises
    ------
    InputError
        If there is no such table, or the file cannot be written.
    """
    made = frame(record, table)
    with _writing(path):
        made.write_parquet(path)


def to_csv(record: Record, path: Path, table: Table = "bank") -> None:
    """
    Write a table of a run as a CSV file, numbers of nine digits.

    Raises
    ------
    InputError
        If there is no such table, or the file cannot be written.
    """
    made = shortened(frame(record, table))
    with _writing(path):
        made.write_csv(path)


def shortened(made: pl.DataFrame) -> pl.DataFrame:
    """Return a table with numbers of nine significant digits, moments of twelve: what a run is known to, and more."""
    import polars as pl

    numbers = [name for name, kind in made.schema.items() if kind == pl.Float64]
    return made.with_columns(
        pl.col(name).round_sig_figs(TIME_DIGITS if name == "time_s" else DIGITS) for name in numbers
    )


def happened(record: Record) -> pl.Series:
    """
    Return what happened at each moment of a run as a column `event`, empty where nothing did.

    The kinds of `Event`, each with its unit where it has one, several with ``;`` between. Moments that were kept only
    because something happened are told apart by it from those at even distances.
    """
    import numpy as np
    import polars as pl

    said: list[list[str]] = [[] for _ in record.time_s]
    times = np.array([event.time_s for event in record.events])
    for event, at in zip(record.events, np.searchsorted(record.time_s, times), strict=True):
        row = min(int(at), len(said) - 1)
        if said and abs(float(record.time_s[row]) - event.time_s) <= 1e-9 * max(1.0, event.time_s):
            said[row].append(event.kind if event.unit is None else f"{event.kind} {event.unit}")
    return pl.Series("event", ["; ".join(words) or None for words in said], dtype=pl.String)


def pandas_frame(record: Record, table: Table = "bank") -> pd.DataFrame:
    """
    Return a table of a run as a pandas DataFrame.

    Raises
    ------
    InputError
        If pandas is not installed, or there is no such table.
    """
    made = frame(record, table)
    try:
        import pandas as pd
    except ImportError:
        raise InputError.one("pandas", "it is not installed", INSTALL) from None
    return pd.DataFrame(
        {name: made[name].to_list() if name == "unit" else made[name].to_numpy() for name in made.columns}
    )


def arrow_table(record: Record, table: Table = "bank") -> pa.Table:
    """
    Return a table of a run as an Arrow table.

    Raises
    ------
    InputError
        If pyarrow is not installed, or there is no such table.
    """
    made = frame(record, table)
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise InputError.one("pyarrow", "it is not installed", INSTALL) from None
    return made.to_arrow()


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    """Turn what the system says of a file into where, what and how to mend it."""
    if path.is_dir():
        raise InputError.one(str(path), "is a folder", "name a file to write")
    try:
        yield
    except FileNotFoundError:
        raise InputError.one(str(path), "its folder is not there", "name a file in a folder that is") from None
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        raise InputError.one(str(path), what, "check its permissions") from None
