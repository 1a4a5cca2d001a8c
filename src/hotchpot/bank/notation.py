"""
Reading an arrangement from text: `//` is parallel, `+` is series, `//` binds tighter, brackets as usual.

    expression = term { "+" term }
    term       = factor { "//" factor }
    factor     = id | "(" expression ")" | [ count "*" ] group
    group      = ( "//" | "+" ) "(" item { "," item } ")"
    item       = id [ ".." id ]

The reader keeps its own stack and looks at the text once, so its time grows with the text and nothing else. Every fault
names its column, counted from 1. Printing is `show`, beside the tree it prints.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

from hotchpot.bank.arrangement import Block, Single, counted, parallel, quoted, series, show
from hotchpot.bank.signs import Signs, Token
from hotchpot.errors import MOST_FAULTS_SHOWN, Fault, InputError, nearest

__all__ = ["MAX_DEPTH", "MAX_RANGE", "MAX_TEXT", "MAX_UNITS", "parse", "show"]

MAX_TEXT = 1_000_000  # characters
MAX_UNITS = 10_000  # in one bank
MAX_RANGE = 20_000  # ids in one range
MAX_DEPTH = 100  # brackets in brackets
_MOST_COMPARED = 40_000  # ids of the pile, over all unknown units; a near spelling is slow to find


@dataclass(slots=True)
class _Level:
    """What has been read of one bracket: finished terms, the branches of the term at hand, and the last sign."""

    opened: Token | None = None
    terms: list[Block] = field(default_factory=list)
    branches: list[Block] = field(default_factory=list)
    sign: Token | None = None

    def block(self) -> Block:
        return series(*self.terms, parallel(*self.branches))


class _Reader(Signs):
    """Reads one text from left to right and keeps every unit with its place."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.units: list[tuple[str, int]] = []

    def single(self, name: str, start: int) -> Single:
        self.units.append((name, start))
        if len(self.units) > MAX_UNITS:
            raise self.fault(start, f"more than {MAX_UNITS} units in one bank", "plan it as several smaller banks")
        try:
            return Single(name)
        except InputError as error:
            raise self.fault(start, error.faults[0].what, error.faults[0].mend) from None

    def expression(self) -> Block:
        """Return the whole text as one block."""
        levels = [_Level()]
        while True:
            while self.at("("):
                self._open(levels)
            level = levels[-1]
            level.branches.append(self._factor(level))
            while self.at(")"):
                self._close(levels)
            level = levels[-1]
            token = self.take()
            if token.kind == "end":
                return self._finish(levels)
            if token.kind != "sign" or token.text not in {"//", "+"}:
                raise self._no_sign(token)
            level.sign = token
            if token.text == "+":
                level.terms.append(parallel(*level.branches))
                level.branches = []

    def _open(self, levels: list[_Level]) -> None:
        token = self.take()
        if len(levels) > MAX_DEPTH:
            what = f"brackets are nested deeper than {MAX_DEPTH}"
            raise self.fault(token.start, what, "take out brackets that change nothing")
        levels.append(_Level(token))

    def _close(self, levels: list[_Level]) -> None:
        token = self.take()
        if len(levels) == 1:
            raise self.fault(
                token.start, "this ) closes a bracket that was never opened", "take it out, or put ( before"
            )
        block = levels.pop().block()
        levels[-1].branches.append(block)

    def _finish(self, levels: list[_Level]) -> Block:
        if opened := levels[-1].opened:
            raise self.fault(opened.start, "this ( is never closed", "put ) after the last unit that belongs inside")
        return levels[0].block()

    def _factor(self, level: _Level) -> Block:
        token = self.take()
        if token.is_id:
            if token.kind == "word" and self.at("*") and token.text.isascii() and token.text.isdigit():
                return self._repeat(token)
            return self.single(token.text, token.start)
        if token.kind == "sign" and token.text in {"//", "+"} and self.at("("):
            return _join(token.text, list(self._group(token)))
        raise self._no_unit(token, level)

    def _group(self, sign: Token) -> Iterator[Single]:
        """Yield the units of ``//(c001..c080, d7)``, from the bracket to its end."""
        opened = self.take()
        while True:
            yield from self._item(sign)
            token = self.take()
            if token.kind == "end":
                raise self.fault(
                    opened.start, "this ( is never closed", "put ) after the last unit that belongs inside"
                )
            if token == (token.kind, ")", token.start):
                return
            if token.kind != "sign" or token.text != ",":
                raise self._no_comma(token, sign)

    def _item(self, sign: Token) -> Iterator[Single]:
        first = self.take()
        if not first.is_id:
            what = f"a group {sign.text}( ... ) needs an id here; found {first.shown()}"
            raise self.fault(
                first.start, what, f"write ids or ranges with commas between, as in {sign.text}(c1..c8, d7)"
            )
        if not self.at(".."):
            yield self.single(first.text, first.start)
            return
        dots, last = self.take(), self.take()
        if not last.is_id:
            raise self.fault(dots.start, "this range has no end", "write the last id after the two dots, as in c1..c8")
        for name in self._range(first, last):
            yield self.single(name, first.start)

    def _range(self, first: Token, last: Token) -> Iterator[str]:
        low, high = counted(first.text), counted(last.text)
        if low is None or high is None:
            token = first if low is None else last
            what = f"{token.shown()} cannot bound a range"
            raise self.fault(
                token.start, what, "a range counts in the number at the end of its ids, of 18 digits at most"
            )
        (prefix, start, width), (other, stop, _) = low, high
        if prefix != other:
            what = f"the range's ends begin unlike: '{prefix[:40]}' and '{other[:40]}'"
            raise self.fault(
                last.start, what, f"end it with an id such as {quoted(f'{prefix[:40]}{start + 1:0{width}d}')}"
            )
        if stop <= start:
            raise self.fault(last.start, f"the range does not rise: {start} to {stop}", "put the lower number first")
        if last.text != (right := f"{prefix}{stop:0{width}d}"):
            what = f"the range's ends are padded with zeros unlike: {first.shown()} and {last.shown()}"
            raise self.fault(last.start, what, f"end it with {quoted(right)}, or begin it with as many digits")
        if stop - start >= MAX_RANGE:
            raise self.fault(first.start, f"the range holds {stop - start + 1} ids", f"{MAX_RANGE} are the most")
        return (f"{prefix}{number:0{width}d}" for number in range(start, stop + 1))

    def _repeat(self, count: Token) -> Block:
        """Return ``3 * +(c1..c12)``: that many like groups, cut from the ids in order, joined the other way."""
        star, sign = self.take(), self.take()
        if sign.kind != "sign" or sign.text not in {"//", "+"} or not self.at("("):
            what = f"{count.shown()} * can only stand before a group; found {sign.shown()}"
            mend = "every unit has its own id, so name them all: 2 * //(c1..c8) is 2 parallel groups of 4, in series"
            raise self.fault(star.start, what, mend)
        units = list(self._group(sign))
        groups = int(count.text) if len(count.text) < 7 else 0
        if groups < 1 or len(units) % groups or len(units) == groups > 1:
            what = f"{len(units)} units cannot be cut into {count.shown()} like groups of two or more"
            raise self.fault(
                count.start, what, "give a count that divides the units and leaves at least two in each group"
            )
        size = len(units) // groups
        cut = [_join(sign.text, units[at : at + size]) for at in range(0, len(units), size)]
        return _join("+" if sign.text == "//" else "//", cut)

    def _no_unit(self, token: Token, level: _Level) -> InputError:
        if token.kind == "odd" or (token.kind == "sign" and token.text in {"*", ",", ".."}):
            return self.stray(token)
        before = level.sign or level.opened
        if before is None:
            return self.fault(
                token.start, f"nothing stands before {token.shown()}", "begin with a unit, such as A1 // A2"
            )
        if before.text == "(" and token.text == ")":
            return self.fault(before.start, "these brackets hold nothing", "name a unit between them, or take them out")
        what = f"a unit is missing between {before.shown()} and {token.shown()}"
        return self.fault(before.start, what, f"name a unit after {before.shown()}, or take it out")

    def _no_sign(self, token: Token) -> InputError:
        if not token.is_id and token.text != "(":
            return self.stray(token)
        what = f"no sign stands before {token.shown()}"
        together = f"{self.units[-1][0]} {token.text}" if token.is_id and self.units else ""
        spaced = f'; an id with a space in it is quoted: "{together}"' if together and len(together) < 60 else ""
        return self.fault(token.start, what, f"put // (parallel) or + (series) between them{spaced}")

    def _no_comma(self, token: Token, sign: Token) -> InputError:
        if token.kind == "odd":
            return self.stray(token)
        what = f"a group {sign.text}( ... ) takes ids and ranges with commas between; found {token.shown()}"
        return self.fault(token.start, what, f"put a comma, or join smaller blocks with {sign.text} and plain brackets")


def _join(sign: str, blocks: list[Block] | list[Single]) -> Block:
    return parallel(*blocks) if sign == "//" else series(*blocks)


def parse(text: str, known: Collection[str] | None = None) -> Block:
    """
    Return the arrangement that `text` tells; with `known`, every unit must be one of these ids.

    >>> parse("A1 // A2 + B1") == parse("(A1 // A2) + (B1)")
    True
    >>> parse("A1 // A7", known=["A1", "A17"])
    Traceback (most recent call last):
    hotchpot.errors.InputError: expression, column 7: no unit has the id 'A7', did you mean 'A17'?
    """
    if len(text) > MAX_TEXT:
        raise InputError.one(
            f"expression, column {MAX_TEXT + 1}", f"it has {len(text)} characters", f"{MAX_TEXT} are the most"
        )
    if not text.strip():
        raise InputError.one("expression, column 1", "the expression is empty", "name a unit, such as A1 // A2")
    reader = _Reader(text)
    block = reader.expression()
    if faults := [*_faults(reader, known)]:
        raise InputError(faults)
    return block


def _faults(reader: _Reader, known: Collection[str] | None) -> Iterator[Fault]:
    """Yield a fault for each unit that is not known and each that stands twice, in order of appearance."""
    pile = None if known is None else frozenset(known)
    first: dict[str, int] = {}
    unknown = 0
    for name, start in reader.units:
        where = f"expression, {reader.place(start)}"
        if name in first:
            what = f"unit {_short(name)} is used twice, first at {reader.place(first[name])}"
            yield Fault(where, what, "a unit can stand in one place only: take one out, or name the unit that is meant")
            continue
        first[name] = start
        if pile is not None and name not in pile:
            unknown += 1
            helped = unknown <= MOST_FAULTS_SHOWN and unknown * len(pile) <= _MOST_COMPARED
            hint = "see the ids of the pile"
            if not pile:
                hint = "the pile is empty"
            elif helped:
                hint = nearest(name[:60], known or ())
            yield Fault(where, f"no unit has the id {_short(name)}", hint)


def _short(name: str) -> str:
    return f"'{name}'" if len(name) <= 60 else f"'{name[:60]}...'"
