"""What a notebook shows of a result: tables with the same numbers, escaped, without a script."""

import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from uncertainties import ufloat

import ivkit
from ivkit.report.notebook import _KINDS, as_html
from ivkit.shown import Shown

ROOT = Path(__file__).parent.parent
EXAMPLES = ROOT / "examples"


class Page(HTMLParser):
    """The tags, the attributes and the text of a piece of HTML; refuses what does not nest."""

    def __init__(self, html):
        super().__init__()
        self.open, self.tags, self.attributes, self.cells = [], set(), set(), []
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.open.append(tag)
        self.tags.add(tag)
        self.attributes |= {f"{tag}.{name}={value}" for name, value in attributes}
        if tag in ("td", "th", "p", "caption"):
            self.cells.append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.cells[-1] += data


@pytest.fixture(scope="module")
def fit():
    sweep = ivkit.read_sweep(EXAMPLES / "shed_sweep.csv", bench=EXAMPLES / "bench.toml")
    return ivkit.fit(sweep)


@pytest.fixture(scope="module")
def results(fit):
    """Return one result of each kind."""
    from ivkit.panel.datasheet import load_datasheet
    from ivkit.predict.build_turned import turned_of
    from ivkit.predict.facing import Facing
    from ivkit.predict.readings import Readings
    from ivkit.predict.scene import Scene
    from ivkit.verdict.angle import turned_power
    from ivkit.verdict.load import best_load
    from ivkit.verdict.log import clean
    from ivkit.verdict.plan import plan_sweep
    from ivkit.verdict.plausibility import judge
    from ivkit.verdict.tracking import track
    from ivkit.verdict.translate import translate

    sheet = load_datasheet(ROOT / "datasheets" / "jetty_10W.toml")
    lit = replace(fit.sweep.condition, effective_irradiance=140.0, u_effective_irradiance=7.0)
    readings = Readings.of(load=100.0, voltage=83.3, current=0.0833)
    time = np.arange(200.0)
    log = clean(time, np.where(time < 20, 0.005, 0.5) + 1e-4 * np.cos(time**2))
    jetty = ivkit.read_sweep(EXAMPLES / "jetty_sweep.csv", bench=EXAMPLES / "jetty.toml")
    return {
        "Sweep": replace(fit.sweep, condition=lit),
        "KeyPoints": fit.key_points,
        "SingleDiode": fit.model,
        "Fit": fit,
        "Fits": ivkit.fit_many([fit.sweep.voltage], [fit.sweep.current]),
        "LoadChoice": best_load([fit.model], parameters=[fit.parameters]),
        "Judgement": judge(Scene(sheet, Facing.of(137.0, 15.0, "lux meter")), readings),
        "Plan": plan_sweep(fit.model),
        "Tracking": track(log),
        "AngleAnswer": turned_power(turned_of({"stray": 0.01}, None, sheet), [33.0]),
        "Translated": translate(ivkit.fit(jetty), sheet=sheet),
        "UnderLamp": _under_lamp(sheet),
        "Datasheet": sheet,
    }


def _under_lamp(sheet):
    from ivkit.light.illuminants import named
    from ivkit.light.lamp_shape import Point
    from ivkit.light.strength import Strength
    from ivkit.predict.near import lamp_over
    from ivkit.predict.scene import Scene
    from ivkit.predict.under_lamp import under_lamp

    strength = Strength("panel", ufloat(5700.0, 285.0), "lx", named("halogen"))
    light, _ = lamp_over(sheet, strength, Point(), 0.8)
    return under_lamp(Scene(sheet, light), loads=(100.0,))


KINDS = sorted(_KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_every_result_is_a_table_without_script_or_colour(results, kind):
    result = results[kind]
    assert isinstance(result, Shown)
    page = Page(result._repr_html_())
    assert page.tags <= {"p", "ul", "li", "table", "caption", "thead", "tbody", "tr", "th", "td"}
    assert "table" in page.tags
    # Nothing but alignment: what a reader must see does not hang on a colour.
    assert {a.split(":")[0] for a in page.attributes} <= {
        f"{tag}.style=text-align" for tag in ("td", "th", "caption")
    }
    assert any(any(c.isdigit() for c in cell) for cell in page.cells)
    assert not {"nan", "inf", "None"} & set(page.cells)


def test_the_numbers_are_those_of_the_text(fit, results):
    page = Page(fit._repr_html_())
    assert page.cells[0] == fit.answer().headline
    text = " ".join(str(fit.answer()).split())
    for cell in page.cells:
        if "(" in cell and cell[0].isdigit():
            assert cell in text, cell
    choice = Page(results["LoadChoice"]._repr_html_())
    assert choice.cells[0] == results["LoadChoice"].answer().headline
    assert sum(cell.startswith("> ") for cell in choice.cells) == 1


def test_a_sweep_shows_its_readings_and_what_else_is_known(results):
    page = Page(results["Sweep"]._repr_html_())
    assert "140 W/m2" in page.cells[0]
    assert "divider ratio" in page.cells[1]
    assert page.cells[2:6] == ["reading", "load", "voltage", "current"]
    assert "open" in page.cells


def test_what_cannot_be_told_is_a_dash_and_what_is_wrong_is_said():
    few = ivkit.fit(ivkit.Sweep(np.array([0.0, 1.0]), np.array([0.1, 0.0]), name="two"))
    assert "the curve could not be determined" in few._repr_html_()
    points = ivkit.SingleDiode(np.nan, 1e-9, 0.1, 100.0, 1.0).key_points()
    assert "-" in Page(points._repr_html_()).cells


def test_a_name_from_a_file_is_escaped(fit):
    evil = '<script>alert("1")</script>'
    for result in (replace(fit.sweep, name=evil), replace(fit, model=None, sweep=fit.sweep)):
        Page(result._repr_html_())
    html = replace(fit.sweep, name=evil)._repr_html_()
    assert "<script" not in html
    assert "&lt;script&gt;alert(&quot;1&quot;)" in html


def test_a_long_sweep_is_cut_in_the_middle_and_says_so():
    v = np.linspace(0.0, 10.0, 10_000)
    html = ivkit.Sweep(v, 1.0 - v / 20)._repr_html_()
    assert "... 9960 more" in html
    assert html.count("<tr>") == 42


def test_a_result_that_has_no_table_of_its_own_is_its_text():
    class Other(Shown):
        def __str__(self):
            return "5 < 6"

    assert as_html(Other()) == "<p>5 &lt; 6</p>"


def test_each_kind_in_the_register_is_shown_by_its_class(results):
    assert {type(result).__name__ for result in results.values()} == set(_KINDS)


def test_computing_does_not_load_what_shows():
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys, ivkit; ivkit.fit; ivkit.read_sweep; "
            "import ivkit.verdict.load, ivkit.verdict.translate; "
            "print([m for m in sys.modules if m.startswith('ivkit.report')])",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "[]"
