"""Text from the watched process, made safe to be shown.

Thread names, kinds of task and paths are hostile: they may hold control characters or escape
sequences. `clean` takes them out of one line and bounds it; `safe` stands at every exit, to a
terminal or a file, for all that is written there. Nothing heavy is imported here, as every command
needs it, `--help` too.
"""

from __future__ import annotations

import unicodedata

HIDDEN_CATEGORIES = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
INSTEAD = "\N{REPLACEMENT CHARACTER}"


def clean(text: str, longest: int = 200) -> str:
    """Return foreign text fit for a terminal: one line, nothing that a terminal obeys."""
    return bounded(safe_line(text[: longest + 1]), longest)


def safe(text: str) -> str:
    """Return text of the same length in which nothing but the ends of lines is obeyed or hidden."""
    if text.isprintable():  # of one line, and by far the most are
        return text
    return "\n".join(
        line if line.isprintable() else "".join(map(_shown, line)) for line in text.split("\n")
    )


def safe_line(text: str) -> str:
    """Return text of the same length in which nothing at all is obeyed or hidden."""
    return text if text.isprintable() else safe(text).replace("\n", INSTEAD)


def _shown(letter: str) -> str:
    return INSTEAD if unicodedata.category(letter) in HIDDEN_CATEGORIES else letter


def bounded(text: str, longest: int = 200) -> str:
    """Return foreign text in at most so many letters, whatever a terminal obeys still in it."""
    return text if len(text) <= longest else text[: longest - 1] + "…"
