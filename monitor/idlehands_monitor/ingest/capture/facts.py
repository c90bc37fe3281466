"""What a capture was written with: versions, host and clock. Reads the clock and the kernel."""

from __future__ import annotations

import json
import os
import platform
from datetime import datetime
from time import monotonic_ns, time_ns
from typing import Any

from idlehands import __version__

from ..sources.control_group import ControlGroups


def facts_here() -> dict[str, Any]:
    """Return the facts of this host and program now.

    written: date and time with zone (ISO 8601); wall_ns and monotonic_ns: the same moment on the
    two clocks; cores: on which the writer may run; quota_cores: of its control group, None without.
    """
    limit = ControlGroups().cpu_limit(os.getpid())
    return {
        "written": datetime.now().astimezone().isoformat(timespec="milliseconds"),
        "wall_ns": time_ns(),
        "monotonic_ns": monotonic_ns(),
        "idlehands": __version__,
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.release().split('-')[0]}",
        "machine": platform.machine(),
        "cores": len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else None,
        "quota_cores": limit.cores if limit is not None else None,
    }


def encode_facts(facts: dict[str, Any]) -> bytes:
    """Return facts as the body of a header block: JSON in UTF-8."""
    return json.dumps(facts, ensure_ascii=False).encode()
