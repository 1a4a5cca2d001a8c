"""The chart as SVG and the terminal's plot: readable on a phone, without colour, with their cautions, repeatable."""

from __future__ import annotations

import re
import sys
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from hotchpot.bank.plan import Charger, Duty, Plan, Protection
from hotchpot.bank.verdict import Verdict
from hotchpot.faces.cli.plot import TURNS, plot_text, ticks
from hotchpot.paper.chart import MOST_UNITS, chart
from hotchpot.paper.panels import INK, MOST_POINTS, PAPER, SHADE, SIGNS, spread, thinned
from hotchpot.paper.shown import MOST_MOMENTS, moments, panels_of, time_scale, time_text
from hotchpot.trial import scenarios
from hotchpot.trial.doubt import VoltsBand
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


def test_no_two_of_the_lines_have_the_same_sign() -> None:
    """Each of six units has a sign of its own on its lines and beside its name: six shapes are in the file."""
    svg = chart(tried(MOST_UNITS))
    shapes = set(re.findall(r'<path id="m[0-9a-f]+" d="([^"]+)" style="stroke: #141414; stroke-width: 0.7', svg))
    assert len(shapes) == len(set(SIGNS)) == MOST_UNITS


def overcharged() -> Trial:
    """Return a charge of twelve cells in a string, one fuller than the rest, that goes above its highest voltage."""
    names = [f"C{k}" for k in range(12)]
    made = bank(" + ".join(names), *(unit(n, "lfp", 1, soc_frac=0.9 if n == "C7" else 0.5, bms=None) for n in names))
    plan = Plan(charger=Charger(amps=20, volts=43.2))
    return try_out(made, plan, scenarios.charge(made, plan, None))


def test_who_is_found_fault_with_is_drawn_and_the_volts_and_limit_too() -> None:
    """Of twelve cells the one that goes too high is drawn, in a panel of volts with its limit; 3.65 V, a data sheet."""
    trial = overcharged()
    worst = trial.notable[0]
    assert (worst.code, worst.subject) == ("trial-over-voltage", ("C7",))
    shown = trial.telling(MOST_UNITS)
    assert trial.record.ids.index("C7") in shown
    volts = next(panel for panel in panels_of(trial, shown) if panel.title.endswith("fault with, V"))
    assert [name for name, _, _ in volts.lines] == ["C7"]
    assert [limit.value for limit in volts.limits] == [pytest.approx(3.65)]
    assert "limit of C7 3.65 V" in texts(chart(trial))
    assert not any("fault with, V" in text for text in texts(chart(tried())))


def test_a_current_beyond_its_limit_is_drawn_with_the_limit() -> None:
    """The unit nearest its limit is drawn though others carry more, and the limit stands on a line with its amps."""
    names = [f"U{k}" for k in range(9)]
    units = [unit(n, ah=30 if n == "U4" else 200, rated_ah=30 if n == "U4" else 200) for n in names]
    made = bank(" // ".join(names), *units)
    trial = try_out(made, Plan(), scenarios.discharge(made, Plan(), amps=900, hours=0.3))
    found = next(one for one in trial.notable if one.code == "trial-discharge-share")
    assert found.verdict is not Verdict.FINE
    assert trial.record.ids.index(found.subject[0]) in trial.telling(MOST_UNITS)
    svg = chart(trial)
    assert f"limit of {found.subject[0]} {found.limit:.3g} A" in texts(svg)
    assert f"{found.limit:.3g} A" in ElementTree.fromstring(svg).attrib["aria-label"]


def test_what_happens_is_numbered_and_told_below() -> None:
    """A small bank sheds its loads in the evening: the moment has a number above, and its words and time below."""
    made = bank("A", unit("A", ah=40))
    plan = Plan(duty=Duty(energy_wh_per_day=1500), protection=Protection(disconnect_v=11.0))
    trial = try_out(made, plan, scenarios.day(made, plan, 1))
    off = next(event for event in trial.record.events if event.kind == "loads-off")
    shown = texts(chart(trial))
    assert "1" in shown
    assert f"1 at {off.time_s / 3600:.3g} h: loads off" in " ".join(shown)


def test_a_chargers_stages_do_not_crowd_out_what_matters() -> None:
    """Of a week with sun each stage is told once, with how often it comes again; loads cut off are told each time."""
    made = bank("A", unit("A", ah=40))
    plan = Plan(
        duty=Duty(energy_wh_per_day=1100),
        charger=Charger(amps=20, source="pv"),
        protection=Protection(disconnect_v=11.5),
    )
    trial = try_out(made, plan, scenarios.day(made, plan, 7))
    kinds = [event.kind for event in trial.record.events]
    told = moments(trial)
    assert [one.time_s for one in told] == sorted(one.time_s for one in told)
    offs = kinds.count("loads-off")
    assert offs > 1
    every = [kind for kind in kinds if not_stage(kind)]
    assert sum(one.says == "loads off" for one in told) == every[:MOST_MOMENTS].count("loads-off")
    assert sum(one.more for one in told) == max(0, len(every) - MOST_MOMENTS)
    assert kinds.count("absorb") > 1
    absorbs = [one.says for one in told if one.says.startswith("charger at its volts")]
    assert absorbs == [f"charger at its volts, and {kinds.count('absorb') - 1} times more"]


def not_stage(kind: str) -> bool:
    """Tell whether a kind of event is told each time."""
    return kind not in ("absorb", "float", "bulk", "full", "empty", "time")


def test_the_doubt_of_many_draws_is_a_grey_band_with_its_name() -> None:
    """Where draws were made, nine in ten of them lie in the band; without draws there is none."""
    trial = tried()
    hours = np.linspace(0.0, 2.0, 50)
    volts = np.interp(3600.0 * hours, trial.record.time_s, trial.record.volts)
    doubt = VoltsBand(hours, volts + np.array([[-0.2], [-0.1], [0.0], [0.1], [0.2]]), np.ones(50))
    svg = chart(trial, doubt=doubt)
    assert f"fill: {SHADE}" in svg
    assert "5-95 %" in texts(svg)
    assert f"fill: {SHADE}" not in chart(trial)


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


def test_what_is_cut_out_is_named_once_and_not_drawn() -> None:
    """The string of a unit that is cut out has no line in plot or chart; both say once that it is cut out."""
    made = bank("A // B // (C + D)", unit("A", cells=12), unit("B", cells=12), unit("C"), unit("D"))
    base = scenarios.discharge(made, Plan(), amps=20, hours=2)
    trial = try_out(made, Plan(), scenarios.lost(base, ["C"]))
    assert [trial.record.ids[k] for k in trial.telling(MOST_UNITS)] == ["A", "B"]
    for panel in panels_of(trial, trial.telling(MOST_UNITS)):
        assert not {"C", "D"} & {name for name, _, _ in panel.lines}
    text = plot_text(trial)
    assert text.count("cut out: C, D") == 1
    assert "a A   b B\n" in text
    assert " C" not in text.replace("cut out: C, D", "")
    told = texts(chart(trial))
    assert told.count("cut out: C, D") == 1
    assert not {"C", "D"} & set(told)
    assert not any("of 4 units" in line or "of 4 units" in text for line in told)


def test_cut_out_units_take_no_place_among_many() -> None:
    """Of twelve branches three are cut out: the six that are drawn are of the nine that are left, and it says so."""
    names = [f"U{k}" for k in range(12)]
    made = bank(" // ".join(names), *(unit(n, ah=100 - 3 * k) for k, n in enumerate(names)))
    trial = try_out(made, Plan(), scenarios.lost(scenarios.discharge(made, Plan(), amps=60, hours=1), names[:3]))
    shown = trial.telling(MOST_UNITS)
    assert len(shown) == MOST_UNITS
    assert not set(names[:3]) & {names[k] for k in shown}
    assert any(f"{MOST_UNITS} of 9 units" in line for line in texts(chart(trial)))


def test_letters_that_meet_take_turns() -> None:
    """Two units alike lie on one another all along, and both letters are seen about equally often; that is said."""
    made = bank("A // B", unit("A"), unit("B"))
    shown = plot_text(try_out(made, Plan(), scenarios.discharge(made, Plan(), amps=10, hours=2)))
    drawn = [line for line in shown.splitlines() if line.endswith("│")]
    counts = [sum(line.count(mark) for line in drawn) for mark in "ab"]
    assert min(counts) > 0.8 * max(counts) > 0
    assert TURNS in shown


def test_axes_have_plain_round_numbers() -> None:
    """No exponents, few marks, all to the same digits, inside the span; a millivolt is no panel's height."""
    for low, high in ((13.19677, 13.19856), (0.0, 262_000.0), (-33.5, 7.0), (55.8, 101.6), (1e-7, 3e-7), (-4e6, 9e9)):
        marks = ticks(low, high, 5)
        assert 1 <= len(marks) <= 6
        assert all(low - 1e-9 * abs(low) <= value <= high + 1e-9 * abs(high) for value, _ in marks)
        assert all(re.fullmatch(r"-?\d+(\.\d+)?", text) for _, text in marks)
        assert len({len(text.partition(".")[2]) for _, text in marks}) == 1
        assert [float(text) for _, text in marks] == pytest.approx([value for value, _ in marks])
    still = bank("A // B", unit("A", soc_frac=0.5), unit("B", soc_frac=0.5))
    shown = plot_text(try_out(still, Plan(), scenarios.joining(still, Plan(), hours=1)))
    labels = [float(text) for text in re.findall(r"^ *([\d.]+)┤", shown.partition("units, A")[0], re.MULTILINE)]
    assert labels
    assert all(len(text) <= 5 for text in re.findall(r"^ *([\d.]+)┤", shown.partition("units, A")[0], re.MULTILINE))


def test_the_three_panels_share_one_axis_of_time() -> None:
    """Marks of the same time stand below one another in all panels."""
    rows = [line for line in plot_text(tried(3)).splitlines() if "┬" in line]
    assert len(rows) == 3
    assert len({tuple(k for k, sign in enumerate(row) if sign == "┬") for row in rows}) == 1
