"""The register of rules: each documented, each able to speak, and every sentence and number it gives usable."""

from __future__ import annotations

import inspect
import json
import math
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import hazard_cases
from hotchpot import desk
from hotchpot.bank.plan import QUESTIONS
from hotchpot.bank.planfile import parse_plan
from hotchpot.bank.rules import RULES
from hotchpot.bank.rules.registry import rule
from hotchpot.bank.verdict import Finding, Gate, Judgement, Verdict
from hotchpot.errors import InputError
from hotchpot.pile.csvfile import parse_pile

HEAD = "id,chemistry,cells,rated_ah,capacity_ah,resistance_mohm,rest_v,rest_hours,soc_frac,temperature_c"
AGM = "lead_agm,6,100,100,5.4,12.8,24,1,20"
LFP = "lfp,4,100,100,6,13.4,24,1,20"

# One case for each rule that the hazards table leaves alone: pile (heading and rows), plan, verdict of the finding.
EXTRA = {
    "joints": (
        [HEAD, f"a,{AGM}"],
        'question="build"\n[duty]\nload_a=100\n[wiring]\njoint_mohm=1.0',
        "forbid",  # 1 mΩ at 100 A: 100 mV and 10 W in one joint
    ),
    "nickel-parallel": (
        [HEAD, "a,nicd,10,100,100,12,,,1,20", "b,nicd,10,100,100,12,,,1,20"],
        'arrangement="a // b"\nquestion="join"',
        None,
    ),
    "isolator": ([HEAD, f"a,{AGM}"], 'question="build"\n[protection]\nisolator="ac"', "forbid"),
    "cable-drop": (
        [HEAD, f"a,{AGM}"],
        # 2 x 5 m x 0.0172 / 16 x 100 A = 1.08 V of 12 V by hand, more when warm
        'question="build"\n[duty]\nload_a=100\n[wiring]\ncable_mm2=16\nrun_m=5',
        "caution",
    ),
    "charge-nimh": ([HEAD, "a,nimh,10,10,10,20,,,0.5,20"], 'question="charge"\n[charger]\nvolts=14.4', "only-if"),
    "protection-rating": (
        [HEAD + ",bms,bms_max_v", f"a,{LFP},yes,20", f"b,{LFP},yes,20"],
        'arrangement="a + b"\nquestion="join"',
        "forbid",  # 2 x 14.6 V on switches that stand 20 V
    ),
    "discharge-temperature": (
        [HEAD, f"a,{AGM[:-2]}-25"],
        'question="discharge"\n[duty]\nload_a=5',
        "forbid",
    ),
    "ventilation": ([HEAD, f"a,{AGM}"], 'question="site"\n[site]\nroom="cabinet"\nvent_m3_per_h=0', "forbid"),
    "duty-energy": (
        [HEAD, f"a,{AGM}"],
        'question="operate"\n[duty]\nenergy_wh_per_day=900\nstill_days=3',
        "caution",  # half of 1.2 kWh against 2.7 kWh
    ),
    "unit-untested": ([HEAD, "a,lead_agm,6,100,,,12.8,24,1,20"], 'question="accept"', "only-if"),
    "unit-gravity": (
        [HEAD + ",gravity", "a,lead_flooded,6,100,100,15,12.66,24,1,20,1.265;1.26;1.2;1.265;1.265;1.26"],
        'question="accept"',
        "forbid",  # 0.065 apart
    ),
    "tap": (
        [HEAD, f"a,{AGM}", f"b,{AGM}"],
        'arrangement="a + b"\nquestion="build"\n[wiring]\ntaps=[{below="b",amps=2.0}]',
        "forbid",  # 48 Ah a day from a 100 Ah string by hand: 2 A x 24 h
    ),
    "disconnect": ([HEAD + ",bms", f"a,{LFP},yes"], 'question="discharge"\n[protection]\ndisconnect_v=9', "forbid"),
    "unit-polarity": ([HEAD, "a,lead_agm,6,100,100,5.4,-12.4,24,,20"], 'question="accept"', "forbid"),
    "series-charge": (
        [HEAD, f"a,{AGM}", "b,lead_agm,6,100,100,5.4,12.2,24,0.5,20"],
        'arrangement="a + b"\nquestion="join"',
        "only-if",
    ),
    "test-plateau": ([HEAD, "a,lfp,4,100,100,6,13.19,24,,20"], 'question="test"', "caution"),
    "join-rest": ([HEAD, "a,lead_agm,6,100,100,5.4,12.8,1,,20"], 'question="test"', "only-if"),
    "unit-contradiction": ([HEAD, "a,lead_agm,6,100,100,5.4,12.2,24,1,20"], 'question="join"', "only-if"),
    "charge-temperature": (
        [HEAD + ",bms", "a,lfp,4,100,100,6,,24,0.5,,yes"],
        'question="charge"\n[duty]\nambient_c=-10\n[charger]\ncharge_frac_per_hour=0.2',
        "forbid",  # the unit's own temperature was not read: the place's counts
    ),
    "system-voltage": ([HEAD, f"a,{AGM}"], 'question="build"\n[duty]\nsystem_v=24', "only-if"),
}


def judged(pile: str, plan: str) -> Judgement:
    """Return the judgement on a pile and a plan as text."""
    return desk.judge_bank(None, parse_pile(pile, name="pile.csv"), parse_plan(plan, name="plan.toml")).judgement


@cache
def judgements() -> tuple[Judgement, ...]:
    """Judge every row of the hazards table and every extra case, once."""
    table = [hazard_cases.case(json.loads(row["inputs_json"]), row["description"]) for row in hazard_cases.rows()]
    extra = [("\n".join(pile), plan) for pile, plan, _ in EXTRA.values()]
    # A plan without a question asks all, of the same banks.
    wide = [(pile, "\n".join(line for line in plan.splitlines() if "question" not in line)) for pile, plan in table]
    return tuple(judged(pile, plan) for pile, plan in table + extra + wide)


def findings() -> Iterator[Finding]:
    """Yield every finding of every case."""
    for judgement in judgements():
        yield from judgement.findings


@pytest.mark.parametrize("code", RULES)
def test_every_rule_is_documented(code: str) -> None:
    """Each rule has a code of its own, a docstring, what it decides on, a source, a gate and known questions."""
    known = RULES[code]
    assert known.code == code
    assert code == code.lower().strip()
    assert len((inspect.getdoc(known.judge) or "").split()) >= 4
    assert known.title
    assert known.decides
    assert known.source
    assert known.gate in Gate
    assert known.questions
    assert set(known.questions) <= set(QUESTIONS)


def test_a_code_is_registered_once() -> None:
    """A second rule under a code that is taken is refused."""
    again = rule("join-surge", title="x", gate=Gate.UNIT, questions=("join",), decides="x", source="x")
    with pytest.raises(ValueError, match="join-surge is registered twice"):
        again(lambda self, case: ())


def test_every_question_is_answered_by_some_rule() -> None:
    """No question of a plan is left without a rule."""
    asked = {question for known in RULES.values() for question in known.questions}
    assert asked == set(QUESTIONS)


@pytest.mark.parametrize("code", EXTRA)
def test_rules_outside_the_table_speak(code: str) -> None:
    """Each rule that the hazards table leaves alone says what its own case calls for."""
    pile, plan, wanted = EXTRA[code]
    said = [f for f in judged("\n".join(pile), plan).findings if f.code == code]
    assert said
    if wanted is not None:
        assert [str(f.verdict) for f in said] == [wanted]


def test_every_rule_fires() -> None:
    """Over the hazards table and the extra cases no rule stays silent."""
    assert set(RULES) - {f.code for f in findings()} == set()


def test_every_finding_can_be_read() -> None:
    """Each finding says what, why, what to do and from which source, about units that exist."""
    for finding in findings():
        for text in (finding.says, finding.why, finding.do, finding.source, finding.quantity):
            assert text.strip(), finding
            assert "None" not in text, finding
            assert "nan" not in text.split(), finding
            assert "{" not in text, finding
        assert finding.says.endswith((".", "?", "!")), finding.says
        assert finding.subject, finding
        assert finding.gate is RULES[finding.code].gate


def test_every_number_is_finite() -> None:
    """Values, doubts and limits are finite numbers or absent, and a doubt is never negative."""
    for finding in findings():
        for number in (finding.value, finding.sd, finding.limit):
            assert number is None or math.isfinite(number), finding
        assert finding.sd is None or finding.sd >= 0


def test_findings_stand_worst_first_and_the_verdict_is_the_worst() -> None:
    """The first finding decides: the worst verdict, of the earliest gate that fails so."""
    for judgement in judgements():
        ranks = [(-f.verdict.rank, f.gate) for f in judgement.findings]
        assert ranks == sorted(ranks)
        worst = max((f.verdict for f in judgement.findings), key=lambda v: v.rank, default=Verdict.FINE)
        assert judgement.verdict is worst


def test_what_was_not_judged_says_what_it_needs() -> None:
    """A rule that cannot decide names what is missing."""
    unasked = [u for judgement in judgements() for u in judgement.unasked]
    assert unasked
    for one in unasked:
        assert one.needs.strip()
        assert one.says.strip()
        assert one.code in RULES


def test_the_page_of_rules_is_fresh(root: Path) -> None:
    """docs/rules.md is what the code makes of its rules today."""
    made = desk.rules_markdown()
    assert (root / "docs" / "rules.md").read_text("utf-8") == made, "write desk.rules_markdown() to docs/rules.md"
    for code in RULES:
        assert f"\n### {code}\n" in made


def test_one_rule_by_code() -> None:
    """A rule is found by its code, and a mistyped code is answered with the nearest."""
    assert [card.code for card in desk.list_rules("join-surge")] == ["join-surge"]
    with pytest.raises(InputError, match="no such rule, did you mean 'join-surge'"):
        desk.list_rules("join-surg")
