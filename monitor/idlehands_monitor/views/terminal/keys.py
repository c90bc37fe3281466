"""Every key: what it does, and on which part of the screen.

Widgets bind the keys of their part. The sheet of keys lists each key that has a `does` here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from textual.binding import Binding

if TYPE_CHECKING:
    from textual.binding import BindingType


class Key(NamedTuple):
    """A key, or several with one action. keys: Textual's names, with commas between.

    does: for the sheet of keys, which lists no key without it. shown: how the sheet writes the key,
    where that is not `keys`. first: whether the key is handled before the part in focus gets it.
    """

    keys: str
    action: str
    does: str = ""
    shown: str = ""
    first: bool = False


EVERYWHERE = (
    Key("ctrl+c,ctrl+q", "quit", first=True),
    Key("q", "quit", "quit; closes what is open over the dashboard"),
    Key("space", "pause", "hold the screen or the replay, and go on again"),
    Key("c", "capture", "begin a capture, recent history included, and end it"),
    Key("p", "next_pool", "the next pool"),
    Key("s", "scheduler", "what the scheduler promises and keeps; the queue that workers share"),
    Key("t", "steals", "steals, or hand-overs of a shared queue, on the whole screen"),
    Key("i", "what_if", "what if: what each change would gain, and the curve over workers"),
    Key("m", "mark", "set a mark with a note: it is kept in the capture, and replays go to it"),
    Key("l", "places", "in a replay: go to a time, a mark, a finding or a broken promise"),
    Key("comma", "step(-1)", "in a replay: a second back or on; < and > ten seconds", ", ."),
    Key("full_stop", "step(1)"),
    Key("less_than_sign", "step(-10)"),
    Key("greater_than_sign", "step(10)"),
    Key("plus", "speed(2)", "in a replay: play twice as fast, or half as fast", "+ -"),
    Key("minus", "speed(0.5)"),
    Key("question_mark", "keys", "these keys", "?"),
    Key("j", "jump(1)"),
    Key("b", "jump(-1)"),
)
WORKERS = (
    Key("up", "move(-1)", "choose a worker", "up, down"),
    Key("down", "move(1)"),
    Key("pageup", "move(-10)"),
    Key("pagedown", "move(10)"),
    Key("home", "move(-10000)"),
    Key("end", "move(10000)"),
    Key("enter", "open", "open it: its time split, its history, its stack"),
)
EXTERNAL_WORKERS = (Key("up", "move(-1)"), Key("down", "move(1)"), Key("enter", "open"))
MATRIX = (
    Key("up", "move(-1, 0)", "choose a cell; its four counts stand below", "arrows"),
    Key("down", "move(1, 0)"),
    Key("left", "move(0, -1)"),
    Key("right", "move(0, 1)"),
    Key("home", "move(0, -10000)"),
    Key("end", "move(0, 10000)"),
    Key("pageup", "move(-10, 0)"),
    Key("pagedown", "move(10, 0)"),
    Key(
        "w",
        "counted",
        "what is counted: steals, attempts, attempts that found nothing, lost races",
    ),
    Key("u", "unit", "unit: a count, per second, a share of the row"),
    Key("n", "numbers", "numbers or colours"),
    Key("o", "order", "order: by worker, or most traffic first"),
    Key("g", "groups", "groups of workers, or every worker"),
)
SHEET = (Key("escape,q", "close"),)
WORKER_SHEET = (Key("enter", "close"), Key("s", "stack"))
KEYS_SHEET = (Key("question_mark,enter", "close"),)
MARK_SHEET = (Key("escape", "close"),)
STEALS = (Key("escape,t,q", "close"),)
PROMISES = (
    Key("s", "close"),
    Key("up", "move(-1)", "choose a promise", "up, down"),
    Key("down", "move(1)"),
    Key("pageup", "scroll(-10)"),
    Key("pagedown", "scroll(10)"),
    Key("enter", "open", "open it: purpose, source, figures, when it was broken"),
    Key("j", "jump(1)", "in a replay: the next time at which it was broken, and back", "j, b"),
    Key("b", "jump(-1)"),
)
PROMISE_SHEET = (Key("enter", "close"), Key("j", "jump(1)"), Key("b", "jump(-1)"))
WHAT_IF = (
    Key("i", "close"),
    Key("up", "move(-1)", "choose an answer; below the table stands what it assumes", "up, down"),
    Key("down", "move(1)"),
    Key("home", "move(-10000)"),
    Key("end", "move(10000)"),
    Key("pageup", "scroll(-10)"),
    Key("pagedown", "scroll(10)"),
    Key("tab,p", "turn(1)", "the next pool; shift+tab: the one before", "tab, p"),
    Key("shift+tab", "turn(-1)"),
    Key("r", "again", "simulate again, with all that has been recorded until now"),
)
PLACES = (
    Key(
        "up", "move(-1)", "choose a place; the keys j and b then go through all like it", "up, down"
    ),
    Key("down", "move(1)"),
    Key("pageup", "move(-10)"),
    Key("pagedown", "move(10)"),
    Key("enter", "", "go there, or to the time or mark that was typed"),
)

TAB = Key("tab", "", "go on to the matrix")
"""Textual binds it, as every key without an action here."""
LISTED = (
    ("Everywhere", EVERYWHERE),
    ("Workers", (*WORKERS, TAB)),
    ("Matrix", MATRIX),
    ("Promises", PROMISES),
    ("Places", PLACES),
    ("What if", WHAT_IF),
)
"""What the sheet of keys shows, part by part."""


def bindings(keys: tuple[Key, ...]) -> list[BindingType]:
    """Return what a widget binds for some keys."""
    return [
        Binding(key.keys, key.action, key.does, show=False, priority=key.first)
        for key in keys
        if key.action
    ]
