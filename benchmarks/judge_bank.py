"""
Time judging a bank of 16 units and one of 1,400 cells, beside a plain dense nodal solve of the same network.

The wanted figures are 50 ms and 2 s after import. The nodal solve (numpy.linalg.solve on the full conductance matrix,
one unknown a node, one solve) is the yardstick: the judge solves the network hundreds of times over a discharge and
asks every rule, so its ratio tells how much the series-parallel reduction saves.

Run: .venv/bin/python benchmarks/judge_bank.py
"""

from __future__ import annotations

import platform
import statistics
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from hotchpot.bank.bank import Bank
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Charger, Duty, Plan, Protection, Site, Wiring
from hotchpot.bank.planfile import parse_plan
from hotchpot.bank.ratings import rate
from hotchpot.bank.rules import Case
from hotchpot.bench import state_of
from hotchpot.desk import judge_bank
from hotchpot.pile.unit import Unit

ROUNDS = 7


def small() -> tuple[str, list[Unit], Plan]:
    """Return an invented bank of 16 unlike lead units: four groups of four in series, 48 V, with a full plan."""
    units = [
        Unit(
            id=f"u{i}",
            chemistry="lead_agm",
            cells=6,
            rated_ah=100,
            rated_hours=20,
            capacity_ah=88.0 + (5 * i) % 11,
            resistance_mohm=5.0 + 0.1 * (i % 7),
            rest_v=12.7 + 0.01 * (i % 4),
            rest_hours=24,
            temperature_c=20,
        )
        for i in range(1, 17)
    ]
    return " + ".join(f"//(u{k}..u{k + 3})" for k in range(1, 17, 4)), units, plan(48, 600)


def large() -> tuple[str, list[Unit], Plan]:
    """Return an invented pack of 1,400 unlike cells: fourteen groups of a hundred in series, with a full plan."""
    units = [
        Unit(
            id=f"c{i:04}",
            chemistry="nmc",
            cells=1,
            rated_ah=2.5,
            rated_hours=5,
            capacity_ah=2.0 + 0.4 * ((7919 * i) % 1000) / 1000,
            resistance_mohm=60.0 + (31 * i) % 25,
            rest_v=3.70 + 0.004 * ((17 * i) % 5),
            rest_hours=24,
            temperature_c=20,
        )
        for i in range(1, 1401)
    ]
    groups = (f"//(c{k:04}..c{k + 99:04})" for k in range(1, 1401, 100))
    return " + ".join(groups), units, plan(48, 2000)


def plan(system_v: float, load_w: float) -> Plan:
    """Return a plan that lets every rule speak, with a load."""
    return Plan(
        duty=Duty(system_v=system_v, load_w=load_w, energy_wh_per_day=2000, still_days=1, ambient_c=5),
        charger=Charger(volts=57.4, amps=20, source="pv", compensated=False),
        protection=Protection(
            bms=True,
            disconnect_v=45,
            unit_fuse_a=10,
            main_fuse_a=100,
            fuse_volts=80,
            fuse_interrupt_ka=20,
            isolator="dc",
            inverter_capacitance_mf=5,
            precharge_ohm=47,
        ),
        wiring=Wiring(takeoff="busbar", link_mohm=0.5, joint_mohm=0.1, cable_mm2=35, run_m=2),
        site=Site(room="shed", vent_m3_per_h=20, spark_distance_m=1, touchable_bars=False),
    )


def median_s(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Return the median time of several runs, after one to warm up. [s]"""
    work()
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


def judged(expression: str, units: list[Unit], wanted: Plan) -> object:
    """Do all that `hotchpot judge` does between reading the files and printing: states, bank, judgement, ratings."""
    return judge_bank(expression, units, wanted)


def nodal(expression: str, units: list[Unit]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Return the dense conductance matrix and the injected currents of a bank of groups in series under 1 A.

    One node a group's positive bar, and one for each unit between its plus pole and its links; the lowest bar is earth.
    """
    bank = Bank(parse(expression), {u.id: state_of(u) for u in units})
    groups = bank.root.children
    bars = len(groups)
    size = bars + len(units)
    matrix, injected = np.zeros((size, size)), np.zeros(size)
    pole = bars
    for k, group in enumerate(groups):
        for child in group.children:
            state = child.states[0]
            g, link = 1e3 / state.resistance_mohm.value, 1 / bank.branch_ohm
            e = 0.0 if state.ocv_v is None else state.ocv_v.value
            matrix[pole, pole] += g + link
            injected[pole] += e * g
            matrix[pole, k] -= link
            matrix[k, pole] -= link
            matrix[k, k] += link
            if k + 1 < bars:
                matrix[pole, k + 1] -= g
                matrix[k + 1, pole] -= g
                matrix[k + 1, k + 1] += g
                injected[k + 1] -= e * g
            pole += 1
    injected[0] -= 1.0
    return matrix, injected


def main() -> None:
    """Print the medians, their parts and their ratios."""
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}, median of {ROUNDS}")
    assert parse_plan("", name="plan") == Plan()
    for title, (expression, units, wanted), limit_s in (
        ("16 units, 4s4p", small(), 0.050),
        ("1,400 cells, 14s100p", large(), 2.0),
    ):
        whole_s = median_s(lambda e=expression, u=units, p=wanted: judged(e, u, p))
        bank = Bank(parse(expression), {u.id: state_of(u) for u in units})
        rules_s = median_s(lambda b=bank, p=wanted: judge(Case(p, b.units, b)))
        rated_s = median_s(lambda b=bank: rate(b))
        matrix, injected = nodal(expression, units)
        solve_s = median_s(lambda m=matrix, i=injected: np.linalg.solve(m, i))
        volts = float(np.linalg.solve(matrix, injected)[0])
        root = bank.root
        assert root.ocv_v is not None
        gap = abs(volts - (root.ocv_v.value - root.resistance_ohm.value))
        print(
            f"{title}: {1e3 * whole_s:.1f} ms to judge (wanted {1e3 * limit_s:.0f} ms): rules {1e3 * rules_s:.1f} ms,"
        )
        print(f"    ratings {1e3 * rated_s:.1f} ms, the rest is reading the expression and drawing")
        print(
            f"    one dense nodal solve of {len(injected)} nodes: {1e3 * solve_s:.2f} ms; ratio {whole_s / solve_s:.1f}"
        )
        print(f"    the two agree on the bank's voltage under 1 A to {gap:.1e} V")


if __name__ == "__main__":
    main()
