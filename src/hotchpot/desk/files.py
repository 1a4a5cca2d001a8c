"""Reading the user's files: the only place below the faces that opens one."""

from __future__ import annotations

from pathlib import Path

from hotchpot.bank.plan import Plan
from hotchpot.bank.planfile import parse_plan
from hotchpot.errors import InputError
from hotchpot.pile import Unit
from hotchpot.pile.csvfile import parse_pile

LARGEST_BYTES = 50_000_000


def load_pile(path: Path) -> tuple[Unit, ...]:
    """Return the units of a pile file."""
    return parse_pile(_read(path, "the pile"), name=path.name)


def load_plan(path: Path | None) -> Plan:
    """Return the plan of a plan file, or an empty plan where none is given."""
    return Plan() if path is None else parse_plan(_read(path, "the plan"), name=path.name)


def _read(path: Path, what: str) -> bytes:
    try:
        if path.is_dir():
            raise InputError.one(str(path), "is a folder", f"name the file that holds {what}")
        if path.stat().st_size > LARGEST_BYTES:
            raise InputError.one(str(path), "is larger than 50 MB", f"name the file that holds {what}")
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError.one(str(path), "no such file", f"name the file that holds {what}") from None
    except OSError as error:
        raise InputError.one(str(path), f"cannot be read ({error.strerror})", "check its permissions") from None
