"""A budget drawn: every interval against its tolerance, and a bar for each source of each feature.

Black and greys with marks of their own, so that a photocopy keeps all of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tiltwright.output.figure_style import SMALL, as_file, label, new_figure
from tiltwright.output.numbers import UNIT_SYMBOL, in_units
from tiltwright.uncertainty.budget_run import BudgetLine, JobBudget
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

    def use(line: BudgetLine) -> float:
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
    columns = _columns(_alike(budget, lines, bars))
    longest = max(map(_rows, columns))
    heights = [max(len(lines), 1) + 1.5, longest + 1.5]
    figure = new_figure(_WIDE if len(columns) > 1 else _NARROW, _ROW * sum(heights) + 1.0)
    top, bottom = figure.subfigures(2, 1, height_ratios=heights, squeeze=False)[:, 0]
    left_out = len(budget.lines) - len(lines)
    more = f"; {left_out} nearer to what is wanted left out" if left_out > 0 else ""
    figure.suptitle(
        label(f"{budget.job.views[0].job.file.name}: uncertainty budget, 95 %{more}", 2 * _LONGEST_NAME),
        fontsize=10,
    )
    _intervals(top.subplots(), lines, units)
    for axes, groups in zip(bottom.subplots(1, len(columns), squeeze=False)[0], columns, strict=True):
        _sources(axes, groups, longest)
    return as_file(figure, ending)


_NARROW, _WIDE = 7.6, 11.0
"""Width of the picture with one column of sources and with two, inches."""

_TALLEST = 20
"""Rows of one column of sources; more are set in two, so that the picture fits a page or a screen."""

Group = tuple[str, tuple[tuple[str, int], ...]]
"""Features that hang on the same sources in the same shares: their names, and source and per cent of each bar."""


def _alike(budget: JobBudget, lines: list[BudgetLine], bars: list[list[int]]) -> list[Group]:
    """The sources of every feature; those of which the same is to be drawn, such as repeats of a port, together."""
    found: dict[tuple[tuple[str, int], ...], list[str]] = {}
    for line, places in zip(lines, bars, strict=True):
        shares = tuple(
            (source_words(budget.job.sources[k]), round(100.0 * float(line.budget.shares[k]))) for k in places
        )
        found.setdefault(shares, []).append(line_name(line))
    return [("; ".join(names), shares) for shares, names in found.items()]


def _rows(groups: list[Group]) -> int:
    return sum(len(shares) + 1 for _, shares in groups)


def _columns(groups: list[Group]) -> list[list[Group]]:
    """The groups in one column, or in two of about the same height."""
    if _rows(groups) <= _TALLEST:
        return [groups]
    place = min(range(1, len(groups)), key=lambda k: abs(_rows(groups[:k]) - _rows(groups[k:])), default=1)
    return [groups[:place], groups[place:]]


def _plain(axes: Axes) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=SMALL)
    axes.invert_yaxis()


def _intervals(axes: Axes, lines: list[BudgetLine], units: str) -> None:
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


def _sources(axes: Axes, groups: list[Group], rows: int) -> None:
    """A bar for each source's share of the variance, feature by feature; `rows` are those of the longest column."""
    row, ticks, names = 0.0, [], []
    for title, shares in groups:
        axes.text(0.0, row, label(title, _LONGEST_NAME), fontsize=SMALL, fontweight="bold", va="center")
        row += 1.0
        for source, share in shares:
            axes.barh(row, share, height=0.6, color="0.45")
            axes.text(share + 1.0, row, f"{share} %", fontsize=SMALL, va="center")
            ticks.append(row)
            names.append(label(source, _LONGEST_NAME))
            row += 1.0
    axes.set_yticks(ticks, names)
    axes.set_ylim(-0.7, max(rows, 1.0) - 0.3)
    axes.set_xlim(0.0, 110.0)
    axes.set_xlabel("share of the variance, %", fontsize=SMALL)
    _plain(axes)
