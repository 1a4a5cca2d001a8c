"""The rules in the terminal."""

from __future__ import annotations

from hotchpot.desk import RuleCard
from hotchpot.faces.cli.looks import console, heading, say, table


def show(cards: tuple[RuleCard, ...]) -> None:
    """Print one rule in full, or all as a table."""
    if len(cards) == 1:
        card = cards[0]
        heading(f"{card.code}: {card.title}")
        say(card.says)
        say(f"Decides on: {card.decides}.")
        say(f"Asked by: {', '.join(card.questions)}. Gate: {card.gate}.")
        say(f"Source: {card.source}.")
        return
    rows = table("code", "gate", "decides on", "source")
    for card in cards:
        rows.add_row(card.code, card.gate, card.decides, card.source)
    console().print(rows)
