"""The page about exports: its data dictionary is the declared one, and its queries run.

`PYTHONPATH=tests:tests/monitor python tests/test_exporting_page.py` writes the data dictionary into
the page anew.
"""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from recordings import CORPUS, exported

import idlehands_monitor
from idlehands_monitor.ingest.exports.columns import DICTIONARY, TABLES_EXPORTED
from idlehands_monitor.ingest.scrubbing.frames import RULES
from idlehands_monitor.model.export_form import ExportForm

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "exporting.md"
START = "<!-- tables -->\n"


def dictionary_text():
    """Return the data dictionary as the page has it."""
    parts = []
    for table in (*TABLES_EXPORTED.values(), DICTIONARY):
        rows = [
            f"| `{one.name}` | {one.type} | {one.unit} | {one.meaning} |" for one in table.columns
        ]
        head = ["| column | type | unit | meaning |", "|---|---|---|---|"]
        parts.append(
            "\n".join([f"### `{table.name}`", "", f"A row is {table.row}.", "", *head, *rows])
        )
    return "\n" + "\n\n".join(parts) + "\n"


def queries():
    return re.findall(r"<!-- query \d -->\n```sql\n(.*?)```", PAGE.read_text("utf-8"), re.DOTALL)


def test_the_pages_data_dictionary_is_the_declared_one():
    assert PAGE.read_text(encoding="utf-8").partition(START)[2] == dictionary_text()


@pytest.fixture(scope="module")
def tide(tmp_path_factory):
    """The export of a real capture of a work-stealing pool, and its tables as columns."""
    capture = CORPUS / "tide.idlehands"
    target = exported(capture, ExportForm.SQLITE, tmp_path_factory.mktemp("page") / "a.sqlite")
    database = sqlite3.connect(target)
    database.row_factory = sqlite3.Row
    yield database, idlehands_monitor.load(capture)
    database.close()


def test_the_first_query_gives_the_time_of_each_kind(tide):
    database, tables = tide
    tasks = tables["tasks"]
    ran = tasks["outcome"] <= 1
    seconds = (tasks["ended_ns"] - tasks["started_ns"]) / 1e9
    found = database.execute(queries()[0]).fetchall()
    assert sum(row["tasks"] for row in found) == ran.sum() > 0
    for row in found:
        number = tables["kinds"]["name"].tolist().index(row["kind"])
        of_kind = ran & (tasks["kind"] == number)
        assert row["worker_seconds"] == pytest.approx(seconds[of_kind].sum(), abs=0.001)
    assert [row["worker_seconds"] for row in found] == sorted(
        (row["worker_seconds"] for row in found), reverse=True
    )


def test_the_second_query_gives_the_longest_waits_and_what_ran_before(tide):
    database, tables = tide
    tasks = tables["tasks"]
    waited = np.where(tasks["outcome"] <= 1, tasks["started_ns"] - tasks["spawned_ns"], -1)
    found = database.execute(queries()[1]).fetchall()
    longest = np.sort(waited)[::-1][:10] / 1e6
    assert [row["waited_ms"] for row in found] == pytest.approx(longest.tolist(), abs=0.001)
    place = tasks["task"].tolist().index(found[0]["task"])
    before = (
        (tasks["worker"] == tasks["worker"][place])
        & (tasks["ended_ns"] > tasks["spawned_ns"][place])
        & (tasks["started_ns"] < tasks["started_ns"][place])
    )
    assert found[0]["tasks_before_it"] == before.sum()


def test_the_third_query_gives_the_seconds_of_work_beside_parked_workers(tide):
    database, tables = tide
    levels, deques, idle = (tables[name] for name in ("levels", "worker_levels", "idle_intervals"))
    second = 1_000_000_000
    parks = idle["state"] == 1
    expected = []
    for number in np.unique(levels["at_ns"] // second):
        chosen = levels["at_ns"] // second == number
        queued = np.maximum(levels["queued"][chosen], 0).sum() + sum(
            np.maximum(deques["deque_length"][deques["at_ns"] == at_ns], 0).sum()
            for at_ns in levels["at_ns"][chosen]
        )
        parked = parks & (idle["began_ns"] // second == number)
        if queued and parked.any():
            seconds = (idle["ended_ns"] - idle["began_ns"])[parked].sum() / 1e9
            expected.append((queued / chosen.sum(), seconds))
    found = database.execute(queries()[2]).fetchall()
    assert expected
    assert [row["mean_queued"] for row in found] == pytest.approx(
        [queued for queued, _ in expected], abs=0.06
    )
    assert [row["parked_worker_seconds"] for row in found] == pytest.approx(
        [seconds for _, seconds in expected], abs=0.001
    )


def test_the_python_of_the_page_runs(tmp_path, monkeypatch, capsys):
    pytest.importorskip("pandas")
    text = PAGE.read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.idlehands").symlink_to(CORPUS / "tide.idlehands")
    exec(compile(code, "page", "exec"), {})  # noqa: S102
    assert "divide" in capsys.readouterr().out


def test_the_page_names_every_sort_of_stand_in():
    text = PAGE.read_text(encoding="utf-8")
    # The three others stand for words that only a later or a foreign probe could send.
    for sort in {rule.sort for rule in RULES.values()} - {"table", "column", "wait", "python"}:
        assert f"`{sort}-1`" in text


if __name__ == "__main__":
    text = PAGE.read_text(encoding="utf-8").partition(START)[0]
    PAGE.write_text(text + START + dictionary_text(), encoding="utf-8")
