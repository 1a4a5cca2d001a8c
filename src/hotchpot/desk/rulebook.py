"""The judge's rules as a page for people, made from the rules themselves."""

from __future__ import annotations

from itertools import groupby

from hotchpot.desk.asking import RuleCard, list_rules

_HEAD = """\
# The judge's rules

Made from the code by `hotchpot.desk.rules_markdown()`; do not edit this page.
`hotchpot rules CODE` prints one of them.

Rules stand in the order of their gates, and the first gate that fails decides; every finding is listed all the same.
A rule runs when one of its questions is asked, and a plan without a question asks them all.
What a rule cannot decide for want of data it says, and never calls fine.
The equations behind the rules are in [methods/judge.md](methods/judge.md).
"""


def rules_markdown() -> str:
    """Return the page `docs/rules.md`: every rule under its gate, with what it decides on and its source."""
    parts = [_HEAD]
    for gate, cards in groupby(list_rules(), key=lambda card: card.gate):
        parts.append(f"\n## Gate: {gate}\n")
        parts.extend(_card(card) for card in cards)
    return "".join(parts)


def _card(card: RuleCard) -> str:
    lines = [
        f"\n### {card.code}\n",
        f"{card.title}.",
        " ".join(card.says.split()),
        "",
        f"- Decides on: {card.decides}.",
        f"- Asked by: {', '.join(card.questions)}.",
        f"- Source: {card.source}.",
    ]
    return "\n".join(lines) + "\n"
