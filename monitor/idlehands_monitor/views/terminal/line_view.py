"""What the parts of the screen share that are drawn line by line: lines kept until they change."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.geometry import Spacing
from textual.widget import Widget

if TYPE_CHECKING:
    from rich.style import Style
    from textual.geometry import Region
    from textual.strip import Strip
    from typing_extensions import Self


class LineView(Widget):
    """A widget whose lines are drawn by `render_line`, each already in its style and kept.

    Textual lays borders, padding, tints and a background over every line anew, which takes
    several times as long as drawing it; nothing here has any but padding, and what has padding is
    left to Textual. The style under all lines is looked up once for those that are drawn together.
    """

    def __init__(self, *, id: str | None = None) -> None:
        self._style_of_all: Style | None = None
        self._kept: dict[int, Strip] = {}
        self._kept_width = 0
        super().__init__(id=id)

    def refresh(
        self,
        *regions: Region,
        repaint: bool = True,
        layout: bool = False,
        recompose: bool = False,
    ) -> Self:
        """Have all or some lines drawn again, in a style that is looked up again."""
        self._style_of_all = None
        for region in regions:
            for y in region.line_range:
                self._kept.pop(y, None)
        if not regions:
            self._kept.clear()
        return super().refresh(*regions, repaint=repaint, layout=layout, recompose=recompose)

    def notify_style_update(self) -> None:
        """Look the style up again: the theme has changed, or a rule of it."""
        self._style_of_all = None
        self._kept.clear()
        super().notify_style_update()

    @property
    def rich_style(self) -> Style:
        """The style under all lines."""
        if self._style_of_all is None:
            self._style_of_all = super().rich_style
        return self._style_of_all

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return the lines of `crop`, drawing those that are not kept."""
        if self.styles.gutter != Spacing():
            return super().render_lines(crop)
        kept, width = self._kept, self.size.width
        if width != self._kept_width:
            kept.clear()
            self._kept_width = width
        for y in crop.line_range:
            if y not in kept:
                kept[y] = self.render_line(y).adjust_cell_length(width, self.rich_style)
        strips = [kept[y] for y in crop.line_range]
        filters = self.app.get_line_filters()
        if filters:
            _, background = self.background_colors
            for each in filters:
                strips = [strip.apply_filter(each, background) for strip in strips]
        if crop.column_span != (0, width):
            strips = [strip.crop(*crop.column_span) for strip in strips]
        return strips
