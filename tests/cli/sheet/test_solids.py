"""Side views with solids: those of the library, the gap that reach gives, labels apart, and only where they are stated."""

from __future__ import annotations

import functools
import json
import math
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from slices import cases

import tiltwright
from kinematics.reach import flat_mm, outlines
from tiltwright.job.evaluate import EvaluatedJob, evaluate_job
from tiltwright.output.canvas import Canvas, LabelBox
from tiltwright.reach.analysis import analyse_operations, drawn_tip_mm
from tiltwright.sheet.build import build_sheet
from tiltwright.sheet.data import Sheet
from tiltwright.sheet.drawing import draw
from tiltwright.sheet.panel_layout import HALF, PAIR, ViewTransform, choose_scale
from tiltwright.sheet.side_view import BodyShape, Projection
from tiltwright.sheet.solids import bars, draw_projection
from tiltwright.sheet.typeset import sheet_data
from tiltwright.sheet.wording import UNCHECKED

from .test_drawing import faults

EXAMPLES = Path(__file__).parents[3] / "examples"
MAST_CAP = EXAMPLES / "mast_cap.toml"
MILL = (EXAMPLES / "teaching_mill.toml").read_text(encoding="utf-8")
HEAD = """
name = "Buoy bracket lug"
units = "mm"
machine = "machine.toml"
"""
TOOL = """
[[tool]]
name = "{name}"
length = {length}
diameter = 8.0
holder = "collet holder, short"
"""


# What is worked out for one test of the example does for all of them: nothing of it can be changed.
analysed = functools.cache(analyse_operations)


@pytest.fixture(scope="module")
def cap() -> Iterator[EvaluatedJob]:
    yield evaluate_job(str(MAST_CAP))
    analysed.cache_clear()
    sheet_of.cache_clear()


@functools.cache
def sheet_of(worked: EvaluatedJob, units: str | None = None) -> Sheet:
    return build_sheet(worked, date="2026-11-25", version="0.1.0", units=units)


def seen_gap(view) -> str:
    return view.solids.gap_words[0]


@pytest.mark.usefixtures("reach_once")
@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_dimension_is_the_distance_that_reach_gives(run, cap, units):
    asked = json.loads(run("reach", MAST_CAP, "--json", "--units", units).out)
    by_name = {one["name"]: one for one in asked["operations"]}
    sheet = sheet_of(cap, units)
    decimals = 3 if units == "mm" else 4
    assert len(sheet.drawings) == 3
    for drawing in sheet.drawings:
        near = by_name[drawing.view.marks[0].name]["nearest"]
        # A distance is rounded down, so that it is never shown too long.
        shown = math.floor(near["distance"] * 10**decimals + 1e-6) / 10**decimals
        assert seen_gap(drawing.view) == f"gap {shown:.{decimals}f}"
        assert f"{near['cutting']} to {near['turning']}" in drawing.view.solids.gap_words


def test_the_marked_places_lie_as_far_apart_as_the_dimension_says_and_on_the_drawn_bodies(cap):
    reached = analysed(cap)
    for stood in reached.operations:
        near, place = stood.clearance.nearest, stood.witness
        apart = np.linalg.norm(place.body_mm - place.obstacle_mm)
        # the halving ends at pieces of some hundredths of a millimetre
        assert apart == pytest.approx(near.gap_mm, abs=0.1)
        tip = drawn_tip_mm(reached.model, stood)
        low, high = reached.model.tips_mm(stood.pose)
        assert (tip >= low - 1e-9).all()
        assert (tip <= high + 1e-9).all()
        shown = outlines(reached.model, reached.scene, stood.pose, "side", tip)
        for name, end in ((near.body, place.body_mm), (near.obstacle, place.obstacle_mm)):
            (body,) = (one for one in shown if one.name == name)
            flat, rings = flat_mm(end, "side"), np.concatenate(body.polygons)
            assert (flat > rings.min(axis=0) - 0.1).all()
            assert (flat < rings.max(axis=0) + 0.1).all()


def test_a_ring_is_explained_where_one_is_drawn(cap, make):
    sheet = sheet_of(cap)
    panels = [draw(one.view, PAIR) for one in sheet.drawings]
    assert any(panel.ringed for panel in panels)
    assert "Large ring" in sheet_data(sheet, "a4")["drawings_words"]
    assert "Large ring" not in sheet_data(make(), "a4")["drawings_words"]


def test_the_outlines_are_the_librarys(cap):
    reached = analysed(cap)
    by_name = {stood.pose.name: stood for stood in reached.operations}
    for drawing in sheet_of(cap).drawings:
        stood = by_name[drawing.view.marks[0].name]
        tip = drawn_tip_mm(reached.model, stood)
        solids = drawing.view.solids
        for shown, side in ((solids.main, "side"), (solids.other, "front")):
            found = outlines(reached.model, reached.scene, stood.pose, side, tip)
            assert [body.name for body in shown.bodies] == [one.name for one in found]
            for body, one in zip(shown.bodies, found, strict=True):
                for mine, theirs in ((body.rings, one.polygons), (body.seen, one.seen)):
                    assert len(mine) == len(theirs)
                    assert all(np.array_equal(a, b) for a, b in zip(mine, theirs, strict=True))
        # no stand-in is left for a step that has its solid
        assert all(step.outline is None for step in drawing.view.steps)


def test_what_must_be_whole_is_drawn_whole_at_the_stated_scale(cap):
    for drawing in sheet_of(cap).drawings:
        panel = draw(drawing.view, PAIR)
        reduction = float(panel.scale.split(":")[1])
        ends = {(round(x, 3), round(y, 3)) for stroke in panel.strokes for x, y in stroke}
        origin = drawing.view.marks[0].place
        for body in drawing.view.solids.main.bodies:
            for point in np.concatenate(body.seen) if body.whole and body.seen else ():
                x, y = (point - origin) / reduction
                spot = panel.origin[0] + x, panel.origin[1] - y
                assert any(np.hypot(spot[0] - a, spot[1] - b) < 2e-3 for a, b in ends)


def test_the_other_side_stands_beside_where_there_is_room_and_not_where_there_is_none(cap):
    views = [drawing.view for drawing in sheet_of(cap).drawings]
    for view in views:
        placing, _, layout = choose_scale(view, PAIR)
        texts = [label.text for label in draw(view, PAIR).labels]
        beside = placing.beside()
        assert (beside is not None) == ("from \N{MINUS SIGN}Y" in texts)
        if beside is not None:
            # both at the same heights
            height = np.array([0.0, -200.0])
            assert beside(height)[1] == placing(height)[1]
            assert layout.left < placing.between < placing.paper[0]
    assert choose_scale(views[0], PAIR)[0].beside() is not None
    # with the same scale and hardly more room than one view takes
    slim = replace(PAIR, left=PAIR.right - 30.0)
    assert choose_scale(views[0], slim)[0].beside() is None


@settings(
    max_examples=cases(10),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(
    angles=st.tuples(st.floats(-115, 25), st.floats(-180, 180)),
    origin=st.tuples(*[st.floats(-80, 80)] * 3),
    ups=st.lists(st.floats(5, 150), min_size=1, max_size=6),
    bare=st.booleans(),
    length=st.floats(80, 250),
    name=st.sampled_from(["mill", "W" * 80]),
    units=st.sampled_from(["mm", "inch"]),
    layout=st.sampled_from([PAIR, HALF]),
)
def test_labels_keep_off_each_other_off_lines_and_inside(
    tmp_path, angles, origin, ups, bare, length, name, units, layout
):
    text = HEAD + TOOL.format(name=name, length=length)
    for index, up in enumerate(ups):
        section = "" if bare and index else f"round = {150.0 / (index + 1)}\n"
        text += f'[[stack]]\nname = "{name[:70]} {index}"\nup = {up}\n{section}'
    text += (
        f'[[operation]]\nname = "{name}"\nat = {{ A = {angles[0]}, C = {angles[1]} }}\norigin = {list(origin)}\n'
        f'tool = "{name}"\n'
    )
    (tmp_path / "machine.toml").write_text(MILL, encoding="utf-8")
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    (drawing,) = sheet_of(evaluate_job(str(tmp_path / "job.toml")), units).drawings
    assert drawing.view.solids is not None
    panel = draw(drawing.view, layout)
    assert faults(panel) == []
    sizes = [float(size) for size in re.findall(r'font-size="([\d.]+)"', panel.drawing.svg)]
    assert min(sizes) * 0.729 >= 2.6  # height of a digit, as a part of the font's size
    for colour in re.findall(r"#([0-9a-f]{6})", panel.drawing.svg):
        assert len({colour[:2], colour[2:4], colour[4:]}) == 1


@pytest.mark.usefixtures("reach_once")
def test_the_bars_are_the_margins_that_reach_gives(run, cap):
    asked = json.loads(run("reach", MAST_CAP, "--json").out)
    by_name = {one["name"]: one for one in asked["operations"]}
    for drawing in sheet_of(cap).drawings:
        linear = by_name[drawing.view.marks[0].name]["linear"]
        bars = drawing.view.solids.bars
        assert [bar.axis for bar in bars] == list("XYZ")
        for bar in bars:
            margin = linear[bar.axis]
            assert bar.low == f"{margin['to_low']:.3f} left"
            assert bar.high == f"{margin['to_high']:.3f} left"
            whole = margin["to_low"] + (margin["high"] - margin["low"]) + margin["to_high"]
            assert bar.start == pytest.approx(margin["to_low"] / whole, abs=1e-9)
            assert bar.end == pytest.approx(1.0 - margin["to_high"] / whole, abs=1e-9)


def test_a_collision_and_an_axis_beyond_its_travel_are_told_before_anything_else(tmp_path):
    text = HEAD + TOOL.format(name="mill", length=90.0)
    text += '[[stack]]\nname = "post"\nup = 100.0\nround = 60.0\n'
    text += '[[operation]]\nname = "low"\nat = { A = 0, C = 0 }\norigin = [0, 0, -60.0]\ntool = "mill"\n'
    text += "sweep = { x = [0.0, 600.0] }\n"
    (tmp_path / "machine.toml").write_text(MILL, encoding="utf-8")
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    sheet = sheet_of(evaluate_job(str(tmp_path / "job.toml")))
    assert any(alert.startswith("low: ") and "runs into post" in alert for alert in sheet.alerts)
    assert any("beyond the upper end of its travel" in alert for alert in sheet.alerts)
    (drawing,) = sheet.drawings
    assert seen_gap(drawing.view) == "contact"
    (x_bar,) = (bar for bar in drawing.view.solids.bars if bar.axis == "X")
    assert x_bar.high.endswith("BEYOND")
    assert x_bar.end > 1.0
    assert faults(draw(drawing.view, PAIR)) == []
    assert [label.text for label in bars(drawing.view.solids, 60.0).labels if label.text.endswith("over")]


def test_the_givens_tell_what_was_checked_in_place_of_what_was_not(cap, make):
    givens = sheet_of(cap).givens
    assert UNCHECKED[0] not in givens
    assert any("12.591, holder 2 to cap blank, at screw hole 1" in words for words in givens)
    assert any("Not checked here: index moves" in words and '"tiltwright reach"' in words for words in givens)
    assert make().givens[-1] == UNCHECKED[0]


def test_what_was_not_checked_is_the_first_alert(cap, tmp_path):
    assert not any(alert.startswith("NOT CHECKED: table") for alert in sheet_of(cap).alerts)
    (tmp_path / "teaching_mill.toml").write_text(
        MILL.replace('on   = "base"', 'on   = "A"'), encoding="utf-8"
    )
    (tmp_path / "job.toml").write_text(MAST_CAP.read_text(encoding="utf-8"), encoding="utf-8")
    sheet = sheet_of(evaluate_job(str(tmp_path / "job.toml")))
    assert sheet.alerts[0].startswith("NOT CHECKED: table and housing against what turns")


def test_without_tools_or_solids_nothing_changes_and_the_collision_library_is_not_loaded(make):
    assert all(drawing.view.solids is None for drawing in make().drawings)
    words = (
        "import sys; from tiltwright.app import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "print('manifold3d' in sys.modules, file=sys.stderr)"
    )
    roots = {str(Path(module.__file__).parents[1]) for module in (tiltwright, sys.modules["kinematics"])}
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([*roots, *filter(None, sys.path)])}
    loaded = [
        subprocess.run(
            [sys.executable, "-c", words, "sheet", str(EXAMPLES / f"{name}.toml")],
            capture_output=True,
            text=True,
            check=True,
            env=environment,
        ).stderr.split()[-1]
        for name in ("tide_gauge_head", "mast_cap")
    ]
    assert loaded == ["False", "True"]


def test_rings_are_cut_at_a_box():
    box = LabelBox(0.0, 1.0, 10.0, 12.0)
    square = [(-5.0, 2.0), (5.0, 2.0), (5.0, 8.0), (-5.0, 8.0)]
    canvas = Canvas(20.0, 20.0)
    canvas.area([square], "#dcdcdc", box)
    canvas.rings([square], 0.2, box)
    canvas.rings([], 0.2, box)
    # the piece along the box's own edge is no outline
    assert sorted(canvas.strokes) == [
        ((0.0, 2.0), (5.0, 2.0)),
        ((5.0, 2.0), (5.0, 8.0)),
        ((5.0, 8.0), (0.0, 8.0)),
    ]
    # nothing on the paper lies outside, not even hidden by a clip
    svg = ET.fromstring(canvas.finished().svg)
    places = [
        (float(x), float(y))
        for path in svg.iter("{http://www.w3.org/2000/svg}path")
        for x, y in re.findall(r"[ML]\s*(-?[\d.]+) (-?[\d.]+)", path.attrib["d"])
    ]
    assert len(places) >= 8
    assert all(0.0 <= x <= 10.0 and 1.0 <= y <= 12.0 for x, y in places)


def test_a_broken_line_says_where_a_body_is_cut_off():
    """And only there: an outline on the very edge is whole."""

    square = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 40.0], [0.0, 40.0]])
    shown = Projection("", (BodyShape("block", "turning", (square,), (square,), whole=True),), None)
    for right, cut in ((40.0, False), (40.2, False), (30.0, True)):
        canvas = Canvas(50.0, 50.0)
        upright = ViewTransform(1.0, (0.0, 0.0), (0.0, 40.0))
        draw_projection(canvas, shown, upright, LabelBox(0.0, 0.0, right, 45.0))
        slanted = [(a, b) for a, b in canvas.strokes if a[0] != b[0] and a[1] != b[1]]
        assert bool(slanted) == cut
        if cut:
            assert max(abs(x - 30.0) for stroke in slanted for x, _ in stroke) <= 0.9
            assert {round(y) for stroke in slanted for _, y in stroke} >= {0, 40}
