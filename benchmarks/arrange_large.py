"""
Time sharing hundreds of cells out, beside HiGHS (scipy's milp), and prtpy where it is installed, on the same cells.

Wanted: 14 groups from 1,400 cells within 1 mAh in 50 ms, their conductance within 0.1 % too in 1 s, 10,000 cells into
16 in 0.5 s. Times are medians after a warm-up. HiGHS gets LIMIT_S and tells the smallest group it has by then; prtpy is
its greedy search and its differencing, as its complete searches do not end on hundreds of numbers.

Run: .venv/bin/python benchmarks/arrange_large.py
"""

from __future__ import annotations

import math
import platform
import statistics
import time
from collections.abc import Callable
from functools import partial
from random import Random
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, hstack, kron, vstack

from hotchpot.arrange.evening import evened
from hotchpot.arrange.partition import balanced, chosen

ROUNDS = 9
LIMIT_S = 20.0


def pack(kind: str, count: int) -> list[float]:
    """Return invented capacities; every value is drawn from one seed. [Ah]"""
    rng = Random(1)
    draw: dict[str, Callable[[], float]] = {
        "bell-shaped, 5 %": lambda: min(3.0, max(2.0, rng.gauss(2.5, 0.125))),
        "heavy-tailed": lambda: 2.0 * rng.paretovariate(3),
        "in three clusters": lambda: rng.choice((2.0, 2.5, 3.0)) + rng.gauss(0, 0.004),
        "whole milliamp-hours": lambda: round(rng.gauss(2.5, 0.125), 3),
    }
    return [draw[kind]() for _ in range(count)]


def timed(work: Callable[[], Any], rounds: int = ROUNDS) -> tuple[Any, float]:
    """Return what the work returns and the median time it took after one warm-up. [s]"""
    result = work() if rounds > 1 else None
    spent = []
    for _ in range(rounds):
        begin = time.perf_counter()
        result = work()
        spent.append(time.perf_counter() - begin)
    return result, statistics.median(spent)


def by_highs(sizes: list[float], groups: int) -> float:
    """Return the largest smallest sum that HiGHS has after LIMIT_S; 0 where it has none. [Ah]"""
    count = len(sizes)
    each = hstack([kron(np.ones((1, groups)), csr_array(np.eye(count))), csr_array((count, 1))])
    sums = hstack([kron(csr_array(np.eye(groups)), np.array([sizes])), csr_array(-np.ones((groups, 1)))])
    rules = LinearConstraint(
        vstack([each, sums]).tocsc(),
        np.concatenate([np.ones(count), np.zeros(groups)]),
        np.concatenate([np.ones(count), np.full(groups, np.inf)]),
    )
    solved = milp(
        np.append(np.zeros(count * groups), -1.0),
        constraints=rules,
        bounds=Bounds(0, np.append(np.ones(count * groups), np.inf)),
        integrality=np.append(np.ones(count * groups), 0),
        options={"time_limit": LIMIT_S, "mip_rel_gap": 0},
    )
    return 0.0 if solved.x is None else float(solved.x[-1])


def beside(sizes: list[float], groups: int) -> None:
    """Print how the others do on the same cells."""
    found, own_s = timed(partial(balanced, sizes, groups))
    ideal = sum(sizes) / groups
    print(f"{len(sizes)} into {groups}, ideal {ideal:.4f} Ah: here {own_s * 1e3:.1f} ms, weakest {found.value:.6f} Ah")
    least, took_s = timed(partial(by_highs, sizes, groups), rounds=1)
    print(f"  HiGHS, {LIMIT_S:g} s allowed: {took_s:.1f} s, {took_s / own_s:.0f} times as long, weakest {least:.6f} Ah")
    try:
        import prtpy
    except ImportError:
        print("  prtpy is not installed")
        return
    for name in ("greedy", "kk"):
        work = partial(
            prtpy.partition,
            algorithm=getattr(prtpy.partitioning, name),
            numbins=groups,
            items=sizes,
            outputtype=prtpy.out.SmallestSum,
        )
        least, took_s = timed(work, rounds=3)
        print(f"  prtpy {name}: {took_s * 1e3:.0f} ms, {took_s / own_s:.1f} times as long, weakest {least:.6f} Ah")


def main() -> None:
    """Print times and spreads of every kind of pack, then how others do."""
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}")
    for count, groups in ((1400, 14), (10_000, 16)):
        for kind in ("bell-shaped, 5 %", "heavy-tailed", "in three clusters", "whole milliamp-hours"):
            sizes, rng = pack(kind, count), Random(2)
            leads = [1 / (0.060 * math.exp(rng.gauss(0, 0.1))) for _ in sizes]
            equal, equal_s = timed(partial(balanced, sizes, groups))
            free, free_s = timed(partial(balanced, sizes, groups, counts="free"), rounds=3)
            even, even_s = timed(partial(evened, sizes, leads, groups))
            print(
                f"{count} into {groups}, {kind}: equal counts {equal_s * 1e3:.1f} ms, spread {equal.spread * 1e3:.4f} "
                f"mAh; free {free_s * 1e3:.0f} ms, {free.spread * 1e3:.4f} mAh; evened {even_s * 1e3:.0f} ms, "
                f"{even.partition.spread * 1e3:.3f} mAh, conductance {100 * even.spread_frac:.3f} %"
            )
    out, out_s = timed(partial(chosen, pack("bell-shaped, 5 %", 1400), 14, 95))
    print(f"14 groups of 95 from 1400: {out_s * 1e3:.1f} ms, weakest {out.gain:.3f} Ah above taking cells as they come")
    for count, groups in ((56, 8), (1400, 14)):
        beside(pack("bell-shaped, 5 %", count), groups)


if __name__ == "__main__":
    main()
