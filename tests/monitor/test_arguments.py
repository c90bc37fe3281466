"""What a person may type after an option, and the line that says what is wrong with it."""

from __future__ import annotations

import argparse

import pytest

from idlehands_monitor.commands import arguments


@pytest.mark.parametrize(
    ("parse", "text", "value"),
    [
        (arguments.workers, "8", (8,)),
        (arguments.workers, "2..5", (2, 3, 4, 5)),
        (arguments.ratio, "x2", 2.0),
        (arguments.ratio, "×3", 3.0),
        (arguments.ratio, "4", 4.0),
        (arguments.ratio, "/2", 0.5),
        (arguments.ratio, "÷4", 0.25),
        (arguments.shorter, "-50%", 0.5),
        (arguments.shorter, "−12.5%", 0.875),
        (arguments.shorter, "+20%", 1.2),
        (arguments.kind_factor, "mill.grind=-50%", ("mill.grind", 0.5)),
        (arguments.kind_factor, "a=b=-50%", ("a=b", 0.5)),
        (arguments.wanted, "p95=50ms", 0.05),
        (arguments.number, "1.5", 1.5),
        (arguments.at_least_one, "32", 32),
        (arguments.duration, "5m", 300.0),
        (arguments.speed, "4x", 4.0),
    ],
)
def test_what_is_meant_is_understood(parse, text, value):
    assert parse(text) == value


@pytest.mark.parametrize(
    ("parse", "text", "said"),
    [
        (arguments.workers, "0", "no whole number from 1 to 1024"),
        (arguments.workers, "5..2", "5 is more than 2"),
        (arguments.workers, "1..99999", "no whole number"),
        (arguments.ratio, "1", "neither x2"),
        (arguments.ratio, "x1.5", "neither x2"),
        (arguments.shorter, "50", "no change such as -50%"),
        (arguments.shorter, "-150%", "no change such as -50%"),
        (arguments.kind_factor, "grind", "not of the form NAME=-50%"),
        (arguments.kind_factor, "=-50%", "not of the form NAME=-50%"),
        (arguments.wanted, "p99=1s", "not of the form p95=50ms"),
        (arguments.wanted, "p95=soon", "no duration"),
        (arguments.number, "nan", "no number above 0"),
        (arguments.number, "0", "no number above 0"),
        (arguments.at_least_one, "-3", "no whole number"),
    ],
)
def test_nonsense_gets_one_clear_line(parse, text, said):
    with pytest.raises(argparse.ArgumentTypeError, match=said):
        parse(text)


def test_a_change_below_zero_is_the_value_of_the_option_before_it():
    typed = ["whatif", "a.idlehands", "--hand-over", "-50%", "--kind", "grind=-50%", "--json"]
    assert arguments.joined(typed) == [*typed[:2], "--hand-over=-50%", *typed[4:]]
