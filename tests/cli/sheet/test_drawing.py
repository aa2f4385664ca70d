"""The side views are to scale, say what the offsets say, and keep their labels apart."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from slices import cases

from kinematics import Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep, table_pose
from tiltwright.output.canvas import LabelBox
from tiltwright.sheet.drawing import Panel, draw
from tiltwright.sheet.panel_layout import ALONE, HALF, PAIR, inside
from tiltwright.sheet.side_view import (
    SideView,
    TiltOperation,
    bar_section,
    choose_view_direction,
    round_section,
    side_view,
)
from tiltwright.teaching.worksheets import _PANEL as WORKSHEET

from .conftest import SETUPS

CLOCKWISE, COUNTER = RotationSense.CLOCKWISE, RotationSense.COUNTERCLOCKWISE
MINUS = "\N{MINUS SIGN}"
SVG = "{http://www.w3.org/2000/svg}"


def trunnion(direction=(1.0, 0.0, 0.0), sense=CLOCKWISE, diameter=160.0) -> Machine:
    tilt = RotaryAxis("A", np.array([-381.0, -203.412, -406.118]), np.array(direction), sense, None)
    turn = RotaryAxis(
        "C", np.array([-381.025, -203.405, -356.112]), np.array([0.0, 0.0, 1.0]), CLOCKWISE, None
    )
    return Machine("mill", (tilt, turn), Platter(-356.112, diameter))


def indexer(diameter=None) -> Machine:
    """One rotary that lies along X."""
    turn = RotaryAxis("A", np.array([-352.0, -124.87, -221.336]), np.array([1.0, 0.0, 0.0]), COUNTER, None)
    return Machine("mill", (turn,), Platter(None, diameter))


def view_of(setup: Setup, steps, angles, origin, units="mm", name="port") -> SideView:
    angles = np.array(angles, dtype=float)
    stand = TiltOperation(name, "G55", angles, setup.work_offset(origin, angles))
    return side_view(setup.machine, steps, setup.part_in_table, [stand], units, "a tilt")


def faults(panel: Panel) -> list[str]:
    """Labels that touch each other, a line, or the edge of the panel."""
    found = []
    ends = np.array(panel.strokes)
    low, high = ends.min(axis=1), ends.max(axis=1)
    for index, label in enumerate(panel.labels):
        found += [
            f"{label.text} / {other.text}" for other in panel.labels[index + 1 :] if label.overlaps(other)
        ]
        # a line whose own box keeps clear of the label cannot cross it: only the others are looked at closely
        near = (low <= (label.right, label.bottom)).all(axis=1) & (high >= (label.left, label.top)).all(
            axis=1
        )
        lines = [panel.strokes[i] for i in np.flatnonzero(near)]
        found += [f"{label.text} / line {line}" for line in lines if label.crossed_by(*line)]
        if label.left < 0 or label.top < 0 or label.right > panel.size[0] or label.bottom > panel.size[1]:
            found.append(f"{label.text} / edge")
    return found


steps_of_stacks = st.lists(
    st.builds(
        StackStep,
        name=st.text("WiM |<&日", min_size=1, max_size=80),
        up_mm=st.floats(-40, 300),
        shift_mm=st.tuples(st.floats(-80, 80), st.floats(-80, 80)),
        rotate=st.sampled_from([(), (("x", 30.0),), (("y", -75.0), ("z", 10.0))]),
    ),
    max_size=9,
)


@settings(max_examples=cases(40), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    steps=steps_of_stacks,
    tilt=st.floats(-120, 120),
    turn=st.floats(-180, 180),
    origin=st.tuples(*[st.floats(-200, 200)] * 3),
    direction=st.sampled_from([(1, 0, 0), (-1, 0.001, 0), (0, 1, 0), (0, 0, 1), (0, 1, 1), (0.1, 0, 1)]),
    diameter=st.sampled_from([None, 63.0, 500.0]),
    units=st.sampled_from(["mm", "inch"]),
    layout=st.sampled_from([HALF, PAIR, ALONE]),
)
def test_labels_keep_off_each_other_off_lines_and_inside(
    steps, tilt, turn, origin, direction, diameter, units, layout
):
    setup = Setup.from_stack(trunnion(direction, diameter=diameter), steps)
    assert faults(draw(view_of(setup, steps, (tilt, turn), origin, units, "W" * 80), layout)) == []


@settings(max_examples=cases(40), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    steps=steps_of_stacks,
    turn=st.floats(-180, 180),
    origin=st.tuples(*[st.floats(-200, 200)] * 3),
    diameter=st.sampled_from([None, 63.0]),
    layout=st.sampled_from([HALF, PAIR, ALONE]),
)
def test_an_indexers_stack_is_a_line_with_labels_kept_apart(steps, turn, origin, diameter, layout):
    view = view_of(Setup.from_stack(indexer(diameter), steps), steps, (turn,), origin)
    assert all(step.outline is None for step in view.steps)
    assert faults(draw(view, layout)) == []


def test_what_is_not_drawn_as_it_is_is_dashed_and_what_the_file_states_is_not():
    steps = [StackStep("post", 120.0)]
    for diameter, dashed in ((160.0, 1), (None, 2)):
        machine = trunnion(diameter=diameter)
        svg = draw(view_of(Setup.from_stack(machine, steps), steps, (-20, 0), (0, 0, 0))).drawing.svg
        outlines = [path for path in re.findall(r"<path [^>]*>", svg) if re.search(r'Z"', path)]
        assert len([path for path in outlines if "stroke-dasharray" in path]) == dashed
    ended = draw(view_of(Setup.from_stack(indexer(), steps), steps, (30,), (0, 0, 0)))
    assert not [
        p for p in re.findall(r"<path [^>]*>", ended.drawing.svg) if re.search(r'Z"', p) and "dash" in p
    ]


@given(
    tilt=st.floats(-120, 120),
    origin=st.tuples(*[st.floats(-60, 60)] * 3),
    layout=st.sampled_from([HALF, PAIR, ALONE]),
)
@settings(max_examples=cases(60), deadline=None)
def test_the_spindles_arrow_ends_above_the_origin_and_above_all_that_stands_over_it(tilt, origin, layout):
    steps = [StackStep("plate", 20.0), StackStep("post", 120.0)]
    view = view_of(Setup.from_stack(trunnion(), steps), steps, (tilt, 40.0), origin)
    panel = draw(view, layout)
    per = 1.0 / float(panel.scale.split(":")[1])

    def on_paper(points):
        return np.array(panel.origin) + (np.atleast_2d(points) - view.marks[0].place) * per * [1.0, -1.0]

    tip_x, tip_y = panel.arrow_tip
    assert tip_x == panel.origin[0]
    assert tip_y <= panel.origin[1] - 3.0
    lane = LabelBox(tip_x - 0.5, -1e4, tip_x + 0.5, 1e4)  # as wide as the arrow's shaft
    for shape in map(on_paper, (*(step.outline for step in view.steps), view.platter)):
        for start, end in zip(shape, np.roll(shape, -1, axis=0), strict=True):
            for piece in lane.clip(tuple(start), tuple(end)) or ():
                assert piece[1] > tip_y
    ((zero_x, zero_y),) = on_paper(view.part_zero)
    assert abs(zero_x - tip_x) > 2.0 or zero_y > tip_y + 1.5


@given(tilt=st.floats(-120, 120), ups=st.lists(st.floats(3, 120), min_size=1, max_size=6))
@settings(max_examples=cases(15), deadline=None)
def test_leaders_cross_neither_each_other_nor_a_body(tilt, ups):
    steps = [StackStep(f"step {k}", up) for k, up in enumerate(ups)]
    view = view_of(Setup.from_stack(trunnion(), steps), steps, (tilt, 40.0), (10.0, 0.0, -5.0))
    panel = draw(view)
    per = 1.0 / float(panel.scale.split(":")[1])
    bodies = [
        [np.array(panel.origin) + (step.outline - view.marks[0].place) * per * [1.0, -1.0]]
        for step in view.steps
    ]
    share = np.linspace(0.0, 1.0, 40)[:, None]
    paths = [
        np.array(start) + share * 0.97 * (np.array(end) - np.array(start)) for start, end in panel.leaders
    ]
    for index, path in enumerate(paths):
        assert not any(inside(body, path).any() for body in bodies)
        for other in paths[index + 1 :]:
            assert np.hypot(*(path[:, None] - other).transpose(2, 0, 1)).min() > 0.3


def test_the_check_for_overlaps_can_fail():
    panel = draw(view_of(Setup.from_stack(trunnion(), []), [], (0, 0), (10, 20, 30)))
    label = panel.labels[0]
    crossing = ((label.left, label.top - 1.0), (label.right, label.bottom + 1.0))
    spoilt = replace(panel, labels=(*panel.labels, label), strokes=(crossing,))
    assert len(faults(spoilt)) >= 3


@pytest.mark.parametrize("setup", SETUPS)
def test_dimensions_and_offsets_are_those_of_the_table(make, setup):
    sheet = make(*SETUPS[setup])
    by_name = {op.name: op for op in sheet.operations}
    decimals = 3 if sheet.units == "mm" else 4
    for drawing in sheet.drawings:
        texts = [label.text for label in draw(drawing.view).labels]
        listed = [label.text for label in draw(drawing.view, ALONE).labels]
        axis = "XY".index(drawing.view.right)
        for mark in drawing.view.marks:
            offset = by_name[mark.name].offset
            assert mark.shown == (offset[axis], offset[2])
            point = mark.axis / (1.0 if sheet.units == "mm" else 25.4)
            for start, moved, end in zip(point, mark.delta, mark.shown, strict=True):
                assert float(start) + float(moved) == pytest.approx(float(end), abs=1.01 * 10.0**-decimals)
        first = drawing.view.marks[0]
        for letter, shown, delta in zip((drawing.view.right, "Z"), first.shown, first.delta, strict=True):
            assert f"{letter} {shown}".replace("-", MINUS) in listed
            assert f"Δ{letter} {delta}".replace("-", MINUS) in " ".join(texts)


@given(
    tilt=st.floats(-115, 115),
    origin=st.tuples(*[st.floats(-60, 60)] * 3),
    layout=st.sampled_from([HALF, PAIR, ALONE]),
)
@settings(max_examples=cases(40), deadline=None)
def test_the_dimension_lines_are_to_the_stated_scale(tilt, origin, layout):
    steps = [StackStep("post", 120.0)]
    view = view_of(Setup.from_stack(trunnion(), steps), steps, (tilt, 40.0), origin)
    panel = draw(view, layout)
    reduction = float(panel.scale.split(":")[1])
    across, up = view.marks[0].place - view.marks[0].axis
    # where the extension lines meet the dimension lines
    level = sorted(line[0][1] for line in panel.strokes if line[0][0] == panel.dimension_lines[0] - 1.5)
    upright = sorted(line[1][0] for line in panel.strokes if line[1][1] == panel.dimension_lines[1] + 1.5)
    assert (level[1] - level[0]) * reduction == pytest.approx(abs(up), abs=1e-6)
    assert (upright[1] - upright[0]) * reduction == pytest.approx(abs(across), abs=1e-6)


def test_a_platter_seen_edge_on_is_as_long_as_its_diameter():
    view = view_of(Setup.from_stack(trunnion(), []), [], (-37.0, 0.0), (0, 0, 0))
    assert np.ptp(view.platter @ [np.cos(np.radians(37.0)), np.sin(np.radians(37.0))]) == pytest.approx(
        160.0, abs=1e-9
    )


@pytest.mark.parametrize("sense", RotationSense)
@pytest.mark.parametrize("direction", [(1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0)])
def test_the_turning_arrow_goes_the_way_the_table_goes(sense, direction):
    machine = trunnion(direction, sense)
    view = view_of(Setup.from_stack(machine, []), [], (0, 0), (0, 0, 0))
    pivot = machine.rotaries[0].point_mm
    # a point above the tilt axis moves to the right of the drawing when the table turns clockwise
    moved = table_pose(machine, np.array([1.0, 0.0])).apply(pivot + np.array([0.0, 0.0, 100.0])) - pivot
    assert view.turns_clockwise == (moved[choose_view_direction(machine).right] > 0)


def _paths(svg: str, weight: float) -> list[np.ndarray]:
    """The points of every path of a weight, arcs as their two ends."""
    found = re.findall(rf'<path d="([^"]*)" stroke="black" stroke-width="{weight:g}"', svg)
    pairs = [re.findall(r"[ML]([-\d.]+),([-\d.]+)|0,[01],([-\d.]+),([-\d.]+)", path) for path in found]
    return [np.array([[float(v) for v in pair if v] for pair in path]) for path in pairs]


@pytest.mark.parametrize("above", [20.0, 25.4, 30.0, 40.0, 50.0])
@pytest.mark.parametrize("direction", [(1, 0, 0), (0, 1, 0)])
@pytest.mark.parametrize("layout", [HALF, ALONE, WORKSHEET])
def test_the_turning_arrow_keeps_clear_of_the_platter(layout, direction, above):
    """A trunnion whose tilt axis runs close below its platter: the arrow was drawn across it, and cut it in two."""
    tilt, turn = trunnion(direction).rotaries
    machine = Machine("mill", (tilt, turn), Platter(tilt.point_mm[2] + above, 160.0))
    steps = [StackStep("riser", up_mm=120.0), StackStep("blank", up_mm=60.0)]
    setup = Setup.from_stack(machine, steps)
    svg = draw(view_of(setup, steps, (0, 0), (0, 0, 0)), layout).drawing.svg
    (rim,) = _paths(svg, 1.6)
    (arc,) = [path for path in _paths(svg, 0.45) if len(path) == 2 and _is_arc(svg, path)]
    assert np.abs(arc[:, 1] - rim[0, 1]).min() > 1.4


def _is_arc(svg: str, path: np.ndarray) -> bool:
    return f"M{path[0, 0]:g},{path[0, 1]:g} A" in svg


@pytest.mark.parametrize("direction", [(1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0)])
def test_a_view_from_the_negative_end_says_so(direction):
    """From +X, or from the front: a rotary along -X or +Y is then seen from its negative end."""
    view = view_of(Setup.from_stack(trunnion(direction), []), [], (0, 0), (0, 0, 0))
    assert ("A's negative end" in view.seen_from) == (direction in ((-1, 0, 0), (0, 1, 0)))


def test_a_drawing_for_each_tilt_and_each_pose_of_an_indexer(make):
    assert [drawing.view.title for drawing in make().drawings] == [
        "At program A 0.0000  C 0.0000",
        "At program A 30.0000  C 0.0000",
        "At program A -35.0000  C 240.0000",
    ]
    assert len(make().drawings[1].rows) == 6
    assert len(make(*SETUPS["float"]).drawings) == 2


def test_names_stay_text_in_the_drawing():
    name = "</text><script>x()</script>&amp;\"'|#panic()"
    steps = [StackStep(name[:40], 50.0)]
    svg = draw(
        view_of(Setup.from_stack(trunnion(), steps), steps, (0, 0), (0, 0, 5), name=name), ALONE
    ).drawing.svg
    root = ET.fromstring(svg)
    assert {element.tag for element in root.iter()} <= {
        SVG + tag for tag in ("svg", "defs", "path", "rect", "circle", "text")
    }
    texts = ["".join(element.itertext()) for element in root.iter(SVG + "text")]
    assert any(text.startswith("G55 </text><script>") for text in texts)


@pytest.mark.parametrize("layout", [HALF, PAIR, ALONE])
def test_letters_on_paper_are_large_and_nothing_is_coloured(make, layout):
    for drawing in make().drawings:
        svg = draw(drawing.view, layout).drawing.svg
        sizes = [float(size) for size in re.findall(r'font-size="([\d.]+)"', svg)]
        assert min(sizes) * 0.729 >= 2.6  # height of a digit, as a part of the font's size
        for colour in re.findall(r"#([0-9a-f]{6})", svg):
            assert len({colour[:2], colour[2:4], colour[4:]}) == 1


def test_a_step_with_its_section_is_drawn_to_scale():
    """A 60 mm round and a 40 by 20 bar, upright and seen from +X: as wide as they are, whatever the platter is."""
    steps = [StackStep("round", up_mm=50.0), StackStep("bar", up_mm=30.0), StackStep("bare", up_mm=10.0)]
    setup = Setup.from_stack(trunnion(), steps)
    stand = TiltOperation("port", "G55", np.zeros(2), setup.work_offset([0, 0, 0], np.zeros(2)))

    def seen(*sections):
        return side_view(setup.machine, steps, setup.part_in_table, [stand], "mm", "a tilt", sections)

    view = seen(round_section(60.0), bar_section((40.0, 20.0)), None)
    wide = [np.ptp(step.outline[:, 0]) for step in view.steps if step.outline is not None]
    assert wide[:2] == pytest.approx([60.0, 20.0], abs=1e-6)
    assert [step.stated for step in view.steps] == [True, True, False]
    # What is not to scale is said of nothing else.
    assert "dashed" in view.outline_words
    assert seen(None, None, None).outline_words == view_of(setup, steps, (0.0, 0.0), (0, 0, 0)).outline_words
    assert seen(round_section(60.0), round_section(30.0), round_section(5.0)).outline_words == ""
    # Stated steps have full outlines, the others dashes.
    dashed = [draw(one, HALF).drawing.svg.count("stroke-dasharray") for one in (view, seen(None, None, None))]
    assert dashed[1] == dashed[0] + 2


def test_an_indexer_shows_the_sections_that_are_stated():
    setup = Setup.from_stack(indexer(100.0), [StackStep("stub", up_mm=40.0)])
    stand = TiltOperation("top", "G54", np.zeros(1), setup.work_offset([0, 0, 0], np.zeros(1)))
    view = side_view(
        setup.machine,
        [StackStep("stub", up_mm=40.0)],
        setup.part_in_table,
        [stand],
        "mm",
        "a tilt",
        [round_section(25.0)],
    )
    (step,) = view.steps
    assert step.outline is not None
    assert np.ptp(step.outline[:, 0]) == pytest.approx(25.0, abs=1e-6)


@pytest.mark.parametrize("layout", [HALF, ALONE, WORKSHEET])
def test_a_dimension_that_is_asked_for_is_not_cut_at_the_edge(layout):
    """The strip beside "ΔZ ?" was as wide as the question mark, and the Δ fell off the paper."""
    steps = [StackStep("post", 120.0)]
    view = view_of(Setup.from_stack(trunnion(), steps), steps, (0, 0), (0, 0, 0))
    asked = replace(view, marks=(replace(view.marks[0], delta=("?", "?")),))
    panel = draw(asked, layout)
    assert "ΔZ" in [label.text for label in panel.labels]
    assert faults(panel) == []


def test_the_list_beside_a_picture_has_every_steps_name_whole():
    name = "salinity probe collar blank, part zero at top centre"
    steps = [StackStep("sub-plate", 20.0), StackStep(name, 35.006)]
    setup = Setup.from_stack(trunnion(), steps)
    rows = [label.text for label in draw(view_of(setup, steps, (-30, 0), (0, 0, 0)), ALONE).labels]
    assert f"{name}, up 35.006" in " ".join(row.strip() for row in rows)
    assert not any("…" in row for row in rows)


@pytest.mark.parametrize(("origin", "apart"), [((0, 0, 0), False), ((0, 12, -3), True)])
def test_a_small_circle_is_named_where_one_is_drawn(origin, apart):
    steps = [StackStep("post", 120.0)]
    panel = draw(view_of(Setup.from_stack(trunnion(), steps), steps, (-30, 0), origin), ALONE)
    assert ("small circle: part zero" in [label.text for label in panel.labels]) is apart
    assert panel.drawing.svg.count('r="1.5"') == apart


@pytest.mark.parametrize("count", range(1, 6))
def test_the_list_beside_a_low_picture_keeps_off_its_caption(count):
    """An indexer's stack is drawn low, and its long caption ran into the last line of the list."""
    steps = [StackStep(f"block, part zero on the top side, {k}", 0.0, (8.0, 0.0)) for k in range(count)]
    view = view_of(Setup.from_stack(indexer(), steps), steps, (0,), (0, 0, 0))
    assert faults(draw(view, ALONE)) == []
