"""A small part that the room's examples are worked on: every number in it can be checked by head."""

from __future__ import annotations

import numpy as np

from kinematics.machine import Machine, Platter
from kinematics.rotary import RotaryAxis, RotationSense
from kinematics.stack import StackStep
from kinematics.uncertainty.features import Feature, PartModel, part_model
from kinematics.uncertainty.inspection import MeasuredDeviation, MeasuredParts, measured_parts
from kinematics.uncertainty.model_parts import ModelOperation, StackNode
from kinematics.uncertainty.setup_model import SetupModel
from kinematics.uncertainty.sources import Spread, UncertaintySource

__all__ = ["example_measured", "example_part"]


def example_part() -> tuple[PartModel, UncertaintySource]:
    """The model of a part on a post of 100 mm, and the one source of its uncertainty: the post's height.

    The mill has A under C; their lines cross at the machine's zero, where the platter's face is too. The part is cut upright
    ("top") and laid down toward -Y ("side"). Two heights along the part's z are held to 0.1 mm: "face", cut at the top, and
    "step", cut at the side, where the part's z is the machine's -Y. The post's height has a standard uncertainty of 0.04 mm.

    Examples
    --------
    >>> part, height = example_part()
    >>> part.jacobian[:, part.model.columns(height)].round(9).tolist()   # on a taller post, both are cut too low
    [[-1.0], [-1.0]]
    >>> height.u.tolist()
    [0.04]
    """
    a = RotaryAxis("A", np.zeros(3), np.array([1.0, 0.0, 0.0]), RotationSense.CLOCKWISE, (-120.0, 30.0))
    c = RotaryAxis("C", np.zeros(3), np.array([0.0, 0.0, 1.0]), RotationSense.CLOCKWISE, None)
    post = StackNode("post", StackStep("post", up_mm=100.0))
    model = SetupModel(
        Machine("mill", (a, c), Platter(face_mm=0.0)),
        {None: (post,)},
        (
            ModelOperation("top", np.array([0.0, 0.0]), np.zeros(3)),
            ModelOperation("side", np.array([-90.0, 0.0]), np.zeros(3)),
        ),
    )
    features = (
        Feature("face", 0, np.zeros(3), np.array([0.0, 0.0, 1.0]), 0.1),
        Feature("step", 1, np.zeros(3), np.array([0.0, -1.0, 0.0]), 0.1),
    )
    height = UncertaintySource.of(model.of_kind("step up", "post"), Spread(0.04))
    return part_model(model, features), height


def example_measured() -> tuple[MeasuredParts, UncertaintySource]:
    """The part of `example_part`, one of which was measured, and that source: "face" is 0.05 mm low, known to 0.03 mm.

    Examples
    --------
    >>> measured, height = example_measured()
    >>> measured.excess_mm.tolist(), measured.u_mm.tolist(), height.u.tolist()
    ([-0.05], [0.03], [0.04])
    """
    part, height = example_part()
    return measured_parts(part, [MeasuredDeviation(0, np.array([0.0, 0.0, 1.0]), -0.05, 0.03)]), height
