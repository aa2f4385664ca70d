"""The model of a setup: which numbers can be off, and what each of them does to offsets and to the part, exactly.

`SetupModel` takes machine, stack and operations as stated. Every quantity moves the part as a rigid body, or the cutting
point along a machine axis; so the derivatives are twists (a turn and a shift), and they are exact. No difference
quotient is taken anywhere.

Signs: the error of an offset is the value that should have been loaded less the value that was. The deviation of a point
is where it is cut on the part less where the drawing wants it, in part coordinates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.calibration.line_parameters import orthonormal_pair
from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose
from kinematics.machine import Machine, is_horizontal, table_frame
from kinematics.transform import Pose
from kinematics.uncertainty.model_parts import Array, CutPoint, ModelOperation, StackNode, TouchReading
from kinematics.uncertainty.sources import QuantityKind, UncertainQuantity, UncertaintySource
from kinematics.validation import (
    as_instance,
    as_number,
    as_vector,
    as_vectors,
    cross,
    read_only,
)

__all__ = ["SetupModel"]

REFERENCE_C = 20.0
"""The temperature that a drawing's dimensions hold at (ISO 1)."""

_SAME = 1e-6
"""Degrees short of a whole turn that are rounding."""

ONE_ANGLE_DEG = 0.5
"""Positions of a rotary that differ by no more share their error: nests that are squared up by a few hundredths, or by a tenth,
stand on the same tooth of the worm wheel (common practice: 40 to 180 teeth, so 2 to 9 degrees each)."""

ONE_PLACE_MM = 1.0
"""The same for coordinates of a linear axis: far less than a turn of its screw (common practice: 5 to 20 mm)."""

AXES = ("X", "Y", "Z")


@dataclass(frozen=True, eq=False)
class SetupModel(DeclaredFields):
    """A setup with everything in it that can be off.

    Attributes
    ----------
    machine : Machine
    stacks : mapping of nest (None without nests) to tuple of StackNode
        From the platter up; part zero is at the end.
    operations : tuple of ModelOperation
    points : tuple of CutPoint
        Points whose deviation is wanted.
    touches : mapping of nest to TouchReading
        Where part zero was touched off and the offsets go by that; the stack then only turns the part.
    setup_c : float
        Temperature at which everything was set up and measured.
    part_expansion_per_k : float
        The part's coefficient; it is cut warm and measured at 20 degrees C.
    growth_mm_per_k : ndarray, shape (3,)
        How far the spindle moves against the table along machine X, Y, Z for each kelvin.

    Raises
    ------
    KinematicsError
        When an operation's nest has no stack, a point's operation does not exist, or angles do not fit the machine.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense, StackStep
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (a, c), Platter(face_mm=0.0))
    >>> from kinematics.uncertainty import StackNode
    >>> stack = (StackNode("post", StackStep("post", up_mm=100.0)),)
    >>> model = SetupModel(mill, {None: stack}, (ModelOperation("side", [-90.0, 0.0], [0, 0, 0]),))
    >>> up = model.index("step up", "post")
    >>> model.offset_jacobian[0, :, up].round(9).tolist()   # a taller post comes toward -Y once A has tipped it
    [0.0, -1.0, 0.0]
    """

    machine: Machine
    stacks: Mapping[str | None, tuple[StackNode, ...]]
    operations: tuple[ModelOperation, ...]
    points: tuple[CutPoint, ...] = ()
    touches: Mapping[str | None, TouchReading] = field(default_factory=dict)
    setup_c: float = REFERENCE_C
    part_expansion_per_k: float = 0.0
    growth_mm_per_k: Array = field(default_factory=lambda: np.zeros(3))

    def __post_init__(self) -> None:
        as_instance(self.machine, Machine, "setup model, machine")
        object.__setattr__(self, "growth_mm_per_k", read_only(as_vector(self.growth_mm_per_k, 3, "growth")))
        object.__setattr__(self, "setup_c", as_number(self.setup_c, "temperature"))
        super().__post_init__()
        for one in self.operations:
            if one.nest not in self.stacks:
                known = ", ".join(str(nest) for nest in self.stacks)
                raise KinematicsError(
                    f"{one.name}: expected a nest that has a stack ({known}), found {one.nest}"
                )
            self.machine.angles(one.machine_deg)
        for point in self.points:
            if not 0 <= point.operation < len(self.operations):
                raise KinematicsError(
                    f"point: expected an operation from 0 to {len(self.operations) - 1}, found {point.operation}"
                )

    # --- the setup as stated --------------------------------------------------------------------------------------

    @cached_property
    def line_basis(self) -> Array:
        """Two directions across each rotary's line, along which it shifts and tilts; shape (n, 2, 3)."""
        return read_only(np.stack([orthonormal_pair(rotary.direction) for rotary in self.machine.rotaries]))

    @cached_property
    def frames(self) -> Mapping[str | None, tuple[Pose, ...]]:
        """For each nest the frames under the first step, the second, ... and part zero's, at the all-zero pose."""
        found: dict[str | None, tuple[Pose, ...]] = {}
        for nest, nodes in self.stacks.items():
            frames = [table_frame(self.machine)]
            for node in nodes:
                frames.append(frames[-1] @ node.step.pose())
            if nest in self.touches:
                touch = self.touches[nest]
                at = table_pose(self.machine, touch.machine_deg).inverse().apply(touch.at_mm)
                frames[-1] = Pose(frames[-1].rotation, at)
            found[nest] = tuple(frames)
        return found

    @cached_property
    def poses(self) -> tuple[Pose, ...]:
        """The part's frame in machine coordinates in each operation."""
        return tuple(
            table_pose(self.machine, one.machine_deg) @ self.frames[one.nest][-1] for one in self.operations
        )

    @cached_property
    def offsets_mm(self) -> Array:
        """The offset of each operation as loaded, shape (O, 3)."""
        return read_only(
            np.array(
                [pose.apply(one.origin_mm) for pose, one in zip(self.poses, self.operations, strict=True)]
            ).reshape(-1, 3)
        )

    @cached_property
    def point_operation(self) -> NDArray[np.int64]:
        """The operation of each point, shape (C,)."""
        return np.array([point.operation for point in self.points], dtype=np.int64)

    @cached_property
    def point_mm(self) -> Array:
        """The points in part coordinates, shape (C, 3)."""
        return read_only(np.array([point.at_mm for point in self.points]).reshape(-1, 3))

    @cached_property
    def commanded_mm(self) -> Array:
        """Commanded machine position for each cut point, shape (C, 3)."""
        rotation = np.stack([pose.rotation for pose in self.poses])[self.point_operation]
        shift = np.stack([pose.translation_mm for pose in self.poses])[self.point_operation]
        return read_only((rotation @ self.point_mm[..., None])[..., 0] + shift)

    @property
    def cold_scale(self) -> float:
        """Factor by which the part's dimensions shrink from the temperature of the set-up to 20 degrees C."""
        return 1.0 / (1.0 + self.part_expansion_per_k * (self.setup_c - REFERENCE_C))

    # --- the quantities -------------------------------------------------------------------------------------------

    @cached_property
    def quantities(self) -> tuple[UncertainQuantity, ...]:
        """Everything that can be off, in the order of the Jacobians' columns; axis positions come last."""
        found = []
        for rotary in self.machine.rotaries:
            found += [UncertainQuantity("line shift", rotary.letter, one) for one in "12"]
            found += [UncertainQuantity("line tilt", rotary.letter, one) for one in "12"]
        found.append(UncertainQuantity("platter face"))
        found += [UncertainQuantity("platter tilt", "", axis) for axis in "xy"]
        keys = dict.fromkeys(node.key for nodes in self.stacks.values() for node in nodes)
        for key in keys:
            found += _of_step("step", key)
        for nest in self.stacks:
            found += _of_step("part", nest or "")
        for nest in self.touches:
            found += [UncertainQuantity("touch-off", nest or "", axis) for axis in "xyz"]
        for tool in dict.fromkeys(one.tool for one in self.operations if one.tool is not None):
            found += [UncertainQuantity("tool length", tool), UncertainQuantity("tool diameter", tool)]
        found.append(UncertainQuantity("temperature"))
        for rotary, angles in zip(self.machine.rotaries, self._angle_places, strict=True):
            apart = sorted(set(angles.values()))
            found += [UncertainQuantity("rotary angle", rotary.letter, place=place) for place in apart]
        for axis, places in zip(AXES, self._positions[0], strict=True):
            found += [UncertainQuantity("axis position", axis, place=place) for place in places.tolist()]
        return tuple(found)

    def _turned(self, i: int, machine_deg: Array) -> Array:
        """Angles as positions of the rotary: whole turns of an endless one are one position."""
        if self.machine.rotaries[i].limits_deg is not None:
            return machine_deg
        turned = machine_deg % 360.0
        return np.where(360.0 - turned < _SAME, 0.0, turned)

    @cached_property
    def _positions(self) -> tuple[list[Array], list[NDArray[np.int64]]]:
        """Coordinates of each axis whose errors differ, and the one of each offset, point and touch."""
        touched = np.array([touch.at_mm for touch in self.touches.values()]).reshape(-1, 3)
        at = np.concatenate([self.offsets_mm, self.commanded_mm, touched])
        each = [_distinct(at[:, axis]) for axis in range(3)]
        return [one[0] for one in each], [one[1] for one in each]

    @cached_property
    def _index(self) -> dict[tuple[str, str, str, float | None], int]:
        return {(one.kind, one.owner, one.component, one.place): k for k, one in enumerate(self.quantities)}

    def index(
        self, kind: QuantityKind, owner: str = "", component: str = "", place: float | None = None
    ) -> int:
        """The column of a quantity.

        Raises
        ------
        KinematicsError
            When there is no such quantity.
        """
        try:
            return self._index[kind, owner, component, place]
        except KeyError:
            raise KinematicsError(
                f"quantity: expected one of the model's, found {kind} {owner} {component}"
            ) from None

    def columns(self, source: UncertaintySource) -> NDArray[np.int64]:
        """The columns of a source's quantities, shape (k,)."""
        return np.array(
            [self.index(one.kind, one.owner, one.component, one.place) for one in source.quantities],
            dtype=np.int64,
        )

    def of_kind(self, kind: QuantityKind, owner: str | None = None) -> tuple[UncertainQuantity, ...]:
        """The quantities of one kind, of one owner where it is given."""
        return tuple(one for one in self.quantities if one.kind == kind and owner in (None, one.owner))

    # --- the derivatives ------------------------------------------------------------------------------------------

    @cached_property
    def _rigid(self) -> int:
        """Number of quantities before the axis positions."""
        return len(self.quantities) - sum(len(places) for places in self._positions[0])

    @cached_property
    def _twists(self) -> tuple[Array, Array]:
        """For each operation and rigid quantity: the turn (radians) and the shift at the machine's zero; (O, P, 3)."""
        at_zero = {nest: self._zero_pose_twists(nest) for nest in self.stacks}
        by_nest = {nest: self._touched_twists(nest, at_zero[nest]) for nest in self.stacks}
        found = []
        for one in self.operations:
            turn, shift = self._table_twists(one.machine_deg)
            pose = table_pose(self.machine, one.machine_deg)
            inner_turn, inner_shift = by_nest[one.nest]
            turned, moved = _carried(pose, inner_turn, inner_shift)
            turn, shift = turn + turned, shift + moved
            shift[self.index("temperature")] -= self.growth_mm_per_k
            found.append((turn, shift))
        turns = np.array([turn for turn, _ in found]).reshape(-1, self._rigid, 3)
        return turns, np.array([shift for _, shift in found]).reshape(-1, self._rigid, 3)

    @property
    def operations_by_nest(self) -> dict[str | None, list[int]]:
        """The places of each nest's operations; None without nests."""
        nests: dict[str | None, list[int]] = {}
        for k, one in enumerate(self.operations):
            nests.setdefault(one.nest, []).append(k)
        return nests

    @property
    def operation_turns(self) -> Array:
        """For each operation, how each quantity before the axis positions turns the part: radians about X, Y, Z; (O, R, 3)."""
        return self._twists[0]

    def _table_twists(self, machine_deg: Array) -> tuple[Array, Array]:
        """Twists of the table by lines and angles of the rotaries at machine angles, (P, 3) each."""
        turn, shift = np.zeros((self._rigid, 3)), np.zeros((self._rigid, 3))
        outer = Pose(np.eye(3), np.zeros(3))
        for i, rotary in enumerate(self.machine.rotaries):
            own = rotary.pose_at(machine_deg[i])
            turned, moved = np.zeros((self._rigid, 3)), np.zeros((self._rigid, 3))
            for number, across in zip("12", self.line_basis[i], strict=True):
                moved[self.index("line shift", rotary.letter, number)] = across - own.rotation @ across
                tip = np.radians(1.0) * cross(rotary.direction, across)
                about = tip - own.rotation @ tip
                column = self.index("line tilt", rotary.letter, number)
                turned[column], moved[column] = about, -cross(about, rotary.point_mm)
            column = self.index(
                "rotary angle", rotary.letter, place=self._angle_place(i, float(machine_deg[i]))
            )
            about = np.radians(rotary.positive_turn.sign) * rotary.direction
            turned[column], moved[column] = about, -cross(about, rotary.point_mm)
            carried = _carried(outer, turned, moved)
            turn, shift = turn + carried[0], shift + carried[1]
            outer = outer @ own
        return turn, shift

    def _angle_place(self, i: int, machine_deg: float) -> float:
        """The place by which the error of a rotary's angle is addressed."""
        at = float(self._turned(i, np.array(machine_deg)))
        places = self._angle_places[i]
        return places[min(places, key=lambda angle: self._apart_deg(i, angle, at))]

    def _apart_deg(self, i: int, first: float, second: float) -> float:
        """Degrees between two positions of a rotary, the short way where it is endless."""
        apart = abs(first - second)
        return apart if self.machine.rotaries[i].limits_deg is not None else min(apart, 360.0 - apart)

    @cached_property
    def _angle_places(self) -> list[dict[float, float]]:
        """Of each rotary, the place of every angle that is used; of those that share an error, the first used names it.

        Which ones share it does not depend on their order: they are counted from the lowest, and round an endless rotary
        from the end of a gap.
        """
        found = []
        for i, rotary in enumerate(self.machine.rotaries):
            at = [one.machine_deg[i] for one in self.operations]
            at += [touch.machine_deg[i] for touch in self.touches.values()]
            used = list(dict.fromkeys(self._turned(i, np.array(at)).tolist()))
            round_from = sorted(used)
            if rotary.limits_deg is None:
                gap = next(
                    (k for k, angle in enumerate(round_from) if self._begins(i, round_from[k - 1], angle)), 0
                )
                round_from = round_from[gap:] + round_from[:gap]
            groups: list[list[float]] = []
            for angle in round_from:
                if not groups or self._begins(i, groups[-1][0], angle):
                    groups.append([])
                groups[-1].append(angle)
            found.append({angle: min(group, key=used.index) for group in groups for angle in group})
        return found

    def _begins(self, i: int, first: float, angle: float) -> bool:
        """True where an angle's error is not the one of the first of its neighbours any more."""
        return self._apart_deg(i, first, angle) > ONE_ANGLE_DEG

    def angle_column(self, i: int, machine_deg: float) -> int:
        """The column of rotary i's error at a machine angle that an operation or a touch-off uses."""
        letter = self.machine.rotaries[i].letter
        return self.index("rotary angle", letter, place=self._angle_place(i, machine_deg))

    def _zero_pose_twists(self, nest: str | None) -> tuple[Array, Array]:
        """Twists of the part by table frame and stack at the all-zero pose, (P, 3) each."""
        turn, shift = np.zeros((self._rigid, 3)), np.zeros((self._rigid, 3))

        def turned_about(column: int, axis: Array, at: Array) -> None:
            turn[column], shift[column] = axis, -cross(axis, at)

        frames, degree = self.frames[nest], np.radians(1.0)
        table = frames[0]
        last = self.machine.rotaries[-1]
        face_mm, normal = self.machine.platter.face_mm, self.machine.platter.normal
        flat = is_horizontal(last) or face_mm is None
        for number, across in zip("12", self.line_basis[-1], strict=True):
            moved = self.index("line shift", last.letter, number)
            if flat:
                shift[moved] = across
                continue
            assert face_mm is not None
            upward = last.direction / last.direction[2]
            shift[moved] = across - across[2] * upward
            tilted = self.index("line tilt", last.letter, number)
            height = (face_mm - last.point_mm[2]) / last.direction[2]
            travel = degree * height * (across - across[2] * upward)
            about = (
                np.zeros(3)
                if normal is not None
                else _frame_turn(table.rotation, degree * np.sign(last.direction[2]) * across)
            )
            turn[tilted], shift[tilted] = about, travel - cross(about, table.translation_mm)
        if not flat:
            shift[self.index("platter face")] = last.direction / last.direction[2]
        for axis, about in zip("xy", table.rotation.T, strict=False):
            turned_about(self.index("platter tilt", "", axis), degree * about, table.translation_mm)
        growth = np.zeros(3)
        nodes = self.stacks[nest]
        for node, under in zip(nodes, frames, strict=False):
            up, (x, y) = node.step.up_mm, node.step.shift_mm
            growth += under.rotate(node.expansion_per_k * np.array([x, y, up]))
            top = under @ node.step.pose()
            _step_twists(self, turn, shift, ("step", node.key), under.rotation, top)
        end = frames[-1]
        _step_twists(self, turn, shift, ("part", nest or ""), end.rotation, end)
        shift[self.index("temperature")] = growth
        return turn, shift

    def _touched_twists(self, nest: str | None, at_zero: tuple[Array, Array]) -> tuple[Array, Array]:
        """The same where part zero was touched off: the stack turns the part about the touched point only."""
        turn, shift = at_zero
        touch = self.touches.get(nest)
        if touch is None:
            return turn, shift
        at = self.frames[nest][-1].translation_mm
        held = -cross(turn, np.broadcast_to(at, turn.shape))
        # What happens after the touch-off still moves part zero.
        later: tuple[QuantityKind, ...] = ("part up", "part shift", "part turn", "part lean", "temperature")
        for kind in later:
            for one in self.of_kind(kind):
                column = self._index[one.kind, one.owner, one.component, one.place]
                held[column] = shift[column]
        back = table_pose(self.machine, touch.machine_deg).inverse()
        by_turn, by_shift = self._table_twists(touch.machine_deg)
        moved = by_shift + cross(by_turn, np.broadcast_to(touch.at_mm, by_turn.shape))
        held -= moved @ back.rotation.T
        for axis, direction in zip("xyz", back.rotation.T, strict=True):
            held[self.index("touch-off", nest or "", axis)] -= direction
        return turn, held

    @cached_property
    def _touch_rows(self) -> dict[str | None, int]:
        """The row of each nest's touch-off among the positions."""
        return {nest: len(self.operations) + len(self.points) + k for k, nest in enumerate(self.touches)}

    def offset_axis_columns(self, operation: int) -> NDArray[np.int64]:
        """The columns of the axis positions X, Y, Z at an operation's offset, shape (3,)."""
        return self._axis_columns(operation)

    def point_axis_columns(self, point: int) -> NDArray[np.int64]:
        """The columns of the axis positions X, Y, Z where a point is cut, shape (3,)."""
        return self._axis_columns(len(self.operations) + point)

    def touch_axis_columns(self, nest: str | None) -> NDArray[np.int64]:
        """The columns of the axis positions X, Y, Z where a nest's part zero was touched off, shape (3,)."""
        return self._axis_columns(self._touch_rows[nest])

    def _axis_columns(self, rows: int | NDArray[np.int64]) -> NDArray[np.int64]:
        """The columns of the axis positions X, Y, Z of offsets, points or touches, by row; shape (..., 3)."""
        places, where = self._positions
        starts = self._rigid + np.cumsum([0, *(len(one) for one in places[:-1])])
        return np.stack([starts[axis] + where[axis][rows] for axis in range(3)], axis=-1)

    @cached_property
    def offset_jacobian(self) -> Array:
        """Derivatives of every operation's offset error by the quantities, shape (O, 3, P): mm for each mm, degree or K."""
        turn, shift = self._twists
        count = len(self.operations)
        found = np.zeros((count, 3, len(self.quantities)))
        moved = shift + cross(turn, np.broadcast_to(self.offsets_mm[:, None], turn.shape))
        found[:, :, : self._rigid] = np.swapaxes(moved, 1, 2)
        rows = np.arange(count)
        columns = self._axis_columns(rows)
        for axis in range(3):
            found[rows, axis, columns[:, axis]] -= 1.0
        for k, one in enumerate(self.operations):
            if one.nest in self.touches:
                found[k][:, self._axis_columns(self._touch_rows[one.nest])] += self._from_touch(k)
        return read_only(found)

    def _from_touch(self, operation: int) -> Array:
        """Machine directions at the touch-off, carried to an operation; (3, 3)."""
        one = self.operations[operation]
        at = table_pose(self.machine, self.touches[one.nest].machine_deg)
        return np.asarray(table_pose(self.machine, one.machine_deg).rotation @ at.rotation.T)

    def deviation_jacobian(
        self, points: ArrayLike, directions: ArrayLike, normals: ArrayLike = (0.0, 0.0, 0.0)
    ) -> Array:
        """Derivatives of points' deviations along directions by the quantities.

        Parameters
        ----------
        points : array_like of int, shape (K,)
            Places among the model's points.
        directions : array_like, shape (K, 3)
            In part coordinates, of length one.
        normals : array_like, shape (K, 3)
            Outward normals of the surfaces that the points lie on, part coordinates; zeros for the centre of a bore,
            where the tool's radius does not count.

        Returns
        -------
        ndarray, shape (K, P)
            Millimetres for each mm, degree or K.
        """
        which = np.asarray(points, dtype=np.int64).reshape(-1)
        wanted = np.broadcast_to(as_vectors(directions, 3, "directions"), (len(which), 3))
        side = self.side_shares(which, wanted, normals)
        turn, shift = self._twists
        operation, scale = self.point_operation[which], self.cold_scale
        found = np.zeros((len(which), len(self.quantities)))
        along = np.empty((len(which), 3))
        for k in np.unique(operation).tolist():
            rows = np.flatnonzero(operation == k)
            n = along[rows] = wanted[rows] @ self.poses[k].rotation.T
            at = self.commanded_mm[which[rows]]
            found[rows, : self._rigid] = -scale * (n @ shift[k].T + cross(at, n) @ turn[k].T)
            one = self.operations[k]
            if one.tool is not None:
                found[rows, self.index("tool length", one.tool)] -= scale * n[:, 2]
                found[rows, self.index("tool diameter", one.tool)] -= 0.5 * scale * side[rows]
            if one.nest in self.touches:
                found[np.ix_(rows, self._axis_columns(self._touch_rows[one.nest]))] -= (
                    scale * n @ self._from_touch(k)
                )
        columns = self._axis_columns(len(self.operations) + which)
        for axis in range(3):
            np.add.at(found, (np.arange(len(which)), columns[:, axis]), scale * along[:, axis])
        warm = -self.part_expansion_per_k * scale**2 * (self.point_mm[which] * wanted).sum(axis=-1)
        found[:, self.index("temperature")] += warm
        return found

    def side_shares(self, points: ArrayLike, directions: ArrayLike, normals: ArrayLike) -> Array:
        """Displacement of points along directions for each millimetre that the tool's side cuts deeper, reversed; (K,).

        The side of an end mill cuts square to the spindle: a surface moves along its normal's part square to it.
        """
        which = np.asarray(points, dtype=np.int64).reshape(-1)
        rotation = np.stack([pose.rotation for pose in self.poses])[self.point_operation[which]]
        each = np.broadcast_to(np.asarray(normals, dtype=np.float64), (len(which), 3))
        flat = (rotation @ each[..., None])[..., 0]
        flat[:, 2] = 0.0
        length = np.linalg.norm(flat, axis=-1, keepdims=True)
        flat = np.divide(flat, length, out=np.zeros_like(flat), where=length > 1e-9)
        wanted = (rotation @ np.broadcast_to(directions, (len(which), 3))[..., None])[..., 0]
        return np.asarray((flat * wanted).sum(axis=-1))

    def nominal_deviation(self, points: ArrayLike, directions: ArrayLike) -> Array:
        """The deviation with nothing off, shape (K,): not zero where the part is cut at other than 20 degrees C."""
        which = np.asarray(points, dtype=np.int64).reshape(-1)
        return np.asarray(
            (self.cold_scale - 1.0) * (self.point_mm[which] * np.asarray(directions)).sum(axis=-1)
        )


def _of_step(kind: str, owner: str) -> list[UncertainQuantity]:
    """The six quantities of a step, or of the part in its nest."""
    return [
        UncertainQuantity(f"{kind} up", owner),  # type: ignore[arg-type]  # "step up" or "part up"
        *(UncertainQuantity(f"{kind} shift", owner, axis) for axis in "xy"),  # type: ignore[arg-type]  # likewise
        UncertainQuantity(f"{kind} turn", owner),  # type: ignore[arg-type]  # likewise
        *(UncertainQuantity(f"{kind} lean", owner, axis) for axis in "xy"),  # type: ignore[arg-type]  # likewise
    ]


def _step_twists(
    model: SetupModel, turn: Array, shift: Array, whose: tuple[str, str], under: Array, top: Pose
) -> None:
    """The six twists of a step that stands on a frame with the axes `under` and ends in the frame `top`."""
    kind, owner = whose
    degree, at = np.radians(1.0), top.translation_mm

    def column(what: str, component: str = "") -> int:
        return model.index(f"{kind} {what}", owner, component)  # type: ignore[arg-type]  # one of the kinds

    x, y, z = under.T
    for what, axis, name in (("shift", x, "x"), ("shift", y, "y"), ("up", z, "")):
        shift[column(what, name)] = axis
    for what, axis, name in (("lean", x, "x"), ("lean", y, "y"), ("turn", top.rotation[:, 2], "")):
        place = column(what, name)
        turn[place], shift[place] = degree * axis, -degree * cross(axis, at)


def _carried(pose: Pose, turn: Array, shift: Array) -> tuple[Array, Array]:
    """Twists (P, 3) of an inner frame, seen from the outer one."""
    turned = turn @ pose.rotation.T
    at = np.broadcast_to(pose.translation_mm, turned.shape)
    return turned, shift @ pose.rotation.T + cross(at, turned)


def _frame_turn(rotation: Array, z_moves: Array) -> Array:
    """The turn of a table frame whose z moves by `z_moves` while x stays the machine's X made square to it."""
    x, y, z = rotation.T
    u = np.array([1.0, 0.0, 0.0]) - z[0] * z
    u_moves = -z_moves[0] * z - z[0] * z_moves
    x_moves = (u_moves - x * (x @ u_moves)) / np.linalg.norm(u)
    y_moves = cross(z_moves, x) + cross(z, x_moves)
    return np.asarray(0.5 * (cross(x, x_moves) + cross(y, y_moves) + cross(z, z_moves)))


def _distinct(values: Array) -> tuple[Array, NDArray[np.int64]]:
    """Places whose errors differ, ascending, and the one of each value: of those that share it, the lowest names it."""
    order = np.argsort(values, kind="stable")
    places, place = list[float](), np.empty(len(values), dtype=np.int64)
    for k, value in zip(order.tolist(), values[order].tolist(), strict=True):
        if not places or value - places[-1] > ONE_PLACE_MM:
            places.append(value)
        place[k] = len(places) - 1
    return np.array(places), place
