"""The headline of the job and of each pool, in JSON and in the section of the job."""

from __future__ import annotations

from dataclasses import replace

from readings import reading
from test_external import shown

from idlehands_monitor.model.findings import Finding, GainReading
from idlehands_monitor.model.vocabulary import FindingCode
from idlehands_monitor.model.whatif import Unit
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views.sections.headline import headline


def finding(code, gain=None):
    gained = None if gain is None else GainReading(Unit.SECONDS, 10, 0, 1, 2, gain, 0, 2 * gain)
    return Finding(FindingCode(code), 3.0, 0.1, f"{code} is so.", "Do otherwise.", gain=gained)


def job_of(*pools):
    """Return a job of several pools, each (name, findings, health, times the usual time)."""
    (base,) = reading().pools
    made = tuple(
        replace(
            base,
            name=name,
            number=number,
            pid=100 + number,
            findings=findings,
            health=health,
            time=replace(base.time, working=base.time.working * times),
        )
        for number, (name, findings, health, times) in enumerate(pools)
    )
    return replace(reading(), pools=made)


def headlines(held):
    document = json_view.document(held)
    return document["job"]["headline"], [pool["headline"] for pool in document["pools"]]


def test_the_headline_of_a_job_is_that_of_the_pool_in_which_it_gains_most():
    held = job_of(
        ("mill", (finding("grain-too-fine", 0.3),), "", 1),
        ("kiln", (finding("lock-wait", 0.2),), "", 3),
    )
    whole, each = headlines(held)
    assert (whole["pool"], whole["pid"], whole["code"]) == ("kiln", 101, "lock-wait")
    assert whole["change"] == "Do otherwise."
    assert whole["gain"]["share"] == 0.2
    assert [one["code"] for one in each] == ["grain-too-fine", "lock-wait"]


def test_what_is_broken_in_a_small_pool_is_the_headline_of_the_job():
    held = job_of(
        ("mill", (finding("lost-worker"),), "", 1), ("kiln", (finding("lock-wait", 0.4),), "", 9)
    )
    assert headlines(held)[0]["code"] == "lost-worker"


def test_a_job_to_which_nothing_gains_has_the_health_of_its_busiest_pool_as_headline():
    held = job_of(("mill", (), "Nothing to gain, mill", 1), ("kiln", (), "Nothing to gain", 3))
    whole, each = headlines(held)
    assert (whole["pool"], whole["code"], whole["sentence"]) == ("kiln", None, "Nothing to gain")
    assert each[0]["sentence"] == "Nothing to gain, mill"


def test_a_job_of_which_nothing_is_known_has_no_headline():
    assert headlines(job_of(("mill", (), "", 1)))[0] is None


def test_a_healthy_pool_does_not_hide_the_finding_of_another():
    held = job_of(("mill", (finding("lock-wait", 0.1),), "", 1), ("kiln", (), "Nothing", 9))
    assert headlines(held)[0]["code"] == "lock-wait"


def test_an_external_process_has_a_headline_of_the_job_too():
    held = shown()
    (pool,) = held.external
    held = replace(held, external=(replace(pool, findings=(finding("lock-wait"),)),))
    document = json_view.document(held)
    assert document["job"]["headline"]["code"] == "lock-wait"
    assert document["job"]["headline"]["pool"] == pool.name
    assert document["sampled"][0]["headline"]["code"] == "lock-wait"


def test_a_report_of_several_pools_says_whose_headline_it_begins_with():
    held = job_of(
        ("mill", (finding("grain-too-fine", 0.3),), "", 1),
        ("kiln", (finding("lock-wait", 0.2),), "", 3),
    )
    assert headline(held)[0].text == "Headline: pool kiln, lock-wait: lock-wait is so."


def test_a_report_of_a_healthy_job_begins_with_that():
    held = job_of(("mill", (), "Nothing to gain, mill", 1), ("kiln", (), "Nothing to gain", 3))
    assert [sentence.text for sentence in headline(held)] == ["Headline: Nothing to gain"]
