"""The model once more, in 50-digit arithmetic and straight from its definitions; nothing of the library is used.

Points are turned one by one with Rodrigues' formula for a vector; there are no matrices, no quadrants and no
half angles here.
"""

from mpmath import mp, mpf

DIGITS = 50


def vector(values):
    return [mpf(float(v)) for v in values]


def dot(a, b):
    return sum(x * y for x, y in zip(a, b, strict=True))


def cross(a, b):
    return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]


def plus(a, b, factor=1):
    return [x + factor * y for x, y in zip(a, b, strict=True)]


def unit(a):
    length = mp.sqrt(dot(a, a))
    return [x / length for x in a]


def turned(point, along, angle_deg):
    """Right-handed about a direction of length one through the origin."""
    angle = mpf(angle_deg) * mp.pi / 180
    cosine, sine = mp.cos(angle), mp.sin(angle)
    side, forward = cross(along, point), dot(along, point)
    return [
        cosine * p + sine * s + (1 - cosine) * forward * a for p, s, a in zip(point, side, along, strict=True)
    ]


AXES = {"x": [mpf(1), mpf(0), mpf(0)], "y": [mpf(0), mpf(1), mpf(0)], "z": [mpf(0), mpf(0), mpf(1)]}


def part_to_table(steps, point):
    """``steps``: (up, (x, y), [(axis, degrees), ...], turn), from the platter up."""
    reached = vector(point)
    for up, shift, rotate, turn in reversed(steps):
        reached = turned(reached, AXES["z"], turn)
        for axis, angle in reversed(rotate):
            reached = turned(reached, AXES[axis], angle)
        reached = plus(reached, vector([*shift, up]))
    return reached


def table_to_machine(last_point, last_direction, face, point):
    """All-zero pose of a table whose last rotary stands upright, or lies flat (then parallel to the machine)."""
    along, on_line = unit(vector(last_direction)), vector(last_point)
    if abs(along[2]) < 0.5:
        return plus(point, on_line)
    origin = plus(on_line, along, (mpf(float(face)) - on_line[2]) / along[2])
    z = along if along[2] > 0 else [-a for a in along]
    x = unit(plus([mpf(1), mpf(0), mpf(0)], z, -z[0]))
    y = cross(z, x)
    return [
        o + point[0] * a + point[1] * b + point[2] * c for o, a, b, c in zip(origin, x, y, z, strict=True)
    ]


def carried(rotaries, angles_deg, point):
    """``rotaries``: (point, direction, sign, zero), from the base outward; sign -1 turns clockwise."""
    reached = point
    for (on_line, along, sign, zero), angle in reversed(list(zip(rotaries, angles_deg, strict=True))):
        base = vector(on_line)
        swing = turned(
            plus(reached, base, -1), unit(vector(along)), sign * (mpf(float(angle)) - mpf(float(zero)))
        )
        reached = plus(base, swing)
    return reached


def right_handed_turn(along, start, end):
    """From the side of one direction to the side of another, seen along a third, in degrees."""
    sideways = dot(along, cross(start, end))
    forward = dot(start, end) - dot(along, start) * dot(along, end)
    return mp.atan2(sideways, forward) * 180 / mp.pi


def turns_to_spindle(outer, inner, wanted):
    """Both pairs of turns that bring ``wanted`` to +Z, by the corner written in ``outer, inner, outer x inner``.

    Empty where the direction cannot be reached.
    """
    spindle = AXES["z"]
    across, between = cross(outer, inner), dot(outer, inner)
    bottom = between**2 - 1
    alpha = (between * dot(inner, wanted) - dot(outer, spindle)) / bottom
    beta = (between * dot(outer, spindle) - dot(inner, wanted)) / bottom
    square = (1 - alpha**2 - beta**2 - 2 * alpha * beta * between) / dot(across, across)
    if square < 0:
        return []
    found = []
    for gamma in (mp.sqrt(square), -mp.sqrt(square)):
        corner = [alpha * o + beta * i + gamma * x for o, i, x in zip(outer, inner, across, strict=True)]
        found.append((right_handed_turn(outer, corner, spindle), right_handed_turn(inner, wanted, corner)))
    return found
