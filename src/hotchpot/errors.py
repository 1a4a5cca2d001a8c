"""
What can go wrong, as one small tree.

    HotchpotError
    ├── InputError      what was given cannot be used: says where, what, and how to mend it
    └── NoAnswerError   the question is sound, but no arrangement or plan answers it
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

MOST_FAULTS_SHOWN = 20


class HotchpotError(Exception):
    """Anything that Hotchpot itself raises on purpose."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with an input: where it stands, what is wrong, what would be right."""

    where: str
    what: str
    mend: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}, {self.mend}"


class InputError(HotchpotError):
    """Input that cannot be used; carries every fault found, not only the first."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        shown = [str(fault) for fault in self.faults[:MOST_FAULTS_SHOWN]]
        more = len(self.faults) - len(shown)
        if more > 0:
            shown.append(f"... and {more} more faults of this input")
        super().__init__("\n".join(shown))

    @classmethod
    def one(cls, where: str, what: str, mend: str) -> InputError:
        """Return an error with a single fault."""
        return cls([Fault(where, what, mend)])


class NoAnswerError(HotchpotError):
    """A sound question without an answer, such as a pile with nothing safe to join."""


def nearest(word: str, known: Iterable[str]) -> str:
    """
    Return a hint such as ``did you mean 'lfp'?``, or the known words when none is near.

    The same letters in other capitals come first, then what is near.

    >>> nearest("a3", ["A33", "A3"]), nearest("A33", ["A3", "B7"])
    ("did you mean 'A3'?", "did you mean 'A3'?")
    """
    words = list(known)
    same = next((one for one in words if one.casefold() == word.strip().casefold()), None)
    if same is not None:
        return f"did you mean {same!r}?"
    near = get_close_matches(word, words, n=1, cutoff=0.55)
    if near:
        return f"did you mean {near[0]!r}?"
    listed = ", ".join(words[:14]) + (" ..." if len(words) > 14 else "")
    return f"known are: {listed}"
