"""Two layouts of the same chart, in CSS pixels: one for a phone held upright, one for a desk."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Sizes."""

    name: str
    width: float
    left: float
    right: float
    font: float
    """Size of the small text."""
    panel_height: float
    """Of a panel whose share is 1."""
    time_ticks: int
    mark_rows: int
    """Rows of text above the panels; 0 shows numbers only."""

    @property
    def plot_left(self) -> float:
        """Where the panels begin."""
        return self.left

    @property
    def plot_right(self) -> float:
        """Where the panels end."""
        return self.width - self.right

    @property
    def plot_width(self) -> float:
        """Width of the panels."""
        return self.plot_right - self.plot_left

    @property
    def columns(self) -> int:
        """Columns of pixels that a line is thinned to."""
        return max(int(self.plot_width / 1.5), 50)

    def text_width(self, text: str) -> float:
        """Return about how wide small text is; rather too wide, since fonts differ."""
        return 0.6 * self.font * len(text)


PHONE = Layout(
    name="phone", width=374, left=38, right=6, font=12, panel_height=150, time_ticks=5, mark_rows=0
)
DESK = Layout(
    name="desk", width=1200, left=52, right=14, font=13, panel_height=230, time_ticks=12, mark_rows=3
)
LAYOUTS = {layout.name: layout for layout in (PHONE, DESK)}
