"""Solids of an operation in its side views, and the clearance found, in words."""

from __future__ import annotations

from dataclasses import replace

from kinematics.reach import Margin, View, flat_mm, outlines
from tiltwright.output import numbers
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis, drawn_tip_mm
from tiltwright.reach.messages import assumptions
from tiltwright.reach.wording import assumption_words, corner_words, shown_down
from tiltwright.sheet.data import Texts
from tiltwright.sheet.side_view import BodyShape, Projection, SideView, Solids, TravelBar

__all__ = ["clearance_words", "with_solids"]

_WORDS: dict[View, str] = {"side": "from +X", "front": "from -Y"}


def with_solids(view: SideView, analysis: ReachAnalysis, which: int, units: str) -> SideView:
    """A side view with an operation's solids in place of the stand-in outlines.

    Parameters
    ----------
    view : SideView
        Drawn at that operation.
    analysis : ReachAnalysis
    which : int
        The operation, from 0.
    units : str
        "mm" or "inch".
    """
    operation, layout = analysis.operations[which], analysis.model
    near = operation.clearance.nearest
    main, other = _views(view)
    bare = [body is None for body in layout.step_bodies]
    steps = tuple(
        step if stands_in else replace(step, outline=None)
        for step, stands_in in zip(view.steps, bare, strict=True)
    )
    gap_words: Texts = ()
    if near is not None:
        size = f"gap {shown_down(near.gap_mm, units)}" if near.gap_mm > 0.0 else "contact"
        gap_words = (size, f"{near.body} to {near.obstacle}")
    solids = Solids(
        main=_projection(analysis, operation, main),
        other=_projection(analysis, operation, other),
        tool="" if operation.pose.tool is None else operation.pose.tool.name,
        gap_words=gap_words,
        travel_words=(
            f"Travel left at either end ({units}); dark: what {view.marks[0].register} needs",
            f"Travel left ({units})",
        ),
        bars=tuple(_bar(margin, units) for margin in operation.linear),
        platter=any(solid.name == "platter" for solid in layout.solids),
    )
    words = "dashed: hidden behind what is nearer"
    if any(step.outline is not None for step in steps):
        words += "; steps without a section dashed, their widths not to scale"
    return replace(view, steps=steps, outline_words=words, solids=solids)


def _views(view: SideView) -> tuple[View, View]:
    return ("side", "front") if view.right == "Y" else ("front", "side")


def _projection(analysis: ReachAnalysis, operation: OperationAnalysis, view: View) -> Projection:
    layout = analysis.model
    found = outlines(layout, analysis.scene, operation.pose, view, drawn_tip_mm(layout, operation))
    spindle = {solid.name for solid in layout.spindle}
    bodies = tuple(
        BodyShape(
            one.name,
            one.kind,
            one.polygons,
            one.seen,
            one.kind != "base" and not (one.kind == "holder" and one.name in spindle),
        )
        for one in found
    )
    place = operation.witness
    gap = None if place is None else (flat_mm(place.body_mm, view), flat_mm(place.obstacle_mm, view))
    return Projection(_WORDS[view], bodies, gap)


def _bar(margin: Margin, units: str) -> TravelBar:
    low_mm, high_mm = margin.low_mm - margin.to_low_mm, margin.high_mm + margin.to_high_mm
    low, high = (
        f"{numbers.length(abs(left), units)} {'left' if left >= 0 else 'BEYOND'}"
        for left in (margin.to_low_mm, margin.to_high_mm)
    )
    long = high_mm - low_mm
    return TravelBar(
        margin.axis, low, high, (margin.low_mm - low_mm) / long, (margin.high_mm - low_mm) / long
    )


def clearance_words(analysis: ReachAnalysis, units: str) -> Texts:
    """Sentences: what was checked of clearance, the smallest gap, and what was not checked."""
    up = any(operation.retraction is not None for operation in analysis.operations)
    found = [
        "Clearance between tool, holder or spindle and everything in the way was checked with the stated solids and the uncut blank, at each operation: over "
        + ("its sweep and on the way straight up from it." if up else "its sweep.")
    ]
    gaps = [operation for operation in analysis.operations if operation.clearance.nearest is not None]
    if gaps:
        least = min(
            gaps,
            key=lambda operation: operation.clearance.nearest.gap_mm if operation.clearance.nearest else 0.0,
        )
        near = least.clearance.nearest
        assert near is not None
        where = f" {corner_words(least)}".rstrip()
        size = (
            f"{shown_down(near.gap_mm, units)}, {near.body} to {near.obstacle}"
            if near.gap_mm > 0.0
            else f"none: {near.body} runs into {near.obstacle}"
        )
        found.append(f"The smallest gap is {size}, at {least.pose.name}{where}.")
    else:
        found.append("There was no gap to measure.")
    tables = [
        (operation, operation.table.nearest)
        for operation in analysis.operations
        if operation.table.nearest is not None
    ]
    if tables:
        operation, pair = min(tables, key=lambda both: both[1].gap_mm)
        size = shown_down(pair.gap_mm, units) if pair.gap_mm > 0.0 else "none"
        found.append(
            f"What turns was checked against what stands beside it at each operation: the smallest gap is {size}, "
            f"{pair.body} to {pair.obstacle}, at {operation.pose.name}."
        )
    found += [
        assumption_words(item, units)
        for item in assumptions(analysis)
        if item.kind in ("no sweep", "bearing")
    ]
    found.append(
        'Not checked here: index moves, loads, chips, hoses and anything the files do not state. The command "tiltwright reach" '
        "checks index moves and loads too."
    )
    return tuple(found)
