"""What a pool's looks come to, in lines of plain text: for `explain` and for the steals screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model.stealing import largest_flows
from .formatting import count, number_of, seconds, share
from .palette import SPARK

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..model.stealing import StealingReading, StealReading, StealTimeline, VictimChoice

VERDICTS = {"kept": "even", "broken": "uneven", "unknown": "too few steal attempts to say"}
NONE_HERE = "_"
"""The bar of nothing; what is not known is blank."""
MOST_FLOWS = 5
LABEL_CELLS = 15
WIDEST_BAR = 6


def attempts_line(steals: StealReading) -> str:
    """Return how looks ended."""
    attempts = number_of(steals.attempts_total, "steal attempt")
    return (
        f"{number_of(steals.hits_total, 'hit')} in {attempts}, "
        f"{steals.empties_total} found an empty deque, {steals.lost_races_total} lost the race for "
        f"the task"
    )


def stealing_lines(stealing: StealingReading | None) -> list[str]:
    """Return who fed whom, how hard work was to find and how victims are chosen."""
    if stealing is None or not any(thief.attempts for thief in stealing.by_thief):
        return []
    lines = summary_lines(stealing)
    flows = flow_words(stealing, MOST_FLOWS)
    if flows:
        lines.append(f"  Net flow of tasks, the largest first: {', '.join(flows)}")
    return [*lines, *(f"  {line}" for line in timeline_line(stealing.timeline))]


def summary_lines(stealing: StealingReading) -> list[str]:
    """Return how hard work was to find, who gave most and how victims are chosen."""
    return [*_finding_work(stealing), f"  Choice of victims: {_choice(stealing.choice)}"]


def _finding_work(stealing: StealingReading) -> list[str]:
    parts = []
    if stealing.attempts_per_hit is not None:
        random = stealing.attempts_at_random
        against = f" ({random:.1f} with victims chosen at random)" if random is not None else ""
        parts.append(
            f"{stealing.attempts_per_hit:.1f} attempts for each hit{against}, as if "
            f"{stealing.with_work:.1f} of {len(stealing.by_thief) - 1} others had work"
        )
    dry = stealing.to_next_task
    if dry.median_s is not None and dry.high_s is not None:
        parts.append(
            f"from an empty deque to the next task: median {seconds(dry.median_s)}, "
            f"90 of 100 within {seconds(dry.high_s)}"
        )
    lines = [f"  {'; '.join(parts)}"] if parts else []
    if stealing.feeders:
        fed = ", ".join(f"{worker.worker} ({worker.net_given})" for worker in stealing.feeders)
        lines.append(f"  Workers that gave more tasks than they took, the most first: {fed}")
    return lines


def flow_words(stealing: StealingReading, most: int) -> list[str]:
    """Return who fed whom, net, the largest flows first."""
    flows = largest_flows(stealing.net_flow, most)
    return [f"{flow.giver} → {flow.taker}: {flow.tasks}" for flow in flows]


def _choice(choice: VictimChoice) -> str:
    verdict = VERDICTS[choice.verdict]
    if not choice.thieves:
        return verdict
    named = f", {choice.pattern}" if choice.pattern else ""
    attempts = number_of(choice.attempts, "steal attempt")
    return f"{verdict}{named} (effect size {choice.effect:.2f} from {attempts})"


# -- each worker as a thief and as a victim ------------------------------------------------------

HEADS = (
    f"{'':>6}{'as a thief':<30}{'as a victim':<20}",
    f"{'':>4}{'tried':>7}{'hits':>7}{'a hit':>10}{'next':>8}{'tried':>7}{'gave':>6}{'net':>7}",
)
TABLE_NOTES = (
    "tried: steal attempts · a hit: attempts for each hit, / with victims chosen at random · "
    "next: from an empty deque to the next task, median · net: tasks given less tasks taken"
)


def worker_rows(stealing: StealingReading) -> list[str]:
    """Return one row a worker: its looks and hits as a thief and as a victim."""
    rows = []
    for thief, victim in zip(stealing.by_thief, stealing.by_victim, strict=True):
        dry = thief.to_next_task.median_s
        rows.append(
            f"{thief.worker:>4}{count(thief.attempts):>7}{count(thief.hits):>7}"
            f"{_against(thief.attempts_per_hit, thief.attempts_at_random):>10}"
            f"{'–' if dry is None else seconds(dry):>8}"
            f"{count(victim.attempts):>7}{count(victim.hits):>6}{_signed(victim.net_given):>7}"
        )
    return rows


def _against(attempts: float | None, random: float | None) -> str:
    return "/".join(
        "–" if value is None else f"{value:.1f}" if value < 10 else count(value)
        for value in (attempts, random)
    )


def _signed(value: int) -> str:
    return f"{'−' if value < 0 else '+' if value > 0 else ''}{count(abs(value))}"


# -- over time -----------------------------------------------------------------------------------


def rates(counts: Sequence[int | None], counted_s: Sequence[float]) -> list[float | None]:
    """Return counts per second, None where a slice is blank."""
    return [
        None if number is None or not spent else number / spent
        for number, spent in zip(counts, counted_s, strict=True)
    ]


def hit_shares(timeline: StealTimeline) -> list[float | None]:
    """Return the share of looks that took a task, None where there was no look or it is blank."""
    return [
        hits / attempts if attempts and hits is not None else None
        for attempts, hits in zip(timeline.attempts, timeline.hits, strict=True)
    ]


def bars(values: Sequence[float | None], largest: float, width: int = 1) -> str:
    """Return values up to `largest` as bars of `width` cells: `_` for 0, blank where not known."""
    glyphs = []
    for value in values:
        if value is None:
            glyphs.append(" ")
        elif value <= 0 or largest <= 0:
            glyphs.append(NONE_HERE)
        else:
            glyphs.append(SPARK[max(1, min(8, round(8 * value / largest)))])
    return "".join(glyph * width for glyph in glyphs)


def timeline_line(timeline: StealTimeline) -> list[str]:
    """Return the looks over time as one line; none where fewer than two slices are known."""
    attempts = rates(timeline.attempts, timeline.counted_s)
    known = [value for value in attempts if value is not None]
    if len(known) < 2:
        return []
    shares = [value for value in hit_shares(timeline) if value is not None]
    hits = f"; {share(min(shares))} to {share(max(shares))} of them were hits" if shares else ""
    return [
        f"Steal attempts over time, {seconds(timeline.slice_s)} a bar: "
        f"{bars(attempts, max(known))} up to {count(max(known))}/s{hits}"
    ]


def timeline_rows(timeline: StealTimeline, cells: int) -> list[str]:
    """Return looks, hits, their share and lost races over time, a row each, and the time axis."""
    slices = max(1, len(timeline.attempts))
    width = max(1, min(WIDEST_BAR, (cells - LABEL_CELLS - 12) // slices))
    found = []
    for name, counts in (
        ("attempts", timeline.attempts),
        ("hits", timeline.hits),
        ("lost races", timeline.lost_races),
    ):
        values = rates(counts, timeline.counted_s)
        most = max((value for value in values if value is not None), default=0.0)
        found.append(f"{name:<{LABEL_CELLS}}{bars(values, most, width)} up to {count(most)}/s")
    shares = bars(hit_shares(timeline), 1.0, width)
    found.insert(2, f"{'share of hits':<{LABEL_CELLS}}{shares} of 100 %")
    begin = f"−{seconds(timeline.edges_s[-1])}"
    end = "end".rjust(max(4, slices * width - len(begin)))
    return [*found, f"{'from and to':<{LABEL_CELLS}}{begin}{end}"]


def timeline_title(timeline: StealTimeline) -> str:
    """Return what the rows over time show."""
    return f"over time, {seconds(timeline.slice_s)} a bar · {NONE_HERE}: none · blank: not known"
