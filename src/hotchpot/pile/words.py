"""What is no number in a cell: ids, texts, dates, chemistries, kinds of reading, flags, yes and no; and gravities."""

from __future__ import annotations

import re
import unicodedata
from calendar import monthrange
from collections.abc import Callable
from difflib import get_close_matches
from functools import partial
from typing import Any

from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import nearest
from hotchpot.pile.columns import BY_NAME
from hotchpot.pile.reading import ReadingKind
from hotchpot.pile.readingcolumns import USES
from hotchpot.pile.table import Kind, spelling
from hotchpot.pile.unit import FLAGS
from hotchpot.quantities import number_readings

_SHOWN = 40
_TRUE, _FALSE = ("yes", "true", "1", "y"), ("no", "false", "0", "n")
_ALSO = {
    "lead_agm": ("AGM",), "lead_gel": ("gel",), "lead_flooded": ("flooded", "lead acid flooded"), "lfp": ("LiFePO4",),
    "nicd": ("NiCad",), "naion": ("sodium ion",),
}  # fmt: skip
_CHEMISTRY_WORDS = {
    re.sub(r"\s", "", word.casefold()): key for key, words in _ALSO.items() for word in words
} | {key.replace("_", ""): key for key in KEYS}  # fmt: skip
_KINDS = {spelling(word): kind for kind, uses in USES.items() for word in (kind, *uses.synonyms)}
FLAG_WORDS = {
    "bulging": "swollen", "bulged": "swollen", "bulge": "swollen", "puffy": "swollen", "puffed": "swollen",
    "bloated": "swollen", "swelling": "swollen", "leaky": "leaking", "leaks": "leaking", "hissing": "leaking",
    "cracked": "leaking", "wet": "leaking", "flooded": "immersed", "drowned": "immersed", "warm": "hot",
    "melted": "burnt", "burned": "burnt", "charred": "burnt", "dropped": "crashed", "dent": "dented",
}  # fmt: skip
_DATES = (
    re.compile(r"(?P<y>\d{4})(?:\.0)?"),  # a year that a spreadsheet took for a decimal number is still a year
    re.compile(r"(?P<y>\d{4})-(?P<m>\d{1,2})(?:-(?P<d>\d{1,2}))?(?:[ T]00:00(?::00)?)?"),
    re.compile(r"(?:(?P<d>\d{1,2})\.)?(?P<m>\d{1,2})\.(?P<y>\d{4})"),
    re.compile(r"(?P<m>\d{1,2})/(?P<y>\d{4})"),
)
_CLOCK = r"(?:(?:T| +)(?P<h>\d{1,2}):(?P<min>\d{2})(?::(?P<s>\d{2}))?)?"
_MOMENTS = (
    re.compile(rf"(?P<y>\d{{4}})([-/])(?P<m>\d{{1,2}})\2(?P<d>\d{{1,2}}){_CLOCK}", re.ASCII),
    re.compile(rf"(?P<d>\d{{1,2}})\.(?P<m>\d{{1,2}})\.(?P<y>\d{{4}}){_CLOCK}", re.ASCII),
)
_TWO_WAYS = re.compile(r"\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}(?:[ T].*)?")


class WrongError(Exception):
    """A cell that cannot be read: what is wrong, and what would be right."""

    def __init__(self, what: str, mend: str) -> None:
        self.what, self.mend = what, mend
        super().__init__(what)


class UnclearError(WrongError):
    """A cell that can be read in two ways."""


def quoted(text: str) -> str:
    """Return a cell's text for a message, cut short."""
    return repr(text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "...")


def _printable(thing: str, text: str) -> str:
    if not text.isprintable():
        bad = next(ch for ch in text if not ch.isprintable())
        what = f"{quoted(text)} has a character that cannot be printed (U+{ord(bad):04X})"
        raise WrongError(what, f"write the {thing} without it")
    return text


def _text(text: str) -> str:
    bad = [ch for ch in text if unicodedata.category(ch) == "Cc" and ch not in "\t\r\n"]
    if bad:
        raise WrongError(f"a control character (U+{ord(bad[0]):04X})", "write the text without it")
    return text


def _date(text: str) -> str:
    for pattern in _DATES:
        match = pattern.fullmatch(text)
        if match and (day := _day(match)):
            return day
    if re.fullmatch(r"\d{1,2}/\d{1,2}/\d{2,4}", text):
        raise WrongError(f"{quoted(text)} can be read two ways", "write the year first, as in 2019-03-25")
    raise WrongError(f"{quoted(text)} is not a year or a date", "write 2019, 2019-03 or 2019-03-25")


def _day(match: re.Match[str]) -> str:
    """Return the ISO date of a match, as far as it was written; nothing where there is no such day."""
    parts = match.groupdict()
    year, month, day = (int(parts.get(key) or default) for key, default in (("y", 0), ("m", 1), ("d", 1)))
    if not (1900 <= year <= 2100 and 1 <= month <= 12 and 1 <= day <= monthrange(year, month)[1]):
        return ""
    written = (f"{year}", parts.get("m") and f"{month:02}", parts.get("d") and f"{day:02}")
    return "-".join(part for part in written if part)


def _moment(text: str) -> str:
    for pattern in _MOMENTS:
        match = pattern.fullmatch(text)
        if match and (day := _day(match)):
            hour, minute, second = match["h"], match["min"], match["s"]
            if hour is None:
                return day
            if int(hour) < 24 and int(minute) < 60 and int(second or 0) < 60:
                return f"{day}T{int(hour):02}:{minute}" + (f":{second}" if second else "")
    if _TWO_WAYS.fullmatch(text):
        raise WrongError(f"{quoted(text)} can be read two ways", "write the year first, as in 2026-11-03")
    mend = "write 2026-11-03 or 2026-11-03T14:20, in local time without a zone"
    raise WrongError(f"{quoted(text)} is not a date, or date and time", mend)


def _chemistry(text: str) -> str:
    key = _CHEMISTRY_WORDS.get(re.sub(r"[\s_-]", "", text.casefold()))
    slip = get_close_matches(text.casefold(), KEYS, n=1, cutoff=0.8)
    if key is None and not slip and text.casefold().strip().startswith(("lead", "pb", "sla", "vrla")):
        raise WrongError(
            f"{quoted(text)} does not say which lead type",
            "write lead_flooded (vents with caps), lead_agm or lead_gel (both sealed)",
        )
    if key is None:
        raise WrongError(f"unknown chemistry {quoted(text)}", nearest(text.casefold()[:_SHOWN], KEYS))
    return key


def _kind(text: str) -> ReadingKind:
    kind = _KINDS.get(spelling(text))
    if kind is None:
        raise WrongError(
            f"unknown kind of reading {quoted(text)}", nearest(text.casefold()[:_SHOWN], map(str, ReadingKind))
        )
    return kind


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
            what = f"{quoted(item)} is not a hydrometer reading"
            raise WrongError(what, f"give 1.000 to 1.400 for each cell, with ; between{slip}")
        values.append(fitting[0])
    return tuple(values)


def _flags(text: str) -> tuple[str, ...]:
    words = [re.sub(r"[\s-]+", "_", item.strip().casefold()) for item in re.split(r"[;|,]", text)]
    words = [FLAG_WORDS.get(word, word) for word in words]
    for word in words:
        if word and word not in FLAGS:
            raise WrongError(f"unknown flag {quoted(word)}", nearest(word[:_SHOWN], FLAGS))
    return tuple(dict.fromkeys(word for word in words if word))


def _yes_no(text: str) -> bool:
    if text.casefold() in _TRUE:
        return True
    if text.casefold() in _FALSE:
        return False
    raise WrongError(f"{quoted(text)} is neither yes nor no", "write yes or no, or leave it empty if not known")


def chemistries_markdown() -> str:
    """Return the table of the chemistries for the documentation, as their data files have them."""
    lines = [
        "| key | what it is | nominal V a cell | highest V a cell on charge | also read as |",
        "|---|---|---|---|---|",
    ]
    for key in KEYS:
        chem, also = chemistry(key), ", ".join(_ALSO.get(key, ()))
        volts = f"{chem.num('nominal_v'):g} | {chem.num('charge_max_v'):g}"
        lines.append(f"| `{key}` | {chem.name} | {volts} | {also} |")
    return "\n".join(lines) + "\n"


READERS: dict[Kind, Callable[[str], Any]] = {
    Kind.ID: partial(_printable, "id"),
    Kind.NAME: partial(_printable, "name"),
    Kind.TEXT: _text,
    Kind.DATE: _date,
    Kind.MOMENT: _moment,
    Kind.CHEMISTRY: _chemistry,
    Kind.READING: _kind,
    Kind.GRAVITY: _gravities,
    Kind.FLAGS: _flags,
    Kind.YESNO: _yes_no,
}
