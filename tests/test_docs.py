"""The documents against the program: tables made from it are fresh, samples and walks run, and nothing is left out."""

from __future__ import annotations

import ast
import json
import re
import shlex
import textwrap
import tomllib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from typer.main import get_command

from hotchpot import desk
from hotchpot.bank.plan import QUESTIONS, SECTIONS
from hotchpot.bank.planfile import parse_plan
from hotchpot.bank.rules import RULES
from hotchpot.bench import meters, state_of
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import InputError
from hotchpot.faces.cli.app import app
from hotchpot.pile import Unit

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
SOURCES = ROOT / "src" / "hotchpot"
README, PLAN_FILE, COMMANDS, BENCH = ROOT / "README.md", DOCS / "plan-file.md", DOCS / "commands.md", DOCS / "bench.md"
CUT = "..."
WALKS = {README: [0, 0, 0, 0, 0, 0, 0], BENCH: [0, 0, 0, 0, 0]}  # exit codes of each page's commands, in order
NO_CODES = {"utf-8", "log-watch"}  # words of the bench's sources that look like a code: an encoding, a thread's name
WEIGHTS = {"noted", "doubtful", "refused"}
GLOSSARY_WORDS = (
    "proposal", "left over", "bound", "rule", "judge", "ratings", "case", "closing", "branch", "gap", "step", "links",
    "usable capacity", "usable energy", "feed", "joining", "joining surge", "joining plan", "node", "strings",
    "reading", "estimate", "budget", "line", "remark", "trace", "log", "piece", "study", "evidence", "meter", "settle",
    "contradiction", "own curve",
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


# --- walks -----------------------------------------------------------------------------------------------------------


def walk(page: Path) -> list[tuple[str, list[str]]]:
    """Return each command of a page's walk with the lines that the page says it prints."""
    steps: list[tuple[str, list[str]]] = []
    for block in blocks(page):
        if block.kind == "sh" and "hotchpot" in block.text:
            steps += [(line, []) for line in block.text.splitlines()]
        elif block.kind == "text":
            steps[-1][1].extend(block.text.splitlines())
    return steps


@pytest.mark.parametrize("page", WALKS, ids=lambda page: page.stem)
def test_the_walk_through_runs_as_printed(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch, page: Path) -> None:
    """Each command of a walk ends as promised and prints the lines that the page shows."""
    monkeypatch.setenv("COLUMNS", "110")
    keep(page, folder)
    steps, codes = walk(page), WALKS[page]
    assert len(steps) == len(codes)
    for (line, promised), code in zip(steps, codes, strict=True):
        said = run(*words(line))
        assert (said.code, "" if "--yes" in line else said.err) == (code, ""), line
        assert promised, f"{page.name} does not show what {line} prints"
        plain = [" ".join(printed.split()) for printed in said.out.splitlines()]
        for wanted in promised:
            assert " ".join(wanted.split()) in plain, line


def test_the_walk_begins_with_the_bench_and_the_units_alone() -> None:
    """The README tests first, then judges the pile without an arrangement, and walks through every main command."""
    lines = [words(line) for line, _ in walk(README)]
    assert lines[0][0] == "bench"
    assert lines[1] == ["judge", "--pile", "pile.csv", "--readings", "readings.csv"]
    assert {line[0] for line in lines} == {"bench", "judge", "arrange", "trial", "join"}


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
    given = ("--pile", "pile.csv", "--readings", "readings.csv", "--plan", "whole.toml")
    said = json.loads(run("judge", *given, "--json").out)
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
    return sorted((SOURCES / "bank" / "rules").glob("*.py"))


# --- readings file ---------------------------------------------------------------------------------------------------


def test_the_columns_of_the_readings_file_are_fresh() -> None:
    """docs/readings-file.md holds the table of the columns as the program makes it now."""
    page = (DOCS / "readings-file.md").read_text("utf-8")
    assert desk.readings_markdown() in page, "write desk.readings_markdown() into docs/readings-file.md"


# --- the bench -------------------------------------------------------------------------------------------------------


def table(page: Path, name: str) -> list[list[str]]:
    """Return the cells of each row of the table that stands between a page's marks with this name."""
    text = page.read_text("utf-8").split(f"<!-- {name}:")[1].split(f"<!-- end of {name} -->")[0]
    rows = [line.strip("|").split("|") for line in text.splitlines() if line.startswith("| `")]
    return [[cell.strip() for cell in row] for row in rows]


def test_the_meters_are_told_as_the_file_has_them() -> None:
    """docs/bench.md gives name and limits of error of every meter, and no meter that is none."""
    made = [
        [
            f"`{one.key}`", one.name,
            f"{100 * one.volts.gain_frac:g} %, {one.volts.counts:g}", f"{one.volts.count:g} V",
            f"{100 * one.amps.gain_frac:g} %, {one.amps.counts:g}", f"{one.amps.count:g} A",
            f"± {one.amps.offset:g} A" if one.amps.offset else "none",
        ]
        for one in meters().values()
    ]  # fmt: skip
    assert table(BENCH, "meters") == made


def test_every_remark_code_is_in_the_table() -> None:
    """docs/bench.md names every code that the sources of bench and desk can give, once, and no other."""
    codes = [row[0].strip("`") for row in table(BENCH, "codes")]
    assert len(codes) == len(set(codes))
    assert sorted(set(codes_in_sources()) - set(codes)) == [], "add them to the table in docs/bench.md"
    assert sorted(set(codes) - set(codes_in_sources())) == [], "nothing in the sources gives these any more"


def test_every_remark_has_the_weight_of_the_table() -> None:
    """Where the sources give a code its weight in so many words, the table has that weight; it has none unknown."""
    told = {row[0].strip("`"): set(row[1].split(", ")) for row in table(BENCH, "codes")}
    assert set().union(*told.values()) == WEIGHTS
    found = {code: weights for code, weights in codes_in_sources().items() if weights}
    assert len(found) > 80
    assert {code: weights for code, weights in found.items() if not weights <= told[code]} == {}


def test_the_guide_page_names_no_code_that_is_none() -> None:
    """Each code in the section of docs/bench-tests.md on refusals is one of the table's."""
    section = (DOCS / "bench-tests.md").read_text("utf-8").split("## What is refused")[1].split("## The tests")[0]
    named = set(re.findall(r"`([a-z]+(?:-[a-z]+)+)`", section))
    assert named
    assert named - {row[0].strip("`") for row in table(BENCH, "codes")} == set()


def codes_in_sources() -> dict[str, set[str]]:
    """
    Return the codes of remarks in the sources, each with the weights that the calls around it state.

    A code is what stands for `code` in a call (of `Remark`, or of a function of the same module that has such a
    parameter), and any other text of small words with dashes between, as in the tables that codes are taken from.
    """
    found: defaultdict[str, set[str]] = defaultdict(set)
    for path in sorted([*(SOURCES / "bench").rglob("*.py"), *(SOURCES / "desk").rglob("*.py")]):
        tree = ast.parse(path.read_text("utf-8"))
        for text in texts(tree):
            if re.fullmatch(r"[a-z]+(-[a-z]+)+", text) and text not in NO_CODES:
                found[text] |= set()
        makers = {one.name: one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef) and places_code(one)}
        for call, stated in calls(tree, ""):
            name = call.func.id if isinstance(call.func, ast.Name) else ""
            given = code_of(call, makers.get(name))
            weight = stated or weight_of(call) or (weight_in(makers[name]) if name in makers else "")
            for code in given:
                found[code] |= {weight} & WEIGHTS
    return dict(found)


def texts(tree: ast.AST) -> Iterator[str]:
    """Yield the text constants of a module that are no docstrings."""
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            yield node.value


def places_code(made: ast.FunctionDef) -> bool:
    """Tell whether a function has a parameter named code, and makes a remark of it."""
    return any(arg.arg == "code" for arg in (*made.args.args, *made.args.kwonlyargs)) and bool(weight_in(made))


def calls(node: ast.AST, stated: str) -> Iterator[tuple[ast.Call, str]]:
    """Yield every call below a node with the weight that a call of `replace` around it states."""
    for child in ast.iter_child_nodes(node):
        inner = stated
        if isinstance(child, ast.Call):
            yield child, stated
            if isinstance(child.func, ast.Name) and child.func.id == "replace":
                inner = weight_of(child)
        yield from calls(child, inner)


def code_of(call: ast.Call, maker: ast.FunctionDef | None) -> list[str]:
    """Return the codes that a call states: by keyword, or in the place that its function has for one."""
    values = [keyword.value for keyword in call.keywords if keyword.arg == "code"]
    if maker is not None:
        names = [arg.arg for arg in maker.args.args]
        values += [value for name, value in zip(names, call.args, strict=False) if name == "code"]
    sides = [[value.body, value.orelse] if isinstance(value, ast.IfExp) else [value] for value in values]
    return [one.value for side in sides for one in side if isinstance(one, ast.Constant) and isinstance(one.value, str)]


def weight_of(call: ast.Call) -> str:
    """Return the weight that a call states as ``weight=Weight.NAME``, in small letters; empty where it states none."""
    for keyword in call.keywords:
        if keyword.arg == "weight" and isinstance(keyword.value, ast.Attribute):
            return keyword.value.attr.lower()
    return ""


def weight_in(made: ast.FunctionDef) -> str:
    """Return the weight that a function's remark has; empty where it makes none or takes the weight from outside."""
    found = {weight_of(node) for node in ast.walk(made) if isinstance(node, ast.Call)} - {""}
    return found.pop() if len(found) == 1 else ""


def unit(chem: str, **known: Any) -> Unit:
    """Return an invented unit of 100 Ah."""
    return Unit(id="U1", chemistry=chem, cells=4, rated_ah=100.0, rated_hours=20.0, **known)


@pytest.mark.parametrize("chem", KEYS)
def test_the_grades_are_drawn_where_the_page_draws_them(chem: str) -> None:
    """A from 90 %, B from 80 %, C to 60 % of lead and nickel or 70 % of others, reject below (docs/bench.md)."""
    page = BENCH.read_text("utf-8").split("## Grades")[1].split("## What is assumed")[0]
    least = 60.0 if chemistry(chem).kind in {"lead", "nickel"} else 70.0
    for text in ("90 % or more, and up to 1.3", "80 % or more, and up to 1.5", "below 60 %", "70 % (lithium, sodium)"):
        assert text in page
    for ah, grade in ((90.0, "A"), (89.9, "B"), (80.0, "B"), (79.9, "C"), (least, "C"), (least - 0.1, "reject")):
        assert state_of(unit(chem, capacity_ah=ah)).grade == grade, ah
    good = chemistry(chem).typical_mohm(4, 100.0)
    for ratio, grade in ((1.29, "A"), (1.31, "B"), (1.49, "B"), (1.51, "C"), (1.99, "C"), (2.01, "reject")):
        loaded = unit(chem, capacity_ah=100.0, resistance_mohm=ratio * good, temperature_c=25.0)
        assert state_of(loaded).grade == grade, ratio
    assert state_of(unit(chem)).grade == "untested"


def test_the_assumptions_are_told_as_the_bench_makes_them() -> None:
    """Capacity by age and without, resistance and self-discharge of unread units are those of docs/bench.md."""
    page = BENCH.read_text("utf-8").split("## What is assumed")[1].split("## What the bench says")[0]
    per_year, sds, blank, blank_sds = [], [], [], []
    for chem in ("lead_agm", "lfp", "nicd"):
        old, unknown = state_of(unit(chem, made="2020"), year=2024), state_of(unit(chem))
        per_year.append(f"{(100 - old.capacity_ah.value) / 4:g} % for {chemistry(chem).kind}")
        sds.append(f"{old.capacity_ah.sd:g} %")
        blank.append(f"{unknown.capacity_ah.value:g} %")
        blank_sds.append(f"{unknown.capacity_ah.sd:g} %")
        assert state_of(unit(chem, made="1950"), year=2024).capacity_ah.value == pytest.approx(10.0)
        assert unknown.resistance_mohm.sd == pytest.approx(0.3 * unknown.resistance_mohm.value)
        assert unknown.self_discharge_frac_month.sd == unknown.self_discharge_frac_month.value
        assert (unknown.temperature_c, unknown.soc_frac) == (20.0, None)
    assert f"less {', '.join(per_year)}" in page
    assert f"{', '.join(sds)} of the rated" in page
    assert "{} of the rated for lead, {} for lithium, {} for nickel".format(*blank) in page
    assert f"{', '.join(blank_sds)} of the rated" in page


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
    commands = every_command(get_command(app), "")
    sampled = {" ".join(name_of(words(line), commands)) for line, _, _ in samples()}
    assert set(commands) == sampled
    for name, command in commands.items():
        section = re.split(r"^## ", page, flags=re.MULTILINE)
        text = next(part for part in section if part.startswith(f"{name}\n"))
        for param in command.params:
            shown = typed(param)
            if shown != "--help":
                assert f"| `{shown}` |" in text, (name, shown)
                assert shown in text.split("```text\n")[1].split("```")[0] or shown in {"EXPR", "CODE"}, (name, shown)


def every_command(group: Any, name: str) -> dict[str, Any]:
    """Return every command below a group by its words; a group that does something itself is one of them."""
    found = {name: group} if name and (not hasattr(group, "commands") or group.invoke_without_command) else {}
    for word, one in getattr(group, "commands", {}).items():
        found |= every_command(one, f"{name} {word}".strip())
    return found


def name_of(line: list[str], commands: dict[str, Any]) -> list[str]:
    """Return the words of a command line that name its command."""
    return line[:2] if " ".join(line[:2]) in commands else line[:1]


def typed(param: Any) -> str:
    """Return how a parameter is written; of a switch that is on by itself, what turns it off."""
    if param.param_type_name != "option":
        return (param.name or "").upper()
    on = param.secondary_opts and param.default is True
    return max(param.secondary_opts if on else param.opts, key=len)


def test_the_commands_are_listed() -> None:
    """The first table of docs/commands.md has each command, and links its section."""
    listed = re.findall(r"^\| \[`([a-z ]+)`\]\(#([a-z-]+)\) \|", COMMANDS.read_text("utf-8"), re.MULTILINE)
    assert {name for name, _ in listed} == set(every_command(get_command(app), ""))
    assert [anchor for name, anchor in listed if anchor != name.replace(" ", "-")] == []


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


def test_what_the_judge_hears_from_the_bench_is_told() -> None:
    """docs/methods/judge.md names each remark of the bench that the judge makes a finding of, under its verdict."""
    from hotchpot.bank.rules.condition import HEARD

    page = (DOCS / "methods" / "judge.md").read_text("utf-8")
    row = next(line for line in page.splitlines() if "what the bench says of the readings" in line).split("|")
    columns = dict(zip(("caution", "only-if", "forbid"), row[3:6], strict=True))
    found = {kind: re.findall(r"`([a-z-]+)`", cell) for kind, cell in columns.items()}
    heard = {kind: [code for code, (verdict, _) in HEARD.items() if str(verdict) == kind] for kind in found}
    assert {kind: sorted(codes) for kind, codes in found.items()} == {k: sorted(codes) for k, codes in heard.items()}


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
    """Words of search, judge, joining and bench stand in the glossary with the name they have in the package."""
    assert re.search(rf"^\| {word} \|.*\| `[\w.]+` \|$", (DOCS / "glossary.md").read_text("utf-8"), re.MULTILINE)


def test_the_architecture_names_every_module_of_desk_and_rules() -> None:
    """docs/architecture.md tells what each module of the desk and of the judge's rules is for."""
    page = (DOCS / "architecture.md").read_text("utf-8")
    desk_files = sorted((SOURCES / "desk").glob("*.py"))
    names = [path.stem for path in (*rule_files(), *desk_files) if path.stem != "__init__"]
    assert [name for name in names if f"`{name}`" not in page] == []


def test_the_libraries_of_run_time_are_those_of_the_project() -> None:
    """docs/dependencies.md lists as needed at run time what pyproject.toml asks for, and nothing else."""
    page = (DOCS / "dependencies.md").read_text("utf-8").split("## Needed at run time")[1].split("\n## ")[0]
    wanted = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["dependencies"]
    listed = [name for name in re.findall(r"^\| (\S+) \|", page, re.MULTILINE) if name not in {"library", "---"}]
    assert listed == sorted(re.split(r"[<>=]", one)[0] for one in wanted)
