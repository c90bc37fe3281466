"""The top of the screen: who is watched, where the worker time went, the headline."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from textual.geometry import Size
from textual.strip import Strip

from ...model.external import ExternalPoolReading
from ...model.findings import LEAST_SHARE
from ...model.vocabulary import Category, FindingCode, StreamState
from ..foreign_text import clean
from ..formatting import (
    amount,
    category_name,
    count,
    maybe,
    number_of,
    seconds,
    share,
    shortened,
    without_main,
)
from ..palette import TIME_STYLES, Style
from ..sections.external import dumps_text, origin
from ..sections.findings import gain_text
from ..sections.host import cores_phrase
from ..sections.places import place_phrase
from ..sections.tasks import failed_phrase, moved_phrase
from .drawing import fit
from .line_view import FewLines, LineView
from .room import HEADLINE, headline_lines
from .strips import RICH_STYLES, Run, bar_runs, style

if TYPE_CHECKING:
    from ...model.findings import Finding
    from ...model.reading import PoolReading, Reading
    from ...model.shares import SharesOfTime

STATE_STYLES = {
    StreamState.CONNECTING: Style("◌", "#E69F00"),
    StreamState.LIVE: Style("●", "#009E73"),
    StreamState.STALLED: Style("◐", "#E69F00"),
    StreamState.ENDED: Style("■", "#D55E00"),
    StreamState.REPLAY: Style("▶", "#56B4E9"),
}
IN_SHORT = ("sampled, not recorded", "no task counts, waits or steals")
SEE_STACK = " Enter on a worker shows where it waits."


def who(reading: Reading, pool: PoolReading | ExternalPoolReading | None) -> list[str]:
    """Return the facts of the first line, most important first."""
    source = reading.source
    facts = [shortened(clean(pool.name if pool else source.target), 40) + _which(reading, pool)]
    if pool is not None:
        facts.append(number_of(len(pool.workers), "worker"))
    pid = pool.pid if pool is not None and pool.pid >= 0 else source.pid
    if pid >= 0:
        several = len(source.processes)
        facts.append(f"process {pid}" + (f" of {several}" if several > 1 else ""))
    cores = cores_phrase(reading)
    if cores:
        facts.append(cores)
    if source.uptime_s:
        facts.append(f"up {seconds(source.uptime_s)}")
    if source.probe_cost is not None:
        facts.append(f"probe costs {source.probe_cost:.1%}")
    if source.python:
        facts.append(f"Python {clean(source.python, 20)}")
    if pool is not None and pool.kind:
        facts.append(clean(pool.kind, 30))
    return facts


def _which(reading: Reading, pool: PoolReading | ExternalPoolReading | None) -> str:
    """Return the place of a pool among several, in the order of the key that goes through them."""
    pools = reading.pools or reading.external
    places = [place for place, one in enumerate(pools, 1) if one is pool]
    return f" ({places[0]} of {len(pools)})" if places and len(pools) > 1 else ""


def flow(pool: PoolReading | ExternalPoolReading) -> list[str]:
    """Return the facts of the second line: what goes through the pool."""
    if isinstance(pool, ExternalPoolReading):
        what, without = IN_SHORT
        return [what, dumps_text(pool), without, clean(origin(pool))]
    rate = pool.tasks.per_s
    facts = [f"{count(rate)} tasks/s", f"{count(pool.tasks.queued)} queued"]
    if pool.broken:
        facts.insert(0, "the pool is broken")
    if pool.tasks.failed:
        facts.append(failed_phrase(pool.tasks))
    if pool.tasks.moved:
        facts.append(moved_phrase(pool.tasks.moved))
    if pool.lifetimes is not None and pool.lifetimes.died:
        facts.append(f"{number_of(pool.lifetimes.died, 'worker')} died")
    if pool.lost_rows:
        facts.append(f"{number_of(pool.lost_rows, 'row')} lost")
    if pool.detail:
        facts.append(f"recording {pool.detail}")
    waited = blocked_phrase(pool)
    if waited:
        facts.append(waited)
    if pool.inbox >= 0 and pool.has_steals:  # else the inbox is the queue
        facts.append(f"{count(pool.inbox)} in the inbox")
    facts.append(f"median wait in the queue {maybe(pool.tasks.median_queue_wait_s)}")
    if pool.has_steals and pool.window_s:
        facts.append(f"{count(pool.steals.hits_total / pool.window_s)} steals/s")
    return facts


def blocked_phrase(pool: PoolReading) -> str:
    """Return what most of the blocked time waited for, empty where little was blocked."""
    total = max(1, pool.time.total)
    if pool.blocked is None or pool.time.blocked * 20 < total:
        return ""
    sorts = {"in joins": pool.blocked.join_s, "in declared waits": pool.blocked.declared_s}
    sorts.update((f"by {clean(wait.sort, 30)}", wait.seconds) for wait in pool.blocked.waits)
    sorts["by an unknown cause"] = pool.blocked.unsplit_s
    most = max(sorts, key=sorts.__getitem__)
    return f"blocked {most} for {share(sorts[most] * 1e9 / total)} of worker time"


def join_fitting(facts: list[str], cells: int) -> str:
    """Join facts with dots, leaving out those that do not fit in `cells` beside earlier ones."""
    text = facts[0] if facts else ""
    for fact in facts[1:]:
        if len(text) + len(fact) + 3 <= cells:
            text += f" · {fact}"
    return fit(text, cells)


class WhoLine(FewLines):
    """Two lines: who is watched and in what state, and what flows through the pool."""

    DEFAULT_CSS = "WhoLine { height: 2; }"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._reading: Reading | None = None
        self._pool: PoolReading | ExternalPoolReading | None = None
        self._paused = False

    def show(
        self, reading: Reading, pool: PoolReading | ExternalPoolReading | None, *, paused: bool
    ) -> None:
        """Draw a reading."""
        self._reading, self._pool, self._paused = reading, pool, paused
        self.draw()

    def rows(self, cells: int) -> list[list[Run]]:
        """Return who is watched, and how tasks flow."""
        if self._reading is None:
            return []
        if self._pool is None:
            second = fit(clean(self._reading.source.note), cells)
        else:
            second = " " + join_fitting(flow(self._pool), cells - 1)
        return [self._first(self._reading, cells), [(second, None)]]

    def _first(self, reading: Reading, cells: int) -> list[Run]:
        state = reading.source.state
        label = f" {STATE_STYLES[state].glyph} {state}{', paused' if self._paused else ''} "
        facts = who(reading, self._pool)
        room = cells - len(label) - 1
        return [
            (" " + join_fitting(facts, room), style(bold=True)),
            (label, style("#000000", STATE_STYLES[state].colour, bold=True)),
        ]


class TimeBar(FewLines):
    """One stacked line that adds up to all worker time, and its legend below it."""

    DEFAULT_CSS = "TimeBar { height: 3; }"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._pool: PoolReading | None = None

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool."""
        self._pool = pool
        self.draw()

    def rows(self, cells: int) -> list[list[Run]]:
        """Return the bar, then the legend on two lines."""
        if self._pool is None:
            return []
        bar: list[Run] = [(" ", None), *bar_runs(self._pool.time, cells - 2)]
        return [bar, *legend_rows(self._pool.time, cells)]


def legend_rows(time: SharesOfTime, cells: int) -> list[list[Run]]:
    """Return the legend of a bar: all categories on one row where they fit, else on two."""
    items = [
        (part.category, f"{category_name(part.category)} {amount(part):>4}") for part in time.shares
    ]
    fits = sum(len(text) + 5 for _, text in items) < cells
    per_row = max(1, len(items) if fits else -(-len(items) // 2))
    rows = [items[start : start + per_row] for start in range(0, len(items), per_row)]
    widths = [
        max(len(row[place][1]) for row in rows if place < len(row)) for place in range(per_row)
    ]
    spare = max(1, min(6, (cells - 1 - sum(widths) - 2 * per_row) // per_row))
    return [
        [(" ", None)]
        + [
            run
            for (category, text), width in zip(row, widths, strict=False)
            for run in (
                (TIME_STYLES[category].glyph, RICH_STYLES[category]),
                (" " + fit(text, width + spare), None),
            )
        ]
        for row in rows
    ]


def headline_text(
    pool: PoolReading | None, note: str, *, is_running: bool = False
) -> tuple[str, str]:
    """Return (the sentence, what to try) for the headline."""
    if pool is None:
        return note or "Waiting for the first figures.", ""
    finding: Finding | None = pool.headline
    if finding is None:
        if pool.window_s < 1:
            return "Too little has been recorded yet to say what costs most.", ""
        return pool.health or _nothing_found(pool), ""
    found = clean(place_phrase(finding), 400)
    asked = is_running and not found and finding.code == FindingCode.BLOCKED_IN_TASK
    stack = SEE_STACK if asked else ""
    place = f" ({shortened(clean(finding.where), 40)})" if finding.where and not found else ""
    gain = gain_text(finding)
    advice = f"Try: {finding.advice}{'' if finding.advice.endswith('.') else '.'}{stack}"
    sentence = f"{finding.code}: {finding.sentence}{place}"
    if found:
        sentence = f"{sentence}{'' if sentence.endswith('.') else '.'} {found}"
    # Where there is little room, what it brings is worth more than all of the advice.
    what = f"{gain}. {advice}" if finding.gain is not None else f"{advice} {gain}".strip()
    return without_main(sentence), without_main(what)


def _nothing_found(pool: PoolReading) -> str:
    """Say that there is no finding, and what takes the time all the same."""
    other = [one for one in pool.time.shares if one.category is not Category.WORKING]
    most = max(other, key=lambda one: one.value)
    if most.value < LEAST_SHARE:
        return "No finding: nothing but work takes more than 5 %."
    return (
        f"No cause is known yet; beside work, {category_name(most.category)} takes most: "
        f"{share(most.value)} of the worker time."
    )


def wrap(text: str, cells: int) -> list[str]:
    """Break text into lines of at most `cells`, between words and not inside them."""
    return textwrap.wrap(text, max(1, cells), break_on_hyphens=False)


class Headline(LineView):
    """The costliest finding, a sentence and what to try; what does not fit ends in dots.

    lines: its height. It grows with its text where the screen has room, and shrinks again only with
    another screen, so that what is below does not move to and fro.
    """

    DEFAULT_CSS = f"Headline {{ height: {HEADLINE}; }}"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._text = ("", "")
        self._screen = Size(0, 0)
        self._lines: list[Run] = []
        self.lines = HEADLINE

    def show(
        self, pool: PoolReading | None, note: str, screen: Size, *, is_running: bool = False
    ) -> None:
        """Draw the headline of a pool, or the source's note where there is none."""
        text = headline_text(pool, note, is_running=is_running)
        if (text, screen) == (self._text, self._screen):
            return
        before = self.lines if screen == self._screen else HEADLINE
        self._text, self._screen = text, screen
        self._lines = wrapped(*text, screen.width)
        most = headline_lines(screen.height, len(pool.workers) if pool is not None else 0)
        self.lines = max(before, min(most, len(self._lines)))
        if self.styles.height is None or self.styles.height.value != self.lines:
            self.styles.height = self.lines
        self.refresh()

    def draw_line(self, y: int, cells: int) -> Strip:
        """Draw line `y` of the wrapped text."""
        height = self.size.height
        runs = self._lines[y : y + 1]
        if runs and y == height - 1 and len(self._lines) > height:
            runs = [(f"{text[: cells - 3]} …", look) for text, look in runs]
        return self.line(runs, cells)


def wrapped(sentence: str, advice: str, cells: int) -> list[Run]:
    """Return the lines of a headline in a screen of so many cells."""
    bold = style(bold=True)
    lines: list[Run] = [(f" {text}", bold) for text in wrap(sentence, cells - 2)]
    return lines + [(f" {text}", None) for text in wrap(advice, cells - 2)]
