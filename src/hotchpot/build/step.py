"""What a joining plan is made of: steps with readings and stop limits, joining resistors, and how they are worded."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from hotchpot.bank.arrangement import Block, natural, ranges
from hotchpot.bank.verdict import Verdict

_Item = TypeVar("_Item")
_MOST_NAMES = 8
MANY = 24  # units; of more, like ones are spoken of by their kind and not one by one


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """
    One action, what the meter should read then, and at what reading to stop.

    `reads` says it in words; `expect` and `tolerance` are the same as numbers in `unit`, None where nothing is read.
    `minutes` is how long the step takes or waits, None where it takes no longer than its reading.
    """

    number: int
    title: str
    do: str
    units: tuple[str, ...]
    reads: str
    expect: float | None
    tolerance: float | None
    unit: str
    stop_if: str
    why: str
    minutes: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Resistor:
    """
    A resistor to join a branch through: at least `ohm` and `watt`, for about `minutes`.

    `start_a` flows at first; the branch may be closed directly once the gap has fallen to `stop_v`.
    """

    units: tuple[str, ...]
    ohm: float
    watt: float
    minutes: float
    start_a: float
    stop_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class JoiningPlan:
    """
    How to bring one bank together.

    `charge_first` gives the volts to charge a unit to, alone. `resistors` may stand in for that charge between parallel
    branches. `order` lists the branches in the order they are joined, innermost groups first.
    """

    block: Block
    verdict: Verdict
    steps: tuple[Step, ...]
    charge_first: Mapping[str, float]
    resistors: tuple[Resistor, ...]
    order: tuple[tuple[str, ...], ...]
    cautions: tuple[str, ...]


def step(
    title: str,
    do: str,
    *,
    units: Iterable[str] = (),
    reads: str = "",
    expect: float | None = None,
    tolerance: float | None = None,
    unit: str = "",
    stop_if: str = "",
    why: str = "",
    minutes: float | None = None,
) -> Step:
    """Return a step that has no number yet."""
    return Step(
        number=0,
        title=title,
        do=do,
        units=tuple(units),
        reads=reads,
        expect=expect,
        tolerance=tolerance,
        unit=unit,
        stop_if=stop_if,
        why=why,
        minutes=minutes,
    )


def numbered(steps: Iterable[Step]) -> tuple[Step, ...]:
    """Return the steps numbered from 1."""
    return tuple(replace(one, number=number) for number, one in enumerate(steps, start=1))


def names(ids: Iterable[str]) -> str:
    """Return ids in words, runs as ranges: ``A1, A2 and c001..c080``; cut where nobody would read on."""
    listed = list(ids)
    spans = ranges(listed)
    if len(spans) > _MOST_NAMES:
        listed = sorted(listed, key=natural)
        spans = ranges(listed)
    if len(spans) > _MOST_NAMES:
        shown = listed[: _MOST_NAMES - 2]
        return ", ".join(shown) + f" and {len(listed) - len(shown)} more"
    return " and ".join([", ".join(spans[:-1]), spans[-1]]) if len(spans) > 1 else "".join(spans)


def volts(value: float) -> str:
    """Return a voltage as a hand meter shows it: 10 mV, or 1 mV below a volt."""
    return f"{value:.2f} V" if abs(value) >= 1.0 else f"{value:.3f} V"


def amps(value: float) -> str:
    """Return a current in three figures, never finer than a clamp meter shows."""
    return f"{value:.2f} A" if abs(value) < 1.0 else f"{value:.3g} A" if abs(value) < 1000 else f"{value:.0f} A"


def span(hours: float) -> str:
    """Return a time in words, minutes below two hours."""
    return f"{60 * hours:.0f} min" if hours < 2.0 else f"{hours:.0f} h" if hours >= 10.0 else f"{hours:.1f} h"


def between(values: Sequence[float], word: Callable[[float], str]) -> str:
    """Return one value in words, or the lowest and highest where they differ."""
    low, high = word(min(values)), word(max(values))
    return low if low == high else f"{low} to {high}"


def gathered(items: Iterable[_Item], *keys: Callable[[_Item], Hashable], most: int) -> list[list[_Item]]:
    """Return `items` in groups by the first key, finest first, that makes at most `most` groups; else in one group."""
    listed = list(items)
    for key in keys:
        groups: dict[Hashable, list[_Item]] = {}
        for item in listed:
            groups.setdefault(key(item), []).append(item)
        if len(groups) <= most:
            return list(groups.values())
    return [listed] if listed else []
