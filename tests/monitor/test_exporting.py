"""Exports of tables: every frame is in one, the forms agree, nothing of value is replaced."""

from __future__ import annotations

import csv
import json
import os
import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from recordings import REAL, exported, small_history, thin_pool, write_capture

import idlehands_monitor
from histories import frames
from idlehands.wire import TABLES
from idlehands_monitor.cli import main
from idlehands_monitor.ingest.exports import parquet_writing
from idlehands_monitor.ingest.exports.columns import (
    DICTIONARY,
    TABLES_EXPORTED,
    dictionary_rows,
)
from idlehands_monitor.ingest.exports.declaring import INTEGER, TEXT
from idlehands_monitor.ingest.exports.flattening import Flattener
from idlehands_monitor.ingest.exports.recorded_columns import RECORDED
from idlehands_monitor.ingest.exports.sqlite_writing import SqliteExport
from idlehands_monitor.ingest.files import FileError, NewFile, sqlite_uri
from idlehands_monitor.ingest.schema import FRAMES
from idlehands_monitor.model.export_form import ExportForm

HELLO = {"frame": "hello", "version": 3, "pid": 70, "argv0": "berth.py", "python": "3.12.1"}
TABULAR = (ExportForm.SQLITE, ExportForm.CSV, ExportForm.PARQUET)


@pytest.fixture
def capture(tmp_path):
    """A capture of a small pool."""
    return write_capture(tmp_path / "a.idlehands", [[HELLO, *frames(small_history())]])


def read_sqlite(path):
    database = sqlite3.connect(path)
    try:
        return {
            name: database.execute(f"SELECT {', '.join(quoted(table))} FROM {name}").fetchall()  # noqa: S608
            for name, table in tables().items()
        }
    finally:
        database.close()


def tables():
    return {**TABLES_EXPORTED, DICTIONARY.name: DICTIONARY}


def quoted(table):
    return [f'"{name}"' for name in table.names]


def read_csv(folder):
    found = {}
    for name, table in tables().items():
        with open(f"{folder}/{name}.csv", newline="", encoding="utf-8") as file:
            names, *rows = csv.reader(file)
        assert tuple(names) == table.names
        kinds = [{INTEGER: int, TEXT: unquoted}.get(column.type, float) for column in table.columns]
        found[name] = [
            tuple(kind(value) for kind, value in zip(kinds, row, strict=True)) for row in rows
        ]
    return found


def unquoted(text):
    """Return text without the mark that it is no formula."""
    return text.removeprefix("'")


def read_parquet(folder):
    parquet = pytest.importorskip("pyarrow.parquet")
    return {
        name: [
            tuple(row.values())
            for row in parquet.read_table(f"{folder}/{name}.parquet").to_pylist()
        ]
        for name in tables()
    }


READERS = {
    ExportForm.SQLITE: read_sqlite,
    ExportForm.CSV: read_csv,
    ExportForm.PARQUET: read_parquet,
}


def test_each_task_is_a_row_with_its_pool_and_worker(capture, tmp_path):
    rows = read_sqlite(exported(capture, ExportForm.SQLITE, tmp_path / "a.sqlite"))["tasks"]
    assert sorted(rows) == [
        # pool, worker, task, parent, kind, spawned_ns, spawned_by, size, started_ns, ended_ns,
        # taken_from, cpu_ns, outcome
        (0, 0, 0, -1, 0, 100, -1, -1, 1_000, 5_000, -2, 3_000, 0),
        (0, 1, 1, 0, 0, 1_500, 0, -1, 2_000, 4_000, 0, -1, 0),
        (0, 1, 2, -1, 0, 200, -1, -1, 6_000, 9_000, -2, -1, 1),
    ]


def test_spawns_have_the_number_of_their_task(capture, tmp_path):
    rows = read_sqlite(exported(capture, ExportForm.SQLITE, tmp_path / "a.sqlite"))["spawns"]
    assert rows == [(0, -1, 0, 100), (0, -1, 1, 200), (0, -1, 2, 1_500)]


@pytest.mark.parametrize("form", [ExportForm.CSV, ExportForm.PARQUET])
@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name)
def test_the_forms_hold_the_same_rows(form, path, tmp_path):
    if form is ExportForm.PARQUET:
        pytest.importorskip("pyarrow")
    other = READERS[form](exported(path, form, tmp_path / "folder"))
    assert other == read_sqlite(exported(path, ExportForm.SQLITE, tmp_path / "a.sqlite"))


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name)
def test_load_gives_the_same_rows_as_columns(path, tmp_path):
    rows = read_sqlite(exported(path, ExportForm.SQLITE, tmp_path / "a.sqlite"))
    loaded = idlehands_monitor.load(path)
    assert set(loaded) == set(rows)
    for name, table in loaded.items():
        columns = [column.tolist() for column in table.values()]
        assert list(zip(*columns, strict=True)) == rows[name]


def test_columns_are_int64_float64_or_text_also_without_rows(tmp_path):
    empty = write_capture(tmp_path / "a.idlehands", [])
    full = REAL[0]
    for path in (empty, full):
        for name, table in idlehands_monitor.load(path).items():
            for column in tables()[name].columns:
                expected = {INTEGER: np.int64, TEXT: np.object_}.get(column.type, np.float64)
                assert table[column.name].dtype == expected


def test_importing_the_package_imports_no_numpy():
    done = subprocess.run(
        [sys.executable, "-c", "import sys, idlehands_monitor as m; m.load; "
         "sys.exit('numpy' in sys.modules)"],
        check=False,
    )  # fmt: skip
    assert done.returncode == 0


@pytest.mark.parametrize("library", ["pandas", "polars"])
def test_a_data_frame_takes_a_table_as_it_is(library, capture):
    module = pytest.importorskip(library)
    frame = module.DataFrame(idlehands_monitor.load(capture)["tasks"])
    assert (frame["ended_ns"] - frame["started_ns"]).sum() == 9_000
    kinds = module.DataFrame(idlehands_monitor.load(capture)["kinds"])
    assert list(kinds["name"]) == ["task"]


def test_load_says_what_could_not_be_read(capture, tmp_path):
    data = Path(capture).read_bytes()
    cut = tmp_path / "cut.idlehands"
    cut.write_bytes(data[:-3])
    assert idlehands_monitor.load(cut).warning
    assert idlehands_monitor.load(capture).warning == ""


def test_every_column_has_a_type_a_meaning_and_a_unit_where_its_name_ends_in_one():
    seen = set()
    for table, column, kind, unit, meaning, row in dictionary_rows():
        assert kind in ("integer", "real", "text")
        assert meaning
        assert row
        assert (unit == "ns") == column.endswith("_ns")
        assert (unit == "bytes") == column.endswith("_bytes")
        assert (table, column) not in seen
        seen.add((table, column))


def test_recorded_tables_have_every_column_of_the_wire_in_order():
    for name, table in TABLES.items():
        own = [column for column in RECORDED[name].names if column not in ("pool", "worker")]
        if name == "spawns":
            own.remove("task")
        assert own == list(table.names)


KEYS = {
    "hello": {"version": "wire_version", "pid": "pid", "argv0": "program", "python": "python",
              "sampled": "is_external", "now_ns": "now_ns", "wall_ns": "wall_ns"},
    "names": {"pool": "declared_as", "name": "name", "pool_kind": "pool_kind",
              "workers": "workers", "most_workers": "most_workers", "declared_ns": "declared_ns",
              "closed_ns": "closed_ns", "shared_queue": "shared_queue",
              "tells_meetings": "reports_contention", "broken": "broken",
              "first_dead": "dead_processes.status", "sampled_by": "thinned_by",
              "steps": "detail_steps.step", "task_kinds": "kinds.name",
              "threads": "workers.native_id"},
    "levels": {"pool": "pool", "at_ns": "at_ns", "inbox": "queued",
               "deques": "worker_levels.deque_length", "workers": "worker_levels.open_intervals",
               "misuses": "misuses", "ran": "worker_levels.ran", "spawned": "spawned",
               "raised": "raised.tasks"},
    "cost": {"at_ns": "", "recording_ns": "recording_ns", "sending_ns": "sending_ns"},
    "lost": {"pool": "pool", "table": "table", "worker": "worker", "rows": "rows"},
    "withdrawn": {"pool": "withdrawn"},
    "bye": {"reason": "ended"},
    "from": {"pid": "pid"},
    "host": {"at_ns": "at_ns", "threads": "on_core_ns", "moments": "at_ns", "waits": "wait",
             "gone": "gone", "beside": "beside", "switches": "voluntary"},
    "window": {"begin_ns": "begin_ns", "length_ns": "length_ns"},
    "mark": {"at_ns": "at_ns", "note": "note"},
    "stacks": {"at_ns": "at_ns", "began_ns": "began_ns", "pid": "pid", "parent": "parent",
               "missing": "missing", "threads": "stack_frames.function"},
}  # fmt: skip
"""The column, and its table where that is another one, that has what a key of a frame says."""
FLATTENED = {
    "hello": "processes",
    "names": "pools",
    "levels": "levels",
    "cost": "processes",
    "lost": "lost_rows",
    "withdrawn": "pools",
    "bye": "processes",
    "from": "processes",
    "host": "thread_samples",
    "process": "process_samples",
    "window": "windows",
    "mark": "marks",
    "stacks": "stack_samples",
    "totals": "totals",
}
"""The table that has what a kind of frame says."""


def test_every_kind_of_frame_has_a_table():
    assert set(FRAMES) <= set(FLATTENED)
    assert set(FLATTENED.values()) <= set(TABLES_EXPORTED)


@pytest.mark.parametrize("kind", sorted(FRAMES))
def test_every_key_of_a_frame_has_a_column(kind):
    # The table of processes has the keys' own names.
    places = KEYS[kind] if kind != "process" else {key: key for key in FRAMES[kind]}
    assert set(places) == set(FRAMES[kind])
    for place in places.values():
        table, _, column = place.rpartition(".")
        assert not column or column in TABLES_EXPORTED[table or FLATTENED[kind]].names


def test_a_process_that_says_hello_again_has_pools_of_its_own(tmp_path):
    some = [HELLO, *frames(small_history())]
    path = write_capture(tmp_path / "a.idlehands", [some, [HELLO, *frames(small_history())]])
    loaded = idlehands_monitor.load(path)
    assert loaded["pools"]["process"].tolist() == [0, 1]
    assert np.bincount(loaded["tasks"]["pool"]).tolist() == [3, 3]


def test_pools_of_the_same_number_in_two_processes_are_two_pools(tmp_path):
    some = frames(small_history())
    blocks = [[{"frame": "from", "pid": pid}, {**HELLO, "pid": pid}, *some] for pid in (70, 71)]
    loaded = idlehands_monitor.load(write_capture(tmp_path / "a.idlehands", blocks))
    assert loaded["processes"]["pid"].tolist() == [70, 71]
    assert np.bincount(loaded["tasks"]["pool"]).tolist() == [3, 3]


def test_steal_attempts_have_the_time_of_the_levels_after_them(tmp_path):
    loaded = idlehands_monitor.load(write_capture(tmp_path / "a.idlehands", thin_pool(3)))
    times = set(loaded["steal_attempts"]["at_ns"].tolist())
    assert times <= set(loaded["levels"]["at_ns"].tolist())


def test_totals_of_older_versions_become_what_was_added():
    flattener = Flattener()
    first, second = np.array([[2, 0], [1, 0], [0, 0]]), np.array([[5, 1], [1, 0], [0, 0]])
    flattener.take({"frame": "counters", "pool": 0, "thief": 3, "totals": first})
    flattener.take({"frame": "counters", "pool": 0, "thief": 3, "totals": second})
    batch = next(one for one in flattener.finish() if one.table == "steal_attempts")
    assert list(zip(*batch.columns, strict=True)) == [
        (0, -1, 3, 0, 2, 1, 0),
        (0, -1, 3, 0, 3, 0, 0),
        (0, -1, 3, 1, 1, 0, 0),
    ]


@pytest.mark.parametrize("form", [ExportForm.SQLITE, ExportForm.CSV, "trace", "spans"])
def test_what_is_written_is_for_its_owner_alone_and_nothing_is_left_beside_it(
    form, capture, tmp_path
):
    folder = tmp_path / "out"
    folder.mkdir()
    old = os.umask(0)
    try:
        assert main(["export", capture, "--to", form, "-o", str(folder / "x")]) == 0
    finally:
        os.umask(old)
    assert [path.name for path in folder.iterdir()] == ["x"]
    for path in folder.rglob("*"):
        mode = 0o700 if path.is_dir() else 0o600
        assert stat.S_IMODE(path.stat().st_mode) == mode


@pytest.mark.parametrize("form", [ExportForm.SQLITE, ExportForm.CSV, "trace", "spans"])
def test_what_is_there_stays_without_force(form, capture, tmp_path, capsys):
    target = tmp_path / "x"
    target.write_text("of value")
    assert main(["export", capture, "--to", form, "-o", str(target)]) == 2
    assert target.read_text() == "of value"
    assert capsys.readouterr().err.count("\n") == 1


def test_force_replaces_an_older_export_and_no_other_folder(capture, tmp_path, capsys):
    target = tmp_path / "x"
    arguments = ["export", capture, "--to", "csv", "-o", str(target)]
    assert main(arguments) == 0
    assert main(arguments) == 2
    assert main([*arguments, "--force"]) == 0
    (target / "notes.txt").write_text("of value")
    assert main([*arguments, "--force"]) == 2
    assert "other files in it (notes.txt)" in capsys.readouterr().err
    assert (target / "notes.txt").read_text() == "of value"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.idlehands", "x"]


def test_a_folder_that_is_a_link_is_not_followed(capture, tmp_path, capsys):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (tmp_path / "x").symlink_to(elsewhere)
    target = str(tmp_path / "x")
    assert main(["export", capture, "--to", "csv", "-o", target, "--force"]) == 2
    assert "is no folder" in capsys.readouterr().err
    assert not list(elsewhere.iterdir())


def test_an_export_is_never_written_over_its_own_recording(capture, capsys):
    assert main(["export", capture, "--to", "sqlite", "-o", capture, "--force"]) == 2
    assert "is the recording itself" in capsys.readouterr().err


FULL_DISK = """
import resource, signal, sys
from idlehands_monitor.cli import main
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (2_000, 2_000))
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.parametrize("form", [*ExportForm])
def test_a_full_disk_leaves_no_file_and_says_so_in_one_line(form, tmp_path):
    if form is ExportForm.PARQUET:
        pytest.importorskip("pyarrow")
    arguments = ["export", str(REAL[-1]), "--to", form, "-o", str(tmp_path / "x")]
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, *arguments], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
    assert not list(tmp_path.iterdir())


def test_without_pyarrow_one_line_says_so_and_nothing_is_made(
    capture, tmp_path, monkeypatch, capsys
):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["export", capture, "--to", "parquet", "-o", str(tmp_path / "x")]) == 2
    assert parquet_writing.MISSING in capsys.readouterr().err
    assert not (tmp_path / "x").exists()


def test_parquet_has_units_and_meanings_in_its_metadata(capture, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    folder = exported(capture, ExportForm.PARQUET, tmp_path / "x")
    field = parquet.read_schema(f"{folder}/tasks.parquet").field("cpu_ns")
    assert field.metadata[b"unit"] == b"ns"
    assert b"CPU time" in field.metadata[b"meaning"]


def test_a_name_in_csv_is_no_formula_and_obeys_no_terminal(tmp_path):
    names, *rest = frames(small_history())
    names = {**names, "name": "=cmd()", "task_kinds": ["a\x1b[2J\nb"]}
    path = write_capture(tmp_path / "a.idlehands", [[HELLO, names, *rest]])
    folder = tmp_path / "x"
    assert main(["export", path, "--to", "csv", "-o", str(folder)]) == 0
    found = read_csv(folder)
    assert "'=cmd()" in (folder / "pools.csv").read_text()
    assert found["kinds"][0][2] == "a\N{REPLACEMENT CHARACTER}[2J\N{REPLACEMENT CHARACTER}b"


def test_an_export_is_explained_as_its_capture_is(tmp_path, capsys):
    target = exported(REAL[-1], ExportForm.SQLITE, tmp_path / "a ?#%.sqlite")
    found = []
    for path in (str(REAL[-1]), target):
        assert main(["explain", path, "--json", "--no-gains"]) == 0
        found.append(json.loads(capsys.readouterr().out))
        del found[-1]["source"]["target"]
    assert found[0] == found[1]


def test_a_database_that_is_no_export_is_refused_in_one_line(tmp_path, capsys):
    path = tmp_path / "other.sqlite"
    database = sqlite3.connect(path)
    database.execute("CREATE TABLE tasks (task)")
    database.close()
    assert main(["explain", str(path)]) == 2
    assert "not an export of idlehands" in capsys.readouterr().err


def test_a_draft_that_was_replaced_by_another_file_is_noticed(tmp_path):
    other = tmp_path / "other.sqlite"
    other.touch()

    class Replaced(NewFile):
        @property
        def draft_uri(self):
            return f"{sqlite_uri(str(other))}?mode=rw"

    with pytest.raises(FileError, match="was replaced by another file"):  # noqa: SIM117
        with Replaced(tmp_path / "a.sqlite") as file:
            SqliteExport(file)
    assert [path.name for path in tmp_path.iterdir()] == ["other.sqlite"]


def test_a_missing_file_is_one_line(tmp_path, capsys):
    assert main(["export", "nothing-here", "--to", "csv", "-o", str(tmp_path / "x")]) == 3
    assert capsys.readouterr().err.count("\n") == 1
