"""A control with a probe, on a machine whose lines and targets only the test knows.

It runs the part of RS274/NGC (NISTIR 6556, version 3) that probing programs are written in, as the report has it:
section 3.2.1 (parameter file), 3.3.2 (values, expressions), 3.3.3 (a setting acts after its line is read), 3.3.4
(comments), 3.5.5 (G10 L2), 3.5.9 (G38.2), 3.5.11 (G43, G49), 3.5.12 (G53). Anything else is an error. Contacts are worked
out here from spheres, planes and cylinders, by none of the program's own formulas.
"""

import re
from dataclasses import dataclass, field

import numpy as np

from kinematics import table_pose

WORD = re.compile(r"([A-Z])((?:[+-]?[0-9.]+)|#[0-9]+|\[.*?\](?![^\[]*\]))")
MODAL = {
    "G0": 1, "G1": 1, "G38.2": 1, "G80": 1, "G17": 2, "G90": 3, "G94": 5, "G20": 6, "G21": 6, "G40": 7, "G43": 8,
    "G49": 8, "G59.3": 12, "G10": 0, "G53": 0, "G92.1": 0,
}  # fmt: skip


@dataclass
class Thing:
    """A target as it truly is at the all-zero pose, millimetres."""

    kind: str
    point: np.ndarray
    direction: np.ndarray
    radius: float = 0.0
    reach: float = 40.0  # how far a face reaches from its point


@dataclass
class Control:
    machine: object
    things: list
    tip_mm: float
    length_mm: float  # what the length offset holds
    parameters: dict = field(default_factory=dict)
    scatter: object = None  # a random generator's normal(), per touch
    touches: int = 0

    def __post_init__(self):
        self.at = np.array([self.machine.travel.low_mm[0], self.machine.travel.low_mm[1], -100.0])
        self.angles = dict.fromkeys("ABC", 0.0)
        self.mm, self.length, self.motion, self.feed = 1.0, 0.0, None, None
        self.offset_zero = False

    def run(self, program):
        lines = program.splitlines()
        assert lines[0] == "%"
        assert lines[-1] == "%"
        for line in lines[1:-1]:
            assert len(line) <= 256
            self.line(line)

    def line(self, line):
        text = re.sub(r"\([^()]*\)", "", line).replace(" ", "").upper()
        settings = re.fullmatch(r"#([0-9]+)=(.+)", text)
        if settings:
            self.parameters[int(settings[1])] = self.value(settings[2])
            return
        words = re.findall(r"([A-Z])([^A-Z]+)", text)
        assert "".join(a + b for a, b in words) == text, line
        codes = [f"G{value}" for letter, value in words if letter == "G"]
        groups = [MODAL[code] for code in codes]
        assert len(groups) == len(set(groups)), line
        values = {letter: self.value(value) for letter, value in words if letter not in "GM"}
        assert len(values) == sum(letter not in "GM" for letter, _ in words), line
        self.obey(codes, values)

    def value(self, text):
        plain = re.sub(r"#([0-9]+)", lambda m: f"({self.parameters[int(m[1])]!r})", text)
        assert re.fullmatch(r"[-+*/().0-9e\[\]]+", plain), text
        return float(eval(plain.replace("[", "(").replace("]", ")")))

    def obey(self, codes, values):
        if "F" in values:
            self.feed = values["F"]
        for code in codes:
            if code in {"G20", "G21"}:
                self.mm = 25.4 if code == "G20" else 1.0
            elif code == "G49":
                self.length = 0.0
            elif code == "G43":
                assert values["H"] >= 1
                self.length = self.length_mm
            elif code == "G10":
                assert values["L"] == 2
                assert values["P"] == 9
                assert all(values[a] == 0 for a in "XYZ")
                assert all(values[a] == 0 for a in self.machine.letters)
                self.offset_zero = True
                return
            elif code in {"G0", "G1", "G38.2"}:
                self.motion = code
        axes = {a: v for a, v in values.items() if a in "XYZABC"}
        if not axes:
            return
        if "G53" in codes:
            assert self.length == 0.0  # the readout of the spindle itself
            assert self.motion in {"G0", "G1"}
        else:
            assert self.offset_zero
        self.move(axes)

    def move(self, axes):
        goal = self.at.copy()
        for i, axis in enumerate("XYZ"):
            if axis in axes:
                goal[i] = axes[axis] * self.mm + (self.length if axis == "Z" else 0.0)
        assert (goal <= self.machine.travel.high_mm + 1e-6).all(), goal
        assert (goal >= self.machine.travel.low_mm - 1e-6).all(), goal
        turning = {a: v for a, v in axes.items() if a in "ABC"}
        if turning:
            assert self.at[2] == self.machine.travel.high_mm[2], "the rotaries turn at the safe height only"
            assert self.motion != "G38.2"
            self.angles.update(turning)
        if self.motion == "G38.2":
            assert self.feed
            assert np.linalg.norm(goal - self.at) >= 0.254
            trip = self.first_contact(goal)
            assert trip is not None, "nothing was touched"
            if self.scatter is not None:
                trip = trip + self.scatter(3)
            self.touches += 1
            self.at = trip
            seen = np.append((trip - [0.0, 0.0, self.length]) / self.mm, [self.angles[a] for a in "ABC"])
            self.parameters.update({5061 + i: float(v) for i, v in enumerate(seen)})
            return
        if self.motion == "G0":
            assert self.length == 0.0 or not turning
        # A move that is no touch must touch nothing.
        assert self.first_contact(goal) is None, (self.at, goal)
        self.at = goal

    def first_contact(self, goal):
        """Where along the straight way the tip first touches anything, as the spindle's position; or None."""
        pose = table_pose(self.machine, [self.angles[a] for a in self.machine.letters])
        tip = np.array([0.0, 0.0, self.tip_mm / 2.0 - self.real_length])
        start, end = self.at + tip, goal + tip
        found = [t for thing in self.things for t in self.contacts(thing, pose, start, end)]
        return self.at + min(found) * (goal - self.at) if found else None

    @property
    def real_length(self):
        """From the spindle's point that the readout shows to the lowest point of the tip."""
        return self.length_mm

    def contacts(self, thing, pose, start, end):
        point, direction = pose.apply(thing.point), pose.turn(thing.direction)
        way, tip = end - start, self.tip_mm / 2.0
        if not way.any():
            return []
        if thing.kind == "ball":
            return crossing_ball(start - point, way, thing.radius + tip)
        if thing.kind == "face":
            before, after = (start - point) @ direction - tip, (end - point) @ direction - tip
            if not before > 1e-9 > after:
                return []
            t = before / (before - after)
            where = start + t * way - point
            return [t] if np.linalg.norm(where - (where @ direction) * direction) < thing.reach else []
        square = np.eye(3) - np.outer(direction, direction)
        inside = thing.kind == "bore"
        radius = thing.radius - tip if inside else thing.radius + tip
        found = crossing_round(square @ (start - point), square @ way, radius, inside=inside)
        return [t for t in found if abs((start + t * way - point) @ direction) < thing.reach]


def crossing_ball(off, way, radius):
    return crossing_round(off, way, radius, inside=False)


def crossing_round(off, way, radius, *, inside):
    """Shares of the way at which a point comes to `radius` from the middle: from outside, or from inside."""
    a, b, c = way @ way, 2.0 * off @ way, off @ off - radius**2
    left = b * b - 4.0 * a * c
    if a < 1e-18 or left <= 0.0:
        return []
    t = (-b + np.sqrt(left)) / (2.0 * a) if inside else (-b - np.sqrt(left)) / (2.0 * a)
    comes_from = c < 0.0 if inside else c > -1e-9
    return [t] if comes_from and 1e-9 < t <= 1.0 else []


def parameter_file(parameters, listed):
    """What the control saves: the numbers that its file held when it was read, with their values."""
    numbers = sorted({*listed, *range(5161, 5167), 5220, *range(5221, 5227)})
    rows = "".join(f"{n}\t{parameters.get(n, 1.0 if n == 5220 else 0.0):.6f}\n" for n in numbers)
    return f"RS274/NGC parameters\nof a control in a test\n\n{rows}"
