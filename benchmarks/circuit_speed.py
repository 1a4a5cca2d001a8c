"""
Time the circuit: beside ngspice, over a year, by the number of cells, and from a cold start of a process.

(a) Fourteen groups of eight cells, an hour at 1 s, every step recorded: our run and its compiled march beside
ngspice's own "Total analysis time" for the same bank, in turn, medians. ngspice runs at its default tolerances with
steps of 1 s at most; how far the two agree is printed too. (b) Four strings of four lead units on rails, with gas,
warmth and a charger of two stages, a year of minutes. (c) Ten to 5,000 cells: the exponent of the time by units times
steps. (d) A process that starts with warm caches.

All banks and profiles are invented, by counting. Run: .venv/bin/python benchmarks/circuit_speed.py [--plot]
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import numpy as np

from hotchpot.bank.notation import parse
from hotchpot.circuit import march as compiled
from hotchpot.circuit.drive import ChargePlan, Drive, Stop, Stretch, drive_of, profile
from hotchpot.circuit.model import Gas, Pair, UnitModel, Wells, own_curve
from hotchpot.circuit.net import Leads
from hotchpot.circuit.record import Record
from hotchpot.circuit.run import Circuit

ROOT = Path(__file__).resolve().parents[1]
ROUNDS = 7
LEAST_RATIO = 100.0
MOST_YEAR_S = 1.0
MOST_EXPONENT = 1.1
MOST_START_S = 1.0
SIZES = (10, 30, 100, 300, 1000, 2000, 5000)
MINUTES = 365 * 24 * 60

OXIDE = own_curve(
    [0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1],
    [2.9, 3.3, 3.43, 3.55, 3.61, 3.65, 3.70, 3.78, 3.88, 3.98, 4.08, 4.20],
)
ACID = own_curve([0, 0.2, 0.4, 0.6, 0.8, 1], [1.92, 1.985, 2.03, 2.07, 2.105, 2.14])
GROWTH = ((0.0, 2.2), (0.1, 1.5), (0.3, 1.1), (0.5, 1.0), (1.0, 1.05))
WEAKENING = ((0.05, 3.0), (0.1, 1.8), (0.2, 1.35), (0.5, 1.1), (0.8, 1.0), (1.0, 1.0))
WARMTH = ((-20.0, 2.0), (-10.0, 1.6), (0.0, 1.35), (10.0, 1.15), (25.0, 1.0), (40.0, 0.93))
COLD = ((-20.0, 0.73), (-10.0, 0.79), (0.0, 0.85), (10.0, 0.91), (25.0, 1.0), (40.0, 1.04))

# What a fresh process does: import, a small bank, an hour of it; it prints how long that took, Python's start left out.
START = """
import time; begin = time.perf_counter()
from hotchpot.bank.notation import parse
from hotchpot.circuit.model import Pair, UnitModel, own_curve
from hotchpot.circuit.drive import Stretch, drive_of
from hotchpot.circuit.run import Circuit
curve = own_curve([0, 1], [3.0, 4.2])
cells = [UnitModel(id=i, capacity_ah=2, curve=curve, ohm=0.03, pairs=(Pair(0.01, 20),)) for i in ("a", "b")]
Circuit(parse("a // b", known=["a", "b"]), cells).run(drive_of([Stretch(seconds=3600, load_a=1)]), step_s=1.0)
print(time.perf_counter() - begin)
"""


def cell(k: int) -> UnitModel:
    """Return one of a row of unlike lithium cells."""
    return UnitModel(
        id=f"c{k:04}",
        capacity_ah=2.0 + 0.4 * ((7919 * k) % 1000) / 1000,
        curve=OXIDE,
        ohm=(30 + (31 * k) % 13) * 1e-3,
        ohm_by_charge=GROWTH,
        pairs=(Pair(0.012 + 0.001 * (k % 3), 12.0 + k % 5), Pair(0.015, 600.0 + 10.0 * (k % 7))),
        leak_a=1e-5 * (1 + k % 4),
        soc_frac=0.90,
    )


def lead(k: int) -> UnitModel:
    """Return one of a row of unlike 12 V lead units with wells, gas, rise of resistance on charge, and warmth."""
    ah = 90.0 + (17 * k) % 23
    return UnitModel(
        id=f"L{k:02}",
        capacity_ah=ah,
        curve=ACID,
        cells=6,
        ohm=(5.0 + (7 * k) % 5) * 1e-3,
        ohm_by_charge=WEAKENING,
        ohm_by_warmth=WARMTH,
        capacity_by_warmth=COLD,
        pairs=(Pair(0.004 + 0.0005 * (k % 3), 60.0 + 5.0 * k), Pair(0.006, 1800.0 + 100.0 * k)),
        wells=Wells(0.315, 1.24, 1.0877),
        gas=Gas(0.02 * ah / 100 * (1 + k % 3), 13.38, 11.0 / 6, 0.06, 0.0),
        charge_rise=0.5,
        leak_a=0.003 * (1 + k % 3),
        empty_drop_v=23.0,
        overcharge_v=6.0,
        heat_j_k=30_000.0,
        cooling_w_k=2.5,
        entropy_v_k=0.0012,
        temperature_c=15.0,
    )


def cells_in(series: int, parallel: int) -> tuple[str, list[UnitModel]]:
    """Return groups of cells in series, and their models."""
    count = series * parallel
    if parallel == 1:
        return " + ".join(f"c{k:04}" for k in range(1, count + 1)), [cell(k) for k in range(1, count + 1)]
    groups = (f"//(c{k:04}..c{k + parallel - 1:04})" for k in range(1, count + 1, parallel))
    return " + ".join(groups), [cell(k) for k in range(1, count + 1)]


def year() -> Drive:
    """Return a year of minutes: a house's load and the sun's power in watts, and a charger of two stages."""
    minute = np.arange(MINUTES)
    day, clock = minute // 1440, (minute % 1440) / 60.0
    half_day = 6.0 + 2.0 * -np.cos(2 * np.pi * (day + 10) / 365)
    height = np.cos(np.clip((clock - 12.5) / half_day, -1.0, 1.0) * np.pi / 2)
    sky = 0.25 + 0.75 * ((day * 7919) % 10) / 9.0
    wink = 0.8 + 0.2 * ((minute * 31) % 7) / 6.0
    source_w = 2200.0 * height * sky * wink
    source_w[source_w < 5.0] = 0.0
    evening = np.exp(-(((clock - 19.5) / 2.0) ** 2))
    load_w = 70.0 + 350.0 * evening + 120.0 * ((minute // 20 * 13) % 11 < 2)
    plan = ChargePlan(absorb_v=57.6, float_v=54.0, tail_a=4.0, absorb_hours=3.0, again_v=51.6, per_k=-0.12)
    return profile((minute * 60.0).tolist(), load_w=load_w.tolist(), source_w=source_w.tolist(), charge=plan)


def median_s(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Return the median time of several runs, after one to warm up. [s]"""
    work()
    return statistics.median(took_s(work) for _ in range(rounds))


def took_s(work: Callable[[], object]) -> float:
    """Return how long some work takes. [s]"""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def children_s() -> float:
    """Return the processor's time that ended child processes took. [s]"""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


@contextmanager
def timed_march() -> Iterator[list[float]]:
    """Give a list that fills with the times spent in the compiled march, one a call. [s]"""
    spent: list[float] = []
    march = compiled.march

    def timed(*arguments: object) -> object:
        begin = time.perf_counter()
        code = march(*arguments)
        spent.append(time.perf_counter() - begin)
        return code

    compiled.march = timed
    try:
        yield spent
    finally:
        compiled.march = march


def verdict(good: bool) -> str:
    """Return a word for whether a limit is met."""
    return "met" if good else "NOT MET"


def beside_ngspice() -> None:
    """Print our time and ngspice's on the same bank, and how far the two agree."""
    sys.path.insert(0, str(ROOT / "tests" / "circuit"))
    from spice import PROGRAM, TIGHT, WHY_NOT, Referee, referee

    text, models = cells_in(14, 8)
    block = parse(text, known=[m.id for m in models])
    leads = Leads(link_ohm=0.5e-3, joint_ohm=0.1e-3, main_ohm=1e-3)
    drive = drive_of([Stretch(seconds=3600.0, load_a=8.0)])
    circuit = Circuit(block, models, leads, warming=False)
    each_step, few = (partial(circuit.run, drive, step_s=1.0, record_s=s) for s in (1.0, 3600.0))
    record = each_step()
    units_steps = 112 * 3600

    def spice(folder: str, options: str) -> Referee:
        return referee(block, models, leads, drive, Path(folder), options=options)

    whole, marched, quiet, theirs, cpu, their_cpu = [], [], [], [], [], []
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(ROUNDS):  # in turn, so that a busy machine troubles both alike
            began_s = time.process_time()
            with timed_march() as spent:
                whole.append(took_s(each_step))
            cpu.append(time.process_time() - began_s)
            marched.append(sum(spent))
            with timed_march() as spent:
                few()
            quiet.append(sum(spent))
            if PROGRAM:
                began_s = children_s()
                found["default tolerances"] = spice(folder, "reltol=1e-3")
                their_cpu.append(children_s() - began_s)
                theirs.append(found["default tolerances"].took_s)
        if PROGRAM:
            found["tight tolerances"] = spice(folder, TIGHT)
    whole_s, march_s, quiet_s = (statistics.median(x) for x in (whole, marched, quiet))
    print("(a) 14 groups of 8 cells, an hour at 1 s, 3,601 records")
    print(f"    run: {1e3 * whole_s:.1f} ms")
    for title, spent_s in (("its march", march_s), ("its march where only the end is recorded", quiet_s)):
        print(f"    {title}: {1e3 * spent_s:.1f} ms, {1e9 * spent_s / units_steps:.1f} ns a unit and step")
    if not PROGRAM:
        print(f"    {WHY_NOT}")
        return
    spice_s = statistics.median(theirs)
    for title, other in found.items():
        off_v = np.abs(record.volts - other.at(record.time_s, "volts")).max()
        off_a = np.abs(record.unit_amps - other.at(record.time_s, "unit_amps")).max() / 8.0
        print(f"    ngspice, {title}: {other.took_s:.3f} s in {len(other.time_s)} steps;", end=" ")
        print(f"off ours by {1e3 * off_v:.3f} mV and {100 * off_a:.4f} % of the bank's current")
    ratio = spice_s / whole_s
    print(f"    ngspice's median {spice_s:.3f} s is {ratio:.0f} times our run (wanted {LEAST_RATIO:.0f}:", end=" ")
    print(f"{verdict(ratio >= LEAST_RATIO)}), {spice_s / march_s:.0f} and {spice_s / quiet_s:.0f} times the marches")
    ours_s, theirs_s = statistics.median(cpu), statistics.median(their_cpu)
    print(f"    by time of the processor, on a busy machine: {1e3 * ours_s:.1f} ms and {theirs_s:.3f} s,", end=" ")
    print(f"{theirs_s / ours_s:.0f} times")


def over_a_year() -> None:
    """Print the time of a year of minutes, and what came of it."""
    models = [lead(k) for k in range(1, 17)]
    text = " // ".join(f"({' + '.join(f'L{k:02}' for k in range(s, s + 4))})" for s in (1, 5, 9, 13))
    leads = Leads(link_ohm=0.6e-3, joint_ohm=0.2e-3, main_ohm=1e-3, takeoff="diagonal")
    circuit = Circuit(parse(text, known=[m.id for m in models]), models, leads)
    drive = year()

    def run() -> Record:
        return circuit.run(drive, stop=Stop(low_v=45.0, back_v=50.0), step_s=60.0, ambient_c=15.0)

    record = run()
    whole, marched, cpu = [], [], []
    for _ in range(ROUNDS):
        began_s = time.process_time()
        with timed_march() as spent:
            whole.append(took_s(run))
        marched.append(sum(spent))
        cpu.append(time.process_time() - began_s)
    whole_s, march_s, cpu_s = (statistics.median(x) for x in (whole, marched, cpu))
    kinds = {kind: sum(e.kind == kind for e in record.events) for kind in sorted({e.kind for e in record.events})}
    given, taken, unmet = (wh / 1e3 for wh in (record.bank_out_wh, record.bank_in_wh, record.unmet_wh))
    balance = record.balance
    print("(b) 4 strings of 4 lead units on rails, gas and warmth, a year of minutes in watts, absorb and float")
    print(f"    run: {whole_s:.2f} s (wanted {MOST_YEAR_S:g} s: {verdict(whole_s < MOST_YEAR_S)})")
    print(f"    by time of the processor, on a busy machine: {cpu_s:.2f} s")
    print(f"    its march: {march_s:.2f} s, {1e9 * march_s / (16 * MINUTES):.0f} ns a unit and minute")
    print(f"    ended by {record.ended.kind}; events {kinds}")
    print(f"    given {given:.0f} kWh, taken {taken:.0f} kWh, unmet {unmet:.0f} kWh; charge adds up to", end=" ")
    print(f"{balance.charge_error_frac:.0e}, energy to {balance.energy_error_frac:.0e}")


def by_size(plot: bool) -> None:
    """Print the time by the number of cells, and the exponent of a straight line through its logarithms."""
    work, spent_s = [], []
    print("(c) groups of 10 cells, 10 to 5,000 of them, 600 and 3,600 steps of 1 s")
    for size in SIZES:
        text, models = cells_in(size // 10, 10)
        circuit = Circuit(parse(text, known=[m.id for m in models]), models, Leads(link_ohm=0.5e-3), warming=False)
        for steps in (600, 3600):
            drive = drive_of([Stretch(seconds=float(steps), load_a=10.0)])
            took = median_s(partial(circuit.run, drive, step_s=1.0, record_s=float(steps)), 5 if size < 1000 else 3)
            work.append(size * steps)
            spent_s.append(took)
            print(
                f"    {size:5} cells, {steps:5} steps: {1e3 * took:9.2f} ms, {1e9 * took / (size * steps):6.1f} ns each"
            )
    order = np.argsort(work)
    x, y = np.array(work, dtype=float)[order], np.array(spent_s)[order]
    whole, large = (float(np.polyfit(np.log(x[keep]), np.log(y[keep]), 1)[0]) for keep in (x > 0, x >= 1e5))
    print(f"    exponent {whole:.3f} over all, {large:.3f} from 100,000 on (wanted {MOST_EXPONENT:g} at most: ", end="")
    print(f"{verdict(max(whole, large) <= MOST_EXPONENT)})")
    if plot:
        draw(x, y, whole)


def draw(work: np.ndarray, spent_s: np.ndarray, exponent: float) -> None:
    """Write the plot of time against units times steps."""
    import matplotlib as mpl

    mpl.use("svg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(figsize=(6.4, 4.2), layout="constrained")
    axes.loglog(work, spent_s, "o", label="measured")
    scale = np.exp(np.mean(np.log(spent_s) - exponent * np.log(work)))
    axes.loglog(work, scale * work**exponent, "-", label=f"exponent {exponent:.3f}")
    axes.set_xlabel("units × steps")
    axes.set_ylabel("time [s]")
    axes.grid(visible=True, which="both", alpha=0.3)
    axes.legend()
    path = ROOT / "build-out" / "circuit_cost.svg"
    path.parent.mkdir(exist_ok=True)
    figure.savefig(path, metadata={"Date": None})
    print(f"    drawn in {path.relative_to(ROOT)}")


def fresh_start() -> None:
    """Print how long a process takes to import and run a small bank, with compiled code kept from an earlier one."""
    inside, outside = [], []
    for turn in range(ROUNDS + 1):
        begin = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", START], capture_output=True, text=True, check=True, env=dict(os.environ)
        )
        if turn:  # the first fills the cache
            outside.append(time.perf_counter() - begin)
            inside.append(float(done.stdout))
    start_s, process_s = statistics.median(inside), statistics.median(outside)
    print(f"(d) import and first small run of a second process: {start_s:.2f} s (wanted {MOST_START_S:g} s: ", end="")
    print(f"{verdict(start_s < MOST_START_S)}); the whole process {process_s:.2f} s")


def main() -> None:
    """Print all four with their limits."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plot", action="store_true", help="draw (c) in build-out/circuit_cost.svg")
    options = parser.parse_args()
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, medians of {ROUNDS}")
    beside_ngspice()
    over_a_year()
    by_size(options.plot)
    fresh_start()


if __name__ == "__main__":
    main()
