"""The laws of the house: who imports whom, what starts fast, what a kept file may hold, what the docs must say."""

from __future__ import annotations

import ast
import configparser
import importlib
import os
import re
import resource
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from packaging.requirements import Requirement

import hotchpot

ROOT = Path(__file__).resolve().parents[1]
SOURCE = ROOT / "src" / "hotchpot"
DOCS = ROOT / "docs"

HEAVY = {"numpy", "scipy", "pint", "hypothesis"}
MOST_HELP_CPU_S = 0.3
MOST_FILE_BYTES = 700_000
SHELL_ROOMS = {"desk", "faces", "book", "paper"}
OPEN_TO_FACES = {"desk", "faces", "errors", "measure", "quantities"}

# Spelled in pieces, so that this file does not break its own law.
MACHINE_PATHS = [f"/{top}/" for top in ("work", "root", "opt", "home", "Users")] + ["C:" + "\\Users"]
REGISTRY_MARKS = ["pypi" + ".org", "python" + "hosted", "pypi/" + "simple", "index" + "-url =", "anaconda" + ".org"]
SECRET_MARKS = ["PRIVATE" + " KEY-----"]

DESIGN_WORDS = (
    "unit",
    "reading",
    "state",
    "arrangement",
    "block",
    "bank",
    "finding",
    "verdict",
    "duty",
    "proposal",
    "trial",
    "build sheet",
    "joining",
    "book",
)


@cache
def contracts() -> configparser.ConfigParser:
    """Return the import contracts as written."""
    parser = configparser.ConfigParser()
    parser.read(ROOT / ".importlinter", "utf-8")
    return parser


def listed(contract: str, key: str) -> list[str]:
    """Return a multi-line option of a contract, without the brackets of rooms still to come."""
    return re.findall(r"[\w.*]+", contracts()[f"importlinter:contract:{contract}"][key])


def modules(*rooms: str) -> Iterator[Path]:
    """Yield every source file of the named rooms, whether a room is one file or a folder."""
    for room in rooms:
        single = SOURCE / f"{room}.py"
        yield from [single] if single.exists() else sorted((SOURCE / room).rglob("*.py"))


def present(room: str) -> bool:
    """Return whether a room has been built."""
    return (SOURCE / room).is_dir() or (SOURCE / f"{room}.py").exists()


def core_rooms() -> list[str]:
    """Return the rooms left of the desk that have been built."""
    return [room for room in listed("rooms", "layers") if room not in SHELL_ROOMS and present(room)]


def tree(path: Path) -> ast.Module:
    """Return the syntax tree of a source file."""
    return ast.parse(path.read_text("utf-8"))


def run(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run a command from the repository's root and return what it said, whatever its exit code."""
    return subprocess.run(arguments, cwd=ROOT, capture_output=True, text=True, check=False, **options)


def project() -> dict[str, Any]:
    """Return pyproject.toml's project table."""
    table: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    return table


def wanted() -> list[Requirement]:
    """Return the packages pyproject.toml asks for, at run time and for development."""
    asked = project()
    return [Requirement(line) for line in asked["dependencies"] + asked["optional-dependencies"]["dev"]]


def locked() -> dict[str, str]:
    """Return the lock's pins, by package name in lower case with dashes."""
    lines = (ROOT / "requirements.lock").read_text("utf-8").splitlines()
    pins = [line.split("==") for line in lines if line and not line.startswith("#")]
    return {name.lower().replace("_", "-"): version for name, version in pins}


# --- rooms -----------------------------------------------------------------------------------------------------------


def test_the_import_contracts_are_kept() -> None:
    """Every contract of .importlinter holds for the code as it stands."""
    code = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True, no_logo=True))"
    outcome = run(sys.executable, "-c", code)
    assert outcome.returncode == 0, outcome.stdout + outcome.stderr


def test_the_contract_of_purity_covers_every_core_room() -> None:
    """A core room that has been built is held to purity; none can be added and forgotten."""
    assert set(listed("pure", "source_modules")) == {f"hotchpot.{room}" for room in core_rooms()}


def test_core_rooms_call_no_file_no_console_and_no_clock() -> None:
    """What the import contract cannot see, built-ins and the clock of datetime, is not called in a core room."""
    offences = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in modules(*core_rooms())
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Call)
        and (
            (isinstance(node.func, ast.Name) and node.func.id in {"open", "print", "input", "exec", "eval"})
            or (isinstance(node.func, ast.Attribute) and node.func.attr in {"now", "today", "utcnow"})
        )
    ]
    assert offences == []


def test_faces_take_only_types_from_core_rooms() -> None:
    """A face calls the desk; from the core it may import classes and constants, never a function or a module."""
    offences = []
    for path in modules("faces"):
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Import):
                offences += [f"{path.name}: import {a.name}" for a in node.names if a.name.startswith("hotchpot.")]
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and (node.module or "").startswith("hotchpot"):
                offences += [f"{path.name}: {name}" for name in untyped(node)]
    assert offences == []


def untyped(node: ast.ImportFrom) -> list[str]:
    """Return the imported names that are neither types nor constants, where the room is not open to faces."""
    parts = (node.module or "").split(".")
    if len(parts) > 1 and parts[1] in OPEN_TO_FACES:
        return []
    source = importlib.import_module(node.module or "")
    things = {}
    for alias in node.names:
        if len(parts) == 1 and alias.name in OPEN_TO_FACES:
            continue
        found = getattr(source, alias.name, None) or importlib.import_module(f"{node.module}.{alias.name}")
        things[f"{node.module}.{alias.name}"] = found
    return [
        name
        for name, thing in things.items()
        if isinstance(thing, ModuleType) or (callable(thing) and not isinstance(thing, type))
    ]


def test_every_module_says_what_it_is_for() -> None:
    """Each source, test and benchmark file opens with a docstring that is more than a place-holder."""
    files = [*SOURCE.rglob("*.py"), *(ROOT / "tests").rglob("*.py"), *(ROOT / "benchmarks").rglob("*.py")]
    silent = [str(p.relative_to(ROOT)) for p in files if len((ast.get_docstring(tree(p)) or "").split()) < 4]
    assert sorted(silent) == []


# --- start-up --------------------------------------------------------------------------------------------------------


def loaded_by(*arguments: str) -> set[str]:
    """Return the top-level names of all that Python imports while it runs these arguments to success."""
    outcome = run(sys.executable, "-X", "importtime", *arguments)
    said = [line for line in outcome.stderr.splitlines() if not line.startswith("import time:")]
    assert outcome.returncode == 0, "\n".join(said)
    names = re.findall(r"^import time:.*\|\s*(\S+)$", outcome.stderr, re.MULTILINE)
    return {name.split(".")[0] for name in names}


def test_the_bare_package_loads_nothing_heavy() -> None:
    """`import hotchpot` loads no numerics, no units library and no terminal library."""
    loaded = loaded_by("-c", "import hotchpot")
    assert "hotchpot" in loaded
    assert loaded & (HEAVY | {"rich", "typer"}) == set()


@pytest.mark.parametrize("command", [[], ["judge"], ["arrange"]], ids=" ".join)
def test_help_loads_nothing_heavy(command: list[str]) -> None:
    """`--help`, of the whole and of its main commands, loads no numerics and no units library."""
    loaded = loaded_by("-m", "hotchpot", *command, "--help")
    assert "hotchpot" in loaded
    assert loaded & HEAVY == set()


def test_help_is_cheap() -> None:
    """`hotchpot --help` takes less than 0.3 s of processor time, the best of three, Python's own start included."""
    spent = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        outcome = run(sys.executable, "-m", "hotchpot", "--help")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert outcome.returncode == 0, outcome.stderr
        assert "hotchpot" in outcome.stdout.lower()
        spent.append(after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
    assert min(spent) < MOST_HELP_CPU_S


# --- files -----------------------------------------------------------------------------------------------------------


@cache
def kept_files() -> tuple[Path, ...]:
    """Return every file that git keeps or would keep, or skip where there is no git."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    outcome = run("git", "ls-files", "-z", "--cached", "--others", "--exclude-standard")
    assert outcome.returncode == 0, outcome.stderr
    return tuple(ROOT / name for name in outcome.stdout.split("\0") if name and (ROOT / name).is_file())


def test_no_file_names_a_machine_a_registry_or_a_key() -> None:
    """What is kept works on any machine: no path of one, no registry's address, no private key."""
    marks = MACHINE_PATHS + REGISTRY_MARKS + SECRET_MARKS
    texts = {path: path.read_text("utf-8", errors="replace") for path in kept_files()}
    assert texts
    offences = [f"{p.relative_to(ROOT)}: {mark}" for p, text in texts.items() for mark in marks if mark in text]
    assert offences == []


def test_no_file_is_too_large() -> None:
    """No kept file is over 700 KB; bulky data has no place here."""
    large = [str(path.relative_to(ROOT)) for path in kept_files() if path.stat().st_size > MOST_FILE_BYTES]
    assert large == []


def test_the_lock_pins_exact_versions_and_names_no_address() -> None:
    """The lock is `name==version` lines and comments, nothing that ties it to a place."""
    lines = (ROOT / "requirements.lock").read_text("utf-8").splitlines()
    pins = [line for line in lines if not line.startswith("#")]
    assert pins
    assert [line for line in pins if not re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.!+]+", line)] == []
    assert not any("://" in line for line in lines)


def test_the_lock_meets_what_the_project_asks_for() -> None:
    """Each package of pyproject.toml is pinned, at a version pyproject.toml allows."""
    pins = locked()
    unmet = [str(w) for w in wanted() if not w.specifier.contains(pins.get(w.name.lower(), "0"), prereleases=True)]
    assert unmet == []


def test_the_version_is_told_once() -> None:
    """Package, project file and changelog agree on the version."""
    newest = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text("utf-8"), re.MULTILINE)
    assert newest is not None
    assert newest[1] == project()["version"] == hotchpot.__version__


# --- tasks -----------------------------------------------------------------------------------------------------------


def make(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run make as from a fresh shell, even when these tests run under make."""
    if shutil.which("make") is None:
        pytest.skip("make is not installed")
    clean = {name: value for name, value in os.environ.items() if not name.startswith("MAKE")}
    return run("make", *arguments, env=clean)


def test_make_alone_lists_the_tasks() -> None:
    """`make` without a task changes nothing and names every task."""
    outcome = make()
    assert outcome.returncode == 0, outcome.stderr
    assert set(re.findall(r"^  make (\w+)", outcome.stdout, re.MULTILINE)) >= {"demo", "test", "check", "bench", "lock"}


def test_make_says_what_python_it_needs(tmp_path: Path) -> None:
    """With a Python that will not do, a task stops before it writes anything and says which version is needed."""
    outcome = make("check", "PYTHON=false", f"VENV={tmp_path / 'env'}")
    assert outcome.returncode != 0
    assert "3.11 or newer" in outcome.stderr
    assert list(tmp_path.iterdir()) == []


def test_the_gate_can_be_run() -> None:
    """.ci/run is a valid script, may be executed, and calls both tasks."""
    gate = ROOT / ".ci" / "run"
    assert os.access(gate, os.X_OK)
    assert run("bash", "-n", str(gate)).returncode == 0
    assert {"make check", "make test"} <= set(re.findall(r"make \w+", gate.read_text("utf-8")))


# --- docs ------------------------------------------------------------------------------------------------------------


def glossary() -> dict[str, str]:
    """Return the glossary: each word with the text of its code column."""
    rows = re.findall(r"^\| (.+?) \|(.*)\| (.*?) *\|$", (DOCS / "glossary.md").read_text("utf-8"), re.MULTILINE)
    words = [word for word, _, _ in rows if word != "word" and set(word) != {"-"}]
    assert len(words) == len(set(words)), "a word stands twice"
    return {word: code for word, _, code in rows if word in words}


def test_the_glossary_defines_the_words_of_the_design() -> None:
    """Every word the design uses has its entry."""
    assert set(DESIGN_WORDS) - set(glossary()) == set()


def test_every_name_in_the_glossary_exists() -> None:
    """A code name in the glossary is a module, class, field or function of the package."""
    names = {name for code in glossary().values() for name in re.findall(r"`([\w.]+)`", code)}
    assert names
    assert sorted(name for name in names if not exists(name)) == []


def exists(name: str) -> bool:
    """Return whether a dotted name, without the leading package, can be reached."""
    parts = name.split(".")
    for cut in range(len(parts), 0, -1):
        try:
            thing: Any = importlib.import_module(".".join(["hotchpot", *parts[:cut]]))
        except ModuleNotFoundError:
            continue
        for part in parts[cut:]:
            fields = getattr(thing, "__dataclass_fields__", {})
            if not hasattr(thing, part) and part not in fields:
                return False
            thing = getattr(thing, part, None)
        return True
    return False


def test_every_dependency_is_explained_at_its_pinned_version() -> None:
    """docs/dependencies.md names each pinned package with the version in the lock."""
    text = (DOCS / "dependencies.md").read_text("utf-8").lower()
    rows = set(re.findall(r"^\| (\S+) \| (\S+) \|", text, re.MULTILINE))
    missing = sorted(set(locked().items()) - rows)
    assert missing == []


def test_every_document_is_in_the_index() -> None:
    """docs/README.md links every other document under docs, or the folder below docs that it stands in."""
    index = set(links(DOCS / "README.md"))
    pages = [page for page in DOCS.rglob("*.md") if page != DOCS / "README.md"]
    assert sorted(str(page) for page in pages if page not in index and page.parent not in index) == []


def test_no_link_between_documents_is_dead() -> None:
    """Each relative link in the documents leads to a file or folder that exists."""
    pages = [*DOCS.rglob("*.md"), ROOT / "README.md", ROOT / "CHANGELOG.md"]
    assert [f"{page.name}: {target}" for page in pages for target in links(page) if not target.exists()] == []


def links(page: Path) -> list[Path]:
    """Return where the relative links of a page lead."""
    targets = re.findall(r"\]\(([^)#\s]+)", page.read_text("utf-8"))
    return [(page.parent / target).resolve() for target in targets if "://" not in target]
