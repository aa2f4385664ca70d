"""A budget drawn: every interval against its tolerance, and a bar for each source of each feature.

Black and greys with marks of their own, so that a photocopy keeps all of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tiltwright.output.figure_style import SMALL, as_file, label, new_figure
from tiltwright.output.numbers import UNIT_SYMBOL, in_units
from tiltwright.uncertainty.budget_run import JobBudget, Line
from tiltwright.uncertainty.budget_text import line_name
from tiltwright.uncertainty.wording import source_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["budget_plot"]

_MOST_LINES = 12
_MOST_SOURCES = 5
_LEAST_SHARE = 0.01
_LONGEST_NAME = 70
_ROW = 0.3
"""Height of a row, inches."""


def budget_plot(budget: JobBudget, units: str, ending: str) -> bytes:
    """Draw a budget; of many features and seams, those that come nearest to their tolerance."""

    def use(line: Line) -> float:
        limit = line.budget.limit_mm
        return -(abs(line.expected_mm) + line.expanded_mm) / (limit or 1e9)

    lines = sorted(budget.lines, key=use)[:_MOST_LINES]
    bars = [
        [
            k
            for k in np.argsort(-line.budget.shares, kind="stable").tolist()[:_MOST_SOURCES]
            if line.budget.shares[k] >= _LEAST_SHARE
        ]
        for line in lines
    ]
    heights = [max(len(lines), 1) + 1.5, sum(len(one) + 1 for one in bars) + 1.5]
    figure = new_figure(7.6, _ROW * sum(heights) + 1.0)
    top, bottom = figure.subplots(2, 1, height_ratios=heights)
    left_out = len(budget.lines) - len(lines)
    more = f"; {left_out} nearer to what is wanted left out" if left_out > 0 else ""
    figure.suptitle(
        label(f"{budget.job.views[0].job.file.name}: uncertainty budget, 95 %{more}", 2 * _LONGEST_NAME),
        fontsize=10,
    )
    _intervals(top, lines, units)
    _sources(bottom, budget, lines, bars)
    return as_file(figure, ending)


def _plain(axes: Axes) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=SMALL)
    axes.invert_yaxis()


def _intervals(axes: Axes, lines: list[Line], units: str) -> None:
    """Each deviation to expect with its interval; a bracket on either side where the tolerance ends."""
    for row, line in enumerate(lines):
        middle, half = in_units(line.expected_mm, units), in_units(line.expanded_mm, units)
        failed = line.verdict is False
        axes.errorbar(
            middle,
            row,
            xerr=half,
            fmt="s" if failed else "o",
            color="black",
            markersize=4,
            capsize=3,
            linewidth=2.2 if failed else 1.2,
        )
        limit = line.budget.limit_mm
        if limit is not None:
            ends = [-in_units(limit, units), in_units(limit, units)]
            axes.plot(
                ends,
                [row, row],
                linestyle="none",
                marker="|",
                markersize=14,
                markeredgewidth=1.6,
                color="0.35",
            )
        if failed:
            axes.annotate(
                "FAIL",
                (middle + half, row),
                (6, -3),
                textcoords="offset points",
                fontsize=SMALL,
                fontweight="bold",
            )
    axes.axvline(0.0, color="0.7", linewidth=0.8, zorder=0)
    axes.set_yticks(range(len(lines)), [label(line_name(line), _LONGEST_NAME) for line in lines])
    axes.set_ylim(-0.7, len(lines) - 0.3)
    axes.set_xlabel(f"deviation in {UNIT_SYMBOL[units]}; bars: tolerance", fontsize=SMALL)
    _plain(axes)


def _sources(axes: Axes, budget: JobBudget, lines: list[Line], bars: list[list[int]]) -> None:
    """A bar for each source's share of the variance, feature by feature."""
    row, ticks, names = 0.0, [], []
    for line, places in zip(lines, bars, strict=True):
        axes.text(
            0.0, row, label(line_name(line), _LONGEST_NAME), fontsize=SMALL, fontweight="bold", va="center"
        )
        row += 1.0
        for k in places:
            share = 100.0 * float(line.budget.shares[k])
            axes.barh(row, share, height=0.6, color="0.45")
            axes.text(share + 1.0, row, f"{share:.0f} %", fontsize=SMALL, va="center")
            ticks.append(row)
            names.append(label(source_words(budget.job.sources[k]), _LONGEST_NAME))
            row += 1.0
    axes.set_yticks(ticks, names)
    axes.set_ylim(-0.7, max(row, 1.0) - 0.3)
    axes.set_xlim(0.0, 110.0)
    axes.set_xlabel("share of the variance, %", fontsize=SMALL)
    _plain(axes)
