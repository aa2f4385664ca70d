"""Shop tables: sine bars, tapers, hole circles.

The handbook's own pages were not reachable; how each number was come by stands beside it.
"""

import numpy as np
import pytest
from samples import assert_close

from kinematics import (
    Machine,
    Platter,
    Rotary,
    Sense,
    carry,
    plane_from_normal,
    repeated,
    turn_about_line,
)


def tilting_bar():
    """A sine bar as a rotary: its lower roll is the line, its upper roll a point carried at the bar's length."""
    roll = Rotary("B", [0.0, 0.0, 0.0], [0, 1, 0], Sense.CLOCKWISE, (0.0, 90.0))
    return Machine("sine bar", (roll,), Platter())


# Sine-bar constants, L sin(angle): formula of Machinery's Handbook (table not reachable), numbers recomputed.
SINE_BAR = {
    5.0: {
        1: 0.08726, 2: 0.17450, 3: 0.26168, 5: 0.43578, 10: 0.86824, 15: 1.29410, 20: 1.71010, 25: 2.11309,
        30: 2.50000, 35: 2.86788, 40: 3.21394, 45: 3.53553, 50: 3.83022, 55: 4.09576, 60: 4.33013,
    },
    10.0: {1: 0.17452, 5: 0.87156, 10: 1.73648, 15: 2.58819, 30: 5.00000, 45: 7.07107, 60: 8.66025},
    100.0: {1: 1.74524, 5: 8.71557, 30: 50.00000, 45: 70.71068},
}  # fmt: skip


@pytest.mark.parametrize(
    ("length", "angle", "height"),
    [(length, angle, height) for length, table in SINE_BAR.items() for angle, height in table.items()],
)
def test_sine_bar_constants(length, angle, height):
    upper_roll = carry(tilting_bar(), [length, 0.0, 0.0], [angle])
    assert upper_roll[2] == pytest.approx(height, abs=0.5000001e-5)
    assert np.hypot(upper_roll[0], upper_roll[2]) == pytest.approx(length, rel=1e-15)


def test_sine_bar_at_thirty_degrees_is_half_its_length():
    """Exact by geometry; what Machinery's Handbook prints as 2.50000 for 5 inches."""
    assert carry(tilting_bar(), [5.0, 0.0, 0.0], [30.0])[2] == pytest.approx(2.5, abs=1e-15)


# Taper per foot -> included angle, angle with the centre line (degrees, minutes, seconds): recomputed from
# tan(half) = taper / 24, a formula read at pages.cthome.net/errol.groff; Machinery's Handbook prints the same to
# within a second (from memory).
TAPERS_PER_FOOT = [
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

# Taper per foot and angle from the centre in degrees. Morse: taper READ at www.engineersedge.com, Morse taper
# shank dimensions; angles of all READ at littlemachineshop.com, "Dimensions of standard tapers".
NAMED_TAPERS = {
    "Morse 0": (0.62460, 1.4908), "Morse 1": (0.59858, 1.4287), "Morse 2": (0.59941, 1.4307),
    "Morse 3": (0.60235, 1.4377), "Morse 4": (0.62326, 1.4876), "Morse 5": (0.63151, 1.5073),
    "Morse 6": (0.62565, 1.4933), "Morse 7": (0.62400, 1.4894),
    "Brown & Sharpe 1": (0.5020, 1.1983), "Brown & Sharpe 4": (0.5024, 1.1992),
    "Brown & Sharpe 7": (0.5015, 1.1970), "Brown & Sharpe 9": (0.5009, 1.1955),
    "Brown & Sharpe 10": (0.5161, 1.2320), "Brown & Sharpe 12": (0.4997, 1.1928),
    "Brown & Sharpe 14": (0.5000, 1.1935),
    "Jacobs 0": (0.5915, 1.4117), "Jacobs 1": (0.9251, 2.2074), "Jacobs 2": (0.9786, 2.3350),
    "Jacobs 3": (0.6390, 1.5251), "Jacobs 6": (0.6229, 1.4868), "Jacobs 33": (0.7619, 1.8184),
}  # fmt: skip


def flank_after_tilting(taper_per_foot, half_angle_deg):
    """How far a cone's flank, a foot of it, still rises once the cone is tilted by its half angle; inches."""
    tilted = turn_about_line([0, 0, 0], [0, 1, 0], half_angle_deg)
    start, end = tilted.apply([[0.0, 0.0, 0.0], [12.0, 0.0, taper_per_foot / 2.0]])
    return end[2] - start[2]


@pytest.mark.parametrize(("taper", "included", "half"), TAPERS_PER_FOOT)
def test_tapers_per_foot_lie_level_at_their_angle(taper, included, half):
    degrees, minutes, seconds = half
    half_deg = degrees + minutes / 60.0 + seconds / 3600.0
    # Half a second of arc over a foot, what the printed angle is rounded to.
    assert abs(flank_after_tilting(taper, half_deg)) < 12.2 * np.radians(0.51 / 3600.0)
    assert abs(flank_after_tilting(taper, half_deg + 2.0 / 3600.0)) > 12.0 * np.radians(1.0 / 3600.0)
    degrees, minutes, seconds = included
    included_deg = degrees + minutes / 60.0 + seconds / 3600.0
    upper, lower = ([12.0, 0.0, side * taper / 2.0] for side in (1.0, -1.0))
    turned = turn_about_line([0, 0, 0], [0, 1, 0], included_deg).apply(upper)
    across = np.cross(turned, lower)[1] / np.dot(turned, turned)
    assert abs(across) < np.radians(0.51 / 3600.0)


@pytest.mark.parametrize("name", NAMED_TAPERS)
def test_named_tapers_lie_level_at_their_printed_angle(name):
    taper, half_deg = NAMED_TAPERS[name]
    # The angle is printed to 0.0001 degrees, Brown & Sharpe's and Jacobs' taper to 0.0001 inch a foot.
    printed = 12.0 * np.radians(0.51e-4) + (0.0 if name.startswith("Morse") else 0.25e-4)
    assert abs(flank_after_tilting(taper, half_deg)) < printed


# Jig-boring factors: circle of diameter 1, hole 1 at the top, going to the left; x right and y down from the
# corner of the square round the circle. Form of the table READ (metalwebnews.com, bolt circles, which names
# Machinery's Handbook, 23rd edition, p. 950 on); numbers recomputed.
HOLE_CIRCLES = {
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


@pytest.mark.parametrize("count", HOLE_CIRCLES)
def test_hole_circle_coordinates(count):
    """Hole 1 at the part's +y; to the left, seen from above, is counterclockwise, as a positive step is."""
    pattern = repeated(plane_from_normal([0, 0, 1]), [0.0, 0.5, 0.0], count, 360.0 / count)
    found = np.array([(0.5 + x, 0.5 - y) for _, (x, y, _) in pattern])
    assert_close(found, HOLE_CIRCLES[count], within=0.5000001e-5)


def test_two_tilts_make_one():
    """Compound angle, derived here (no source found): tan(true)**2 = tan(a)**2 + tan(b)**2 of projected angles."""
    for a_deg, b_deg in ((10.0, 20.0), (35.0, 5.0), (44.0, 44.0)):
        ta, tb = np.tan(np.radians([a_deg, b_deg]))
        normal = plane_from_normal([ta, tb, 1.0]).normal
        true = np.degrees(np.arctan2(np.hypot(normal[0], normal[1]), normal[2]))
        assert np.tan(np.radians(true)) == pytest.approx(np.hypot(ta, tb), rel=1e-14)
