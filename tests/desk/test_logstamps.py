"""Dates of one width read by their bytes, held against Python's datetime and against polars' own parser."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from hotchpot.bench.logs.logtimes import time_form
from hotchpot.desk.logs.logfile import read_log
from hotchpot.desk.logs.logstamps import Stamps

_BEGIN = datetime(2023, 12, 30, 22, 59, 58, 250_000)
_FORMS = [
    ("%Y-%m-%d %H:%M:%S", 0, ""),
    ("%Y-%m-%dT%H:%M:%S", 3, "Z"),
    ("%d.%m.%Y %H:%M:%S", 6, ""),
    ("%m/%d/%Y %H:%M:%S", 1, "+01:00"),
]


def _stamps(texts: list[str], *, clock: int, digits: int) -> tuple[Stamps, pl.Series]:
    form = time_form(texts[:3])
    assert form is not None
    stamps = Stamps(0, form, width=len(texts[0]), clock=clock, digits=digits)
    return stamps, pl.DataFrame({"f0": texts}).select(stamps.wanted)["time"]


@pytest.mark.parametrize(("pattern", "digits", "tail"), _FORMS)
def test_bytes_say_what_datetime_says(pattern: str, digits: int, tail: str) -> None:
    """Over several midnights and a new year every date comes out as Python's datetime writes it, to its last digit."""
    moments = [_BEGIN + timedelta(seconds=977.25 * k) for k in range(500)]
    texts = [m.strftime(pattern) + (f".{m.microsecond:06d}"[: digits + 1] if digits else "") + tail for m in moments]
    stamps, cells = _stamps(texts, clock=len(_BEGIN.strftime(pattern)) - 8, digits=digits)
    scale = 10 ** (6 - digits)
    cut = [m.replace(microsecond=m.microsecond // scale * scale) for m in moments]
    wanted = [(m - _BEGIN.replace(microsecond=0)).total_seconds() for m in cut]
    shift = -3600.0 if tail.startswith("+") else 0.0
    start_s = (_BEGIN.replace(microsecond=0) - datetime(1970, 1, 1)).total_seconds() + shift
    assert stamps.seconds(cells, start_s) == pytest.approx(np.array(wanted), abs=1e-7)


@pytest.mark.parametrize(
    "odd", ["01 24:00:00", "01 10:60:00", "01 10:0::00", "40 10:00:00", "01 10-00-00", "01 1O:00:00"]
)
def test_odd_dates_are_errors(odd: str) -> None:
    """A time past its range, a letter for a nought, a day that no calendar has: each sends the file the careful way."""
    stamps, cells = _stamps(["2024-01-01 10:00:00"] * 3 + [f"2024-01-{odd}"], clock=11, digits=0)
    with pytest.raises(pl.exceptions.PolarsError):
        stamps.seconds(cells, 0.0)


def _write(path: Path, times: list[str]) -> None:
    rows = (f"{time},{12.7 - 1e-5 * k:.4f},5.0\n" for k, time in enumerate(times))
    path.write_text("time,volts [V],amps [A]\n" + "".join(rows))


def test_straight_and_general_reading_agree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A long file of dates gives one log, whichever of the two ways its dates were read."""
    path = tmp_path / "long.csv"
    begin = datetime(2024, 3, 30, 20, 0, 0)
    _write(path, [str(begin + timedelta(seconds=k)) for k in range(250_000)])
    fast = read_log(path).logs[""]
    monkeypatch.setattr(Stamps, "found", classmethod(lambda *_: None))
    slow = read_log(path).logs[""]
    assert fast.span_s == slow.span_s == 249_999.0
    assert fast.out_ah == pytest.approx(slow.out_ah, rel=1e-12)
    assert fast.start == slow.start


def test_one_bad_date_far_down_is_told(tmp_path: Path) -> None:
    """A cell that is no date, deep in a long file, leaves a remark with its line; no other row is lost."""
    path = tmp_path / "bad.csv"
    times = [str(datetime(2024, 1, 1) + timedelta(seconds=k)) for k in range(250_000)]
    times[200_000] = "2024-01-03 xx:33:20"
    _write(path, times)
    report = read_log(path)
    assert report.rows >= 249_999
    assert any("200002" in remark.says for remark in report.remarks)
