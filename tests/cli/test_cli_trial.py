"""`hotchpot trial`: its JSON by the contract, the laws its numbers must keep, bad wishes, files, and what is read."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from hotchpot.faces.cli.looks import console

Run = Callable[..., Any]
TWO, FOUR = "A1 // A2", "A1 // A2 + B1 // B2"
PILE = ("--pile", "pile.csv")
PLAN = """\
[duty]
load_w = 100
energy_wh_per_day = 400
[charger]
volts = 14.4
amps = 20
source = "pv"
[protection]
unit_fuse_a = 80
"""
ORDER = ["fine", "caution", "only-if", "forbid"]
QUANTITIES = ["current_a", "voltage_v", "soc_frac", "temperature_c"]


@pytest.fixture
def ask(run: Run) -> Callable[..., dict[str, Any]]:
    """Return a function that tries a bank and returns its JSON."""

    def call(*arguments: str) -> dict[str, Any]:
        said = run("trial", *arguments, *PILE, "--json")
        assert (said.code, said.err) == (0, ""), said
        found = json.loads(said.out)
        assert isinstance(found, dict)
        return found

    return call


def test_the_shape_of_the_contract(ask: Run) -> None:
    """Every key of the contract is there, each array as long as time, every number a number."""
    said = ask(TWO, "--amps", "20", "--hours", "3")
    count = len(said["time_s"])
    assert count > 100
    assert said["time_s"][0] == 0
    assert said["time_s"] == sorted(said["time_s"])
    assert set(said["bank"]) == {"voltage_v", "current_a"}
    assert list(said["units"]) == ["A1", "A2"]
    for arrays in (said["bank"], *said["units"].values()):
        assert {len(values) for values in arrays.values()} == {count}
        assert all(isinstance(value, (int, float)) for values in arrays.values() for value in values)
    assert [list(unit) for unit in said["units"].values()] == [QUANTITIES] * 2
    assert {"reason", "time_s", "unit"} <= set(said["ended"])
    assert (said["ended"]["reason"], said["ended"]["time_s"]) == ("time", 10_800)
    assert set(said["balance"]) == {"charge_error_frac", "energy_error_frac"}
    assert 0 <= said["balance"]["charge_error_frac"] <= 1e-9
    assert 0 <= said["balance"]["energy_error_frac"] <= 1e-3
    for found in said["notable"]:
        assert {"code", "verdict", "subject", "says", "why", "do", "source"} <= set(found)


def test_charge_is_kept(ask: Run) -> None:
    """20 A for 3 h are 60 Ah by definition; at every moment the units' currents are the bank's (Kirchhoff)."""
    said = ask(TWO, "--amps", "20", "--hours", "3")
    assert said["given"]["ah"] == pytest.approx(60, rel=1e-6)
    assert said["bank"]["current_a"] == pytest.approx([20.0] * len(said["time_s"]))
    units = [unit["current_a"] for unit in said["units"].values()]
    assert [sum(pair) for pair in zip(*units, strict=True)] == pytest.approx(said["bank"]["current_a"], abs=1e-6)


def test_a_string_has_one_current_and_adds_its_volts(ask: Run) -> None:
    """In series all carry the bank's current, and the units' volts add up to the bank's but for links (Kirchhoff)."""
    said = ask("A1 + B1", "--amps", "10", "--hours", "1")
    a, b = said["units"]["A1"], said["units"]["B1"]
    assert a["current_a"] == pytest.approx(b["current_a"])
    assert a["current_a"] == pytest.approx(said["bank"]["current_a"])
    for u, v, bank in zip(a["voltage_v"], b["voltage_v"], said["bank"]["voltage_v"], strict=True):
        assert bank - 1e-6 <= u + v <= bank + 0.1


@pytest.mark.parametrize(("option", "law"), [("--watts", "power"), ("--ohms", "resistance")])
def test_power_and_resistance_are_held(ask: Run, option: str, law: str) -> None:
    """A load of 120 W draws P = V·I all along, one of 2 Ω draws V = R·I (definitions)."""
    said = ask(TWO, option, "120" if law == "power" else "2", "--hours", "1")
    both = zip(said["bank"]["voltage_v"], said["bank"]["current_a"], strict=True)
    held = [v * i if law == "power" else v / i for v, i in both]
    assert held == pytest.approx([120.0 if law == "power" else 2.0] * len(held), rel=1e-6)


def test_the_first_moment_divides_by_resistance(ask: Run, folder: Path) -> None:
    """Alike but for 5 and 10 mΩ, at one charge: the first currents stand as 2 to 1, links counted (current divider)."""
    (folder / "plan.toml").write_text("[wiring]\nlink_mohm = 0\n", "utf-8")
    head, row = (folder / "pile.csv").read_text("utf-8").splitlines()[:2]
    rows = [row, row.replace("A1,", "A2,").replace(",5.6,", ",11.2,")]
    (folder / "pile.csv").write_text("\n".join([head, *rows]) + "\n", "utf-8")
    said = ask(TWO, "--amps", "30", "--hours", "0.1", "--every", "0", "--plan", "plan.toml")
    one, other = (said["units"][name]["current_a"][0] for name in ("A1", "A2"))
    assert one / other == pytest.approx(2.0, rel=1e-3)  # self-discharge takes milliamps


def test_where_it_begins(ask: Run, folder: Path) -> None:
    """From full, but where the pile file states the charge of every unit; --from stands above both."""
    assert [unit["soc_frac"][0] for unit in ask(TWO, "--amps", "5", "--hours", "1")["units"].values()] == [1, 1]
    lines = (folder / "pile.csv").read_text("utf-8").splitlines()
    stated = [lines[0] + ",soc_frac", *(f"{line},0.{k}" for k, line in enumerate(lines[1:], start=6))]
    (folder / "pile.csv").write_text("\n".join(stated) + "\n", "utf-8")
    begun = {
        text: [unit["soc_frac"][0] for unit in ask(TWO, "--amps", "5", "--hours", "0.1", *given)["units"].values()]
        for text, given in {
            "stated": (), "full": ("--from", "FULL"), "percent": ("--from", "80 %"), "part": ("--from", "0.8"),
            "now": ("--from", "Now"), "whole": ("--from", "1"), "a hundredth": ("--from", "1%"),
        }.items()
    }  # fmt: skip
    assert begun["stated"] == pytest.approx([0.6, 0.7], abs=0.02)
    assert begun["now"] == begun["stated"]
    assert begun["full"] == begun["whole"] == [1, 1]
    assert begun["percent"] == begun["part"] == [0.8, 0.8]
    assert begun["a hundredth"] == [0.01, 0.01]


@pytest.mark.parametrize("load", [("--watts", "1e9"), ("--amps", "1e7")])
def test_an_impossible_load_ends_in_a_name_not_in_numbers(run: Run, load: tuple[str, str]) -> None:
    """What no bank can give is an answer: a named end at once, no moments, and a finding that forbids it."""
    said = run("trial", TWO, *load, *PILE, "--json")
    shape = json.loads(said.out)
    assert said.code == 0
    assert (shape["ended"]["reason"], shape["ended"]["time_s"]) == ("collapse", 0)
    assert shape["time_s"] == shape["bank"]["current_a"] == shape["units"]["A1"]["voltage_v"] == []
    assert shape["notable"][0]["code"] == "trial-collapse"
    most_w = 12.9**2 / 4 / (0.25 * (5.6e-3 + 5.5e-3))  # E²/4R by hand; links take some
    assert 0.6 * most_w < shape["ended"]["value"] < 1.3 * most_w
    text = run("trial", TWO, *load, *PILE).out
    assert "It cannot run at all" in text
    assert not re.search(r"\b(nan|inf)\b", text)


WRONG = {
    "no current": (("--amps", "0"), "--amps: it is 0"),
    "negative": (("--amps", "-5"), "--amps: it is -5.*--charge"),
    "not a number": (("--watts", "nan"), "--watts"),
    "infinite": (("--ohms", "inf"), "--ohms"),
    "another unit": (("--amps", "5 V"), "--amps"),
    "no time": (("--amps", "5", "--hours", "0"), "--hours"),
    "for ever": (("--amps", "5", "--hours", "1e12"), "--hours"),
    "no step": (("--amps", "5", "--step", "0"), "--step"),
    "steps for a year": (("--amps", "5", "--hours", "80000", "--step", "0.001"), "--step: 0.001 s are too many"),
    "more moments than fit": (("--amps", "5", "--hours", "80000", "--every", "0.001"), "--every.*more than fits"),
    "overfull": (("--amps", "5", "--from", "150 %"), "--from"),
    "below empty": (("--amps", "5", "--from", "-10 %"), "--from"),
    "a bare number for percent": (("--amps", "5", "--from", "80"), "--from: '80' is no fraction.*give 80 %"),
    "a little above full": (("--amps", "5", "--from", "1.5"), "--from: '1.5' is no fraction"),
    "percent of percent": (("--amps", "5", "--from", "80%%"), "--from.*full, now, or a charge such as 80 %"),
    "a charge in amps": (("--amps", "5", "--from", "0.8 A"), "--from: '0.8 A' is no charge"),
    "metres for minutes": (("--amps", "5", "--hours", "90 m"), "--hours.*give 90 min"),
    "a picture of dots": (("--amps", "5", "--svg", "o.png"), "o.png: would not be PNG, write o.svg"),
    "lost and shorted": (("--amps", "5", "--lost", "A1", "--shorted", "A1"), "--lost and --shorted: A1 cannot be both"),
    "a word for a charge": (("--amps", "5", "--from", "high"), "--from.*full, now"),
    "no unit of that name": (("--amps", "5", "--lost", "A3"), "--lost.*'A3'"),
    "nothing left": (("--amps", "5", "--lost", "A1", "--lost", "A2"), "no branch of the bank is left"),
    "nothing to try": ((), "nothing to try.*--amps"),
    "two loads": (("--amps", "5", "--watts", "60"), "--amps and --watts"),
    "load and charge": (("--amps", "5", "--charge"), "--amps and --charge"),
    "joining under load": (("--joining", "--watts", "5"), "--watts and --joining"),
    "joining from full": (("--joining", "--from", "full"), "--joining and --from"),
    "a still load": (("--amps", "5", "--still"), "--still: .*give it with --day"),
    "days that are none": (("--day", "7x"), "--day: '7x'.*give it in days"),
    "a verdict that is none": (("--amps", "5", "--at-least", "cautoin"), "--at-least: 'cautoin'.*mean 'caution'"),
    "percent apart": (("--amps", "5", "--from", "80", "%"), '--from: .*in quotes, --from "80 %"'),
    "minutes apart": (("--amps", "5", "--hours", "90", "min"), '--hours: .*in quotes, --hours "90 min"'),
    "draws that are none": (("--amps", "5", "--doubt", "many"), "--doubt: 'many' is not a whole number"),
    "no such option": (("--ampps", "5"), "--ampps: no such option, did you mean '--amps'"),
    "nothing after it": (("--amps",), "--amps: nothing stands after it, give its value"),
    "a day of hours": (("--day", "1", "--hours", "3"), "--day and --hours"),
    "no days": (("--day", "0"), "--day"),
    "a charge without a charger": (("--charge",), "charger.amps"),
    "a day without a duty": (("--day", "1"), "duty.energy_wh_per_day"),
    "shorted and dead": (("--amps", "5", "--dead", "A1", "--shorted", "A1"), "--shorted and --dead"),
    "a cluster for nothing": (("--amps", "5", "--on", "tcp://127.0.0.1:1"), "--on.*--doubt"),
    "fewer than no draws": (("--amps", "5", "--doubt", "-1"), "--doubt"),
    "over its own input": (("--amps", "5", "--csv", "pile.csv"), "pile.csv: was read from"),
    "two files of one name": (("--amps", "5", "--csv", "o.csv", "--svg", "o.csv"), "written by --csv already"),
    "a folder that is not": (("--amps", "5", "--csv", "none/o.csv"), "folder is not there"),
    "no profile": (("--profile", "none.csv"), "none.csv: no such file"),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_cannot_be_tried_is_refused_in_one_line(run: Run, folder: Path, case: str) -> None:
    """Contradictions and impossible numbers are bad input: what, where and how to mend it, and nothing is written."""
    options, pattern = WRONG[case]
    before = sorted(folder.iterdir())
    said = run("trial", TWO, *options, *PILE)
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith("hotchpot: ")
    assert said.err.count("\n") == 1
    assert re.search(pattern, said.err), said.err
    assert sorted(folder.iterdir()) == before


def test_a_pile_without_arrangement_is_asked_for_one(run: Run) -> None:
    """Loose units are no bank to try."""
    said = run("trial", *PILE, "--amps", "5")
    assert said.code == 2
    assert "arrangement: is missing" in said.err


PROFILES = {
    "plain": "time_s,watts\n0,60\n1800,120\n3600,-50\n7200,0\n",
    "hours": "hours,watts\n0,60\n0.5,120\n1,-50\n2,0\n",
    "decimal commas": "hours;power [kW]\n0;0,06\n0,5;0,12\n1;-0,05\n2;0\n",
    "minutes": "t [min];watts;note\n0;60;a\n30;120;b\n60;-50;c\n120;0;\n",
    "a spreadsheet's": "\ufefft (h);W;\r\n0;60;\r\n0,5;120;\r\n1;-50;\r\n2;0;\r\n".replace("W", "load [W]"),
}


def test_profiles_read_however_they_are_written(ask: Run, folder: Path) -> None:
    """Seconds, minutes or hours, points or commas, watts or kilowatts: the same load gives the same trial."""
    (folder / "plan.toml").write_text(PLAN, "utf-8")
    answers = []
    for text in PROFILES.values():
        (folder / "load.csv").write_bytes(text.encode())
        said = ask(TWO, "--profile", "load.csv", "--plan", "plan.toml")
        answers.append((said["time_s"], said["bank"], said["units"], said["ended"]))
    assert answers[0][3]["reason"] == "time"
    assert answers[0][3]["time_s"] == 3600 * 2  # a last row of nothing is the end
    assert all(answer == answers[0] for answer in answers)


BAD_PROFILES = {
    "empty": ("", "load.csv: the file is empty"),
    "heading alone": ("time_s,watts\n", "no moments"),
    "one moment": ("time_s,watts\n0,5\n", "a single moment"),
    "times of the day": ("hours,watts\n7:00,5\n08:30,6\n", "'08:30' is not a number, write hours as a number, 8.5"),
    "minutes without brackets": ("minutes,watts\n0,5\n60,6\n", "minutes: no such column, write 't [min]'"),
    "a clock": ("clock,watts\n0,5\n60,6\n", "clock: no such column, give hours, such as 7.5"),
    "two sources": ("time_s,watts,source_w,source_a\n0,5,1,1\n60,5,1,1\n", "source_w and source_a are both there"),
    "a source below nought": ("time_s,watts,sun [A]\n0,5,1\n60,5,-1\n", "load.csv:3 source_a: '-1' is out of range"),
    "a word": ("time_s,watts\n0,soon\n60,5\n", "load.csv:2 watts: 'soon'"),
    "not a number": ("time_s,watts\n0,nan\n60,5\n", "load.csv:2 watts: 'nan'"),
    "a gap": ("time_s,watts\n0,5\n60,\n90,5\n", "load.csv:3 watts: empty"),
    "times that fall": ("time_s,watts\n0,5\n60,5\n30,5\n", "load.csv:4 time_s: 30 comes after 60"),
    "a moment twice": ("time_s,watts\n0,5\n60,5\n60,6\n", "load.csv:4 time_s: 60 comes after 60"),
    "before nought": ("time_s,watts\n-5,5\n60,5\n", "load.csv:2 time_s"),
    "no time": ("watts\n5\n6\n", "time_s"),
    "no load": ("time_s\n5\n6\n", "watts"),
    "two loads": ("time_s,watts,amps\n0,5,1\n60,5,1\n", "watts and amps are both there"),
    "which time": ("time,watts\n0,5\n60,5\n", "needs its unit"),
    "another table": ("id,chemistry\nA1,lfp\n", "no such column"),
    "no text": ("time_s,watts\n\0\0\n", "zero byte"),
    "a charge without a charger's volts": ("time_s,amps\n0,5\n60,-5\n120,5\n", None),
}


@pytest.mark.parametrize("case", BAD_PROFILES)
def test_a_bad_profile_is_told_by_line_and_column(run: Run, folder: Path, case: str) -> None:
    """Every fault of a profile is told with its place; none becomes a number."""
    text, pattern = BAD_PROFILES[case]
    (folder / "load.csv").write_bytes(text.encode())
    said = run("trial", TWO, "--profile", "load.csv", *PILE)
    if pattern is None:  # the chemistry's own charge voltage stands in for the plan's
        assert said.code == 0
        return
    assert (said.code, said.out) == (2, "")
    assert pattern in said.err, said.err


def test_charge_day_and_joining_answer(ask: Run, folder: Path) -> None:
    """Each of the other scenarios runs to a named end: charged, its time, settled."""
    (folder / "plan.toml").write_text(PLAN, "utf-8")
    charge = ask(TWO, "--charge", "--from", "50 %", "--plan", "plan.toml")
    assert charge["ended"]["reason"] == "charged"
    assert max(charge["bank"]["voltage_v"]) <= 14.4 + 1e-3
    assert charge["taken"]["ah"] >= 0.5 * 194 * 0.9
    day = ask(TWO, "--day", "1", "--plan", "plan.toml")
    assert (day["ended"]["reason"], day["ended"]["time_s"]) == ("time", 86_400)
    joined = ask(TWO, "--joining")
    assert joined["ended"]["reason"] == "settled"
    assert joined["bank"]["current_a"] == pytest.approx([0.0] * len(joined["time_s"]), abs=1e-9)


def test_a_still_week_has_no_sun(ask: Run, folder: Path) -> None:
    """With --still the plan's charger gives nothing, in days of the plan and of a profile."""
    (folder / "plan.toml").write_text(PLAN, "utf-8")
    (folder / "load.csv").write_text("hours;load [W];sun [A]\n0;30;0\n8;10;5\n16;30;0\n", "utf-8")
    for more in ((), ("--profile", "load.csv")):
        fed = ask(TWO, "--day", "2", "--from", "50 %", "--plan", "plan.toml", *more)
        still = ask(TWO, "--day", "48 h", "--from", "50 %", "--still", "--plan", "plan.toml", *more)
        assert fed["taken"]["ah"] > 10
        assert still["taken"]["ah"] == 0
        assert still["ended"]["time_s"] == fed["ended"]["time_s"] == 2 * 86_400
        assert "gives nothing" in still["scenario"]["says"]
    assert still["scenario"]["kind"] == "day"
    once = ask(TWO, "--profile", "load.csv", "--still", "--plan", "plan.toml")
    assert (once["taken"]["ah"], once["scenario"]["kind"]) == (0, "profile")


def test_joining_needs_to_know_the_charge(run: Run, folder: Path) -> None:
    """Units whose charge nobody read cannot be joined on paper; each of them is named."""
    lines = [",".join(line.split(",")[:6]) for line in (folder / "pile.csv").read_text("utf-8").splitlines()]
    (folder / "pile.csv").write_text("\n".join(lines) + "\n", "utf-8")
    said = run("trial", TWO, "--joining", *PILE)
    assert said.code == 2
    assert "unit A1" in said.err
    assert "unit A2" in said.err


def test_faults_lie_over_a_scenario(ask: Run) -> None:
    """A lost branch carries nothing, a dead unit next to nothing; a shorted cell takes a sixth of the voltage."""
    whole = ask(TWO, "--amps", "10", "--hours", "0.2")
    lost = ask(TWO, "--amps", "10", "--hours", "0.2", "--lost", "A2")
    assert lost["units"]["A2"]["current_a"] == pytest.approx([0.0] * len(lost["time_s"]), abs=1e-6)
    assert lost["units"]["A1"]["current_a"] == pytest.approx([10.0] * len(lost["time_s"]), rel=1e-6)
    dead = ask(TWO, "--amps", "10", "--hours", "0.2", "--dead", "A2")
    assert abs(dead["units"]["A2"]["current_a"][0]) < 0.2
    short = ask("A1 + B1", "--amps", "10", "--hours", "0.2", "--shorted", "B1")
    assert short["units"]["B1"]["voltage_v"][0] == pytest.approx(whole["units"]["A1"]["voltage_v"][0] * 5 / 6, rel=0.02)


def test_a_forbidden_bank_is_run_on_paper_and_said_to_be_forbidden(run: Run, folder: Path) -> None:
    """The judge's word stands first; the trial runs all the same, and says that nothing of it may be built."""
    text = (folder / "pile.csv").read_text("utf-8") + "L1,lfp,4,100,100,6,13.3,24,20\n"
    (folder / "pile.csv").write_text(text, "utf-8")
    asked = ("trial", "A1 // L1", "--amps", "10", "--hours", "0.5", *PILE)
    said = run(*asked)
    assert said.code == 0
    first, last = said.out.index("FORBID"), said.out.index("On trial")
    assert first < said.out.index("Nothing of this may be built") < last
    shape = json.loads(run(*asked, "--json").out)
    assert shape["verdict"] == shape["judged"]["verdict"] == "forbid"
    assert shape["judged"]["decided_by"] == "chemistry-parallel"
    assert len(shape["time_s"]) > 2
    assert run(*asked, "--at-least", "only-if").code == 1


@pytest.mark.parametrize(("at_least", "code"), [("fine", 1), ("caution", 1), ("only-if", 0), (None, 0)])
def test_exit_codes_by_at_least(run: Run, folder: Path, at_least: str | None, code: int) -> None:
    """0 when answered, 1 when judge or trial are worse than --at-least: here 'only if', as no fuse is stated."""
    options = ["--at-least", at_least] if at_least else []
    said = run("trial", TWO, "--amps", "10", "--hours", "0.5", *PILE, "--json", *options)
    assert json.loads(said.out)["verdict"] == "only-if"
    assert said.code == code


def test_a_trial_can_be_worse_than_the_judge(run: Run) -> None:
    """A verdict of the trial's own findings counts: a load beyond all that the units may give ends with 1."""
    asked = ("trial", TWO, "--amps", "1500", *PILE)
    assert json.loads(run(*asked, "--json").out)["verdict"] == "forbid"
    assert run(*asked, "--at-least", "only-if").code == 1


def test_files_hold_what_json_holds(run: Run, folder: Path) -> None:
    """CSV and Parquet have a row for each moment with the JSON's numbers; the chart is an SVG with a description."""
    import polars as pl

    asked = ("trial", TWO, "--amps", "20", "--hours", "1", *PILE)
    said = run(*asked, "--csv", "o.csv", "--parquet", "o.parquet", "--svg", "o.svg", "--json")
    shape = json.loads(said.out)
    table = pl.read_csv(folder / "o.csv")
    assert table.columns[:4] == ["time_s", "volts_v", "amps_a", "A1 amps_a"]
    assert table["time_s"].to_list() == pytest.approx(shape["time_s"])
    assert table["A2 soc_frac"].to_list() == pytest.approx(shape["units"]["A2"]["soc_frac"])
    whole = pl.read_parquet(folder / "o.parquet")
    assert whole.columns == table.columns
    assert table.columns[-1] == "event"
    assert whole["event"].to_list() == table["event"].to_list() == [None] * (len(table) - 1) + ["time"]
    for name in table.columns[:-1]:  # the text has nine digits, the other every bit
        assert table[name].to_list() == pytest.approx(whole[name].to_list(), rel=1e-8)
    root = ElementTree.parse(folder / "o.svg").getroot()
    assert root.tag.endswith("svg")
    assert "20 A" in root.attrib["aria-label"]
    worst = max([shape["verdict"], *(one["verdict"] for one in shape["notable"])], key=ORDER.index)
    assert any(
        worst.replace("-", " ").upper() in "".join(node.itertext()) for node in root.iter() if node.tag.endswith("text")
    )


def test_a_hard_link_to_an_input_is_that_input(run: Run, folder: Path) -> None:
    """What was read is not written over under another name of the same file."""
    before = (folder / "pile.csv").read_bytes()
    (folder / "hard.csv").hardlink_to(folder / "pile.csv")
    said = run("trial", TWO, "--amps", "5", "--csv", "hard.csv", *PILE)
    assert said.code == 2
    assert "hard.csv: was read from" in said.err
    assert (folder / "pile.csv").read_bytes() == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no device that is always full")
def test_a_full_disk_leaves_the_answer(run: Run) -> None:
    """What cannot be kept is said with the code for it, after the answer; of JSON there is one and no more."""
    asked = ("trial", TWO, "--amps", "20", "--hours", "0.1", *PILE)
    for option in ("--csv", "--parquet", "--svg"):
        said = run(*asked, option, "/dev/full", "--json")
        assert said.code == 1
        assert re.fullmatch(r"hotchpot: /dev/full: cannot be written \(.*\), write to another place\n", said.err)
        assert json.loads(said.out)["ended"]["reason"] == "time"
    with Path("/dev/full").open("w") as full:
        told = subprocess.run(
            [sys.executable, "-m", "hotchpot", "rules"], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert (told.returncode, told.stderr.count("\n")) == (1, 1), told.stderr


def test_a_fault_given_twice_is_one_fault(run: Run) -> None:
    """A unit named twice is named once in the words."""
    out = run("trial", TWO, "--amps", "5", "--hours", "0.1", "--shorted", "A1", "--shorted", "A1", *PILE).out
    assert "A1 with one cell shorted" in out
    assert "A1, A1" not in out


def test_nothing_is_drawn_of_nothing(run: Run, folder: Path) -> None:
    """A trial without a moment leaves a table with a heading alone, and says that there is nothing to draw."""
    said = run("trial", TWO, "--watts", "1e9", *PILE, "--csv", "o.csv", "--svg", "o.svg")
    assert said.code == 1
    assert "nothing to draw" in said.err
    assert len((folder / "o.csv").read_text("utf-8").splitlines()) == 1
    assert not (folder / "o.svg").exists()


def test_doubt_is_told_and_repeats_by_its_seed(run: Run, ask: Run) -> None:
    """Bands, chances and drivers of a few draws; the same seed gives the same, another seed another."""
    asked = (TWO, "--amps", "40", "--doubt", "8")
    one, again, other = ask(*asked, "--seed", "3"), ask(*asked, "--seed", "3"), ask(*asked, "--seed", "4")
    assert one["doubt"] == again["doubt"] != other["doubt"]
    assert one["time_s"] == other["time_s"]
    found = one["doubt"]
    assert (found["draws"], found["seed"], found["enough"]) == (8, 3, False)
    hours = found["bands"]["hours"]
    assert hours["p05"] <= hours["p50"] <= hours["p95"]
    assert hours["p05"] <= one["ended"]["time_s"] / 3600 * 1.1
    for chance in found["chances"]:
        assert 0 <= chance["low"] <= chance["frac"] <= chance["high"] <= 1
    text = run("trial", *asked, *PILE).out
    assert "How sure this is" in text
    assert "8 draws" in text


def test_a_cluster_that_is_not_there_is_bad_input(run: Run) -> None:
    """--on with no scheduler behind it is one clear message."""
    said = run("trial", TWO, "--amps", "40", "--doubt", "3", "--on", "tcp://127.0.0.1:1", *PILE)
    assert said.code == 2
    assert "no cluster answers at tcp://127.0.0.1:1" in said.err
    assert "Traceback" not in said.err


def test_what_a_person_reads(run: Run) -> None:
    """Plain words come first, then the plot, the findings with why and do, the end by its name, and the cautions."""
    out = run("trial", FOUR, "--amps", "40", *PILE).out
    text = " ".join(out.split())
    order = [
        "The judge:",
        "On trial, on paper",
        "It lasts",
        "Over time",
        "Findings",
        "labels'",
        "How it ended",
        "Simulated",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)
    for part in ("carries most", "empty", "Why:", "Do:", "cut-off", "licensed electrician", "bank, V", "charge, %"):
        assert part in text, part


@pytest.mark.parametrize("columns", [40, 80, 200])
def test_it_fits_the_terminal(run: Run, monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    """Words, tables and the plot wrap at the terminal's width; the plot never gets wider than 80."""
    monkeypatch.setenv("COLUMNS", str(columns))
    console.cache_clear()
    lines = run("trial", TWO, "--amps", "20", "--hours", "1", *PILE).out.splitlines()
    console.cache_clear()
    assert max(map(len, lines)) <= columns
    framed = [line for line in lines if line.endswith(("┐", "┘"))]
    assert len(framed) >= 6
    assert max(map(len, framed)) <= min(columns, 80)


def test_help_loads_no_numerics() -> None:
    """`hotchpot trial --help` loads neither arrays nor a compiler nor a plotter."""
    asked = [sys.executable, "-X", "importtime", "-m", "hotchpot", "trial", "--help"]
    said = subprocess.run(asked, capture_output=True, text=True, check=True)
    loaded = {name.split(".")[0] for name in re.findall(r"\|\s*(\S+)$", said.stderr, re.MULTILINE)}
    assert "typer" in loaded
    assert loaded & {"numpy", "scipy", "numba", "polars", "matplotlib", "distributed", "pint"} == set()
