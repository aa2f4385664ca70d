"""Every part's own work offsets: from its own touched-off zero and clocking, at the program angles that stay the same."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg, wrap_deg
from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose, transform_points
from kinematics.machine import table_frame
from kinematics.spherical_triangle import azimuth_rad
from kinematics.transform import Pose
from kinematics.validation import (
    ValueEquality,
    as_instance,
    as_real,
    as_vector,
    as_vectors,
    is_list,
    read_only,
    shown,
)
from kinematics.work_offsets import Setup

__all__ = ["PartOffsets", "offsets_of_parts", "setup_of_part"]


@dataclass(frozen=True, eq=False)
class PartOffsets(ValueEquality, DeclaredFields):
    """The work offsets of k parts at m operations.

    Attributes
    ----------
    difference_mm : ndarray, shape (k, 3)
        Part zero as touched off minus that of the setup, table frame.
    rotary_offset_deg : ndarray, shape (k, n)
        The rotaries' work offsets.
    machine_deg : ndarray, shape (k, m, n)
        Machine angles: the program angles plus these offsets.
    offset_mm : ndarray, shape (k, m, 3)
        X, Y, Z of the work offsets, machine coordinates.
    """

    difference_mm: NDArray[np.float64]
    rotary_offset_deg: NDArray[np.float64]
    machine_deg: NDArray[np.float64]
    offset_mm: NDArray[np.float64]

    @property
    def distance_mm(self) -> NDArray[np.float64]:
        """Distance of each part's zero from that of the setup, shape (k,)."""
        return np.asarray(np.linalg.norm(self.difference_mm, axis=-1))


def offsets_of_parts(
    setup: Setup,
    origins_mm: ArrayLike,
    program_deg: ArrayLike,
    touched_mm: ArrayLike,
    touched_deg: ArrayLike,
    clock_deg: ArrayLike = 0.0,
    square_up: Iterable[str] = (),
) -> PartOffsets:
    """Work offsets of parts by their own touched-off zeros.

    A program is posted once and run on every part: its angles stay, and only the offsets change.

    Parameters
    ----------
    setup : Setup
        Of the nest, with part zero from its steps.
    origins_mm : array_like, shape (m, 3)
        The operations' origins, part coordinates.
    program_deg : array_like, shape (m, n)
        Their program angles.
    touched_mm : array_like, shape (k, 3)
        The machine coordinates read at each part's zero.
    touched_deg : array_like, shape (n,)
        The machine angles they were read at.
    clock_deg : array_like, shape (k,) or ()
        Each part's turn about its own z, beyond the setup's, right-handed.
    square_up : iterable of letter
        Rotaries whose offset takes the clocking out, as `Setup.aligned` does; the others keep the setup's offset, and
        without any the part stays turned.

    Returns
    -------
    PartOffsets

    Raises
    ------
    KinematicsError
        When shapes do not match or a value is not finite.

    Examples
    --------
    Two parts on a post of 100 mm, the second 0.05 high and 0.02 to the right:

    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> from kinematics.stack import StackStep
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = Setup.from_stack(Machine("mill", (a,), Platter()), [StackStep("post", up_mm=100.0)])
    >>> parts = offsets_of_parts(setup, [[0, 0, 0]], [[-90.0]], [[0, 0, 50], [0.02, 0, 50.05]], [0.0])
    >>> parts.offset_mm.round(9).tolist()
    [[[0.0, -100.0, -50.0]], [[0.02, -100.05, -50.0]]]
    >>> offsets_of_parts(setup, [[0, 0, 0]], [[-90.0], [0.0]], [[0, 0, 50]], [0.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: parts: expected as many poses as origins, found 2 and 1
    """
    machine = as_instance(setup, Setup, "parts, setup").machine
    origins = as_vectors(origins_mm, 3, "parts, origins").reshape(-1, 3)
    program = machine.angles(program_deg).reshape(-1, len(machine.rotaries))
    if len(origins) != len(program):
        raise KinematicsError(
            f"parts: expected as many poses as origins, found {len(program)} and {len(origins)}"
        )
    touched = as_vectors(touched_mm, 3, "parts, touched").reshape(-1, 3)
    at_deg = as_vector(machine.angles(touched_deg), len(machine.rotaries), "parts, touched, angles")
    clock = as_real(clock_deg, "parts, clock")
    if clock.shape not in {(), (len(touched),)}:
        raise KinematicsError(
            f"parts, clock: expected one angle for each of {len(touched)} parts, found shape {clock.shape}"
        )
    if isinstance(square_up, str) or not is_list(square_up):
        raise KinematicsError(f"parts, square up: expected letters of rotaries, found {shown(square_up)}")
    clock = np.broadcast_to(clock, (len(touched),))
    frame = table_frame(machine)
    at_zero_pose = table_pose(machine, at_deg).inverse().apply(touched)
    zero_in_table = frame.inverse().apply(at_zero_pose)
    rotary_offset = _rotary_offsets(setup, clock, tuple(square_up))
    machine_deg = program + rotary_offset[:, None, :] + 0.0
    sine, cosine = sincos_deg(clock)
    x, y, z = origins.T
    turned = np.stack(
        [
            cosine[:, None] * x - sine[:, None] * y,
            sine[:, None] * x + cosine[:, None] * y,
            np.broadcast_to(z, (len(touched), len(origins))),
        ],
        axis=-1,
    )
    points = at_zero_pose[:, None, :] + turned @ setup.part_in_machine.rotation.T
    if clock.any() and tuple(square_up):
        offset = transform_points(machine, points, machine_deg)
    else:
        # All parts share the poses: each is worked out once.
        poses = table_pose(machine, program + setup.rotary_offset_deg)
        offset = np.einsum("mij,kmj->kmi", poses.rotation, points) + poses.translation_mm
    return PartOffsets(
        read_only(zero_in_table - setup.part_in_table.translation_mm),
        read_only(rotary_offset),
        read_only(machine_deg),
        read_only(offset),
    )


def setup_of_part(
    setup: Setup,
    touched_mm: ArrayLike,
    touched_deg: ArrayLike,
    clock_deg: float = 0.0,
    square_up: Iterable[str] = (),
) -> Setup:
    """The setup of one part by its own touched-off zero and clocking.

    Parameters
    ----------
    setup, touched_mm, touched_deg, clock_deg, square_up
        As `offsets_of_parts` takes them, of one part.

    Returns
    -------
    Setup
        Its work offsets at the same program angles are those of `offsets_of_parts`.

    Raises
    ------
    KinematicsError
        When shapes do not match or a value is not finite.

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = Setup.from_stack(Machine("mill", (c,), Platter(face_mm=0.0)), [])
    >>> part = setup_of_part(setup, [50.0, 0.0, 0.0], [0.0], clock_deg=0.25, square_up=["C"])
    >>> part.part_in_table.translation_mm.tolist(), part.rotary_offset_deg.round(9).tolist()
    ([50.0, 0.0, 0.0], [0.25])
    >>> setup_of_part(setup, [50.0, 0.0], [0.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: part, touched: expected a last axis of 3 numbers, found shape (2,)
    """
    machine = as_instance(setup, Setup, "part, setup").machine
    program = np.zeros((1, len(machine.rotaries)))
    touched = as_vector(touched_mm, 3, "part, touched")
    found = offsets_of_parts(setup, np.zeros((1, 3)), program, touched, touched_deg, clock_deg, square_up)
    turned = _clocked(setup, clock_deg).part_in_table.rotation
    zero_mm = setup.part_in_table.translation_mm + found.difference_mm[0]
    return Setup(machine, Pose(turned, zero_mm), found.rotary_offset_deg[0])


def _rotary_offsets(
    setup: Setup, clock: NDArray[np.float64], letters: tuple[str, ...]
) -> NDArray[np.float64]:
    """The setup's rotary offsets and, of those that square up, what takes each part's clocking out besides."""
    offset = np.tile(setup.rotary_offset_deg, (len(clock), 1))
    if not clock.any():
        for letter in letters:
            setup.machine.index(letter)
        return offset
    if len(letters) > 1:
        # Each starts from where the one before it stands, so part by part.
        nominal = _squared(setup, letters).rotary_offset_deg
        squared = [_squared(_clocked(setup, turn), letters).rotary_offset_deg for turn in clock.tolist()]
        return np.asarray(offset + wrap_deg(np.array(squared) - nominal, low_deg=-180.0))
    for letter in letters:
        offset[:, setup.machine.index(letter)] += _taken_out_deg(setup, letter, clock)
    return offset


def _squared(setup: Setup, letters: Iterable[str]) -> Setup:
    for letter in letters:
        setup = setup.aligned(letter)
    return setup


def _clocked(setup: Setup, turn_deg: float) -> Setup:
    sine, cosine = (float(value) for value in sincos_deg(turn_deg))
    turn = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    part = setup.part_in_table
    return Setup(setup.machine, Pose(part.rotation @ turn, part.translation_mm), setup.rotary_offset_deg)


def _taken_out_deg(setup: Setup, letter: str, clock: NDArray[np.float64]) -> NDArray[np.float64]:
    """The move of one rotary that turns each clocked part as the setup's part stands."""
    machine, turning = setup.machine, setup.machine.index(letter)
    axis = "xyz".index(setup.alignment_axis(letter))
    rotation = setup.part_in_machine.rotation
    inner = np.eye(3)
    for rotary, angle in zip(
        machine.rotaries[turning + 1 :], setup.rotary_offset_deg[turning + 1 :], strict=True
    ):
        inner = inner @ rotary.pose_at(angle).rotation
    sine, cosine = sincos_deg(clock)
    ones, zeros = np.ones_like(sine), np.zeros_like(sine)
    # Columns of a turn about z: where the part's axis lies in the coordinates of the setup's part.
    column = np.stack([(cosine, sine, zeros), (-sine, cosine, zeros), (zeros, zeros, ones)][axis])
    start = inner @ rotation @ column
    end = (inner @ rotation)[:, axis, None]
    rotary = machine.rotaries[turning]
    turn_deg = np.degrees(azimuth_rad(rotary.direction, start, end))
    return np.asarray(rotary.positive_turn.sign * turn_deg)
