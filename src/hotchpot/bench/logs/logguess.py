"""The columns of a log by their headings and their values: what speaks for each role, and what speaks against it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

from hotchpot.bench.logs.loglayout import MISSING, Head, is_number
from hotchpot.bench.logs.logtimes import TimeForm, time_form
from hotchpot.bench.logs.logwords import LESS, LESSER, MORE, OTHER, Role, Wording, unit_of, word_of, wording

_MOST_UNITS = 200


@dataclass(slots=True)
class Field:
    """A column of the file with what its heading and its first values say."""

    index: int
    name: str
    says: Wording
    cells: tuple[str, ...]
    values: list[float]
    form: TimeForm | None

    @property
    def numeric(self) -> bool:
        """Whether most of what stands there are numbers; an empty column may hold them later."""
        full = [cell for cell in self.cells if cell.casefold() not in MISSING]
        return sum(map(is_number, full)) >= 0.5 * len(full)

    @property
    def empty(self) -> bool:
        """Whether no number stands there at all."""
        return not any(not math.isnan(value) for value in self.values)

    @property
    def known(self) -> list[float]:
        """The numbers that stand there."""
        return [value for value in self.values if not math.isnan(value)]


@dataclass(slots=True)
class Guess:
    """What is taken for what so far, with the reasons; `headed` where a line names the columns."""

    fields: list[Field]
    headed: bool
    taken: dict[Role, tuple[Field, str]] = field(default_factory=dict)
    ambiguous: list[str] = field(default_factory=list)

    def free(self) -> list[Field]:
        """Return the columns that have no role yet."""
        used = {item.index for item, _ in self.taken.values()}
        return [item for item in self.fields if item.index not in used]


def field_of(head: Head, index: int) -> Field:
    """Return a column of the file's beginning."""
    cells = tuple(row[index] if index < len(row) else "" for row in head.rows)
    values = [head.layout.number(cell) for cell in cells]
    name = head.layout.name(index)
    says = wording(name) if head.layout.headings else Wording("", (), "")
    return Field(index, name, says, cells, values, time_form(cells))


def score_of(role: Role, item: Field) -> float:
    """Return how much a heading, and the kind of its values, speak for a role; 0 or less is not at all."""
    says = item.says
    word = word_of(role, says.words)
    unit = bool(says.unit) and unit_of(role, says.unit) is not None
    if role is Role.UNIT:
        few = len(set(item.cells)) <= min(_MOST_UNITS, max(1, len(item.cells) // 2))
        return 3.0 if word and not says.unit and few and item.form is None and not _other(says) else 0.0
    if not (word or unit) or (says.unit and not unit) or (_other(says) and not (word and unit)):
        return 0.0
    if role is Role.TIME:
        if not (item.form or item.numeric) or (item.empty and item.form is None):
            return 0.0
    elif not item.numeric or item.form is not None:
        return 0.0
    whole = role is Role.VOLTS and unit and MORE.intersection(says.words)  # 'pack_V' is a voltage by its unit alone
    score = (4.0 if word or whole else 0.0) + (3.0 if unit or item.form else 0.0)
    if word == "t" and role is Role.TIME and says.text.startswith("T") and not says.unit:
        score -= 3.0  # a capital T is a temperature at least as often
    score -= 2.0 * bool(LESSER.intersection(says.words)) + 1.0 * bool(LESS.intersection(says.words))
    score += 0.5 * bool(MORE.intersection(says.words)) - 0.5 * any(w[-1].isdigit() for w in says.words)
    return score


def _other(says: Wording) -> bool:
    return bool(OTHER.intersection(says.words)) or says.unit in OTHER


def by_heading(guess: Guess) -> None:
    """Give the roles that headings name, the clearest first."""
    if not guess.headed:
        return
    used = {item.index for item, _ in guess.taken.values()}
    scores = sorted(
        ((score_of(role, item), -item.index, role) for role in Role for item in guess.fields if item.index not in used),
        key=lambda entry: (-entry[0], -entry[1]),
    )
    for score, at, role in scores:
        item = guess.fields[-at]
        if score <= 0 or role in guess.taken or item.index in {other.index for other, _ in guess.taken.values()}:
            continue
        rivals = [guess.fields[-k].name for s, k, r in scores if r is role and s == score and k != at]
        guess.taken[role] = (item, f"heading {item.name!r}")
        if rivals and role is not Role.TIME:
            also = ", ".join(repr(rival) for rival in rivals[:6])
            guess.ambiguous.append(f"{role}: {item.name!r} was taken; {also} would do as well (state {role}=...)")


def by_values(guess: Guess) -> None:
    """Give the roles that no heading named, from the values alone: time, then volts and amps."""
    if Role.TIME not in guess.taken:
        rising = [item for item in guess.free() if item.form or rises(item)]
        if rising:
            best = max(rising, key=lambda item: (item.form is not None and not item.form.clock, -item.index))
            guess.taken[Role.TIME] = (best, "its values rise row by row" if best.form is None else "it holds dates")
    open_roles = [role for role in (Role.VOLTS, Role.AMPS) if role not in guess.taken]
    left = [item for item in guess.free() if item.numeric and item.known and not _foreign(item, guess.headed)]
    if not open_roles or not left:
        return
    volts = [item for item in left if _like_volts(item)]
    if Role.VOLTS in open_roles and volts:
        best = min(volts, key=lambda item: (not 0.9 <= _middle(item) <= 80 and _middle(item) < 900, item.index))
        guess.taken[Role.VOLTS] = (best, f"its values, near {_middle(best):.5g}, are those of a battery's voltage")
        alike = [item.name for item in volts if item is not best and min(item.known) > 0]
        if alike and not guess.headed:
            guess.ambiguous.append(
                f"volts: {best.name!r} was taken by its values; {', '.join(alike)} would pass as well"
            )
    if Role.AMPS in open_roles:
        left = [item for item in left if all(item is not other for other, _ in guess.taken.values())]
        amps = [item for item in left if _spread(item) > 0.02] or left
        if amps:
            best = max(amps, key=lambda item: (min(item.known) <= 0, _spread(item) > 0.3, -item.index))
            guess.taken[Role.AMPS] = (best, "its values change as a current's do")
            if len(amps) > 1:
                alike = [item.name for item in amps if item is not best]
                guess.ambiguous.append(f"amps: {best.name!r} was taken by its values; {', '.join(alike)} might be it")
    rest = [item for item in guess.free() if item.numeric and item.known and not guess.headed]
    warm = [item for item in rest if min(item.known) >= -30 and max(item.known) <= 80 and 0 < _spread(item) < 0.5]
    if Role.TEMPERATURE not in guess.taken and len(warm) == 1 and _middle(warm[0]) > 0:
        guess.taken[Role.TEMPERATURE] = (
            warm[0],
            f"its values, near {_middle(warm[0]):.3g}, are those of a temperature",
        )


def _foreign(item: Field, headed: bool) -> bool:
    """Whether a heading says that a column is something else."""
    if not headed:
        return False
    named = any(word_of(role, item.says.words) for role in Role)
    return _other(item.says) or bool(item.says.unit) or (named and not item.says.text.startswith("column "))


def rises(item: Field) -> bool:
    """Return whether a column's numbers rise row by row."""
    values = item.known
    steps = [b - a for a, b in pairwise(values)]
    return bool(steps) and sum(step > 0 for step in steps) >= 0.9 * len(steps) and len(values) > 0.9 * len(item.cells)


def _middle(item: Field) -> float:
    return sorted(item.known)[len(item.known) // 2]


def _spread(item: Field) -> float:
    """Return the range of a column's values over the largest of them."""
    most = max(abs(value) for value in item.known)
    return (max(item.known) - min(item.known)) / most if most else 0.0


def _like_volts(item: Field) -> bool:
    return min(item.known) > 0.5 and _spread(item) < 0.7
