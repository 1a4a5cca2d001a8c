"""What cannot be understood of what was typed, told as every other bad input is: where, what, and how to mend it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import typer

from hotchpot.errors import Fault, InputError, nearest

# The parser's own root of what can be wrong with a command line; it has no public name.
UsageError: type[Exception] = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "UsageError")
_LISTED = re.compile(r"argument(?:\(s\)|s)? \((?P<names>.*)\)\s*\.?$", re.DOTALL)
_UNIT = re.compile(r"[%°ΩA-Za-zµμ/]{1,8}")
NOTHING = "nothing stands after it"
_SIGNS = ("//", "+", "(", ")", "*")
_WANTED = {"integer": "a whole number", "number": "a number"}
_BOUND = re.compile(r"(?P<way>greater|less) than or equal to (?P<value>[-\d.]+)")


def told(error: Any, typed: Sequence[str]) -> InputError:
    """
    Return bad usage as bad input.

    Parameters
    ----------
    error : UsageError
        As the parser raised it.
    typed : sequence of str
        What was typed after the program's name.
    """
    context, param = getattr(error, "ctx", None), getattr(error, "param", None)
    message = str(getattr(error, "message", None) or error).strip()
    helps = f"{getattr(context, 'command_path', 'hotchpot')} --help lists what there is"
    option = str(getattr(error, "option_name", "") or "")
    kind = type(error).__name__
    if kind == "NoSuchOption":
        fault = Fault(option, "no such option", _near(option, _options(context), helps))
    elif kind == "MissingParameter" and param is not None:
        fault = _missing(param, typed, helps)
    elif kind == "BadParameter" and param is not None:
        fault = _bad_value(param, message, typed)
    elif "extra argument" in message:
        fault = _extra(message, typed, context, helps)
    elif message.startswith("No such command"):
        word = next(iter(re.findall(r"'([^']*)'", message)), "")
        known = list(getattr(getattr(context, "command", None), "commands", {}))
        fault = Fault(word or "hotchpot", "no such command", _near(word, known, helps))
    elif "requires an argument" in message:
        fault = Fault(option, NOTHING, f"give its value; {helps}")
    else:
        where = option or str(getattr(context, "command_path", "hotchpot"))
        fault = Fault(where, _small(message), helps)
    return InputError([fault])


def _missing(param: Any, typed: Sequence[str], helps: str) -> Fault:
    name = _name(param)
    before = typed[typed.index(name) - 1] if name in typed[1:] else ""
    if before.startswith("--"):  # the option before took it for its own value
        return Fault(before, NOTHING, f"give its value; {helps}")
    return Fault(name, "is missing", f"give {name} {getattr(param, 'metavar', None) or ''}".rstrip())


def _small(message: str) -> str:
    """Return a sentence of the parser's as one of ours begins and ends."""
    said = message.removeprefix("Value error, ").rstrip(".")
    return said[:1].lower() + said[1:]


def _near(word: str, known: Sequence[str], otherwise: str) -> str:
    hint = nearest(word, known)
    return hint if hint.startswith("did you mean") else otherwise


def _name(param: Any) -> str:
    """Return what a parameter is called on the command line."""
    if getattr(param, "param_type_name", "") == "argument":
        return str(getattr(param, "metavar", None) or param.name)
    return str(max(param.opts, key=len))


def _options(context: Any) -> list[str]:
    params = getattr(getattr(context, "command", None), "params", ())
    return [name for param in params for name in param.opts if name.startswith("--")] + ["--help"]


def _bad_value(param: Any, message: str, typed: Sequence[str]) -> Fault:
    """Return what is wrong with one option's value, with the value where it is found again."""
    name, text = _name(param), _value_of(param, typed) or ""
    if " is not one of " in message:
        said, _, listed = message.partition(" is not one of ")
        return Fault(name, f"{text or said!r} is not known here", nearest(text, re.findall(r"'([^']+)'", listed)))
    for kind, wanted in _WANTED.items():
        if f"valid {kind}" in message:
            return Fault(name, f"{text!r} is not {wanted}", f"give {wanted}")
    bound = _BOUND.search(message)
    if bound:
        way = "or more" if bound["way"].startswith("greater") else "at most"
        return Fault(name, f"{text!r} is out of range", f"give {bound['value']} {way}")
    return Fault(name, _small(message), str(getattr(param, "help", "") or "see --help").rstrip("."))


def _value_of(param: Any, typed: Sequence[str]) -> str | None:
    for at, word in enumerate(typed):
        head, joined, tail = word.partition("=")
        if head in param.opts:
            return tail if joined else typed[at + 1] if at + 1 < len(typed) else None
    return None


def _extra(message: str, typed: Sequence[str], context: Any, helps: str) -> Fault:
    """Return what to do with words that nothing takes: mostly quotes were left out."""
    listed = _LISTED.search(message)
    extra = listed["names"] if listed else ""
    words = list(typed)
    for at in range(2, len(words)):
        option, value, word = words[at - 2 : at + 1]
        if option.startswith("--") and option in _options(context) and _UNIT.fullmatch(word) and _numeric(value):
            mend = f'put both in quotes, {option} "{value} {word}", or write {option} {value}{word}'
            return Fault(option, f"{word!r} stands apart from {value}", mend)
    if any(sign in extra.split() for sign in _SIGNS):
        begin = end = next(at for at, word in enumerate(words) if word in _SIGNS)
        while begin > 1 and not words[begin - 1].startswith("-") and not words[begin - 2].startswith("--"):
            begin -= 1
        while end + 1 < len(words) and not words[end + 1].startswith("-"):
            end += 1
        whole = " ".join(words[begin : end + 1])
        return Fault("EXPR", "the arrangement came in several pieces", f"put the whole of it in quotes: '{whole}'")
    return Fault(extra or "hotchpot", "nothing takes this", f"put what belongs together in quotes; {helps}")


def _numeric(text: str) -> bool:
    return bool(re.fullmatch(r"[+-]?[\d.,]+", text))
