"""What an answer is, and how it becomes text, JSON, CSV and HTML."""

from ivkit.answer.answer import Answer, Column, Entry, Table, based_on, columns, drawn_by, said_of
from ivkit.answer.document import load

__all__ = [
    "Answer",
    "Column",
    "Entry",
    "Table",
    "based_on",
    "columns",
    "drawn_by",
    "load",
    "said_of",
]
