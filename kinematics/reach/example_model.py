"""A small job that the room's examples are worked on: every distance in it can be checked by head."""

from __future__ import annotations

import numpy as np

from kinematics.machine import Machine, Platter, Travel
from kinematics.reach.beam import Section
from kinematics.reach.collision_model import CollisionModel, OperationPose, StepBody
from kinematics.reach.shapes import BASE, Box, Solid
from kinematics.reach.tool_assembly import HolderPart, Tool
from kinematics.rotary import RotaryAxis, RotationSense
from kinematics.stack import StackStep
from kinematics.work_offsets import Setup

__all__ = ["example_model"]


def example_model() -> CollisionModel:
    """The model of a post on a mill with A under C, a fence beside it, and two operations with one tool.

    The lines of A and C cross at the machine's zero, where the platter's face is too. The post is 100 mm high, 60 mm thick
    and weighs 2 kg; the fence stands on the base, 150 mm toward +Y. The tool is 100 mm long and 10 mm thick, 45 mm of it
    below a holder of 40 mm. It comes to 10 mm above the post upright ("top"), and to 40 mm before the post's end where A
    has laid it down toward -Y ("side"); the spindle is retracted to Z 450.

    Examples
    --------
    >>> model = example_model()
    >>> [(one.name, one.machine_deg.tolist()) for one in model.operations]
    [('top', [0.0, 0.0]), ('side', [-90.0, 0.0])]
    >>> [model.tips_mm(one)[0].tolist() for one in model.operations]
    [[0.0, 0.0, 110.0], [0.0, -140.0, 0.0]]
    """
    a = RotaryAxis("A", np.array([0, 0, 0]), np.array([1, 0, 0]), RotationSense.CLOCKWISE, (-120.0, 30.0))
    c = RotaryAxis("C", np.array([0, 0, 0]), np.array([0, 0, 1]), RotationSense.CLOCKWISE, None)
    travel = Travel(np.array([-400.0, -300.0, -100.0]), np.array([400.0, 300.0, 500.0]))
    mill = Machine("mill", (a, c), Platter(face_mm=0.0, diameter_mm=160.0), travel)
    post = StackStep("post", up_mm=100.0)
    tool = Tool("end mill", 100.0, 10.0, (HolderPart(55.0, 40.0),))
    return CollisionModel(
        Setup.from_stack(mill, [post]),
        (post,),
        (StepBody(Section(diameter_mm=60.0), mass_kg=2.0),),
        (Solid("fence", Box(np.array([-50.0, 150.0, 0.0]), np.array([50.0, 160.0, 100.0])), BASE),),
        (),
        (
            OperationPose("top", np.array([0.0, 0.0]), np.array([0.0, 0.0, 10.0]), tool, force_n=100.0),
            OperationPose("side", np.array([-90.0, 0.0]), np.array([0.0, 0.0, 40.0]), tool),
        ),
        (None, None, 450.0),
    )
