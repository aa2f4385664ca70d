"""A control with a probe, on a machine whose lines and targets only the test knows.

It runs the part of RS274/NGC (NISTIR 6556, version 3) that probing programs are written in, as the report has it:
section 3.2.1 (parameter file), 3.3.2 (values, expressions), 3.3.3 (a setting acts after its line is read), 3.3.4
(comments), 3.5.5 (G10 L2), 3.5.9 (G38.2), 3.5.11 (G43, G49), 3.5.12 (G53). Anything else is an error. Contacts are worked
out here from spheres, planes and cylinders, by none of the program's own formulas. The probe is a tip, a stylus thinner
than it and a body: points on their surfaces, held at every step of every move against the stems, the balls and a platter
of some thickness.
"""

import re
from dataclasses import dataclass, field

import numpy as np

from kinematics import table_pose

MODAL = {
    "G0": 1, "G1": 1, "G38.2": 1, "G80": 1, "G17": 2, "G90": 3, "G94": 5, "G20": 6, "G21": 6, "G40": 7, "G43": 8,
    "G49": 8, "G59.3": 12, "G10": 0, "G53": 0, "G92.1": 0, "G61": 13,
}  # fmt: skip


@dataclass
class Thing:
    """A target as it truly is at the all-zero pose, millimetres."""

    kind: str
    point: np.ndarray
    direction: np.ndarray
    radius: float = 0.0
    reach: float = 40.0  # how far a face reaches from its point
    stem: float = 0.0  # radius of a ball's stem


@dataclass
class Probe:
    """What is above the tip, millimetres."""

    stylus_mm: float
    body_mm: float  # diameter
    share: float = 0.7  # of the tip's diameter: how thick the stylus really is

    def points(self, tip_mm, length_mm):
        """On the probe's surface, seen from the lowest point of its tip."""
        rings = [
            (0.0, tip_mm / 2.0),
            *((r * tip_mm / 2.0, h) for r, h in ((0.7, 0.15 * tip_mm), (1.0, tip_mm / 2.0))),
        ]
        rings += [(self.share * tip_mm / 2.0, h) for h in np.arange(tip_mm, self.stylus_mm, 4.0)]
        rings += [(r * self.body_mm / 2.0, self.stylus_mm) for r in (0.25, 0.5, 0.75)]
        rings += [(self.body_mm / 2.0, h) for h in np.arange(self.stylus_mm, length_mm, 8.0)]
        turn = np.arange(0.0, 2.0 * np.pi, np.pi / 6.0)
        return np.array([[r * np.cos(a), r * np.sin(a), h] for r, h in rings for a in turn])


@dataclass
class Control:
    machine: object
    things: list
    tip_mm: float
    length_mm: float  # what the length offset holds
    parameters: dict = field(default_factory=dict)
    scatter: object = None  # a random generator's normal(), per touch
    probe: Probe = None
    thick_mm: float = 22.0  # the platter, down from its face
    nearest: float = np.inf  # how near anything came that is not meant to touch
    touches: int = 0

    def __post_init__(self):
        self.at = np.array([self.machine.travel.low_mm[0], self.machine.travel.low_mm[1], -100.0])
        self.angles = dict.fromkeys("ABC", 0.0)
        self.mm, self.length, self.motion, self.feed = 1.0, 0.0, None, None
        self.offset_zero = False
        self.codes = []
        self.surface = None if self.probe is None else self.probe.points(self.tip_mm, self.length_mm)

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
        for letter, value in words:
            if letter == "M":
                assert value in {"1", "2", "5"}, line
                assert len(words) == 1, line
                self.codes.append(f"M{value}")
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
        assert self.codes[:1] == ["M5"], "the spindle stands"
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
            self.clear_of_everything(trip)
            self.at = trip
            seen = np.append((trip - [0.0, 0.0, self.length]) / self.mm, [self.angles[a] for a in "ABC"])
            self.parameters.update({5061 + i: float(v) for i, v in enumerate(seen)})
            return
        if self.motion == "G0":
            assert self.length == 0.0 or not turning
        # A move that is no touch must touch nothing.
        assert self.first_contact(goal) is None, (self.at, goal)
        assert (
            self.length == 0.0
            or goal[2] == self.at[2]
            or (goal[:2] == self.at[:2]).all()
            or self.motion == "G1"
        )
        self.clear_of_everything(goal)
        self.at = goal

    def clear_of_everything(self, goal):
        """No point of the probe's surface gets into a stem, a ball or the platter on the straight way to a goal."""
        if self.surface is None:
            return
        pose = table_pose(self.machine, [self.angles[a] for a in self.machine.letters]).inverse()
        steps = max(2, int(np.linalg.norm(goal - self.at) / 2.0) + 1)
        stands = (
            self.at + np.linspace(0.0, 1.0, steps)[:, None] * (goal - self.at) - [0.0, 0.0, self.length_mm]
        )
        points = pose.apply((stands[:, None] + self.surface).reshape(-1, 3))
        for thing in self.things:
            off = points - thing.point
            if thing.kind == "ball":
                # The tip may touch the ball; its stem nothing may.
                along = off @ thing.direction
                aside = np.linalg.norm(off - along[:, None] * thing.direction, axis=1)
                platter = self.machine.platter.face_mm
                foot = thing.point[2] - platter if platter is not None else 200.0
                behind = (along < 0.0) & (along > -foot)
                self.keep(np.where(behind, aside - thing.stem, np.inf), "a stem")
                assert (np.linalg.norm(off, axis=1) > thing.radius - 0.05).all(), "the probe is in a ball"
        platter = self.machine.platter
        if platter.face_mm is not None and platter.diameter_mm is not None:
            middle = np.append(self.machine.rotaries[-1].point_mm[:2], platter.face_mm)
            off = points - middle
            inside = np.linalg.norm(off[:, :2], axis=1) < platter.diameter_mm / 2.0
            # A touch trips as the tip meets the face, which the test has moved by tenths of a millimetre.
            deep = inside & (off[:, 2] < -0.6) & (off[:, 2] > -self.thick_mm)
            assert not deep.any(), f"the probe is in the platter at {self.angles}"

    def keep(self, gaps, words):
        self.nearest = min(self.nearest, float(gaps.min()))
        assert gaps.min() > 0.0, f"the probe is in {words} at {self.angles}"

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
        point, direction = pose.apply(thing.point), pose.rotate(thing.direction)
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
