"""What `idlehands explain` prints of a process that has ended or is silent: its last state."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from ..session.captures import new_file
from ..views.sections.last_state import last_state
from .output import write

if TYPE_CHECKING:
    import argparse

    from ..model.last_state import LastState

SCHEMA = 1


def print_last_state(state: LastState, options: argparse.Namespace) -> None:
    """Print it on stdout, or write the HTML file, as the options of `explain` say."""
    sections = last_state(state)
    if options.html:
        from ..views.html import page

        with new_file(options.html, replace=options.force) as file:
            file.write(page(f"process {state.pid}", sections).encode())
    elif options.json:
        from ..views.json_fields import fields_of

        write(json.dumps({"schema": SCHEMA, "last_state": fields_of(state)}, indent=2) + "\n")
    elif options.markdown:
        from ..views.markdown import page as markdown_page

        write(markdown_page(sections))
    else:
        from ..views.text import page as text_page

        write(text_page(sections))
