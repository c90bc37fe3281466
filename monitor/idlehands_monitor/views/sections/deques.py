"""How a pool used its deques: the ends that tasks were taken from, their sizes, contention."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..formatting import number_of, seconds
from .facts import Section, plain

if TYPE_CHECKING:
    from ...model.deques import (
        ContentionReading,
        EndReading,
        EndsReading,
        LengthReading,
        SizesReading,
    )
    from ...model.reading import PoolReading


def deques(pool: PoolReading) -> Section | None:
    """Return what is known of a pool's deques; None where nothing is."""
    lines = [
        *(_ends(pool.ends) if pool.ends is not None else []),
        *(_sizes(pool.sizes) if pool.sizes is not None else []),
        *(_contention(pool.contention) if pool.contention is not None else []),
    ]
    return Section("Deques", parts=plain(*lines)) if lines else None


def _ends(ends: EndsReading) -> list[str]:
    lines = [
        _end("Owners took the newest task", ends.own),
        _end("Thieves took the oldest task", ends.stolen),
    ]
    if ends.unplaced:
        lines.append(f"{number_of(ends.unplaced, 'task')} moved between deques, and not judged")
    return lines


def _end(what: str, end: EndReading) -> str:
    away = f", median {end.rank:.0f} places from it" if end.at_end < end.with_choice else ""
    ambiguous = f"; {end.ambiguous} of {end.takes} takes came too close to others to tell"
    return (
        f"{what} in {end.at_end} of {end.with_choice} takes with a choice{away}"
        f"{ambiguous if end.ambiguous else ''}"
    )


def _sizes(sizes: SizesReading) -> list[str]:
    medians = (sizes.median_stolen, sizes.median_local)
    stolen, local = (f"{m:.0f}" if sizes.by_hint else seconds(m) for m in medians)
    lines = [
        f"Of a stolen task and one from the own deque the stolen one was larger in "
        f"{sizes.superiority:.0%} of all pairs; median "
        f"{'size' if sizes.by_hint else 'time with all that came from it'} {stolen} stolen, "
        f"{local} from the own deque"
    ]
    if sizes.depth is not None:
        depth = sizes.depth
        lines.append(
            f"Generations below a root (medians): {depth.median_stolen:.0f} stolen, "
            f"{depth.median_local:.0f} from the own deque; the stolen one was deeper in "
            f"{depth.superiority:.0%} of all pairs"
        )
    if sizes.steals:
        lines.append(
            f"A stolen task took {seconds(sizes.own_s)}; with all tasks that came from it "
            f"{seconds(sizes.subtree_s)} (medians of {number_of(sizes.steals, 'steal')})"
        )
    return lines


def _contention(held: ContentionReading) -> list[str]:
    """Return how often operations contended for a deque's end, and how full it was then."""
    if not held.contended:
        return ["No operation waited at a deque, and none lost its task to another"]
    share = held.near_empty_share
    near = f"; {share:.0%} of them at a deque of one task or none" if share is not None else ""
    missing = f"; {held.missing} more are not in the record" if held.missing else ""
    contended = number_of(held.contended, "contended operation")
    lines = [f"{contended} at deque ends, {number_of(held.lost, 'lost race')}{near}{missing}"]
    if held.median_s is not None and held.p99_s is not None:
        lines.append(
            f"They waited {seconds(held.waited_s)} in all, median {seconds(held.median_s)}, 99 of "
            f"100 under {seconds(held.p99_s)}"
        )
    by_length = ", ".join(_length(group) for group in held.by_length)
    if by_length:
        lines.append(f"Contended operations by the number of tasks in the deque: {by_length}")
    return lines


def _length(group: LengthReading) -> str:
    if group.most is None:
        length = f"{group.least} or more"
    else:
        length = str(group.least) if group.least == group.most else f"{group.least}–{group.most}"
    waited = f" ({seconds(group.waited_s)})" if group.waited_s else ""
    return f"{length}: {group.contended}{waited}"
