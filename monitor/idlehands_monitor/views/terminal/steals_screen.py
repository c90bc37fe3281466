"""The steals of a pool on the whole screen: a large matrix, totals, net flow, attempts over
time."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.containers import Horizontal, VerticalScroll
from textual.screen import Screen
from textual.widgets import Static

from ..formatting import NONE_HERE, bars, count, seconds
from ..sections.stealing import (
    attempts_line,
    flow_phrases,
    hit_shares,
    rates,
    summary_lines,
    thieves_table,
)
from .header import WhoLine
from .keys import STEALS, bindings
from .matrix import MatrixView
from .window_line import WindowLine

if TYPE_CHECKING:
    from textual.app import ComposeResult
    from textual.binding import BindingType

    from ...model.reading import PoolReading, Reading
    from ...model.stealing import StealingReading, StealTimeline

MOST_FLOWS = 24
LABEL_CELLS = 15
WIDEST_BAR = 6
COLUMN_CELLS = (4, 7, 7, 10, 8, 7, 6, 7)
"""The widths of the columns of `thieves_table`; its heads are too long here and are shortened
below."""
HEADS = (
    f"{'':>6}{'as a thief':<30}{'as a victim':<20}",
    f"{'':>4}{'tried':>7}{'hits':>7}{'a hit':>10}{'next':>8}{'tried':>7}{'gave':>6}{'net':>7}",
)
TABLE_NOTES = (
    "tried: steal attempts · a hit: attempts for each hit, / with victims chosen at random · "
    "next: from an empty deque to the next task, median · net: tasks given less tasks taken"
)
NARROW = 100
"""In fewer cells, totals and time stand below the matrix and scroll."""
NO_STEALS = (
    "Nothing is stolen here: the workers share one queue. The matrix shows who handed in the tasks "
    "that each worker ran."
)


class StealsScreen(Screen[None]):
    """Everything about the steals of one pool; escape or t goes back to the dashboard."""

    DEFAULT_CSS = """
    StealsScreen { layout: vertical; }
    StealsScreen #upper { height: 1fr; padding: 0 0 0 1; }
    StealsScreen MatrixView { width: 1fr; scrollbar-size: 1 1; margin: 0 1 0 0; }
    StealsScreen VerticalScroll { width: 59; scrollbar-size: 1 1; }
    StealsScreen #totals { height: auto; }
    StealsScreen #timeline { height: 6; padding: 0 1; }
    StealsScreen.narrow #upper { layout: vertical; }
    StealsScreen.narrow MatrixView { width: 100%; height: 60%; }
    StealsScreen.narrow VerticalScroll { width: 100%; height: 1fr; }
    StealsScreen.narrow #timeline { display: none; }
    StealsScreen #bottom { height: 1; color: $text-muted; padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = bindings(STEALS)

    def __init__(self, like: MatrixView) -> None:
        super().__init__()
        self._who = WhoLine()
        self._window = WindowLine()
        self.matrix = MatrixView()
        self.matrix.style_as(like)
        self._drawn: StealingReading | None = None

    def compose(self) -> ComposeResult:
        """Lay out the matrix beside the totals, time below them."""
        yield self._who
        yield self._window
        with Horizontal(id="upper"):
            yield self.matrix
            with VerticalScroll():
                yield Static(id="totals", markup=False)
        yield Static(id="timeline", markup=False)
        yield Static(id="bottom", markup=False)

    def on_mount(self) -> None:
        """Give the matrix the keys."""
        self.matrix.focus()

    def show(self, reading: Reading, pool: PoolReading | None, hint: Text, *, paused: bool) -> None:
        """Draw a reading; totals and time only where they are new, about once a second."""
        self._who.show(reading, pool, paused=paused)
        self._window.show(reading)
        self.matrix.show(pool)
        self.query_one("#bottom", Static).update(hint, layout=False)
        if pool is None or (pool.stealing is self._drawn and self._drawn is not None):
            return
        self._drawn = pool.stealing
        over_time = timeline_text(pool.stealing, self.size.width - 3)
        totals = totals_text(pool)
        if self.has_class("narrow"):
            totals = Text("\n").join((over_time, totals))
        self.query_one("#totals", Static).update(totals)
        self.query_one("#timeline", Static).update(over_time, layout=False)

    def on_resize(self) -> None:
        """Lay out for the width there is; the next reading is drawn anew."""
        self.set_class(self.size.width < NARROW, "narrow")
        self._drawn = None

    def action_close(self) -> None:
        """Go back to the dashboard."""
        self.dismiss()


def totals_text(pool: PoolReading) -> Text:
    """Return how steal attempts ended, each worker as thief and victim, and who feeds whom."""
    stealing = pool.stealing
    if stealing is None:
        return Text(NO_STEALS)
    text = Text()
    text.append(f"{attempts_line(pool.steals)}\n")
    for line in summary_lines(stealing):
        text.append(f"{line}\n")
    text.append(f"\n{HEADS[0]}\n{HEADS[1]}\n", style="bold")
    text.append("\n".join(worker_rows(stealing)))
    text.append(f"\n{TABLE_NOTES}\n", style="dim")
    flows = flow_phrases(stealing, MOST_FLOWS)
    text.append("\nNet flow: tasks given less tasks taken back, largest first\n", style="bold")
    text.append("   ".join(flows) if flows else "no worker gave more tasks than it got back")
    return text


def timeline_text(stealing: StealingReading | None, cells: int) -> Text:
    """Return the steal attempts over time with their title and axis."""
    if stealing is None:
        return Text()
    text = Text(f"{timeline_title(stealing.timeline)}\n", style="dim")
    for row in timeline_rows(stealing.timeline, cells):
        text.append(f"{row}\n", style="not dim")
    return text


def worker_rows(stealing: StealingReading) -> list[str]:
    """Return one row a worker: its attempts and hits as a thief and as a victim."""
    return [
        "".join(f"{cell:>{cells}}" for cell, cells in zip(row, COLUMN_CELLS, strict=True))
        for row in thieves_table(stealing).rows
    ]


def timeline_title(timeline: StealTimeline) -> str:
    """Return what the rows over time show."""
    return f"over time, {seconds(timeline.slice_s)} a bar · {NONE_HERE}: none · blank: not known"


def timeline_rows(timeline: StealTimeline, cells: int) -> list[str]:
    """Return attempts, hits, the share of hits and lost races over time, a row each, and the
    axis."""
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
