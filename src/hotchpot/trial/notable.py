"""
What to look at in a trial: findings with their limits and sources, the weightiest first.

The checks (`harms`, `filled`, `openings`, `strained`, `surges`, `carried`, `warmth`) yield facts under a code; the
words stand in `texts`. A check that has nothing to say yields nothing; one that holds is told as fine, so that its
figures are seen.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.circuit.record import Record
from hotchpot.trial.carried import CARRIED
from hotchpot.trial.filled import FILLED
from hotchpot.trial.harms import HARMS
from hotchpot.trial.look import Figure, Look, Said, span
from hotchpot.trial.openings import OPENINGS
from hotchpot.trial.outcome import Share
from hotchpot.trial.passed import possible
from hotchpot.trial.scenario import Scenario
from hotchpot.trial.strained import STRAINED
from hotchpot.trial.surges import SURGES
from hotchpot.trial.texts import MOST_NAMED, NOTHING, TEXTS
from hotchpot.trial.warmth import WARMTH

__all__ = ["Figure", "Look", "notable", "span"]

CHECKS = (*HARMS, *FILLED, *OPENINGS, *STRAINED, *SURGES, *CARRIED, *WARMTH)
MOST_ALIKE = 4  # findings of one code and verdict; more are told in the last of them


def notable(
    bank: Bank, scenario: Scenario, record: Record, shares: Sequence[Share], plan: Plan | None = None
) -> tuple[Finding, ...]:
    """Return what is worth knowing of a run, the weightiest first; many units alike are told as one."""
    look = Look(bank, scenario, possible(record), tuple(shares), plan or Plan())
    order = list(TEXTS)
    found = _gathered(_finding(said) for check in CHECKS for said in check(look))
    return tuple(sorted(found, key=lambda f: (-f.verdict.rank, order.index(f.code))))


def _gathered(found: Iterable[Finding]) -> list[Finding]:
    """Return findings, of those with one code and verdict only the worst few; the last of them names all others."""
    alike: dict[tuple[str, Verdict], list[Finding]] = defaultdict(list)
    for finding in found:
        alike[finding.code, finding.verdict].append(finding)
    kept = []
    for same in alike.values():
        if len(same) > MOST_ALIKE:
            same.sort(key=lambda f: -abs(f.value or 0.0))
        few, rest = same[:MOST_ALIKE], same[MOST_ALIKE:]
        if rest:
            others = tuple(name for finding in rest for name in finding.subject)
            says = f"{few[-1].says} The same, if less, of {len(rest)} more."
            few[-1] = replace(few[-1], says=says, subject=(*few[-1].subject, *others))
        kept += few
    return kept


def _finding(said: Said) -> Finding:
    words = TEXTS[said.code]
    value, limit = (None if number is None else float(number) for number in (said.value, said.limit))
    given = {"value": value, "limit": limit, "unit": ", ".join(said.subject[:MOST_NAMED]), **said.facts}
    facts = {name: Figure(value) if isinstance(value, float) else value for name, value in given.items()}
    fine = said.verdict is Verdict.FINE
    return Finding(
        code=said.code,
        gate=words.gate,
        verdict=said.verdict,
        subject=said.subject,
        quantity=words.quantity,
        says=words.says.format(**facts),
        why="Inside its limits." if fine else words.why.format(**facts),
        do=NOTHING if fine else words.do.format(**facts),
        source=f"{words.source}; {said.source}" if said.source else words.source,
        value=value,
        limit=limit,
        unit=words.unit,
    )
