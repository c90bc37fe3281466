"""The answers of a what-if as a JSON document, schema 1: keys may be added, never renamed.

RFC 8259 permits no NaN and no infinity: a value without end is null. Values are in the unit of
their pool, times in seconds, gains are shares.
"""

from __future__ import annotations

import json
from math import isfinite
from typing import TYPE_CHECKING, Any

from . import times
from .json import fields_of, source_of

if TYPE_CHECKING:
    from ..model.whatif import AnswerReading, ChangeReading, CurveReading, WhatIfPool, WhatIfReading

SCHEMA = 1


def document(reading: WhatIfReading) -> dict[str, Any]:
    """Return the document as plain lists, maps, strings and finite numbers."""
    content = {
        "schema": SCHEMA,
        "source": source_of(reading.source),
        "window": times.window_document(reading.source.clock, reading.window_ns),
        "whole": reading.whole,
        "pools": [_pool(pool) for pool in reading.pools],
    }
    plain: dict[str, Any] = _plain(content)
    return plain


def render(reading: WhatIfReading) -> str:
    """Return the document as one text with a trailing newline, all of it ASCII."""
    return json.dumps(document(reading), indent=2, allow_nan=False) + "\n"


def _pool(pool: WhatIfPool) -> dict[str, Any]:
    return {
        "name": pool.name,
        "kind": pool.kind,
        "workers": pool.workers,
        "arrivals": pool.arrivals,
        "unit": pool.unit,
        "tasks": pool.tasks,
        "all_tasks": pool.all_tasks,
        "recorded": pool.recorded,
        "reproduced": pool.reproduced,
        "refused": pool.refused,
        "answers": [] if pool.refused else [_answer(answer) for answer in pool.answers],
        "curve": None if pool.refused or pool.curve is None else _curve(pool.curve),
        "sizing": None if pool.refused or pool.sizing is None else fields_of(pool.sizing),
        "notes": pool.notes,
    }


def _answer(answer: AnswerReading) -> dict[str, Any]:
    return {
        **fields_of(answer),
        "change": facts_of(answer.change),
        "sentence": answer.change.sentence,
    }


def facts_of(change: ChangeReading) -> dict[str, Any]:
    """Return what a change sets. What several changes of it set is a list, in their order."""
    found: dict[str, list[Any]] = {}
    for name, value in change.facts:
        found.setdefault(name, []).append(value)
    return {name: values[0] if len(values) == 1 else values for name, values in found.items()}


def _curve(curve: CurveReading) -> dict[str, Any]:
    points = [
        {
            **fields_of(point),
            "work_law_s": curve.work_law_s(point.workers),
            "greedy_bound_s": curve.greedy_bound_s(point.workers),
        }
        for point in curve.points
    ]
    return {**fields_of(curve), "points": points}


def _plain(value: Any) -> Any:
    """Return a value with lists for its tuples and null for what is not finite, at every depth."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner) for inner in value]
    return None if isinstance(value, float) and not isfinite(value) else value
