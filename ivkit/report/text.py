"""Where `ivkit.answer.text` was; for files that are not yet moved to answers."""

from ivkit.answer.text import bullets, interval, number, page_width, percent, table, wrap

__all__ = ["bullets", "interval", "number", "page_width", "percent", "table", "wrap"]
