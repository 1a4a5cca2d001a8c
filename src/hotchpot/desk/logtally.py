"""What a logger's file has that is not as it should be: words among numbers, rows without all their fields."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from hotchpot.errors import Fault

SHOWN = 4
_TEXT_FRAC = 0.05
_SHORT_FRAC = 0.01
_MOST_ODD = 50_000


@dataclass(slots=True)
class Odd:
    """Cells of one kind that are not as they should be: how many, and the first few with their lines."""

    count: int = 0
    first: list[tuple[int, str]] = field(default_factory=list)

    def add(self, lines: Sequence[int], texts: Sequence[str]) -> None:
        """Count these; `texts` are the first of them."""
        self.count += len(lines)
        for line, text in zip(lines[: len(texts)], texts, strict=True):
            if len(self.first) < SHOWN:
                self.first.append((int(line), text))

    @property
    def shown(self) -> str:
        """The first few in words."""
        return ", ".join(f"{text[:20]!r} at line {line}" for line, text in self.first)

    @property
    def lines(self) -> str:
        """The lines of the first few."""
        return ", ".join(str(line) for line, _ in self.first)


@dataclass(slots=True)
class Tally:
    """What was found odd in a file, column by column."""

    rows: int = 0
    text: dict[str, Odd] = field(default_factory=dict)
    filled: dict[str, int] = field(default_factory=dict)
    short: Odd = field(default_factory=Odd)
    comments: int = 0
    blank: int = 0

    def faults(self, name: str, *, final: bool) -> list[Fault]:
        """Return what makes the file unusable: a column mostly of text, many rows without all their fields."""
        found = []
        for column, odd in self.text.items():
            if odd.count > _TEXT_FRAC * (odd.count + self.filled[column]) and (final or odd.count > _MOST_ODD):
                what = f"column {column!r} holds text in {odd.count} rows: {odd.shown}"
                found.append(Fault(name, what, "take another column, or mend these lines; empty cells are fine"))
        if self.short.count > max(2, _SHORT_FRAC * self.rows) and (final or self.short.count > _MOST_ODD):
            what = (
                f"{self.short.count} of {self.rows} rows have not all their fields, first at lines {self.short.lines}"
            )
            found.append(Fault(name, what, "give each row one field for each column, empty where not known"))
        return found
