"""Where things stand in a side view's panel, in millimetres of paper.

The geometry lies in the middle, the vertical dimension in a strip to the left, the horizontal one in a strip below, every
other label in a column to the right: so labels and lines never meet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

TYPE_MM = 3.6
"""Size of the labels' type; its digits are 0.73 of that high, 2.6 mm."""
THIN, MEDIUM, HEAVY = 0.2, 0.35, 0.55
"""Weights of lines in mm."""


@dataclass(frozen=True)
class Layout:
    """A panel's size and strips.

    Attributes
    ----------
    width, height : float
    left, top, right, bottom : float
        The geometry's field.
    dimension_x, dimension_y : float
        Where the dimension lines run.
    dimension_mm : float
        Type size of the dimensions.
    column_x, column_top, column_bottom : float
        The labels at the right.
    arc_radius : float
        Of the arrow that tells how the table turns.
    arrow : float
        Length of the spindle's arrow.
    brief : bool
        Numbers of steps instead of their names, and dimensions on two lines: for a panel half a page wide.
    alone : bool
        Says itself from where it is seen and what its scale is: for a picture without a page around it.
    """

    width: float
    height: float
    left: float
    top: float
    right: float
    bottom: float
    dimension_x: float
    dimension_y: float
    dimension_mm: float
    column_x: float
    column_top: float
    column_bottom: float
    arc_radius: float
    arrow: float
    brief: bool
    alone: bool = False

    @property
    def column_em(self) -> float:
        """Width of the label column in units of the type size."""
        return (self.width - self.column_x - 0.5) / TYPE_MM

    def lowered(self, spare: float) -> Layout:
        """The layout without so many millimetres of its height, taken from the geometry's field."""
        return replace(
            self,
            height=self.height - spare,
            bottom=self.bottom - spare,
            dimension_y=self.dimension_y - spare,
            column_bottom=self.column_bottom - spare,
        )

    def without_arrow(self) -> Layout:
        """The layout for a drawing with the tool itself in it: the arrow's room goes to the geometry.

        But for a line of type above it, which no leader of a label runs into.
        """
        top = self.column_top + 7.0
        return replace(self, top=top, column_top=top)

    def beside(self, dimension: float) -> Layout:
        """The layout with its left strip just wide enough for the vertical dimension's text, a width in mm."""
        spare = self.dimension_x - 3.2 - dimension - 0.5
        return replace(self, dimension_x=self.dimension_x - spare, left=self.left - spare)


WIDE = Layout(
    width=178.0,
    height=89.5,
    left=43.0,
    top=19.5,
    right=112.0,
    bottom=75.5,
    dimension_x=37.0,
    dimension_y=86.0,
    dimension_mm=4.6,
    column_x=119.0,
    column_top=1.0,
    column_bottom=80.5,
    arc_radius=7.0,
    arrow=15.5,
    brief=False,
)
"""As wide as the page, every label written out."""

NARROW = Layout(
    width=87.0,
    height=77.5,
    left=30.0,
    top=16.0,
    right=62.5,
    bottom=63.0,
    dimension_x=24.0,
    dimension_y=71.0,
    dimension_mm=TYPE_MM,
    column_x=69.5,
    column_top=1.0,
    column_bottom=65.5,
    arc_radius=5.0,
    arrow=11.5,
    brief=True,
)
"""Half as wide, with short labels: two stand side by side."""

ALONE = replace(
    WIDE,
    height=WIDE.height + 12.0,
    top=WIDE.top + 6.5,
    bottom=WIDE.bottom + 6.5,
    dimension_y=WIDE.dimension_y + 6.5,
    column_top=WIDE.column_top + 6.5,
    column_bottom=WIDE.column_bottom + 6.5,
    alone=True,
)
"""The wide one with a line above and a line below that tell what a page would tell beside it."""
