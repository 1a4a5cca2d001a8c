"""The documents against the program: tables made from it are fresh, samples and walks run, and nothing is left out."""

from __future__ import annotations

import json
import re
import shlex
import textwrap
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from typer.main import get_command

from hotchpot import desk
from hotchpot.bank.plan import QUESTIONS, SECTIONS
from hotchpot.bank.planfile import parse_plan
from hotchpot.bank.rules import RULES
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import InputError
from hotchpot.faces.cli.app import app

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
README, PLAN_FILE, COMMANDS = ROOT / "README.md", DOCS / "plan-file.md", DOCS / "commands.md"
CUT = "..."
WALK = [0, 0, 0, 0, 0]  # exit codes of the README's commands, in order
GLOSSARY_WORDS = (
    "proposal", "left over", "bound", "rule", "judge", "ratings", "case", "closing", "branch", "gap", "step", "links",
    "usable capacity", "usable energy", "feed", "joining", "joining surge", "joining plan", "node", "strings",
)  # fmt: skip

Run = Callable[..., Any]


class Fenced(NamedTuple):
    """One fenced block of a page: its language, what follows it on the same line, and its text without indent."""

    kind: str
    name: str
    text: str


def blocks(page: Path) -> list[Fenced]:
    """Return the fenced blocks of a page in order."""
    found = re.findall(r"^( *)```(\w+) ?(.*)\n((?:.*\n)*?)\1```$", page.read_text("utf-8"), re.MULTILINE)
    return [Fenced(kind, name, textwrap.dedent(text)) for _, kind, name, text in found]


def keep(page: Path, folder: Path) -> None:
    """Write the files that a page shows, those whose block carries a file's name, into a folder."""
    named = [block for block in blocks(page) if re.fullmatch(r"\w+\.(csv|toml)", block.name)]
    assert len(named) >= 2
    for block in named:
        (folder / block.name).write_text(block.text, "utf-8")


def words(line: str) -> list[str]:
    """Return the arguments of a command line that calls hotchpot, wherever it lives."""
    parts = shlex.split(line)
    assert parts[0].rsplit("/", 1)[-1] == "hotchpot", line
    return parts[1:]


# --- README ----------------------------------------------------------------------------------------------------------


def walk() -> list[tuple[str, list[str]]]:
    """Return each command of the README's walk with the lines that the README says it prints."""
    steps: list[tuple[str, list[str]]] = []
    for block in blocks(README):
        if block.kind == "sh" and "hotchpot" in block.text:
            steps += [(line, []) for line in block.text.splitlines()]
        elif block.kind == "text":
            steps[-1][1].extend(block.text.splitlines())
    return steps


def test_the_walk_through_runs_as_printed(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each command of the README's walk ends as promised and prints the verdict that the README shows."""
    monkeypatch.setenv("COLUMNS", "110")
    keep(README, folder)
    steps = walk()
    assert len(steps) == len(WALK)
    for (line, promised), code in zip(steps, WALK, strict=True):
        said = run(*words(line))
        assert (said.code, said.err) == (code, ""), line
        assert promised, f"the README does not show what {line} prints"
        plain = [" ".join(printed.split()) for printed in said.out.splitlines()]
        for wanted in promised:
            assert " ".join(wanted.split()) in plain, line


def test_the_walk_begins_with_the_units_alone() -> None:
    """The first command judges the pile without an arrangement, and every main command is walked through."""
    lines = [words(line) for line, _ in walk()]
    assert lines[0] == ["judge", "--pile", "pile.csv"]
    assert {line[0] for line in lines} == {"judge", "arrange", "join"}


# --- plan file -------------------------------------------------------------------------------------------------------


def test_the_keys_of_the_plan_file_are_fresh() -> None:
    """docs/plan-file.md holds the tables as the metadata of the plan makes them now."""
    assert desk.plan_markdown() in PLAN_FILE.read_text("utf-8"), "write desk.plan_markdown() into docs/plan-file.md"


def test_the_tables_of_the_plan_name_every_key() -> None:
    """Every section, key, choice and question stands in the tables, read from the dataclasses one by one."""
    made = desk.plan_markdown()
    rows = dict(re.findall(r"^\| `(\w+)` \|(.*)$", made, re.MULTILINE))
    for section, kind in SECTIONS.items():
        assert f"### `[{section}]`" in made
        for name, spec in kind.__dataclass_fields__.items():
            assert name in rows
            for choice in spec.metadata.get("choices", ()):
                assert f'`"{choice}"`' in rows[name]
    assert set(QUESTIONS) <= set(rows)
    assert "| true or false |" in rows["compensated"]
    assert "| -60 to 80 |" in rows["ambient_c"]


def test_the_whole_plan_is_read_and_judged_as_told(run: Run, folder: Path) -> None:
    """The whole example has every section but the test bench, leaves nothing open, and gets the verdict told there."""
    keep(README, folder)
    whole = blocks(PLAN_FILE)[0].text
    assert set(re.findall(r"^\[(\w+)\]", whole, re.MULTILINE)) == set(SECTIONS) - {"bench"}
    (folder / "whole.toml").write_text(whole, "utf-8")
    said = json.loads(run("judge", "--pile", "pile.csv", "--plan", "whole.toml", "--json").out)
    assert (said["verdict"], said["decided_by"], said["not_judged"]) == ("caution", "duty-energy", [])
    energy = said["findings"][0]
    assert f"{energy['value']:.0f} ± {energy['sd']:.0f} Wh" in PLAN_FILE.read_text("utf-8")
    load = next(found for found in said["findings"] if found["code"] == "discharge-rate")
    assert load["value"] == pytest.approx(600 / 22.8, rel=1e-4)  # watts at the disconnect's voltage, by hand


def test_the_other_examples_of_the_plan_are_read() -> None:
    """Every plan shown on the page is read without a fault, but the one that is there to be faulty."""
    for block in blocks(PLAN_FILE):
        if block.kind == "toml" and block.name != "faulty":
            assert parse_plan(block.text, name="plan.toml") is not None


def test_the_faulty_plan_gets_the_answer_printed() -> None:
    """The faults printed on the page are those that the reader tells, line for line."""
    faulty = next(block for block in blocks(PLAN_FILE) if block.name == "faulty")
    printed = next(block for block in blocks(PLAN_FILE) if block.kind == "text")
    with pytest.raises(InputError) as told:
        parse_plan(faulty.text, name="plan.toml")
    assert str(told.value).splitlines() == printed.text.splitlines()


def test_what_rules_ask_for_is_told_with_the_missing_keys() -> None:
    """Each key that a rule says it needs stands in the section on what is missing."""
    missing = PLAN_FILE.read_text("utf-8").split("## What is missing")[1].split("## Two ways")[0]
    needs = re.findall(r'self\.unasked\(\s*"([^"]+)"', "".join(p.read_text("utf-8") for p in rule_files()))
    assert len(needs) > 10
    keys = {re.split(r"[. ]", part)[-1] for need in needs for part in re.split(r" and | or ", need.split(" of ")[0])}
    assert {key for key in keys if f"`{key}`" not in missing and f" {key}`" not in missing} == set()


def rule_files() -> list[Path]:
    """Return the modules of the judge's rules."""
    return sorted((ROOT / "src" / "hotchpot" / "bank" / "rules").glob("*.py"))


# --- commands --------------------------------------------------------------------------------------------------------


def samples() -> list[tuple[str, int, Any]]:
    """Return each sample command of docs/commands.md with its exit code and the JSON printed below it."""
    found: list[tuple[str, int, Any]] = []
    lines: list[tuple[str, int]] = []
    for block in blocks(COMMANDS):
        if block.kind == "sh":
            code = int(block.name.removeprefix("exit ") or 0)
            lines = [(line, code) for line in block.text.splitlines()]
        elif block.kind == "json":
            (line, code), lines = lines[-1], []
            found.append((line, code, json.loads(block.text)))
    return found


@pytest.mark.parametrize(("line", "code", "sample"), samples(), ids=[line for line, _, _ in samples()])
def test_the_sample_has_the_shape_of_the_answer(run: Run, folder: Path, line: str, code: int, sample: Any) -> None:
    """The command shown ends with the code shown, and its JSON has the keys and kinds of the sample."""
    keep(COMMANDS, folder)
    said = run(*words(line))
    assert said.code == code
    assert list(differences(sample, json.loads(said.out), "")) == []


def differences(sample: Any, answer: Any, place: str) -> list[str]:
    """Return where an answer is not of the sample's shape; what the sample cuts short may be anything."""
    if sample == CUT:
        return []
    if isinstance(sample, dict) and isinstance(answer, dict):
        if list(sample) != list(answer):
            return [f"{place}: {sorted(set(sample) ^ set(answer)) or 'order'}"]
        return [row for key in sample for row in differences(sample[key], answer[key], f"{place}.{key}")]
    if isinstance(sample, list) and isinstance(answer, list):
        shown = [item for item in sample if item != CUT]
        if len(answer) < len(shown) or (len(shown) == len(sample) and len(answer) != len(shown)):
            return [f"{place}: {len(answer)} entries"]
        return [row for one, other in zip(shown, answer, strict=False) for row in differences(one, other, place)]
    return [] if same_kind(sample, answer) else [f"{place}: {answer!r}"]


def same_kind(sample: Any, answer: Any) -> bool:
    """Tell whether two plain values are both a truth value, a number, text or null."""
    numbers = [isinstance(v, (int, float)) and not isinstance(v, bool) for v in (sample, answer)]
    return all(numbers) or (not any(numbers) and type(sample) is type(answer))


def test_a_sample_that_has_gone_stale_is_noticed() -> None:
    """A key too many, a key too few, another kind and a shorter list are all differences; what is cut is none."""
    sample = {"a": [{"b": 1.5}, CUT], "c": CUT, "d": None}
    assert differences(sample, {"a": [{"b": 2}, {"x": 0}], "c": 7, "d": None}, "") == []
    for stale in (
        {"a": [{"b": 2}], "c": 7},
        {"a": [{"b": 2}], "c": 7, "d": None, "e": 1},
        {"a": [{"b": "2"}], "c": 7, "d": None},
        {"a": [], "c": 7, "d": None},
        {"a": [{"b": True}], "c": 7, "d": None},
    ):
        assert differences(sample, stale, "") != [], stale


def test_every_command_and_option_is_documented() -> None:
    """Each command of the program has its section and a sample, and each of its options stands in its table."""
    page = COMMANDS.read_text("utf-8")
    commands: dict[str, Any] = get_command(app).commands  # type: ignore[attr-defined]
    sampled = {words(line)[0] for line, _, _ in samples()}
    assert set(commands) == sampled
    for name, command in commands.items():
        section = re.split(r"^## ", page, flags=re.MULTILINE)
        text = next(part for part in section if part.startswith(f"{name}\n"))
        for param in command.params:
            shown = max(param.opts, key=len) if param.param_type_name == "option" else (param.name or "").upper()
            if shown != "--help":
                assert f"| `{shown}` |" in text, (name, shown)


def test_the_exit_codes_are_as_told(run: Run, folder: Path) -> None:
    """Forbid ends with 0, with 1 under --at-least, a wrong option with 2, and --version with 0 (docs/commands.md)."""
    text = (folder / "pile.csv").read_text("utf-8") + "L1,lfp,4,100,100,6,13.3,24,20\n"
    (folder / "pile.csv").write_text(text, "utf-8")
    asked = ("judge", "A1 // L1", "--pile", "pile.csv")
    assert run(*asked).code == 0
    assert run(*asked, "--at-least", "only-if").code == 1
    assert run(*asked, "--bogus").code == 2
    assert run("--version").code == 0


# --- methods and words -----------------------------------------------------------------------------------------------


def test_every_rule_has_its_method() -> None:
    """docs/methods/judge.md names each rule by its code, and no code that is no rule."""
    page = (DOCS / "methods" / "judge.md").read_text("utf-8")
    assert [code for code in RULES if f"`{code}`" not in page] == []
    families = {code.split("-")[0] for code in RULES if "-" in code}
    named = {word for word in re.findall(r"`([a-z]+(?:-[a-z]+)+)`", page) if word.split("-")[0] in families}
    assert named - set(RULES) == set()


def test_the_curves_are_told_as_the_files_have_them() -> None:
    """docs/methods/chemistry.md gives family, source, grade, doubt and hysteresis of every curve."""
    page = (DOCS / "methods" / "chemistry.md").read_text("utf-8")
    for key in KEYS:
        chem = chemistry(key)
        named = ", ".join(f"`{source}`" for source in chem.ocv.source.split("+"))
        doubt, gap = 1000 * chem.num("ocv_curve_sd"), 1000 * chem.num("ocv_hysteresis")
        assert f"| `{key}` | {chem.family} | {named} | {chem.ocv.grade} | {doubt:.0f} | {gap:.0f} |" in page


def test_the_grades_are_counted() -> None:
    """docs/methods/chemistry.md tells how many values have which grade."""
    page = (DOCS / "methods" / "chemistry.md").read_text("utf-8")
    counted = Counter(str(entry.grade) for key in KEYS for entry in chemistry(key).values.values())
    told = {grade: int(count) for grade, count in re.findall(r"^\| (\w+) \| (\d+) \|", page, re.MULTILINE)}
    assert told == counted
    assert f"Of {sum(counted.values())} values" in page
    assert counted["memory"] + counted["guess"] > sum(counted.values()) / 2


@pytest.mark.parametrize("word", GLOSSARY_WORDS)
def test_the_glossary_gives_the_word_its_code(word: str) -> None:
    """Words of search, judge and joining stand in the glossary with the name they have in the package."""
    assert re.search(rf"^\| {word} \|.*\| `[\w.]+` \|$", (DOCS / "glossary.md").read_text("utf-8"), re.MULTILINE)


def test_the_architecture_names_every_module_of_desk_and_rules() -> None:
    """docs/architecture.md tells what each module of the desk and of the judge's rules is for."""
    page = (DOCS / "architecture.md").read_text("utf-8")
    desk_files = sorted((ROOT / "src" / "hotchpot" / "desk").glob("*.py"))
    names = [path.stem for path in (*rule_files(), *desk_files) if path.stem != "__init__"]
    assert [name for name in names if f"`{name}`" not in page] == []
