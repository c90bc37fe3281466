"""Time splits as SVG: one bar, a column for each slice of time, and a lane for each worker.

Bars and columns are in shares of their picture's width and height, so that they fit any screen
while patterns keep their size.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .axis import axis_svg
from .marked import marked, number
from .styles import class_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..sections.facts import Bar, Course, Lane, Lanes

LEAST_SHARE = 0.002
"""Less than half a pixel of a column, and two of a wide bar: nobody would see it."""
OVERLAP = 0.15
"""Per cent by which a column reaches under the next one, so that no ground shows between them."""
LANE_WIDTH, LANE_HEIGHT = 600, 20


def bar_svg(bar: Bar, *, is_named: bool = True) -> str:
    """Return a time split as one bar. is_named: it has a name, because no numbers are beside it."""
    parts, left = [], 0.0
    for one in bar.slices:
        if one.share >= LEAST_SHARE:
            inside = f">{_told(one.label)}</rect>" if is_named else "/>"
            parts.append(
                f'<rect class="{class_of(one.category)}" x="{number(100 * left)}%" '
                f'width="{number(100 * one.share)}%"{inside}'
            )
        left += one.share
    name = ", ".join(one.label for one in bar.slices)
    named = f'role="img" aria-label="{marked(name)}"' if is_named else 'aria-hidden="true"'
    return f'<svg class="bar" {named}>{"".join(parts)}</svg>'


def _told(text: str) -> str:
    return f"<title>{marked(text)}</title>"


def course_svg(course: Course, name: str) -> str:
    """Return the time split over time: a column for each slice, the first category at the top."""
    width = 100 / len(course.bars)
    columns = []
    for place, (bar, time) in enumerate(zip(course.bars, course.times, strict=True)):
        text = ", ".join(one.label for one in bar.slices if one.share >= LEAST_SHARE)
        columns.append(
            f'<svg x="{number(place * width)}%" width="{number(width + OVERLAP)}%">'
            f"{_told(f'{time}: {text}')}{''.join(_stacked(bar))}</svg>"
        )
    return (
        f'<svg class="course" role="img" aria-label="{marked(name)}" '
        f'shape-rendering="crispEdges">{"".join(columns)}</svg>{axis_svg(course.marks)}'
    )


def _stacked(bar: Bar) -> Iterator[str]:
    top = 0.0
    for one in bar.slices:
        if one.share >= LEAST_SHARE:
            yield (
                f'<rect class="{class_of(one.category)}" y="{number(100 * top)}%" '
                f'height="{number(100 * one.share)}%"/>'
            )
        top += one.share


def lanes_svg(lanes: Lanes, name: str) -> str:
    """Return a lane for each worker with its number before it, one below the other."""
    rows = "".join(f"<span>{marked(lane.name)}</span>{_lane(lanes, lane)}" for lane in lanes.lanes)
    axis = f"<span></span><div>{axis_svg(lanes.marks)}</div>"
    return f'<div class="lanes" role="group" aria-label="{marked(name)}">{rows}{axis}</div>'


def _lane(lanes: Lanes, lane: Lane) -> str:
    paths: list[list[str]] = [[] for _ in lanes.categories]
    edges = [round(LANE_WIDTH * edge) for edge in lanes.edges]
    for left, right, shares in zip(edges, edges[1:], lane.shares, strict=False):
        top = 0
        for path, share, bottom in zip(paths, shares, _bottoms(shares), strict=False):
            if share > 0 and bottom > top:
                path.append(f"M{left} {top}V{bottom}H{right}V{top}Z")
            top = max(top, bottom)
    drawn = "".join(
        f'<path class="{class_of(category)}" d="{"".join(path)}"/>'
        for category, path in zip(lanes.categories, paths, strict=True)
        if path
    )
    return (
        f'<svg class="lane" viewBox="0 0 {LANE_WIDTH} {LANE_HEIGHT}" preserveAspectRatio="none" '
        f'role="img">{_told(lane.label)}{drawn}</svg>'
    )


def _bottoms(shares: tuple[float, ...]) -> list[int]:
    """Return where each category ends, from the top of the lane."""
    bottoms, so_far = [], 0.0
    for share in shares:
        so_far += share
        bottoms.append(round(LANE_HEIGHT * so_far))
    return bottoms
