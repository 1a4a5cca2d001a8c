"""A run as tables: what is written reads back the same, with other readers too, and bad paths say how to mend them."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np
import pyarrow.parquet
import pytest

from hotchpot.bank.plan import Plan
from hotchpot.circuit.record import Record
from hotchpot.desk.export import QUANTITIES, Table, arrow_table, frame, happened, pandas_frame, to_csv, to_parquet
from hotchpot.errors import InputError
from hotchpot.trial import scenarios
from hotchpot.trial.trying import try_out

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))

from referee import bank, unit

HEADS: dict[Table, list[str]] = {
    "bank": ["time_s", "volts_v", "amps_a"],
    "units": ["time_s", "unit", "amps_a", "volts_v", "soc_frac", "temperature_c"],
    "wide": ["time_s", *(f"{name} {q}" for name in ("A", "B, old") for q in QUANTITIES)],
}


@pytest.fixture(scope="module")
def record() -> Record:
    """Return a short run of two units, one with a comma in its name."""
    made = bank('A // "B, old"', unit("A"), unit("B, old", ah=60))
    return try_out(made, Plan(), scenarios.discharge(made, Plan(), amps=10, hours=0.1)).record


def test_the_tables_hold_what_the_record_holds(record: Record) -> None:
    """Rows and columns of each table are those of the arrays, the long one moment by moment."""
    for table, heads in HEADS.items():
        assert frame(record, table).columns == heads
    moments = len(record.time_s)
    assert frame(record).height == frame(record, "wide").height == moments
    long = frame(record, "units")
    assert long.height == 2 * moments
    old = long.filter(long["unit"] == "B, old")
    assert np.array_equal(old["amps_a"].to_numpy(), record.unit_amps[:, 1])
    assert np.array_equal(frame(record, "wide")["B, old soc_frac"].to_numpy(), record.soc_frac[:, 1])


@pytest.mark.parametrize("table", HEADS)
def test_a_parquet_file_reads_back_the_same_by_another_reader(record: Record, table: Table, tmp_path: Path) -> None:
    """Arrow's own reader finds the same columns and the same numbers to the last bit."""
    path = tmp_path / "run.parquet"
    to_parquet(record, path, table)
    read = pyarrow.parquet.read_table(path)
    want = frame(record, table)
    assert read.column_names == want.columns
    for name in want.columns:
        assert read[name].to_pylist() == want[name].to_list()


@pytest.mark.parametrize("table", HEADS)
def test_a_csv_file_reads_back_by_the_standard_library(record: Record, table: Table, tmp_path: Path) -> None:
    """Python's own reader finds the headings, and every number to nine significant digits, moments to twelve."""
    path = tmp_path / "run.csv"
    to_csv(record, path, table)
    with path.open(newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    want = frame(record, table)
    assert head == want.columns
    for name, texts in zip(head, zip(*rows, strict=True), strict=True):
        if name == "unit":
            assert list(texts) == want[name].to_list()
            continue
        most = 12 if name == "time_s" else 9
        assert [float(text) for text in texts] == pytest.approx(want[name].to_list(), rel=0.51 * 10.0 ** (1 - most))
        digits = [text.partition("e")[0].replace("-", "").replace(".", "").strip("0") for text in texts]
        assert max(map(len, digits)) <= most


def test_every_event_has_a_row_of_its_own_and_is_named_there(record: Record) -> None:
    """The column of events names each kind and unit at its moment, and nothing elsewhere."""
    words = happened(record)
    rows = dict(zip(record.time_s.tolist(), words.to_list(), strict=True))
    assert record.events
    for event in record.events:
        named = event.kind if event.unit is None else f"{event.kind} {event.unit}"
        assert named in str(rows[event.time_s]).split("; ")
    times = {event.time_s for event in record.events}
    assert all(said is None for time, said in rows.items() if time not in times)


def test_pandas_and_arrow_hold_the_same_numbers(record: Record) -> None:
    """On request the same table comes as a pandas DataFrame or an Arrow table."""
    for table in HEADS:
        want = frame(record, table)
        assert pandas_frame(record, table).to_dict("list") == want.to_dict(as_series=False)
        assert arrow_table(record, table).to_pydict() == want.to_dict(as_series=False)


@pytest.mark.parametrize(("library", "call"), [("pandas", pandas_frame), ("pyarrow", arrow_table)])
def test_a_library_that_is_not_there_is_named(
    record: Record, library: str, call: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without pandas or pyarrow the error says which, and how to get it."""
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(InputError, match=rf"{library}: it is not installed, install it"):
        call(record)  # type: ignore[operator]


def test_bad_paths_and_tables_say_how_to_mend_them(record: Record, tmp_path: Path) -> None:
    """A folder, a folder that is not there and an unknown table each get where, what and how to mend."""
    for write in (to_csv, to_parquet):
        with pytest.raises(InputError, match="is a folder, name a file to write"):
            write(record, tmp_path)
        with pytest.raises(InputError, match=r"(its folder is not there|cannot be written)"):
            write(record, tmp_path / "nowhere" / "run.out")
    with pytest.raises(InputError, match=r"table: 'bnak' is none, did you mean 'bank'"):
        frame(record, "bnak")  # type: ignore[arg-type]
