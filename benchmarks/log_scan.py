"""
Time reading a logger's file of ten million invented rows, beside a plain scan of the same file by polars.

The plain scan parses every column and takes the largest of each. Both are run in turn, and medians compared; the peak
of memory is that of a process of its own that reads the file once. The file is made in a temporary folder.

Run: .venv/bin/python benchmarks/log_scan.py [--rows 10000000] [--rounds 5]
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

from hotchpot.desk.logs.logfile import read_log

ROWS = 10_000_000
ROUNDS = 5
AT_ONCE = 500_000
CYCLE_S = 40_000
MOST_RATIO = 1.5
MOST_MIB = 1024


def write_log(path: Path, rows: int, *, dated: bool) -> None:
    """Write an invented log: a sample a second, hours of discharge, charge and rest in turn, time as number or date."""
    with path.open("wb") as file:
        file.write(b"time,voltage [V],current [A],temp [C]\n")
        for start in range(0, rows, AT_ONCE):
            t = np.arange(start, min(start + AT_ONCE, rows))
            phase = (t % CYCLE_S) / CYCLE_S
            amps = np.where(phase < 0.4, 5.0, np.where(phase < 0.9, -4.0, 0.0)) + ((t * 7919) % 41 - 20) * 1e-3
            volts = 12.7 - 0.02 * amps - np.where(phase < 0.4, phase, 0.9 - phase)
            time_s: pl.Series = pl.Series("t", t.astype(float))
            if dated:
                time_s = pl.Series("t", t * 1_000_000 + 1_700_000_000_000_000).cast(pl.Datetime("us"))
            frame = pl.DataFrame({"t": time_s, "v": volts.round(4), "a": amps.round(4), "c": np.full(t.size, 21.5)})
            frame.write_csv(file, include_header=False, datetime_format="%Y-%m-%d %H:%M:%S")


def plain_scan(path: Path) -> None:
    """Scan every column of a file, as quickly as polars does."""
    pl.scan_csv(path).select(pl.all().max()).collect(engine="streaming")


def took_s(work: Callable[[], object]) -> float:
    """Return how long some work takes. [s]"""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def peak_mib(path: Path) -> float:
    """Return the most memory that reading a file takes, in a process of its own. [MiB]"""
    code = (
        "import resource, sys; from hotchpot.desk.logs.logfile import read_log; read_log(sys.argv[1]); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != 'darwin' else 1048576))"
    )
    outcome = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    return float(outcome.stdout)


def main() -> None:
    """Print times, ratio and memory for times as numbers and as dates."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=ROWS)
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for title, dated in (("seconds", False), ("dates", True)):
            path = Path(folder) / f"{title}.csv"
            write_log(path, options.rows, dated=dated)
            plain, read = [], []
            for _ in range(options.rounds + 1):  # the first of each warms the disk's cache and the libraries
                plain.append(took_s(lambda p=path: plain_scan(p)))
                read.append(took_s(lambda p=path: read_log(p)))
            base_s, read_s = statistics.median(plain[1:]), statistics.median(read[1:])
            size_mb = path.stat().st_size / 1e6
            print(f"time as {title}: {options.rows} rows, {size_mb:.0f} MB")
            print(f"  plain scan by polars: {base_s:.3f} s")
            print(f"  read_log: {read_s:.3f} s, {read_s / base_s:.2f} times the plain scan (limit {MOST_RATIO})")
            print(f"  memory at most: {peak_mib(path):.0f} MiB (limit {MOST_MIB})")
            path.unlink()


if __name__ == "__main__":
    main()
