"""Fitted face of the platter: its height, its normal, and their joint covariance with the lines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kinematics.calibration.covariance import Covariance
from kinematics.calibration.derived_quantities import face_measure, joint_cofactor, measure_gradient
from kinematics.calibration.line_parameters import tilted_direction_with_jacobian
from kinematics.calibration.results import PlatterFit, TargetFit
from kinematics.calibration.solve import Adjusted
from kinematics.validation import read_only

__all__ = ["fitted_platter"]


def fitted_platter(
    solved: Adjusted, letters: Sequence[str], targets: Sequence[TargetFit], covariance: Covariance
) -> PlatterFit | None:
    """The platter by the first face whose name begins with "platter"; None where its height is not determined."""
    for t, target in enumerate(targets):
        if target.face_height is None or target.face_height.fixed or not _is_platter(target):
            continue
        assert target.tilt is not None
        problem, state = solved.problem, solved.state
        nominal, lever = problem.nominal_targets, problem.lever_mm
        normal, slope = tilted_direction_with_jacobian(
            nominal.direction[t], nominal.basis[t], state.targets[t, 2:] / lever
        )
        lines, count = 4 * problem.rotaries, len(state.parameters)
        by_lines, by_target = np.zeros((lines + 4, count)), np.zeros((lines + 4, 4))
        by_lines[np.arange(lines), np.arange(lines)] = problem.scale[:lines]
        by_lines[lines], by_target[lines] = measure_gradient(solved, t, face_measure(solved, t))
        by_target[lines + 1 :, 2:] = slope.T / lever
        matrix = None
        if covariance.sigma is not None:
            matrix = read_only(covariance.sigma**2 * joint_cofactor(solved, t, by_lines, by_target))
        quantities = [
            f"{letter} {what}" for letter in letters for what in ("shift 1", "shift 2", "tilt 1", "tilt 2")
        ]
        return PlatterFit(
            target=target.name,
            face=target.face_height,
            normal=read_only(normal),
            normal_estimable=not target.tilt.fixed,
            quantities=(*quantities, "face", "normal X", "normal Y", "normal Z"),
            covariance=matrix,
        )
    return None


def _is_platter(target: TargetFit) -> bool:
    return target.name.lower().startswith("platter")
