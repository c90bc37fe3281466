"""What a pool's looks come to, in lines of plain text for `explain`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .words import seconds

if TYPE_CHECKING:
    from ..analysis.evenness import VictimChoice
    from ..analysis.steals import StealingReading

VERDICTS = {"kept": "even", "broken": "uneven", "unknown": "too few looks to say"}


def stealing_lines(stealing: StealingReading | None) -> list[str]:
    """Return who fed whom, how hard work was to find and how victims are chosen."""
    if stealing is None or not any(thief.looks for thief in stealing.by_thief):
        return []
    return [*_finding_work(stealing), f"  Choice of victims: {_choice(stealing.choice)}"]


def _finding_work(stealing: StealingReading) -> list[str]:
    parts = []
    if stealing.looks_per_hit is not None:
        parts.append(
            f"{stealing.looks_per_hit:.1f} looks a task, as at random with "
            f"{stealing.with_work:.1f} of {len(stealing.by_thief) - 1} others having work"
        )
    dry = stealing.to_next_task
    if dry.median_s is not None and dry.high_s is not None:
        parts.append(
            f"from going empty to the next task {seconds(dry.median_s)} in the median, "
            f"{seconds(dry.high_s)} at the 90 % quantile"
        )
    lines = [f"  {'; '.join(parts)}"] if parts else []
    if stealing.feeders:
        fed = ", ".join(f"{worker.worker} ({worker.net_given})" for worker in stealing.feeders)
        lines.append(f"  Workers that gave most more than they took: {fed}")
    return lines


def _choice(choice: VictimChoice) -> str:
    verdict = VERDICTS[choice.verdict]
    if not choice.thieves:
        return verdict
    named = f", {choice.pattern}" if choice.pattern else ""
    return f"{verdict}{named} (effect size {choice.effect:.2f} from {choice.looks} looks)"
