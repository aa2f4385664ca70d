"""Silhouettes of solids in orthographic views, and the visible part of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import manifold3d
import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.reach.clearance import swept_bodies
from kinematics.reach.collision_bodies import matrix_of
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.scene import Scene, group_poses
from kinematics.validation import ValueEquality, as_vector, as_vectors, is_list, read_only, shown

__all__ = ["VIEWS", "Outline", "View", "flat_mm", "outlines"]

Array = NDArray[np.float64]
View = Literal["front", "side", "top"]

VIEWS: dict[View, Array] = {
    "front": np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]]),
    "side": np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]]),
    "top": np.eye(3),
}
"""Rows: to the right, up, toward the eye. The front is seen from machine -Y, the side from +X, the top from +Z."""


@dataclass(frozen=True, eq=False)
class Outline(ValueEquality, DeclaredFields):
    """Silhouette of one solid in one view; millimetres, (right, up).

    Attributes
    ----------
    name : str
    kind : "tool", "holder", "part", "turning" or "base"
        Spindle and holder are "holder", machinable solids are "part".
    polygons : tuple of ndarray, shape (k, 2)
        The whole outline; outer rings run counterclockwise, holes clockwise.
    seen : tuple of ndarray, shape (k, 2)
        The part that nothing closer to the eye hides.
    """

    name: str
    kind: str
    polygons: tuple[NDArray[np.float64], ...]
    seen: tuple[NDArray[np.float64], ...]

    def __post_init__(self) -> None:
        for name in ("polygons", "seen"):
            rings = getattr(self, name)
            if not is_list(rings):
                raise KinematicsError(f"outline, {name}: expected a list of rings, found {shown(rings)}")
            each = tuple(read_only(as_vectors(ring, 2, f"outline, {name}")) for ring in rings)
            object.__setattr__(self, name, each)
        super().__post_init__()


@takes_declared()
def flat_mm(points_mm: Array, view: View) -> Array:
    """Points of the machine projected into a view.

    Parameters
    ----------
    points_mm : ndarray, shape (..., 3)
        Machine coordinates.
    view : "front", "side" or "top"
        See `VIEWS`.

    Returns
    -------
    ndarray, shape (..., 2)
        To the right and up, as the eye sees it.

    Raises
    ------
    KinematicsError
        When there is no such view, or the last axis has not three numbers.

    Examples
    --------
    >>> flat_mm([1.0, 2.0, 3.0], "front").tolist(), flat_mm([1.0, 2.0, 3.0], "side").tolist()
    ([1.0, 3.0], [2.0, 3.0])
    >>> flat_mm([1.0, 2.0, 3.0], "back")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: view: expected one of "front", "side", "top", found 'back'
    """
    points = as_vectors(points_mm, 3, "points")
    return np.asarray(points @ VIEWS[view][:2].T)


@takes_declared()
def outlines(
    model: CollisionModel,
    scene: Scene,
    operation: OperationPose,
    view: View,
    tip_mm: NDArray[np.float64] | None = None,
) -> tuple[Outline, ...]:
    """The solids of an operation in a view, the farthest from the eye first.

    Parameters
    ----------
    model : CollisionModel
    scene : Scene
    operation : OperationPose
    view : "front", "side" or "top"
    tip_mm : ndarray, shape (3,), optional
        Position of the tip, machine coordinates; the middle of its box unless stated.

    Returns
    -------
    tuple of Outline

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> from kinematics.reach.scene import scene_of
    >>> model = example_model()
    >>> top = model.operations[0]
    >>> found = outlines(model, scene_of(model), top, "front")
    >>> [one.name for one in found]
    ['fence', 'tool', 'holder 1', 'post']
    >>> found[0].polygons[0].tolist()   # 100 wide and 100 high
    [[50.0, 100.0], [-50.0, 100.0], [-50.0, 0.0], [50.0, 0.0]]
    >>> outlines(model, scene_of(model), top, "back")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: view: expected one of "front", "side", "top", found 'back'
    """
    poses = group_poses(scene.machine, operation.machine_deg)
    solids: list[tuple[str, str, manifold3d.Manifold]] = []
    for body, group in zip(scene.bodies, scene.carried.tolist(), strict=True):
        kind = "part" if body.machinable else "turning" if group else "base"
        solids.append((body.name, kind, body.manifold.transform(matrix_of(poses[group]))))
    own = 0 if operation.tool is None else operation.tool.parts
    for number, swept in enumerate(swept_bodies(model, operation)):
        tip = swept.middle_mm if tip_mm is None else as_vector(tip_mm, 3, "tip")
        solids.append(
            (swept.body.name, "tool" if number < own else "holder", swept.body.manifold.translate(tip))
        )
    turned = [
        (name, kind, solid.transform(np.concatenate([VIEWS[view], np.zeros((3, 1))], axis=1)))
        for name, kind, solid in solids
    ]
    # The one whose nearest point is nearer to the eye hides the other: true of convex solids that do not overlap much.
    turned.sort(key=lambda item: item[2].bounding_box()[5])
    flats = [(name, kind, _flat(solid)) for name, kind, solid in turned]
    found: list[Outline] = []
    nearer = manifold3d.CrossSection()
    for name, kind, flat in reversed(flats):
        found.append(Outline(name, kind, _rings(flat), _rings(flat - nearer)))
        nearer += flat
    return tuple(reversed(found))


def _flat(solid: manifold3d.Manifold) -> manifold3d.CrossSection:
    return manifold3d.CrossSection(solid.project().to_polygons(), manifold3d.FillRule.Positive)


def _rings(flat: manifold3d.CrossSection) -> tuple[Array, ...]:
    rings: Sequence[Array] = [np.asarray(ring, dtype=np.float64) for ring in flat.to_polygons()]
    return tuple(ring for ring in rings if len(ring) > 2)
