"""Reading the user's files: the only place below the faces that opens one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

from hotchpot.bank.plan import Plan
from hotchpot.bank.planfile import parse_plan
from hotchpot.desk.profiles import Profile, parse_profile
from hotchpot.errors import Fault, InputError, nearest
from hotchpot.pile import Unit
from hotchpot.pile.csvfile import parse_pile
from hotchpot.pile.reading import Reading
from hotchpot.pile.readingfile import impossible_volts, parse_readings, unknown_units

LARGEST_BYTES = 50_000_000
LARGEST_READINGS_BYTES = 200_000_000


def load_pile(path: Path) -> tuple[Unit, ...]:
    """Return the units of a pile file; none of them was made on a day to come, one day left for other time zones."""
    latest = (date.today() + timedelta(days=1)).isoformat()
    return parse_pile(_read(path, "the pile"), name=path.name, latest=latest)


def load_readings(path: Path) -> tuple[Reading, ...]:
    """Return the readings of a readings file."""
    data = _read(path, "the readings", most_bytes=LARGEST_READINGS_BYTES)
    return parse_readings(data, name=path.name)


def load_profile(path: Path) -> Profile:
    """Return the load over time of a profile file."""
    return parse_profile(_read(path, "the load over time"), name=path.name)


def load_plan(path: Path | None) -> Plan:
    """Return the plan of a plan file, or an empty plan where none is given."""
    return Plan() if path is None else parse_plan(_read(path, "the plan"), name=path.name)


def unit_of(units: Sequence[Unit], wanted: str, *, where: str = "--unit") -> Unit:
    """
    Return the unit of a pile with this id.

    Raises
    ------
    InputError
        If there is none; names the nearest.
    """
    found = next((unit for unit in units if unit.id == wanted), None)
    if found is None:
        hint = nearest(wanted, [unit.id for unit in units])
        raise InputError.one(where, f"there is no unit {wanted!r} in the pile", hint)
    return found


def hold_against(readings: Sequence[Reading], units: Sequence[Unit], *, name: str) -> list[Fault]:
    """Return what is wrong with readings that only their pile shows: units it has not, volts they cannot have."""
    faults = (*unknown_units(readings, units), *impossible_volts(readings, units))
    return [Fault(f"{name}:{fault.where}", fault.what, fault.mend) for fault in faults]


def larger_than(most_bytes: int) -> str:
    """Return what is wrong with a file of more bytes than these."""
    return f"is larger than {most_bytes // 1_000_000} MB"


def _read(path: Path, what: str, *, most_bytes: int = LARGEST_BYTES) -> bytes:
    try:
        if path.is_dir():
            raise InputError.one(str(path), "is a folder", f"name the file that holds {what}")
        if path.stat().st_size > most_bytes:
            raise InputError.one(str(path), larger_than(most_bytes), f"name the file that holds {what}")
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError.one(str(path), "no such file", f"name the file that holds {what}") from None
    except OSError as error:
        raise InputError.one(str(path), f"cannot be read ({error.strerror})", "check its permissions") from None
