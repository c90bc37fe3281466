"""`idlehands pools`: what can be watched."""

from __future__ import annotations

import json
import os
import pwd
from dataclasses import asdict
from typing import TYPE_CHECKING

from ..model.errors import DONE, NOTHING_TO_WATCH, CommandError
from ..session.targets import find, no_pool
from ..views.foreign_text import clean
from ..views.formatting import number_of, shortened
from ..views.sections.last_state import moment, silence
from .output import message, write

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from ..session.targets import FoundProcess

NAME_CELLS, KIND_CELLS = 24, 26
MOST_ENDED = 20
"""So many of the processes that have ended are in the table; the others are in JSON."""


def run(options: argparse.Namespace) -> int:
    """Print a line for each pool, or JSON. Status 3 when none can be watched."""
    found = find()
    processes = found.processes
    if options.json:
        write(json.dumps([asdict(process) for process in processes], indent=2) + "\n")
    elif processes:
        _print_table(_newest(processes))
    else:
        raise CommandError(no_pool(found.refused), NOTHING_TO_WATCH)
    for line in found.refused:
        message(line)
    if found.unasked:
        message(f"{number_of(found.unasked, 'more socket')} could not be asked in time")
    return DONE if any(not process.note for process in processes) else NOTHING_TO_WATCH


def _newest(processes: Sequence[FoundProcess]) -> list[FoundProcess]:
    """Return the running processes and the newest `MOST_ENDED` of those that have ended."""
    running = [process for process in processes if process.last_seen_s is None]
    ended = [process for process in processes if process.last_seen_s is not None]
    if len(ended) > MOST_ENDED:
        more = number_of(len(ended) - MOST_ENDED, "more process")
        message(f"{more} ended earlier; --json lists them")
    return running + ended[:MOST_ENDED]


def _print_table(processes: Sequence[FoundProcess]) -> None:
    several = len({process.owner for process in processes} | {os.geteuid()}) > 1
    head = f"{'user':<12} " if several else ""
    write(
        f"{head}{'pid':>8}  {'pool':<{NAME_CELLS}} {'workers':>7}  {'kind':<{KIND_CELLS}} program\n"
    )
    for process in processes:
        who = f"{clean(_user(process.owner), 12):<12} " if several else ""
        start = f"{who}{process.pid:>8}  "
        has_ended = process.last_seen_s is not None
        for pool in process.pools:
            state = " (closed)" if pool.closed else " (ended)" if has_ended else ""
            kind = f"{pool.kind}{state}"
            name, kind = (
                f"{shortened(clean(text), cells):<{cells}}"
                for text, cells in ((pool.name, NAME_CELLS), (kind, KIND_CELLS))
            )
            write(f"{start}{name} {pool.workers:>7}  {kind} {clean(process.program)}\n")
        if process.last_seen_s is not None:
            seen = moment(process.last_seen_s)
            asks = f"idlehands explain {process.pid} says what each worker was in"
            write(f"{start}{clean(process.note)}, last seen {seen}; {asks}\n")
        elif process.note:
            note = clean(process.note)
            more = f"; {silence(process.silent_s)}" if process.silent_s is not None else ""
            write(f"{start}{note}{more}\n")
        elif not process.pools:
            none = f"{'(no pool yet)':<{NAME_CELLS + KIND_CELLS + 10}}"
            write(f"{start}{none} {clean(process.program)}\n")


def _user(owner: int) -> str:
    try:
        return pwd.getpwuid(owner).pw_name
    except KeyError:
        return str(owner)
