"""The unloading pose: an arm's gripper on the part, against all that it does not grip, and the index moves there.

The gripper is there at that pose only. It may touch the part and what may be cut; everything else on the table, on the
base and on the retracted spindle it must keep clear of. The arm's own way to the part is not looked at.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import manifold3d
import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose
from kinematics.reach.clearance import Clearance, ClosestPair
from kinematics.reach.collision_bodies import matrix_of, whole_body
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.index_moves import retracted
from kinematics.reach.scene import FARTHEST_MM, Scene, group_poses
from kinematics.reach.shapes import PART, Solid
from kinematics.reach.tool_assembly import TipEnvelope, minkowski_sum
from kinematics.validation import ValueEquality, as_array, as_instances, read_only

__all__ = ["Unloading", "gripper_clearance", "with_unloading"]

_SHORTEST_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Unloading(ValueEquality, DeclaredFields):
    """Pose at which an arm takes the part.

    Attributes
    ----------
    name : str
    machine_deg : ndarray, shape (n,)
    gripper : tuple of Solid
        In part coordinates; on the part.

    Raises
    ------
    KinematicsError
        When a solid of the gripper is not on the part.
    """

    name: str
    machine_deg: NDArray[np.float64]
    gripper: tuple[Solid, ...] = ()

    def __post_init__(self) -> None:
        angles = as_array(self.machine_deg, f"{self.name}, angles")
        object.__setattr__(self, "machine_deg", read_only(angles))
        for solid in as_instances(self.gripper, Solid, f"{self.name}, gripper"):
            if solid.on != PART:
                raise KinematicsError(
                    f"{solid.name}: expected a solid on the part, found one on {solid.on.to}"
                )
        super().__post_init__()


@takes_declared()
def with_unloading(model: CollisionModel, poses: Sequence[Unloading]) -> CollisionModel:
    """The model with unloading poses after its operations, for the index moves there and back.

    The spindle stays where the last operation has left it, retracted, with that one's tool in it.

    Parameters
    ----------
    model : CollisionModel
    poses : sequence of Unloading

    Raises
    ------
    KinematicsError
        When a pose has not one angle for each rotary.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> [one.name for one in with_unloading(model, [Unloading("door", [0, 90])]).operations]
    ['top', 'side', 'door']
    >>> with_unloading(model, [Unloading("door", [0])])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles (A, C): expected a last axis of 2 numbers, found shape (1,)
    """
    last = model.operations[-1] if model.operations else None
    at_mm = None if last is None else model.setup.work_offset(last.origin_mm, last.machine_deg)
    added = []
    for one in poses:
        back = (table_pose(model.machine, one.machine_deg) @ model.setup.part_in_machine).inverse()
        added.append(
            OperationPose(
                one.name,
                one.machine_deg,
                np.zeros(3) if at_mm is None else back.apply(at_mm),
                None if last is None else last.tool,
                TipEnvelope.nowhere() if last is None else last.sweep,
            )
        )
    return replace(model, operations=(*model.operations, *added))


@takes_declared()
def gripper_clearance(
    model: CollisionModel, scene: Scene, unloading: Unloading, clear_mm: float = 0.0
) -> Clearance:
    """Distances from the gripper to all that it does not grip, at the unloading pose.

    Parameters
    ----------
    model : CollisionModel
    scene : Scene
        The model's, from `scene_of`.
    unloading : Unloading
    clear_mm : float
        The distance asked for. Pairs closer than that, or touching, are all listed.

    Returns
    -------
    Clearance
        `ClosestPair.indices` are of the gripper's solid and of the scene's body, or -1 for one of the retracted spindle's:
        with every operation's tool in it, wherever that operation has left it.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> from kinematics.reach.scene import scene_of
    >>> model = example_model()
    >>> scene = scene_of(model)
    >>> from kinematics.reach.shapes import Box
    >>> arm = Solid("arm", Box([-10.0, -10.0, 20.0], [10.0, 10.0, 40.0]), PART)   # it ends 20 above part zero, the post's top
    >>> nearest = gripper_clearance(model, scene, Unloading("door", [0, 0], (arm,))).nearest
    >>> nearest.obstacle, round(nearest.gap_mm, 6)
    ('post', 20.0)
    >>> gripper_clearance(model, scene, "door")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: unloading: expected an Unloading, found 'door'
    """
    here = table_pose(model.machine, unloading.machine_deg) @ model.setup.part_in_machine
    # A body's manifold goes when it does: both are kept until the last distance is known.
    own = [
        (solid.name, body.manifold.transform(matrix_of(here)), body.facet_error_mm)
        for solid in unloading.gripper
        for body in (whole_body(solid.name, solid.shape),)
    ]
    nearest: ClosestPair | None = None
    too_close: list[ClosestPair] = []
    for name, other, error_mm, place in _others(model, scene, unloading):
        for k, (gripper, manifold, own_error_mm) in enumerate(own):
            search = max(clear_mm, FARTHEST_MM if nearest is None else nearest.gap_mm, _SHORTEST_MM)
            if _boxes_apart_mm(manifold, other) > search:
                continue
            gap = float(manifold.min_gap(other, search))
            if gap >= search:
                continue
            pair = ClosestPair(gripper, name, gap, own_error_mm + error_mm, (k, place))
            if gap <= 0.0 or gap < clear_mm:
                too_close.append(pair)
            if nearest is None or gap < nearest.gap_mm:
                nearest = pair
    return Clearance(nearest, tuple(sorted(too_close, key=lambda pair: pair.gap_mm)))


def _others(
    model: CollisionModel, scene: Scene, unloading: Unloading
) -> Iterator[tuple[str, manifold3d.Manifold, float, int]]:
    """Everything that the gripper must not touch: name, where it is, error of its facets, index in the scene."""
    poses = group_poses(model.machine, unloading.machine_deg)
    for place, (body, (solid, _)) in enumerate(zip(scene.bodies, scene.solids, strict=True)):
        if not solid.machinable and solid.on != PART:
            pose = poses[int(scene.carried[place])]
            yield body.name, body.manifold.transform(matrix_of(pose)), body.facet_error_mm, place
    for operation in model.operations:
        for swept in retracted(model, operation, None):
            manifold = minkowski_sum(swept.body, swept.half_mm).translate(swept.middle_mm.tolist())
            yield swept.body.name, manifold, swept.body.facet_error_mm, -1


def _boxes_apart_mm(first: manifold3d.Manifold, second: manifold3d.Manifold) -> float:
    """Distance of two bodies' boxes along the machine's axes: never more than that of the bodies."""
    a, b = (np.reshape(one.bounding_box(), (2, 3)) for one in (first, second))
    return float(np.linalg.norm(np.maximum(np.maximum(a[0] - b[1], b[0] - a[1]), 0.0)))
