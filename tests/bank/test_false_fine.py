"""Cases in which a judge that looks at one thing at a time would say fine; common practice, no source, unless said."""

from __future__ import annotations

import pytest

from hotchpot import desk
from hotchpot.bank.planfile import parse_plan
from hotchpot.pile.csvfile import parse_pile

HEAD = "id,chemistry,cells,rated_ah,capacity_ah,resistance_mohm,rest_v,rest_hours,soc_frac,temperature_c,bms,flags\n"

CASES = {
    "a place below freezing, units not yet read": (
        "a,lfp,4,100,100,6,,24,0.5,,yes,\n",
        'question="charge"\n[duty]\nambient_c=-10\n[charger]\ncharge_frac_per_hour=0.2',
        ("forbid", "charge-temperature"),
    ),
    "warm units in a place that freezes": (
        "a,lfp,4,100,100,6,,24,0.5,20,yes,\n",
        'question="charge"\n[duty]\nambient_c=-10\n[charger]\ncharge_frac_per_hour=0.2',
        ("only-if", "charge-temperature"),
    ),
    "stated full, reads half": (
        "a,lead_agm,6,100,100,5.4,12.2,24,1,20,,\nb,lead_agm,6,100,100,5.4,12.8,24,1,20,,\n",
        'arrangement="a + b"\nquestion="join"',
        ("only-if", "unit-contradiction"),
    ),
    "a string with a unit read six minutes after charge": (
        "a,lead_agm,6,100,100,5.4,13.3,0.1,1,20,,\nb,lead_agm,6,100,100,5.4,12.8,24,1,20,,\n",
        'arrangement="a + b"\nquestion="join"',
        ("only-if", "join-rest"),
    ),
    "a group that loses its larger member": (
        (
            "a,lead_agm,6,60,60,9,,24,1,20,,\nb,lead_agm,6,40,40,13.5,,24,1,20,,\n"
            "c,lead_agm,6,55,55,9.8,,24,1,20,,\nd,lead_agm,6,45,45,12,,24,1,20,,\n"
        ),
        'arrangement="a // b + c // d"\nquestion="join"\n[duty]\nload_a=40\n[protection]\nunit_fuse_a=60',
        ("only-if", "share-worst"),
    ),
    "resistances never measured, to be built": (
        "a,lead_agm,6,100,100,,12.8,24,1,20,,\nb,lead_agm,6,100,100,,12.8,24,1,20,,\n",
        'arrangement="a // b"\nquestion="build"\n[protection]\nunit_fuse_a=80',
        ("only-if", "unit-untested"),
    ),
    "a string fuse that no fault would open": (
        "a,lead_agm,6,100,100,5.4,12.8,24,1,20,,\nb,lead_agm,6,100,100,5.4,12.8,24,1,20,,\n",
        'arrangement="a // b"\nquestion="build"\n[protection]\nunit_fuse_a=5000',
        ("forbid", "fuse-string"),
    ),
    "an immersed unit to be stored": (
        "a,lfp,4,100,100,6,13.2,24,0.5,20,yes,immersed\n",
        'question="site"\n[site]\nroom="garage"',
        ("forbid", "unit-look"),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_no_false_fine(name: str) -> None:
    """Each case is refused or bound to a condition, by the rule that sees the danger."""
    pile, plan, (verdict, code) = CASES[name]
    report = desk.judge_bank(None, parse_pile(HEAD + pile, name="p.csv"), parse_plan(plan, name="p.toml"))
    assert str(report.judgement.verdict) == verdict
    assert code in {f.code for f in report.judgement.findings if str(f.verdict) == verdict}


def test_a_tap_across_the_whole_bank_is_no_tap() -> None:
    """With nothing in series a tap unbalances nothing."""
    pile = HEAD + "a,lead_agm,6,100,100,5.4,12.8,24,1,20,,\nb,lead_agm,6,100,100,5.4,12.8,24,1,20,,\n"
    plan = 'arrangement="a // b"\nquestion="tap"\n[wiring]\ntaps=[{below="b",amps=2.0}]'
    report = desk.judge_bank(None, parse_pile(pile, name="p.csv"), parse_plan(plan, name="p.toml"))
    assert "tap" not in {f.code for f in report.judgement.findings}
