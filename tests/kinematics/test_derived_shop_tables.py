"""Shop tables derived for this project: sine bars, tapers per foot, hole circles, compound angles.

The numbers are computed here from the formula beside each table, in the form in which shop handbooks print them.
Values read as printed are in test_published_shop_tables.
"""

import numpy as np
import pytest
from samples import assert_close, flank_after_tilting

from kinematics import (
    Machine,
    Platter,
    RotaryAxis,
    RotationSense,
    circular_pattern,
    plane_from_normal,
    rotation_about_line,
    transform_points,
)


def tilting_bar():
    """A sine bar as a rotary: its lower roll is the line, its upper roll a point carried at the bar's length."""
    roll = RotaryAxis("B", [0.0, 0.0, 0.0], [0, 1, 0], RotationSense.CLOCKWISE, (0.0, 90.0))
    return Machine("sine bar", (roll,), Platter())


# Sine-bar constants, derived: length times the sine of the angle.
DERIVED_SINE_BAR = {
    5.0: {
        1: 0.08726, 2: 0.17450, 3: 0.26168, 5: 0.43578, 10: 0.86824, 15: 1.29410, 20: 1.71010, 25: 2.11309,
        30: 2.50000, 35: 2.86788, 40: 3.21394, 45: 3.53553, 50: 3.83022, 55: 4.09576, 60: 4.33013,
    },
    10.0: {1: 0.17452, 5: 0.87156, 10: 1.73648, 15: 2.58819, 30: 5.00000, 45: 7.07107, 60: 8.66025},
    100.0: {1: 1.74524, 5: 8.71557, 30: 50.00000, 45: 70.71068},
}  # fmt: skip


@pytest.mark.parametrize(
    ("length", "angle", "height"),
    [
        (length, angle, height)
        for length, table in DERIVED_SINE_BAR.items()
        for angle, height in table.items()
    ],
)
def test_derived_sine_bar_constants(length, angle, height):
    upper_roll = transform_points(tilting_bar(), [length, 0.0, 0.0], [angle])
    assert upper_roll[2] == pytest.approx(height, abs=0.5000001e-5)
    assert np.hypot(upper_roll[0], upper_roll[2]) == pytest.approx(length, rel=1e-15)


def test_derived_sine_bar_at_thirty_degrees_is_half_its_length():
    """Exact by geometry: 2.50000 for 5 inches."""
    assert transform_points(tilting_bar(), [5.0, 0.0, 0.0], [30.0])[2] == pytest.approx(2.5, abs=1e-15)


# Taper per foot -> included angle, angle with the centre line (degrees, minutes, seconds): derived from
# tan(half) = (D - d) / (2 L), which is taper / 24 over a foot.
DERIVED_TAPERS_PER_FOOT = [
    (1 / 8, (0, 35, 49), (0, 17, 54)),
    (1 / 4, (1, 11, 37), (0, 35, 49)),
    (3 / 8, (1, 47, 25), (0, 53, 43)),
    (1 / 2, (2, 23, 13), (1, 11, 37)),
    (5 / 8, (2, 59, 1), (1, 29, 30)),
    (3 / 4, (3, 34, 47), (1, 47, 24)),
    (7 / 8, (4, 10, 33), (2, 5, 17)),
    (1, (4, 46, 19), (2, 23, 9)),
    (1.25, (5, 57, 47), (2, 58, 53)),
    (1.5, (7, 9, 10), (3, 34, 35)),
    (2, (9, 31, 38), (4, 45, 49)),
    (3, (14, 15, 0), (7, 7, 30)),
    (3.5, (16, 35, 39), (8, 17, 50)),
    (4, (18, 55, 29), (9, 27, 44)),
]


@pytest.mark.parametrize(("taper", "included", "half"), DERIVED_TAPERS_PER_FOOT)
def test_derived_tapers_per_foot_lie_level_at_their_angle(taper, included, half):
    degrees, minutes, seconds = half
    half_deg = degrees + minutes / 60.0 + seconds / 3600.0
    # Half a second of arc over a foot, what the angle is rounded to.
    assert abs(flank_after_tilting(taper, half_deg)) < 12.2 * np.radians(0.51 / 3600.0)
    assert abs(flank_after_tilting(taper, half_deg + 2.0 / 3600.0)) > 12.0 * np.radians(1.0 / 3600.0)
    degrees, minutes, seconds = included
    included_deg = degrees + minutes / 60.0 + seconds / 3600.0
    upper, lower = ([12.0, 0.0, side * taper / 2.0] for side in (1.0, -1.0))
    turned = rotation_about_line([0, 0, 0], [0, 1, 0], included_deg).apply(upper)
    across = np.cross(turned, lower)[1] / np.dot(turned, turned)
    assert abs(across) < np.radians(0.51 / 3600.0)


# Jig-boring factors: circle of diameter 1, hole 1 at the top, going to the left; x right and y down from the
# corner of the square round the circle. Numbers derived, in the form in which handbooks print them.
DERIVED_HOLE_CIRCLES = {
    3: [(0.50000, 0.00000), (0.06699, 0.75000), (0.93301, 0.75000)],
    5: [(0.50000, 0.0), (0.02447, 0.34549), (0.20611, 0.90451), (0.79389, 0.90451), (0.97553, 0.34549)],
    6: [(0.5, 0.0), (0.06699, 0.25), (0.06699, 0.75), (0.5, 1.0), (0.93301, 0.75), (0.93301, 0.25)],
    7: [
        (0.5, 0.0), (0.10908, 0.18826), (0.01254, 0.61126), (0.28306, 0.95048), (0.71694, 0.95048),
        (0.98746, 0.61126), (0.89092, 0.18826),
    ],
    8: [
        (0.5, 0.0), (0.14645, 0.14645), (0.0, 0.5), (0.14645, 0.85355), (0.5, 1.0), (0.85355, 0.85355),
        (1.0, 0.5), (0.85355, 0.14645),
    ],
}  # fmt: skip


@pytest.mark.parametrize("count", DERIVED_HOLE_CIRCLES)
def test_derived_hole_circle_coordinates(count):
    """Hole 1 at the part's +y; to the left, seen from above, is counterclockwise, as a positive step is."""
    pattern = circular_pattern(plane_from_normal([0, 0, 1]), [0.0, 0.5, 0.0], count, 360.0 / count)
    found = np.array([(0.5 + x, 0.5 - y) for _, (x, y, _) in pattern])
    assert_close(found, DERIVED_HOLE_CIRCLES[count], within=0.5000001e-5)


def test_derived_two_tilts_make_one():
    """Compound angle, derived here (no source found): tan(true)**2 = tan(a)**2 + tan(b)**2 of projected angles."""
    for a_deg, b_deg in ((10.0, 20.0), (35.0, 5.0), (44.0, 44.0)):
        ta, tb = np.tan(np.radians([a_deg, b_deg]))
        normal = plane_from_normal([ta, tb, 1.0]).normal
        true = np.degrees(np.arctan2(np.hypot(normal[0], normal[1]), normal[2]))
        assert np.tan(np.radians(true)) == pytest.approx(np.hypot(ta, tb), rel=1e-14)
