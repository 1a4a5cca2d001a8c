"""One column's texts to values: numbers however they are written, and lists of them; what is wrong is kept by row."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from hotchpot.pile.heading import Heading, exact_line
from hotchpot.pile.table import ENOUGH_FAULTS, Column, Kind
from hotchpot.pile.words import READERS, UnclearError, WrongError, quoted
from hotchpot.quantities import number_readings, split_amount, tidy

_BETWEEN = re.compile(r" ?[;|] ?")
_SPACED = re.compile(r" ?, | (?=[-+\u2212.\d])")
_DECIMALS = re.compile(r"[.,](\d*)$")


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
    if not heading.column.amounts:
        return _each(texts, READERS[heading.column.kind])
    values = _all_plain(heading, texts, style)
    reader = _list if heading.column.kind is Kind.LIST else _number
    return _each(texts, partial(reader, heading, style)) if values is None else Read(values)


def _each(texts: Sequence[str], reader: Callable[[str], Any]) -> Read:
    """Read cell by cell, each text once: a column of words repeats few of them in many rows."""
    read = Read([])
    known: dict[str, Any] = {"": None}
    for row, raw in enumerate(texts):
        text = raw.strip()
        if text not in known:
            known[text] = _tried(reader, text)
        value = known[text]
        if isinstance(value, WrongError):
            read.problems.append(Problem(row, value.what, value.mend))
            if len(read.problems) == ENOUGH_FAULTS:
                break
            value = None
        read.values.append(value)
    read.values += [None] * (len(texts) - len(read.values))
    return read


def _tried(reader: Callable[[str], Any], text: str) -> Any:
    try:
        return reader(text)
    except WrongError as wrong:
        return wrong


def style_of(columns: Iterable[tuple[Column, Sequence[str]]], *, delimiter: str) -> Style:
    """Return how the numbers of these columns are written."""
    style = Style(comma_separated=delimiter == ",")
    for column, texts in columns:
        joined = "\n".join(texts)
        if "," not in joined:
            style.dots = style.dots or "." in joined
            continue
        items = texts if column.numeric else [item for text in texts for item in list_ways(text)[0]]
        style.commas = style.commas or any("," in item for item in items)
        style.dots = style.dots or any("." in item and "," not in item for item in items)
    return style


def _all_plain(heading: Heading, texts: Sequence[str], style: Style) -> list[Any] | None:
    """Return the values where every number is plain and in range, or None: thousands of rows take this way."""
    column = heading.column
    joined = "".join(texts)
    if heading.converts or "_" in joined or not joined.isascii() or (style.commas and style.dots):
        return None
    if "," in joined:
        if style.comma_separated:
            return None
        texts = [text.replace(",", ".") for text in texts]
    try:
        values, numbers = _PLAIN[column.kind](texts)
    except ValueError:
        return None
    # A NaN is not in range; what is not whole is left to the slow way, which says so.
    return values if all(column.low <= number <= column.high for number in numbers) else None


def _plain_numbers(texts: Iterable[str]) -> tuple[list[Any], list[float]]:
    values = [float(text) if text else None for text in texts]
    return values, [value for value in values if value is not None]


def _plain_wholes(texts: Iterable[str]) -> tuple[list[Any], list[float]]:
    values, numbers = _plain_numbers(texts)
    if any(number % 1 for number in numbers):
        raise ValueError
    return [None if value is None else int(value) for value in values], numbers


def _plain_lists(texts: Iterable[str]) -> tuple[list[Any], list[float]]:
    values = [tuple(map(float, text.replace(";", "|").split("|"))) if text else None for text in texts]
    return values, [number for listed in values for number in listed or ()]


_PLAIN = {Kind.NUMBER: _plain_numbers, Kind.WHOLE: _plain_wholes, Kind.LIST: _plain_lists}


def _number(heading: Heading, style: Style, text: str) -> float | int:
    column = heading.column
    candidates = _candidates(heading, text, style)
    if not candidates:
        raise WrongError(f"{quoted(text)} is not a number", _right(column))
    fitting = [value for value in candidates if column.low <= value <= column.high]
    if not fitting:
        raise WrongError(f"{quoted(text)} is out of range", f"{column.span} is possible{_slip(column, candidates[0])}")
    if len(fitting) > 1:
        mend = "write it without a separator of thousands, with one decimal sign throughout the file"
        what = f"{quoted(text)} can mean {fitting[0]:g} or {fitting[1]:g} {column.unit_shown}".rstrip()
        raise UnclearError(what, mend)
    if column.kind is not Kind.WHOLE:
        return fitting[0]
    if fitting[0] % 1:
        raise WrongError(f"{quoted(text)} is not a whole number", f"give a whole number, {column.span}")
    return int(fitting[0])


def _right(column: Column) -> str:
    several = ", several with | between" if column.kind is Kind.LIST else ""
    return f"give {column.span}{several}, or leave it empty if not known"


def _candidates(heading: Heading, text: str, style: Style) -> list[float]:
    """Return what a cell can mean in the column's unit; a unit in the cell beats the heading's."""
    number, line = _split(heading, text)
    readings = style.readings(number)
    return list(readings) if line == (1.0, 0.0) else [tidy(value * line[0] + line[1]) for value in readings]


def _split(heading: Heading, text: str) -> tuple[str, tuple[float, float]]:
    """Return the number of a cell and the line into the column's unit; no number where the unit is no unit of it."""
    if not number_readings(text) and heading.column.unit:
        amount = split_amount(text)
        unit = amount[1] if amount else ""
        if unit == "%" and heading.column.unit == "1/month":
            unit = "%/month"
        line = exact_line(unit, heading.column.unit) if unit else None
        return (amount[0], line) if amount and line else ("", (1.0, 0.0))
    return text, (heading.scale, heading.offset)


def _slip(column: Column, value: float) -> str:
    """Return a guess at the slip behind a value out of range."""
    if column.unit in ("1", "1/month") and column.high < value <= 100 * column.high:
        return f"; did you mean {value:g} %?"
    unmeasured = value == 0 and column.kind is Kind.NUMBER and not column.needed
    return "; leave it empty if it was not measured" if unmeasured else ""


# --- lists -----------------------------------------------------------------------------------------------------------


def list_ways(text: str, *, comma_separated: bool = True) -> list[list[str]]:
    """
    Return the ways in which a cell can fall into numbers, as one number first.

    `comma_separated` is of the file: only there does a comma without a space part the numbers of a cell in quotes.

    >>> list_ways("12.6|12.5"), list_ways("5 100"), list_ways("12,6"), list_ways("12.61, 12.55 V")
    ([['12.6', '12.5']], [['5 100'], ['5', '100']], [['12,6']], [['12.61', '12.55 V']])
    """
    text = " ".join(text.split())
    if ";" in text or "|" in text:
        return [_BETWEEN.split(text)]
    items, single = _SPACED.split(text), bool(number_readings(text))
    if len(items) == 1 and "," in text and "." in text and (comma_separated or not single):
        items = text.split(",")  # the points are the decimal signs
    return [[text], items] if single and len(items) > 1 else [items]


def _list(heading: Heading, style: Style, text: str) -> tuple[float, ...]:
    return _items(heading, style, text)[1]


def _items(heading: Heading, style: Style, text: str) -> tuple[list[str], tuple[float, ...]]:
    """Return the numbers of a list as written and as values; asks back where it can be split in two ways."""
    ways = list_ways(text, comma_separated=style.comma_separated)
    if len(ways) == 1:
        return ways[0], _values(heading, style, text, ways[0])
    read: list[tuple[list[str], tuple[float, ...]]] = []
    wrong: list[WrongError] = []
    for way in ways:
        try:
            read.append((way, _values(heading, style, text, way)))
        except WrongError as error:
            wrong.append(error)
    if len(read) + sum(isinstance(error, UnclearError) for error in wrong) > 1:
        what = f"{quoted(text)} can mean {number_readings(text)[0]:g} or {' and '.join(ways[1][:4])}"
        raise WrongError(what, "write | between numbers, and no separator of thousands")
    if not read:
        raise wrong[-1]
    return read[0]


def _values(heading: Heading, style: Style, text: str, way: list[str]) -> tuple[float, ...]:
    if not all(way):
        raise WrongError(f"{quoted(text)} has an empty place", "give a number for every place of the list")
    values = tuple(_number(heading, style, item) for item in way)
    if len({bool(number_readings(item)) for item in way}) > 1:
        what = f"{quoted(text)} has numbers with a unit and numbers without"
        raise WrongError(what, "write the unit in the heading, or with each number")
    return values


def finest_step(heading: Heading, style: Style, text: str) -> float:
    """
    Return the smallest step of a list's numbers as written, in the column's unit: 0.01 for 12.61, 0.001 for 12.610.

    `text` must be one that the column was read from without a problem.
    """
    items, values = _items(heading, style, text)
    return min(_step(heading, item, value) for item, value in zip(items, values, strict=True))


def _step(heading: Heading, item: str, value: float) -> float:
    number, (scale, offset) = _split(heading, item)
    mantissa, _, exponent = number.strip().lower().partition("e")
    decimals = _DECIMALS.search(mantissa)
    digits = len(decimals[1]) if decimals else 0
    if digits == 3 and tidy(number_readings(number)[0] * scale + offset) != tidy(value):
        digits = 0  # the sign parted thousands
    return tidy(scale * float(f"1e{exponent or 0}") * 10.0**-digits)
