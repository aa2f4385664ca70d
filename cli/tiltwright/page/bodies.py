"""Solids of a job as the page takes them: rounds and boxes by their sizes, meshes by their triangles.

The page makes the facets itself, so a job without meshes costs no more than its numbers.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kinematics import Pose, cumulative_frames, is_horizontal, table_frame

if TYPE_CHECKING:
    from kinematics.reach import CollisionModel, Mesh, Shape, Solid, Tool

__all__ = ["MOST_TRIANGLES", "Bodies", "bodies_of"]

MOST_TRIANGLES = 30_000
"""Triangles of all meshes together, above which they are simplified: a tablet turns so many without a stutter, and the
file stays below a megabyte."""

_COARSEST_MM = 1.0
"""Simplification stops here: coarser, a fixture would no longer look like itself."""
_FIRST_MM = 0.02

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bodies:
    """What the page draws as solids.

    Attributes
    ----------
    table : list
        Base, what turns, the part: each with a kind, the number of rotaries that carry it and its shape.
    tools : list
        Each tool with its bodies above the tip.
    simplified : tuple of (str, int, int, float)
        Meshes that were simplified: name, triangles before and after, and the largest distance allowed, mm.
    assumed : tuple of str
        Steps drawn with an assumed width, because their file states no section.
    """

    table: list[dict[str, Any]]
    tools: list[dict[str, Any]]
    simplified: tuple[tuple[str, int, int, float], ...]
    assumed: tuple[str, ...]


def bodies_of(model: CollisionModel) -> Bodies:
    """The solids of a model for the page, in machine coordinates at the all-zero pose.

    Parameters
    ----------
    model : CollisionModel
    """
    meshes = _Meshes.of(model)
    table = [
        {
            "name": solid.name,
            "kind": "part" if solid.machinable else "turning" if model.carried_by(solid.on) else "base",
            "carried": model.carried_by(solid.on),
            **_placed(solid, model.frame(solid.on), meshes),
        }
        for solid in model.all_solids()
    ]
    assumed, names = _assumed(model)
    tools = []
    for tool in dict.fromkeys(one.tool for one in model.operations):
        if tool is not None:
            spindle = [
                {"name": solid.name, "kind": "spindle", **_placed(solid, _lifted(tool.length_mm), meshes)}
                for solid in model.spindle
            ]
            tools.append({"name": tool.name, "length_mm": tool.length_mm, "bodies": [*_tool(tool), *spindle]})
    return Bodies([*table, *assumed], tools, tuple(meshes.simplified), names)


def _lifted(z_mm: float) -> Pose:
    return Pose(np.eye(3), np.array([0.0, 0.0, z_mm]))


def _placed(solid: Solid, frame: Pose, meshes: _Meshes) -> dict[str, Any]:
    """The shape of a solid, with the pose of its frame unless that is the machine's own."""
    shape = meshes.shape(solid)
    still = np.array_equal(frame.rotation, np.eye(3)) and not frame.translation_mm.any()
    if still:
        return {"shape": shape}
    matrix = np.concatenate([frame.rotation, frame.translation_mm[:, None]], axis=1)
    return {"shape": shape, "pose": matrix.tolist()}


def _shape(shape: Shape) -> dict[str, Any]:
    from kinematics.reach import Box, Frustum

    if isinstance(shape, Frustum):
        first, last = shape.diameters_mm
        return {
            "is": "round",
            "from": shape.from_mm.tolist(),
            "to": shape.to_mm.tolist(),
            "diameters": [first, last],
            "bore": shape.bore_mm,
        }
    if isinstance(shape, Box):
        return {"is": "box", "low": shape.low_mm.tolist(), "high": shape.high_mm.tolist()}
    return _mesh(shape.vertices_mm, shape.triangles)


def _mesh(vertices: Array, triangles: NDArray[np.int64]) -> dict[str, Any]:
    return {
        "is": "mesh",
        "vertices": base64.b64encode(np.ascontiguousarray(vertices, dtype="<f4").tobytes()).decode(),
        "triangles": base64.b64encode(np.ascontiguousarray(triangles, dtype="<u4").tobytes()).decode(),
        "count": len(triangles),
    }


class _Meshes:
    """The shapes of solids; meshes simplified where all of them together are too many triangles."""

    def __init__(self, within: dict[int, tuple[Array, NDArray[np.int64]]]) -> None:
        self._within = within
        self.simplified: list[tuple[str, int, int, float]] = []

    @classmethod
    def of(cls, model: CollisionModel) -> _Meshes:
        from kinematics.reach import Mesh

        meshes = [
            (solid.name, solid.shape)
            for solid in (*model.all_solids(), *model.spindle)
            if isinstance(solid.shape, Mesh)
        ]
        found = cls({})
        total = sum(len(mesh.triangles) for _, mesh in meshes)
        if total > MOST_TRIANGLES:
            for name, mesh in meshes:
                found._simplify(name, mesh, MOST_TRIANGLES * len(mesh.triangles) // total)
        return found

    def _simplify(self, name: str, mesh: Mesh, most: int) -> None:
        import manifold3d

        before = len(mesh.triangles)
        made = manifold3d.Manifold(
            manifold3d.Mesh64(np.array(mesh.vertices_mm), mesh.triangles.astype(np.uint64))
        )
        within, simple = _FIRST_MM, made
        while simple.num_tri() > most and within <= _COARSEST_MM:
            simple = made.simplify(within)
            reached, within = within, within * 2.0
        if simple.num_tri() < before:
            got = simple.to_mesh64()
            self._within[id(mesh)] = (
                np.asarray(got.vert_properties)[:, :3],
                np.asarray(got.tri_verts, dtype=np.int64),
            )
            self.simplified.append((name, before, simple.num_tri(), reached))

    def shape(self, solid: Solid) -> dict[str, Any]:
        """The shape of a solid as the page takes it."""
        simple = self._within.get(id(solid.shape))
        return _shape(solid.shape) if simple is None else _mesh(*simple)


def _tool(tool: Tool) -> list[dict[str, Any]]:
    """Tool and holder above the tip."""
    from kinematics.reach import Frustum

    def round_on(low: float, high: float, diameter: float, upper: float | None = None) -> dict[str, Any]:
        return _shape(Frustum(np.array([0.0, 0.0, low]), np.array([0.0, 0.0, high]), diameter, upper))

    top = tool.stickout_mm
    flute = min(tool.flute_mm or top, top)
    bodies = [{"name": "tool", "kind": "tool", "shape": round_on(0.0, flute, tool.diameter_mm)}]
    if top - flute > 1e-3:
        shank = round_on(flute, top, tool.shank_mm or tool.diameter_mm)
        bodies.append({"name": "shank", "kind": "tool", "shape": shank})
    up = tool.length_mm
    for part in tool.holder:
        low = up - part.length_mm
        lower = part.diameter_mm if part.lower_diameter_mm is None else part.lower_diameter_mm
        bodies.append(
            {"name": "holder", "kind": "holder", "shape": round_on(low, up, lower, part.diameter_mm)}
        )
        up = low
    return bodies


def _assumed(model: CollisionModel) -> tuple[list[dict[str, Any]], tuple[str, ...]]:
    """Steps without a section as rounds of an assumed width, slimmer from step to step, and their names."""
    machine = model.machine
    if is_horizontal(machine.rotaries[-1]):
        # An indexer's steps lie beside its line; a guess at their shape would mislead.
        return [], ()
    frames, foot = cumulative_frames(model.steps), table_frame(machine)
    tall = float(np.ptp([frame.translation_mm for frame in frames], axis=0).max())
    wide = machine.platter.diameter_mm or max(60.0, tall)
    bodies, names = [], []
    for i, (step, body) in enumerate(zip(model.steps, model.step_bodies, strict=True)):
        if body is not None or abs(step.up_mm) < 1e-6:
            continue
        share = 0.72 - 0.32 * i / max(len(model.steps) - 1, 1)
        stands = (foot @ frames[i]).apply(np.array([[*step.shift_mm, 0.0], [*step.shift_mm, step.up_mm]]))
        ends = sorted(stands.tolist(), key=lambda end: end[2])
        shape = {"is": "round", "from": ends[0], "to": ends[1], "diameters": [wide * share] * 2, "bore": 0.0}
        bodies.append(
            {"name": step.name, "kind": "assumed", "carried": len(machine.rotaries), "shape": shape}
        )
        names.append(step.name)
    return bodies, tuple(names)
