"""`idlehands whatif`: what changes would gain, as text, Markdown, JSON or HTML."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from ..model import changes as change
from ..model.errors import DONE, NOTHING_TO_WATCH, CommandError
from ..model.whatif import Arrivals
from ..session.captures import new_file
from ..session.opening import what_if
from ..session.targets import is_file
from ..views.sections.head import nothing
from ..views.sections.whatif import whatif
from .output import message, rewrite, write
from .window import cut_of, refuse_for_capture

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

    from ..model.whatif import WhatIfReading

ATTACHED_SECONDS = 10.0
NO_TASKS = "a process without a probe records no tasks; start it with idlehands run"
BAR_CELLS = 30
BAR_SPACING_S = 0.1


def run(options: argparse.Namespace) -> int:
    """Print the answers on stdout, or write the HTML file."""
    question = question_of(options)
    if options.html:
        with new_file(options.html, replace=options.force) as file:
            from ..views.html import page

            found = _asked(options, question)
            file.write(page(found.source.target, whatif(found)).encode())
        return DONE
    found = _asked(options, question)
    if options.json:
        from ..views.whatif_json import render

        write(render(found))
    elif options.markdown:
        from ..views.markdown import page as markdown_page

        write(markdown_page(whatif(found)))
    else:
        from ..views.text import page as text_page

        write(text_page(whatif(found)))
    return DONE


def _asked(options: argparse.Namespace, question: change.Question) -> WhatIfReading:
    """Return the answers. Raises CommandError, status 3, where no pool is found."""
    bar = _Bar()
    seconds = options.seconds or ATTACHED_SECONDS
    refuse_for_capture(options, is_capture=is_file(options.target))
    part = cut_of(options)
    reading, found = what_if(
        options.target, seconds, question, bar.show, past_s=options.past, cut=part
    )
    bar.clear()
    if reading.source.warning:
        message(f"{options.target}: {reading.source.warning}")
    if found is None:
        why = NO_TASKS if reading.source.is_external else nothing(reading)
        raise CommandError(f"{options.target}: {why}", NOTHING_TO_WATCH)
    if not found.whole:
        message("stopped: the answers are of the runs that were made")
    return found


def question_of(options: argparse.Namespace) -> change.Question:
    """Return what the options ask; those that are given together are one change."""
    together = tuple(_changes(options))
    workers: tuple[int, ...] = options.workers or ()
    if len(workers) == 1:
        together, workers = (*together, change.Workers(workers[0])), ()
    return change.Question(
        changes=(together,) if together else (),
        workers=tuple(workers),
        arrivals=Arrivals(options.arrivals) if options.arrivals else None,
        pool=options.pool,
        p95_s=options.want,
        seeds=options.seeds,
    )


def _changes(options: argparse.Namespace) -> Iterator[change.Change]:
    if options.cores is not None:
        yield change.Cores(options.cores)
    if options.no_interpreter_lock:
        yield change.NoInterpreterLock()
    if options.grain is not None:
        yield change.Grain(options.grain)
    yield from (change.KindTime(name, factor) for name, factor in options.kind)
    yield from (change.KindWait(name, factor) for name, factor in options.wait)
    if options.no_lock:
        yield change.SplitLock(0)
    if options.split_lock is not None:
        yield change.SplitLock(options.split_lock)
    flags = {
        "wake_at_once": change.WakeAtOnce,
        "park_when_empty": change.ParkWhenEmpty,
        "even_victims": change.EvenVictims,
        "right_ends": change.RightEnds,
        "one_pool": change.OnePool,
        "hand_in_at_once": change.HandInAtOnce,
        "undisturbed": change.Undisturbed,
        "only_workers": change.OnlyWorkers,
    }
    yield from (made() for name, made in flags.items() if getattr(options, name))
    if options.hand_over is not None:
        yield change.HandOver(options.hand_over)
    if options.hand_in is not None:
        yield change.HandInFaster(options.hand_in)
    if options.in_flight is not None:
        yield change.InFlight(options.in_flight)


class _Bar:
    """A progress bar on standard error, where that is a terminal."""

    def __init__(self) -> None:
        self._shown = 0.0

    def show(self, part: float) -> None:
        now = time.monotonic()
        if now - self._shown >= BAR_SPACING_S:
            self._shown = now
            done = round(part * BAR_CELLS)
            bar = "█" * done + "░" * (BAR_CELLS - done)
            rewrite(f"simulating {bar} {part:4.0%}  ctrl+c answers now")

    def clear(self) -> None:
        if self._shown:
            rewrite("")
