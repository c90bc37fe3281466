"""What every job here does last: it says its own counts, and waits for a line before it ends.

The pools are still open then, so whoever attaches meanwhile finds all that they did. A job whose
worker time is known beforehand waits for a line before it begins, too, so that it is watched.
"""

import json
import sys


def kind(finished, failed=0, calls=None):
    """Return the counts of one kind of task; calls are as many as tasks where nothing is said.

    `finished` is None where the library itself decides how many tasks the calls are.
    """
    return {"finished": finished, "failed": failed, "calls": finished if calls is None else calls}


def tell(cancelled=0, lost=0, truth=None, by_workers=None, **kinds):
    """Print the counts by the names of the functions, then wait for a line.

    `by_workers` is how many tasks workers of a pool handed in to it, by its name: None where its
    threads decide, 0 where it is not said. `truth` is what the job knows of its tasks' time, by
    the names of the functions: the category of most of it, and what blocked tasks wait for.
    """
    counts = {"kinds": kinds, "cancelled": cancelled, "lost": lost}
    _say({**counts, "by_workers": by_workers or {}, "truth": truth or {}})


def wait_until_watched():
    """Print that the job is about to begin, then wait for a line."""
    _say({})


def _say(document):
    sys.stdout.write(json.dumps(document) + "\n")
    sys.stdout.flush()
    sys.stdin.readline()
