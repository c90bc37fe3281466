"""`idlehands pools`: what can be watched."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING

from ..errors import DONE, NOTHING_TO_WATCH, CommandError
from ..sources.discovery import find_processes
from ..views.words import clean

if TYPE_CHECKING:
    import argparse


def run(options: argparse.Namespace) -> int:
    """Print a line a pool, or JSON. Status 3 when there is none."""
    processes = find_processes()
    if options.json:
        json.dump([asdict(process) for process in processes], sys.stdout, indent=2)
        sys.stdout.write("\n")
        return DONE if processes else NOTHING_TO_WATCH
    if not processes:
        raise CommandError("no probed pool is running here", NOTHING_TO_WATCH)
    sys.stdout.write(f"{'pid':>8}  {'pool':<24} {'workers':>7}  {'kind':<16} program\n")
    for process in processes:
        for pool in process.pools:
            kind = f"{pool.kind} (closed)" if pool.closed else pool.kind
            sys.stdout.write(
                f"{process.pid:>8}  {clean(pool.name, 24):<24} {pool.workers:>7}  "
                f"{clean(kind, 24):<16} {clean(process.program)}\n"
            )
        if not process.pools:
            sys.stdout.write(f"{process.pid:>8}  {'(no pool yet)':<50} {clean(process.program)}\n")
    return DONE
