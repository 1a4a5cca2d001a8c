"""
Drafts: the answers of guides that were broken off, in a small JSON file beside the readings file.

A draft is written whole after every answer, so that a closed lid or a lost supply costs at most the answer being typed.
Moments are kept, not countdowns: the timers of a resumed guide have run on.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from hotchpot.desk.guiding.answers import Answers
from hotchpot.desk.guiding.guide import Guide
from hotchpot.desk.guiding.notebook import put_in_place
from hotchpot.errors import InputError
from hotchpot.pile.unit import Unit

_VERSION = 1
_MEND = "move it away and begin the test again"


@dataclass(frozen=True, slots=True)
class Draft:
    """What was answered so far of one procedure on one unit, and the unit and meter it was begun with."""

    answers: Mapping[str, Any]
    unit: Unit
    meter: str | None


def draft_path(readings: Path) -> Path:
    """Return where the drafts of a readings file are."""
    return readings.with_name(readings.name + ".draft.json")


def load_draft(readings: Path, *, unit: str, procedure: str) -> Draft | None:
    """
    Return the draft of a procedure on a unit; None where there is none.

    Raises
    ------
    InputError
        If the file of the drafts is damaged; it is left as it is.
    """
    row = _all(readings).get(unit, {}).get(procedure)
    if row is None:
        return None
    try:
        known = {f.name for f in fields(Unit)}
        facts: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value
            for name, value in row["unit"].items()
            if name in known
        }
        return Draft(dict(row["answers"]), Unit(**facts), row.get("meter"))
    except (KeyError, TypeError, AttributeError, ValueError):
        raise InputError.one(str(draft_path(readings)), f"the draft of {unit} is damaged", _MEND) from None


def save_draft(readings: Path, guide: Guide, answers: Answers) -> None:
    """Keep the answers of a guide; those of other units and procedures stay."""
    drafts = _all(readings)
    row = {"meter": guide.meter, "unit": guide.unit.facts(), "answers": dict(answers)}
    drafts.setdefault(guide.unit.id, {})[guide.procedure.key] = row
    _write(readings, drafts)


def drop_draft(readings: Path, guide: Guide) -> None:
    """Forget the answers of a guide that is done; the file goes when nothing is left in it."""
    drafts = _all(readings)
    drafts.get(guide.unit.id, {}).pop(guide.procedure.key, None)
    drafts = {unit: rows for unit, rows in drafts.items() if rows}
    if drafts:
        _write(readings, drafts)
    else:
        draft_path(readings).unlink(missing_ok=True)


def _write(readings: Path, drafts: dict[str, dict[str, Any]]) -> None:
    text = json.dumps({"version": _VERSION, "drafts": drafts}, ensure_ascii=False, indent=1)
    put_in_place(draft_path(readings), text + "\n")


def _all(readings: Path) -> dict[str, dict[str, Any]]:
    path = draft_path(readings)
    try:
        told = json.loads(path.read_text("utf-8"))
        drafts = told["drafts"] if told["version"] == _VERSION else None
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise InputError.one(str(path), f"cannot be read ({error.strerror})", "check its permissions") from None
    except (ValueError, KeyError, TypeError):
        drafts = None
    if not isinstance(drafts, dict) or not all(isinstance(rows, dict) for rows in drafts.values()):
        raise InputError.one(str(path), "is no file of drafts, or a damaged one", _MEND)
    return drafts
