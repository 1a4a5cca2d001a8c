"""Before anything is touched: identify and look, read every unit, lay out the parts, take the fuses out."""

from __future__ import annotations

import math
from collections.abc import Iterator

from hotchpot.bank.rules.fuses import FUSE_LOAD_FRAC, INTERRUPT_MARGIN, fault_current_a, node_max_v, worst_feed
from hotchpot.bank.rules.registry import RULES, Case
from hotchpot.bank.sharing import discharge_shares
from hotchpot.bank.surge import unit_currents
from hotchpot.bank.verdict import Finding
from hotchpot.bench.state import State, meter_sd_v
from hotchpot.build.load import branch_amps
from hotchpot.build.step import MANY, Step, between, gathered, names, step, volts
from hotchpot.electrics.ampacity import ampacity_band

MOST_READINGS = 10
WARM_AT_REST_K = 1.0
WIDEST_SHARED = 64  # units; in wider banks the first share by resistance stands for the whole discharge


def look(case: Case) -> Iterator[Step]:
    """Yield the steps of looking and feeling, without a meter."""
    ids = [state.unit.id for state in case.units]
    yield step(
        "Identify and look",
        f"Find {names(ids)} by label, mark each with its id and its plus, and look at every side.",
        units=ids,
        stop_if="a unit is swollen, leaking, burnt, crushed or wet, or its label is not what the pile says.",
        why="Numbers below belong to these units only.",
    )
    yield step(
        "Feel for warmth",
        "Compare each unit's temperature with the room's, nothing connected.",
        units=ids,
        reads=f"room temperature, within {WARM_AT_REST_K:g} K",
        expect=0.0,
        tolerance=WARM_AT_REST_K,
        unit="K",
        stop_if=f"a unit is more than {WARM_AT_REST_K:g} K warmer: carry it outdoors and leave it out.",
        why="Heat with nothing connected is an internal short.",
    )


def read_units(case: Case) -> Iterator[Step]:
    """Yield one step for every group of units that should read alike."""
    unrested = {name for f in RULES["join-rest"].run(case) if isinstance(f, Finding) for name in f.subject}
    known = [state for state in case.units if state.ocv_v is not None and state.unit.id not in unrested]
    unknown = [state for state in case.units if state.ocv_v is None or state.unit.id in unrested]
    keys = [_volts_key, _kind] if len(known) <= MANY else [_kind]
    for group in gathered(known, *keys, most=MOST_READINGS):
        yield _reading(group)
    for group in gathered(unknown, _kind, most=MOST_READINGS):
        yield _first_reading(group)


def _kind(state: State) -> tuple[str, int]:
    return state.chem.key, state.unit.cells


def _volts_key(state: State) -> tuple[str, int, float]:
    assert state.ocv_v is not None
    return state.chem.key, state.unit.cells, round(state.ocv_v.value, 2)


def _doubt_v(state: State) -> float:
    """Two standard deviations of a second reading against the first."""
    assert state.ocv_v is not None
    return 2.0 * float((state.ocv_v.sd**2 + meter_sd_v(state.ocv_v.value) ** 2) ** 0.5)


def _reading(group: list[State]) -> Step:
    values = [state.ocv_v.value for state in group if state.ocv_v is not None]
    middle = 0.5 * (min(values) + max(values))
    tolerance = 0.5 * (max(values) - min(values)) + max(_doubt_v(state) for state in group)
    units = [state.unit.id for state in group]
    each = "each " if len(units) > 1 else ""
    return step(
        f"Read {names(units)}",
        f"Red lead on plus, black on minus: read {names(units)} at rest, nothing connected.",
        units=units,
        reads=f"{each}{between(values, volts)} ± {volts(tolerance - 0.5 * (max(values) - min(values)))}, plus sign",
        expect=middle,
        tolerance=tolerance,
        unit="V",
        stop_if=f"negative (reversed), {_rejected(group)}; outside the tolerance: enter it and judge again.",
        why="All that follows rests on these voltages.",
    )


def _first_reading(group: list[State]) -> Step:
    units = [state.unit.id for state in group]
    one = group[0]
    full = one.unit.cells * min(one.ocv_curve.volts(1.0) + 3.0 * one.ocv_sd_at(1.0), one.chem.num("charge_max_v"))
    floor = one.unit.cells * _lowest_cell_v(one)
    return step(
        f"Read {names(units)} for the first time",
        f"Rest {names(units)} for {one.chem.num('rest_h_good'):g} h with nothing connected, then read, red lead on plus. "
        "Enter it and judge again before going on.",
        units=units,
        reads=f"between {volts(floor)} and {volts(full)}, plus sign",
        expect=0.5 * (floor + full),
        tolerance=0.5 * (full - floor),
        unit="V",
        stop_if=f"negative (reversed), {_rejected(group)}. Enter the readings and judge again.",
        why="No rested voltage is known yet, and all that follows rests on it.",
        minutes=60.0 * one.chem.num("rest_h_good"),
    )


def _lowest_cell_v(state: State) -> float:
    """The rest voltage below which the judge would not have a unit joined as it is. [V]"""
    floor = state.chem.num("reject_rest_v")
    if state.chem.kind == "lead":
        return state.chem.get("live_cells_v", floor)
    return max(floor, state.chem.num("discharge_min_v")) if state.chem.kind == "lithium" else floor


def _rejected(group: list[State]) -> str:
    floors = [state.unit.cells * _lowest_cell_v(state) for state in group]
    return f"below {between(floors, volts)}" if max(floors) > 0.0 else "or zero"


def fuses(case: Case) -> Iterator[Step]:
    """Yield the steps of choosing fuses, and of building without them."""
    assert case.bank is not None
    root, protection = case.bank.root, case.plan.protection
    if case.parallels:
        node, feed_a, _ = worst_feed(case.bank)
        size = fuse_words(case, protection.unit_fuse_a, _worst_branch_a(case))
        yield step(
            "Lay out a fuse for each branch",
            "One for every branch of a parallel group, at its positive, within a hand's breadth of it: "
            f"{size}; {_rated(node_max_v(node), feed_a)}.",
            units=root.ids,
            stop_if="a fuse has no dc voltage or interrupt rating on it.",
            why="A fault in one branch is fed by all the others; only its own fuse can stop that.",
        )
    yield step(
        "Lay out the main fuse and isolator",
        f"Main fuse: {fuse_words(case, protection.main_fuse_a, case.load_a)}; "
        f"{_rated(case.max_v, fault_current_a(root))}. Isolator rated for dc.",
        units=root.ids,
        stop_if="the fuse is larger than its cable carries.",
        why="The fuse protects the cable; the isolator lets you work dead.",
    )
    yield step(
        "Build with all fuses out",
        "Bolt the fuse holders in empty; open the isolator; leave chargers and loads disconnected.",
        units=root.ids,
        reads="0 V between the bank's two output terminals",
        expect=0.0,
        tolerance=0.1,
        unit="V",
        stop_if="the output terminals show a voltage.",
        why="Until its fuse goes in, every branch stands apart and no current can flow.",
    )


def _rated(top_v: float, fault_a: float) -> str:
    return f"dc, {math.ceil(top_v)} V or more, breaking {max(INTERRUPT_MARGIN * fault_a / 1000.0, 0.1):.1f} kA or more"


def fuse_words(case: Case, planned_a: float | None, load_a: float | None) -> str:
    """Return the planned fuse, or the span between what the load asks and the cable bears, in words."""
    if planned_a:
        return f"{planned_a:g} A as planned"
    area = case.plan.wiring.cable_mm2
    most = None if area is None else ampacity_band(area)[0]
    least = None if load_a is None else load_a / FUSE_LOAD_FRAC
    if least is not None and most is not None:
        if least > most:
            return f"{least:.0f} A or more for the load, but the cable carries {most:.0f} A: use a thicker cable first"
        return f"{least:.0f} to {most:.0f} A"
    if most is not None:
        return f"{most:.0f} A or less, what the cable carries, and at least {1 / FUSE_LOAD_FRAC:.2f} times its load"
    if least is not None:
        return f"{least:.0f} A or more, and never above what the cable carries"
    return f"at least {1 / FUSE_LOAD_FRAC:.2f} times what it carries itself, never above what its cable carries"


def _worst_branch_a(case: Case) -> float | None:
    """The largest current that a branch of the outermost parallel node carries over a discharge. [A]"""
    load, bank = case.load_a, case.bank
    if not load or bank is None:
        return None
    if len(bank.units) <= WIDEST_SHARED:
        shares = discharge_shares(bank, load)
        parts = dict(zip(shares.ids, shares.worst_a, strict=True))
    else:
        parts = unit_currents(bank.root, load, bank.branch_ohm)
    return max(branch_amps(child, parts) for child in case.parallels[0].children)
