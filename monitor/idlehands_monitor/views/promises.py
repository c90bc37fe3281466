"""What a scheduler promises and how a run keeps it, as lines of plain text."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from .formatting import seconds

if TYPE_CHECKING:
    from ..model.promises import PromiseReading
    from ..model.reading import PoolReading

MARKS = {"kept": "✓", "broken": "✗", "unknown": "·"}
COLOURS = {"kept": "#009E73", "broken": "#D55E00", "unknown": ""}
MOST_TIMESTAMPS = 3


class PromiseLine(NamedTuple):
    """A promise: its mark, its verdict, what is promised, and what that goes by."""

    mark: str
    verdict: str
    what: str
    said: str


def promise_line(promise: PromiseReading) -> PromiseLine:
    """Return the line of one promise."""
    said = promise.why if promise.verdict == "unknown" else promise.evidence
    return PromiseLine(MARKS[promise.verdict], promise.verdict, promise.what, said)


def timestamps_words(pool: PoolReading, promise: PromiseReading) -> str:
    """Return when a promise was first broken, in seconds from the beginning of the window."""
    if promise.verdict != "broken" or not promise.timestamps_ns:
        return ""
    first = promise.timestamps_ns[:MOST_TIMESTAMPS]
    said = ", ".join(f"{(moment - pool.begin_ns) / 1e9:.2f} s" for moment in first)
    return f"first broken {said} into the window"


def promise_facts(promise: PromiseReading) -> list[tuple[str, str]]:
    """Return what is known of a promise beside its verdict: (name, sentence) each."""
    facts = [("What it is for", promise.purpose), ("Source", promise.source)]
    if promise.why:
        facts.append(("Why it is not judged", promise.why))
    if promise.cases:
        together = promise.verdict == "broken" and not promise.broken
        of_them = (
            "judged together by the size of the effect"
            if together
            else f"broken in {promise.broken} of them"
        )
        facts.append(("Cases", f"{promise.cases}, {of_them}"))
        facts.append(("Size of the effect", f"{promise.effect:.3g}"))
    return facts


def ages_words(pool: PoolReading, promise: PromiseReading) -> str:
    """Return how long before the end of the window a promise was broken, the latest first."""
    ages = sorted((pool.end_ns - moment) / 1e9 for moment in promise.timestamps_ns)
    if not ages:
        return ""
    said = ", ".join(seconds(age) for age in ages)
    return f"{said} before the end of the window" + (
        f" (the first {len(ages)} of {promise.broken})" if promise.broken > len(ages) else ""
    )


def promise_lines(pool: PoolReading) -> list[str]:
    """Return all promises, a line each, and what a broken one is for below it."""
    lines = ["What the scheduler promises"]
    for promise in pool.promises:
        line = promise_line(promise)
        lines.append(f"  {line.verdict:<8} {line.what}: {line.said}")
        if promise.verdict == "broken":
            moments = timestamps_words(pool, promise)
            lines.append(f"           {promise.purpose}{f' ({moments})' if moments else ''}")
    return lines
