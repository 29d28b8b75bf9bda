"""The page of a bench: whole, self-contained, escaped, readable, and drawn by a real browser."""

import hashlib
import re
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser
from pathlib import Path

import pytest

from ivkit.cli import main
from ivkit.report import style
from ivkit.report.page import TEMPLATE, Page, Section, render

EXAMPLES = Path(__file__).parent.parent / "examples"


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """Return the path of the example's page."""
    out = tmp_path_factory.mktemp("page") / "page.html"
    with pytest.raises(SystemExit) as stop:
        main(["report", str(EXAMPLES / "bench.toml"), "--out", str(out)])
    assert stop.value.code == 0
    return out


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.ids, self.links = [], [], []

    def handle_starttag(self, tag, attributes):
        if tag not in ("meta", "link", "br", "img", "path", "use"):
            self.open.append(tag)
        for name, value in attributes:
            if name == "id":
                self.ids.append(value)
            if name in ("src", "href", "xlink:href", "action", "srcset"):
                self.links.append(value)

    def handle_startendtag(self, tag, attributes):
        for name, value in attributes:
            if name == "id":
                self.ids.append(value)
            if name in ("src", "href", "xlink:href"):
                self.links.append(value)

    def handle_endtag(self, tag):
        if tag in self.open:
            while self.open.pop() != tag:
                pass


def test_the_page_needs_nothing_from_outside_and_is_small(page):
    text = page.read_text(encoding="utf-8")
    assert len(text.encode()) < 2_000_000
    tags = _Tags()
    tags.feed(text)
    assert tags.open == []
    inside = [link for link in tags.links if link.startswith("#")]
    assert all(link.startswith("data:image/png;base64,") for link in set(tags.links) - {*inside})
    assert len(tags.ids) == len(set(tags.ids))
    assert {link[1:] for link in inside} <= set(tags.ids)
    assert "<script" not in text
    outside = re.findall(r"https?://[^\s\"'<)]+", text)
    # Names of XML vocabularies are not fetched.
    assert all("w3.org" in link for link in outside)


def test_every_figure_is_well_formed(page):
    figures = re.findall(r"<svg.*?</svg>", page.read_text(encoding="utf-8"), re.DOTALL)
    assert len(figures) >= 2
    for figure in figures:
        ElementTree.fromstring(figure)


def test_the_page_says_what_it_was_made_of(page):
    text = page.read_text(encoding="utf-8")
    for name in ("bench.toml", "shed_sweep.csv", "shed_angle.csv"):
        assert hashlib.sha256((EXAMPLES / name).read_bytes()).hexdigest() in text
    assert "Jain and Kapoor" in text
    assert "cover it before touching" in text
    assert "divider ratio" in text


def test_every_text_from_a_file_is_escaped(tmp_path):
    evil = "<script>alert(1)</script>"
    (tmp_path / "bench.toml").write_text(f'name = "{evil}"\n')
    shutil.copy(EXAMPLES.parent / "tests/data/published/cell_57mm_33degC.csv", tmp_path / "<b>.csv")
    out = tmp_path / "page.html"
    with pytest.raises(SystemExit) as stop:
        main(["report", str(tmp_path / "bench.toml"), str(tmp_path / "<b>.csv"), "--out", str(out)])
    assert stop.value.code == 0
    text = out.read_text(encoding="utf-8")
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)" in text
    assert "<b>" not in text


def test_what_is_wrong_with_a_sweep_is_told_once(tmp_path):
    # A straight line of readings: no junction, and no ends.
    (tmp_path / "line.csv").write_text(
        "V,I\n" + "".join(f"{k},{0.1 - k / 1e3}\n" for k in range(9))
    )
    (tmp_path / "bench.toml").write_text('[data]\nsweeps = ["line.csv"]\n')
    out = tmp_path / "page.html"
    with pytest.raises(SystemExit):
        main(["report", str(tmp_path / "bench.toml"), "--out", str(out)])
    warnings = re.findall(r'<p class="warn">(.*?)</p>', out.read_text(encoding="utf-8"))
    assert any("straight line" in line for line in warnings)
    assert len({line.partition(":")[0] for line in warnings}) == len(warnings)


def test_a_section_of_plain_words_is_enough():
    html = render(
        Page("t", "s", ["a & b"], [Section("One", ["x < y"])], ["c"], ["d"], "e", "f", [])
    )
    assert "a &amp; b" in html
    assert "x &lt; y" in html


@pytest.mark.parametrize(
    ("bench", "arguments", "message"),
    [
        (None, [], "nowhere.toml"),
        ('name = "x"\n', [], "no sweep to report on; give SWEEP files, or add [data]"),
        ('[data]\nsweeps = ["gone.csv"]\n', [], "gone.csv"),
        ("[data]\nsweeps = 3\n", [], "is not a list of names of files"),
        ('[data]\nsweep = ["a.csv"]\n', [], "sweeps"),
    ],
)
def test_bad_input_leaves_no_page(tmp_path, capsys, bench, arguments, message):
    path = tmp_path / ("nowhere.toml" if bench is None else "bench.toml")
    if bench is not None:
        path.write_text(bench)
    out = tmp_path / "page.html"
    with pytest.raises(SystemExit) as stop:
        main(["report", str(path), *arguments, "--out", str(out)])
    assert stop.value.code == 2
    assert message in capsys.readouterr().err
    assert not out.exists()


def test_the_page_is_never_written_over_its_own_input(tmp_path, capsys):
    for folder in ("examples", "datasheets"):
        shutil.copytree(EXAMPLES.parent / folder, tmp_path / folder)
    here = tmp_path / "examples"
    with pytest.raises(SystemExit) as stop:
        main(["report", str(here / "bench.toml"), "--out", str(here / "shed_sweep.csv")])
    assert stop.value.code == 2
    assert "is an input of this command" in capsys.readouterr().err


def _luminance(colour):
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(one, other):
    """Return the contrast ratio of WCAG 2.2, success criterion 1.4.3."""
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_the_standards_own_extremes():
    assert _contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert _contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


def test_every_colour_of_the_page_and_the_figures_is_readable():
    # WCAG 2.2 level AA: 4.5 to 1 for text.
    css = TEMPLATE.read_text(encoding="utf-8")
    light, dark = re.findall(r":root \{(.*?)\}", css, re.DOTALL)[:2]
    for block in (light, dark):
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block))
        for name in ("ink", "quiet", "accent", "warn"):
            for ground in ("paper", "soft"):
                assert _contrast(colours[name], colours[ground]) >= 4.5, (name, ground)
    for colour in {*style.SERIES, style.QUIET, style.FAULT, style.POWER}:
        assert _contrast(colour, "#ffffff") >= 4.5, colour


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine to draw the page with")
def test_a_browser_draws_the_page_without_fetching_and_prints_it(page, tmp_path):
    quiet = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--enable-logging=stderr",
        "--v=0",
        f"--user-data-dir={tmp_path / 'profile'}",
    ]
    probe = tmp_path / "probe.html"
    # The page in a frame-less copy with a counter: how large is each figure once it is drawn.
    counted = page.read_text(encoding="utf-8").replace(
        "</body>",
        "<script>document.title = [...document.querySelectorAll('figure svg')].map(s => "
        "Math.round(s.getBoundingClientRect().height)).join() + '|' + "
        "(document.body.scrollWidth <= WIDTH) + '|' + "
        "performance.getEntriesByType('resource').length</script></body>",
    )
    for width in (390, 1280):
        # A window is never narrower than 500 pixels, so the page itself is held to the width.
        held = counted.replace("WIDTH", str(width)).replace(
            "<body>", f'<body style="width: {width}px">'
        )
        probe.write_text(held, encoding="utf-8")
        done = subprocess.run(
            [
                CHROMIUM,
                *quiet,
                f"--window-size={width},900",
                "--dump-dom",
                probe.as_uri(),
            ],
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        title = re.search(r"<title>(.*?)</title>", done.stdout).group(1)
        heights, fits, fetched = title.split("|")
        assert all(int(height) > 100 for height in heights.split(",")), title
        assert fits == "true", f"the page is wider than {width} pixels"
        assert "CONSOLE" not in done.stderr
        # What the page itself asked for; the browser's own errands are not the page's.
        assert fetched == "0"
    pdf = tmp_path / "page.pdf"
    subprocess.run(
        [CHROMIUM, *quiet, f"--print-to-pdf={pdf}", "--no-pdf-header-footer", page.as_uri()],
        capture_output=True,
        timeout=120,
        check=True,
    )
    assert pdf.read_bytes().startswith(b"%PDF")
    # A4 in points, 1/72 inch.
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf.read_bytes())
    assert float(box.group(1)) == pytest.approx(595.3, abs=1)
    assert float(box.group(2)) == pytest.approx(841.9, abs=1)
