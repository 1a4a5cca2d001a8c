"""
Volts that no unit can have: refused as a fault of the readings, with where, what and how to mend.

The limit is the pile file's own: one and a half times the highest charge voltage of its chemistry (project rule).
"""

from __future__ import annotations

import pytest

from hotchpot.bench import Quantity, state_of, study
from hotchpot.errors import InputError
from hotchpot.pile.csvfile import parse_pile
from hotchpot.pile.reading import Reading, ReadingKind
from hotchpot.pile.unit import Unit

AGM = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)


def one(kind: str, **known: object) -> Reading:
    """Return an invented reading of A1."""
    return Reading(unit="A1", kind=ReadingKind(kind), line=4, **known)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "slip",
    [
        one("rest", volts=(128.0,), hours=(24.0,)),
        one("rest", volts=(-128.0,), hours=(24.0,)),
        one("rest", volts=(12.8, 12.81, 1282.0), hours=(1.0, 4.0, 24.0)),
        one("loads", volts=(126.1, 12.40), amps=(5.0, 20.0), seconds=10.0),
        one("run", volts=(12.6, 118.0, 10.5), hours=(0.0, 9.0, 18.0), amps=(5.0,)),
        one("leak", volts=(128.1, 128.0), days=(0.0, 14.0)),
    ],
    ids=["rest", "the wrong way round", "one of several", "loads", "run", "leak"],
)
def test_a_slipped_decimal_point_is_refused(slip: Reading) -> None:
    """Ten times the volts is no fact about a battery: where, what and how to mend are told, and nothing is reckoned."""
    with pytest.raises(InputError, match="beyond anything") as caught:
        study(AGM, [one("rest", volts=(12.8,), hours=(24.0,)), slip])
    (fault,) = caught.value.faults
    assert fault.where == "4 volts"
    assert "22.05 V" in fault.mend
    assert "did you mean" in fault.mend


def test_the_limit_is_that_of_the_pile_file() -> None:
    """What the pile file takes as a rest voltage the bench takes too, and what it refuses the bench refuses."""
    for volts in (22.0, 22.1):
        pile = f"id,chemistry,cells,rated_ah,rest_v\nA1,lead_agm,6,100,{volts}\n"
        reading = one("rest", volts=(volts,), hours=(24.0,))
        if volts < 22.05:
            assert parse_pile(pile, name="p.csv")
            assert study(AGM, [reading]).unit.rest_v == pytest.approx(volts)
            continue
        with pytest.raises(InputError, match="beyond anything"):
            parse_pile(pile, name="p.csv")
        with pytest.raises(InputError, match="beyond anything"):
            study(AGM, [reading])


def test_every_slip_is_told_at_once() -> None:
    """Three readings with a slip give three faults."""
    with pytest.raises(InputError) as caught:
        study(AGM, [one("rest", volts=(volts,), hours=(24.0,)) for volts in (128.0, 1280.0, 99.0)])
    assert len(caught.value.faults) == 3


def test_a_step_at_a_tenth_of_the_volts_shows_no_resistance() -> None:
    """1.261 and 1.240 V on six cells would be a tenth of the resistance: refused, and the unit's stays assumed."""
    found = study(AGM, [one("loads", volts=(1.261, 1.240), amps=(5.0, 20.0), seconds=10.0, count_v=0.001)])
    assert [remark.code for remark in found.remarks] == ["volts-too-low"]
    assert Quantity.RESISTANCE not in found.told
    assert found.unit.resistance_mohm is None
    assert state_of(AGM, year=2026, study=found).resistance_mohm.value > 5.0
