"""Several pools of a job simulated as one."""

from __future__ import annotations

from idlehands_monitor.analysis.whatif.joint import machine_of_all
from idlehands_monitor.analysis.whatif.rules import Machine


def test_workers_of_another_pool_are_not_taken_for_other_processes():
    """Each pool saw a busy core; the first pool saw the second one's worker on it."""
    saw_the_other, saw_nobody = Machine(1.0, others=1.0), Machine(2.0)
    together = machine_of_all([saw_the_other, saw_nobody])
    assert (together.cores, together.others) == (2.0, 0.0)


def test_what_all_pools_saw_is_beside_all_of_them():
    machines = [Machine(2.0, others=1.5, of_the_job=0.25), Machine(2.0, others=1.0)]
    assert machine_of_all(machines).foreign == 1.0
