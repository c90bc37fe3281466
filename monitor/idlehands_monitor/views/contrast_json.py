"""A comparison of two sides as a JSON document, schema 1: keys may be added, never renamed.

Shares and gains are from 0 to 1, times in seconds; what is not known is null. docs/contrast.md
lists the keys.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from .json_fields import fields_of
from .sections.contrast_headline import headline
from .whatif_json import plain

if TYPE_CHECKING:
    from ..model.contrast import ContrastReading

SCHEMA = 1


def document(reading: ContrastReading) -> dict[str, Any]:
    """Return the document as plain lists, maps, strings and finite numbers."""
    found: dict[str, Any] = plain(
        {
            "schema": SCHEMA,
            "headline": headline(reading),
            "has_difference": reading.has_difference,
            **fields_of(reading),
        }
    )
    return found


def render(reading: ContrastReading) -> str:
    """Return the document as one text with a trailing newline, all of it ASCII."""
    return json.dumps(document(reading), indent=2, allow_nan=False) + "\n"
