"""The dashboard: one session on one screen.

The dashboard draws the reading of its session and hands keys on to the session. A tick takes in
what has come, makes a reading and gives it to the parts. The next tick is set only when this one is
on the terminal, and late enough that ticks take no more than a fixed share of the time. So a slow
terminal gets fewer frames, and keys still answer.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, ClassVar

from ..grid import grid_of
from .keys import EVERYWHERE, bindings
from .keys_sheet import KeysSheet
from .line_view import BlankScreen
from .lower_line import (
    HINTS,
    HINTS_MATRIX,
    HINTS_QUEUE,
    HINTS_REPLAY,
    HINTS_STEALS,
    lower_line,
)
from .mark_sheet import MarkSheet
from .parts import Parts
from .replay_app import ReplayApp
from .scheduler_screen import PromiseSheet, SchedulerScreen
from .sheet import Sheet
from .steals_screen import StealsScreen
from .strips import SafeText
from .whatif_sheet import WhatIfSheet
from .worker_screen import ExternalWorkerScreen, WorkerScreen

if TYPE_CHECKING:
    from rich.text import Text
    from textual.app import ComposeResult
    from textual.binding import BindingType
    from textual.events import Resize

    from ...model.reading import PoolReading, Reading
    from ...session.session import Session
    from .external import ExternalView
    from .workers import WorkersView

NOTHING_TO_SIMULATE = "no task has been recorded that could be simulated"
NOTHING_TO_TELL_APART = "nothing is stolen here, and every task was handed in from outside the pool"
TICK_SECONDS = 0.25
SLOWEST_TICK_SECONDS = 1.0
LEAST_REST = 6.0
"""A tick that took t seconds is followed by at least this many t of rest: drawing a very large pool
takes a seventh of a core at most, in fewer frames."""


class Dashboard(ReplayApp):
    """The dashboard of one session; ends by itself after `seconds`, if given."""

    TITLE = "idlehands"
    ENABLE_COMMAND_PALETTE = False
    CSS = Parts.CSS
    BINDINGS: ClassVar[list[BindingType]] = bindings(EVERYWHERE)

    def __init__(self, session: Session, seconds: float | None = None) -> None:
        super().__init__(session)
        self.parts = Parts()
        self._seconds = seconds
        self._steals: StealsScreen | None = None
        self._filters.append(SafeText())
        session.on_change = self._draw_again

    def get_default_screen(self) -> BlankScreen:
        """Return the screen of the dashboard."""
        return BlankScreen(id="_default")

    def compose(self) -> ComposeResult:
        """Lay the screen out, top down."""
        yield from self.parts.top_down()

    def on_mount(self) -> None:
        """Begin ticking."""
        self.parts.workers.focus()
        few_colours = self.console.color_system in ("standard", None)
        matrix = self.parts.matrix
        matrix.dense = few_colours or bool(os.environ.get("NO_COLOR"))
        matrix.numbers = not matrix.dense
        if self._seconds is not None:
            self.set_timer(self._seconds, self.exit)
        self._tick()

    def on_unmount(self) -> None:
        """Wait for nothing that is still being read."""
        self.session.stop()

    def on_resize(self, _event: Resize) -> None:
        """Fit the parts to the new size, once the screen has it."""
        self.call_after_refresh(self._draw_again)

    def _tick(self) -> None:
        if not self.parts.hints.is_attached:
            return  # the screen is being taken down
        began = self.session.machine.monotonic()
        self.session.update()
        if not self.session.is_paused:
            self._draw(self._read())
        self.call_after_refresh(self._rest, began)

    def _read(self) -> Reading:
        """Return a reading; all that the open screens show of it is fresh."""
        judged = (SchedulerScreen, PromiseSheet, StealsScreen)
        return self.session.reading(fresh=any(isinstance(s, judged) for s in self.screen_stack))

    def _rest(self, began: float) -> None:
        took = self.session.machine.monotonic() - began
        rest = max(TICK_SECONDS - took, LEAST_REST * took)
        self.set_timer(min(SLOWEST_TICK_SECONDS, rest), self._tick)

    def _draw(self, reading: Reading) -> None:
        self._last = reading
        if reading.source.is_external and not reading.pools:
            self._draw_external(reading)
            return
        pool, paused = self._pool(reading), self.session.is_paused
        with self.batch_update():
            if self._steals is not None:  # it covers the dashboard, which is drawn when it closes
                self._steals.show(reading, pool, self._bottom(reading), paused=paused)
            else:
                self.parts.show(reading, pool, self.size, paused=paused)
                self.parts.hint(self._bottom(reading))
        for screen in self.screen_stack:
            if isinstance(screen, Sheet) and pool is not None:
                screen.show(pool)

    def _draw_external(self, reading: Reading) -> None:
        pools = reading.external
        pool = pools[self._pool_place % len(pools)] if pools else None
        with self.batch_update():
            self.parts.show_external(reading, pool, paused=self.session.is_paused)
            self.parts.hint(self._bottom(reading))
        for screen in self.screen_stack:
            if isinstance(screen, ExternalWorkerScreen) and pool is not None:
                screen.show_external(pool)

    def _draw_again(self) -> None:
        if self._last is not None:
            self._draw(self._last)

    @property
    def pool(self) -> PoolReading | None:
        """The pool that is shown."""
        return self._pool(self._last) if self._last is not None else None

    def _pool(self, reading: Reading) -> PoolReading | None:
        return reading.pools[self._pool_place % len(reading.pools)] if reading.pools else None

    def _bottom(self, reading: Reading) -> Text:
        hints = HINTS_STEALS if self._steals is not None else HINTS
        if self._steals is None and self.parts.matrix.has_focus:
            hints = HINTS_MATRIX
        elif self._steals is None and self.session.is_replay:
            hints = HINTS_REPLAY
        elif self._steals is None and self.pool is not None and not self.pool.has_steals:
            hints = HINTS_QUEUE
        return lower_line(reading, self.session.notices, hints, self.size.width - 2)

    def action_pause(self) -> None:
        """Hold the screen still, or let it go on. A live stream is taken in meanwhile."""
        self.session.pause()
        if self._last is not None:  # read fresh, for every screen that is opened meanwhile
            self._draw(self.session.reading())

    def action_capture(self) -> None:
        """Begin a capture with the recent past in it, or end the one that is open."""
        self._ask(self.session.toggle_capture())

    def action_next_pool(self) -> None:
        """Show the process's next pool."""
        self._pool_place += 1
        self._draw_again()

    def action_scheduler(self) -> None:
        """Show what the pool's scheduler promises and whether it keeps that."""
        sheet, pool = SchedulerScreen(replay=self.session.is_replay), self.pool
        if pool is not None and not isinstance(self.screen, SchedulerScreen):
            self.push_screen(sheet)
            self.call_after_refresh(sheet.show, pool)

    def action_what_if(self) -> None:
        """Show what each change would gain."""
        if self.pool is None:
            self.session.say(NOTHING_TO_SIMULATE)
        elif not isinstance(self.screen, WhatIfSheet):
            self.push_screen(WhatIfSheet(self.session.what_if, self.pool.name))

    def action_keys(self) -> None:
        """Show what each key does."""
        if not isinstance(self.screen, KeysSheet):
            self.push_screen(KeysSheet())

    def action_steals(self) -> None:
        """Show the steals on the whole screen."""
        if self._last is None or self.pool is None or self._steals is not None:
            return
        if not self.pool.has_steals and not grid_of(self.pool).says_more_than_totals:
            self.session.say(NOTHING_TO_TELL_APART)
            return
        self._steals = screen = StealsScreen(self.parts.matrix)
        self.push_screen(screen, self._steals_closed)
        self.call_after_refresh(self._draw, self._last)

    def _steals_closed(self, _result: None) -> None:
        """Give the dashboard's matrix the style that it had on the whole screen."""
        if self._steals is not None:
            self.parts.matrix.style_as(self._steals.matrix)
        self._steals = None
        self._draw_again()

    def on_matrix_view_changed(self) -> None:
        """Show the keys of the matrix, and give the matrix the room that it needs now."""
        self._draw_again()

    def action_mark(self) -> None:
        """Set a mark at this moment, with the note that the person then writes."""
        at_ns = self.session.now_ns
        if self.session.can_mark() and not isinstance(self.screen, MarkSheet):

            def noted(note: str | None) -> None:
                if note is not None:
                    self.session.mark(note, at_ns)

            self.push_screen(MarkSheet(), noted)

    def on_workers_view_opened(self, event: WorkersView.Opened) -> None:
        """Open the chosen worker."""
        reading = self._last
        if reading is None:
            return
        pool = self._pool(reading)
        own = pool.workers[event.index].pid if pool and event.index < len(pool.workers) else -1
        pid = own if own > 0 else reading.source.pid
        pid = pid if reading.source.state.is_running else -1
        screen = WorkerScreen(event.index, pid, self.session.stack)
        self.push_screen(screen)
        if pool is not None:
            self.call_after_refresh(screen.show, pool)

    def on_external_view_opened(self, event: ExternalView.Opened) -> None:
        """Open the chosen worker of a process without a probe."""
        if self._last is None:
            return
        pid = event.worker.pid if self._last.source.state.is_running else -1
        self.push_screen(ExternalWorkerScreen(event.worker.native_id, pid, self.session.stack))
        self.call_after_refresh(self._draw, self._last)
