"""The chart as SVG and the terminal's plot: readable on a phone, without colour, with their cautions, repeatable."""

from __future__ import annotations

import re
import sys
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from hotchpot.bank.plan import Plan
from hotchpot.bank.verdict import Verdict
from hotchpot.faces.cli.plot import plot_text
from hotchpot.paper.chart import INK, MOST_POINTS, MOST_UNITS, PAPER, chart, spread, thinned, time_scale, time_text
from hotchpot.trial import scenarios
from hotchpot.trial.outcome import Trial
from hotchpot.trial.texts import CAUTION
from hotchpot.trial.trying import try_out

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))

from referee import bank, unit

SVG = "{http://www.w3.org/2000/svg}"


def tried(count: int = 2) -> Trial:
    """Return a short trial of units in parallel, each smaller than the one before."""
    names = [f"U{k}" for k in range(count)]
    made = bank(" // ".join(names), *(unit(n, ah=100 - 3 * k) for k, n in enumerate(names)))
    return try_out(made, Plan(), scenarios.discharge(made, Plan(), amps=10 * count, hours=2))


def texts(svg: str) -> list[str]:
    """Return the drawing's texts in order."""
    return ["".join(node.itertext()) for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def places(svg: str) -> list[tuple[float, str]]:
    """Return how far from the top each text of the drawing stands, and the text."""
    found = ElementTree.fromstring(svg).iter(f"{SVG}text")
    return [(float(node.attrib["y"]), "".join(node.itertext())) for node in found]


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour (WCAG 2.1)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_the_chart_is_a_drawing_that_fits_a_phone() -> None:
    """It is well-formed SVG, 360 points wide, taller than wide, with a role and a description, and real text."""
    svg = chart(tried())
    root = ElementTree.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    width, height = (float(root.attrib[name].removesuffix("pt")) for name in ("width", "height"))
    assert width == 360
    assert 360 < height < 700
    assert root.attrib["role"] == "img"
    assert "20 A" in root.attrib["aria-label"]
    sizes = [float(s) for s in re.findall(r"font(?:-size)?: *(?:bold )?([0-9.]+)px", svg)]
    assert sizes
    assert min(sizes) >= 9


def test_lines_are_named_at_their_ends_and_told_apart_by_dashes() -> None:
    """Each unit's name stands twice, beside its current and its charge; all lines are of one ink, unlike in dashes."""
    svg = chart(tried())
    shown = texts(svg)
    assert [shown.count(name) for name in ("bank", "U0", "U1")] == [1, 2, 2]
    assert {"bank, V", "charge, %", "time, min"} <= set(shown)
    strokes = {c for c in re.findall(r"stroke: (#[0-9a-f]{6})", svg) if c != PAPER}
    assert all(
        max(int(c[k : k + 2], 16) for k in (1, 3, 5)) - min(int(c[k : k + 2], 16) for k in (1, 3, 5)) < 16
        for c in strokes
    )
    assert len(set(re.findall(r"stroke-dasharray: ([0-9., ]+)", svg))) >= 1


def test_ink_on_paper_has_the_contrast_that_sunlight_asks_for() -> None:
    """Near-black on near-white: more than 7 to 1, the enhanced contrast of WCAG 2.1 (1.4.6)."""
    assert (luminance(PAPER) + 0.05) / (luminance(INK) + 0.05) > 7
    assert PAPER in chart(tried())


def test_the_cautions_stand_under_the_chart() -> None:
    """Whoever sees the figures reads that they are simulated, and who decides."""
    joined = " ".join(texts(chart(tried())))
    assert CAUTION in joined
    assert "Own words." in " ".join(texts(chart(tried(), cautions=["Own words."])))


@pytest.mark.parametrize("verdict", Verdict)
def test_the_verdict_stands_above_the_chart_as_a_word(verdict: Verdict) -> None:
    """Who is handed the drawing alone reads the worst verdict first, and hears it first; without one there is none."""
    trial = tried()
    svg, plain = chart(trial, verdict=verdict), chart(trial)
    word = str(verdict).replace("-", " ").upper()
    lines = [line for line in texts(svg) if word in line]
    assert len(lines) == 1
    assert len(lines[0]) <= 56  # the width of the drawing, in bold
    assert word in ElementTree.fromstring(svg).attrib["aria-label"].split(". ")[0]
    assert not any(word in line for line in texts(plain))
    assert min(places(svg))[1] == lines[0]


def test_a_long_run_is_told_in_days() -> None:
    """A year is no power of ten of hours."""
    assert [time_text(s) for s in (30.0, 5400.0, 36_000.0, 31_536_000.0, 1e9)] == [
        "30 s", "90 min", "10 h", "365 days", "11574 days",
    ]  # fmt: skip


def test_the_same_trial_gives_the_same_drawing() -> None:
    """No date, no random id: a kept drawing can be compared."""
    assert chart(tried()) == chart(tried())


def test_of_many_units_those_that_matter_are_drawn() -> None:
    """Of twelve units six are drawn, the most and the least loaded among them, and the chart says so."""
    trial = tried(12)
    kept = trial.telling(MOST_UNITS)
    peak = np.abs(trial.record.unit_amps).max(axis=0)
    assert len(kept) == MOST_UNITS
    assert {int(peak.argmax()), int(peak.argmin())} <= set(kept)
    assert any("6 of 12 units" in text for text in texts(chart(trial)))


@pytest.mark.parametrize("name", ['<b>&"quoted"', "a very long name of a unit", "Ünit-7"])
def test_any_name_makes_a_well_formed_drawing(name: str) -> None:
    """Signs that mean something in SVG are escaped, long names cut."""
    made = bank(f'A // "{name.replace(chr(34), chr(34) * 2)}"', unit("A"), unit(name))
    trial = try_out(made, Plan(), scenarios.discharge(made, Plan(), amps=10, hours=0.2))
    assert any(text.startswith(name[:8]) for text in texts(chart(trial)))


def test_a_run_that_ends_at_once_is_still_drawn() -> None:
    """A collapse in the first moment has one row, and still a chart and a plot."""
    made = bank("A // B", unit("A"), unit("B"))
    trial = try_out(made, Plan(), scenarios.discharge(made, Plan(), watts=1e6))
    assert "<svg" in chart(trial)
    assert "bank, V" in plot_text(trial)


def test_labels_do_not_lie_on_each_other() -> None:
    """Ends that meet are spread by the height of a line, inside the panel, in their order."""
    places = spread([1.0, 1.0, 1.0, 0.0], 0.5, 0.0, 4.0)
    ordered = sorted(places)
    assert all(b - a >= 0.5 - 1e-12 for a, b in pairwise(ordered))
    assert min(places) >= 0
    assert max(places) <= 4


def test_a_thinned_line_keeps_its_peaks() -> None:
    """Of ten thousand points some hundreds are drawn, the single spike among them."""
    time, values = np.arange(10_000.0), np.sin(np.arange(10_000) / 500)
    values[4321] = 9.0
    x, y = thinned(time, values)
    assert len(x) <= MOST_POINTS + 2
    assert 9.0 in y
    assert (x[0], x[-1]) == (0, 9999)


def test_time_is_told_in_the_unit_that_reads_best() -> None:
    """Seconds, minutes, hours and days each have their range."""
    assert [time_scale(s)[1] for s in (60, 3600, 86_400, 10 * 86_400)] == ["s", "min", "h", "days"]


def test_the_terminals_plot_is_plain_text_of_eighty_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """No colour codes, nothing wider than 80, letters for units with their names below, cautions at the end."""
    monkeypatch.setenv("COLUMNS", "40")
    shown = plot_text(tried(10))
    assert "\x1b" not in shown
    assert max(map(len, shown.splitlines())) <= 80
    assert max(len(line) for line in shown.splitlines() if "┌" in line) > 75
    assert re.search(r"a U0 +b U1", shown)
    assert "8 of 10 units" in shown
    assert " ".join(shown.split()).endswith(CAUTION)


def test_one_plot_leaves_nothing_in_the_next() -> None:
    """The plotting library keeps one figure; the same trial is drawn the same after another."""
    first = plot_text(tried(2))
    plot_text(tried(5))
    assert plot_text(tried(2)) == first
