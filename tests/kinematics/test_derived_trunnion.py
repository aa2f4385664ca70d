"""A/C and B/C tables by closed form: DERIVED for this project, published nowhere that was found.

phi are right-handed turns of the table itself about +X, +Y, +Z; for a normal n, A/C:
``phiA = +-atan2(hypot(nx, ny), nz)``, ``phiC = atan2(+-nx, +-ny)``; B/C: ``phiB = atan2(hypot(nx, ny), nz)``,
``phiC = 180 - atan2(ny, nx)``. A table that follows ISO 841 turns clockwise and displays -phi.
"""

import laws
import numpy as np
import pytest
from samples import hand_of, square_machine

from kinematics import RotationSense, aim

R2 = np.sqrt(0.5)
# n, (phiA, phiC) with the tilt positive, (phiA, phiC) with it negative, (phiB, phiC)
DIRECTIONS = [
    ((1, 1, 1), (54.735610317, 45), (-54.735610317, -135), (54.735610317, 135)),
    ((0.5, 0.5, R2), (45, 45), (-45, -135), (45, 135)),
    ((1, 0, 1), (45, 90), (-45, -90), (45, 180)),
    ((0, 1, 1), (45, 0), (-45, 180), (45, 90)),
    (
        (2, -3, 6),
        (31.002719134, 146.309932474),
        (-31.002719134, -33.690067526),
        (31.002719134, 236.309932474),
    ),
    ((-1, 2, 2), (48.189685104, -26.565051177), (-48.189685104, 153.434948823), (48.189685104, 63.434948823)),
    ((3, 4, 0), (90, 36.869897646), (-90, -143.130102354), (90, 126.869897646)),
]


def solutions(machine, normal):
    return [(s.machine_deg[0], s.machine_deg[1] % 360.0) for s in aim(machine, normal, [0.0, 0.0]).solutions]


def same_turn(found, expected):
    return all(abs((f - e + 180.0) % 360.0 - 180.0) < 1e-9 for f, e in zip(found, expected, strict=True))


@pytest.mark.parametrize("sense", RotationSense)
@pytest.mark.parametrize(("normal", "plus", "minus", "b_plus"), DIRECTIONS)
def test_directions(normal, plus, minus, b_plus, sense):
    sign = hand_of(sense)
    for outer, expected in (("A", [plus, minus]), ("B", [b_plus, (-b_plus[0], b_plus[1] - 180.0)])):
        found = solutions(square_machine(sense, outer, ((-180.0, 180.0), None)), normal)
        assert len(found) == 2
        for tilt, turn in expected:
            assert any(same_turn(one, (sign * tilt, sign * turn)) for one in found)


def test_straight_up_leaves_c_free_where_it_was():
    for outer in "AB":
        found = aim(square_machine(outer=outer, limits=((-120.0, 30.0), None)), [0, 0, 1], [-30.0, 211.0])
        assert found.singular_axes == ("C",)
        assert [s.machine_deg for s in found.solutions] == [(0.0, 211.0)]


@pytest.mark.parametrize("sense", RotationSense)
def test_pivot_transform(sense):
    laws.derived_pivot_table(sense)
