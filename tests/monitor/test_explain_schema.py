"""The published schema of `explain --json`: made-up readings obey it, and it forbids other keys."""

from __future__ import annotations

import json
import re
from argparse import Namespace
from dataclasses import replace

import pytest
from jsonschema import Draft202012Validator
from readings import reading
from reports import READINGS
from test_last_states import ENDED

from explain_schema import SCHEMA, faults
from idlehands_monitor.commands.last_state import print_last_state
from idlehands_monitor.model.findings import Finding
from idlehands_monitor.model.vocabulary import FindingCode, PromiseCode
from idlehands_monitor.views import json as json_view


def documents():
    """Return the schemas of both documents: of a reading, and of a last state."""
    return [SCHEMA["$defs"][name] for name in ("Document", "LastStateDocument")]


def document_of(name):
    return json.loads(json_view.render(READINGS[name]()))


def test_the_schema_is_a_valid_schema_of_the_2020_12_draft():
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    numbers = [one["properties"]["schema"] for one in documents()]
    assert numbers[0]["const"] == numbers[1]["const"] == json_view.SCHEMA


@pytest.mark.parametrize("name", READINGS)
def test_the_document_of_every_reading_is_as_the_schema_says(name):
    assert faults(document_of(name)) == []


def test_the_document_of_a_reading_without_a_pool_is_as_the_schema_says():
    assert faults(json.loads(json_view.render(replace(reading(), pools=())))) == []


def test_the_last_state_of_a_process_is_as_the_schema_says(capsys):
    print_last_state(ENDED, Namespace(html=None, json=True, markdown=False))
    document = json.loads(capsys.readouterr().out)
    assert faults(document) == []
    del document["last_state"]["pools"][0]["queued"]
    assert any("queued" in fault for fault in faults(document))


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (lambda one: one.pop("host"), "host"),
        (lambda one: one.update(more=1), "more"),
        (lambda one: one.update(schema=2), "schema"),
        (lambda one: one["pools"][0].update(window_s="1 s"), "window_s"),
        (lambda one: one["pools"][0]["worker_time"].pop("starved_s"), "starved_s"),
        (lambda one: one["pools"][0]["promises"][0].update(verdict="perhaps"), "verdict"),
        (lambda one: one["source"].update(user="somebody"), "user"),
    ],
)
def test_a_key_that_is_missing_new_or_of_another_type_is_a_fault_at_its_place(change, place):
    document = document_of("stealing")
    change(document)
    assert any(place in fault for fault in faults(document))


def test_codes_are_open_and_every_one_that_there_is_obeys_their_pattern():
    for name, codes in (("FindingCode", FindingCode), ("PromiseCode", PromiseCode)):
        pattern = SCHEMA["$defs"][name]["pattern"]
        assert all(re.fullmatch(pattern, code) for code in codes)


def test_every_object_says_whether_other_keys_are_allowed_and_what_it_is():
    def objects(part):
        if isinstance(part, dict):
            if part.get("type") == "object":
                yield part
            for inner in part.values():
                yield from objects(inner)
        elif isinstance(part, list):
            for inner in part:
                yield from objects(inner)

    for one in objects(SCHEMA):
        assert one["description"]
        assert one["additionalProperties"] is False or "be added" in one["description"]


def test_the_fields_of_a_finding_are_keys_of_its_schema():
    described = SCHEMA["$defs"]["Finding"]["properties"]
    assert set(Finding.__dataclass_fields__) <= set(described)
