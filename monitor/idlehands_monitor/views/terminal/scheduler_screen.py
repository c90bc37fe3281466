"""The promises of a pool's scheduler and whether it keeps them: a screen over the dashboard.

A cursor moves over the promises; enter opens one on a sheet of its own. In a replay a key goes to
the moments at which that promise was broken.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.console import Group
from rich.padding import Padding
from rich.text import Text
from textual.containers import Vertical, VerticalScroll
from textual.message import Message
from textual.widgets import Static

from ...model.vocabulary import Verdict
from ..foreign_text import clean
from ..palette import VERDICT_COLOURS, VERDICT_MARKS
from ..sections.deques import deques
from ..sections.graph import graph
from ..sections.parking import parking
from ..sections.promises import (
    ages_phrase,
    is_broken,
    judged_by,
    promise_facts,
    timestamps_phrase,
)
from ..sections.queueing import queueing
from ..sections.stealing import stealing_sentences
from ..text import sentence_lines
from .keys import PROMISE_SHEET, PROMISES, bindings
from .sheet import Sheet

if TYPE_CHECKING:
    from textual.app import ComposeResult
    from textual.binding import BindingType

    from ...model.promises import PromiseReading
    from ...model.reading import PoolReading
    from ..sections.facts import Section

INDENT = 11
"""The verdict's evidence is indented under the promise."""


class Jump(Message):
    """Go to the next moment at which a promise was broken, or `step` moments on or back."""

    def __init__(self, code: str, step: int) -> None:
        super().__init__()
        self.code = code
        self.step = step


class SchedulerScreen(Sheet):
    """Promises, work, steals, deques and parking of one pool; escape or s closes."""

    BINDINGS: ClassVar[list[BindingType]] = bindings(PROMISES)

    def __init__(self, *, replay: bool = False) -> None:
        super().__init__()
        self.cursor = 0
        self._replay = replay
        self._pool: PoolReading | None = None
        self._rows: list[Static] = []

    def compose(self) -> ComposeResult:
        """Lay out a title, the promises, and the figures behind them."""
        with VerticalScroll(can_focus=False):
            yield Static(id="title")
            yield Vertical(id="promises")
            yield Static(id="figures")

    def on_mount(self) -> None:
        """Give the list of promises the height that they take."""
        self.query_one("#promises").styles.height = "auto"

    def show(self, pool: PoolReading) -> None:
        """Draw the scheduler of a pool where its figures are new, about once a second."""
        if self._pool is not None and pool.promises is self._pool.promises:
            return
        self._pool = pool
        self.part("title").update(title_text(pool, replay=self._replay))
        shown = shown_promises(pool)
        missing = len(shown) - len(self._rows)
        if missing > 0:
            rows = [Static() for _ in range(missing)]
            self._rows += rows
            self.query_one("#promises").mount(*rows)
        for place, row in enumerate(self._rows):
            row.display = place < len(shown)
        self._draw_promises(pool)
        self.part("figures").update(figures_text(pool))

    def _draw_promises(self, pool: PoolReading) -> None:
        for place, promise in enumerate(shown_promises(pool)):
            chosen = place == self.cursor
            head, *body = promise_text(pool, promise, chosen=chosen).split("\n", allow_blank=True)
            below = Padding(Text("\n").join(body), (0, 0, 0, INDENT))
            self._rows[place].update(Group(head, below))

    @property
    def _chosen(self) -> PromiseReading | None:
        promises = shown_promises(self._pool) if self._pool is not None else ()
        return promises[self.cursor] if self.cursor < len(promises) else None

    def action_move(self, rows: int) -> None:
        """Move the cursor, keeping it in sight; past the last promise the rest scrolls."""
        scroll = self.query_one(VerticalScroll)
        promises = shown_promises(self._pool) if self._pool is not None else ()
        if self._pool is None or not promises:
            scroll.scroll_relative(y=rows, animate=False)
            return
        last = len(promises) - 1
        if self.cursor + rows > last:
            scroll.scroll_end(animate=False)
            return
        self.cursor = max(0, self.cursor + rows)
        self._draw_promises(self._pool)
        if self.cursor == 0:
            scroll.scroll_home(animate=False)
        else:
            scroll.scroll_to_widget(self._rows[self.cursor], animate=False)

    def action_scroll(self, lines: int) -> None:
        """Scroll by some lines, the cursor staying where it is."""
        self.query_one(VerticalScroll).scroll_relative(y=lines, animate=False)

    def action_open(self) -> None:
        """Open the chosen promise."""
        if self._chosen is not None and self._pool is not None:
            sheet = PromiseSheet(self._chosen.code, replay=self._replay)
            self.app.push_screen(sheet)
            self.call_after_refresh(sheet.show, self._pool)

    def action_jump(self, step: int) -> None:
        """Go to a moment at which the chosen promise was broken."""
        if self._chosen is not None:
            self.post_message(Jump(self._chosen.code, step))


class PromiseSheet(Sheet):
    """One promise whole; enter closes it."""

    BINDINGS: ClassVar[list[BindingType]] = bindings(PROMISE_SHEET)

    def __init__(self, code: str, *, replay: bool) -> None:
        super().__init__()
        self.code = code
        self._replay = replay

    def show(self, pool: PoolReading) -> None:
        """Draw the promise as a pool keeps it."""
        found = next((one for one in pool.promises if one.code == self.code), None)
        if found is not None:
            self.part("text").update(opened_promise_text(pool, found, replay=self._replay))

    def action_jump(self, step: int) -> None:
        """Go to a moment at which it was broken."""
        self.post_message(Jump(self.code, step))


def shown_promises(pool: PoolReading) -> tuple[PromiseReading, ...]:
    """Return the promises to show; of a pool with one shared queue only those that apply to it."""
    return tuple(one for one in pool.promises if pool.has_steals or one.verdict != Verdict.UNKNOWN)


def title_text(pool: PoolReading, *, replay: bool) -> Text:
    """Return whose promises these are, and the keys."""
    if not pool.has_steals:
        apart = "Its workers share one queue: no promise about deques and steals applies to it.\n"
        text = Text(f"How tasks flow through {clean(pool.name, 60)}\n", style="bold")
        return text.append(apart, style="not bold")
    text = Text(f"What the scheduler of {clean(pool.name, 60)} promises\n", style="bold")
    jump = " · j goes to a moment at which it was broken" if replay else ""
    return text.append(f"up and down choose one · enter opens it{jump}\n", style="dim not bold")


def promise_text(pool: PoolReading, promise: PromiseReading, *, chosen: bool = False) -> Text:
    """Return a promise with its verdict and evidence, and with more where it is broken."""
    text = Text()
    verdict = promise.verdict
    mark = "reverse" if chosen else ""
    text.append(
        f"{'›' if chosen else ' '}{VERDICT_MARKS[verdict]} {verdict:<8}", VERDICT_COLOURS[verdict]
    )
    text.append(f"{promise.what}\n", style=f"bold {mark}" if is_broken(promise) else mark)
    text.append(judged_by(promise), style="dim")
    if is_broken(promise):
        text.append(f"\n{promise.purpose}")
        first = timestamps_phrase(pool, promise)
        text.append(f"\n{first}" if first else "", style="dim")
    if verdict != Verdict.UNKNOWN:
        text.append(f"\n{promise.source}", style="dim")
    return text


def figures_text(pool: PoolReading) -> Text:
    """Return the figures that the promises stand on."""
    text = Text()
    sections = (queueing(pool), graph(pool.graph), deques(pool), parking(pool))
    before, after = sections[:2], sections[2:]
    figures = [*_lines(before), *stealing_sentences(pool.stealing), *_lines(after)]
    if figures:
        what = "Work, steals, deques and parking" if pool.has_steals else "Queue, work and parking"
        text.append(f"\n{what} in this window\n", style="bold")
        text.append("\n".join(figures))
    return text


def _lines(sections: tuple[Section | None, ...]) -> list[str]:
    shown = (one for one in sections if one is not None)
    return [line for one in shown for line in sentence_lines(one, tables=True)]


def opened_promise_text(pool: PoolReading, promise: PromiseReading, *, replay: bool) -> Text:
    """Return all that is known of one promise."""
    verdict = promise.verdict
    text = Text(f"{promise.what}\n", style="bold")
    text.append(f"{VERDICT_MARKS[verdict]} {verdict}", style=f"not bold {VERDICT_COLOURS[verdict]}")
    text.append(f": {judged_by(promise)}\n\n", style="not bold")
    for name, fact in promise_facts(promise):
        text.append(f"{name}\n", style="bold")
        text.append(f"  {fact}\n", style="not bold")
    ages = ages_phrase(pool, promise)
    if ages:
        text.append("Broken in this window, the earliest first\n", style="bold")
        text.append(f"  {ages}\n", style="not bold")
    if replay:
        text.append("\nj goes to the next moment at which it was broken, b to the one before")
    return text
