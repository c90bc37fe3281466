"""What a scheduler promises, and whether a run keeps that."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.vocabulary import Verdict
from ..foreign_text import bounded
from .facts import Column, Section, Sentence, Table

if TYPE_CHECKING:
    from ...model.promises import PromiseReading
    from ...model.reading import PoolReading

MOST_TIMESTAMPS = 3
LONGEST_SENTENCE = 2000


def promises(pool: PoolReading) -> Section | None:
    """Return the verdict on each promise, and the purpose of a broken one; None for pools that do
    not steal."""
    if not pool.has_steals:
        return None
    rows = tuple((one.verdict, one.what, judged_by(one)) for one in pool.promises)
    broken = tuple(Sentence(_broken(pool, one)) for one in pool.promises if is_broken(one))
    columns = (Column("verdict"), Column("promise"), Column("evidence"))
    return Section("What the scheduler promises", parts=(Table(columns, rows), *broken))


def is_broken(promise: PromiseReading) -> bool:
    """Return whether a run breaks a promise."""
    return promise.verdict == Verdict.BROKEN


def judged_by(promise: PromiseReading) -> str:
    """Return the evidence for the verdict on a promise, or why there is no verdict."""
    reason = promise.why if promise.verdict == Verdict.UNKNOWN else promise.evidence
    return bounded(reason, LONGEST_SENTENCE)


def _broken(pool: PoolReading, promise: PromiseReading) -> str:
    first = timestamps_phrase(pool, promise)
    return f"{promise.what}: {promise.purpose}{f' ({first})' if first else ''}"


def timestamps_phrase(pool: PoolReading, promise: PromiseReading) -> str:
    """Return when a promise was first broken, in seconds from the beginning of the window."""
    if not is_broken(promise) or not promise.timestamps_ns:
        return ""
    first = promise.timestamps_ns[:MOST_TIMESTAMPS]
    times = ", ".join(f"{(at_ns - pool.begin_ns) / 1e9:.3f}" for at_ns in first)
    return f"first broken {times} s into the window"


def promise_facts(promise: PromiseReading) -> list[tuple[str, str]]:
    """Return what is known of a promise beside its verdict: (name, sentence) each."""
    facts = [("What it is for", promise.purpose), ("Source", promise.source)]
    if promise.why:
        facts.append(("Why it is not judged", promise.why))
    if promise.cases:
        together = is_broken(promise) and not promise.broken
        of_them = (
            "judged together by the size of the effect"
            if together
            else f"broken in {promise.broken} of them"
        )
        facts.append(("Cases", f"{promise.cases}, {of_them}"))
        facts.append(("Size of the effect", f"{promise.effect:.3g}"))
    return facts


def ages_phrase(pool: PoolReading, promise: PromiseReading) -> str:
    """Return how long before the end of the window a promise was broken, the earliest first."""
    ages = [(pool.end_ns - at_ns) / 1e9 for at_ns in sorted(promise.timestamps_ns)]
    if not ages:
        return ""
    listed = ", ".join(f"{age:.3f}" for age in ages)
    return f"{listed} s before the end of the window" + (
        f" (the earliest {len(ages)} of {promise.broken})" if promise.broken > len(ages) else ""
    )
