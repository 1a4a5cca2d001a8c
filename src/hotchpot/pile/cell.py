"""One column's texts to values: numbers however they are written, dates, words; what is wrong is collected by row."""

from __future__ import annotations

import re
import unicodedata
from calendar import monthrange
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import partial
from typing import Any

from hotchpot.chemistry import KEYS
from hotchpot.errors import nearest
from hotchpot.pile.columns import BY_NAME, Column, Kind
from hotchpot.pile.heading import Heading
from hotchpot.pile.unit import FLAGS
from hotchpot.quantities import number_readings, split_amount, tidy, unit_line

_SHOWN = 40
_TRUE, _FALSE = ("yes", "true", "1", "y"), ("no", "false", "0", "n")
_CHEMISTRY_WORDS = {
    "agm": "lead_agm", "gel": "lead_gel", "flooded": "lead_flooded", "leadacidflooded": "lead_flooded",
    "lifepo4": "lfp", "nicad": "nicd", "sodiumion": "naion",
} | {key.replace("_", ""): key for key in KEYS}  # fmt: skip
_DATES = (
    re.compile(r"(?P<y>\d{4})(?:\.0)?"),  # a year that a spreadsheet took for a decimal number is still a year
    re.compile(r"(?P<y>\d{4})-(?P<m>\d{1,2})(?:-(?P<d>\d{1,2}))?(?:[ T]00:00(?::00)?)?"),
    re.compile(r"(?:(?P<d>\d{1,2})\.)?(?P<m>\d{1,2})\.(?P<y>\d{4})"),
    re.compile(r"(?P<m>\d{1,2})/(?P<y>\d{4})"),
)


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong in one row's cell, and what would be right."""

    row: int
    what: str
    mend: str


@dataclass(slots=True)
class Style:
    """
    How the numbers of a file are written.

    `commas` and `dots`: decimal commas and decimal points are both seen in the file's number columns. With both, a
    text such as ``1.234`` can mean two numbers a thousand apart; it is asked back rather than guessed.
    """

    commas: bool = False
    dots: bool = False
    comma_separated: bool = True

    def readings(self, text: str) -> tuple[float, ...]:
        """Return the numbers that `text` can mean in this file."""
        found = number_readings(text)
        if len(found) < 2:
            return found
        if "," in text:
            return found if self.comma_separated or self.dots else found[:1]
        return found if self.commas else found[:1]


@dataclass(slots=True)
class Read:
    """The values of one column, None where a cell is empty or wrong, and what is wrong."""

    values: list[Any]
    problems: list[Problem] = field(default_factory=list)


def read_column(heading: Heading, texts: Sequence[str], style: Style) -> Read:
    """Return one column's values and problems."""
    if not heading.column.numeric:
        return _each(texts, _READERS[heading.column.kind])
    values = _all_plain(heading, texts, style)
    return _each(texts, partial(_number, heading, style)) if values is None else Read(values)


def _each(texts: Sequence[str], reader: Callable[[str], Any]) -> Read:
    read = Read([])
    for row, text in enumerate(texts):
        value: Any = None
        if text := text.strip():
            try:
                value = reader(text)
            except _WrongError as wrong:
                read.problems.append(Problem(row, wrong.what, wrong.mend))
        read.values.append(value)
    return read


def style_of(columns: Iterable[Sequence[str]], *, delimiter: str) -> Style:
    """Return how the numbers of these columns are written."""
    style = Style(comma_separated=delimiter == ",")
    for texts in columns:
        joined = "\n".join(texts)
        if "," in joined:
            style.commas = True
            style.dots = style.dots or any("." in text and "," not in text for text in texts)
        else:
            style.dots = style.dots or "." in joined
    return style


class _WrongError(Exception):
    def __init__(self, what: str, mend: str) -> None:
        self.what, self.mend = what, mend
        super().__init__(what)


def _all_plain(heading: Heading, texts: Sequence[str], style: Style) -> list[Any] | None:
    """Return the values where every cell is a plain number in range, or None: thousands of rows take this way."""
    column = heading.column
    joined = "".join(texts)
    if heading.converts or "_" in joined or not joined.isascii() or (style.commas and style.dots):
        return None
    if "," in joined:
        if style.comma_separated:
            return None
        texts = [text.replace(",", ".") for text in texts]
    try:
        values = [float(text) if text else None for text in texts]
    except ValueError:
        return None
    low, high = column.low, column.high
    if not all(low <= value <= high for value in values if value is not None):  # NaN fails both
        return None
    if column.kind is Kind.WHOLE:
        return None if any(value % 1 for value in values if value is not None) else [_whole(v) for v in values]
    return values


def _whole(value: float | None) -> int | None:
    return None if value is None else int(value)


def _number(heading: Heading, style: Style, text: str) -> float | int:
    column = heading.column
    candidates = _candidates(heading, text, style)
    if not candidates:
        raise _WrongError(f"{_quoted(text)} is not a number", f"give {column.span}, or leave it empty if not known")
    fitting = [value for value in candidates if column.low <= value <= column.high]
    if not fitting:
        raise _WrongError(
            f"{_quoted(text)} is out of range", f"{column.span} is possible{_slip(column, candidates[0])}"
        )
    if len(fitting) > 1:
        mend = "write it without a separator of thousands, with one decimal sign throughout the file"
        raise _WrongError(
            f"{_quoted(text)} can mean {fitting[0]:g} or {fitting[1]:g} {column.unit_shown}".rstrip(), mend
        )
    if column.kind is not Kind.WHOLE:
        return fitting[0]
    if fitting[0] % 1:
        raise _WrongError(f"{_quoted(text)} is not a whole number", f"give a whole number, {column.span}")
    return int(fitting[0])


def _candidates(heading: Heading, text: str, style: Style) -> list[float]:
    """Return what a cell can mean in the column's unit; a unit in the cell beats the heading's."""
    scale, offset = heading.scale, heading.offset
    readings = style.readings(text)
    if not readings and heading.column.unit:
        amount = split_amount(text)
        unit = amount[1] if amount else ""
        if unit == "%" and heading.column.unit == "1/month":
            unit = "%/month"
        line = unit_line(unit, heading.column.unit) if unit else None
        if amount is None or line is None:
            return []
        readings, (scale, offset) = style.readings(amount[0]), line
    if (scale, offset) == (1.0, 0.0):
        return list(readings)
    return [tidy(value * scale + offset) for value in readings]


def _slip(column: Column, value: float) -> str:
    """Return a guess at the slip behind a value out of range."""
    if column.unit in ("1", "1/month") and column.high < value <= 100 * column.high:
        return f"; did you mean {value:g} %?"
    unmeasured = value == 0 and column.kind is Kind.NUMBER and not column.needed
    return "; leave it empty if it was not measured" if unmeasured else ""


def _quoted(text: str) -> str:
    return repr(text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "...")


def _id(text: str) -> str:
    if not text.isprintable():
        bad = next(ch for ch in text if not ch.isprintable())
        raise _WrongError(
            f"{_quoted(text)} has a character that cannot be printed (U+{ord(bad):04X})", "write the id without it"
        )
    return text


def _text(text: str) -> str:
    bad = [ch for ch in text if unicodedata.category(ch) == "Cc" and ch not in "\t\r\n"]
    if bad:
        raise _WrongError(f"a control character (U+{ord(bad[0]):04X})", "write the text without it")
    return text


def _date(text: str) -> str:
    for pattern in _DATES:
        match = pattern.fullmatch(text)
        if match:
            parts = match.groupdict()
            year, month, day = (int(parts.get(key) or default) for key, default in (("y", 0), ("m", 1), ("d", 1)))
            if 1900 <= year <= 2100 and 1 <= month <= 12 and 1 <= day <= monthrange(year, month)[1]:
                written = (f"{year}", parts.get("m") and f"{month:02}", parts.get("d") and f"{day:02}")
                return "-".join(part for part in written if part)
    if re.fullmatch(r"\d{1,2}/\d{1,2}/\d{2,4}", text):
        raise _WrongError(f"{_quoted(text)} can be read two ways", "write the year first, as in 2019-03-25")
    raise _WrongError(f"{_quoted(text)} is not a year or a date", "write 2019, 2019-03 or 2019-03-25")


def _chemistry(text: str) -> str:
    key = _CHEMISTRY_WORDS.get(re.sub(r"[\s_-]", "", text.casefold()))
    slip = get_close_matches(text.casefold(), KEYS, n=1, cutoff=0.8)
    if key is None and not slip and text.casefold().strip().startswith(("lead", "pb", "sla", "vrla")):
        raise _WrongError(
            f"{_quoted(text)} does not say which lead type",
            "write lead_flooded (vents with caps), lead_agm or lead_gel (both sealed)",
        )
    if key is None:
        raise _WrongError(f"unknown chemistry {_quoted(text)}", nearest(text.casefold()[:_SHOWN], KEYS))
    return key


def _gravities(text: str) -> tuple[float, ...]:
    items = [item for item in re.split(r"\s*[;|]\s*|,\s+|\s+", text) if item]
    if len(items) == 1 and text.count(".") > 1:  # points are the decimal signs, so the commas stand between
        items = text.split(",")
    low, high = BY_NAME["gravity"].low, BY_NAME["gravity"].high
    values = []
    for item in items:
        fitting = [value for value in number_readings(item) if low <= value <= high]
        if not fitting:
            slip = "; write 1.265, not 1265" if any(1000 <= v <= 1400 for v in number_readings(item)) else ""
            what = f"{_quoted(item)} is not a hydrometer reading"
            raise _WrongError(what, f"give 1.000 to 1.400 for each cell, with ; between{slip}")
        values.append(fitting[0])
    return tuple(values)


def _flags(text: str) -> tuple[str, ...]:
    words = [re.sub(r"[\s-]+", "_", item.strip().casefold()) for item in re.split(r"[;|,]", text)]
    for word in words:
        if word and word not in FLAGS:
            raise _WrongError(f"unknown flag {_quoted(word)}", nearest(word[:_SHOWN], FLAGS))
    return tuple(dict.fromkeys(word for word in words if word))


def _yes_no(text: str) -> bool:
    if text.casefold() in _TRUE:
        return True
    if text.casefold() in _FALSE:
        return False
    raise _WrongError(f"{_quoted(text)} is neither yes nor no", "write yes or no, or leave it empty if not known")


_READERS: dict[Kind, Callable[[str], Any]] = {
    Kind.ID: _id,
    Kind.TEXT: _text,
    Kind.DATE: _date,
    Kind.CHEMISTRY: _chemistry,
    Kind.NUMBERS: _gravities,
    Kind.FLAGS: _flags,
    Kind.YESNO: _yes_no,
}
