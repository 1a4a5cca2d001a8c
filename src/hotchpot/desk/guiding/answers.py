"""What a person types at a step of a guide: numbers, words, flags; what is wrong with it, and what would be right."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from hotchpot.errors import InputError, nearest
from hotchpot.pile.unit import FLAGS
from hotchpot.pile.words import FLAG_WORDS
from hotchpot.quantities import number_readings, parse_quantity

if TYPE_CHECKING:
    from hotchpot.bench.procedure.procedures import Step

Answers = Mapping[str, Any]
NOTHING_SEEN = ("none", "nothing", "no", "fine")
_CLOCK = re.compile(r"(\d{1,6}):([0-5]\d)")
_DECIMALS = re.compile(r"[+-]?\d*(?:[.,](\d*))?")


def number(text: str, unit: str, low: float | None, high: float | None, *, where: str) -> float:
    """
    Return the number that was typed, in `unit`.

    Raises
    ------
    InputError
        If it is none, or out of what is possible.

    Examples
    --------
    >>> number("12,61", "V", 0, 20, where="volts"), number("12610 mV", "V", 0, 20, where="volts")
    (12.61, 12.61)
    """
    span = "" if low is None or high is None else f"{low:.6g} to {high:.6g} {unit} is possible".replace("  ", " ")
    if not text.strip():
        raise InputError.one(where, "nothing was typed", f"give a number; {span}" if span else "give a number")
    if unit == "h" and (clock := _CLOCK.fullmatch(text.strip())):
        hours = int(clock[1]) + int(clock[2]) / 60.0
        raise InputError.one(where, f"{text.strip()!r} is a time of a clock", f"give hours as one number: {hours:.4g}")
    plain = number_readings(text)
    fitting = [v for v in plain if low is None or high is None or low <= v <= high]
    value = fitting[0] if fitting else plain[0] if plain else parse_quantity(text, unit, where=where)
    if low is not None and high is not None and not low <= value <= high:
        slip = f"; did you mean {value / 1000:g}?" if low <= value / 1000 <= high and value >= 1000 else ""
        raise InputError.one(where, f"{value:g} {unit}".rstrip() + " cannot be", span + slip)
    return value


def is_sound(kind: str, value: Any) -> bool:
    """
    Tell whether an answer out of a draft has the shape that a step of this kind needs.

    >>> is_sound("do", "2026-03-01T08:00:00"), is_sound("do", "soon"), is_sound("read", 12.6)
    (True, False, False)
    """
    if kind == "do":
        return _is_moment(value)
    if kind == "wait":
        return isinstance(value, dict) and all(_is_moment(value[key]) for key in ("began", "ended") if key in value)
    if kind == "watch":
        looks = value.get("looks") if isinstance(value, dict) else None
        return isinstance(looks, list) and all(_is_look(look) for look in looks)
    if kind in ("list", "flags"):
        return isinstance(value, list) and all(isinstance(item, str) for item in value)
    return isinstance(value, str)


def _is_moment(value: Any) -> bool:
    try:
        return isinstance(value, str) and datetime.fromisoformat(value).tzinfo is None
    except ValueError:
        return False


def _is_look(look: Any) -> bool:
    return isinstance(look, dict) and isinstance(look.get("at"), (int, float)) and len(look) > 1


def count_of(texts: Sequence[str]) -> float | None:
    """
    Return the last digit of a voltmeter by the digits typed, the finest of several; None where units were typed too.

    >>> count_of(["12.7", "12.65"]), count_of(["12610 mV"])
    (0.01, None)
    """
    found = [_DECIMALS.fullmatch(text.strip()) for text in texts]
    if not texts or not all(found):
        return None
    digits = max(len(match[1] or "") for match in found if match)
    return float(f"1e-{digits}") if digits <= 4 else None


def picked(step: Step, text: str) -> str:
    """Return the option that was typed, or its beginning where that is one option only."""
    word = text.casefold()
    found = [option for option in step.options if word and option.startswith(word)]
    if len(found) != 1:
        raise InputError.one(step.title, f"{text!r} is none of them", f"type {' or '.join(step.options)}")
    return found[0]


def seen_flags(step: Step, text: str) -> list[str]:
    """Return the flags that were typed; `none` is an empty list, and nothing typed is no answer."""
    words = [re.sub(r"[\s-]+", "_", part.strip().casefold()) for part in re.split(r"[,;|]", text) if part.strip()]
    if not words:
        raise InputError.one(step.title, "nothing was typed", f"type none, or what you see: {', '.join(FLAGS)}")
    if len(words) == 1 and words[0] in NOTHING_SEEN:
        return []
    for word in words:
        if word not in FLAGS and word not in FLAG_WORDS:
            raise InputError.one(step.title, f"{word!r} is no flag", f"{nearest(word, FLAGS)}; or type none")
    return list(dict.fromkeys(FLAG_WORDS.get(word, word) for word in words))
