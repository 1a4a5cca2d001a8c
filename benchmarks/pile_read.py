"""
Time reading a pile of 10,000 invented units, beside the standard library's csv.DictReader on the same text.

Run: .venv/bin/python benchmarks/pile_read.py
"""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Callable
from functools import partial

from hotchpot.chemistry import KEYS
from hotchpot.pile.csvfile import parse_pile

ROWS = 10_000
ROUNDS = 5


def invented_pile(rows: int, *, delimiter: str = ",", decimal: str = ".") -> str:
    """Return a pile file with most columns in use; every value is made up by counting."""
    names = (
        "id chemistry cells rated_ah capacity_ah resistance_mohm rest_v rest_hours temperature_c made "
        "self_discharge_frac_month flags bms max_charge_a note"
    )
    lines = [delimiter.join(names.split())]
    for i in range(rows):
        cells = 4 + i % 3
        row = (
            f"u{i:05} {KEYS[i % 13]} {cells} {60 + i % 60} {40 + i % 50}.{i % 10} {2 + i % 7}.{i % 9} "
            f"{cells * 1.3:.2f} 24 {10 + i % 15}.5 {2008 + i % 15} 0.0{1 + i % 9} "
            f"{'dented' if i % 5 == 0 else ''} yes 20 invented"
        )
        lines.append(delimiter.join(row.replace(".", decimal).split(" ")))
    return "\n".join(lines) + "\n"


def best_s(work: Callable[[], object]) -> float:
    """Return the shortest of a few runs: the one least disturbed by the rest of the machine. [s]"""
    times = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def main() -> None:
    """Print the times and their ratio."""
    plain = invented_pile(ROWS)
    data = plain.encode()
    base_s = best_s(lambda: list(csv.DictReader(io.StringIO(plain))))
    print(f"csv.DictReader, {ROWS} rows: {base_s:.3f} s")
    for title, text in (
        ("parse_pile", data),
        ("parse_pile, decimal commas", invented_pile(ROWS, delimiter=";", decimal=",").encode()),
        ("parse_pile, heading in mAh", data.replace(b"capacity_ah", b"capacity [mAh]", 1)),
    ):
        took_s = best_s(partial(parse_pile, text, name="pile.csv"))
        print(f"{title}: {took_s:.3f} s, {took_s / base_s:.1f} times csv.DictReader")


if __name__ == "__main__":
    main()
