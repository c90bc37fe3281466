"""What `idlehands explain --json` says of a capture: its headline, and what it finds besides."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from idlehands_monitor.model.findings import URGENT
from tried.bench import IDLEHANDS

LONGEST_SECONDS = 120.0
"""The longest that a capture may take to explain."""
WORTH = 0.05
"""A finding with a smaller gain is none on a healthy run, the share of the gain."""


class NotExplained(Exception):
    """The command did not explain the capture; the message is the command's."""


@dataclass(frozen=True)
class Gain:
    """A gain as the finding gives it: the unit, and the share of the value of now with its
    interval."""

    unit: str
    low: float
    median: float
    high: float


@dataclass(frozen=True)
class Found:
    """One finding: its code, its gain (None where it gives none), what to change, what it costs."""

    code: str
    gain: Gain | None = None
    change: str = ""
    worker_seconds: float = 0.0

    @property
    def is_worth_it(self) -> bool:
        """Whether it speaks of a gain of 5 % or more, or of what has no gain that is known."""
        return self.gain is None or self.gain.median >= WORTH

    @property
    def weight(self) -> tuple[bool, float, float]:
        """What findings of several pools are compared by, as `model.findings.Finding.weight`."""
        return self.code in URGENT, self.gain.median if self.gain else 0.0, self.worker_seconds


def explain(capture: Path, options: Sequence[str] = ()) -> dict[str, Any]:
    """Return the document of `idlehands explain --json`. Raises NotExplained."""
    ran = subprocess.run(
        [*IDLEHANDS, "explain", str(capture), "--json", *options],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=LONGEST_SECONDS,
        check=False,
    )
    if ran.returncode:
        lines = ran.stderr.strip().splitlines() or [f"status {ran.returncode}"]
        raise NotExplained(lines[-1].replace(f"{capture}: ", ""))
    document: dict[str, Any] = json.loads(ran.stdout)
    return document


def headline(document: dict[str, Any]) -> Found | None:
    """Return the job's headline: the weightiest of what its pools have first, None without any."""
    firsts = [findings[0] for findings in _of_pools(document) if findings]
    return max(firsts, key=lambda found: found.weight, default=None)


def all_found(document: dict[str, Any]) -> tuple[Found, ...]:
    """Return every finding of every pool."""
    return tuple(found for findings in _of_pools(document) for found in findings)


def _of_pools(document: dict[str, Any]) -> Iterator[list[Found]]:
    for pool in (*document["pools"], *document.get("sampled", ())):
        yield [_found(finding) for finding in pool.get("findings") or ()]


def _found(finding: dict[str, Any]) -> Found:
    said, gain = finding.get("gain"), None
    if said is not None:
        low, median, high = (float(said[f"share{end}"]) for end in ("_low", "", "_high"))
        gain = Gain(said["unit"], low, median, high)
    seconds = float(finding.get("worker_seconds") or 0.0)
    return Found(finding["code"], gain, finding.get("change") or "", seconds)
