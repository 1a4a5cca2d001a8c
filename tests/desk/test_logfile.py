"""Logger's files from end to end: every layout gives the same log, and every bad file one clear error."""

from __future__ import annotations

import gzip
import math
import mmap
import zipfile
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hotchpot.bench.trace import Flow
from hotchpot.desk.evidence import load_evidence
from hotchpot.desk.logs.logcells import Cells
from hotchpot.desk.logs.logfile import LogReport, read_log
from hotchpot.desk.logs.logprobe import probe
from hotchpot.errors import InputError
from hotchpot.pile import Unit

DATA = Path(__file__).resolve().parents[3] / "shared" / "data"
Row = tuple[object, ...]
START = datetime(2024, 3, 30, 22, 0, 0, tzinfo=UTC)


def invented(count: int = 4000) -> list[tuple[float, float, float, float]]:
    """Return rows of an invented battery: time, volts, amps positive on discharge, temperature."""
    rows = []
    drawn = 0.0
    for k in range(count):
        a = (5.0, -4.0, 5.0, 0.0)[k // 500 % 4]
        drawn += a * 10.0 / 3600.0
        rows.append((k * 10.0, round(12.7 - 0.02 * a - 0.02 * drawn, 4), a, 22.5))
    return rows


ROWS = invented()
# Five stretches of discharge and two of charge; by the trapezium rule each interval between +5 and -4 A is 0.5 A.
OUT_AH = 27.749


def written(
    path: Path,
    rows: Sequence[Row] = ROWS,
    head: str = "t_s,U [V],I [A],temp_C",
    *,
    end: str = "\n",
    delimiter: str = ",",
) -> Path:
    """Write a file of rows and return its path."""
    lines = ([head] if head else []) + [delimiter.join(map(str, row)) for row in rows]
    path.write_bytes((end.join(lines) + end).encode())
    return path


def stamp(form: str) -> Callable[[float], str]:
    """Return a writer of times as dates."""
    return lambda seconds: (START + timedelta(seconds=seconds)).strftime(form)


def codes(report: LogReport) -> set[str]:
    """Return the codes of a report's remarks."""
    return {remark.code for remark in report.remarks}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Return where a test may write its log."""
    return tmp_path / "log.csv"


@pytest.fixture
def long_files(monkeypatch: pytest.MonkeyPatch) -> None:
    """Treat files of some kilobytes as long ones, which are read in one scan."""
    monkeypatch.setattr("hotchpot.desk.logs.logprobe.WINDOW_BYTES", 2048)
    monkeypatch.setattr("hotchpot.desk.logs.logprobe._MOST_WINDOWS", 8)


def refused(path: Path, match: str, **options: str) -> None:
    """Hold that a file is refused with one fault, and left as it was."""
    before = (path.stat().st_size, path.stat().st_mtime_ns)
    with pytest.raises(InputError, match=match) as caught:
        read_log(path, **options)
    assert len(caught.value.faults) == 1
    assert (path.stat().st_size, path.stat().st_mtime_ns) == before


# --- every layout, one log -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("long", [False, True], ids=["short", "long"])
@pytest.mark.parametrize(
    ("head", "row", "end"),
    [
        ("t_s,U,I,temp", lambda t, v, a, c: f"{t},{v},{a},{c}", "\n"),
        ("t_s,U,I", lambda t, v, a, c: f"{t},{v},{a}", "\r\n"),
        ("t_s, U, I ", lambda t, v, a, c: f"{t}, {v}, {a} ", "\n"),
        ("Zeit [min];Spannung [mV];Strom [A]", lambda t, v, a, c: f"{t / 60};{v * 1000};{a}".replace(".", ","), "\n"),
        ("# invented\n# t_s\tU\tI", lambda t, v, a, c: f"{t}\t{v}\t{a}", "\n"),
        ('"t_s","U, volts","I"', lambda t, v, a, c: f'"{t}","{v}","{a}"', "\n"),
        ("Datum;U;I", lambda t, v, a, c: f"{stamp('%d.%m.%Y %H:%M:%S')(t)};{v};{a}".replace(".", ",", 0), "\n"),
        ("time,U,I", lambda t, v, a, c: f"{stamp('%Y-%m-%d %H:%M:%S')(t)},{v},{a}", "\n"),
        ("U,I,time", lambda t, v, a, c: f"{v},{a},{stamp('%Y-%m-%dT%H:%M:%SZ')(t)}", "\n"),
        ("time,U,I", lambda t, v, a, c: f"{stamp('%Y-%m-%dT%H:%M:%S')(t)}.250+01:00,{v},{a}", "\n"),
        ("time,U,I", lambda t, v, a, c: f"{stamp('%m/%d/%Y %I:%M:%S %p')(t)},{v},{a}", "\n"),
        ("Date,Time,U,I", lambda t, v, a, c: f"{stamp('%Y-%m-%d,%H:%M:%S')(t)},{v},{a}", "\n"),
        ("time,U,I", lambda t, v, a, c: f"{stamp('%H:%M:%S')(t)},{v},{a}", "\n"),
        ("ts,U,I", lambda t, v, a, c: f"{1700000000000 + t * 1000:.0f},{v},{a}", "\n"),
        ("", lambda t, v, a, c: f"{t},{v},{a}", "\n"),
    ],
    ids=["plain", "crlf", "spaces", "german", "comments", "quotes", "d.m.Y", "iso", "zone Z", "zone", "am pm",
         "two columns", "time of day", "epoch ms", "no headings"],
)  # fmt: skip
def test_every_layout_gives_the_same_log(
    file: Path,
    head: str,
    row: Callable[[float, float, float, float], str],
    end: str,
    *,
    long: bool,
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """However the same rows are written, in a short file or a long one, the log has the same pieces and charge."""
    if long:
        request.getfixturevalue("long_files")
        if not head.endswith(" "):  # cells with spaces after them ask for a second, careful look; no others do
            monkeypatch.delattr("hotchpot.desk.logs.logfile.blocks_of")
    written(file, [(row(*values),) for values in ROWS], head, end=end)
    report = read_log(file)
    assert report.rows == len(ROWS)
    assert report.log.out_ah == pytest.approx(OUT_AH, abs=0.001)
    assert report.log.span_s == pytest.approx(39_990.0)
    assert [str(piece.flow) for piece in report.log.pieces] == ["discharge", "charge", "discharge", "rest"] * 2
    assert report.sign == 1


def test_the_pieces_have_lines_and_dates(file: Path) -> None:
    """A log of dates knows when it began; its pieces know their lines."""
    written(file, [(stamp("%Y-%m-%dT%H:%M:%S")(t), v, a) for t, v, a, _ in ROWS], "time,U,I")
    log = read_log(file).log
    assert log.start == "2024-03-30T22:00:00"
    assert [piece.line for piece in log.pieces][:3] == [2, 502, 1002]
    assert log.columns["volts"].startswith("U [V]: heading 'U'")


def test_blocks_of_any_size_give_the_same_log(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the file is cut into blocks makes no difference, odd cells included."""
    rows: list[Row] = [(t, "OVER" if k % 701 == 5 else v, a, c if k % 3 else "") for k, (t, v, a, c) in enumerate(ROWS)]
    written(file, rows)
    whole = read_log(file)
    for size in (3000, 5001, 40_000):
        monkeypatch.setattr("hotchpot.desk.logs.logprobe.BLOCK_BYTES", size)
        again = read_log(file)
        assert (again.rows, again.log.out_wh, again.log.out_ah) == (whole.rows, whole.log.out_wh, whole.log.out_ah)
        assert again.remarks == whole.remarks


def test_progress_is_told(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was read so far is told as a rising fraction that ends at one."""
    monkeypatch.setattr("hotchpot.desk.logs.logprobe.BLOCK_BYTES", 20_000)
    told: list[float] = []
    read_log(written(file), progress=told.append)
    assert len(told) > 3
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)


@pytest.mark.usefixtures("long_files")
def test_a_long_file_keeps_its_temperature(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where only samples of the temperature are read, the pieces still have its mean."""
    monkeypatch.setattr("hotchpot.desk.logs.logstraight._MANY_ROWS", 100)
    monkeypatch.setattr("hotchpot.desk.logs.logstraight._PIECE_BYTES", mmap.PAGESIZE)
    rows = [(t, v, a, round(20.0 + t / 10_000.0, 3)) for t, v, a, _ in ROWS]
    log = read_log(written(file, rows)).log
    for piece in log.pieces:
        assert piece.trace.temperature_c == pytest.approx(20.0 + (piece.start_s + piece.end_s) / 2e4, abs=0.05)


@pytest.mark.usefixtures("long_files")
@pytest.mark.parametrize("oddity", ["text", "torn", "glued", "blank", "comment", "cut"])
def test_a_long_file_with_an_odd_place_is_read_as_a_short_one(
    file: Path, oddity: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The straight way through a long file finds the odd place, and what comes out is what the careful way gives."""
    lines = written(file).read_text().splitlines()
    odd = {
        "text": lines[3000].replace(",22.5", ",OVER"),
        "torn": lines[3000][:-9],
        "glued": lines[3000] + lines[3001],
        "blank": "",
        "comment": "# paused",
        "cut": lines[3000],
    }
    lines[3000] = odd[oddity]
    file.write_text("\n".join(lines)[: -12 if oddity == "cut" else None])
    straight = read_log(file)
    monkeypatch.setattr("hotchpot.desk.logs.logfile.goes_straight", lambda found: False)
    careful = read_log(file)
    assert straight.remarks == careful.remarks
    assert (straight.rows, straight.log.out_ah, straight.log.out_wh) == (
        careful.rows,
        careful.log.out_ah,
        careful.log.out_wh,
    )
    assert straight.rows == len(ROWS) - (oddity not in ("text",))


# --- sign ------------------------------------------------------------------------------------------------------------


def test_the_sign_is_found_from_the_voltage(file: Path) -> None:
    """A file with current positive on charge is turned; the report says why."""
    written(file, [(t, v, -a, c) for t, v, a, c in ROWS])
    report = read_log(file)
    assert report.sign == -1
    assert report.log.out_ah == pytest.approx(OUT_AH, abs=0.001)
    assert "positive is charge" in report.evidence
    assert report.log.pieces[0].flow is Flow.DISCHARGE
    assert (report.log.pieces[0].trace.amps > 0).all()
    stated = read_log(file, columns="amps=-I")
    assert (stated.sign, stated.log.out_ah) == (-1, pytest.approx(OUT_AH, abs=0.001))
    assert read_log(file, sign="charge").sign == -1


def test_a_stated_sign_that_the_voltage_contradicts_is_one_error(file: Path) -> None:
    """A convention that the physics contradicts says which, by what evidence, and what to write."""
    written(file)
    refused(file, r"sign 'charge' contradicts the voltage.*write sign 'discharge'", sign="charge")
    refused(file, r"'amps=-I \[A\]' contradicts the voltage.*write columns 'amps=I \[A\]'", columns="amps=-I")
    written(file, [(t, v, -a, c) for t, v, a, c in ROWS])
    refused(file, r"sign 'discharge' contradicts the voltage", sign="discharge")
    with pytest.raises(InputError, match="no direction"):
        read_log(file, sign="up")


def test_a_sign_that_cannot_be_told_is_asked_for(file: Path) -> None:
    """Current of one sign under a flat voltage asks for the sign; stated, it is taken, and a heading may state it."""
    flat = [(t, 12.6, abs(a) + 1.0, c) for t, _, a, c in ROWS]
    written(file, flat)
    refused(file, "cannot be told.*state it: sign 'discharge' or sign 'charge'")
    assert read_log(file, sign="discharge").log.out_ah > 0
    assert read_log(file, columns="amps=-I").log.out_ah == 0
    written(file, flat, "t_s,U,charge current,temp_C")
    report = read_log(file)
    assert (report.sign, report.log.out_ah) == (-1, 0.0)
    assert "by the heading" in report.evidence


def test_a_current_without_sign_is_not_taken_for_one(file: Path) -> None:
    """Where steps up lift the voltage as often as they lower it, the current has no sign, and that is said."""
    rows: list[Row] = []
    for k in range(4000):
        a = (5.0, 0.0, -5.0, 0.0)[k // 100 % 4]
        rows.append((k, round(12.6 - 0.02 * a, 4), abs(a)))
    refused(written(file, rows, "t_s,U,I"), "seems to have no sign")


# --- bad files -------------------------------------------------------------------------------------------------------


def test_no_file_a_folder_and_nothing(tmp_path: Path) -> None:
    """No file, a folder and an empty file say so."""
    with pytest.raises(InputError, match="no such file"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(InputError, match="is a folder"):
        read_log(tmp_path)
    empty = tmp_path / "empty.csv"
    empty.touch()
    refused(empty, "is empty")


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"t,U,I\n", "no rows of numbers"),
        (bytes(range(256)) * 400, "not text"),
        (bytes(5000), "zero bytes only"),
        ("t,U,I\n0,12.6,5\n1,12.6,5\n".encode("utf-16"), "UTF-16.*UTF-8"),
        ("t,U,I\n0,12.6,5\n1,12.6,5\n".encode("utf-16-le"), "UTF-16.*UTF-8"),
        (gzip.compress(b"t,U,I\n0,12.6,5\n"), "gzip.*unpack"),
        (b"\xd0\xcf\x11\xe0" + bytes(4000), "old workbook.*CSV"),
        (b"%PDF-1.7\n", "is a PDF"),
        (b"t,U,I\r0,12.6,5\r1,12.6,5\r2,12.6,5\r", "lone CR"),
    ],
    ids=["header only", "binary", "zeros", "utf-16", "utf-16 bare", "gzip", "workbook", "pdf", "cr"],
)
def test_what_is_no_table_is_one_error(file: Path, content: bytes, match: str) -> None:
    """A file that holds no table of text is refused by what it is, with what to do."""
    file.write_bytes(content)
    refused(file, match)


def test_an_archive_is_one_error(tmp_path: Path) -> None:
    """A zip archive, as workbooks are, is named."""
    path = tmp_path / "log.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("sheet.xml", "<x/>")
    refused(path, "zip archive or a workbook")


def test_a_line_without_end_is_never_read(file: Path) -> None:
    """A line of gigabytes, of digits or of nothing, is refused from a few windows of it."""
    with file.open("wb") as out:
        out.write(b"t,U,I\n0,12.6,5\n1,12.6,5\n2,")
        out.truncate(4 << 30)  # a sparse file: nothing of it is on the disk
    refused(file, "a line without end")
    with file.open("wb") as out:
        out.write(b"t,U,I\n0,12.6,5\n1,12.6,5\n2,")
        out.write(b"7" * (20 << 20))
    refused(file, "a line without end: no line break in the 64 KB from byte 1048576")
    file.write_bytes(b"1,2,3," * 100_000)
    refused(file, "a line without end")


def test_a_line_that_the_windows_miss_is_caught_on_the_way(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A block without a line break is refused even where no window fell into it."""
    lines = "".join(f"{k},{12.6 - 0.001 * k:.3f},5\n" for k in range(500))
    file.write_text(f"t,U,I\n{lines}{'7' * 300_000}\n{lines}")
    monkeypatch.setattr("hotchpot.desk.logs.logprobe.BLOCK_BYTES", 100_000)
    refused(file, "a line without end")


def test_words_among_numbers_are_missing_values(file: Path) -> None:
    """A few cells such as OVER or --- are missing, told with their lines; NaN is not worth a word."""
    rows: list[Row] = [
        (t, "OVER" if k in (7, 900) else "---" if k % 997 == 3 else v, a, "NaN" if k % 5 else c)
        for k, (t, v, a, c) in enumerate(ROWS)
    ]
    report = read_log(written(file, rows))
    remark = next(r for r in report.remarks if r.code == "log-text")
    assert "2 cells of column 'U [V]'" in remark.says
    assert "'OVER' at line 9, 'OVER' at line 902" in remark.says
    assert report.log.out_ah == pytest.approx(OUT_AH, abs=0.001)


def test_a_column_mostly_of_text_is_one_error(file: Path) -> None:
    """Text in most rows is no log, whether it begins at the head or far behind it."""
    written(file, [(t, "abc", a, c) for t, _, a, c in ROWS])
    refused(file, r"holds text, not volts: 'abc'.* at lines 2, 3, 4")
    written(file, [(t, v if k < 1000 else "abc", a, c) for k, (t, v, a, c) in enumerate(ROWS)])
    refused(file, r"holds text in 3000 rows: 'abc' at line 1002, 'abc' at line 1003")


def test_two_clocks_are_one_error(file: Path) -> None:
    """Two clocks in one column say the lines; two columns that disagree say which to choose from."""
    written(file, [(t + (86400.0 if k % 2 else 0.0), v, a, c) for k, (t, v, a, c) in enumerate(ROWS)])
    refused(file, r"goes back at lines 4, 6, 8.*two clocks")
    written(file, [(t, t * 1.5, v, a) for t, v, a, _ in ROWS], "t_s,time2 [s],U,I")
    refused(file, r"two columns of time disagree.*'time=t_s' or columns 'time=time2 \[s\]'")
    assert read_log(file, columns="time=t_s").log.out_ah == pytest.approx(OUT_AH, abs=0.001)
    written(file, [(t, stamp("%Y-%m-%d %H:%M:%S")(t), v, a) for t, v, a, _ in ROWS], "t_s,time_utc,U,I")
    assert read_log(file).columns.time.name == "t_s"


def test_rows_with_too_few_fields(file: Path) -> None:
    """One torn row is left out and told with its line; many are an error."""
    torn = [row if k != 1200 else row[:2] for k, row in enumerate(ROWS)]
    report = read_log(written(file, torn))
    assert "first at lines 1202" in next(r for r in report.remarks if r.code == "log-short-rows").says
    assert report.rows == len(ROWS) - 1
    glued = [row if k != 1200 else (*row, *row) for k, row in enumerate(ROWS)]
    assert "log-short-rows" in codes(read_log(written(file, glued)))
    refused(written(file, [row if k % 3 else row[:2] for k, row in enumerate(ROWS)]), "have not all their fields")


@pytest.mark.parametrize(("cut", "left"), [(1, 4000), (2, 3999), (9, 3999)])
def test_a_last_line_that_is_cut_off(file: Path, cut: int, left: int) -> None:
    """A last line without its end is dropped and told; one that lacks its line break only is kept."""
    written(file)
    file.write_bytes(file.read_bytes()[:-cut])
    report = read_log(file)
    assert report.rows == left
    assert ("log-cut-line" in codes(report)) is (left < 4000)
    file.write_bytes(file.read_bytes() + bytes(7000))
    assert "log-zero-bytes" in codes(read_log(file))


def test_comments_and_blank_lines_between_rows(file: Path) -> None:
    """Lines of comment and blank lines are left out, and the lines of what follows stay right."""
    lines = written(file).read_text().splitlines()
    lines[300:300] = ["# paused", ""]
    lines[900] = lines[900].replace(",5.0,", ",OVER,").replace(",-4.0,", ",OVER,")
    file.write_text("\n".join(lines) + "\n")
    report = read_log(file)
    assert report.rows == len(ROWS)
    assert "'OVER' at line 901" in next(r for r in report.remarks if r.code == "log-text").says
    assert report.log.pieces[1].line == 504


def test_a_run_of_missing_values_is_told(file: Path) -> None:
    """A long run of NaN under load says how much it could hide."""
    rows: list[Row] = [(t, "nan", "nan", c) if 100 < k < 400 else (t, v, a, c) for k, (t, v, a, c) in enumerate(ROWS)]
    report = read_log(written(file, rows))
    remark = next(r for r in report.remarks if r.code == "log-missing-run")
    assert "299 rows without a value" in remark.says
    assert "4.17 Ah could hide" in remark.says


# --- units -----------------------------------------------------------------------------------------------------------


def test_the_published_file_of_two_batteries() -> None:
    """One file, two batteries, temperature on its own rows, two columns of time: the published charges come out."""
    path = DATA / "lead_acid_cc_discharge" / "log.csv"
    if not path.exists():
        pytest.skip("the open data are not beside this checkout")
    report = read_log(path)
    assert set(report.logs) == {"A", "B"}
    assert report.sign == 1
    runs = [piece.out_ah for piece in report.logs["B"].pieces if piece.flow is Flow.DISCHARGE]
    assert runs == [pytest.approx(14.113, abs=0.01)]
    assert read_log(path, unit="B").logs.keys() == {"B"}
    with pytest.raises(InputError, match="'only=A'; known are: A, B"):
        read_log(path, unit="Q9")


@pytest.mark.parametrize("file", ["cell_hppc_25C.csv", "string_6s2p_discharge.csv"])
def test_published_files_with_charge_positive(file: str) -> None:
    """Logs whose READMEs say that positive is charge are found to be so from their voltage."""
    path = DATA / "series_string_6s2p" / file
    if not path.exists():
        pytest.skip("the open data are not beside this checkout")
    assert read_log(path).sign == -1


def test_units_in_turn_share_a_file(file: Path) -> None:
    """Rows of two batteries that stand in turn are two logs, each with its own clock and lines."""
    rows = [row for t, v, a, c in ROWS for row in ((t, "A", v, a), (t + 5.0, "B", v + 0.1, a / 2))]
    report = read_log(written(file, rows, "t_s,battery,U,I"))
    assert report.logs["A"].out_ah == pytest.approx(OUT_AH, abs=0.001)
    assert report.logs["B"].out_ah == pytest.approx(OUT_AH / 2, abs=0.001)
    assert report.logs["B"].pieces[1].line == 1003
    many = [(t, f"n{k % 300}", v, a) for k, (t, v, a, _) in enumerate(ROWS)]
    refused(written(file, many, "t_s,what,U,I"), "more than 200 different values", columns="unit=what")


def two_channels(file: Path) -> Path:
    """Write a file of two batteries by the names of the logger's channels."""
    rows = [row for t, v, a, _ in ROWS for row in ((t, "ch1", v, a), (t + 5.0, "ch2", v + 0.1, a / 2))]
    return written(file, rows, "t_s,channel,U,I")


def test_a_channel_is_named_as_the_file_does(file: Path) -> None:
    """only=ch2 takes that channel, under the unit's name where one is given; whatever is not there says what is."""
    two_channels(file)
    report = read_log(file, columns="only=ch2", unit="A3")
    assert report.logs.keys() == {"A3"}
    assert {piece.unit for piece in report.log.pieces} == {"A3"}
    assert report.log.out_ah == pytest.approx(OUT_AH / 2, abs=0.001)
    assert read_log(file, columns="unit=channel, only=ch1").log.out_ah == pytest.approx(OUT_AH, abs=0.001)
    told = "no rows of 'A3' in its column 'channel', name it .* columns 'only=ch1'; known are: ch1, ch2"
    refused(file, told, unit="A3")
    refused(file, "did you mean 'ch2'?", columns="only=CH2")
    refused(written(file), "no column tells batteries apart, so none is 'ch1'", columns="only=ch1")


def test_the_one_battery_of_a_file_is_the_unit(file: Path) -> None:
    """Where the column of units has one name only, the file is that of the unit that is asked for."""
    written(file, [(t, "ch1", v, a) for t, v, a, _ in ROWS], "t_s,channel,U,I")
    report = read_log(file, unit="A3")
    assert report.logs.keys() == {"A3"}
    assert report.log.out_ah == pytest.approx(OUT_AH, abs=0.001)


def test_channels_are_named_in_the_readings_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two rows of a readings file take a channel each of one logger's file, which is read once."""
    two_channels(tmp_path / "both.csv")
    units = [Unit(id=name, chemistry="lead_agm", cells=6, rated_ah=20.0, rated_hours=20.0) for name in ("A3", "A4")]
    book = tmp_path / "readings.csv"
    book.write_text("unit,kind,file,columns\nA3,log,both.csv,only=ch1\nA4,log,both.csv,only=ch2\n", "utf-8")
    evidence = load_evidence(book, units)
    assert len(evidence.reports) == 1
    drawn = [evidence.logs[name, "both.csv"][0].out_ah for name in ("A3", "A4")]
    assert drawn == [pytest.approx(OUT_AH, abs=0.001), pytest.approx(OUT_AH / 2, abs=0.001)]
    book.write_text("unit,kind,file\nA3,log,both.csv\n", "utf-8")
    with pytest.raises(InputError, match=r"readings.csv:2 file: both.csv: no rows of 'A3'.* known are: ch1, ch2"):
        load_evidence(book, units)
    book.write_text("unit,kind,file,columns\nA3,log,both.csv,only=ch3\n", "utf-8")
    with pytest.raises(InputError, match=r"readings.csv:2 columns: both.csv: no rows of 'ch3'"):
        load_evidence(book, units)


@pytest.mark.parametrize(
    ("head", "row", "start"),
    [
        ("t_s,stamp,U,I", lambda t: f"{t + 40},{stamp('%Y-%m-%dT%H:%M:%S')(t)}", "2024-03-30T22:00:00"),
        ("time_utc,t_s,U,I", lambda t: f"{stamp('%d.%m.%Y %H:%M')(t)},{t}", "2024-03-30T22:00:00"),
        ("t_min,unixtime,U,I", lambda t: f"{t / 60},{int(START.timestamp() + t)}", "2024-03-30T22:00:00"),
        ("t_s,Date,Time,U,I", lambda t: f"{t},{stamp('%Y-%m-%d,%H:%M:%S')(t)}", "2024-03-30T22:00:00"),
        ("t_s,bought,U,I", lambda t: f"{t},2019-05-01 00:00:00", None),
        ("t_s,U,I", lambda t: f"{t}", None),
    ],
    ids=["iso", "minutes", "epoch", "two columns", "another date", "none"],
)
@pytest.mark.parametrize("stated", [None, "time=1"])
def test_a_date_beside_the_seconds_tells_the_start(
    file: Path, head: str, row: Callable[[float], str], start: str | None, stated: str | None
) -> None:
    """A log counts its seconds, and begins when the dates beside them say; a date that stands still says nothing."""
    if stated and not head.startswith("t_"):
        stated = "time=t_s"
    file.write_text("\n".join([head, *(f"{row(t)},{v},{a}" for t, v, a, _ in ROWS)]) + "\n", "utf-8")
    log = read_log(file, columns=stated).log
    assert log.start == start
    assert log.pieces[0].end_s - log.pieces[0].start_s == pytest.approx(5000.0, abs=10.0)


@pytest.mark.parametrize("name", ["stamp", "time_utc"])
@pytest.mark.parametrize("long", [False, True], ids=["short", "long"])
def test_dates_go_before_seconds_that_begin_anew(file: Path, name: str, long: bool, request: Any) -> None:
    """Where the seconds begin anew and a column of dates goes on, the dates are the time, and nothing is guessed."""
    if long:
        request.getfixturevalue("long_files")
    rows = [(t % 21_230.0, stamp("%Y-%m-%dT%H:%M:%SZ")(t), v, a) for t, v, a, _ in ROWS]
    report = read_log(written(file, rows, f"t_s,{name},U,I"))
    assert report.log.out_ah == pytest.approx(OUT_AH, abs=0.001)
    assert report.log.start == "2024-03-30T22:00:00"
    assert "begins anew" in report.columns.time.why
    assert codes(report) & {"log-clock-restart", "log-clock-jump"} == set()


def test_windows_of_a_second_clock(file: Path) -> None:
    """The times of another column can be read alone, window by window."""
    written(file, [(t, stamp("%Y-%m-%d %H:%M:%S")(t), v, a) for t, v, a, _ in ROWS], "t_s,time_utc,U,I")
    found = probe(file)
    columns = read_log(file).columns
    seconds = Cells(found.head, columns, name="log.csv").times(found.windows[0], columns.other_times[0])
    assert np.diff(seconds).tolist() == [10.0] * (len(ROWS) - 1)
    assert math.isfinite(seconds.sum())
