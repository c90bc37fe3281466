"""Where a replay can go: a line to type a time or a mark on, and the list of what was found.

The line has the keys; up, down and the page keys choose in the list. The marks come first, the rest
once the capture has been read; what is typed leads somewhere before that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.containers import VerticalScroll
from textual.geometry import Region
from textual.message import Message
from textual.widgets import Input

from ..foreign_text import clean
from ..formatting import number_of
from ..times import local_time, second
from .drawing import fit
from .keys import PLACES, bindings
from .rows_view import RowsView
from .sheet import Sheet
from .strips import style

if TYPE_CHECKING:
    from textual.app import ComposeResult
    from textual.binding import BindingType

    from ...model.reading import PoolReading
    from ...model.run_clock import RunClock
    from ...session.places import Place, Places
    from .strips import Run

TITLE = "Go to"
HINT = "a second of the run (12.5s), a local time (14:03:05), or the note of a mark"
KEYS_BELOW = "enter goes there · up and down choose · esc closes"
READING = "reading the capture for findings and broken promises"
NOTHING = "no mark, no finding and no broken promise in this capture"
CHOSEN = style(reverse=True)
SECOND_CELLS, LOCAL_CELLS, KIND_CELLS = 11, 15, 16


class GoTo(Message):
    """Go to a place, or to what a person typed."""

    def __init__(self, where: Place | str) -> None:
        super().__init__()
        self.where = where


class PlacesSheet(Sheet):
    """The places of a capture; enter goes to the chosen one, or to what is typed."""

    DEFAULT_CSS = """
    PlacesSheet Input { padding: 0; background: $surface; }
    PlacesSheet RowsView { margin: 1 0 0 0; }
    """
    BINDINGS: ClassVar[list[BindingType]] = bindings(PLACES)

    def __init__(self) -> None:
        super().__init__()
        self.cursor = 0
        self._places: Places | None = None
        self._whole = False
        self._view = RowsView()

    def compose(self) -> ComposeResult:
        """Lay out the line above the list."""
        with VerticalScroll(can_focus=False) as frame:
            frame.border_title = TITLE
            frame.border_subtitle = KEYS_BELOW
            yield Input(placeholder=HINT, compact=True, id="where")
            yield self._view

    def on_mount(self) -> None:
        """Give the line the keys."""
        self.query_one(Input).focus()
        self.call_after_refresh(self._draw)

    def on_resize(self) -> None:
        """Fit the rows to the new size, once that is known."""
        self.call_after_refresh(self._draw)

    def show(self, pool: PoolReading) -> None:
        """Leave the list as it is: it is of the whole capture."""

    def show_places(self, places: Places, *, whole: bool) -> None:
        """Draw the list; the chosen place stays chosen. whole: whether no more will come."""
        chosen = self._every[self.cursor] if self._every else None
        self._places, self._whole = places, whole
        self.cursor = self._every.index(chosen) if chosen in self._every else 0
        self._draw()

    @property
    def _every(self) -> tuple[Place, ...]:
        return self._places.every if self._places is not None else ()

    def _draw(self) -> None:
        cells = self._view.size.width
        if cells > 0:
            self._view.show(place_rows(self._places, self._whole, self.cursor, cells))

    def action_move(self, rows: int) -> None:
        """Choose another place, keeping it in sight."""
        last = len(self._every) - 1
        self.cursor = max(0, min(last, self.cursor + rows))
        self._draw()
        scroll = self.query_one(VerticalScroll)
        if self.cursor == 0:
            scroll.scroll_home(animate=False)
        else:
            region = Region(0, self._view.virtual_region.y + self.cursor, 1, 1)
            scroll.scroll_to_region(region, animate=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Go to what was typed; to the chosen place where nothing was."""
        if event.value.strip():
            self.post_message(GoTo(event.value.strip()))
        elif self._every:
            self.post_message(GoTo(self._every[self.cursor]))


def place_rows(places: Places | None, whole: bool, cursor: int, cells: int) -> list[list[Run]]:
    """Return a row a place, and one that says whether there are none or more will come."""
    every = places.every if places is not None else ()
    clock = places.clock if places is not None else None
    rows: list[list[Run]] = [
        [(fit(place_text(place, clock), cells), CHOSEN if row == cursor else None)]
        for row, place in enumerate(every)
    ]
    if not whole or not every:
        rows.append([(fit(NOTHING if whole else READING, cells), style(dim=True))])
    return rows


def place_text(place: Place, clock: RunClock | None) -> str:
    """Return when a place is, of what kind it is, and what is there."""
    at = second(clock, place.at_ns, 2) if clock is not None else ""
    local = local_time(clock, place.at_ns) if clock is not None else ""
    what = clean(place.what)
    if place.kind == "finding":
        until = f" until {second(clock, place.until_ns)}" if clock is not None else ""
        what = f"{place.code}{until}: {what}"
    elif place.times > 1:
        what = f"{what}, {number_of(place.times, 'time')}"
    return f"{at:>{SECOND_CELLS}}  {local:<{LOCAL_CELLS}}  {place.kind:<{KIND_CELLS}}{what}"
