"""
Dates at the beginning of each line, read straight from the bytes: years first, as ISO 8601 has them, to the second.

A general parser of dates takes longer than all the rest of a line. This one takes eight characters at a time as one
number and checks every one of them; where a single line is written otherwise it says so, and the general one is used.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Words = NDArray[np.uint64]

_PATTERN = re.compile(r"%Y-%m-%d(?P<gap>[T ])%H:%M:%S")
_LENGTH = 19
_MOST_DAYS = 1000  # in so many lines
_AT_ONCE = 16_384  # lines, so that all that is made of them stays in the processor's cache
_SIXES, _HIGHS = 0x0606060606060606, 0xF0F0F0F0F0F0F0F0


def gap_of(pattern: str) -> str | None:
    """Return what stands between date and time in a pattern that is read here, else None."""
    match = _PATTERN.fullmatch(pattern)
    return match["gap"] if match else None


def line_seconds(block: bytes, *, gap: str, after: str) -> NDArray[np.float64] | None:
    r"""
    Return the seconds since 1970 that each line of a block begins with; None where any line is written otherwise.

    `gap` stands between date and time, `after` is the one character that follows.

    >>> line_seconds(b"1970-01-02 00:00:01,5\n1970-01-02 00:01:00,5\n", gap=" ", after=",")
    array([86401., 86460.])
    """
    import numpy as np

    if not block.endswith(b"\n") or len(block) <= _LENGTH + 1:
        return None
    ends = np.flatnonzero(np.frombuffer(block, dtype=np.uint8) == 10)
    if len(block) - (int(ends[-2]) + 1 if ends.size > 1 else 0) <= _LENGTH:
        return None
    eights = np.ndarray(len(block) - 7, dtype="<u8", buffer=block, strides=(1,))
    fours = np.ndarray(len(block) - 3, dtype="<u4", buffer=block, strides=(1,))
    seconds = np.empty(ends.size)
    for low in range(0, ends.size, _AT_ONCE):
        part = seconds[low : low + _AT_ONCE]
        starts = np.append(0, ends[: _AT_ONCE - 1] + 1) if low == 0 else ends[low - 1 : low - 1 + part.size] + 1
        if not _fill(part, starts[: part.size], eights, fours, gap=gap, after=after):
            return None
    return seconds


def _fill(
    seconds: NDArray[np.float64],
    starts: NDArray[np.int64],
    eights: Words,
    fours: NDArray[np.uint32],
    *,
    gap: str,
    after: str,
) -> bool:
    """Fill in the seconds of the lines that begin at `starts`; return whether all are written as they should be."""
    import numpy as np

    date = _checked(eights[starts], "0000-00-")
    clock = _checked(eights[starts + 8], f"00{gap}00:00")
    second = _checked(fours[starts + 16].astype(np.uint64), f":00{after}")
    if date is None or clock is None or second is None:
        return False
    hour, minute, count = _two(clock, 3), _two(clock, 6), _two(second, 1)
    days = _day_seconds(date, clock & np.uint64(0xFFFF))
    if days is None or hour.max() > 23 or minute.max() > 59 or count.max() > 60:
        return False
    minute *= np.uint64(60)
    hour *= np.uint64(3600)
    count += minute
    count += hour
    np.add(days, count, out=seconds)
    return True


def _checked(words: Words, form: str) -> Words | None:
    """Return the digits of the words, each in its own byte, or None where one is not of the form (0 is any digit)."""
    import numpy as np

    words ^= np.uint64(int.from_bytes(form.encode().ljust(8, b"\0"), "little"))
    signs = int.from_bytes(bytes(0 if ch == "0" else 255 for ch in form.ljust(8)), "little")
    wrong = words + np.uint64(_SIXES)
    wrong |= words
    wrong &= np.uint64(_HIGHS)
    wrong |= words & np.uint64(signs)
    return None if wrong.any() else words


def _two(words: Words, at: int) -> Words:
    """Return the number that two digits make, the first of which is byte `at`."""
    import numpy as np

    tens = (words >> np.uint64(8 * at)) & np.uint64(15)
    tens *= np.uint64(10)
    tens += (words >> np.uint64(8 * at + 8)) & np.uint64(15)
    return tens


def _day_seconds(date: Words, day: Words) -> NDArray[np.float64] | None:
    """Return the seconds of midnight of each row's day; days change seldom, so each run of one is worked out once."""
    import numpy as np

    starts = np.append(0, np.flatnonzero((date[1:] != date[:-1]) | (day[1:] != day[:-1])) + 1)
    if starts.size > _MOST_DAYS:
        return None
    midnights = []
    for ymd, dd in zip(date[starts].tolist(), day[starts].tolist(), strict=True):
        digits = ymd.to_bytes(8, "little")
        year = digits[0] * 1000 + digits[1] * 100 + digits[2] * 10 + digits[3]
        month, in_month = digits[5] * 10 + digits[6], (dd & 15) * 10 + (dd >> 8 & 15)
        try:
            midnights.append(datetime(year, month, in_month, tzinfo=UTC).timestamp())
        except ValueError:
            return None
    return np.repeat(midnights, np.diff(np.append(starts, date.size)))
