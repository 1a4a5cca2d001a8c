"""The guide in the terminal: fed line by line, broken off and gone on with, refused, interrupted, as JSON."""

from __future__ import annotations

import io
import json
import random
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import pytest
import typer
from typer.testing import CliRunner

from hotchpot.desk.guiding import drafts, guide
from hotchpot.errors import InputError
from hotchpot.faces.cli import talk
from hotchpot.faces.cli.guide import run_guide
from hotchpot.faces.cli.looks import console
from hotchpot.pile.reading import ReadingKind
from hotchpot.pile.readingfile import parse_readings

PILE = """\
id,chemistry,cells,rated_ah,rest_v,flags
A3,lead_agm,6,100,12.7,
S1,lfp,4,100,13.2,swollen
E1,nmc,3,50,4.1,
"""
LOADS = ["none", "12.55", "", "12.40", "40", "", "11.80", "200", "", "25"]


class Said(NamedTuple):
    """What a guide printed, and how it ended."""

    code: int
    out: str
    err: str


class Clock:
    """A clock that only moves when it is told to, or when somebody waits."""

    def __init__(self) -> None:
        self.at = datetime(2026, 3, 1, 8, 0)
        self.waited: list[float] = []

    def now(self) -> datetime:
        """Return the time."""
        return self.at

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        self.waited.append(seconds)
        self.at += timedelta(seconds=seconds)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Return the clock that the guide goes by."""
    made = Clock()
    monkeypatch.setattr(guide, "now", made.now)
    monkeypatch.setattr(talk, "pause", made.sleep)
    return made


Walk = Callable[..., Said]


@pytest.fixture
def walk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], clock: Clock) -> Walk:
    """Return a function that runs a guide on these lines in a folder of its own."""
    (tmp_path / "pile.csv").write_text(PILE, "utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "110")
    console.cache_clear()

    def call(procedure: str | None, lines: list[str], **options: Any) -> Said:
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        code = run_guide(procedure, **{"unit": "A3", "pile": Path("pile.csv"), **options})
        out, err = capsys.readouterr()
        return Said(code, " ".join(out.split()), " ".join(err.split()))

    return call


def rows(folder: Path) -> list[Any]:
    """Return the readings that were written."""
    path = folder / "readings.csv"
    return list(parse_readings(path.read_bytes(), name="readings.csv")) if path.exists() else []


def draft(folder: Path, test: str, unit: str = "A3") -> dict[str, Any]:
    """Return the answers of a draft; empty where there is none."""
    found = drafts.load_draft(folder / "readings.csv", unit=unit, procedure=test)
    return {} if found is None else dict(found.answers)


def test_a_whole_test_fed_line_by_line(walk: Walk, tmp_path: Path, clock: Clock) -> None:
    """Two loads by the standard's example (R02): 3.75 mΩ, told with its doubt and its grade, and one row written."""
    said = walk("resistance", LOADS)
    assert said.code == 0, said
    assert "resistance: 3.75 mΩ (95 % sure:" in said.out
    assert "Most of the doubt:" in said.out
    assert "Grade by resistance: A" in said.out
    (row,) = rows(tmp_path)
    assert (row.unit, row.kind, row.volts, row.amps, row.seconds) == ("A3", "loads", (12.4, 11.8), (40.0, 200.0), 10.0)
    assert clock.waited == [10.0, 10.0]
    assert not drafts.draft_path(tmp_path / "readings.csv").exists()


def test_cautions_come_first_and_last(walk: Walk) -> None:
    """The cautions stand before the first step and after the result."""
    out = walk("resistance", LOADS).out
    caution = "local codes and a licensed electrician decide"
    assert out.index(caution) < out.index("Step 1 of") < out.index("3.75 mΩ") < out.rindex(caution)
    assert out.index("STOP IF:") < out.index("3.75 mΩ")


def test_each_step_begins_with_the_cautions_that_matter_there(walk: Walk) -> None:
    """The start has each caution in one line, each step its own few, and the word cautions all of them in full."""
    out = walk("resistance", ["none", "cautions", *LOADS[1:]]).out
    start, step_1, step_2, again, step_3, *_ = out.split(" Step ")
    assert "! Put a fuse in the plus lead" in start
    assert "never at its terminals" not in start
    assert "! Goggles on" in step_1
    assert "fuse" not in step_1
    assert "! Red to plus" in step_2
    assert "never at its terminals, and put the switch in first" in step_2  # asked for at this step
    assert again.startswith("2 of 12")
    assert "! Put a fuse in the plus lead" in step_3
    plain = [step.split(" STOP IF")[0] for step in (step_1, again, step_3)]
    assert [step.count("! ") for step in plain] == [2, 1, 3]


def test_a_caution_fits_one_line_of_80(walk: Walk, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    """At 80 columns every short caution stands on one line, and the list at the start fits a screen."""
    monkeypatch.setenv("COLUMNS", "80")
    console.cache_clear()
    monkeypatch.setattr(sys, "stdin", io.StringIO("quit\n"))
    assert run_guide("capacity", unit="A3", pile=Path("pile.csv")) == 0
    lines = capsys.readouterr().out.splitlines()
    begin = lines.index("Before anything else")
    listed = lines[begin + 1 : next(k for k, line in enumerate(lines) if "type cautions" in line)]
    assert all(line.startswith("  ! ") for line in listed)
    assert 8 <= len(listed) <= 14


def test_hours_of_a_clock_are_told_as_a_number(walk: Walk) -> None:
    """12:30 at a question for hours is asked again with 12.5."""
    said = walk("rest", ["", "12:30", "12.5", "12.71", "done", ""], no_wait=True)
    assert "'12:30' is a time of a clock, give hours as one number: 12.5" in said.out


def test_the_guide_refuses_readings_that_its_unit_cannot_have(walk: Walk, tmp_path: Path) -> None:
    """A slip in the readings file beside the pile is told with its line before the test begins."""
    (tmp_path / "readings.csv").write_text("unit,kind,volts\nA3,rest,126.1\n", "utf-8")
    with pytest.raises(InputError, match=r"readings.csv:2 volts: 126.1 V is beyond anything 6 cells"):
        walk("look", ["", "none", ""])


def test_without_a_procedure_all_are_listed(walk: Walk, tmp_path: Path) -> None:
    """The bare command lists the six tests and writes nothing."""
    said = walk(None, [])
    assert said.code == 0
    for key in ("look", "rest", "resistance", "capacity", "gravity", "leakage"):
        assert key in said.out
    assert [path.name for path in tmp_path.iterdir()] == ["pile.csv"]


def test_a_bad_answer_is_asked_again_with_the_reason(walk: Walk, tmp_path: Path) -> None:
    """A word for a number, nothing, a number that cannot be: each reason is told, and the test goes on."""
    said = walk("resistance", ["none", "twelve", "", "900", *LOADS[1:]])
    assert said.code == 0
    assert said.out.count("Not so:") == 3
    assert "not a number" in said.out
    assert "900 V cannot be" in said.out
    assert len(rows(tmp_path)) == 1


def test_back_goes_a_step_back(walk: Walk, tmp_path: Path) -> None:
    """A slip of the finger is mended by going back to it."""
    said = walk("resistance", ["none", "12.55", "", "12.40", "4", "back", "40", *LOADS[5:]])
    assert said.code == 0
    assert rows(tmp_path)[0].amps == (40.0, 200.0)


def test_quit_keeps_the_answers_and_the_same_command_goes_on(walk: Walk, tmp_path: Path) -> None:
    """What was answered is not asked again."""
    first = walk("resistance", ["none", "quit"])
    assert first.code == 0
    assert draft(tmp_path, "resistance") == {"flags": []}
    assert rows(tmp_path) == []
    second = walk("resistance", LOADS[1:])
    assert second.code == 0
    assert "Going on where it was broken off: 1 step" in second.out
    assert len(rows(tmp_path)) == 1


def test_the_end_of_input_keeps_the_draft(walk: Walk, tmp_path: Path) -> None:
    """When nobody types any more, the guide ends with 2, says so, and nothing is lost."""
    said = walk("resistance", LOADS[:2])
    assert said.code == 2
    assert "The input ended. Nothing is lost" in said.out
    assert "switch it off" in said.out
    assert draft(tmp_path, "resistance") == {"flags": [], "start_v": "12.55"}
    assert rows(tmp_path) == []


def test_an_interruption_keeps_the_draft(walk: Walk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C in the middle of a wait ends as the end of input does."""

    def interrupted(_: float) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(talk, "pause", interrupted)
    said = walk("resistance", LOADS)
    assert said.code == 2
    assert set(draft(tmp_path, "resistance")) == {"flags", "start_v", "light", "light_wait"}


def test_a_load_test_that_was_broken_off_asks_for_the_load_again(walk: Walk, tmp_path: Path, clock: Clock) -> None:
    """Hours later the light load is to be switched on anew; its reading is not one at ten seconds."""
    assert walk("resistance", LOADS[:4]).code == 2
    clock.at += timedelta(hours=3)
    said = walk("resistance", LOADS[2:])
    assert said.code == 0
    assert rows(tmp_path)[0].seconds == 10.0


def test_a_run_of_twenty_hours_survives_a_closed_lid(walk: Walk, tmp_path: Path, clock: Clock) -> None:
    """The clock of the run goes on while nothing runs: 5 A for nineteen hours are 95 Ah."""
    begun = walk("capacity", ["none", "12.80", "", "", "", "constant", "5", "", "12.60"])
    assert begun.code == 2
    clock.at += timedelta(hours=10)
    later = walk("capacity", ["12.10", "quit"])
    assert later.code == 0
    assert "Look now." in later.out
    clock.at += timedelta(hours=9)
    done = walk("capacity", ["10.50", "", "25"])
    assert done.code == 0
    assert "LOAD OFF NOW" in done.out
    row = rows(tmp_path)[0]
    assert row.hours == (0.0, 10.0, 19.0)
    assert row.cutoff_v == 10.5
    assert "capacity: 95.4 Ah" in done.out  # 95 Ah as drawn, brought to the 20 h rate
    assert "Grade: A" in done.out


def test_the_next_look_is_told_by_the_clock(walk: Walk, clock: Clock) -> None:
    """After the first look the next is due in five minutes, by the wall clock too."""
    said = walk("capacity", ["none", "12.80", "", "", "", "constant", "5", "", "12.60"])
    assert "Next look after 5 min: 08:04, in 5 min." in said.out or "Next look after 5 min: 08:05" in said.out


def test_a_long_wait_is_cut_short_only_after_a_warning(walk: Walk, tmp_path: Path) -> None:
    """Enter warns that the reading counts as early; Enter again goes on, and the row says so."""
    said = walk("capacity", ["none", "12.80", "", "", "", "constant", "5", "", "0 12.6", "19 10.5", "", "25"])
    assert said.code == 0
    assert "counts as early" in said.out
    assert rows(tmp_path)[0].note == "early: 0 of 3600 s"


def test_no_wait_takes_the_waits_as_over(walk: Walk, tmp_path: Path, clock: Clock) -> None:
    """With --no-wait nothing is waited for, nothing is early, and looks need their hours."""
    lines = ["none", "12.80", "", "constant", "5", "", "12.6", "0 12.6", "19 10.5", "", "25"]
    said = walk("capacity", lines, no_wait=True)
    assert said.code == 0
    assert "give hours and volts" in said.out
    assert clock.waited == []
    assert rows(tmp_path)[0].note == ""


def test_a_rejected_unit_is_refused_before_the_first_step(walk: Walk, tmp_path: Path) -> None:
    """A swollen unit: exit 1, the reason, set it aside outdoors; nothing is asked and nothing written."""
    said = walk("capacity", [], unit="S1")
    assert said.code == 1
    assert "refused unit-rejected" in said.out
    assert "swollen" in said.out
    assert "set it aside outdoors" in said.out
    assert "Step 1" not in said.out
    assert rows(tmp_path) == []


def test_a_lithium_unit_below_its_limit_is_refused(walk: Walk) -> None:
    """Three cells at 4.1 V together are below 2.0 V a cell: do not test, set it aside outdoors."""
    said = walk("resistance", [], unit="E1")
    assert said.code == 1
    assert "Do not test, charge or open it: set it aside outdoors" in said.out


def test_what_the_person_sees_refuses_on_the_spot(walk: Walk, tmp_path: Path) -> None:
    """A leak named at the first step ends the test with 1, and is written down as a look."""
    said = walk("resistance", ["leaking"])
    assert said.code == 1
    (row,) = rows(tmp_path)
    assert (row.kind, row.flags) == (ReadingKind.LOOK, ("leaking",))
    assert draft(tmp_path, "resistance") == {}


def test_reversed_volts_refuse_before_the_load(walk: Walk) -> None:
    """Volts below zero end the test before any load comes on."""
    said = walk("resistance", ["none", "-12.4"])
    assert said.code == 1
    assert "unit-reversed" in said.out
    assert "red on plus" in said.out
    assert "The light load on" not in said.out


def test_stop_says_what_to_do(walk: Walk, tmp_path: Path) -> None:
    """`stop` ends with 1, says to take everything off, and keeps the answers."""
    said = walk("resistance", ["none", "12.55", "stop"])
    assert said.code == 1
    assert "everything off the battery" in said.out
    assert draft(tmp_path, "resistance")["start_v"] == "12.55"


def test_a_unit_is_asked_for(walk: Walk, tmp_path: Path) -> None:
    """Without a unit its id is asked, again when it is not in the pile; other capitals are hinted at first."""
    said = walk("look", ["A9", "s1", "A3", "", "none", ""], unit=None)
    assert said.code == 0
    assert "there is no unit 'A9'" in said.out
    assert "there is no unit 's1' in the pile, did you mean 'S1'?" in said.out
    assert rows(tmp_path)[0].unit == "A3"


def test_without_a_pile_the_label_is_asked(walk: Walk, tmp_path: Path) -> None:
    """Chemistry, volts or cells and amp-hours are asked; a bad one again; the draft knows the unit the next time."""
    lines = ["gell", "gel", "12 V", "80", "none", "12.6", "quit"]
    said = walk("resistance", lines, pile=None, unit="N1")
    assert said.code == 0
    assert "did you mean" in said.out or "known are" in said.out
    again = walk("resistance", LOADS[2:], pile=None, unit="N1")
    assert again.code == 0
    assert rows(tmp_path)[0].unit == "N1"


def test_end_of_input_while_the_unit_is_asked(walk: Walk, tmp_path: Path) -> None:
    """Nothing typed at all ends with 2 and leaves nothing behind."""
    said = walk("resistance", [], pile=None, unit=None)
    assert said.code == 2
    assert [path.name for path in tmp_path.iterdir()] == ["pile.csv"]


def test_json_keeps_standard_output_clean(walk: Walk) -> None:
    """With --json the answer alone is on standard output, and the conversation on standard error."""
    said = walk("resistance", LOADS, as_json=True)
    shape = json.loads(said.out)
    assert shape["procedure"] == "resistance"
    assert shape["estimates"][0]["value"] == pytest.approx(3.75, abs=0.005)
    assert shape["estimates"][0]["low"] < 3.75 < shape["estimates"][0]["high"]
    assert shape["reading"].splitlines()[0].startswith("unit,kind")
    assert shape["cautions"]
    assert "Step 1 of" in said.err
    refused = json.loads(walk("resistance", [], unit="S1", as_json=True).out)
    assert refused["refused"] is True
    assert refused["remarks"][0]["weight"] == "refused"
    assert {one["key"] for one in json.loads(walk(None, [], as_json=True).out)["procedures"]} >= {"look", "rest"}
    broken = json.loads(walk("resistance", ["none"], as_json=True).out)
    assert broken["unfinished"] is True


@pytest.mark.parametrize("seed", range(40))
def test_whatever_is_typed_ends_well(walk: Walk, tmp_path: Path, seed: int) -> None:
    """Any words in any order end with 0, 1 or 2, and what was written can be read."""
    chosen = random.Random(seed)
    words = ["", "", "none", "back", "done", "new", "12.6", "-3", "0", "nan", "1e400", "5 12.2", "19 9", "30 1.0 4"]
    words += ["constant", "bulbs", "resistor", "2.4", "5", "24", "swolen", "25 °C", "１２", "x" * 300, "stop", "quit"]
    test = chosen.choice(["look", "rest", "resistance", "capacity"])
    lines = [chosen.choice(words) for _ in range(chosen.choice([5, 40, 160]))]
    said = walk(test, lines, no_wait=chosen.random() < 0.7)
    assert said.code in (0, 1, 2)
    assert all(row.unit == "A3" for row in rows(tmp_path))


def test_it_can_be_wired_as_a_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Under a typer command the guide reads what is fed and ends with its exit code."""
    monkeypatch.chdir(tmp_path)
    console.cache_clear()
    app = typer.Typer()

    @app.command()
    def bench_guide(
        procedure: Annotated[str | None, typer.Argument()] = None,
        unit: Annotated[str | None, typer.Option("--unit")] = None,
        no_wait: Annotated[bool, typer.Option("--no-wait")] = False,
    ) -> None:
        raise typer.Exit(run_guide(procedure, unit=unit, no_wait=no_wait))

    fed = "agm\n12\n100\n" + "".join(f"{line}\n" for line in LOADS)
    ended = CliRunner().invoke(app, ["resistance", "--unit", "A3", "--no-wait"], input=fed)
    console.cache_clear()
    assert ended.exit_code == 0, ended.output
    assert "3.75 mΩ" in ended.output
    assert len(rows(tmp_path)) == 1
