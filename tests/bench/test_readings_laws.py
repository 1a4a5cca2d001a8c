"""
Laws of readings before the judge: what is refused, contradicted or without a date never makes a verdict milder.

Project rule. The units are invented; the judge is asked whether it accepts one unit by itself.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from hotchpot.bank.judge import judge
from hotchpot.bank.plan import Plan
from hotchpot.bank.rules import Case
from hotchpot.bench import Quantity, Study, state_of, study
from hotchpot.pile.reading import Reading, ReadingKind
from hotchpot.pile.unit import Unit

CELLS = {"lead_agm": 6, "lead_flooded": 6, "lfp": 4, "nmc": 7, "nicd": 10}
DAY = "2026-11-10"


def accepted(unit: Unit, found: Study | None) -> int:
    """Return the rank of the verdict on accepting a unit; higher is harder."""
    state = state_of(unit, year=2026, study=found)
    return judge(Case(Plan(question=("accept",)), (state,), None)).verdict.rank


@st.composite
def known_units(draw: st.DrawFn) -> Unit:
    """Return a unit of which the pile file knows all that is asked for, good or bad."""
    key = draw(st.sampled_from(tuple(CELLS)))
    unit = Unit(id="A1", chemistry=key, cells=CELLS[key], rated_ah=100, rated_hours=20)
    typical = unit.chem.typical_mohm(unit.cells, 100)
    soc = draw(st.floats(0.05, 1.0))
    return Unit(
        id="A1", chemistry=key, cells=CELLS[key], rated_ah=100, rated_hours=20, temperature_c=20,
        capacity_ah=draw(st.floats(50, 105)), resistance_mohm=typical * draw(st.floats(0.8, 2.5)),
        rest_v=unit.cells * unit.chem.ocv.volts(soc) * draw(st.sampled_from((1.0, 1.0, 0.7))), rest_hours=30,
        self_discharge_frac_month=draw(st.sampled_from((None, 0.02, 0.1))), bms=True,
    )  # fmt: skip


def telling_nothing(unit: Unit, kind: str, when: str | None) -> Reading:
    """Return a reading of which the bench refuses every number."""
    volts = unit.cells * unit.chem.num("discharge_min_v")
    known: dict[str, object] = {
        "aborted run": {"kind": "run", "volts": (1.25 * volts, 1.2 * volts), "hours": (0.0, 2.0), "amps": (5.0,)},
        "tiny load": {"kind": "loads", "volts": (1.20 * volts, 1.20 * volts), "amps": (1.0, 1.1), "seconds": 10.0},
        "slipped loads": {"kind": "loads", "volts": (0.12 * volts, 0.119 * volts), "amps": (5.0, 20.0)},
        "late loads": {"kind": "loads", "volts": (1.2 * volts, 1.19 * volts), "amps": (5.0, 20.0), "seconds": 600.0},
        "beyond any label": {"kind": "run", "volts": (1.2 * volts, volts), "hours": (0.0, 20.0), "amps": (50.0,)},
        "nothing seen": {"kind": "look"},
        "cool at rest": {"kind": "look", "rest_rise_k": 0.0},
    }[kind]  # type: ignore[assignment]
    return Reading(unit="A1", when=when, **{**known, "kind": ReadingKind(str(known["kind"]))})  # type: ignore[arg-type]


NOTHING = (
    "aborted run",
    "tiny load",
    "slipped loads",
    "late loads",
    "beyond any label",
    "nothing seen",
    "cool at rest",
)


@settings(max_examples=150, deadline=None)
@given(
    known_units(), st.lists(st.tuples(st.sampled_from(NOTHING), st.sampled_from((None, DAY))), min_size=1, max_size=3)
)
def test_refused_readings_never_make_a_verdict_milder(unit: Unit, chosen: list[tuple[str, str | None]]) -> None:
    """What the bench refuses tells nothing good: the verdict is that of the pile file, or a harder one."""
    found = study(unit, [telling_nothing(unit, kind, when) for kind, when in chosen])
    assert accepted(unit, found) >= accepted(unit, None)


@st.composite
def measured(draw: st.DrawFn, unit: Unit, when: str | None) -> Reading:
    """Return a run, a pair of loads, a rest voltage or a standing, of any outcome, good or bad."""
    kind = draw(st.sampled_from(("run", "loads", "rest")))
    empty, full = unit.cells * unit.chem.num("discharge_min_v"), unit.cells * unit.chem.ocv.volts(1.0)
    if kind == "run":
        hours = draw(st.floats(8, 22))
        volts = tuple(full - (full - empty) * k / 5 for k in range(6))
        steps = tuple(hours * k / 5 for k in range(6))
        return Reading(
            unit="A1", kind=ReadingKind.RUN, when=when, volts=volts, hours=steps, amps=(5.0,), cutoff_v=empty,
            temperature_c=25.0,
        )  # fmt: skip
    if kind == "loads":
        ohm = unit.chem.typical_mohm(unit.cells, 100) / 1000.0 * draw(st.floats(0.8, 3.0))
        volts = (full - 5.0 * ohm, full - 40.0 * ohm)
        return Reading(
            unit="A1", kind=ReadingKind.LOADS, when=when, volts=volts, amps=(5.0, 40.0), seconds=10.0,
            temperature_c=25.0, meter="millivolt", count_v=0.001,
        )  # fmt: skip
    volts = (draw(st.floats(-0.1, 1.02)) * full,)
    return Reading(unit="A1", kind=ReadingKind.REST, when=when, volts=volts, hours=(30.0,), temperature_c=25.0)


# Most readings drawn at random agree or are refused, and only contradictions are asked for.
@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])
@given(known_units(), st.data())
def test_what_has_no_date_never_makes_a_contradicted_verdict_milder(unit: Unit, data: st.DataObject) -> None:
    """
    A reading without a date that contradicts dated ones, whichever way: the verdict is at least as hard as by the
    dated ones alone. (One that agrees is joined with them, and may move a number as any reading does.)
    """
    dated = [data.draw(measured(unit, DAY)) for _ in range(data.draw(st.integers(1, 3)))]
    mixed = dated[:]
    undated = data.draw(measured(unit, None))
    # Against the pile file's bare figure alone a reading stands, and the contradiction is told.
    assume(any(reading.kind is undated.kind for reading in dated))
    mixed.insert(data.draw(st.integers(0, len(dated))), undated)
    alone, found = study(unit, dated), study(unit, mixed)
    assume("contradiction" in {remark.code for remark in found.remarks})
    assume("contradiction" not in {remark.code for remark in alone.remarks})
    assert accepted(unit, found) >= accepted(unit, alone)


@settings(max_examples=100, deadline=None)
@given(known_units(), st.data())
def test_any_readings_give_a_state(unit: Unit, data: st.DataObject) -> None:
    """Whatever was noted, in whatever order, there is a state with numbers within their bounds, and a verdict."""
    readings = [data.draw(measured(unit, data.draw(st.sampled_from((None, DAY, "2025-01"))))) for _ in range(3)]
    found = study(unit, readings)
    state = state_of(unit, year=2026, study=found)
    assert state.capacity_ah.value > 0
    assert state.soc_frac is None or -1e-9 <= state.soc_frac.value <= 1 + 1e-9
    assert (found.charge_bounds is None) or Quantity.CHARGE not in found.told
    assert accepted(unit, found) >= 0


@pytest.mark.parametrize("key", ["lead_agm", "lfp"])
def test_a_deep_run_is_no_better_than_one_to_empty(key: str) -> None:
    """The same discharge with its cut-off stated lower never gives more capacity nor a milder verdict."""
    unit = Unit(id="A1", chemistry=key, cells=CELLS[key], rated_ah=100, rated_hours=20)
    empty, full = unit.cells * unit.chem.num("discharge_min_v"), unit.cells * unit.chem.ocv.volts(1.0)
    volts = (*(full - (full - empty) * k / 5 for k in range(6)), 0.7 * empty)
    steps = (*(17.0 * k / 5 for k in range(6)), 20.0)

    def by(cutoff_v: float) -> Study:
        row = Reading(
            unit="A1", kind=ReadingKind.RUN, when=DAY, volts=volts, hours=steps, amps=(5.0,), cutoff_v=cutoff_v
        )
        return study(unit, [row])

    deep, plain = by(0.7 * empty), by(empty)
    assert deep.told[Quantity.CAPACITY].value == plain.told[Quantity.CAPACITY].value
    assert accepted(unit, deep) >= accepted(unit, plain)
