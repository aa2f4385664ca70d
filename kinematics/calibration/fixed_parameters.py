"""Report of the parameters that the readings do not determine and that kept their nominal values."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import wrap_deg
from kinematics.calibration.linear_algebra import eigen_symmetric
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.calibration.results import Estimate, FixedParameter
from kinematics.calibration.solve import Adjusted
from kinematics.machine import Machine

__all__ = ["conditional_positions", "constant_angle_deg", "fixed_parameters"]

_WHOLE = 0.98
"""Fixed share of a parameter (squares) above which it counts as fixed altogether."""
_SOME = 1e-3
"""Fixed share below which it counts as determined."""
_STILL_DEG = 1e-6
_ALONG = 0.999
"""Cosine above which a direction counts as a machine axis."""

_Vector = tuple[float, float, float]


def constant_angle_deg(readings: Readings, i: int) -> float | None:
    """The angle at which rotary i stands in every reading, or None where it is turned."""
    angle = readings.angles_deg[:, i]
    away = np.abs(wrap_deg(angle - angle[0], low_deg=-180.0))
    return float(angle[0]) if float(away.max()) < _STILL_DEG else None


def fixed_parameters(solved: Adjusted, machine: Machine, readings: Readings) -> tuple[FixedParameter, ...]:
    """Everything that was fixed: the rotaries' parameters from the base outward, then the targets'."""
    free = solved.state.free
    share = 1.0 - (free * free).sum(axis=1)
    found: list[FixedParameter] = []
    for i, letter in enumerate(machine.letters):
        mine = share[4 * i : 4 * i + 4]
        if not (mine > _SOME).any():
            continue
        still = constant_angle_deg(readings, i)
        if still is not None and (mine > _WHOLE).all():
            turned = abs(float(machine.rotaries[i].turn_deg(still))) > _STILL_DEG
            found.append(
                FixedParameter("rotary not turned", "line", letter, angle_deg=still if turned else None)
            )
            continue
        basis = solved.problem.lines.basis[i]
        # A tilt toward a direction is a rotation about the one square to it and to the line.
        about = np.cross(machine.rotaries[i].direction, basis)
        found += _not_determined(letter, "direction", mine[2:], about)
        found += _one_direction(solved, i, letter) or _not_determined(letter, "position", mine[:2], basis)
    return (*found, *_target_directions(solved, readings))


def conditional_positions(
    machine: Machine, estimates: Sequence[Sequence[Estimate]]
) -> tuple[FixedParameter, ...]:
    """Lines whose position is right only as far as fixed directions are.

    Parameters
    ----------
    machine : Machine
    estimates : sequence of sequence of Estimate
        Of each rotary, those of its positions among them.
    """
    found = []
    for letter, mine in zip(machine.letters, estimates, strict=True):
        sensitivity = max((one.tilt_sensitivity_mm for one in mine), default=0.0)
        if sensitivity > 0.0:
            found.append(FixedParameter("conditional", "position", letter, sensitivity_mm=sensitivity))
    return tuple(found)


def _one_direction(solved: Adjusted, i: int, letter: str) -> list[FixedParameter]:
    """A position that is determined along one direction only, which is none of the machine's axes."""
    mine = solved.state.free[4 * i : 4 * i + 2]
    size, vectors = eigen_symmetric(mine @ mine.T)
    along = vectors[:, 1] @ solved.problem.lines.basis[i]
    if size[0] > _SOME or size[1] < _WHOLE or float(np.abs(along).max()) > _ALONG:
        return []
    sign = 1.0 if along[int(np.argmax(np.abs(along) > _SOME))] > 0.0 else -1.0
    shift = (solved.state.parameters * solved.problem.scale)[4 * i : 4 * i + 2]
    moved = sign * float(vectors[:, 1] @ shift)
    return [
        FixedParameter(
            "one direction only", "position", letter, axes=(_vector(sign * along),), shift_mm=moved
        )
    ]


def _not_determined(
    letter: str, quantity: str, share: NDArray[np.float64], axes: NDArray[np.float64]
) -> list[FixedParameter]:
    """One rotary's direction or position, of whose two components `share` is fixed."""
    whole, some = share > _WHOLE, share > _SOME
    if not some.any():
        return []
    if whole.all():
        return [FixedParameter("not determined", quantity, letter)]
    if whole.any() and not (some & ~whole).any():
        axis = _vector(axes[int(np.argmax(whole))])
        return [FixedParameter("component not determined", quantity, letter, axes=(axis,))]
    involved = tuple(_vector(axis) for axis in axes[some])
    return [FixedParameter("combination only", quantity, letter, axes=involved)]


def _vector(vector: NDArray[np.float64]) -> _Vector:
    x, y, z = (vector + 0.0).tolist()
    return (x, y, z)


def _target_directions(solved: Adjusted, readings: Readings) -> list[FixedParameter]:
    """Directions of bores and faces that were taken as stated or as nominal."""
    problem, found = solved.problem, []
    for t, index in enumerate(problem.names):
        kind = readings.kinds[index]
        if kind is TargetKind.BALL or float(np.diag(solved.state.fixed[t])[2:].max()) < _SOME:
            continue
        found.append(
            FixedParameter(
                "target direction",
                "direction",
                target=readings.names[index],
                target_kind=kind,
                axes=(_vector(problem.nominal_targets.direction[t]),),
                stated=readings.directions[index] is not None,
            )
        )
    return found
