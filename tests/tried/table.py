"""What the lines come to: errors, coverage, and the table in Markdown. Pure."""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from .bench import Prediction
from .lines import P95_S, SECONDS, TASKS_PER_S, Line

CLOSE, NEAR, P95_NEAR = 0.05, 0.10, 0.15
"""Errors of the median: 5 %, 10 %, and 15 % for a 95th percentile."""
LEAST_CLOSE, LEAST_NEAR, LEAST_COVERED = 0.85, 0.95, 0.85
"""The share of lines that must keep within 5 %, within 10 %, and within the interval."""
HEAD = (
    "job", "captured with", "change", "unit", "recorded", "reproduced", "predicted (95 % interval)",
    "tried (least to most)", "error", "in the interval", "why it misses",
)  # fmt: skip
SHOWN = {SECONDS: ("s", 1.0), TASKS_PER_S: ("tasks/s", 1.0), P95_S: ("p95, ms", 1000.0)}
"""Each unit as the table shows it, and what a value is multiplied by for that."""


@dataclass(frozen=True)
class Result:
    """What came of a line. tried: the job's own measure in each run. refused: why there is no
    prediction, "" where there is one."""

    line: Line
    prediction: Prediction | None
    tried: tuple[float, ...]
    refused: str = ""

    @property
    def tried_median(self) -> float:
        """The median of the runs with the change."""
        return statistics.median(self.tried)

    @property
    def error(self) -> float | None:
        """(predicted median − tried median) / tried median; None without a prediction."""
        if self.prediction is None:
            return None
        return self.prediction.median / self.tried_median - 1

    @property
    def is_covered(self) -> bool:
        """Whether the interval holds the tried median."""
        predicted = self.prediction
        return predicted is not None and predicted.low <= self.tried_median <= predicted.high

    def is_within(self, limit: float) -> bool:
        """Whether there is a prediction whose error is no larger."""
        return self.error is not None and abs(self.error) <= limit


def row(result: Result) -> str:
    """Return a line of the table."""
    line, predicted = result.line, result.prediction
    unit, factor = SHOWN[line.unit]

    def shown(value: float) -> str:
        return f"{value * factor:#.4g}".rstrip(".")

    def interval(middle: float, low: float, high: float) -> str:
        return f"{shown(middle)} ({shown(low)} to {shown(high)})"

    words = (line.job.replace("_", " "), line.base_words, line.change_words, unit)
    tried = interval(result.tried_median, min(result.tried), max(result.tried))
    if predicted is None or result.error is None:
        return cells(*words, "–", "–", "–", tried, "–", "no", result.refused or line.why)
    recorded, reproduced = shown(predicted.recorded), shown(predicted.reproduced)
    whatif = interval(predicted.median, predicted.low, predicted.high)
    error = f"{result.error * 100:+.1f} %".replace("-", "−")
    covered = "yes" if result.is_covered else "no"
    return cells(*words, recorded, reproduced, whatif, tried, error, covered, line.why)


def table(results: Sequence[Result]) -> str:
    """Return the table in Markdown, with what it comes to below it."""
    return "\n".join([head(), *map(row, results), "", *summary(results), ""])


def head() -> str:
    """Return the first two lines of the table."""
    return f"{cells(*HEAD)}\n{'|---' * len(HEAD)}|"


def cells(*cells: str) -> str:
    """Return a line of a table in Markdown."""
    return f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |"


def summary(results: Sequence[Result]) -> Iterator[str]:
    """Yield what the lines come to, a sentence each."""
    p95s = [result for result in results if result.line.unit == P95_S]
    others = [result for result in results if result.line.unit != P95_S]
    yield f"* {len(results)} lines, {len(p95s)} of them 95th percentiles."
    for lines, what in ((results, "all lines"), (others, "lines that are no percentile")):
        for limit in (CLOSE, NEAR):
            yield f"* Error ≤ {limit * 100:.0f} %: {_share(lines, limit)} of {what}."
    if p95s:
        within = _share(p95s, P95_NEAR)
        yield f"* Error ≤ {P95_NEAR * 100:.0f} %: {within} of 95th percentiles."
    covered = sum(result.is_covered for result in results)
    yield f"* The interval holds the tried value in {of(covered, len(results))} of all lines."


def _share(results: Sequence[Result], limit: float) -> str:
    return of(sum(result.is_within(limit) for result in results), len(results))


def of(number: int, all_of_them: int) -> str:
    """Return a number of so many, with its share."""
    share = number / all_of_them if all_of_them else 0.0
    return f"{number} of {all_of_them} ({share * 100:.0f} %)"


def holds(results: Sequence[Result]) -> bool:
    """Say whether the lines together are as close, and the intervals as honest, as they must be."""
    p95s = [result for result in results if result.line.unit == P95_S]
    others = [result for result in results if result.line.unit != P95_S]
    number = max(1, len(others))
    return (
        sum(result.is_within(CLOSE) for result in others) >= LEAST_CLOSE * number
        and sum(result.is_within(NEAR) for result in others) >= LEAST_NEAR * number
        and all(result.is_within(P95_NEAR) for result in p95s)
        and sum(result.is_covered for result in results) >= LEAST_COVERED * len(results)
    )
