"""The plan file's keys as tables for people, made from the metadata that also checks them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import Field, fields
from typing import Any

from hotchpot.bank.plan import QUESTIONS, SECTIONS, Tap
from hotchpot.bank.rules import RULES
from hotchpot.desk.asking import LOOSE_QUESTIONS

_MEANT = {
    "accept": "is each unit fit to be used at all",
    "join": "may they be brought together so",
    "charge": "does the charger suit every unit",
    "discharge": "do load, cut-off and cold suit every unit",
    "build": "do fuses, cable, links and switches suit it",
    "site": "do air, sparks and room suit it",
    "operate": "may it be run so from day to day",
    "test": "does a test that is meant to be made tell anything, and harm nothing",
    "tap": "may a load be taken from part of a string",
}
_HEAD = ("| key | unit | values | meaning |", "|---|---|---|---|")


def plan_markdown() -> str:
    """Return the tables of `docs/plan-file.md`: the questions, then every section with its keys."""
    return "\n".join([*_top(), "", *_questions(), *(line for name in SECTIONS for line in _section(name))]) + "\n"


def _top() -> Iterator[str]:
    yield "### Above the sections\n"
    yield from _HEAD
    yield '| `arrangement` |  | text | what is judged, such as `"A1 // A2"`; one on the command line goes before it |'
    yield "| `question` |  | one of the questions below, or a list of them | what is asked; all of them when left out |"


def _questions() -> Iterator[str]:
    yield "### The questions\n"
    yield "| question | asks | without an arrangement | rules |"
    yield "|---|---|---|---|"
    for question in QUESTIONS:
        loose = "unit by unit" if question in LOOSE_QUESTIONS else "one unit only"
        count = sum(question in rule.questions for rule in RULES.values())
        yield f"| `{question}` | {_MEANT[question]} | {loose} | {count} |"


def _section(name: str) -> Iterator[str]:
    kind = SECTIONS[name]
    yield f"\n### `[{name}]`\n"
    yield f"{_said(kind)}\n"
    yield from _HEAD
    for spec in fields(kind):
        if spec.name == "taps":
            yield "| `taps` |  | list of tables | loads taken from part of the bank; the keys of each stand below |"
        else:
            yield _row(spec)
    if any(spec.name == "taps" for spec in fields(kind)):
        yield "\n#### Each of `taps`\n"
        yield f"{_said(Tap)}\n"
        yield from _HEAD
        yield from (_row(spec) for spec in fields(Tap))


def _said(kind: type[Any]) -> str:
    return " ".join((kind.__doc__ or "").split())


def _row(spec: Field[Any]) -> str:
    return f"| `{spec.name}` | {spec.metadata['unit']} | {_values(spec)} | {spec.metadata['help']} |"


def _values(spec: Field[Any]) -> str:
    """Return what may stand for a key, in words, by the same rules as the reader of plan files checks it."""
    kind = str(spec.type)
    if "bool" in kind:
        return "true or false"
    if "str" in kind:
        choices = spec.metadata["choices"]
        return ", ".join(f'`"{word}"`' for word in choices) if choices else "text"
    return f"{spec.metadata['low']:.12g} to {spec.metadata['high']:.12g}"
