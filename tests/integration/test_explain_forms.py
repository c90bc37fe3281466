"""A real capture, explained with gains: text, Markdown, JSON and HTML say the same of it."""

from __future__ import annotations

import json

import pytest
from reports import Page, markdown_page, squeezed

from explain_schema import faults
from helpers import idlehands
from idlehands_monitor.session.opening import read_target
from idlehands_monitor.views import html, markdown, text
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views.sections.headline import headline

pytestmark = pytest.mark.xdist_group("explained demonstration")


@pytest.fixture(scope="module")
def reading(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sockets")
    folder.chmod(0o700)
    capture = tmp_path_factory.mktemp("captures") / "a.idlehands"
    done = idlehands("demo", "--for", "2s", "--no-screen", "--capture", capture, folder=folder)
    assert done.returncode == 0, done.stderr
    return read_target(str(capture), 0.0)


def test_the_document_with_gains_and_a_curve_is_as_the_schema_says(reading):
    document = json.loads(json_view.render(reading))
    assert faults(document) == []
    (pool,) = document["pools"]
    assert pool["findings"] or pool["health"]
    assert len(pool["curve"]["points"]) > 2
    assert pool["lengths"]["tasks"]["counts"]
    assert len(pool["per_worker"][0]["idle_shares"]) == len(pool["slices"]["worker_time"])


def test_every_form_begins_with_the_same_headline(reading):
    first = squeezed(headline(reading)[0].text)
    whole, page = (
        squeezed(text.explain(reading).replace("\n", " ")),
        Page(html.render(reading)).text,
    )
    for written in (whole, page, markdown_page(markdown.render(reading)).text):
        assert first in written[: 400 + len(first)]


def test_the_short_report_of_a_real_run_fits_an_issue(reading):
    written = markdown.render(reading)
    assert written.count("\n") <= 60
    assert "idlehands watch a.idlehands" in written


def test_the_page_of_a_real_run_has_a_lane_a_worker_and_all_its_pictures(reading):
    written = html.render(reading)
    assert written.count('class="lane"') == len(reading.pools[0].workers)
    for name in ("bar", "course", "columns", "matrix", "curve"):
        assert f'<svg class="{name}"' in written
    assert len(written.encode()) < 300_000
