"""What a change would gain, on a sheet over the dashboard: the answers and the curve of a pool.

The sheet asks its session for the answers and looks four times a second how far they are. It never
waits for them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Protocol

from textual.containers import VerticalScroll
from textual.geometry import Region

from ...session.whatif import State
from .keys import WHAT_IF, bindings
from .rows_view import RowsView
from .sheet import Sheet
from .whatif_rows import Asked, Room, sheet_rows

if TYPE_CHECKING:
    from textual.app import ComposeResult
    from textual.binding import BindingType

    from ...model.reading import PoolReading
    from ...model.whatif import WhatIfReading

LOOK_SECONDS = 0.25
KEYS_BELOW = "up and down choose · tab next pool · r simulates again · esc closes"


class WhatIf(Protocol):
    """What the sheet needs of its session. No call of it may take long."""

    @property
    def state(self) -> State:
        """How far the answers are."""

    @property
    def progress(self) -> float:
        """The share of the simulated runs that have been made, 0 to 1."""

    @property
    def reading(self) -> WhatIfReading | None:
        """The last answers, None before the first."""

    @property
    def refusal(self) -> str:
        """Why the question was refused, "" otherwise."""

    def look(self) -> object:
        """Take in how far the answers are now."""

    def ask(self) -> None:
        """Begin to simulate all changes, with all that has been recorded until now."""

    def cancel(self) -> None:
        """Stop simulating, soon."""


class WhatIfSheet(Sheet):
    """The answers for one pool after the other; escape or i closes and stops simulating.

    pool: the name of the pool to begin with.
    """

    DEFAULT_CSS = """
    WhatIfSheet > VerticalScroll {
        max-width: 200; scrollbar-size: 1 1; scrollbar-gutter: stable;
    }
    """
    BINDINGS: ClassVar[list[BindingType]] = bindings(WHAT_IF)

    def __init__(self, what_if: WhatIf, pool: str = "") -> None:
        super().__init__()
        self.place = 0
        self.cursor = 0
        self._what_if = what_if
        self._pool_name = pool
        self._view = RowsView()
        self._chosen = range(0)
        self._drawn: tuple[Asked, int, int, Room] | None = None

    def compose(self) -> ComposeResult:
        """Lay out one list of rows that scrolls."""
        with VerticalScroll(can_focus=False) as frame:
            frame.border_subtitle = KEYS_BELOW
            yield self._view

    def on_mount(self) -> None:
        """Ask: answers that are there may be of a moment long past."""
        self.action_again()
        self.set_interval(LOOK_SECONDS, self._draw)
        self.call_after_refresh(self._draw)

    def on_resize(self) -> None:
        """Fit the rows to the new size, once that is known."""
        self.call_after_refresh(self._draw)

    def show(self, pool: PoolReading) -> None:
        """Leave the answers as they are: they are not of the present window."""

    def _draw(self) -> None:
        self._what_if.look()
        asked = self._asked()
        self._find_pool(asked.reading)
        room = Room(self._view.size.width, self.app.size.height)
        wanted = asked, self.place, self.cursor, room
        if room.cells > 0 and wanted != self._drawn:
            self._drawn = wanted
            shown = sheet_rows(*wanted)
            self._chosen = shown.chosen
            self._view.show(shown.rows)

    def _asked(self) -> Asked:
        held = self._what_if
        return Asked(held.state, held.progress, held.reading, held.refusal)

    def _find_pool(self, reading: WhatIfReading | None) -> None:
        """Begin with the pool of the dashboard, once the answers are there."""
        if reading is None or not self._pool_name:
            return
        names = [pool.name for pool in reading.pools]
        self.place = names.index(self._pool_name) if self._pool_name in names else 0
        self._pool_name = ""

    @property
    def _answers(self) -> int:
        reading = self._what_if.reading
        pools = reading.pools if reading is not None else ()
        pool = pools[self.place % len(pools)] if pools else None
        return len(pool.answers) if pool is not None and not pool.refused else 0

    def action_move(self, rows: int) -> None:
        """Choose another answer, keeping it in sight; past the last one the rest scrolls."""
        scroll = self.query_one(VerticalScroll)
        last = self._answers - 1
        if last < 0 or (rows > 0 and self.cursor >= last):
            scroll.scroll_relative(y=rows, animate=False)
            return
        self.cursor = max(0, min(last, self.cursor + rows))
        self._draw()
        if self.cursor == 0:
            scroll.scroll_home(animate=False)
        else:
            region = Region(0, self._chosen.start, 1, len(self._chosen))
            scroll.scroll_to_region(region, animate=False)

    def action_scroll(self, lines: int) -> None:
        """Scroll by some lines, the chosen answer staying the same."""
        self.query_one(VerticalScroll).scroll_relative(y=lines, animate=False)

    def action_turn(self, pools: int) -> None:
        """Show another pool, from its best answer on."""
        reading = self._what_if.reading
        if reading is not None and reading.pools:
            self.place = (self.place + pools) % len(reading.pools)
            self.cursor = 0
            self._draw()
            self.query_one(VerticalScroll).scroll_home(animate=False)

    def action_again(self) -> None:
        """Simulate again, unless that is under way."""
        if self._what_if.state != State.RUNNING:
            self._what_if.ask()
            self._draw()

    def action_close(self) -> None:
        """Go back to the dashboard; what nobody looks at is not simulated."""
        if self._what_if.state == State.RUNNING:
            self._what_if.cancel()
        super().action_close()
