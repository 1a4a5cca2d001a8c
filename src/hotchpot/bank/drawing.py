"""
The arrangement as a drawing in plain characters, as circuit drawings are.

Lying, the current flows from (+) at the left to (−) at the right: series members in line, parallel branches between two
rails. Where that is too wide, it stands: series members one below the other, the numbered branches of a parallel group
listed between its two rails. Polarity alone fixes the ends; nothing here is to scale.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import groupby

from hotchpot.bank.arrangement import Block, Parallel, Series, Single, fold, ids, parallel, ranges, series
from hotchpot.errors import InputError

MOST_UNITS_DRAWN = 40  # every one of them; above, runs of like structure are drawn once and counted
NARROWEST = 24
_RUN_OF_UNITS = 4
_RUN_OF_GROUPS = 3


def draw(block: Block, label: Callable[[str], str] = lambda id: id, *, width: int = 100) -> str:  # noqa: A006
    """
    Return the drawing, no line wider than `width`; `label` says what is written in a unit's box.

    >>> from hotchpot.bank.notation import parse
    >>> print(draw(parse("A1 // A2 // A3 + B1")))
    (+)─┬─[A1]─┬─[B1]─(−)
        ├─[A2]─┤
        └─[A3]─┘
    >>> print(draw(parse("A1 // A2 // A3 + B1"), lambda id: f"{id} from the shed", width=24))
    (+)
     │
    ━┷━ 3 in parallel
     ┊ 1 [A1 from the shed]
     ┊ 2 [A2 from the shed]
     ┊ 3 [A3 from the shed]
    ━┯━
     │
    [B1 from the shed]
     │
    (−)
    """
    if width < NARROWEST:
        raise InputError.one("width", f"{width} columns are too few for a drawing", f"give at least {NARROWEST}")
    sketch = _sketch(block, label)
    ends = cells("(+)─" + "─(−)")
    if fold(sketch, _lying_width, _group_width) + ends <= width:
        lying = fold(sketch, _lying_unit, _lying_group)
        first, *rest = lying.lines
        lines = [f"(+)─{first}─(−)", *(f"    {line}" for line in rest)]
    else:
        lines = list(_standing(sketch, width))
    return "\n".join(line.rstrip() for line in lines)


def cells(text: str) -> int:
    """Return how many columns a terminal gives the text: two for wide characters, none for combining ones."""
    if text.isascii():
        return len(text)
    return sum(_char_cells(char) for char in text)


def _char_cells(char: str) -> int:
    if unicodedata.category(char) in {"Mn", "Me", "Cf"}:
        return 0
    return 2 if unicodedata.east_asian_width(char) in {"W", "F"} else 1


# --- what is drawn: a tree whose ids are the texts in the boxes ---


@dataclass(frozen=True, slots=True)
class _Part:
    """A block with its shape (alike for like structures), its ids, and what to draw for it."""

    shape: str
    names: tuple[str, ...]
    drawn: Block


def _sketch(block: Block, label: Callable[[str], str]) -> Block:
    def single(node: Single) -> _Part:
        return _Part("1", (node.id,), Single(_written(label(node.id))))

    def group(node: Parallel | Series, parts: list[_Part]) -> _Part:
        kind, shapes = type(node).__name__, [part.shape for part in parts]
        shape = f"{kind}({','.join(sorted(shapes) if isinstance(node, Parallel) else shapes)})"
        names = tuple(name for part in parts for name in part.names)
        return _Part(shape, names, _join(node, drawn(node, parts)))

    def drawn(node: Parallel | Series, parts: list[_Part]) -> list[Block]:
        return [part.drawn for part in parts] if whole else list(_abbreviated(node, parts))

    whole = len(ids(block)) <= MOST_UNITS_DRAWN
    return fold(block, single, group).drawn


def _join(node: Parallel | Series, members: list[Block]) -> Block:
    return parallel(*members) if isinstance(node, Parallel) else series(*members)


def _written(text: str) -> str:
    return re.sub(r"[\s\x00-\x1f\x7f-\x9f\ud800-\udfff]+", " ", text).strip() or "?"


def _abbreviated(node: Parallel | Series, parts: list[_Part]) -> Iterator[Block]:
    """Yield what to draw for the members: of a run of like groups the first, then how many more there are."""
    way = "in parallel" if isinstance(node, Parallel) else "in series"
    for shape, neighbours in groupby(parts, key=lambda part: part.shape):
        run = list(neighbours)
        if shape == "1" and len(run) >= _RUN_OF_UNITS:
            yield Single(f"{_span(run)} × {len(run)}, {way}")
        elif shape != "1" and len(run) >= _RUN_OF_GROUPS:
            yield run[0].drawn
            yield Single(f"× {len(run) - 1} more built alike, {way}: {_span(run[1:])}")
        else:
            yield from (part.drawn for part in run)


def _span(run: list[_Part]) -> str:
    """Return the ids from first to last: with two dots where they count up without a gap, an ellipsis where not."""
    names = [name for part in run for name in part.names]
    spans = ranges(names)
    return spans[0] if len(spans) == 1 else f"{_written(names[0])} … {_written(names[-1])}"


# --- lying: the wire runs along the top line of every picture ---


@dataclass(frozen=True, slots=True)
class _Picture:
    """Lines of the same width; the wire enters and leaves at the ends of the first."""

    width: int
    lines: list[str]


def _lying_width(node: Single) -> int:
    return cells(node.id) + 2


def _group_width(node: Parallel | Series, widths: list[int]) -> int:
    return max(widths) + 4 if isinstance(node, Parallel) else sum(widths) + len(widths) - 1


def _lying_unit(node: Single) -> _Picture:
    return _Picture(_lying_width(node), [f"[{node.id}]"])


def _lying_group(node: Parallel | Series, parts: list[_Picture]) -> _Picture:
    width = _group_width(node, [part.width for part in parts])
    return _Picture(width, list(_between_rails(parts) if isinstance(node, Parallel) else _in_line(parts)))


def _in_line(parts: list[_Picture]) -> Iterator[str]:
    for row in range(max(len(part.lines) for part in parts)):
        wire = "─" if row == 0 else " "
        yield wire.join(part.lines[row] if row < len(part.lines) else " " * part.width for part in parts)


def _between_rails(parts: list[_Picture]) -> Iterator[str]:
    inner = max(part.width for part in parts)
    for index, part in enumerate(parts):
        last = index == len(parts) - 1
        left, right = "┬┬" if index == 0 else "└┘" if last else "├┤"
        first, *rest = part.lines
        yield f"{left}─{first}{'─' * (inner - part.width)}─{right}"
        rail = " " if last else "│"
        yield from (f"{rail} {line}{' ' * (inner - part.width)} {rail}" for line in rest)


# --- standing: always fits, since what would be indented too far is drawn below as a part of its own ---


def _standing(sketch: Block, width: int) -> Iterator[str]:
    parts: list[list[str]] = []

    def single(node: Single) -> list[str]:
        return _box(node.id, max(width - 16, min(width - 6, 24)))  # leaves room to stand inside a group or two

    def group(node: Parallel | Series, members: list[list[str]]) -> list[str]:
        return _listed(members, width, parts) if isinstance(node, Parallel) else _stacked(members)

    yield from ("(+)", " │", *fold(sketch, single, group), " │", "(−)")
    for number, lines in enumerate(parts, start=1):
        yield from ("", f"part {number}:", " │", *lines, " │")


def _box(text: str, width: int) -> list[str]:
    """Return a unit's box; a text that is too wide goes on below, at a space where it can, and is never cut off."""
    rows = [""]
    for word in re.split(r"(?<= )", text):
        if cells(rows[-1] + word.rstrip()) > width - 2 and rows[-1]:
            rows.append("")
        for char in word:
            if cells(rows[-1]) + _char_cells(char) > width - 2:
                rows.append("")
            rows[-1] += char
    rows = ["[" + rows[0], *(" " + row for row in rows[1:])]
    return [row.rstrip() for row in rows[:-1]] + [rows[-1] + "]"]


def _stacked(members: list[list[str]]) -> list[str]:
    first, *rest = members
    return first + [line for member in rest for line in (" │", *member)]


def _listed(members: list[list[str]], width: int, parts: list[list[str]]) -> list[str]:
    digits = len(str(len(members)))
    lines = [f"━┷━ {len(members)} in parallel"]
    for number, member in enumerate(members, start=1):
        branch = member
        if max(map(cells, member)) + digits + 4 > width:
            parts.append(member)
            branch = [f"[part {len(parts)}]"]
        lines.append(f" ┊ {number:>{digits}} {branch[0]}")
        lines.extend(f" ┊ {' ' * digits} {line}" for line in branch[1:])
    return [*lines, "━┯━"]
