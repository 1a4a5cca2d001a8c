"""Reading the user's files: the only place below the faces that opens one."""

from __future__ import annotations

from pathlib import Path

from hotchpot.bank.plan import Plan
from hotchpot.bank.planfile import parse_plan
from hotchpot.errors import InputError
from hotchpot.pile import Unit
from hotchpot.pile.csvfile import parse_pile
from hotchpot.pile.reading import Reading
from hotchpot.pile.readingfile import parse_readings

LARGEST_BYTES = 50_000_000
LARGEST_READINGS_BYTES = 200_000_000


def load_pile(path: Path) -> tuple[Unit, ...]:
    """Return the units of a pile file."""
    return parse_pile(_read(path, "the pile"), name=path.name)


def load_readings(path: Path) -> tuple[Reading, ...]:
    """Return the readings of a readings file."""
    data = _read(path, "the readings", most_bytes=LARGEST_READINGS_BYTES)
    return parse_readings(data, name=path.name)


def load_plan(path: Path | None) -> Plan:
    """Return the plan of a plan file, or an empty plan where none is given."""
    return Plan() if path is None else parse_plan(_read(path, "the plan"), name=path.name)


def _read(path: Path, what: str, *, most_bytes: int = LARGEST_BYTES) -> bytes:
    try:
        if path.is_dir():
            raise InputError.one(str(path), "is a folder", f"name the file that holds {what}")
        if path.stat().st_size > most_bytes:
            larger = f"is larger than {most_bytes // 1_000_000} MB"
            raise InputError.one(str(path), larger, f"name the file that holds {what}")
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError.one(str(path), "no such file", f"name the file that holds {what}") from None
    except OSError as error:
        raise InputError.one(str(path), f"cannot be read ({error.strerror})", "check its permissions") from None
