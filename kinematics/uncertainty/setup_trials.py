"""The setup with given errors in it, evaluated without any approximation: for Monte Carlo trials and for tests.

Vectors are three arrays of one number a trial, so that each step is a few passes over arrays that stay in the
processor's cache. What is not off stays a plain number, and costs nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.declared_types import takes_declared
from kinematics.machine import is_horizontal
from kinematics.uncertainty.model_parts import Array
from kinematics.uncertainty.setup_model import REFERENCE_C, SetupModel
from kinematics.validation import as_vectors

__all__ = ["SetupTrials", "setup_errors"]

Vector = Sequence[Array | float]
"""X, Y, Z: each an array of one number a trial, or one number for all."""

Matrix = Sequence[Vector]
_SERIES_BELOW = 0.01
"""Radians below which a sine's series to the fifth power is exact in float64 (the next term is below 2e-18)."""


@takes_declared()
def setup_errors(model: SetupModel, values: ArrayLike) -> tuple[Array, Array]:
    """Errors of the offsets and deviations of the points, with the quantities at given values; no approximation.

    Parameters
    ----------
    model : SetupModel
    values : array_like, shape (..., P)
        In the order and the units of `SetupModel.quantities`.

    Returns
    -------
    offsets : ndarray, shape (..., O, 3)
        The offset that should have been loaded less the one that was, machine X, Y, Z.
    points : ndarray, shape (..., C, 3)
        Where each point is cut less where it should be, part coordinates.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> off = np.zeros(len(part.model.quantities))
    >>> off[part.model.index("step up", "post")] = 0.01   # a post that is taller than stated
    >>> offsets, points = setup_errors(part.model, off)
    >>> offsets.round(9).tolist()   # "top" and "side", where A has laid the post down toward -Y
    [[0.0, 0.0, 0.01], [0.0, -0.01, 0.0]]
    >>> points.round(9)[:, 2].tolist()   # both are cut too low
    [-0.01, -0.01]
    >>> setup_errors(part.model, [0.01])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: values: expected a last axis of 32 numbers, found shape (1,)
    """
    given = as_vectors(values, len(model.quantities), "values")
    rows = given.reshape(-1, given.shape[-1])
    trials = SetupTrials(model, {k: rows[:, k] for k in range(rows.shape[1]) if rows[:, k].any()})
    shape = given.shape[:-1]
    found = []
    for count, one in ((len(model.operations), trials.offset_error), (len(model.points), trials.deviation)):
        each = np.zeros((len(rows), count, 3))
        for k in range(count):
            for axis, column in enumerate(one(k)):
                each[:, k, axis] = column
        found.append(each.reshape(*shape, count, 3))
    return found[0], found[1]


class SetupTrials:
    """A setup with values of its quantities, one for each trial.

    Parameters
    ----------
    model : SetupModel
    values : mapping of column to ndarray, shape (N,)
        The quantities that are off, in their units; all others are 0.
    """

    def __init__(self, model: SetupModel, values: Mapping[int, Array]) -> None:
        self.model = model
        self._values = values
        self._lines = [self._line(i) for i in range(len(model.machine.rotaries))]
        self._sincos: dict[tuple[int, float], tuple[Array | float, Array | float]] = {}
        self._parts: dict[str | None, tuple[Matrix, Vector]] = {}

    def _at(self, column: int) -> Array | float:
        return self._values.get(column, 0.0)

    def _named(self, kind: str, owner: str = "", component: str = "") -> Array | float:
        return self._at(self.model.index(kind, owner, component))  # type: ignore[arg-type]  # the model's own kinds

    # --- the machine ----------------------------------------------------------------------------------------------

    def _line(self, i: int) -> tuple[Vector, Vector]:
        """A rotary's point and direction."""
        rotary, basis = self.model.machine.rotaries[i], self.model.line_basis[i]
        shift = [self._named("line shift", rotary.letter, number) for number in "12"]
        tilt = [np.radians(self._named("line tilt", rotary.letter, number)) for number in "12"]
        point = [rotary.point_mm[k] + shift[0] * basis[0, k] + shift[1] * basis[1, k] for k in range(3)]
        if all(_is_zero(one) for one in tilt):
            return point, rotary.direction.tolist()
        tipped = [rotary.direction[k] + tilt[0] * basis[0, k] + tilt[1] * basis[1, k] for k in range(3)]
        # The basis is square to the direction: the length needs the two tilts only.
        length = np.sqrt(1.0 + tilt[0] * tilt[0] + tilt[1] * tilt[1])
        return point, [one / length for one in tipped]

    def _turn(self, i: int, machine_deg: float) -> tuple[Array | float, Array | float]:
        """Sine and cosine of a rotary's right-handed turn at a commanded angle."""
        if (i, machine_deg) in self._sincos:
            return self._sincos[i, machine_deg]
        rotary = self.model.machine.rotaries[i]
        sine, cosine = (float(one) for one in sincos_deg(float(rotary.turn_deg(machine_deg))))
        off = self._at(self.model.angle_column(i, machine_deg))
        if _is_zero(off):
            found: tuple[Array | float, Array | float] = (sine, cosine)
        else:
            small = np.radians(rotary.positive_turn.sign * np.asarray(off))
            s, c = _small_sincos(small)
            found = (sine * c + cosine * s, cosine * c - sine * s)
        self._sincos[i, machine_deg] = found
        return found

    def _carry(self, vector: Vector, machine_deg: Array, *, back: bool = False) -> Vector:
        """A point carried by the table to machine angles, or back from there to the all-zero pose."""
        order = range(len(self._lines)) if back else reversed(range(len(self._lines)))
        for i in order:
            point, direction = self._lines[i]
            sine, cosine = self._turn(i, float(machine_deg[i]))
            arm = [v - p for v, p in zip(vector, point, strict=True)]
            turned = _turned(arm, direction, -sine if back else sine, cosine)
            vector = [v + p for v, p in zip(turned, point, strict=True)]
        return vector

    def _table(self) -> tuple[Matrix, Vector]:
        """The table frame's axes (columns, as three vectors) and origin."""
        machine = self.model.machine
        point, direction = self._lines[-1]
        face_mm, normal = machine.platter.face_mm, machine.platter.normal
        if is_horizontal(machine.rotaries[-1]) or face_mm is None:
            columns: Matrix = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
            return self._tilted(columns, "platter tilt"), point
        height = face_mm + self._named("platter face") - point[2]
        ratio = height / direction[2]
        origin = [p + ratio * d for p, d in zip(point, direction, strict=True)]
        if normal is not None:
            z: Vector = normal.tolist()
        else:
            sign = float(np.sign(machine.rotaries[-1].direction[2]))
            z = [sign * one for one in direction]
        u = [1.0 - z[0] * z[0], -z[0] * z[1], -z[0] * z[2]]
        length = np.sqrt(u[0])  # u is X less its part along z: its own square is 1 - z_x squared
        x = [one / length for one in u]
        return self._tilted([x, _cross(z, x), z], "platter tilt"), origin

    def _tilted(self, columns: Matrix, kind: str, owner: str = "") -> Matrix:
        """Axes turned by a small turn about their own x and y."""
        x, y = (np.radians(self._named(kind, owner, axis)) for axis in "xy")
        if _is_zero(x) and _is_zero(y):
            return columns
        return _product(columns, _small_turn(x, y))

    # --- the part -------------------------------------------------------------------------------------------------

    def part(self, nest: str | None) -> tuple[Matrix, Vector]:
        """The part's axes (columns, as three vectors) and part zero, machine coordinates at the all-zero pose."""
        if nest not in self._parts:
            self._parts[nest] = self._part(nest)
        return self._parts[nest]

    def _part(self, nest: str | None) -> tuple[Matrix, Vector]:
        model = self.model
        axes, at = self._table()
        warmer, growth = self._named("temperature"), np.zeros(3)
        for node, under in zip(model.stacks[nest], model.frames[nest], strict=False):
            step = node.step
            axes, at = self._moved(axes, at, ("step", node.key), [*step.shift_mm, step.up_mm])
            axes = self._tilted(axes, "step lean", node.key)
            pose, turn = step.pose().rotation, self._named("step turn", node.key)
            if not _is_identity(pose):
                axes = _product(axes, pose.T.tolist())
            if not _is_zero(turn):
                axes = _product(axes, _about_z(turn))
            growth += under.rotate(node.expansion_per_k * np.array([*step.shift_mm, step.up_mm]))
        touch = model.touches.get(nest)
        if touch is not None:
            off = [self._named("touch-off", nest or "", axis) for axis in "xyz"]
            columns = model.touch_axis_columns(nest)
            read = [r - o + self._at(k) for r, o, k in zip(touch.at_mm, off, columns.tolist(), strict=True)]
            at = self._carry(read, touch.machine_deg, back=True)
        if growth.any() and not _is_zero(warmer):
            at = [a + g * warmer for a, g in zip(at, growth.tolist(), strict=True)]
        owner = nest or ""
        axes, at = self._moved(axes, at, ("part", owner), [0.0, 0.0, 0.0])
        axes = self._tilted(axes, "part lean", owner)
        turn = self._named("part turn", owner)
        return (axes if _is_zero(turn) else _product(axes, _about_z(turn))), at

    def _moved(
        self, axes: Matrix, at: Vector, whose: tuple[str, str], by_mm: Sequence[float]
    ) -> tuple[Matrix, Vector]:
        """A frame moved along its own axes by what is stated and what is off."""
        kind, owner = whose
        off = [
            self._named(f"{kind} shift", owner, "x"),
            self._named(f"{kind} shift", owner, "y"),
            self._named(f"{kind} up", owner),
        ]
        moved = at
        for stated, error, axis in zip(by_mm, off, axes, strict=True):
            if stated or not _is_zero(error):
                whole = stated + error
                moved = [m + whole * a for m, a in zip(moved, axis, strict=True)]
        return axes, moved

    # --- the results ----------------------------------------------------------------------------------------------

    def offset_error(self, operation: int) -> Vector:
        """The error of an operation's offset."""
        model = self.model
        one = model.operations[operation]
        axes, at = self.part(one.nest)
        start = [
            at[k] + sum(axes[j][k] * w for j, w in enumerate(one.origin_mm.tolist()) if w) for k in range(3)
        ]
        there = self._carry(start, one.machine_deg)
        columns = model.offset_axis_columns(operation).tolist()
        warmer = self._named("temperature")
        return [
            t - nominal - self._at(k) - (g * warmer if g else 0.0)
            for t, nominal, k, g in zip(
                there, model.offsets_mm[operation], columns, model.growth_mm_per_k.tolist(), strict=True
            )
        ]

    def deviation(self, point: int) -> Vector:
        """The deviation of a point, part coordinates, with no error of the tool."""
        model = self.model
        operation = model.operations[model.points[point].operation]
        warmer = self._named("temperature")
        columns = model.point_axis_columns(point).tolist()
        growth = model.growth_mm_per_k.tolist()
        sent = [
            c + self._at(k) + (g * warmer if g else 0.0)
            for c, k, g in zip(model.commanded_mm[point].tolist(), columns, growth, strict=True)
        ]
        if operation.tool is not None:
            sent[2] = sent[2] - self._named("tool length", operation.tool)
        back = self._carry(sent, operation.machine_deg, back=True)
        axes, at = self.part(operation.nest)
        arm = [b - a for b, a in zip(back, at, strict=True)]
        cold = 1.0 + model.part_expansion_per_k * (model.setup_c - REFERENCE_C + warmer)
        return [
            (axis[0] * arm[0] + axis[1] * arm[1] + axis[2] * arm[2]) / cold - wanted
            for axis, wanted in zip(axes, model.point_mm[point].tolist(), strict=True)
        ]

    def radius_error(self, operation: int) -> Array | float:
        """Excess of an operation's tool over its stated radius, millimetres."""
        tool = self.model.operations[operation].tool
        return 0.0 if tool is None else 0.5 * self._named("tool diameter", tool)


def _is_zero(value: Array | float) -> bool:
    return isinstance(value, float) and value == 0.0


def _is_identity(rotation: NDArray[np.float64]) -> bool:
    return bool((rotation == np.eye(3)).all())


def _small_sincos(angle: Array) -> tuple[Array, Array]:
    if angle.size and float(np.abs(angle).max()) < _SERIES_BELOW:
        square = angle * angle
        return (
            angle * (1.0 - square / 6.0 * (1.0 - square / 20.0)),
            1.0 - square / 2.0 * (1.0 - square / 12.0 * (1.0 - square / 30.0)),
        )
    return np.sin(angle), np.cos(angle)


def _turned(arm: Vector, axis: Vector, sine: Array | float, cosine: Array | float) -> Vector:
    """An arm turned about an axis of length one (Rodrigues)."""
    along = axis[0] * arm[0]
    along += axis[1] * arm[1]
    along += axis[2] * arm[2]
    along *= 1.0 - cosine
    found = []
    for k, (i, j) in enumerate(((1, 2), (2, 0), (0, 1))):
        across = axis[i] * arm[j]
        across -= axis[j] * arm[i]
        across *= sine
        across += cosine * arm[k]
        across += along * axis[k]
        found.append(across)
    return found


def _cross(a: Vector, b: Vector) -> Vector:
    return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]


def _product(columns: Matrix, inner: Matrix) -> Matrix:
    """Axes as columns times a matrix given by its columns, leaving out what is zero."""
    found = []
    for weights in inner:
        column: list[Array | float] = []
        for k in range(3):
            total: Array | float = 0.0
            for axis, weight in zip(columns, weights, strict=True):
                if not _is_zero(weight) and not _is_zero(axis[k]):
                    total = total + axis[k] * weight
            column.append(total)
        found.append(column)
    return found


def _small_turn(x: Array | float, y: Array | float) -> Matrix:
    """The columns of a turn by the rotation vector (x, y, 0), radians."""
    angle = np.sqrt(np.asarray(x * x + y * y))
    square = angle * angle
    small = angle < 1e-4
    safe = np.where(small, 1.0, angle)
    sine = np.where(small, 1.0 - square / 6.0, np.sin(safe) / safe)
    versine = np.where(small, 0.5 - square / 24.0, (1.0 - np.cos(safe)) / (safe * safe))
    cosine = 1.0 - versine * square
    return [
        [cosine + versine * x * x, versine * x * y, -sine * y],
        [versine * x * y, cosine + versine * y * y, sine * x],
        [sine * y, -sine * x, cosine],
    ]


def _about_z(turn_deg: Array | float) -> Matrix:
    """The columns of a turn about z."""
    sine, cosine = _small_sincos(np.asarray(np.radians(turn_deg)))
    return [[cosine, sine, 0.0], [-sine, cosine, 0.0], [0.0, 0.0, 1.0]]
