"""What a logger's file has that is not as it should be: words among numbers, rows without all their fields."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from hotchpot.bench.logs.logcolumns import Columns
from hotchpot.bench.remark import Remark, Weight
from hotchpot.desk.logs.logprobe import Probe
from hotchpot.errors import Fault

SHOWN = 4
_SOURCE = "common practice, no source"
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

    def join(self, other: Odd, line: int) -> None:
        """Add what a later block has, the first line of which is `line`."""
        self.count += other.count
        self.first = [*self.first, *((line + at, text) for at, text in other.first)][:SHOWN]

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

    def join(self, other: Tally, line: int) -> None:
        """Add what a later block has, the first line of which is `line`."""
        self.rows += other.rows
        self.comments += other.comments
        self.blank += other.blank
        self.short.join(other.short, line)
        for column, odd in other.text.items():
            self.text.setdefault(column, Odd()).join(odd, line)
        for column, count in other.filled.items():
            self.filled[column] = self.filled.get(column, 0) + count

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


def file_remarks(tally: Tally, found: Probe, columns: Columns) -> Iterator[Remark]:
    """Yield what is to be said of a file as a whole."""
    name = found.path.name
    if found.cut_line:
        says = f"the last line is cut off and was left out: {found.cut_line.strip()[:40]!r}"
        yield _noted(name, "log-cut-line", says, "the logger lost power or the copy was broken off", "copy it again")
    if found.lost_bytes:
        says = f"{found.lost_bytes} zero bytes at the end were left out"
        yield _noted(name, "log-zero-bytes", says, "the logger lost power while it wrote", "copy it again")
    for column, odd in tally.text.items():
        says = f"{odd.count} cells of column {column!r} are no numbers and count as missing: {odd.shown}"
        yield _noted(name, "log-text", says, "a logger writes such words where it cannot read", "look at these lines")
    if tally.short.count:
        says = f"{tally.short.count} rows without all their fields were left out, first at lines {tally.short.lines}"
        yield _noted(name, "log-short-rows", says, "their numbers may be cut off too", "look at these lines")
    if tally.comments:
        says = f"{tally.comments} lines of comment between the rows were left out"
        yield _noted(name, "log-comments", says, "they begin with a sign of comment", "nothing")
    why, do = "the file can be read another way", "state the columns if it is wrong"
    for doubt in columns.ambiguous:
        yield replace(_noted(name, "log-columns", doubt, why, do), weight=Weight.DOUBTFUL)


def _noted(name: str, code: str, says: str, why: str, do: str) -> Remark:
    return Remark(code=code, weight=Weight.NOTED, subject=name, says=says, why=why, do=do, source=_SOURCE)
