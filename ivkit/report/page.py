"""One page for a whole bench: HTML that needs nothing else, with its figures inside.

The page is filled by jinja2 with everything escaped; only the figures, which matplotlib makes, go
in as they are. Light and dark follow the reader's setting; print is A4.
"""

import io
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FAMILY = "DejaVu Sans"
"""What figures are laid out in: wider than what may stand in for it on the reader's machine."""

TEMPLATE = Path(__file__).with_name("page.html")


@dataclass(frozen=True)
class PageTable:
    """A table: an optional title, a head, rows of text, and a note under it.

    The columns in ``left`` are words, the others numbers; with ``words`` all are.
    """

    rows: Sequence[Sequence[str]]
    head: Sequence[str] = ()
    title: str = ""
    words: bool = False
    left: Collection[int] = (0,)
    note: str = ""


@dataclass(frozen=True)
class PageFigure:
    """A figure and what it shows, in a sentence."""

    svg: str
    caption: str


@dataclass(frozen=True)
class Section:
    """One part of the page.

    Attributes
    ----------
    title : str
    lines, warnings, remarks : sequence of str
        Sentences: the answer, what to mind, and what was understood.
    figures : sequence of PageFigure
    tables : sequence of PageTable
    budget : sequence of (name, share, text)
        Bars; ``budget_title`` says of what.
    """

    title: str
    lines: Sequence[str] = ()
    warnings: Sequence[str] = ()
    figures: Sequence[PageFigure] = ()
    tables: Sequence[PageTable] = ()
    budget: Sequence[tuple[str, float, str]] = ()
    budget_title: str = ""
    remarks: Sequence[str] = ()


@dataclass(frozen=True)
class Page:
    """Everything on the page, as text and figures."""

    title: str
    subtitle: str
    answers: Sequence[str]
    sections: Sequence[Section]
    cautions: Sequence[str]
    sources: Sequence[str]
    command: str
    version: str
    files: Sequence[tuple[str, str]] = field(default_factory=tuple)


def render(page: Page) -> str:
    """Return the page as HTML; every text is escaped."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=False)
    template = environment.from_string(TEMPLATE.read_text(encoding="utf-8"))
    sections = [
        {
            **{name: getattr(one, name) for name in Section.__dataclass_fields__},
            "figures": [
                {"svg": Markup(figure.svg), "caption": figure.caption} for figure in one.figures
            ],
        }
        for one in page.sections
    ]
    values = {name: getattr(page, name) for name in Page.__dataclass_fields__}
    return template.render({**values, "sections": sections})


def inline_svg(figure: "Figure", prefix: str) -> str:
    """Return a figure as an SVG element to stand in a page.

    ``prefix`` keeps the identifiers of several figures on one page apart.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.StringIO()
    # Words stay words, so that they can be read aloud, found and marked. One family, because each
    # further one is looked for at every word.
    settings = {"svg.fonttype": "none", "svg.hashsalt": prefix, "font.sans-serif": [FAMILY]}
    with rc_context(settings):
        # One draw lays out and prints; `savefig` would draw twice.
        FigureCanvasSVG(figure).print_svg(buffer, metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = text.replace(f"'{FAMILY}'", f"'{FAMILY}', Verdana, sans-serif")
    # Width and height come from the page; the view box stays.
    text = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'id="([^"]+)"', rf'id="{prefix}-\1"', text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{prefix}-\1"', text)
    return re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}-\1)", text)
