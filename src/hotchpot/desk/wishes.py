"""What a person asks a bank to be tried on; contradictions, and numbers that no run can have, are refused at once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

from hotchpot.desk.profiles import Profile
from hotchpot.errors import Fault, InputError
from hotchpot.quantities import number_readings, split_amount, tidy

FULL, NOW = "full", "now"
LOADS = ("amps", "watts", "ohms")
FAULTS = ("lost", "shorted", "dead")
CHARGES = "give full, now, or a charge such as 80 % or 0.8"
MOST = {
    "amps": 1e12, "watts": 1e15, "ohms": 1e9, "hours": 24.0 * 3660.0, "day": 3660.0, "step": 86_400.0, "every": 1e9,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """
    What a bank is to be tried on, as a person asks for it; fields are named as the options of the command line are.

    One of: a load (`amps`, `watts` or `ohms`; the plan's without any), `charge` with the plan's charger, a `profile`,
    `day` (how many days of the plan's energy and charger), `joining` of the branches as they stand. A `profile`
    with a `day` is that day's load, repeated. `still` takes away whatever feeds a day or a profile. Faults may lie
    over any: `lost` branches, units with a `shorted` cell, `dead` units; no unit has two of them. `begin` is the
    charge of every unit at the start: "full", "now", or a fraction, 0 to 1; None takes what the pile states, where
    it states it of every unit, else full, and a fifth for a charge. `step` and `every` are the longest step and the
    time between records. [s]
    """

    amps: float | None = None
    watts: float | None = None
    ohms: float | None = None
    hours: float | None = None
    charge: bool = False
    profile: Profile | None = None
    day: float | None = None
    joining: bool = False
    still: bool = False
    begin: float | str | None = None
    lost: tuple[str, ...] = ()
    shorted: tuple[str, ...] = ()
    dead: tuple[str, ...] = ()
    step: float | None = None
    every: float | None = None

    def __post_init__(self) -> None:
        """Refuse what contradicts itself, and numbers that no run can have, all at once."""
        for name in FAULTS:  # a unit named twice has the fault once
            object.__setattr__(self, name, tuple(dict.fromkeys(getattr(self, name))))
        faults = [*_contradictions(self), *_impossible(self)]
        if faults:
            raise InputError(faults)

    @property
    def kind(self) -> str:
        """What is tried: load, charge, profile, day or joining."""
        chosen = [name for name in ("charge", "day", "profile", "joining") if _given(getattr(self, name))]
        return chosen[0] if chosen else "load"


def charge_of(text: str, *, where: str = "--from") -> float | str:
    """
    Return the charge that was typed: a name in small letters, or a fraction of the capacity.

    A number with ``%`` is percent, a bare number a fraction from 0 to 1; what could be either is refused.

    Raises
    ------
    InputError
        At `where`, if it is neither, can be read two ways, or lies below empty or above full.

    Examples
    --------
    >>> charge_of("80 %"), charge_of("0,8"), charge_of("1"), charge_of("1 %"), charge_of("Full")
    (0.8, 0.8, 1.0, 0.01, 'full')
    """
    name = text.strip().lower()
    if name in (FULL, NOW):
        return name
    number, unit = split_amount(text) or (text, "")
    values = number_readings(number)
    if not values or unit.lower() not in ("", "%", "percent"):
        raise InputError.one(where, f"{text!r} is no charge", CHARGES)
    if len(values) > 1:
        mend = "write it with a decimal point and without separators of thousands"
        raise InputError.one(where, f"{text!r} can mean {values[0]:g} or {values[1]:g}", mend)
    value = values[0]
    if not unit and not 0.0 <= value <= 1.0:
        mend = "a bare number is a fraction, 0 to 1: " + (
            f"give {value:g} % for percent" if 1.0 < value <= 100.0 else "give such as 0.8, or 80 %"
        )
        raise InputError.one(where, f"{text!r} is no fraction", mend)
    if unit and not 0.0 <= value <= 100.0:
        raise InputError.one(where, f"it is {value:g} %", "give 0 to 100 %")
    return tidy(value / 100.0) if unit else value


def _given(value: object) -> bool:
    return value is not None and value is not False


def _contradictions(wish: Wish) -> list[Fault]:
    chosen = [f"--{name}" for name in (*LOADS, "charge", "profile", "day", "joining")
              if _given(getattr(wish, name))]  # fmt: skip
    faults = []
    if len(chosen) > 1 and chosen != ["--profile", "--day"]:
        faults.append(Fault(" and ".join(chosen), "cannot be tried at once", "give one of them"))
    elif wish.hours is not None and chosen and chosen[-1] in ("--profile", "--day"):
        profile = chosen == ["--profile"]
        mend = "leave --hours out: the profile says how long" if profile else "give the days with --day"
        faults.append(Fault(f"{chosen[0]} and --hours", "both say how long it lasts", mend))
    fed = wish.day is not None or (wish.profile is not None and wish.profile.charges)
    if wish.still and not fed:
        mend = "give it with --day, or with a --profile that has a source"
        faults.append(Fault("--still", "nothing feeds the bank here that could give nothing", mend))
    if wish.joining and wish.begin not in (None, NOW):
        mend = "leave --from out: units are joined as they stand"
        faults.append(Fault("--joining and --from", "contradict each other", mend))
    for one, other in combinations(FAULTS, 2):
        twice = sorted(set(getattr(wish, one)) & set(getattr(wish, other)))
        if twice:
            what = f"{', '.join(twice)} cannot be both"
            faults.append(Fault(f"--{one} and --{other}", what, "name each unit once"))
    return faults


def _impossible(wish: Wish) -> list[Fault]:
    faults = []
    for name, most in MOST.items():
        value = getattr(wish, name)
        if value is None or 0.0 < value <= most or (name == "every" and value == 0.0):
            continue
        least = "nought or more" if name == "every" else "a number above nought"
        if value > most:
            mend = f"give {most:g} at most"
        else:
            mend = f"give {least}" + ("; for a charge there is --charge" if value < 0.0 and name in LOADS else "")
        faults.append(Fault(f"--{name}", f"it is {value:g}", mend))
    if isinstance(wish.begin, str) and wish.begin not in (FULL, NOW):
        faults.append(Fault("--from", f"{wish.begin!r} is no charge", CHARGES))
    elif isinstance(wish.begin, (int, float)) and not 0.0 <= wish.begin <= 1.0:
        faults.append(Fault("--from", f"it is {100 * wish.begin:g} %", "give 0 to 100 %"))
    return faults
