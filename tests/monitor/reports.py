"""Readings that fill every section of a report, and the text that a person reads in a rendered
one."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
from markdown_it import MarkdownIt
from readings import reading
from test_external import shown
from test_queue_screen import one_queue
from whatifs import curve

from idlehands_monitor.model.blocked import BlockedReading, WaitReading
from idlehands_monitor.model.deques import (
    ContentionReading,
    DepthReading,
    EndReading,
    EndsReading,
    LengthReading,
    SizesReading,
)
from idlehands_monitor.model.graph import (
    CriticalReading,
    GraphReading,
    KindSlackReading,
    SerialReading,
    StealBoundReading,
    StretchReading,
)
from idlehands_monitor.model.host import HostReading
from idlehands_monitor.model.lengths import LengthsReading, PoolLengths
from idlehands_monitor.model.parking import ParkingReading, SpinReading
from idlehands_monitor.model.places import PlaceReading, PlaceShareReading, PlacesReading
from idlehands_monitor.model.queueing import BalanceReading, QueueingReading
from idlehands_monitor.model.reading import StrandedReading
from idlehands_monitor.model.run_clock import MarkReading, RunClock
from idlehands_monitor.model.source import SkippedReading, TotalsReading
from idlehands_monitor.model.vocabulary import CoreTimeSource, GraphGap, Verdict
from idlehands_monitor.model.worker_time import WorkerSlices, WorkerTime
from idlehands_monitor.model.workers import DeadWorkerReading, LifetimesReading
from idlehands_monitor.views.foreign_text import safe_line
from idlehands_monitor.views.sections.facts import Matrix, Picture, Sentence, Table

CLOCK = RunClock(0, 1_700_000_000_000_000_000, 3600, "CET")
MARKS = (MarkReading(2_000_000_000, "deploy begins"),)
SKIPPED = (SkippedReading("rows", "a time before the pool began", 12),)
SPINS = (SpinReading(0.0002, 1, 0.1, 0.4, 0.6, 1),)
PARKING = ParkingReading(10.0, 40, 40, 0.1, 0.2, 0.3, 38, 2, 0.001, 0.002, 0.001, SPINS, 0.2)
DEPTH = DepthReading(60, 70, 3, 5, 0.3, 0.02)
LONGER = (LengthReading(2, None, 4, 1, 0.1),)
BOUND = StealBoundReading(60, 30, 0.001, 3, 12, 5)
CRITICAL = CriticalReading(
    2,
    2,
    (StretchReading(3, "glaze", 0.0, 0.5), StretchReading(4, "fire", 0.5, 1.5)),
    (
        KindSlackReading("fire", 4, 6.0, 1.5, 0.75, 0.0, 0.25),
        KindSlackReading("glaze", 5, 2.0, 0.5, 0.25, 0.0, 1.0),
    ),
    (1.0, 4.0, 7.0, 4.0),
    SerialReading(0.5, 0.25, 0.5, 0.0, "glaze"),
)
HOST = HostReading(
    4711, 10.0, 2**27, 1e6, 60.0, True, 10.0, 1.0, 100.0, 20.0, 2, 1.5, 1.5, 0.25, 0.4, 1.0
)


LENGTHS = LengthsReading(
    (0.001, 0.00158, 0.00251, 0.00398, 0.00631, 0.01), (3, 0, 12, 40, 2), 4e-3, 8e-3
)
ONE_LENGTH = LengthsReading((1.0, 1.58), (1,), 1.2, 1.2)


def slices_of(slices, workers):
    """Return slices in which workers work and have no work in turn, the last one of none."""
    by_category = np.zeros((slices, 8, workers), dtype=np.int64)
    by_category[:, 0] = 10**8 * (1 + np.arange(slices))[:, None]
    by_category[:, 7] = 10**9 - by_category[:, 0]
    by_category[-1] = 0
    return WorkerSlices(by_category)


PLACES = PlacesReading(
    8,
    20,
    2.4,
    (
        PlaceShareReading(
            PlaceReading("draw", "/home/me/well.py", 13),
            PlaceReading("Condition.wait", "/usr/lib/python3.11/threading.py", 355),
            "glaze",
            15,
            0.75,
            0.4,
            0.93,
        ),
        PlaceShareReading(None, None, "fire", 5, 0.25, 0.07, 0.6),
    ),
    (PlaceShareReading(PlaceReading("pour", "well.py", 9), None, "the main thread", 8, 1, 0.7, 1),),
    "not just one thread was further on",
)


def stealing():
    """Return a pool that steals, of which everything is known and part of it was lost."""
    base = reading(
        skipped=SKIPPED,
        warning="the last block is incomplete",
        note="at the end of the capture",
        clock=CLOCK,
        only_totals=TotalsReading(
            *(1000 * 10**9, 1754 * 10**9, 1234, 56, 7, 8, 9, 1300),
            *(81.5, 2.25, 10.5, 20.25, 3.75),
        ),
    )
    (pool,) = base.pools
    waits = (WaitReading("sleep", 5.0, 4.0, 6.0), WaitReading("lock", 1.0, 0.5, 2.0))
    worker_time = replace(pool.time, working=pool.time.working - 10**10, blocked=10**10)
    (first, *others) = pool.promises
    broken = replace(
        first,
        verdict=Verdict.BROKEN,
        evidence="broken in 3 of 40 cases",
        timestamps_ns=(pool.begin_ns + 1_500_000_000,),
    )
    (finding, *more) = pool.findings
    pool = replace(
        pool,
        pid=4711,
        core_time=CoreTimeSource.KERNEL,
        time=worker_time,
        blocked=BlockedReading(1.0, 2.0, waits, 100, 1.0, one_core=True),
        findings=(
            replace(finding, evidence="40 wakes in 10 s", gain_s=1.25, places=PLACES),
            *more,
        ),
        promises=(broken, *others),
        parking=PARKING,
        ends=EndsReading(
            0, EndReading(9, 0, 8, 8, 0.0, 2.0, ()), EndReading(9, 1, 8, 2, 3.0, 4.0, (5,)), 6
        ),
        sizes=SizesReading(True, 60, 70, 4, 2, 0.75, 0.05, 0.01, 60, 0.1, 0.5, 0.2, DEPTH),
        contention=ContentionReading(
            True, 12, 3, 1, 2, 7, 4, 4, 0.5, 0.2, 0.1, 0.01, 0.09, LONGER, (5,)
        ),
        graph=GraphReading(
            9,
            4,
            8.0,
            2.0,
            4.0,
            2.0,
            3.0,
            3.5,
            0.0,
            True,
            BOUND,
            (GraphGap.UNKNOWN_HAND_INS,),
            CRITICAL,
        ),
        queueing=QueueingReading(4, 3.5, 2.5, 1.0, 0.5, 0.5, 0.4, 1.1, 0.9, 0.25, 0.3, True, 0, 0),
        balance=BalanceReading(4, 0.25, 1.5, 0.9),
        lifetimes=LifetimesReading(4, 1, 0, 1, (DeadWorkerReading(2, 4712, "divide", 1.5),)),
        broken="a worker died",
        detail="totals only",
        counted_s=3.0,
        thinned_s=1.0,
        thinning_error=0.006,
        lost_rows=7,
        unrecorded_s=1.5,
        misuses=2,
        worker_slices=slices_of(10, len(pool.workers)),
        lengths=PoolLengths(LENGTHS, None, ONE_LENGTH),
        curve=curve(),
    )
    return replace(base, pools=(pool,), host=(HOST,), marks=MARKS)


def several():
    """Return two pools of one name with time stranded between them."""
    (pool,) = reading().pools
    pools = tuple(replace(pool, name="kiln", number=n, pid=4711 + n) for n in (0, 1))
    return replace(reading(), pools=pools, stranded=(StrandedReading(0, 1, 2.5),))


def without_stacks():
    """Return an external pool whose stacks could not be read."""
    seen = shown()
    (pool,) = seen.external
    time = replace(pool.time, parked=None, blocked=None)
    workers = tuple(
        replace(worker, time=replace(worker.time, seconds=0.0)) for worker in pool.workers
    )
    pool = replace(
        pool,
        time=time,
        workers=workers,
        missing="no right to trace",
        parked_stacks=(),
        blocked_stacks=(),
    )
    return replace(seen, external=(pool,))


def short_kinds():
    """Return a pool of one queue whose kinds have names that plain text need not shorten."""
    base = one_queue()
    (pool,) = base.pools
    kinds = tuple(replace(kind, kind=f"kiln-{n}") for n, kind in enumerate(pool.tasks.kinds))
    return replace(base, pools=(replace(pool, tasks=replace(pool.tasks, kinds=kinds)),))


READINGS = {
    "stealing": stealing,
    "one queue": short_kinds,
    "several pools": several,
    "external": shown,
    "external without stacks": without_stacks,
    "assumed": lambda: replace(
        reading(),
        pools=(replace(reading().pools[0], core_time=CoreTimeSource.ASSUMED, time=WorkerTime()),),
    ),
}


def _table_facts(table):
    yield from (column.name for column in table.columns)
    yield from (cell for row in table.rows for cell in row)


def facts_of(sections, *, pictures=False):
    """Yield every text of sections, in order: titles, leads, sentences, heads and cells; with those
    of pictures, too, which only HTML has."""
    for section in sections:
        yield section.title
        yield section.lead
        for part in section.parts:
            if isinstance(part, Sentence):
                yield part.text
            elif isinstance(part, Table):
                yield from _table_facts(part)
            elif isinstance(part, Picture) and pictures:
                yield part.title
                yield from _table_facts(part.table)
            elif isinstance(part, Matrix):
                yield from (part.title, *part.columns)
                for name, row in zip(part.rows, part.cells, strict=True):
                    yield from (name, *row)


def squeezed(text):
    """Return a text with one blank where it has several, and nothing hidden."""
    return " ".join(safe_line(text).split())


class Page(HTMLParser):
    """What a person reads of an HTML page, its tags, and the cells of its tables."""

    INLINE = frozenset({"strong", "em", "code", "a"})

    def __init__(self, page):
        super().__init__()
        self.pieces, self.tags, self.attributes, self.cells = [], [], [], []
        self._open = []
        self.feed(page)
        self.text = " ".join("".join(self.pieces).split())

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        self._open.append(tag)
        if tag not in self.INLINE:
            self.pieces.append(" ")
        if tag in ("td", "th"):
            self.cells.append("")

    def handle_endtag(self, tag):
        while self._open and self._open.pop() != tag:
            pass
        if tag not in self.INLINE:
            self.pieces.append(" ")

    def handle_data(self, data):
        if "style" in self._open or "title" in self._open:
            return
        self.pieces.append(data)
        if {"td", "th"} & set(self._open):
            self.cells[-1] += data


def markdown_page(written):
    """Return Markdown as GitHub reads it: CommonMark with tables, strikes and bare addresses."""
    reader = MarkdownIt("gfm-like", {"html": True})
    reader.linkify.set({"fuzzy_link": False, "fuzzy_email": True})
    return Page(reader.render(written))
