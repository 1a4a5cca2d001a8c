"""
Which column of a logger's file is time, which volts, which amps, and in what units: guessed, with the reasons shown.

Headings speak first; where they are silent or missing, the values do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from hotchpot.bench.logs.logguess import Field, Guess, by_heading, by_values, field_of, rises, score_of
from hotchpot.bench.logs.loglayout import Head, is_number
from hotchpot.bench.logs.logstated import Stated, parse_stated
from hotchpot.bench.logs.logtimes import TimeForm, epoch_unit, seconds_of
from hotchpot.bench.logs.logunits import Unit, amps_unit, temperature_unit, time_unit, volts_unit
from hotchpot.bench.logs.logwords import BASE, Role, unit_of, way_of, word_of
from hotchpot.errors import Fault, InputError

NEEDED = (Role.TIME, Role.VOLTS, Role.AMPS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """
    One column as it is read: number times `factor` plus `offset` gives the role's unit (s, V, A, °C, Ah).

    `form` is how dates are written, None where time is a number; `beside` is the column with the time of day where
    the date has one of its own. `way` is +1 or -1 where the heading says that it is current of discharge or of charge.
    """

    role: Role
    name: str
    index: int
    unit: str
    factor: float = 1.0
    offset: float = 0.0
    form: TimeForm | None = None
    beside: int | None = None
    beside_form: TimeForm | None = None
    way: int = 0
    stated: bool = False
    why: str = ""

    @property
    def shown(self) -> str:
        """The column with its unit and why it was taken."""
        sign = "-" if self.role is Role.AMPS and self.factor < 0 else ""
        unit = f" [{self.unit}]" if self.unit else ""
        return f"{sign}{self.name}{unit if not self.name.endswith(unit.strip()) else ''}: {self.why}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """
    Which column is what, and what could be read another way.

    `dated` is a column of dates beside a time that is counted from any zero: it tells when the log began.
    """

    time: Column
    volts: Column
    amps: Column
    temperature: Column | None = None
    unit: Column | None = None
    ah: Column | None = None
    ambiguous: tuple[str, ...] = ()
    other_times: tuple[Column, ...] = ()
    dated: Column | None = None

    @property
    def taken(self) -> tuple[Column, ...]:
        """The columns in use."""
        roles = (self.time, self.volts, self.amps, self.temperature, self.unit, self.ah)
        return tuple(column for column in roles if column is not None)

    def shown(self) -> dict[str, str]:
        """Return role by role what was taken and why."""
        return {str(column.role): column.shown for column in self.taken}


def guess_columns(head: Head, *, stated: str | None = None, name: str) -> Columns:
    r"""
    Return which column is what.

    Parameters
    ----------
    head : Head
        The file's beginning, from `read_head`.
    stated : str, optional
        What the user says, such as ``time=t_s, volts=U [mV], amps=-I``; it goes before any guess. A minus turns the
        sign of the current.
    name : str
        The file's name in messages.

    Raises
    ------
    InputError
        If time, volts or amps cannot be found, or `stated` names what is not there; every fault at once.

    Examples
    --------
    >>> from hotchpot.bench.logs.loglayout import read_head
    >>> head = read_head("time_utc,U,current mA\n2024-03-24T07:00:06,12870,40\n2024-03-24T07:00:07,12868,41\n", name="")
    >>> columns = guess_columns(head, name="log.csv")
    >>> columns.volts.unit, columns.amps.unit, columns.time.form.words
    ('mV', 'mA', 'yyyy-mm-ddTHH:MM:SS')
    >>> columns.volts.why
    "heading 'U'; values near 12870 can only be mV"
    """
    layout = head.layout
    fields = [field_of(head, k) for k in range(layout.width)]
    wanted = parse_stated(stated, [item.name for item in fields], name=name) if stated else {}
    guess = Guess(fields, bool(layout.headings))
    for role, choice in wanted.items():
        guess.taken[role] = (fields[choice.index], "as stated")
    by_heading(guess)
    by_values(guess)
    _check(guess, head, name)
    times = _time_columns(guess, wanted.get(Role.TIME))
    made = {role: _column(role, item, why, wanted.get(role), guess) for role, (item, why) in guess.taken.items()}
    made[Role.TIME] = times[0]
    return Columns(
        time=times[0],
        volts=made[Role.VOLTS],
        amps=made[Role.AMPS],
        temperature=made.get(Role.TEMPERATURE),
        unit=made.get(Role.UNIT),
        ah=made.get(Role.AH),
        ambiguous=tuple(guess.ambiguous),
        other_times=times[1:],
        dated=_dated(guess, times),
    )


def _check(guess: Guess, head: Head, name: str) -> None:
    faults = []
    for role in NEEDED:
        if role in guess.taken:
            continue
        there = ", ".join(item.name for item in guess.fields[:14])
        texty = [item for item in guess.fields if word_of(role, item.says.words) and not item.numeric and not item.form]
        what = f"no column is {role}; there are: {there}"
        if texty:
            lines = [k for k, cell in zip(head.lines, texty[0].cells, strict=True) if not is_number(cell)]
            odd = [cell for cell in texty[0].cells if not is_number(cell)]
            shown = ", ".join(repr(cell[:20]) for cell in odd[:3])
            what = f"column {texty[0].name!r} holds text, not {role}: {shown} at lines {_lines(lines)}"
        mend = f"say which it is with columns '{role}=' and its heading or its number"
        faults.append(Fault(name, what, mend))
    if faults:
        raise InputError(faults)


def _lines(lines: Sequence[int]) -> str:
    return ", ".join(map(str, lines[:3])) + (" ..." if len(lines) > 3 else "")


def _column(role: Role, item: Field, why: str, stated: Stated | None, guess: Guess) -> Column:
    said = stated.unit if stated and stated.unit else item.says.unit
    found = unit_of(role, said) if said else None
    unit = Unit(*found, "") if found else Unit(BASE[role], 1.0, 0.0, "")
    notes: list[str] = []
    if role is Role.VOLTS:
        unit = volts_unit(item.known, unit if found else None, trusted=bool(stated and stated.unit))
    elif role is Role.AMPS:
        volts = guess.taken.get(Role.VOLTS)
        small = bool(volts and volts_unit(volts[0].known, _said(Role.VOLTS, volts[0])).factor < 1)
        unit = amps_unit(item.known, unit if found else None, small=small)
    elif role is Role.TEMPERATURE:
        unit = temperature_unit(item.known, unit if found else None)
    notes += [unit.why] if unit.why else []
    if unit.doubt:
        guess.ambiguous.append(f"{role}: {unit.doubt}")
    turned = stated is not None and stated.minus
    return Column(
        role=role,
        name=item.name,
        index=item.index,
        unit=unit.name,
        factor=-unit.factor if turned else unit.factor,
        offset=unit.offset,
        way=way_of(item.name) if role is Role.AMPS and guess.headed else 0,
        stated=stated is not None,
        why="; ".join([why, *notes]),
    )


def _said(role: Role, item: Field) -> Unit | None:
    found = unit_of(role, item.says.unit) if item.says.unit else None
    return Unit(*found, "") if found else None


def _time_columns(guess: Guess, stated: Stated | None) -> tuple[Column, ...]:
    """Return the column of time and, unless it is stated, the others that tell time too."""
    item, why = guess.taken[Role.TIME]
    if stated is not None:
        found = unit_of(Role.TIME, stated.unit)
        unit = Unit(*found, "") if found else _said(Role.TIME, item)
        return (replace(_time_column(item, why, unit, guess), stated=True),)
    first = _time_column(item, why, _said(Role.TIME, item), guess)
    best, most, others = first, _distinct(item, first), []
    for other in guess.free() if guess.headed else ():
        if other.index == first.beside or score_of(Role.TIME, other) <= 0 or not (other.form or rises(other)):
            continue
        column = _time_column(other, "another column of time", _said(Role.TIME, other), guess)
        if column.beside == first.index or (column.form and column.form.clock):
            continue
        others.append(column)
        if _distinct(other, column) > most:
            best, most = column, _distinct(other, column)
    return (best, *(column for column in (first, *others) if column is not best))


def _dated(guess: Guess, times: Sequence[Column]) -> Column | None:
    """Return a column of dates with their hours beside the time, where the time itself tells none."""
    if times[0].form is not None and not times[0].form.clock:
        return None
    for item in guess.free():
        dates = item.form is not None and not item.form.clock
        if dates or (item.form is None and rises(item) and epoch_unit(item.known)):
            column = _time_column(item, "dates beside the time", None, guess)
            hours = column.form is None or "%H" in column.form.pattern or "%I" in column.form.pattern
            if hours or column.beside is not None:
                return column
    return None


def _distinct(item: Field, column: Column) -> int:
    return len({seconds_of(c, column.form) for c in item.cells} if column.form else set(item.known))


def _time_column(item: Field, why: str, unit: Unit | None, guess: Guess) -> Column:
    if item.form is None:
        found = time_unit(item.known, unit, bare=not item.says.unit)
        if found.doubt:
            guess.ambiguous.append(f"time: {found.doubt}")
        return Column(
            role=Role.TIME, name=item.name, index=item.index, unit=found.name, factor=found.factor, offset=found.offset,
            why="; ".join(x for x in (why, found.why) if x),
        )  # fmt: skip
    form, name, index, beside, clock = item.form, item.name, item.index, None, None
    dates = [x for x in guess.fields if x.form and not x.form.clock and "%H" not in x.form.pattern]
    hours = [x for x in guess.fields if x.form and x.form.clock]
    if item in dates + hours and dates and hours:  # the date in one column, the time of day in another
        date, hour = dates[0], hours[0]
        assert date.form is not None
        form, index, beside, clock = date.form, date.index, hour.index, hour.form
        name = f"{date.name} and {hour.name}"
    if form.doubt:
        guess.ambiguous.append(f"time: {form.doubt}")
    words = form.words if clock is None else f"{form.words} and {clock.words}"
    return Column(
        role=Role.TIME, name=name, index=index, unit="", form=form, beside=beside, beside_form=clock,
        why=f"{why}; written as {words}",
    )  # fmt: skip
