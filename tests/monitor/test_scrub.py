"""Scrubbing: no private name is left, figures stay, and only the key leads back."""

from __future__ import annotations

import builtins
import json
import os
import random
import stat
import sys
from pathlib import Path

import msgpack
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recordings import REAL, anonymous, plain, portions, reading_of, thin_pool, write_capture

from idlehands.wire import Decoder
from idlehands_monitor.cli import main
from idlehands_monitor.ingest.capture import CaptureReader, CaptureWriter
from idlehands_monitor.ingest.schema import FRAMES
from idlehands_monitor.ingest.scrubbing.frames import PASSING, Scrubber
from idlehands_monitor.ingest.scrubbing.stand_ins import NotAKey, StandIns, stand_ins_of

sys.path.append(str(Path(__file__).resolve().parent.parent / "fuzz"))
from hostile import hostile

OWN_WORDS = {
    # kinds of frame, tables and pools, and what the probe and the monitor themselves say
    *("tasks", "waits", "gaps", "spawns", "stays", "meetings"),
    *("work-stealing", "thread pool", "process pool", "interpreter pool", "loky pool"),
    *("queue and threads", "threads", "processes", "MainThread", "(other kinds)"),
    *("interpreter lock", "lock", "sleep", "input/output", "child process", "other", "running"),
    *(name for name in vars(builtins) if name.endswith(("Error", "Exception", "Warning"))),
    *("spawned_ns", "started_ns", "the process ends", "the process has ended"),
    *("was killed or crashed", "closed the connection but still runs"),
}
SECRETS = {
    "argv0": "/home/secret-user/secret-host/secret-program.py",
    "pool": "secret-pool",
    "pool_kind": "secret-sort-of-pool",
    "kinds": ["secret-kind-a", "secret-kind-b", "secret-kind-a"],
    "thread": "secret-thread",
    "broken": "secret-reason in /home/secret-user",
    "wait": "secret-wait",
    "bye": "secret-end",
    "note": "secret-note",
    "unknown": "secret-of-a-later-version",
    "stack": "secret-function",
}


def secret_frames():
    """Return frames with a secret in every place where a text can be."""
    names, rows, *_ = (frame for frame in thin_pool(3)[0] if frame["frame"] != "hello")
    return [
        {"frame": "hello", "version": 3, "pid": 70, "argv0": SECRETS["argv0"],
         "python": SECRETS["unknown"], "host": SECRETS["unknown"]},
        {**names, "name": SECRETS["pool"], "pool_kind": SECRETS["pool_kind"],
         "task_kinds": SECRETS["kinds"], "broken": SECRETS["broken"],
         "sampled_by": SECRETS["unknown"], "owner": SECRETS["unknown"],
         "threads": [[0, 100, 1000, SECRETS["thread"], 70]]},
        {**rows, "note": SECRETS["unknown"]},
        {"frame": "host", "at_ns": 5, "threads": {100: [1, 2]}, "waits": {100: SECRETS["wait"]}},
        {"frame": "stacks", "at_ns": 5, "pid": 70, "threads": [
            {"native_id": 100, "ident": 5, "name": SECRETS["thread"],
             "frames": [[SECRETS["stack"], SECRETS["argv0"], 5]]}]},
        {"frame": "levels", "pool": 0, "at_ns": 5, "inbox": 0, "deques": [], "workers": [],
         "misuses": 0, "raised": [[0, "SecretError", 5], [0, "ValueError", 2]]},
        {"frame": "mark", "at_ns": 5, "note": SECRETS["note"]},
        {"frame": "of-a-later-version", "text": SECRETS["unknown"]},
        {"frame": "bye", "reason": SECRETS["bye"]},
    ]  # fmt: skip


def inside(path):
    """Return everything in a capture, its header and its blocks without their compression."""
    return Path(path).read_bytes() + b"".join(block.frames for block in CaptureReader(path))


def texts(value):
    """Yield every text in a value, the keys of frames left out."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, one in value.items():
            if key != "frame":
                yield from texts(one)
    elif isinstance(value, list):
        for one in value:
            yield from texts(one)


def raw_texts(path):
    """Return every text in the frames of a capture, as they are on the wire."""
    found = set()
    for block in CaptureReader(path):
        decoder = Decoder()
        for raw in decoder.split(block.frames):
            found.update(texts(msgpack.unpackb(raw[4:], strict_map_key=False)))
    return found


def scrub(path, target, *options):
    return main(["scrub", str(path), "-o", str(target), *options])


@pytest.fixture
def secret(tmp_path):
    return write_capture(tmp_path / "secret.idlehands", [secret_frames()])


def test_no_text_of_the_job_is_left_wherever_it_was(secret, tmp_path):
    target = tmp_path / "a.idlehands"
    assert b"secret" in inside(secret)
    assert scrub(secret, target) == 0
    assert b"secret" not in inside(target).lower()
    assert b"ValueError" in inside(target)
    assert b"berth" not in inside(target)


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name)
def test_no_original_text_of_a_real_capture_is_left(path, tmp_path):
    target = tmp_path / "a.idlehands"
    assert scrub(path, target) == 0
    left = inside(target)
    originals = {text for text in raw_texts(path) if text} - OWN_WORDS
    python = {text for text in originals if text[:2] == "3."}
    assert originals - python
    for text in originals - python:
        assert text.encode() not in left, text


@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 2**32))
def test_no_text_of_a_hostile_capture_passes_but_stand_ins_and_own_words(tmp_path, seed):
    path, target = tmp_path / "b.idlehands", tmp_path / "a.idlehands"
    path.write_bytes(hostile(random.Random(seed)))
    assert scrub(path, target, "--force") == 0
    key = json.loads((tmp_path / "a.idlehands.key").read_bytes())["stand_ins"]
    stand_ins = {name for known in key.values() for name in known.values()}
    assert raw_texts(target) <= stand_ins | OWN_WORDS | {""}


@pytest.mark.parametrize("path", REAL[1:], ids=lambda path: path.name)
def test_the_figures_are_those_of_the_original(path, tmp_path):
    target = tmp_path / "a.idlehands"
    scrub(path, target)
    assert plain(numbers(target)) == plain(numbers(path))
    before, after = anonymous(reading_of(path)), anonymous(reading_of(target))
    assert without_text(after) == without_text(before)


def numbers(path):
    """Return the frames of a recording without their texts."""
    return [without_text(frame) for frame in portions(path)[1]]


def without_text(value):
    if isinstance(value, str):
        return "text" if value else ""
    if isinstance(value, dict):
        return {key: without_text(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [without_text(one) for one in value]
    return value


def test_the_header_says_of_the_host_only_its_numbers_and_its_sort(tmp_path):
    facts = {
        "written": "2031-05-06T07:08:09.123+02:00 secret",
        "system": "Linux 6.1.0-secret",
        "machine": "secret",
        "python": "3.12.1",
        "idlehands": "secret",
        "cores": 8,
        "quota_cores": None,
        "wall_ns": "secret",
        "host": "secret",
    }
    path, target = tmp_path / "a.idlehands", tmp_path / "b.idlehands"
    CaptureWriter(path, facts=facts).close()
    assert scrub(path, target) == 0
    assert CaptureReader(target).facts == {
        "written": "2031-05-06T07:08:09.123+02:00",
        "system": "Linux",
        "python": "3.12.1",
        "cores": 8,
        "quota_cores": None,
        "scrubbed": True,
    }


def test_a_capture_without_a_header_gets_no_facts_of_this_host(tmp_path):
    target = tmp_path / "a.idlehands"
    scrub(REAL[0], target)
    assert CaptureReader(REAL[0]).facts == {}
    assert CaptureReader(target).facts == {"scrubbed": True}


def test_the_same_name_has_the_same_stand_in(secret, tmp_path):
    target = tmp_path / "a.idlehands"
    scrub(secret, target)
    names = next(frame for frame in portions(target)[1] if frame["frame"] == "names")
    assert names["task_kinds"] == ["kind-1", "kind-2", "kind-1"]


def test_the_key_leads_back_and_is_for_its_owner_alone(secret, tmp_path):
    old = os.umask(0)
    try:
        scrub(secret, tmp_path / "a.idlehands")
    finally:
        os.umask(old)
    key = tmp_path / "a.idlehands.key"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "a.idlehands").stat().st_mode) == 0o600
    found = json.loads(key.read_bytes())["stand_ins"]
    assert found["kind"] == {"secret-kind-a": "kind-1", "secret-kind-b": "kind-2"}
    assert found["program"] == {SECRETS["argv0"]: "program-1"}
    assert found["note"] == {"secret-note": "note-1"}


def test_two_captures_with_one_key_have_the_same_stand_ins(secret, tmp_path):
    other = write_capture(tmp_path / "other.idlehands", [
        [{**frame, "task_kinds": ["secret-kind-c", "secret-kind-b"]}
         if frame["frame"] == "names" else frame for frame in secret_frames()]
    ])  # fmt: skip
    key = str(tmp_path / "k")
    assert scrub(secret, tmp_path / "a.idlehands", "--key", key) == 0
    assert scrub(other, tmp_path / "b.idlehands", "--key", key) == 0
    names = next(f for f in portions(tmp_path / "b.idlehands")[1] if f["frame"] == "names")
    assert names["task_kinds"] == ["kind-3", "kind-2"]
    assert len(json.loads(Path(key).read_bytes())["stand_ins"]["kind"]) == 3


def test_what_is_there_stays_without_force(secret, tmp_path, capsys):
    target = tmp_path / "a.idlehands"
    target.write_text("of value")
    assert scrub(secret, target) == 2
    assert target.read_text() == "of value"
    assert not (tmp_path / "a.idlehands.key").exists()
    assert scrub(secret, target, "--force") == 0
    assert scrub(target, target, "--force") == 2
    assert capsys.readouterr().err.count("is the recording itself") == 1


@pytest.mark.parametrize("content", [b"of value", b"[]", b'{"schema": 2, "stand_ins": {}}',
                                     b'{"schema": 1, "stand_ins": {"a": {"b": 5}}}'])  # fmt: skip
def test_a_file_that_is_no_key_is_never_written_over(secret, tmp_path, content, capsys):
    key = tmp_path / "a.idlehands.key"
    key.write_bytes(content)
    assert scrub(secret, tmp_path / "a.idlehands", "--force") == 2
    assert key.read_bytes() == content
    assert capsys.readouterr().err.count("\n") == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == [key.name, "secret.idlehands"]


def test_an_interrupted_scrub_leaves_no_file(secret, tmp_path, monkeypatch):
    def fail(self, frame):
        raise RuntimeError

    monkeypatch.setattr(Scrubber, "scrubbed", fail)
    with pytest.raises(RuntimeError):
        scrub(secret, tmp_path / "a.idlehands")
    assert [path.name for path in tmp_path.iterdir()] == ["secret.idlehands"]


def test_removed_frames_are_reported(secret, tmp_path, capsys):
    scrub(secret, tmp_path / "a.idlehands")
    assert "removed frames: 1 of stacks" in capsys.readouterr().err


def test_an_export_can_be_scrubbed_too(secret, tmp_path):
    export = tmp_path / "a.sqlite"
    assert main(["export", secret, "--to", "sqlite", "-o", str(export)]) == 0
    assert scrub(export, tmp_path / "a.idlehands") == 0
    assert scrub(secret, tmp_path / "b.idlehands") == 0
    assert plain(portions(tmp_path / "a.idlehands")[1]) == plain(
        portions(tmp_path / "b.idlehands")[1]
    )


def test_each_kind_of_frame_passes_or_is_known_not_to():
    assert set(FRAMES) - PASSING == {"stacks"}
    assert set(PASSING) - set(FRAMES) <= {"rows", "counters", "mark", "totals"}


def test_a_key_comes_back_as_it_was():
    given = StandIns()
    assert [given.of("kind", name) for name in ("a", "b", "a", "")] == [
        *("kind-1", "kind-2", "kind-1", "")
    ]
    again = stand_ins_of(given.key)
    assert again.of("kind", "b") == "kind-2"
    assert again.of("kind", "c") == "kind-3"
    assert again.of("pool", "a") == "pool-1"


def test_deeply_nested_text_is_no_key():
    with pytest.raises(NotAKey):
        stand_ins_of(b"[" * 100_000)
