"""
What is to be judged: the duty, charger, protection, wiring and site that a plan file states.

Every key of the plan file is a field here; the field's metadata (unit, lowest, highest, choices) is its check and its
documentation. A plan is data: reading it from TOML text is in `planfile`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

QUESTIONS = ("accept", "join", "charge", "discharge", "build", "site", "operate", "test", "tap")


def _key(
    unit: str, help_text: str, *, low: float | None = None, high: float | None = None, choices: tuple[str, ...] = ()
) -> Any:
    meta = {"unit": unit, "help": help_text, "low": low, "high": high, "choices": choices}
    return field(default=None, metadata=meta)


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """What the bank must do."""

    system_v: float | None = _key("V", "nominal voltage of the system", low=0.5, high=1500)
    load_w: float | None = _key("W", "largest lasting load", low=0, high=1e7)
    load_a: float | None = _key("A", "largest lasting load, instead of load_w", low=0, high=1e5)
    energy_wh_per_day: float | None = _key("Wh", "energy used in a day", low=0, high=1e8)
    idle_w: float | None = _key(
        "W",
        "what of that energy flows at all hours, such as an idle inverter's; for trials by the day",
        low=0,
        high=1e6,
    )
    still_days: float | None = _key("days", "days to last without charge", low=0, high=365)
    ambient_c: float | None = _key("°C", "coldest temperature at the bank", low=-60, high=80)


@dataclass(frozen=True, slots=True, kw_only=True)
class Charger:
    """What charges the bank."""

    volts: float | None = _key("V", "charge voltage of the bank at 25 °C", low=0.1, high=2000)
    volts_per_cell: float | None = _key("V", "charge voltage of one cell, instead of volts", low=0.1, high=6)
    amps: float | None = _key("A", "charge current", low=0, high=1e5)
    source: str | None = _key("", "what feeds it", choices=("pv", "wind", "mains", "generator"))
    stage: str | None = _key("", "charge stage", choices=("absorb", "float", "equalise"))
    hours: float | None = _key("h", "how long the stage is held", low=0, high=1e6)
    compensated: bool | None = _key("", "lowers and raises its volts with temperature")
    charge_frac_per_hour: float | None = _key("1/h", "C-rate, instead of amps", low=0, high=100)
    dump_load: bool | None = _key("", "wind: there is somewhere for the surplus to go")
    separate_converters: bool | None = _key("", "units meet only through DC-DC converters")


@dataclass(frozen=True, slots=True, kw_only=True)
class Protection:
    """What protects the bank and the people near it."""

    bms: bool | None = _key("", "cell-level protection on lithium")
    disconnect_v: float | None = _key("V", "low-voltage disconnect of the whole bank", low=0, high=2000)
    unit_fuse_a: float | None = _key("A", "fuse at each parallel string; 0 = none", low=0, high=1e5)
    main_fuse_a: float | None = _key("A", "main fuse; 0 = none", low=0, high=1e5)
    fuse_volts: float | None = _key("V", "dc voltage rating of the fuses", low=0, high=5000)
    fuse_interrupt_ka: float | None = _key("kA", "interrupt rating of the fuses", low=0, high=1000)
    isolator: str | None = _key("", "isolator's rating", choices=("dc", "ac", "none"))
    balancer_mah_per_day: float | None = _key("mAh", "what the balancer moves in a day", low=0, high=1e7)
    precharge_ohm: float | None = _key("Ω", "pre-charge resistor; 0 = none", low=0, high=1e6)
    inverter_capacitance_mf: float | None = _key("mF", "input capacitance, millifarad", low=0, high=1e4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """A load taken from part of the bank."""

    below: str | None = _key("", "the unit whose positive terminal is tapped")
    amps: float | None = _key("A", "current taken", low=0, high=1e4)
    hours_per_day: float | None = _key("h", "how long each day; unknown counts as 24", low=0, high=24)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """How the units are wired."""

    takeoff: str | None = _key("", "where the bank's leads are taken off", choices=("same_end", "diagonal", "busbar"))
    link_mohm: float | None = _key("mΩ", "one link between neighbours", low=0, high=1000)
    joint_mohm: float | None = _key("mΩ", "one bolted joint", low=0, high=1000)
    cable_mm2: float | None = _key("mm²", "copper area of the battery cable", low=0.1, high=2000)
    run_m: float | None = _key("m", "one-way cable run to the load", low=0, high=1000)
    midpoints_tied: bool | None = _key("", "midpoints of parallel strings are tied together")
    taps: tuple[Tap, ...] = ()
    reading_v: float | None = _key("V", "string voltage as read before joining", low=-2000, high=2000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where the bank stands."""

    room: str | None = _key("", "kind of room", choices=("bedroom", "living", "shed", "garage", "outside", "cabinet"))
    volume_m3: float | None = _key("m³", "free volume of the room", low=0, high=1e6)
    vent_m3_per_h: float | None = _key("m³/h", "air exchanged", low=0, high=1e6)
    spark_distance_m: float | None = _key("m", "from the vents to the nearest spark source", low=0, high=100)
    touchable_bars: bool | None = _key("", "live bars or terminals can be touched")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A test that is meant to be made."""

    tool: str | None = _key(
        "", "tool to be used", choices=("acid_hydrometer", "voltmeter", "load", "clamp_meter", "charger")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything a plan file can say; an empty plan is a plan."""

    arrangement: str | None = None
    question: tuple[str, ...] = ()
    duty: Duty = field(default_factory=Duty)
    charger: Charger = field(default_factory=Charger)
    protection: Protection = field(default_factory=Protection)
    wiring: Wiring = field(default_factory=Wiring)
    site: Site = field(default_factory=Site)
    bench: Bench = field(default_factory=Bench)

    def asks(self, question: str) -> bool:
        """Tell whether this question is asked; no question at all asks every one."""
        return not self.question or question in self.question


SECTIONS = {
    "duty": Duty,
    "charger": Charger,
    "protection": Protection,
    "wiring": Wiring,
    "site": Site,
    "bench": Bench,
}
