"""A pool's steal attempts: totals, victims, thieves, net flow, and attempts over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.stealing import largest_flows
from ...model.vocabulary import Verdict
from ..formatting import bars, count, number_of, seconds, share
from .facts import Column, Section, Sentence, Table, Tone, plain
from .matrix import matrix

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.reading import PoolReading
    from ...model.stealing import StealingReading, StealReading, StealTimeline, VictimChoice

VERDICTS = {
    Verdict.KEPT: "even",
    Verdict.BROKEN: "uneven",
    Verdict.UNKNOWN: "too few steal attempts to say",
}
MOST_FLOWS = 5
TABLE_NOTE = (
    "attempts for each hit: measured / with victims chosen at random; next task: median time from "
    "an empty deque to the next task; net: tasks given less tasks taken"
)


def steals(pool: PoolReading, most_groups: int) -> Section | None:
    """Return the matrix of a pool with its totals: steals, or hand-overs where the pool does not
    steal. None where that says nothing."""
    held = matrix(pool, most_groups)
    if held is None:
        return None
    if not pool.has_steals:
        return Section("Hand-overs", "who handed in the tasks that each worker ran", (held,))
    sentences = plain(*stealing_sentences(pool.stealing))
    return Section("Steals", attempts_line(pool.steals), (*sentences, held))


def thieves(pool: PoolReading) -> Section | None:
    """Return each worker as a thief and as a victim; None where nobody tried to steal."""
    if pool.stealing is None or not has_attempts(pool.stealing):
        return None
    return Section(
        "Thieves and victims",
        parts=(thieves_table(pool.stealing), Sentence(TABLE_NOTE, Tone.NOTE)),
    )


def has_attempts(stealing: StealingReading) -> bool:
    """Return whether anybody tried to steal."""
    return any(thief.attempts for thief in stealing.by_thief)


def attempts_line(held: StealReading) -> str:
    """Return how steal attempts ended."""
    attempts = number_of(held.attempts_total, "steal attempt")
    return (
        f"{number_of(held.hits_total, 'hit')} in {attempts}, "
        f"{held.empties_total} found an empty deque, {held.lost_races_total} lost the race for "
        f"the task"
    )


def stealing_sentences(stealing: StealingReading | None) -> list[str]:
    """Return how hard it was to find work, how thieves choose victims, net flow, and a timeline."""
    if stealing is None or not has_attempts(stealing):
        return []
    lines = summary_lines(stealing)
    flows = flow_phrases(stealing, MOST_FLOWS)
    if flows:
        lines.append(f"Net flow of tasks, the largest first: {', '.join(flows)}")
    return lines + timeline_line(stealing.timeline)


def summary_lines(stealing: StealingReading) -> list[str]:
    """Return how hard it was to find work, who gave most and how thieves choose victims."""
    return [*_finding_work(stealing), f"Choice of victims: {_choice(stealing.choice)}"]


def _finding_work(stealing: StealingReading) -> list[str]:
    parts = []
    if stealing.attempts_per_hit is not None:
        random = stealing.attempts_at_random
        against = f" ({random:.1f} with victims chosen at random)" if random is not None else ""
        parts.append(
            f"{stealing.attempts_per_hit:.1f} attempts for each hit{against}, as if on average "
            f"{stealing.with_work:.1f} of the {len(stealing.by_thief) - 1} other deques held work"
        )
    delay = stealing.to_next_task
    if delay.median_s is not None and delay.high_s is not None:
        parts.append(
            f"from an empty deque to the next task: median {seconds(delay.median_s)}, "
            f"90 of 100 within {seconds(delay.high_s)}"
        )
    lines = ["; ".join(parts)] if parts else []
    if stealing.feeders:
        fed = ", ".join(f"{worker.worker} ({worker.net_given})" for worker in stealing.feeders)
        lines.append(f"Workers that gave more tasks than they took, the most first: {fed}")
    return lines


def flow_phrases(stealing: StealingReading, most: int) -> list[str]:
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

THIEF_COLUMNS = (
    "worker",
    "attempts",
    "hits",
    "attempts for each hit",
    "next task",
    "attempts at it",
    "gave",
    "net",
)


def thieves_table(stealing: StealingReading) -> Table:
    """Return one row a worker: its attempts and hits as a thief and as a victim."""
    rows = tuple(
        (
            str(thief.worker),
            count(thief.attempts),
            count(thief.hits),
            _against(thief.attempts_per_hit, thief.attempts_at_random),
            "–" if thief.to_next_task.median_s is None else seconds(thief.to_next_task.median_s),
            count(victim.attempts),
            count(victim.hits),
            _signed(victim.net_given),
        )
        for thief, victim in zip(stealing.by_thief, stealing.by_victim, strict=True)
    )
    return Table(tuple(Column(name, to_right=True) for name in THIEF_COLUMNS), rows)


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
    """Return the share of attempts that were hits in each slice, None for a slice without any."""
    return [
        hits / attempts if attempts and hits is not None else None
        for attempts, hits in zip(timeline.attempts, timeline.hits, strict=True)
    ]


def timeline_line(timeline: StealTimeline) -> list[str]:
    """Return the attempts over time as one line; none where fewer than two slices are known."""
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
