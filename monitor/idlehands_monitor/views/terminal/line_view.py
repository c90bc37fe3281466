"""What the parts of the screen share that are drawn line by line: one style under all lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.widget import Widget

if TYPE_CHECKING:
    from rich.style import Style
    from textual.geometry import Region
    from typing_extensions import Self


class LineView(Widget):
    """A widget whose style is looked up once for all lines that are drawn together.

    Textual works it out from all that the widget is in, which takes as long as drawing a line.
    """

    _style_of_all: Style | None = None

    def refresh(
        self,
        *regions: Region,
        repaint: bool = True,
        layout: bool = False,
        recompose: bool = False,
    ) -> Self:
        """Have it drawn again, in a style that is looked up again."""
        self._style_of_all = None
        return super().refresh(*regions, repaint=repaint, layout=layout, recompose=recompose)

    @property
    def rich_style(self) -> Style:
        """The style under all lines."""
        if self._style_of_all is None:
            self._style_of_all = super().rich_style
        return self._style_of_all
