"""Values of reach: equal where they say the same, hashable, frozen all through; wrong shapes and types refused."""

from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest

from kinematics.errors import KinematicsError
from kinematics.reach.beam import Section
from kinematics.reach.collision_model import OperationPose, with_step_height
from kinematics.reach.index_moves import job_index_moves
from kinematics.reach.load import LoadLimit
from kinematics.reach.scene import scene_of
from kinematics.reach.shapes import BASE, Box, Frustum, Mesh, Solid
from kinematics.reach.step_height import step_heights
from kinematics.reach.tool_assembly import HolderPart, TipEnvelope, Tool

CORNERS = [[0, 0, 0], [6, 0, 0], [0, 6, 0], [0, 0, 6]]
SIDES = [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]]

MAKERS = [
    lambda: Box([0, 0, 0], [1, 2, 3]),
    lambda: Frustum([0, 0, 0], [0, 0, 3], 5.0, 4.0, 1.0),
    lambda: Mesh(CORNERS, SIDES),
    lambda: Solid("wall", Box([0, 0, 0], [1, 2, 3]), BASE, mass_kg=2.0),
    lambda: TipEnvelope([0, 0, 0], [1, 2, 3]),
    lambda: OperationPose("op", [0.0, 10.0], [1.0, 2.0, 3.0], Tool("drill", 60.0, 6.0)),
]


@pytest.mark.parametrize("make_one", MAKERS)
def test_equal_values_are_equal_and_hash(make_one):
    first, second = make_one(), make_one()
    assert first == second
    assert hash(first) == hash(second)
    assert len({first, second}) == 1
    assert first != "wall"


def test_other_values_differ():
    assert Box([0, 0, 0], [1, 2, 3]) != Box([0, 0, 0], [1, 2, 4])
    assert Mesh(CORNERS, SIDES) != Mesh(np.array(CORNERS) * 2.0, SIDES)
    operation = OperationPose("op", [0.0, 10.0], [1.0, 2.0, 3.0])
    assert operation != replace(operation, machine_deg=[0.0, 11.0])


def test_frozen_all_through(make):
    given = np.array([1.0, 2.0, 3.0])
    box = Box([0, 0, 0], given)
    given[0] = 99.0
    assert box.high_mm.tolist() == [1.0, 2.0, 3.0]
    with pytest.raises(ValueError, match="read-only"):
        box.high_mm[0] = 5.0
    with pytest.raises(FrozenInstanceError):
        box.high_mm = given
    model = make.model([make.operation(at=(-30.0, 0.0))], retract_mm=(None, None, 450.0))
    move = job_index_moves(model, scene_of(model))[0]
    for array in (move.turn_deg, move.tool.machine_deg, model.start_deg, model.operations[0].machine_deg):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1.0


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (lambda _: Box([[0, 0, 0], [1, 1, 1]], [1, 2, 3]), r"low: expected shape \(3,\), found \(2, 3\)"),
        (lambda _: Frustum([0, 0], [0, 0, 3], 5.0), "from: expected a last axis of 3 numbers"),
        (lambda _: Frustum([0, 0, 0], [0, 0, 3], "5"), "diameter: expected a number, found '5'"),
        (lambda _: Mesh(CORNERS, [["a", "b", "c"]]), "expected triangles of whole numbers"),
        (lambda _: Solid("wall", "box", BASE), "wall, shape: expected a Frustum, Box or Mesh, found str"),
        (
            lambda _: Solid("wall", Box([0, 0, 0], [1, 1, 1]), "base"),
            "wall, on: expected an Attachment, found 'base'",
        ),
        (
            lambda _: Solid("wall", Box([0, 0, 0], [1, 1, 1]), BASE, mass_kg=np.nan),
            "wall, mass: expected finite",
        ),
        (lambda _: HolderPart("long", 3.0), "holder, length: expected a number, found 'long'"),
        (lambda _: Tool("drill", np.inf, 3.0), "drill, length: expected finite numbers"),
        (lambda _: Section(diameter_mm="30"), "Section, diameter: expected a number or None, found '30'"),
        (lambda _: LoadLimit(holding_nm=-3.0), "holding torque: expected more than 0, found -3"),
        (
            lambda _: OperationPose("op", [[0.0, 0.0]], [0, 0, 0]),
            r"op, angles: expected shape \(n,\), found \(1, 2\)",
        ),
        (lambda _: OperationPose("op", ["x"], [0, 0, 0]), "op, angles: expected numbers"),
        (
            lambda _: OperationPose("op", [0.0], [0, 0, 0], force_n=-1.0),
            "op, force: expected 0 or more newtons",
        ),
        (lambda make: make.model([make.operation(at=(0.0,))]), r"op, angles: expected 2 \(A, C\), found 1"),
        (lambda make: make.model(["op"]), "operations: expected an? OperationPose, found 'op'"),
        (lambda make: make.model([], ["wall"]), "solids, spindle: expected a Solid, found 'wall'"),
        (
            lambda make: with_step_height(make.model([]), 3, 10.0),
            "step: expected an index from 0 to 0, found 3",
        ),
        (
            lambda make: step_heights(make.model([]), 0, 50.0, 20.0),
            "expected the lower one first, found 50 to 20",
        ),
    ],
)
def test_wrong_shapes_and_types_are_refused_at_the_edge(make, build, words):
    with pytest.raises(KinematicsError, match=words):
        build(make)
