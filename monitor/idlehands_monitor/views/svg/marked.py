"""Text and numbers in HTML and SVG: nothing in a foreign text is obeyed."""

from __future__ import annotations

from html import escape

from ..foreign_text import safe_line


def marked(text: str) -> str:
    """Return a text as one line of which HTML obeys nothing."""
    return escape(safe_line(text))


def number(value: float) -> str:
    """Write a coordinate shortly, to two decimals."""
    return f"{value:.2f}".rstrip("0").rstrip(".")
