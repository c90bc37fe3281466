"""What the runs come to: how often the headline was right, and the table in Markdown. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tried.table import cells, of

from .gallery import DEMONSTRATION, FOREIGN, Entry

LEAST_DEMONSTRATION, LEAST_FOREIGN, LEAST_HEALTHY = 0.95, 0.90, 0.95
"""The share of runs that must be right: of the demonstration's faults, of the foreign jobs with a
fault, and of all runs without a fault."""
HEAD = ("job", "what is wrong", "expected", "right", "otherwise")
NOTHING = "nothing ≥ 5 %"
ROUNDING = 1e-9
"""0.95 of a number of runs is no exact binary fraction."""
TITLE = """# How often the headline is the cause

Made by `tests/score_findings.py`: each job is run and captured with several seeds, and
`idlehands explain` names the headline. "Right" counts the runs with the expected code; without a
fault, those without a finding that gains 5 % or more.
"""


@dataclass(frozen=True)
class Run:
    """One run of a job. headline: the code, "" without a finding; worth: the codes of all findings
    that gain 5 % or have no known gain. failed: why there is no reading, "" where there is one."""

    headline: str = ""
    worth: tuple[str, ...] = ()
    failed: str = ""


@dataclass(frozen=True)
class Score:
    """A job and its runs, one for each seed."""

    entry: Entry
    runs: tuple[Run, ...]

    @property
    def right(self) -> int:
        """How many runs were right."""
        return sum(map(self.is_right, self.runs))

    def is_right(self, run: Run) -> bool:
        """Whether the headline is the fault's, or without a fault whether nothing is found."""
        if run.failed:
            return False
        return not run.worth if self.entry.is_healthy else run.headline in self.entry.codes

    @property
    def otherwise(self) -> str:
        """What the wrong runs said, the most frequent first."""
        said = Counter(self._said(run) for run in self.runs if not self.is_right(run))
        return ", ".join(f"{what} ({number})" for what, number in said.most_common())

    def _said(self, run: Run) -> str:
        if run.failed:
            return run.failed
        return " + ".join(sorted(set(run.worth))) if self.entry.is_healthy else run.headline or "–"


def row(score: Score) -> str:
    """Return a line of the table."""
    entry = score.entry
    expected = " or ".join(entry.codes) or NOTHING
    right = f"{score.right} of {len(score.runs)}"
    return cells(entry.name, entry.words, expected, right, score.otherwise)


def head() -> str:
    """Return the first two lines of the table."""
    return f"{cells(*HEAD)}\n{'|---' * len(HEAD)}|"


def table(scores: Sequence[Score]) -> str:
    """Return the tables in Markdown, one a gallery, with what they come to below."""
    parts = [TITLE]
    for gallery in (DEMONSTRATION, FOREIGN):
        rows = [row(score) for score in scores if score.entry.gallery == gallery]
        if rows:
            title = gallery[:1].upper() + gallery[1:]
            parts.append("\n".join([f"## {title}\n", head(), *rows, ""]))
    return "\n".join([*parts, *summary(scores), ""])


def _groups(scores: Sequence[Score]) -> Iterator[tuple[str, float, list[Score]]]:
    """Yield what is judged together: in words, the least share, the scores."""
    ill = [score for score in scores if not score.entry.is_healthy]
    for gallery, least in ((DEMONSTRATION, LEAST_DEMONSTRATION), (FOREIGN, LEAST_FOREIGN)):
        words = f"The fault's own code is the headline in {{}} runs of {gallery}"
        yield words, least, [score for score in ill if score.entry.gallery == gallery]
    healthy = [score for score in scores if score.entry.is_healthy]
    yield "No finding gains 5 % or more in {} runs without a fault", LEAST_HEALTHY, healthy


def _counts(scores: Sequence[Score]) -> tuple[int, int]:
    return sum(score.right for score in scores), sum(len(score.runs) for score in scores)


def summary(scores: Sequence[Score]) -> Iterator[str]:
    """Yield what the scores come to, a sentence for each group that has runs."""
    for words, least, group in _groups(scores):
        right, runs = _counts(group)
        if runs:
            yield f"* {words.format(of(right, runs))}; wanted: {least * 100:.0f} %."


def holds(scores: Sequence[Score]) -> bool:
    """Say whether each group that has runs is as often right as it must be."""
    counts = ((least, *_counts(group)) for _, least, group in _groups(scores))
    return all(right >= least * runs - ROUNDING for least, right, runs in counts)
