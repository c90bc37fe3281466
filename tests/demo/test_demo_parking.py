"""A parking ticket is woken once, whoever comes first, and a waker passes spent ones over."""

from __future__ import annotations

import time

from idlehands_demo.parking import ParkingTicket, Sleepers


def test_a_ticket_is_woken_only_once():
    ticket = ParkingTicket()
    assert ticket.wake(3, for_spawn=True)
    assert not ticket.wake(4, for_spawn=False)
    assert (ticket.woken_by, ticket.for_spawn) == (3, True)


def test_a_wake_up_sent_before_the_wait_is_not_lost():
    ticket = ParkingTicket()
    ticket.wake(0, for_spawn=True)
    assert ticket.wait(0.0)


def test_a_ticket_carries_when_the_wake_up_was_sent():
    ticket = ParkingTicket()
    before = time.monotonic_ns()
    ticket.wake(-1, for_spawn=True)
    assert before <= ticket.woken_ns <= time.monotonic_ns()


def test_waiting_ends_with_its_timeout():
    assert not ParkingTicket().wait(0.01)


def test_a_waker_passes_over_a_sleeper_that_is_awake_already():
    sleepers = Sleepers()
    awake, asleep = ParkingTicket(), ParkingTicket()
    sleepers.announce(awake)
    sleepers.announce(asleep)
    awake.wake(1, for_spawn=False)
    assert sleepers.wake_one(2)
    assert asleep.woken_by == 2


def test_waking_one_wakes_the_longest_sleeper_only():
    sleepers = Sleepers()
    tickets = [ParkingTicket() for _ in range(3)]
    for ticket in tickets:
        sleepers.announce(ticket)
    sleepers.wake_one(0)
    assert [ticket.claimed for ticket in tickets] == [True, False, False]


def test_waking_nobody_says_so():
    assert not Sleepers().wake_one(0)
