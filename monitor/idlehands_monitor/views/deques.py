"""How a pool used its deques and parked, as lines of plain text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .formatting import number_of, seconds

if TYPE_CHECKING:
    from ..model.deques import ContentionReading, EndReading, LengthReading, SizesReading
    from ..model.reading import PoolReading


def deque_lines(pool: PoolReading) -> list[str]:
    """Return what is known of the ends that tasks were taken from, and of their sizes."""
    lines = []
    if pool.ends is not None:
        ends = pool.ends
        lines += [
            _end("Owners took the newest task", ends.own),
            _end("Thieves took the oldest task", ends.stolen),
        ]
        if ends.unplaced:
            lines.append(
                f"  {number_of(ends.unplaced, 'task')} moved between deques, and not judged"
            )
    if pool.sizes is not None:
        lines += _sizes(pool.sizes)
    if pool.contention is not None:
        lines += contention_lines(pool.contention)
    return lines


def contention_lines(met: ContentionReading) -> list[str]:
    """Return how often operations met at a deque's end, and how full it was then."""
    if not met.contended:
        return ["  No operation waited at a deque, and none lost its task to another"]
    share = met.near_empty_share
    near = f"; {share:.0%} of them at a deque of one task or none" if share is not None else ""
    missing = f"; {met.missing} more are not in the record" if met.missing else ""
    meetings, lost = (
        number_of(met.contended, "contended operation"),
        number_of(met.lost, "lost race"),
    )
    lines = [f"  {meetings} at deque ends, {lost}{near}{missing}"]
    if met.median_s is not None and met.p99_s is not None:
        lines.append(
            f"  They waited {seconds(met.waited_s)} in all, median {seconds(met.median_s)}, 99 of "
            f"100 under {seconds(met.p99_s)}"
        )
    by_length = ", ".join(_length(group) for group in met.by_length)
    if by_length:
        lines.append(f"  Contended operations by the number of tasks in the deque: {by_length}")
    return lines


def _length(group: LengthReading) -> str:
    if group.most is None:
        length = f"{group.least} or more"
    else:
        length = str(group.least) if group.least == group.most else f"{group.least}–{group.most}"
    waited = f" ({seconds(group.waited_s)})" if group.waited_s else ""
    return f"{length}: {group.contended}{waited}"


def parking_lines(pool: PoolReading) -> list[str]:
    """Return how workers parked, and what spinning first would have done."""
    parking = pool.parking
    if parking is None:
        return []
    to_work = (
        f"; from a wake to work {seconds(parking.wake_to_work_s)}"
        if parking.wake_to_work_s is not None
        else ""
    )
    lines = [
        f"Parking: {parking.parks / parking.window_s:.1f} parks/s, median "
        f"{seconds(parking.median_s)}, 99 of 100 under {seconds(parking.p99_s)}{to_work} (median); "
        f"{number_of(parking.wakes, 'wake')}, {parking.wasted} of them to no work"
    ]
    best = parking.best
    # Whether to spin before parking is for those to decide who wrote the worker.
    if best is not None and parking.park_cost_s is not None and pool.has_steals:
        spin = f"spinning {seconds(best.spin_s)} first" if best.spin_s else "parking at once"
        saved = f", {seconds(best.saved_s)} less than parking at once" if best.spin_s else ""
        lines.append(
            f"  A park with its wake cost {seconds(parking.park_cost_s)}; {spin} would have been "
            f"the cheapest rule: {seconds(best.cost_s)}{saved}; a worker that knew the length of "
            f"each park in advance would have spent {seconds(parking.clairvoyant_s)}"
        )
    return lines


def _sizes(sizes: SizesReading) -> list[str]:
    medians = (sizes.median_stolen, sizes.median_local)
    stolen, local = (f"{m:.0f}" if sizes.by_hint else seconds(m) for m in medians)
    lines = [
        f"  Of a stolen task and one from the own deque the stolen one was larger in "
        f"{sizes.superiority:.0%} of all pairs; median "
        f"{'size' if sizes.by_hint else 'time with all that came from it'} {stolen} stolen, "
        f"{local} from the own deque"
    ]
    if sizes.depth is not None:
        depth = sizes.depth
        lines.append(
            f"  Generations below a root (medians): {depth.median_stolen:.0f} stolen, "
            f"{depth.median_local:.0f} from the own deque; the stolen one was deeper in "
            f"{depth.superiority:.0%} of all pairs"
        )
    if sizes.steals:
        lines.append(
            f"  A stolen task took {seconds(sizes.own_s)}; with all tasks that came from it "
            f"{seconds(sizes.subtree_s)} (medians of {number_of(sizes.steals, 'steal')})"
        )
    return lines


def _end(what: str, end: EndReading) -> str:
    away = f", median {end.rank:.0f} places from it" if end.at_end < end.with_choice else ""
    ambiguous = f"; {end.ambiguous} of {end.takes} takes came too close to others to tell"
    return (
        f"  {what} in {end.at_end} of {end.with_choice} takes with a choice{away}"
        f"{ambiguous if end.ambiguous else ''}"
    )
