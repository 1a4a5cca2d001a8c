"""
The signs of the arrangement notation: how a text falls into ids and signs, and what to write instead of a wrong one.

Nothing is read ahead but one token, so a text that goes wrong early is never read to its end.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from hotchpot.bank.arrangement import WORD
from hotchpot.errors import InputError

_TOKEN = re.compile(
    rf"""\s*+(?:(?P<word>{WORD})
    | "(?P<quote>[^"]*+(?:""[^"]*+)*)"(?!")
    | (?P<sign>//(?!/)|\.\.(?!\.)|[+*(),])
    | (?P<odd>/+|\|+|&+|\.+|.)
    | (?P<end>\Z))""",
    re.VERBOSE | re.DOTALL,
)

_PARALLEL_HINT = "write // for units in parallel"
_BRACKET_HINT = "write round brackets, ( and )"
_QUOTE_HINT = 'write plain double quotes around an id, as in "shed 2"'
_HYPHEN_HINT = 'write + for units in series; an id that begins with - is quoted, as in "-1"'
_COMMA_HINT = "write // or + between units; a comma only stands inside //( ... ) and +( ... )"
_COUNT_HINT = "write the count first and a group after it, as in 2 * //(c1..c8): 2 parallel groups of 4, in series"
_RANGE_HINT = "write //(c1..c8) for units in parallel or +(c1..c8) for units in series"
_HINTS = {
    **dict.fromkeys(("/", "|", "||", "&", "&&", "∥", "‖", "\\"), _PARALLEL_HINT),
    **dict.fromkeys("[]{}", _BRACKET_HINT),
    **dict.fromkeys("'“”„‟‘’«»`", _QUOTE_HINT),
    **dict.fromkeys("-–—−", _HYPHEN_HINT),
    **dict.fromkeys(",;", _COMMA_HINT),
    **dict.fromkeys("*×·", _COUNT_HINT),
    **dict.fromkeys(("..", "...", "…"), _RANGE_HINT),
}


class Token(NamedTuple):
    """One id, sign or stray piece of the text; `kind` is word, quote, sign, odd or end."""

    kind: str
    text: str
    start: int

    @property
    def is_id(self) -> bool:
        """Whether the token is an id, quoted or not."""
        return self.kind in {"word", "quote"}

    def shown(self) -> str:
        """Return the token as it can be shown in a message: short, and visible."""
        if self.kind == "end":
            return "the end"
        text = self.text if len(self.text) <= 40 else self.text[:40] + "..."
        return f"'{text}'" if text.isprintable() else f"U+{ord(text[0]):04X}"


class Signs:
    """A text as a row of tokens: `next` is the one not yet taken."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._lines = "\n" in text.strip()
        self._position = 0
        self.next = self._scan()

    def take(self) -> Token:
        """Return the next token and move on; the end is returned for ever."""
        token = self.next
        if token.kind != "end":
            self.next = self._scan()
        return token

    def at(self, *signs: str) -> bool:
        """Return whether the next token is one of these signs."""
        return self.next.kind == "sign" and self.next.text in signs

    def place(self, start: int) -> str:
        """Return a position in the words of a message; the line is told only where there are several."""
        column = f"column {start - self.text.rfind(chr(10), 0, start)}"
        return f"line {self.text.count(chr(10), 0, start) + 1} {column}" if self._lines else column

    def fault(self, start: int, what: str, mend: str) -> InputError:
        """Return the error that names this position."""
        return InputError.one(f"expression, {self.place(start)}", what, mend)

    def stray(self, token: Token) -> InputError:
        """Return the error for a sign that is wrong where it stands, with what to write instead."""
        hint = _HINTS.get(token.text) or _HINTS.get(token.text[0]) or "leave it out, or quote the id it belongs to"
        return self.fault(token.start, f"{token.shown()} is no sign of the notation here", hint)

    def _scan(self) -> Token:
        match = _TOKEN.match(self.text, self._position)
        assert match is not None  # the pattern ends in "any character" and "the end"
        kind = match.lastgroup or "end"
        start, text = match.start(kind), match[kind]
        self._position = match.end()
        if kind != "quote" and text != '"':
            return Token(kind, text, start)
        if text == '"' and kind == "odd":
            raise self.fault(start, "a quote is opened and never closed", 'put " after the last character of the id')
        if not text:
            raise self.fault(start - 1, "the quotes hold no id", "write the id between them, or take them out")
        return Token("quote", text.replace('""', '"'), start - 1)
