"""Contrast of every figure, measured on the figures themselves (WCAG 2.2, level AA).

Success criterion 1.4.3: words at least 4.5 to 1. 1.4.11: lines and marks that carry meaning at
least 3 to 1. The luminance here is written apart from `ivkit.report.style`, from the standard.
"""

import shutil
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_hex, to_rgb
from matplotlib.lines import Line2D
from matplotlib.text import Text

from ivkit.cli import main
from ivkit.cli.output import Output
from ivkit.report import style

ROOT = Path(__file__).parent.parent
WHITE = (1.0, 1.0, 1.0)


def luminance(rgb):
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
    return float(np.dot(parts, (0.2126, 0.7152, 0.0722)))


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_standards_extremes_and_agrees_with_the_styles():
    assert contrast(WHITE, (0, 0, 0)) == pytest.approx(21.0)
    # The lightest grey that passes on white is commonly given as #767676 (from memory).
    assert contrast(to_rgb("#767676"), WHITE) == pytest.approx(4.54, abs=0.01)
    for colour in ("#0b5cad", "#a8480f", "#15705a"):
        assert style.contrast(colour, "#ffffff") == pytest.approx(contrast(to_rgb(colour), WHITE))


COMMANDS = {
    "sweep": ["characterize", "shed_sweep.csv"],
    "load": ["load", "shed_sweep.csv"],
    "translate": ["translate", "jetty_sweep.csv", "--bench", "jetty.toml"],
    "lamp": ["lamp", "--temperature", "33"],
    "lamp by distance": ["lamp", "--temperature", "33", "--load", "100", "--table"],
    "angle": ["angle", "shed_angle.csv", "--sweep", "shed_sweep.csv"],
    "track by hand": ["track", "shed_track.csv", "--load", "68", "--sweep", "shed_sweep.csv"],
    "track by drive": [
        *("track", "jetty_track.csv", "--sweep", "jetty_sweep.csv", "--bench", "jetty.toml"),
    ],
    "sun": [
        *("sun", "--latitude", "51.5", "--longitude", "0", "--timezone", "Europe/London"),
        *("--day", "2026-06-21", "--datasheet", "../datasheets/jetty_10W.toml", "--load", "33"),
    ],
}


@pytest.fixture(scope="module")
def figures(tmp_path_factory):
    """Return the figure of each command, drawn once so that every word is in place."""
    here = tmp_path_factory.mktemp("contrast")
    for folder in ("examples", "datasheets"):
        shutil.copytree(ROOT / folder, here / folder)
    drawn = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(here / "examples")
        answers = []
        patch.setattr(Output, "deliver", lambda self, answer, inputs=(): answers.append(answer))
        for name, words in COMMANDS.items():
            with pytest.raises(SystemExit):
                main(words)
            drawn[name] = answers.pop().figure()
            drawn[name].draw_without_rendering()
    return drawn


def _over(colour, alpha, ground):
    """Return a colour as it looks when laid half transparent on a ground."""
    return tuple(alpha * c + (1 - alpha) * g for c, g in zip(to_rgb(colour), ground, strict=True))


def _alpha(artist):
    return 1.0 if artist.get_alpha() is None else artist.get_alpha()


@pytest.mark.parametrize("name", COMMANDS)
def test_every_word_in_a_figure_can_be_read(figures, name):
    figure, seen = figures[name], 0
    for axes in figure.axes:
        for text in axes.findobj(Text):
            if not text.get_text().strip() or not text.get_visible():
                continue
            ground = WHITE
            if axes.images and text in axes.texts:
                x, y = text.get_position()
                image = axes.images[0]
                ground = image.cmap(image.norm(image.get_array()[int(y), int(x)]))[:3]
            seen += 1
            looks = _over(text.get_color(), _alpha(text), ground)
            assert contrast(looks, ground) >= 4.5, (text.get_text(), to_hex(looks), to_hex(ground))
    assert seen > 5


@pytest.mark.parametrize("name", COMMANDS)
def test_every_line_and_mark_in_a_figure_can_be_seen(figures, name):
    seen = 0
    for axes in figures[name].axes:
        for line in axes.findobj(Line2D):
            if line not in axes.lines or not line.get_visible() or not len(line.get_xdata()):
                continue  # grid lines and ticks carry nothing that the numbers do not
            colours = []
            if line.get_linestyle() not in ("None", "none", "", " "):
                colours.append(line.get_color())
            if line.get_marker() not in ("None", "none", "", None):
                colours.append(line.get_markeredgecolor())
            for colour in colours:
                looks = _over(colour, _alpha(line), WHITE)
                assert contrast(looks, WHITE) >= 3.0, (line.get_label(), to_hex(looks))
                seen += 1
    assert seen


def test_curves_that_share_a_figure_differ_in_grey_or_in_their_dashes(figures):
    # Read without colour: two lines of one figure differ in lightness, dashes or mark.
    for name, figure in figures.items():
        looks = {}
        for axes in figure.axes:
            for line in axes.lines:
                if len(line.get_xdata()) < 20:
                    continue
                grey = round(luminance(to_rgb(line.get_color())) / 0.02)
                key = (grey, str(line._dash_pattern), line.get_marker(), line.get_linewidth())
                looks.setdefault(key, set()).add(to_hex(line.get_color()))
        assert all(len(colours) == 1 for colours in looks.values()), (name, looks)


def test_words_on_the_shades_of_a_log_can_be_read():
    from ivkit.report.track_figure import LIT, SHADE

    for ground in {LIT, *SHADE.values()}:
        assert contrast(to_rgb(style.FAULT), to_rgb(ground)) >= 4.5, ground


def test_words_on_any_colour_of_the_map_of_cells_can_be_read():
    from matplotlib import colormaps

    for share in np.linspace(0.0, 1.0, 256):
        ground = to_hex(colormaps["cividis"](share))
        assert contrast(to_rgb(style.readable_on(ground)), to_rgb(ground)) >= 4.5
