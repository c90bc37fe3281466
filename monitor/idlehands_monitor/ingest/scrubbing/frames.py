"""Frames in, the same frames without private text out. Pure.

A kind of frame that is not listed here does not pass. In the kinds that pass, every text that is
not a word of idlehands' own gets a stand-in, whatever key it is under; numbers stay.
"""

from __future__ import annotations

import builtins
import re
from collections import Counter
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from idlehands.wire import TABLES, TASKS

from ...model.vocabulary import RUNNING, PoolKind, WaitReason
from ..schema import CheckedFrame

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from .stand_ins import StandIns

PYTHON_VERSION = re.compile(r"\d{1,3}(\.\d{1,3}){0,3}((a|b|rc)\d{1,3})?\+?")
"""As CPython writes its version (sys.version): 3.14.0rc2, 3.13.1+."""
FACTS_OF_NUMBERS = ("wall_ns", "monotonic_ns", "cores", "quota_cores")
FACTS_OF_TEXT = {
    "written": re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?([+-]\d\d:\d\d)?"),
    "idlehands": re.compile(r"\d{1,3}(\.\d{1,3}){0,3}"),
    "python": PYTHON_VERSION,
    "system": re.compile("Linux|Darwin|FreeBSD"),  # what follows names the kernel's own build
    "machine": re.compile("x86_64|aarch64|arm64|riscv64|ppc64le|s390x"),
}
"""The facts of a header that stay, as far as they match from their beginning."""
OTHER_KINDS = "(other kinds)"
ENDS = (
    "the process ends",
    "the process has ended",
    "was killed or crashed",
    "closed the connection but still runs",
)
"""What the probe and the monitor say of the end of a record."""
EXCEPTIONS = tuple(
    name
    for name, one in vars(builtins).items()
    if isinstance(one, type) and issubclass(one, BaseException)
)
"""The names of Python's own classes of exceptions."""
MAIN_THREAD = "MainThread"
"""Of CPython: `threading` gives every main thread this name."""


class TextRule(NamedTuple):
    """What becomes of the texts under a key. sort: of their stand-ins. stays: whether one stays."""

    sort: str
    stays: Callable[[str], object] = lambda _: False


def one_of(*words: str) -> Callable[[str], object]:
    """Return a rule by which exactly these words stay."""
    return frozenset(words).__contains__


RULES = {
    ("hello", "argv0"): TextRule("program"),
    ("hello", "python"): TextRule("python", PYTHON_VERSION.fullmatch),
    ("names", "name"): TextRule("pool"),
    ("names", "pool_kind"): TextRule("pool-kind", one_of(*PoolKind)),
    ("names", "sampled_by"): TextRule("column", one_of(*TASKS.names)),
    ("names", "broken"): TextRule("reason"),
    ("names", "task_kinds"): TextRule("kind", one_of(OTHER_KINDS)),
    ("names", "threads"): TextRule("thread", one_of(MAIN_THREAD)),
    ("levels", "raised"): TextRule("exception", one_of(*EXCEPTIONS)),
    ("rows", "table"): TextRule("table", one_of(*TABLES)),
    ("lost", "table"): TextRule("table", one_of(*TABLES)),
    ("host", "waits"): TextRule("wait", one_of(*WaitReason, RUNNING)),
    ("bye", "reason"): TextRule("reason", one_of(*ENDS)),
    ("mark", "note"): TextRule("note"),
}
ANY_TEXT = TextRule("text")
PASSING = frozenset(
    (
        *("from", "hello", "names", "withdrawn", "rows", "counters", "levels", "lost", "cost"),
        *("bye", "host", "process", "window", "mark", "totals"),
    )
)
"""The kinds of frame that pass. Stacks do not: they are code."""


def scrubbed_facts(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return the facts of a header that say nothing of the host but its numbers and its sort."""
    found = {
        name: value
        for name, value in facts.items()
        if name in FACTS_OF_NUMBERS and (value is None or type(value) in (int, float))
    }
    for name, form in FACTS_OF_TEXT.items():
        matched = form.match(facts[name]) if type(facts.get(name)) is str else None
        if matched:
            found[name] = matched[0]
    return {**found, "scrubbed": True}


class Scrubber:
    """Scrubs the frames of one capture.

    removed: how many frames did not pass, by kind.
    """

    def __init__(self, stand_ins: StandIns) -> None:
        self.removed: Counter[str] = Counter()
        self._stand_ins = stand_ins

    def scrubbed(self, frame: CheckedFrame) -> CheckedFrame | None:
        """Return a frame without private text, None where it must not pass."""
        kind = frame["frame"]
        if kind not in PASSING:
            self.removed[kind] += 1
            return None
        found = {
            key: self._value(value, RULES.get((kind, key), ANY_TEXT))
            for key, value in frame.items()
            if key != "frame"
        }
        return CheckedFrame({**found, "frame": kind})

    def _value(self, value: Any, rule: TextRule) -> Any:
        if type(value) is str:
            return value if rule.stays(value) else self._stand_ins.of(rule.sort, value)
        if type(value) in (list, tuple):
            return type(value)(self._value(one, rule) for one in value)
        if type(value) is dict:
            return {self._value(key, rule): self._value(one, rule) for key, one in value.items()}
        if value is None or type(value) in (int, float, bool) or isinstance(value, np.ndarray):
            return value
        raise TypeError(f"a frame holds a {type(value).__name__}")  # no check lets one through
