"""Setups for the tests of uncertainty: nothing in them is square, straight or at zero unless a test wants it so."""

import numpy as np

from kinematics import Machine, Platter, RotaryAxis, RotationSense, StackStep
from kinematics.uncertainty import (
    CutPoint,
    ModelOperation,
    SetupModel,
    Spread,
    StackNode,
    TouchReading,
    UncertaintySource,
)

ANGLES = ([0.0, 0.0], [-30.0, 45.0], [-90.0, 720.0])


def model(*, touched=False, normal=None, indexer=False, setup_c=23.0, seed=1, nests=False):
    """Three operations on a crooked machine, five points on the part, expansion and growth stated.

    With nests the first operation is in the left one, without a tool, and the others in the right one: the plate is
    common, and where it was touched off, only the right one was.
    """
    rng = np.random.default_rng(seed)
    a = RotaryAxis(
        "A", [-381.0, -203.412, -406.118], [1, 2e-3, -3e-3], RotationSense.CLOCKWISE, (-120.0, 30.0)
    )
    sense = RotationSense.CLOCKWISE if indexer else RotationSense.COUNTERCLOCKWISE
    along = [1, 0.01, 0.02] if indexer else [1e-3, 0.02, 1]
    c = RotaryAxis("C", [-381.025, -203.405, -300.0], along, sense, None, 0.5)
    platter = Platter(face_mm=None if indexer else -356.1, normal=normal)
    mill = Machine("mill", (c,) if indexer else (a, c), platter)
    stack = (
        StackNode("plate", StackStep("plate", up_mm=20.0, shift_mm=(3.0, 4.0)), 1e-5),
        StackNode(
            "wedge",
            StackStep(
                "wedge", up_mm=95.0, shift_mm=(0.5, -0.3), rotate=(("x", 15.0), ("y", 4.0)), turn_deg=33.0
            ),
            2e-5,
        ),
        StackNode("blank", StackStep("blank", up_mm=62.0, turn_deg=0.35)),
    )
    angles = [q[1:] if indexer else q for q in ANGLES]
    stacks = {None: stack}
    if nests:
        vice = StackNode("vice", StackStep("vice", up_mm=60.0, shift_mm=(-52.0, 7.0), turn_deg=2.0), 1.2e-5)
        stacks = {"left": (stack[0], vice), "right": stack}
    each = ["left", "right", "right"] if nests else [None] * 3
    operations = tuple(
        ModelOperation(
            f"port {k}",
            q,
            rng.normal(size=3) * 20.0,
            nest=nest,
            tool=None if nest == "left" else "6 mm mill",
        )
        for k, (q, nest) in enumerate(zip(angles, each, strict=True), start=1)
    )
    points = tuple(CutPoint(k % 3, rng.normal(size=3) * 30.0) for k in range(5))
    touches = {each[-1]: TouchReading([-380.0, -200.0, -170.0], angles[1])} if touched else {}
    growth = np.array([1e-3, 0.0, 4e-3])
    return SetupModel(mill, stacks, operations, points, touches, setup_c, 2.3e-5, growth)


def every_source(one, *, scale=1.0):
    """A source for every quantity of a model: a hundredth of a millimetre, or what a shop is unsure of, times `scale`."""
    size = {"mm": 0.01, "deg": 0.004, "K": 2.0}
    found = []
    for k, quantity in enumerate(one.quantities):
        spread = size[quantity.unit] * scale
        found.append(
            UncertaintySource.of([quantity], Spread.within(spread) if k % 2 else Spread(0.6 * spread))
        )
    return found
