"""Pages that processes left: read from folders that may hold anything, decided on, and shown."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import socket
import struct
import time
from binascii import crc32

import pytest
from hypothesis import given
from hypothesis import strategies as st

from idlehands.wire import PAGE_BYTES, PAGE_ENDED, PAGE_RESTING, encode
from idlehands_monitor.commands.last_state import print_last_state
from idlehands_monitor.commands.pools import MOST_ENDED
from idlehands_monitor.commands.pools import run as run_pools
from idlehands_monitor.ingest.page import state_in
from idlehands_monitor.ingest.sources import pages
from idlehands_monitor.ingest.sources.asking import FoundProcess
from idlehands_monitor.ingest.sources.host import beginning
from idlehands_monitor.ingest.sources.pages import read_pages
from idlehands_monitor.model.errors import NOTHING_TO_WATCH, CommandError
from idlehands_monitor.model.last_state import LastPool, LastState, LastWorker
from idlehands_monitor.model.vocabulary import WorkerState
from idlehands_monitor.session import last_states as deciding
from idlehands_monitor.session.last_states import last_state, last_states
from idlehands_monitor.views.html import page as html_page
from idlehands_monitor.views.markdown import page as markdown_page
from idlehands_monitor.views.sections.last_state import last_state as sections
from idlehands_monitor.views.text import page as text_page

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
GONE = 1 << 30
"""A process id that no process here has."""
AT_NS = 5_000_000_000


def state(**changes):
    pool = {
        "name": "berth",
        "pool_kind": "thread pool",
        "step": 0,
        "workers": 2,
        "handed_in": 9,
        "ran": 5,
        "queued": 3,
        "task_kinds": ["haul"],
        "listed": [[0, 0, 0, AT_NS - 2_000_000_000, 77], [1, 5, -1, -1, 77]],
    }
    frame = {
        "frame": "state",
        "pid": GONE,
        "argv0": "job.py",
        "python": "3.12.1",
        "ticks": 5,
        "boot": deciding._boot(),
        "namespace": deciding._namespace(),
        "began_wall_ns": 1_700_000_000_000_000_000,
        "socket": f"{GONE}.sock",
        "at_ns": AT_NS,
        "wall_ns": 1_700_000_100_000_000_000,
        "peak_bytes": 3 << 30,
        "pools": [pool],
        "pools_left_out": 0,
    }
    return {**frame, **changes}


def page_with(body: bytes, mark: int = 0, sequence: int = 1) -> bytes:
    head = struct.pack("<QI", sequence, len(body))
    copy = head + struct.pack("<I", crc32(head + body)) + body
    header = struct.pack("<16sIIQ", b"idlehands state\n", 1, 8176, mark)
    return (header + bytes(8176) + copy).ljust(PAGE_BYTES, b"\0")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    path = tmp_path / "sockets"
    path.mkdir(mode=0o700)
    monkeypatch.setenv("IDLEHANDS_DIR", str(path))
    return path


@pytest.fixture
def leave(folder):
    """Leave a page in the folder; return its path."""

    def leave(number: int = 0, mark: int = 0, **changes):
        content = state(**changes)
        path = folder / f"{content['pid']}-{number:012x}.state"
        path.write_bytes(page_with(encode(content), mark))
        return path

    return leave


# Reading what may be hostile


def test_a_page_is_read_as_it_was_written(leave):
    leave()
    (page,) = read_pages()
    assert (page.mark, page.state["pid"], page.state["pools"][0]["name"]) == (0, GONE, "berth")


BAD = {
    "a value of the wrong type": state(pid="7"),
    "a number out of range": state(at_ns=1 << 62),
    "a negative count": state(peak_bytes=-1),
    "a pool that is no map": state(pools=[3]),
    "too many pools": state(pools=[{}] * 600),
    "a worker's row that is too short": state(pools=[{**state()["pools"][0], "listed": [[1, 2]]}]),
    "a state that there is not": state(
        pools=[{**state()["pools"][0], "listed": [[0, 99, -1, -1, -1]]}]
    ),
    "a missing key": {key: value for key, value in state().items() if key != "wall_ns"},
    "another frame": {"frame": "hello", "version": 3},
    "a newer hello": {"frame": "hello", "version": 3000},
}


@pytest.mark.parametrize("frame", BAD.values(), ids=list(BAD))
def test_a_page_with_a_value_out_of_its_limits_is_not_read(frame):
    assert state_in(page_with(encode(frame))) is None


@pytest.mark.parametrize(
    "body",
    [b"", b"\xc1" * 40, encode({"frame": "state"})[4:], b"\0\0\0\0" + b"\x91" * 5000],
    ids=range(4),
)
def test_a_page_whose_body_is_no_state_is_not_read(body):
    assert state_in(page_with(body)) is None


@given(
    place=st.integers(0, PAGE_BYTES - 1), value=st.integers(0, 255), cut=st.integers(0, PAGE_BYTES)
)
def test_whatever_a_page_holds_nothing_fails(place, value, cut):
    page = bytearray(page_with(encode(state())))
    page[place] = value
    state_in(bytes(page[:cut]))
    found = state_in(bytes(page))
    assert found is None or found[1]["pid"] == GONE


NUMBERS = st.booleans() | st.integers(-(2**63), 2**64 - 1) | st.floats()
VALUES = st.recursive(
    st.none() | NUMBERS | st.text() | st.binary(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)


@given(body=VALUES)
def test_whatever_a_state_holds_under_its_keys_nothing_fails(body):
    for key in state():
        if key != "frame":
            state_in(page_with(encode({**state(), key: body})))


def test_what_is_no_page_of_the_folders_owner_is_not_read(folder, leave, tmp_path):
    page = leave(1)
    outside = tmp_path / "page"
    page.rename(outside)
    page.symlink_to(outside)
    os.mkfifo(folder / f"{GONE}-{2:012x}.state")
    (folder / f"{GONE}-{3:012x}.state").mkdir()
    (folder / f"{GONE}.state").write_bytes(page_with(encode(state())))
    (folder / f"{GONE}-{4:012x}.state").write_bytes(b"short")
    (folder / f"{GONE + 1}-{5:012x}.state").write_bytes(page_with(encode(state())))
    with socket.socket(socket.AF_UNIX) as listener:
        with contextlib.chdir(folder):  # an address has about a hundred letters
            listener.bind(f"{GONE}-{6:012x}.state")
        assert read_pages() == []
    assert outside.exists()


@as_root
def test_a_page_of_another_user_in_the_folder_is_not_read(leave):
    os.chown(leave(), 65534, 65534)
    assert read_pages() == []


def test_a_page_that_becomes_a_link_after_it_was_listed_is_not_followed(
    leave, tmp_path, monkeypatch
):
    page = leave()
    real = os.open

    def swap(path, *arguments, **named):
        if str(path).endswith(".state") and not page.is_symlink():
            page.rename(tmp_path / "page")
            page.symlink_to(tmp_path / "page")
        return real(path, *arguments, **named)

    monkeypatch.setattr(pages.os, "open", swap)
    assert read_pages() == []


def test_no_more_pages_of_a_folder_are_read_than_the_limit(leave, monkeypatch):
    monkeypatch.setattr(pages.limits, "PAGES", 3)
    for number in range(5):
        path = leave(number, wall_ns=number)
        os.utime(path, (time.time() - 60 + number,) * 2)
    assert [page.state["wall_ns"] for page in read_pages()] == [4, 3, 2]


@as_root
def test_root_reads_the_pages_of_other_users_and_removes_none(folder, leave):
    page = leave()
    os.utime(page, (0, 0))
    for path in (page, folder):
        os.chown(path, 65534, 65534)
    assert [found.owner for found in read_pages()] == [65534]
    assert page.exists()


# Whether the process runs


def own(**changes):
    return {
        "pid": os.getpid(),
        "ticks": beginning(os.getpid()),
        "at_ns": time.monotonic_ns(),
        **changes,
    }


def test_a_process_that_is_not_there_has_ended(leave):
    leave()
    (found,) = last_states(())
    assert not found.is_running
    assert found.seen_s == 1_700_000_100
    assert found.age_s == pytest.approx(time.time() - found.seen_s, abs=5)


def test_a_process_that_is_there_runs(leave):
    leave(**own())
    (found,) = last_states(())
    assert found.is_running
    assert found.silent_s is None
    assert found.age_s < 3


def test_another_process_with_the_same_id_is_not_the_one_of_the_page(leave):
    leave(**own(ticks=beginning(os.getpid()) - 1))
    (found,) = last_states(())
    assert not found.is_running


def test_a_page_of_before_the_machine_started_is_of_no_process(leave):
    leave(**own(boot="another"))
    (found,) = last_states(())
    assert not found.is_running


def test_a_process_in_a_container_runs_while_its_socket_is_held(folder, leave):
    path = str(folder / "7.sock")
    leave(1, pid=7, socket="7.sock", namespace=1, wall_ns=2)
    leave(2, pid=7, socket="7.sock", namespace=1, wall_ns=1)
    # The socket is of the newest page with it: an id in a container is used again.
    assert [found.is_running for found in last_states([path])] == [True, False]
    assert [found.is_running for found in last_states(())] == [False, False]


def test_a_page_that_is_marked_as_ended_is_of_no_interest(leave):
    leave(mark=PAGE_ENDED)
    assert last_states(()) == []


def test_a_running_process_whose_page_is_old_is_silent_unless_its_probe_rests(leave):
    old = time.monotonic_ns() - 12_000_000_000
    leave(1, **own(at_ns=old))
    (found,) = last_states(())
    assert found.silent_s == pytest.approx(12, abs=2)
    leave(1, PAGE_RESTING, **own(at_ns=old))
    (found,) = last_states(())
    assert found.silent_s is None
    assert found.is_resting


@pytest.mark.parametrize(
    ("mark", "said", "is_silent"), [(0, "", True), (PAGE_RESTING, "until the next task", False)]
)
def test_a_process_that_does_not_answer_is_listed_with_what_its_page_says(
    leave, mark, said, is_silent
):
    leave(1, mark, **own(at_ns=time.monotonic_ns() - 12_000_000_000))
    found = FoundProcess(os.getpid(), "here.sock", note="has a probe that did not answer")
    other = FoundProcess(os.getpid(), "here.sock")
    (process,) = deciding.with_last_states([found])
    assert said in process.note
    assert (process.silent_s is not None) == is_silent
    assert deciding.with_last_states([other]) == [other]


def test_a_target_is_found_by_its_id_or_by_the_name_of_a_pool(leave):
    leave(1, pid=GONE, wall_ns=1)
    leave(2, pid=GONE + 1, wall_ns=2)
    assert last_state(str(GONE)).pid == GONE
    assert last_state("berth").pid == GONE + 1
    assert last_state("orchard") is None
    assert last_state(str(GONE + 2)) is None


# What is shown


ENDED = LastState(
    pid=4711,
    program="job.py",
    python="3.12.1",
    path="/run/4711.state",
    owner=0,
    is_running=False,
    is_stopped=False,
    is_resting=False,
    seen_s=1_700_000_000.0,
    age_s=200.0,
    began_s=1_699_999_000.0,
    peak_bytes=3_000_000_000,
    pools=(
        LastPool(
            "berth",
            "thread pool",
            3,
            900,
            500,
            398,
            "one task in 16",
            (
                LastWorker(0, WorkerState.WORKING, "docks.haul", 2.5, 4711),
                LastWorker(1, WorkerState.BETWEEN_TASKS, "", None, 4711),
            ),
        ),
    ),
    pools_left_out=2,
)


def test_a_last_state_says_when_it_was_written_and_what_each_worker_was_in():
    text = text_page(sections(ENDED))
    assert "Last state of process 4711: job.py, Python 3.12.1" in text
    assert "killed, it crashed, it called os._exit" in text
    assert "3 min 20 s ago" in text
    assert "2.8 GiB" in text
    assert "no room for 2 open pools more" in text
    assert "Pool berth: thread pool, 3 workers" in text
    assert "900 tasks handed in, 500 ended, 398 in the queue." in text
    assert "one task in 16" in text
    assert "no room for 1 more worker." in text
    assert re.search(r"0\s+in a task\s+docks\.haul\s+2\.5 s\s+4711", text)
    assert re.search(r"1\s+between tasks\s+–\s+–\s+4711", text)


def words(text):
    return set(re.findall(r"[\w.]+", text))


def test_text_markdown_and_html_say_the_same():
    facts = sections(ENDED)
    plain = words(text_page(facts))
    assert plain <= words(markdown_page(facts).replace("\\", "")) | {"–"}
    assert plain <= words(html_page("process 4711", facts)) | {"–"}


STATES = {
    "is stopped": {"is_stopped": True},
    "no thread since a fork": {"is_resting": True},
    "has run no other thread for 1 min 4 s": {"age_s": 64.0},
    "does not answer": {"age_s": 0.5},
}


@pytest.mark.parametrize(("said", "changes"), STATES.items(), ids=list(STATES))
def test_a_process_that_runs_is_said_to_be_silent_and_why(said, changes):
    from dataclasses import replace

    found = replace(ENDED, is_running=True, **changes)
    assert said in text_page(sections(found))
    assert "ended" not in sections(found)[0].sentences[0].text


def test_hostile_names_are_cleaned_in_every_form(capsys):
    from dataclasses import replace

    pool = replace(ENDED.pools[0], name="\x1b[2J<b>", kind="\u202ex")
    hostile = replace(ENDED, program="\x1b]0;x\x07", pools=(pool,))
    for form in ({}, {"json": True}, {"markdown": True}):
        options = {"json": False, "markdown": False, "html": None, "force": False, **form}
        print_last_state(hostile, argparse.Namespace(**options))
        out = capsys.readouterr().out
        assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e]", out)
    assert "<b>" not in html_page("process 4711", sections(hostile))


def test_json_has_every_field(capsys):
    options = argparse.Namespace(json=True, markdown=False, html=None, force=False)
    print_last_state(ENDED, options)
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == 1
    found = document["last_state"]
    assert found["pid"] == 4711
    assert found["is_running"] is False
    assert found["pools"][0]["listed"][0] == {
        "index": 0,
        "state": "working",
        "doing": "docks.haul",
        "for_s": 2.5,
        "pid": 4711,
    }


def test_html_goes_into_a_new_file_of_ones_own(tmp_path):
    path = tmp_path / "a.html"
    options = argparse.Namespace(json=False, markdown=False, html=str(path), force=False)
    print_last_state(ENDED, options)
    assert "docks.haul" in path.read_text()
    with pytest.raises(CommandError, match="exists"):
        print_last_state(ENDED, options)


def test_processes_that_have_ended_are_listed_behind_those_that_run(leave, capsys):
    for number in range(MOST_ENDED + 2):
        leave(number, pid=GONE + number, wall_ns=1_700_000_100_000_000_000 + number)
    status = run_pools(argparse.Namespace(json=False))
    out, err = capsys.readouterr()
    assert status == NOTHING_TO_WATCH
    assert "thread pool (ended)" in out
    assert "ended without its exit functions, last seen 2023-11-1" in out
    assert str(GONE + MOST_ENDED + 1) in out
    assert str(GONE + 1) + " " not in out
    assert "2 more processes ended earlier" in err
    run_pools(argparse.Namespace(json=True))
    listed = json.loads(capsys.readouterr().out)
    assert len(listed) == MOST_ENDED + 2
    assert listed[0]["last_seen_s"] == pytest.approx(1_700_000_100)
    assert listed[0]["pools"][0]["name"] == "berth"
