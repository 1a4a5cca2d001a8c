"""What the user says of a log's columns: ``time=t_s, volts=U [mV], amps=-I``."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from hotchpot.bench.logs.logwords import Role, unit_of, wording
from hotchpot.errors import Fault, InputError, nearest

ONLY = "only"
EXAMPLE = "'time=t_s, volts=U [mV], amps=-I'"
_NUMBERED = re.compile(r"(?:column\s*|#)?(\d+)", re.IGNORECASE)
_UNIT_AT_END = re.compile(r"(?P<base>.*?)\s*\[(?P<unit>[^\]]*)\]")


@dataclass(frozen=True, slots=True)
class Stated:
    """One column as stated: its index, the unit in brackets ('' where none), whether its sign is to be turned."""

    index: int
    unit: str = ""
    minus: bool = False


def split_only(text: str | None) -> tuple[str | None, str | None]:
    """
    Return a text on columns without its ``only=`` part, and the battery that this part names in the file.

    >>> split_only("unit=channel, only=ch1"), split_only("only = ch 2"), split_only("volts=U"), split_only(None)
    (('unit=channel', 'ch1'), (None, 'ch 2'), ('volts=U', None), (None, None))
    """
    if text is None:
        return None, None
    parts = text.split(",")
    own = [part for part in parts if part.partition("=")[0].strip().casefold() == ONLY and "=" in part]
    if not own:
        return text, None
    rest = ",".join(part for part in parts if part not in own).strip()
    return rest or None, own[-1].partition("=")[2].strip()


def parse_stated(text: str, headings: Sequence[str], *, name: str) -> dict[Role, Stated]:
    """
    Return the columns that a text states.

    Each part is ``role=heading``, with a unit in square brackets where the heading has none or a wrong one, and a
    minus before the heading of the current where positive means charge. A number, or ``column 3``, counts columns.

    Raises
    ------
    InputError
        With every fault of the text at once.

    Examples
    --------
    >>> stated = parse_stated("volts=U [mV], amps=-I", ["t", "U", "I"], name="log.csv")
    >>> stated[Role.VOLTS]
    Stated(index=1, unit='mV', minus=False)
    >>> stated[Role.AMPS]
    Stated(index=2, unit='', minus=True)
    """
    found: dict[Role, Stated] = {}
    faults: list[Fault] = []
    where = f"{name} columns"
    for part in _parts(text, headings):
        role_text, equals, column = (piece.strip() for piece in part.partition("="))
        try:
            role = Role(role_text.casefold())
        except ValueError:
            role = None
        if not equals or role is None:
            what = f"{role_text!r} is not one of time, volts, amps, temperature, unit, ah, only"
            near = nearest(role_text, [*(str(known) for known in Role), ONLY])
            faults.append(Fault(where, what, f"write {EXAMPLE}; {near}"))
        elif role in found:
            faults.append(Fault(where, f"{role} is stated twice", "state it once"))
        else:
            stated = _one(role, column, headings)
            if isinstance(stated, Stated):
                found[role] = stated
            else:
                faults.append(Fault(where, *stated))
    twice = {s.index for s in found.values() if sum(s.index == other.index for other in found.values()) > 1}
    faults += [
        Fault(where, f"{headings[k]!r} is stated for two roles", "give each role a column of its own") for k in twice
    ]
    if faults:
        raise InputError(faults)
    return found


def _parts(text: str, headings: Sequence[str]) -> list[str]:
    """Return the parts between commas; a comma belongs to a heading where what follows it states no role."""
    parts: list[str] = []
    for piece in text.split(","):
        if parts and "=" not in piece and any("," in heading for heading in headings):
            parts[-1] += "," + piece
        elif piece.strip():
            parts.append(piece)
    return parts


def _one(role: Role, column: str, headings: Sequence[str]) -> Stated | tuple[str, str]:
    if column in headings:  # a heading may begin with a minus itself, or hold brackets
        return Stated(headings.index(column))
    minus = column.startswith("-")
    if minus and role is not Role.AMPS:
        return f"a minus stands before {role}", "only the current's sign is turned: write amps=-..."
    bare = column.removeprefix("-").strip()
    index = _find(bare, headings)
    if index is not None:
        return Stated(index, minus=minus)
    match = _UNIT_AT_END.fullmatch(bare)
    unit = match["unit"].strip() if match else ""
    index = _find(match["base"], headings) if match else None
    if index is None:
        return f"no column is called {bare!r}", nearest(bare, [heading for heading in headings if heading])
    if unit and unit_of(role, unit) is None:
        return f"{unit!r} is no unit of {role}", _units(role)
    return Stated(index, unit, minus)


def _units(role: Role) -> str:
    shown = {Role.TIME: "s, ms, min, h or days", Role.VOLTS: "V or mV", Role.AMPS: "A or mA",
             Role.TEMPERATURE: "°C, °F or K", Role.AH: "Ah or mAh", Role.UNIT: "no unit"}  # fmt: skip
    return f"write {shown[role]}"


def _find(text: str, headings: Sequence[str]) -> int | None:
    """Return the column that a text names: by its heading, its heading without unit, or its number."""
    for same in (
        lambda heading: heading == text,
        lambda heading: heading.casefold() == text.casefold(),
        lambda heading: (
            bool(text) and wording(heading).base == " ".join(wording(text).words) and not wording(text).unit
        ),
    ):
        found = [k for k, heading in enumerate(headings) if same(heading)]
        if len(found) == 1 or (found and headings[found[0]] == text):
            return found[0]
    number = _NUMBERED.fullmatch(text)
    if number and 1 <= int(number[1]) <= len(headings):
        return int(number[1]) - 1
    return None
