"""What every job here does last: it says its own counts, and waits for a line before it ends.

The pools are still open then, so whoever attaches meanwhile finds all that they did.
"""

import json
import sys


def kind(finished, failed=0, calls=None):
    """Return the counts of one kind of task; calls are as many as tasks where nothing is said.

    `finished` is None where the library itself decides how many tasks the calls are.
    """
    return {"finished": finished, "failed": failed, "calls": finished if calls is None else calls}


def tell(cancelled=0, **kinds):
    """Print the counts by the names of the functions, then wait for a line."""
    sys.stdout.write(json.dumps({"kinds": kinds, "cancelled": cancelled}) + "\n")
    sys.stdout.flush()
    sys.stdin.readline()
