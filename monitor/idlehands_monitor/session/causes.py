"""From a reading to the causes that it names: changes are simulated, and their gains decide."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..analysis.asking import by_shares, with_causes
from ..analysis.whatif.planning import WhatIfError
from ..model.changes import Question
from ..model.vocabulary import StreamState
from .whatif import NICENESS, State, WhatIf, answered

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..ledger import Ledger
    from ..model.reading import Reading
    from ..model.whatif import WhatIfPool

SEEDS, TASKS, SECONDS = 4, 3_000, 2.0
"""Simulated runs for a change, tasks in each, and how long runs are begun: enough to tell what
gains most, and short enough for everybody who explains a capture."""


def named(ledger: Ledger, reading: Reading) -> Reading:
    """Return the reading with causes for findings; as it is where nothing can be simulated."""
    if not reading.pools:
        return reading
    question = Question(seeds=SEEDS, most_tasks=TASKS)
    try:
        found = answered(ledger, reading, question, lambda _: None, seconds=SECONDS)
    except WhatIfError:
        return reading
    return with_causes(reading, found.pools)


FIRST_SECONDS = 3.0
"""So long after the first reading its causes are looked for: then there is something to go by."""
SPACINGS = (5.0, 10.0, 20.0, 30.0)
"""Then after so many seconds, and on at the last of them: each search takes about a second of a
core, in a process that gives way to the job. Only until there is a first answer it does not: beside
a job that keeps all cores busy it would take minutes."""
LIVE = Question(seeds=2, most_tasks=1_500)


class Causes:
    """The causes that live readings name: looked for now and then, in a process of its own.

    A headline that two searches in a row do not agree on stays as it was: it must not flap. Only a
    cause in the place of "nothing to gain" is shown at once. When a job has ended, the whole of it
    is searched once more, and that counts.
    """

    def __init__(self, search: WhatIf, monotonic: Callable[[], float]) -> None:
        self._search, self._monotonic = search, monotonic
        self._begun = 0
        self._next: float | None = None
        self._shown: tuple[WhatIfPool, ...] = ()
        self._doubted = False
        self._ends: tuple[int, ...] = ()

    def of(self, reading: Reading) -> Reading:
        """Return a reading with the causes found last; begin to look for them when it is time."""
        now = self._monotonic()
        if self._next is None:
            self._next = now + FIRST_SECONDS
        if self._is_searching():
            if self._search.look() and not self._is_searching():
                self._take(reading)
        elif (now >= self._next or _has_ended(reading)) and self._has_gone_on(reading):
            self._search.ask(LIVE, reading, niceness=NICENESS if self._shown else 0)
            spacing = SPACINGS[min(self._begun, len(SPACINGS) - 1)]
            self._begun, self._next = self._begun + 1, now + spacing
        return self._named(reading, self._shown)

    def _has_gone_on(self, reading: Reading) -> bool:
        """Return whether there is anything new to judge: not where a job or a replay has ended."""
        ends = tuple(pool.end_ns for pool in reading.pools)
        before, self._ends = self._ends, ends
        return ends != before

    def _is_searching(self) -> bool:
        return self._search.state is State.RUNNING

    def _take(self, reading: Reading) -> None:
        found = self._search.reading.pools if self._search.reading is not None else ()
        before, after = (
            _headline(self._named(reading, answers)) for answers in (self._shown, found)
        )
        is_other = before != after and not _has_ended(reading)
        if before and is_other and not self._doubted and (self._shown or not after):
            self._doubted = True
            return
        self._shown, self._doubted = found, False

    @staticmethod
    def _named(reading: Reading, answers: tuple[WhatIfPool, ...]) -> Reading:
        return with_causes(reading, answers) if answers else by_shares(reading)

    def close(self) -> None:
        """End a search that is under way."""
        self._search.cancel()


def _has_ended(reading: Reading) -> bool:
    return reading.source.state is StreamState.ENDED


def _headline(reading: Reading) -> str:
    return reading.headline[1].code if reading.headline is not None else ""
