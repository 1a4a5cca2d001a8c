"""From the text of a plan file to a plan: every key reads, every fault is named with its line and its mending."""

from __future__ import annotations

import tomllib
from dataclasses import fields

import pytest

from hotchpot.bank.plan import QUESTIONS, SECTIONS, Plan, Tap
from hotchpot.bank.planfile import parse_plan
from hotchpot.errors import InputError

WHOLE = """\
arrangement = "A1 // A2 + B1 // B2"     # or given on the command line
question = ["join", "charge"]

[duty]
system_v = 24
load_w = 600
energy_wh_per_day = 2400
still_days = 2
ambient_c = 10

[charger]
volts = 28.8
amps = 40
source = "pv"
stage = "absorb"
hours = 3
compensated = true
charge_frac_per_hour = 0.2
dump_load = true
separate_converters = false

[protection]
bms = true
disconnect_v = 21.0
unit_fuse_a = 125
main_fuse_a = 200
fuse_volts = 58
fuse_interrupt_ka = 20
isolator = "dc"
balancer_mah_per_day = 25
precharge_ohm = 47
inverter_capacitance_mf = 10

[wiring]
takeoff = "diagonal"
link_mohm = 0.5
joint_mohm = 0.2
cable_mm2 = 35
run_m = 2.0
midpoints_tied = false
taps = [ { below = "B1", amps = 2.0 } ]
reading_v = 25.4

[site]
room = "bedroom"
volume_m3 = 40
vent_m3_per_h = 0
spark_distance_m = 0.3
touchable_bars = false
"""


def faults(text: str | bytes) -> str:
    """Return the message on a plan that must fail."""
    with pytest.raises(InputError) as caught:
        parse_plan(text, name="plan.toml")
    return str(caught.value)


def test_the_whole_example_reads() -> None:
    """An example that states every key reads key by key, each value where it belongs."""
    plan = parse_plan(WHOLE, name="plan.toml")
    raw = tomllib.loads(WHOLE)
    assert plan.arrangement == raw["arrangement"]
    assert plan.question == ("join", "charge")
    for section in SECTIONS:
        for key, value in raw.get(section, {}).items():
            held = getattr(getattr(plan, section), key)
            assert held == ((Tap(below="B1", amps=2.0),) if key == "taps" else value), f"{section}.{key}"


@pytest.mark.parametrize("value", ["pv", "wind", "mains", "generator"])
def test_every_choice_reads(value: str) -> None:
    """Every source of charge is accepted by its name."""
    assert parse_plan(f'[charger]\nsource = "{value}"', name="p").charger.source == value


def test_an_empty_plan_is_a_plan() -> None:
    """Everything is optional: an empty file asks every question of nothing stated."""
    assert parse_plan("", name="p") == Plan()
    assert parse_plan(b"\xef\xbb\xbf# only a comment\n", name="p") == Plan()
    assert all(Plan().asks(question) for question in QUESTIONS)


def test_one_question_may_stand_alone() -> None:
    """A single word is as good as a list of one."""
    plan = parse_plan('question = "join"', name="p")
    assert plan.question == ("join",)
    assert (plan.asks("join"), plan.asks("charge")) == (True, False)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "\n[charger]\nvolt = 28.8",
            r"plan.toml:3 charger.volt: unknown key 'volt' in \[charger\], did you mean 'volts'?",
        ),
        ("[dutty]\nload_a = 1", "plan.toml:1 dutty: unknown key 'dutty', did you mean 'duty'?"),
        ('arangement = "A"', "plan.toml:1 arangement: unknown key 'arangement', did you mean 'arrangement'?"),
        ('question = ["joyn"]', "plan.toml:1 question: unknown question 'joyn', did you mean 'join'?"),
        ("question = [1]", "plan.toml:1 question: is not a list of words"),
        ("duty = 3", r"plan.toml:1 duty: is not a table, write \[duty\] on a line of its own"),
        ("arrangement = 3", "plan.toml:1 arrangement: is empty or not text"),
        ('arrangement = "  "', "plan.toml:1 arrangement: is empty or not text"),
        (
            '[duty]\nload_a = "ten"',
            "plan.toml:2 duty.load_a: 'ten' is not a number, give a number in A, without quotes",
        ),
        ("[duty]\nload_a = true", "plan.toml:2 duty.load_a: True is not a number"),
        ("[duty]\nload_a = -1", "plan.toml:2 duty.load_a: -1 is out of range, give 0 to 100000 A"),
        ("[duty]\nsystem_v = nan", "plan.toml:2 duty.system_v: nan is out of range, give 0.5 to 1500 V"),
        ("[charger]\namps = inf", "plan.toml:2 charger.amps: inf is out of range"),
        ('[protection]\nbms = "yes"', "plan.toml:2 protection.bms: 'yes' is neither true nor false"),
        ("[charger]\nsource = 7", "plan.toml:2 charger.source: 7 is not text, put the word in double quotes"),
        ('[charger]\nsource = "winde"', "plan.toml:2 charger.source: 'winde' is not known here, did you mean 'wind'?"),
        (
            '[wiring]\ntakeoff = "same"',
            "plan.toml:2 wiring.takeoff: 'same' is not known here, did you mean 'same_end'?",
        ),
        ('[site]\nroom = "attic"', "plan.toml:2 site.room: 'attic' is not known here"),
        ("[wiring]\ntaps = 2", "plan.toml:2 wiring.taps: is not a list of tables"),
        ("[wiring]\ntaps = [ { ampere = 2 } ]", r"taps.ampere: unknown key 'ampere' in \[taps\], did you mean 'amps'?"),
        ("[wiring]\ntaps = [ { amps = -2 } ]", "taps.amps: -2 is out of range, give 0 to 10000 A"),
        ("[duty]\nload_a = 1\nload_a = 2", "plan.toml:3: not valid TOML"),
        ("[duty", "plan.toml:1: not valid TOML"),
        ("x = " + "[" * 5000, "plan.toml: nested too deep|plan.toml:1: not valid TOML"),
    ],
)
def test_every_fault_says_where_what_and_how_to_mend(text: str, message: str) -> None:
    """Each kind of fault is named with its line, what is wrong, and what would be right."""
    with pytest.raises(InputError, match=message.replace("?", r"\?")):
        parse_plan(text, name="plan.toml")


def test_all_faults_come_at_once() -> None:
    """Three faults in three sections are told together, each with its own line."""
    said = faults('[duty]\nload_a = -1\n[charger]\nsource = "sun"\n[site]\nrum = 3\n')
    assert [line.split(" ")[0] for line in said.splitlines()] == ["plan.toml:2", "plan.toml:4", "plan.toml:6"]


def test_the_same_key_in_two_sections_has_its_own_line() -> None:
    """`amps` stands in the charger and in a tap: the line told is the one that is wrong."""
    said = faults("[charger]\namps = 4\n[wiring]\ntaps = [ { amps = 1e9 } ]\n")
    assert "plan.toml:4 taps.amps" in said


def test_not_utf8_is_said() -> None:
    """A plan in another encoding is refused, with the place and the mending."""
    assert "not UTF-8 text (byte 12)" in faults(b"[duty]\n# caf\xe9")
    assert "save the plan as UTF-8" in faults(b"\xff\xfe[\x00d\x00")


def test_every_key_has_help_and_a_range() -> None:
    """Each key of a plan says what it means; every number has a lowest and a highest value."""
    for section, kind in SECTIONS.items():
        for spec in fields(kind):
            if spec.name == "taps":
                continue
            assert spec.metadata["help"], f"{section}.{spec.name}"
            if "float" in str(spec.type):
                assert spec.metadata["low"] < spec.metadata["high"], f"{section}.{spec.name}"
                assert spec.metadata["unit"], f"{section}.{spec.name}"
