"""Shift of part zero carried to every tilt: three numbers from the probe and nine constants of the pose.

With the table standing at `X(q)` and the table frame at `T`, a part that lies off by `d` (machine coordinates at the
all-zero pose) has its work offset moved by `R(q) d`, `R(q)` the rotation of `X(q)`. A program at the machine can work that out
by itself.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.forward import table_pose
from kinematics.validation import as_instance, as_vectors
from kinematics.work_offsets import Setup

__all__ = ["clocking_response", "shift_response"]


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
    """
    origin = as_vectors(origin_mm, 3, "origin")
    moved = np.radians(1.0) * np.stack(
        [-origin[..., 1], origin[..., 0], np.zeros(origin.shape[:-1])], axis=-1
    )
    in_machine = (setup.part_in_machine.rotation @ moved[..., None])[..., 0]
    return np.asarray((shift_response(setup, machine_deg) @ in_machine[..., None])[..., 0])
