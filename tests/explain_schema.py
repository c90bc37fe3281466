"""Whether documents of `idlehands explain --json` are as their published schema says."""

from __future__ import annotations

import json
from pathlib import Path

from jsonschema import Draft202012Validator

PATH = Path(__file__).resolve().parent.parent / "docs" / "explain.schema.json"
SCHEMA = json.loads(PATH.read_text(encoding="utf-8"))
VALIDATOR = Draft202012Validator(SCHEMA)


def faults(document):
    """Return what in a document is not as the schema says, the first few, each with its place."""
    found = []
    for error in VALIDATOR.iter_errors(document):
        found.append(f"{error.json_path}: {error.message[:200]}")
        if len(found) > 5:
            break
    return found
