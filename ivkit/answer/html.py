"""An answer for a notebook: plain HTML, every text escaped, no colour, no script."""

from collections.abc import Collection, Sequence
from html import escape

from ivkit.answer.answer import Answer
from ivkit.answer.lines import HEADED, budget_line, capital, grid, summary_rows


def as_html(answer: Answer) -> str:
    """Return an answer as HTML: its sentences, its tables, what to mind."""
    first = (capital("; ".join(answer.based_on)), answer.headline, *answer.paragraphs)
    out = [paragraph(line) for line in first if line]
    rows = summary_rows(answer)
    if rows:
        out.append(html_table(rows))
    for one in answer.tables.values():
        if one.most_rows and len(one):
            head, rows, left = grid(one)
            out.append(html_table(rows, head, "" if one.title in head else one.title, left))
            out += [paragraph(one.note)] if one.note else []
    out += [paragraph(budget_line(*item)) for item in list(answer.budget.items())[:1]]
    for heading, name in HEADED:
        said = [f"<li>{escape(line)}</li>" for line in getattr(answer, name)]
        if said:
            out.append(f"{paragraph(heading + ':')}<ul>{''.join(said)}</ul>")
    out += [paragraph(line) for line in (*answer.cautions, answer.next) if line]
    return "".join(out)


def paragraph(text: str) -> str:
    """Return a paragraph, escaped."""
    return f"<p>{escape(text)}</p>"


def html_table(
    rows: Sequence[Sequence[str]],
    head: Sequence[str] = (),
    title: str = "",
    left: Collection[int] = (0,),
) -> str:
    """Return a table of text cells: the columns in ``left`` are words, the others numbers."""
    sides = ["left" if k in left else "right" for k in range(len(rows[0]))]
    out = ["<table>"]
    if title:
        out.append(f'<caption style="text-align: left">{escape(title)}</caption>')
    if any(head):
        out += ["<thead>", _row(head, "th", sides), "</thead>"]
    return "".join([*out, "<tbody>", *(_row(row, "td", sides) for row in rows), "</tbody></table>"])


def _row(cells: Sequence[str], tag: str, sides: Sequence[str]) -> str:
    inside = (
        f'<{tag} style="text-align: {side}; padding: 0.1em 0.7em">{escape(str(cell))}</{tag}>'
        for side, cell in zip(sides, cells, strict=True)
    )
    return f"<tr>{''.join(inside)}</tr>"
