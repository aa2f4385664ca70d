"""Outlines: areas that can be worked by hand, and what hides what."""

import numpy as np
import pytest

from kinematics.reach.scene import scene_of
from kinematics.reach.shapes import BASE, Box, Solid
from kinematics.reach.silhouette import VIEWS, flat_mm, outlines


def area(rings):
    total = 0.0
    for ring in rings:
        x, y = ring.T
        total += float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2.0
    return total


def test_views_are_right_handed():
    for rows in VIEWS.values():
        assert np.linalg.det(rows) == pytest.approx(1.0)
    assert flat_mm(np.array([1.0, 2.0, 3.0]), "front").tolist() == [1.0, 3.0]
    assert flat_mm(np.array([1.0, 2.0, 3.0]), "side").tolist() == [2.0, 3.0]
    assert flat_mm(np.array([1.0, 2.0, 3.0]), "top").tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    ("view", "expected"), [("front", 20 * 40.0), ("side", 30 * 40.0), ("top", 20 * 30.0)]
)
def test_areas(make, view, expected):
    block = Solid("block", Box([-10, -15, 0], [10, 15, 40]), BASE)
    model = make.model([make.operation(tool=None)], [block], section=None)
    (found,) = outlines(model, scene_of(model), model.operations[0], view)
    assert area(found.polygons) == pytest.approx(expected)
    assert area(found.seen) == pytest.approx(expected)
    assert (found.name, found.kind) == ("block", "base")


def test_what_is_behind_is_hidden(make):
    near = Solid("near", Box([-10, -40, 0], [10, -30, 20]), BASE)
    far = Solid("far", Box([0, 30, 0], [30, 40, 40]), BASE)
    model = make.model([make.operation(tool=None)], [near, far], section=None)
    found = outlines(model, scene_of(model), model.operations[0], "front")  # the eye stands at -Y
    assert [one.name for one in found] == ["far", "near"]
    assert area(found[0].polygons) == pytest.approx(30 * 40)
    assert area(found[0].seen) == pytest.approx(30 * 40 - 10 * 20)
    assert area(found[1].seen) == pytest.approx(20 * 20)


def test_a_tilted_post_and_the_tool(make):
    model = make.model([make.operation(at=(-90.0, 0.0))])
    found = {one.name: one for one in outlines(model, scene_of(model), model.operations[0], "side")}
    assert found["post"].kind == "turning"
    assert area(found["post"].polygons) == pytest.approx(60 * 100, rel=2e-3)
    assert [found[name].kind for name in ("tool", "holder 1", "spindle nose")] == ["tool", "holder", "holder"]
