"""Going through a replay: what its keys ask of the session, and what is drawn when that is done.

The base of the dashboard, which draws.
"""

from __future__ import annotations

import asyncio
from abc import abstractmethod
from typing import TYPE_CHECKING

from textual.app import App

from ...session.jumps import ONLY_REPLAYS
from .places_sheet import GoTo, PlacesSheet
from .sheet import Sheet

if TYPE_CHECKING:
    from collections.abc import Coroutine

    from ...model.reading import PoolReading, Reading
    from ...session.places import Place
    from ...session.session import Session
    from .scheduler_screen import Jump


class ReplayApp(App[None]):
    """An app over a session. Its reading that was drawn last is `_last`."""

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self._pool_place = 0
        self._last: Reading | None = None
        self._asked: set[asyncio.Task[None]] = set()

    @abstractmethod
    def _draw(self, reading: Reading) -> None:
        """Draw a reading."""

    @property
    @abstractmethod
    def pool(self) -> PoolReading | None:
        """The pool that is shown."""

    def _ask(self, answer: Coroutine[None, None, None]) -> None:
        """Have the session do what takes a while; the screen and the keys go on meanwhile."""
        task = asyncio.create_task(answer)
        self._asked.add(task)
        task.add_done_callback(self._asked.discard)

    def on_jump(self, event: Jump) -> None:
        """Go to a moment at which a promise was broken."""
        self._ask(self._jump(event.code, event.step))

    def action_jump(self, step: int) -> None:
        """Go to the next moment at which the last chosen promise was broken, or to the one
        before."""
        self._ask(self._jump("", step))

    async def _jump(self, code: str, step: int) -> None:
        if await self.session.jump(code, step, self.pool):
            self._arrive()

    def _arrive(self, pool: int = -1) -> None:
        """Show what a capture held at a moment, without the sheets that were open.

        pool: the number of the pool to show, -1 for the one that is shown.
        """
        while isinstance(self.screen, Sheet):
            self.pop_screen()
        reading = self.session.reading()
        numbers = [one.number for one in reading.pools]
        if pool in numbers:
            self._pool_place = numbers.index(pool)
        self._draw(reading)

    def action_step(self, seconds: int) -> None:
        """Go some seconds on in a replay, or back."""
        self._ask(self._step(seconds))

    async def _step(self, seconds: int) -> None:
        if await self.session.step(seconds, self.pool):
            self._draw(self.session.reading())

    def action_speed(self, factor: float) -> None:
        """Play a replay so many times as fast."""
        self.session.change_speed(factor)

    def action_places(self) -> None:
        """Show where a replay can go."""
        if not self.session.is_replay:
            self.session.say(ONLY_REPLAYS)
        elif not isinstance(self.screen, PlacesSheet):
            sheet = PlacesSheet()
            self.push_screen(sheet)
            self._ask(self._find_places(sheet))

    async def _find_places(self, sheet: PlacesSheet) -> None:
        sheet.show_places(await self.session.marks(), whole=False)
        sheet.show_places(await self.session.places(), whole=True)

    def on_go_to(self, event: GoTo) -> None:
        """Go where a person wants to."""
        self._ask(self._go_to(event.where))

    async def _go_to(self, where: Place | str) -> None:
        if await self.session.go_to(where, self.pool):
            self._arrive(-1 if isinstance(where, str) else where.pool)
