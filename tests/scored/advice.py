"""What advice comes to: the gain that a headline predicts against that of the mended job. Pure."""

from __future__ import annotations

import re
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tried.lines import TASKS_PER_S
from tried.table import cells, of

from .gallery import Entry
from .reading import Found, Gain

NEAR = 0.15
"""A predicted gain is good within 15 % of the measured one, or where its interval holds that."""
LEAST_GOOD = 10
"""So many jobs must have a good prediction, or all of them where fewer are tried."""
HEAD = (
    "job", "headline", "mended", "unit", "as it was", "mended (least to most)", "predicted gain",
    "measured gain", "good",
)  # fmt: skip


@dataclass(frozen=True)
class Advice:
    """What came of a job. headline: of the captured run, None without one. settings: of the mended
    runs. before: the job's own measure in the captured run; mended: in each mended run."""

    entry: Entry
    headline: Found | None
    settings: str
    before: float
    mended: tuple[float, ...]

    @property
    def measured(self) -> float:
        """The gain of the median mended run, as a share of the run as it was."""
        return share_gained(self.entry.unit, self.before, statistics.median(self.mended))

    @property
    def predicted(self) -> Gain | None:
        """The headline's gain, None where the headline is another cause or gives no gain."""
        found = self.headline
        return found.gain if found is not None and found.code in self.entry.codes else None

    @property
    def is_good(self) -> bool:
        """Whether the predicted gain is near the measured one, or its interval holds that."""
        gain, measured = self.predicted, self.measured
        if gain is None or gain.unit != self.entry.unit:
            return False
        return gain.low <= measured <= gain.high or is_near(gain.median, measured)


def is_near(predicted: float, measured: float) -> bool:
    """Say whether a predicted gain is within 15 % of the measured one."""
    return abs(predicted - measured) <= NEAR * abs(measured)


def share_gained(unit: str, before: float, after: float) -> float:
    """Return how much better a value is, as a share of the one before; negative is worse.

    More tasks a second are better; less time and a lower percentile are.
    """
    return after / before - 1 if unit == TASKS_PER_S else 1 - after / before


def settings_for(entry: Entry, found: Found | None) -> str:
    """Return the options of the mended job, with the number that the finding advises."""
    if entry.follow is None or found is None:
        return "--mended"
    pattern, option = entry.follow
    number = re.search(pattern, found.change)
    return f"--mended {option} {number[1]}" if number else "--mended"


def row(advice: Advice) -> str:
    """Return a line of the table."""
    entry, gain = advice.entry, advice.predicted
    values = [f"{value:.4g}" for value in sorted(advice.mended)]
    mended = f"{statistics.median(advice.mended):.4g} ({values[0]} to {values[-1]})"
    predicted = "–"
    if gain is not None:
        predicted = f"{_percent(gain.median)} ({_percent(gain.low)} to {_percent(gain.high)})"
        predicted += "" if gain.unit == entry.unit else f" of {gain.unit}"
    said = advice.headline.code if advice.headline else "–"
    good = "yes" if advice.is_good else "no"
    before, measured = f"{advice.before:.4g}", _percent(advice.measured)
    how = advice.settings.replace("--", "").strip()
    return cells(entry.name, said, how, entry.unit, before, mended, predicted, measured, good)


def _percent(share: float) -> str:
    return f"{share * 100:.1f} %".replace("-", "−")


def head() -> str:
    """Return the first two lines of the table."""
    return f"{cells(*HEAD)}\n{'|---' * len(HEAD)}|"


def table(advice: Sequence[Advice]) -> str:
    """Return the table in Markdown, with what it comes to below it."""
    return "\n".join([head(), *map(row, advice), "", *summary(advice), ""])


def summary(advice: Sequence[Advice]) -> Iterator[str]:
    """Yield what the jobs come to."""
    good = sum(one.is_good for one in advice)
    named = [one for one in advice if one.predicted is not None]
    yield f"* The headline is the fault's own code and has a gain: {of(len(named), len(advice))}."
    yield (
        f"* The predicted gain is within {NEAR * 100:.0f} % of the measured one, or the interval "
        f"holds that: {of(good, len(advice))}."
    )


def holds(advice: Sequence[Advice]) -> bool:
    """Say whether enough predictions are good."""
    return sum(one.is_good for one in advice) >= min(LEAST_GOOD, len(advice))
