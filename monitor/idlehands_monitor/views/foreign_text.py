"""Text from the watched process, made safe to be shown.

Thread names, kinds of task and paths are hostile: they may hold control characters or escape
sequences. `clean` takes them out of one line and bounds it; `safe` is applied to everything that is
written to a terminal or a file. This module imports nothing heavy, because every command needs it,
`--help` too.
"""

from __future__ import annotations

import unicodedata

HIDDEN_CATEGORIES = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
INSTEAD = "\N{REPLACEMENT CHARACTER}"


def clean(text: str, longest: int = 200) -> str:
    """Return foreign text fit for a terminal: one line, nothing that a terminal obeys."""
    return bounded(safe_line(text[: longest + 1]), longest)


def safe(text: str) -> str:
    """Return text of the same length; a terminal obeys and hides nothing in it but the ends of
    lines."""
    if text.isprintable():  # of one line, and by far the most are
        return text
    return "\n".join(
        line if line.isprintable() else "".join(map(_shown, line)) for line in text.split("\n")
    )


def safe_line(text: str) -> str:
    """Return text of the same length; a terminal obeys and hides nothing in it."""
    return text if text.isprintable() else safe(text).replace("\n", INSTEAD)


def _shown(letter: str) -> str:
    return INSTEAD if unicodedata.category(letter) in HIDDEN_CATEGORIES else letter


def bounded(text: str, longest: int = 200) -> str:
    """Return foreign text in at most so many letters. It is not yet safe for a terminal."""
    return text if len(text) <= longest else text[: longest - 1] + "…"
