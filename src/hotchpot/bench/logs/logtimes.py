"""Times as loggers write them: seconds and their parts, epoch numbers, dates of several orders, times of day."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

_DATE_TIME = re.compile(
    r"(?P<a>\d{1,4})(?P<sep>[-./])(?P<b>\d{1,2})(?P=sep)(?P<c>\d{1,4})"
    r"(?:(?P<gap>[T ])(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?P<part>[.,]\d+)?)?"
    r"(?P<half> ?[AaPp][Mm])?(?P<zone> ?(?:Z|UTC|[+-]\d{2}:?\d{2}))?)?"
)
_CLOCK = re.compile(r"(?P<hour>\d+):(?P<minute>\d{2})(?::(?P<second>\d{2})(?P<part>[.,]\d+)?)?")
EPOCHS = ((1e18, 1e-9, "ns"), (1e15, 1e-6, "µs"), (1e12, 1e-3, "ms"), (1e9, 1.0, "s"))
_EPOCH_SPAN = 2.2  # from 2001 to 2039
DAY_S = 86400.0
_WORDS = (
    ("%Y", "yyyy"), ("%y", "yy"), ("%m", "mm"), ("%d", "dd"), ("%H", "HH"), ("%I", "HH"), ("%M", "MM"), ("%S", "SS"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class TimeForm:
    """
    How a column writes dates: `pattern` with the signs of strftime, for the whole text without its zone.

    `clock` is true for times of day or spans such as 12:30:05; `fraction` for fractions of a second; `zone` for a text
    after the time; `doubt` says what could be read another way.
    """

    pattern: str
    clock: bool = False
    fraction: bool = False
    zone: bool = False
    half: bool = False
    doubt: str = ""

    @property
    def words(self) -> str:
        """The form as people write it, such as ``dd.mm.yyyy HH:MM:SS``."""
        if self.clock:
            return "hours:minutes:seconds"
        text = self.pattern
        for sign, word in _WORDS:
            text = text.replace(sign, word)
        return text + (".ff" if self.fraction else "")


def time_form(cells: Sequence[str]) -> TimeForm | None:
    """
    Return the form that all these cells have, or None when they are not dates or times of day.

    >>> time_form(["24.03.2024 07:00:06", "24.03.2024 07:00:16"]).pattern
    '%d.%m.%Y %H:%M:%S'
    >>> time_form(["2024-03-24T07:00:06.5Z"]).pattern
    '%Y-%m-%dT%H:%M:%S'
    """
    full = [cell for cell in cells if cell]
    if not full:
        return None
    clocks = [_CLOCK.fullmatch(cell) for cell in full]
    if all(clocks):
        return TimeForm("", clock=True, fraction=any(match and match["part"] for match in clocks))
    matches = [match for cell in full if (match := _DATE_TIME.fullmatch(cell))]
    if len(matches) < 0.9 * len(full):
        return None
    order, doubt = _order(matches)
    if not order:
        return None
    first = matches[0]
    pattern = first["sep"].join(order)
    if first["gap"]:
        pattern += first["gap"] + ("%I:%M" if first["half"] else "%H:%M") + (":%S" if first["second"] else "")
    return TimeForm(
        pattern,
        fraction=any(match["part"] for match in matches),
        zone=any(match["zone"] for match in matches),
        half=bool(first["half"]),
        doubt=doubt,
    )


def _order(matches: Sequence[re.Match[str]]) -> tuple[tuple[str, ...], str]:
    """Return the order of year, month and day, and what is doubtful about it."""
    a, b, c = ([match[k] for match in matches] for k in "abc")
    if max(len(x) for x in a) == 4:
        return ("%Y", "%m", "%d"), ""
    year = "%Y" if max(len(x) for x in c) == 4 else "%y"
    most_a, most_b = max(map(int, a)), max(map(int, b))
    if most_a > 31 or most_b > 31 or min(most_a, most_b) > 12:
        return (), ""
    if most_a > 12 or matches[0]["sep"] == ".":
        return ("%d", "%m", year), ""
    if most_b > 12:
        return ("%m", "%d", year), ""
    if len(set(b)) > len(set(a)):  # what changes faster is the day
        return ("%m", "%d", year), ""
    doubt = "" if len(set(a)) > len(set(b)) else f"{matches[0][0]!r} is read as day, month, year"
    return ("%d", "%m", year), doubt


def seconds_of(cell: str, form: TimeForm) -> float:
    """Return the seconds that a cell stands for, from any zero; not-a-number where it is none of the form."""
    if form.clock:
        match = _CLOCK.fullmatch(cell)
        if not match:
            return float("nan")
        part = float((match["part"] or "0").replace(",", "."))
        return int(match["hour"]) * 3600.0 + int(match["minute"]) * 60.0 + int(match["second"] or 0) + part
    match = _DATE_TIME.fullmatch(cell)
    if not match:
        return float("nan")
    numbers = dict(zip(_signs(form.pattern), (int(match[k]) for k in "abc"), strict=True))
    year = numbers.get("%Y", numbers.get("%y", 0) + 2000)
    hour = int(match["hour"] or 0)
    if match["half"]:
        hour = hour % 12 + (12 if "p" in match["half"].casefold() else 0)
    try:
        when = datetime(
            year, numbers["%m"], numbers["%d"], hour, int(match["minute"] or 0), int(match["second"] or 0),
            tzinfo=timezone(timedelta(0)),
        )  # fmt: skip
    except ValueError:
        return float("nan")
    shift = _zone_s((match["zone"] or "").strip())
    return when.timestamp() + float((match["part"] or "0").replace(",", ".")) - shift


def _zone_s(zone: str) -> float:
    """Return how far a zone is ahead of universal time. [s]"""
    if not zone or zone[0] not in "+-":
        return 0.0
    digits = zone[1:].replace(":", "")
    return (int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0) * (-1.0 if zone[0] == "-" else 1.0)


def _signs(pattern: str) -> list[str]:
    return re.findall(r"%[Yymd]", pattern)[:3]


def epoch_unit(values: Sequence[float]) -> tuple[str, float] | None:
    """
    Return the unit and its factor to seconds where these numbers count from 1970, else None.

    >>> epoch_unit([1700000000123.0]), epoch_unit([12.5])
    (('ms', 0.001), None)
    """
    low, high = min(values), max(values)
    for least, factor, unit in EPOCHS:
        if least <= low and high <= _EPOCH_SPAN * least:
            return unit, factor
    return None
