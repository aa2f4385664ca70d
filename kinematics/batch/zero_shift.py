"""Shift of part zero carried to every tilt: three numbers from the probe and nine constants of the pose.

With the table standing at `X(q)` and the table frame at `T`, a part that lies off by `d` (machine coordinates at the
all-zero pose) has its work offset moved by `R(q) d`, `R(q)` the rotation of `X(q)`. A program at the machine can work that out
by itself. A part that is clocked as well is no harder: at the all-zero pose its origins, and what the rotary that squares up
does with them, are sines and cosines of the clocking (`ClockingTerms`), without any approximation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose
from kinematics.validation import as_instance, as_real, as_vectors
from kinematics.work_offsets import Setup

__all__ = ["ClockingTerms", "clocked_shift", "clocking_response", "clocking_terms", "shift_response"]


def shift_response(setup: Setup, machine_deg: ArrayLike) -> NDArray[np.float64]:
    """Matrix that turns a shift of the part into the shift of a work offset.

    Parameters
    ----------
    setup : Setup
    machine_deg : array_like, shape (..., n)
        Machine angles of the operations.

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Times the part's shift in machine coordinates at the all-zero pose, mm: the offset's shift in machine coordinates.

    Raises
    ------
    KinematicsError
        When the last axis has not one angle for each rotary, or a value is not finite.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = Setup.from_stack(Machine("mill", (a,), Platter()), [])
    >>> (shift_response(setup, [-90.0]) @ [0.0, 0.0, 0.1]).round(9).tolist()
    [0.0, -0.1, 0.0]
    >>> shift_response(setup, [0.0, 0.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles (A): expected a last axis of 1 numbers, found shape (2,)
    """
    as_instance(setup, Setup, "zero shift, setup")
    return np.asarray(table_pose(setup.machine, machine_deg).rotation)


@takes_declared()
def clocking_response(setup: Setup, origin_mm: ArrayLike, machine_deg: ArrayLike) -> NDArray[np.float64]:
    """Shift of a work offset for each degree by which the part is clocked about its own z at part zero, first order.

    Second order leaves the origin's distance from that z times the square of the angle in radians over two.

    Parameters
    ----------
    setup : Setup
    origin_mm : array_like, shape (..., 3)
        Origins of the operations in part coordinates.
    machine_deg : array_like, shape (..., n)
        Their machine angles; leading shapes broadcast.

    Returns
    -------
    ndarray, shape (..., 3)
        Millimetres for each degree, right-handed about the part's z, machine coordinates.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = Setup.from_stack(Machine("mill", (a,), Platter()), [])
    >>> clocking_response(setup, [10.0, 0.0, 0.0], [0.0]).round(6).tolist()
    [0.0, 0.174533, 0.0]
    >>> clocking_response("setup", [0, 0, 0], [0, 0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: setup: expected a Setup, found 'setup'
    """
    origin = as_vectors(origin_mm, 3, "origin")
    moved = np.radians(1.0) * np.stack(
        [-origin[..., 1], origin[..., 0], np.zeros(origin.shape[:-1])], axis=-1
    )
    in_machine = (setup.part_in_machine.rotation @ moved[..., None])[..., 0]
    return np.asarray((shift_response(setup, machine_deg) @ in_machine[..., None])[..., 0])


@dataclass(frozen=True, eq=False)
class ClockingTerms(DeclaredFields):
    """Constants of how a part's clocking `c` moves its origins at the all-zero pose.

    Attributes
    ----------
    cosine_mm, sine_mm : ndarray, shape (m, 3)
        The origins move by `(cos c - 1)` and `sin c` times these; machine coordinates at the all-zero pose.
    from_line_mm : ndarray, shape (m, 3)
        The origins from a point of the line of the rotary that squares up; zeros where none does.
    line : ndarray, shape (3,)
        That line's direction.
    sideways, along : (float, float)
        The rotary turns by the angle whose tangent is `(s0 cos c + s1 sin c) / (a0 cos c + a1 sin c)`, right-handed about the
        line.
    sign : int
        Its sense: +1 where a positive angle turns the table right-handed; 0 where no rotary squares up.
    """

    cosine_mm: NDArray[np.float64]
    sine_mm: NDArray[np.float64]
    from_line_mm: NDArray[np.float64]
    line: NDArray[np.float64]
    sideways: tuple[float, float]
    along: tuple[float, float]
    sign: int

    def turn_deg(self, clock_deg: ArrayLike) -> NDArray[np.float64]:
        """Turn about the line that takes a clocking out, degrees, right-handed; shape of `clock_deg`."""
        sine, cosine = sincos_deg(clock_deg)
        if not self.sign:
            return np.zeros_like(np.asarray(cosine))
        return np.asarray(
            np.degrees(
                np.arctan2(
                    self.sideways[0] * cosine + self.sideways[1] * sine,
                    self.along[0] * cosine + self.along[1] * sine,
                )
            )
        )


@takes_declared()
def clocking_terms(setup: Setup, origins_mm: ArrayLike, letter: str | None = None) -> ClockingTerms:
    """Constants by which a clocked part's origins move, and with them the work offsets.

    Parameters
    ----------
    setup : Setup
    origins_mm : array_like, shape (m, 3)
        Origins of the operations, part coordinates.
    letter : str or None
        Rotary whose offset takes the clocking out: the last one. None leaves the part turned.

    Returns
    -------
    ClockingTerms

    Raises
    ------
    KinematicsError
        When the rotary is not the last one: what it carries then stands differently at every pose.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = Setup.from_stack(Machine("mill", (c,), Platter(face_mm=0.0)), [])
    >>> terms = clocking_terms(setup, [[10.0, 0.0, 0.0]], "C")
    >>> terms.sine_mm.tolist(), float(terms.turn_deg(0.25).round(9))
    ([[0.0, 10.0, 0.0]], -0.25)
    >>> clocking_terms(setup, [[10.0, 0.0, 0.0]], "A")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: clocking: expected the last rotary, C, found 'A'
    """
    machine = as_instance(setup, Setup, "clocking, setup").machine
    rotary = machine.rotaries[-1]
    if letter is not None and letter != rotary.letter:
        raise KinematicsError(f"clocking: expected the last rotary, {rotary.letter}, found {letter!r}")
    origin = as_vectors(origins_mm, 3, "clocking, origins").reshape(-1, 3)
    part = setup.part_in_machine
    x, y, _ = origin.T
    zero = np.zeros(len(origin))
    cosine_mm = part.rotate(np.stack([x, y, zero], axis=-1))
    sine_mm = part.rotate(np.stack([-y, x, zero], axis=-1))
    if letter is None:
        nothing = (0.0, 0.0), (1.0, 0.0)
        return ClockingTerms(cosine_mm, sine_mm, np.zeros_like(cosine_mm), rotary.direction, *nothing, 0)
    axis = "xyz".index(setup.alignment_axis(letter))
    columns = part.rotation.T
    # The part's axis turns as (cos, sin) of these two; it is to end where the setup's part has it.
    turning = [
        (columns[0], columns[1]), (columns[1], -columns[0]), (columns[2], np.zeros(3)),
    ][axis]  # fmt: skip
    line = rotary.direction
    end = np.cross(line, columns[axis])
    starts = [np.cross(line, one) for one in turning]
    sideways = tuple(float(line @ np.cross(start, end)) for start in starts)
    along = tuple(float(start @ end) for start in starts)
    if axis == 2:
        # The part's z stays as it is however the part is clocked: nothing is to be taken out.
        sideways, along = (0.0, 0.0), (1.0, 0.0)
    return ClockingTerms(
        cosine_mm,
        sine_mm,
        part.apply(origin) - rotary.point_mm,
        line,
        (sideways[0], sideways[1]),
        (along[0], along[1]),
        rotary.positive_turn.sign,
    )


@takes_declared()
def clocked_shift(terms: ClockingTerms, shift_mm: ArrayLike, clock_deg: ArrayLike) -> NDArray[np.float64]:
    """Shift of each origin at the all-zero pose, with the rotary that squares up turned; exact.

    Times `shift_response` at an operation's nominal angles it is the shift of its work offset.

    Parameters
    ----------
    terms : ClockingTerms
    shift_mm : array_like, shape (..., 3)
        Of part zero, machine coordinates at the all-zero pose.
    clock_deg : array_like, shape (...)

    Returns
    -------
    ndarray, shape (..., m, 3)

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = Setup.from_stack(Machine("mill", (c,), Platter(face_mm=0.0)), [])
    >>> terms = clocking_terms(setup, [[10.0, 0.0, 0.0]], "C")
    >>> (clocked_shift(terms, [0.0, 0.0, 0.1], 0.25).round(9) + 0.0).tolist()
    [[0.0, 0.0, 0.1]]
    >>> clocked_shift(0.1, [0, 0, 0], 0.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: terms: expected a ClockingTerms, found 0.1
    """
    shift = as_vectors(shift_mm, 3, "clocking, shift")[..., None, :]
    clock = as_real(clock_deg, "clocking")
    sine, cosine = (np.asarray(value)[..., None, None] for value in sincos_deg(clock))
    moved = shift + (cosine - 1.0) * terms.cosine_mm + sine * terms.sine_mm
    if not terms.sign:
        return np.asarray(moved)
    turn_sine, turn_cosine = (np.asarray(v)[..., None, None] for v in sincos_deg(terms.turn_deg(clock)))
    from_line = terms.from_line_mm + moved
    line = terms.line
    across = (from_line @ line)[..., None] * line - from_line
    return np.asarray(moved + (1.0 - turn_cosine) * across + turn_sine * np.cross(line, from_line))
