"""From the text of a plan file (TOML) to a `Plan`, with every fault named at once."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import Field, fields
from typing import Any

from hotchpot.bank.plan import QUESTIONS, SECTIONS, Plan, Tap
from hotchpot.errors import Fault, InputError, nearest


def parse_plan(data: bytes | str, *, name: str) -> Plan:
    """
    Return the plan in `data`.

    Raises
    ------
    InputError
        With one fault for each unknown key, wrong kind or value out of range, each with its line.
    """
    text = _decode(data, name)
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"line (\d+)", str(error))
        last = max(1, len(text.splitlines()))  # what is cut off is told "at end of document"
        where = f"{name}:{line.group(1) if line else last}"
        mend = "give one `key = value` a line, text in double quotes, tables as `[duty]`"
        raise InputError.one(where, f"not valid TOML ({error})", mend) from None
    except RecursionError:
        raise InputError.one(name, "nested too deep", "a plan has tables of plain values, one level deep") from None
    return _Reader(text, name).plan(raw)


def _decode(data: bytes | str, name: str) -> str:
    if isinstance(data, str):
        return data
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError.one(name, f"not UTF-8 text (byte {error.start})", "save the plan as UTF-8") from None


def _home_of(key: str) -> str:
    """Return where a key belongs that stands elsewhere; nothing where no section has it."""
    homes = [f"[{name}]" for name, kind in SECTIONS.items() if any(spec.name == key for spec in fields(kind))]
    if key in ("arrangement", "question"):
        return "write it above the first section"
    return f"write it below {' or '.join(homes)}, that heading on a line of its own" if homes else ""


class _Reader:
    """Checks one parsed plan and collects its faults."""

    def __init__(self, text: str, name: str) -> None:
        self.lines = text.splitlines()
        self.name = name
        self.faults: list[Fault] = []

    def plan(self, raw: dict[str, Any]) -> Plan:
        known: dict[str, Any] = {}
        for key, value in raw.items():
            if key in SECTIONS:
                known[key] = self._section(key, SECTIONS[key], value)
            elif key == "arrangement":
                known[key] = self._text(key, value)
            elif key == "question":
                known[key] = self._questions(value)
            else:
                names = (*SECTIONS, "arrangement", "question")
                self._fault("", key, f"unknown key {key!r}", _home_of(key) or nearest(key, names))
        if self.faults:
            raise InputError(self.faults)
        return Plan(**known)

    def _section(self, section: str, kind: type[Any], raw: object) -> Any:
        if not isinstance(raw, dict):
            self._fault("", section, "is not a table", f"write [{section}] on a line of its own, its keys below")
            return None
        known = {f.name: f for f in fields(kind)}
        values: dict[str, Any] = {}
        for key, value in raw.items():
            if key == "taps" and section == "wiring":
                values[key] = self._taps(value)
            elif key in known:
                values[key] = self._value(section, known[key], value)
            else:
                mend = nearest(key, known)
                if not mend.startswith("did you mean"):
                    mend = _home_of(key) or mend
                self._fault(section, key, f"unknown key {key!r} in [{section}]", mend)
        return None if self.faults else kind(**values)

    def _taps(self, raw: object) -> tuple[Tap, ...]:
        if not isinstance(raw, list) or not all(isinstance(row, dict) for row in raw):
            self._fault("wiring", "taps", "is not a list of tables", 'write taps = [ { below = "B1", amps = 2.0 } ]')
            return ()
        return tuple(tap for row in raw if (tap := self._section("taps", Tap, row)) is not None)

    def _questions(self, raw: object) -> tuple[str, ...]:
        asked = [raw] if isinstance(raw, str) else raw
        if not isinstance(asked, list) or not all(isinstance(word, str) for word in asked):
            self._fault("", "question", "is not a list of words", 'write question = ["join", "charge"]')
            return ()
        for word in asked:
            if word not in QUESTIONS:
                self._fault("", "question", f"unknown question {word!r}", nearest(word, QUESTIONS))
        return tuple(asked)

    def _text(self, key: str, value: object) -> str | None:
        if isinstance(value, str) and value.strip():
            return value
        self._fault("", key, "is empty or not text", 'write arrangement = "A1 // A2"')
        return None

    def _value(self, section: str, spec: Field[Any], value: object) -> Any:
        kind = str(spec.type)
        if "bool" in kind:
            if not isinstance(value, bool):
                self._fault(section, spec.name, f"{value!r} is neither true nor false", "write true or false")
            return value
        if "str" in kind:
            return self._word(section, spec, value)
        return self._number(section, spec, value)

    def _word(self, section: str, spec: Field[Any], value: object) -> Any:
        choices = spec.metadata["choices"]
        if not isinstance(value, str):
            self._fault(section, spec.name, f"{value!r} is not text", "put the word in double quotes")
        elif choices and value not in choices:
            self._fault(section, spec.name, f"{value!r} is not known here", nearest(value, choices))
        return value

    def _number(self, section: str, spec: Field[Any], value: object) -> Any:
        unit = spec.metadata["unit"]
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self._fault(section, spec.name, f"{value!r} is not a number", f"give a number in {unit}, without quotes")
            return None
        low, high = spec.metadata["low"], spec.metadata["high"]
        if not math.isfinite(value) or (low is not None and value < low) or (high is not None and value > high):
            self._fault(section, spec.name, f"{value} is out of range", f"give {low:g} to {high:g} {unit}".rstrip())
        return float(value)

    def _fault(self, section: str, key: str, what: str, mend: str) -> None:
        line = self._line(section, key)
        place = f"{self.name}:{line}" if line else self.name
        column = f"{section}.{key}" if section else key
        self.faults.append(Fault(f"{place} {column}", what, mend))

    def _line(self, section: str, key: str) -> int | None:
        here = ""
        homes = ("wiring", "wiring.taps") if section == "taps" else (section,)
        pattern = re.compile(rf"(?:^|[{{,])\s*\"?{re.escape(key)}\"?\s*=")
        for number, line in enumerate(self.lines, start=1):
            if table := re.match(r"\s*\[+\s*([\w.\-]+)", line):
                here = table.group(1)
                if here == key and not section:
                    return number
            if here in homes and pattern.search(line):
                return number
        return None
