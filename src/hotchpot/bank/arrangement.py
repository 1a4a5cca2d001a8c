"""
The arrangement of a bank: a tree of single units, parallel groups and series strings.

Trees are values: they are never changed, and equal trees are equal. All that walks them is a loop with its own stack,
so neither a wide nor a deep tree meets Python's recursion limit here. Reading a tree from text is in `notation`.

>>> str((unit("A1") // unit("A2")) + unit("B1"))
'A1 // A2 + B1'
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import TypeVar

from hotchpot.errors import InputError

_Out = TypeVar("_Out")

# What may stand in an id without quotes: letters and digits of any script, the marks that belong to such letters,
# underscore and hyphen; a dot only between two of them, because two dots make a range.
_MARKS = "\u0300-\u036f\u0591-\u05c7\u064b-\u065f\u0900-\u0dff\u0e00-\u0fff"
# Only sets are possessive: possessive groups match wrongly in the first releases of Python 3.11.
WORD = rf"\w[\w\-{_MARKS}]*+(?:\.[\w\-{_MARKS}]++)*"
_PLAIN = re.compile(WORD)
_BROKEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")

SHORTEST_RANGE = 4  # ids; three are as quickly read one by one
SHORTEST_REPEAT = 8  # units; below, the plain circuit is as short and says more
_LONGEST_NUMBER = 18  # digits; serial numbers are shorter


class _Joins:
    """The two joins as operators; `//` binds tighter than `+`, as in Python itself."""

    __slots__ = ()

    def __floordiv__(self: Block, other: object) -> Block:  # type: ignore[misc]  # the only subclasses are the blocks
        return parallel(self, other) if isinstance(other, Single | Parallel | Series) else NotImplemented

    def __add__(self: Block, other: object) -> Block:  # type: ignore[misc]
        return series(self, other) if isinstance(other, Single | Parallel | Series) else NotImplemented

    def __str__(self: Block) -> str:  # type: ignore[misc]
        return show(self)


@dataclass(frozen=True, slots=True)
class Single(_Joins):
    """One unit, by its id."""

    id: str

    def __post_init__(self) -> None:
        if not self.id:
            raise InputError.one("unit id", "it is empty", "give every unit an id, such as A1")
        if broken := _BROKEN.search(self.id):
            what = f"{self.id[:40]!r} holds the control character U+{ord(broken[0]):04X}"
            raise InputError.one("unit id", what, "use characters that can be printed")


@dataclass(frozen=True, slots=True)
class Parallel(_Joins):
    """Two or more blocks between the same two rails."""

    members: tuple[Block, ...]

    def __post_init__(self) -> None:
        _require_two(self.members, "parallel group")


@dataclass(frozen=True, slots=True)
class Series(_Joins):
    """Two or more blocks in line, the first at the positive end."""

    members: tuple[Block, ...]

    def __post_init__(self) -> None:
        _require_two(self.members, "series string")


Block = Single | Parallel | Series


def _require_two(members: tuple[Block, ...], name: str) -> None:
    if len(members) < 2:
        raise InputError.one(name, f"it has {len(members)} members", "join at least two blocks")


def unit(id: str) -> Single:  # noqa: A002  # the word of the pile file
    """Return the block of one unit."""
    return Single(id)


def parallel(*blocks: Block) -> Block:
    """Return `blocks` in parallel, groups in groups flattened; a single block comes back unchanged."""
    return blocks[0] if len(blocks) == 1 else Parallel(tuple(_opened(blocks, Parallel)))


def series(*blocks: Block) -> Block:
    """Return `blocks` in series, strings in strings flattened; a single block comes back unchanged."""
    return blocks[0] if len(blocks) == 1 else Series(tuple(_opened(blocks, Series)))


def _opened(blocks: Iterable[Block], kind: type[Parallel] | type[Series]) -> Iterator[Block]:
    for block in blocks:
        if isinstance(block, kind):
            yield from block.members
        else:
            yield block


def walk(block: Block) -> Iterator[Block]:
    """Yield every node, each group before its members, units in order of appearance."""
    waiting: list[Block] = [block]
    while waiting:
        node = waiting.pop()
        yield node
        if not isinstance(node, Single):
            waiting.extend(reversed(node.members))


def fold(
    block: Block, single: Callable[[Single], _Out], group: Callable[[Parallel | Series, list[_Out]], _Out]
) -> _Out:
    """Return one result for the whole tree, worked out from the units upwards: `group` gets its members' results."""
    done: list[_Out] = []
    waiting: list[tuple[Block, bool]] = [(block, False)]
    while waiting:
        node, members_done = waiting.pop()
        if isinstance(node, Single):
            done.append(single(node))
        elif members_done:
            count = len(node.members)
            parts = done[-count:]
            done[-count:] = [group(node, parts)]
        else:
            waiting.append((node, True))
            waiting.extend((member, False) for member in reversed(node.members))
    return done[0]


def ids(block: Block) -> tuple[str, ...]:
    """Return the ids of all units in order of appearance."""
    return tuple(node.id for node in walk(block) if isinstance(node, Single))


def depth(block: Block) -> int:
    """Return how many levels the tree has: 1 for a single unit, one more for each group around it."""
    return fold(block, lambda _: 1, lambda _, parts: 1 + max(parts))


def strings(block: Block) -> tuple[Block, ...]:
    """Return the branches that run from the bank's one pole to the other; a bank without any is one string."""
    return block.members if isinstance(block, Parallel) else (block,)


def canonical(block: Block) -> Block:
    """
    Return the one form that all tellings of the same circuit share.

    Nesting is flattened and parallel members are sorted, A2 before A10. Series order stays: taps and drawings need it.
    """

    def group(node: Parallel | Series, parts: list[Block]) -> Block:
        if isinstance(node, Series):
            return series(*parts)
        return parallel(*sorted(_opened(parts, Parallel), key=lambda part: natural(show(part, short=False))))

    return fold(block, lambda single: single, group)


def same(a: Block, b: Block) -> bool:
    """Return whether two trees tell the same circuit."""
    return canonical(a) == canonical(b)


def natural(text: str) -> tuple[tuple[tuple[str, int, str], ...], str]:
    """Return a sort key that counts: A2 before A10; texts that differ only in zero padding still differ."""
    pieces = re.split(r"([0-9]+)", text)
    counts = [digits.lstrip("0") for digits in pieces[1::2]] + [""]
    return tuple((word, len(count), count) for word, count in zip(pieces[::2], counts, strict=True)), text


def counted(id: str) -> tuple[str, int, int] | None:  # noqa: A002
    """Return an id as its prefix, last number and that number's width; None where it does not end in a number."""
    prefix = id.rstrip("0123456789")
    digits = id[len(prefix) :]
    return (prefix, int(digits), len(digits)) if 0 < len(digits) <= _LONGEST_NUMBER else None


def quoted(id: str) -> str:  # noqa: A002
    """Return the id as the notation writes it: in double quotes only where it needs them."""
    return id if _PLAIN.fullmatch(id) else '"' + id.replace('"', '""') + '"'


def show(block: Block, *, short: bool = True) -> str:
    """Return the block in the notation, in its shortest form; with `short` off, every id is written out."""

    def group(node: Parallel | Series, parts: list[tuple[str, bool]]) -> tuple[str, bool]:
        if short and (repeat := _repeat(node)):
            return repeat, True
        pieces = list(_pieces(node, parts, short=short))
        return f" {_sign(node)} ".join(pieces), len(pieces) == 1

    text, _ = fold(block, lambda single: (quoted(single.id), True), group)
    return text


def _sign(node: Parallel | Series) -> str:
    return "//" if isinstance(node, Parallel) else "+"


def _pieces(node: Parallel | Series, parts: list[tuple[str, bool]], *, short: bool) -> Iterator[str]:
    pairs = zip(node.members, parts, strict=True)
    for units, neighbours in groupby(pairs, key=lambda pair: isinstance(pair[0], Single)):
        run = list(neighbours)
        spans = ranges([member.id for member, _ in run if isinstance(member, Single)]) if units and short else []
        if spans and len(spans) < len(run):
            yield f"{_sign(node)}({', '.join(spans)})"
            continue
        for member, (text, whole) in run:
            loose = isinstance(node, Parallel) and isinstance(member, Series) and not whole
            yield f"({text})" if loose else text


def _repeat(node: Parallel | Series) -> str | None:
    """Return ``7 * //(c01..c14)`` for like groups that are cut from one range, None for anything else."""
    other = Series if isinstance(node, Parallel) else Parallel
    groups = [member.members for member in node.members if isinstance(member, other)]
    units = [member.id for group in groups for member in group if isinstance(member, Single)]
    like = len(groups) == len(node.members) and len({len(group) for group in groups}) == 1
    if not like or len(units) != len(groups) * len(groups[0]) or len(units) < SHORTEST_REPEAT:
        return None
    spans = ranges(units)
    return f"{len(groups)} * {'+' if other is Series else '//'}({spans[0]})" if len(spans) == 1 else None


def ranges(names: list[str]) -> list[str]:
    """Return the ids as the notation writes them, with four or more that count upwards written as one range."""
    spans: list[str] = []
    start = 0
    while start < len(names):
        stop = _run_end(names, start)
        if stop - start >= SHORTEST_RANGE:
            spans.append(f"{quoted(names[start])}..{quoted(names[stop - 1])}")
        else:
            spans.extend(map(quoted, names[start:stop]))
        start = stop
    return spans


def _run_end(names: list[str], start: int) -> int:
    stop = start + 1
    if first := counted(names[start]):
        prefix, number, width = first
        while stop < len(names) and names[stop] == f"{prefix}{number + stop - start:0{width}d}":
            stop += 1
    return stop
