"""From a dataclass of a reading to a map of JSON: the names of keys, and values that JSON has."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from math import isfinite
from typing import Any

KEYS = {
    "attempts": "looks",
    "attempts_per_hit": "looks_per_hit",
    "attempts_at_random": "looks_at_random",
    "attempt_s": "look_s",
    "contended": "meetings",
    "declared_s": "marked_s",
    "external": "sampled",
    "is_external": "sampled",
    "reported": "told",
    "samples": "looks",
    "timestamps_ns": "moments_ns",
}
"""Keys of the document that keep an older word than the field they hold: keys are never renamed."""
WITH_SAMPLES = ("StackReading", "PlaceShareReading", "PlacesReading")
OWN_KEYS = {name: {"samples": "samples"} for name in WITH_SAMPLES}
"""Fields whose key is their own name in these dataclasses, whatever `KEYS` says."""


def fields_of(reading: Any) -> dict[str, Any]:
    """Return the fields of a dataclass by their keys in the document, dataclasses in it too."""
    own = OWN_KEYS.get(type(reading).__name__, {})
    return {
        own.get(field.name, KEYS.get(field.name, field.name)): value_of(
            getattr(reading, field.name)
        )
        for field in fields(reading)
    }


def value_of(value: Any) -> Any:
    """Return a field's value with maps for the dataclasses in it."""
    if is_dataclass(value):
        return fields_of(value)
    return [value_of(inner) for inner in value] if isinstance(value, tuple) else value


def as_lists(value: Any) -> Any:
    """Return a value with lists for its tuples, at every depth."""
    if isinstance(value, dict):
        return {key: as_lists(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [as_lists(inner) for inner in value]
    return value


def finite(values: dict[str, Any]) -> dict[str, Any]:
    """Return a map with null for an infinite number: a wait without bound."""
    return {
        name: None if isinstance(value, float) and not isfinite(value) else value
        for name, value in values.items()
    }
