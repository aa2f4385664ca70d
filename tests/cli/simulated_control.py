"""A control with a probe, on a machine whose lines and targets only the test knows.

It runs the part of RS274/NGC (NISTIR 6556, version 3) that probing programs are written in, as the report has it: lines,
expressions and their errors in `ngc_language`; section 3.2.1 (parameter file), 3.3.3 (a setting acts after its line is
read), 3.5.5 (G10 L2), 3.5.9 (G38.2 and its errors), 3.5.11 (G43, G49), 3.5.12 (G53), 3.5.13 (G54 to G59.3), 3.6.1 (M2), 3.8
(order of execution). Anything else is an error (`NgcError`), after which nothing more is run; what no control would notice
and no shop would forgive fails an assertion. Contacts are worked out here from spheres, planes, cylinders and blocks, by none
of the program's own formulas. The probe is a tip, a stylus thinner than it and a body: points on their surfaces, held at
every step of every move against the stems, the balls, the blocks and a platter of some thickness.
"""

from dataclasses import dataclass, field

import numpy as np

from kinematics import table_pose
from ngc_language import NgcError, evaluate, parameter_number, parsed

MODAL = {
    "G0": 1, "G1": 1, "G38.2": 1, "G80": 1, "G17": 2, "G90": 3, "G94": 5, "G20": 6, "G21": 6, "G40": 7, "G43": 8,
    "G49": 8, "G10": 0, "G53": 0, "G92.1": 0, "G61": 13,
    **dict.fromkeys(("G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3"), 12),
}  # fmt: skip
SYSTEMS = {"G54": 1, "G55": 2, "G56": 3, "G57": 4, "G58": 5, "G59": 6, "G59.1": 7, "G59.2": 8, "G59.3": 9}
ORDER = (5, 2, 6, 7, 8, 12, 13, 3, 0, 1)
"""Modal groups as a line carries them out (Table 8)."""
SHORTEST_PROBE_MM = 0.254
STEP_MM = 2.0
"""How far apart the probe is looked at along a move; along itself half as often."""
OLD_OFFSET_MM = -17.0
"""Value of every work offset before a program sets it: nobody's zero."""


@dataclass
class Thing:
    """A target as it truly is at the all-zero pose, millimetres."""

    kind: str
    point: np.ndarray
    direction: np.ndarray
    radius: float = 0.0
    reach: float = 40.0  # how far a face reaches from its point
    stem: float = 0.0  # radius of a ball's stem
    frame: np.ndarray = None  # columns: a block's x, y and z; `point` is its middle
    half: np.ndarray = None  # half the edges of a block


@dataclass
class Probe:
    """Length above the tip, millimetres."""

    stylus_mm: float
    body_mm: float  # diameter
    share: float = 0.7  # of the tip's diameter: how thick the stylus really is

    def points(self, tip_mm, length_mm, sunk_mm=0.0):
        """On the probe's surface, seen from the lowest point of its tip; swept where it has come so far straight down."""
        half, thin, body = tip_mm / 2.0, self.share * tip_mm / 2.0, self.body_mm / 2.0
        rings = [(0.0, half, half), (0.7 * half, 0.15 * tip_mm, 0.15 * tip_mm), (half, half, half)]
        rings += [(thin, tip_mm, self.stylus_mm)]
        rings += [(r * body, self.stylus_mm, self.stylus_mm) for r in (0.25, 0.5, 0.75)]
        rings += [(body, self.stylus_mm, length_mm)]
        turn = np.arange(0.0, 2.0 * np.pi, np.pi / 6.0)
        round_ = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        found, apart = [], STEP_MM if sunk_mm else 2.0 * STEP_MM
        for radius, low, high in rings:
            heights = np.linspace(low, high + sunk_mm, int((high + sunk_mm - low) / apart) + 2)
            flat = np.broadcast_to(radius * round_, (len(heights), len(turn), 2))
            upright = np.broadcast_to(heights[:, None, None], (len(heights), len(turn), 1))
            found.append(np.concatenate([flat, upright], axis=-1).reshape(-1, 3))
        return np.concatenate(found)


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
        self.mm, self.length, self.motion, self.feed = 1.0, 0.0, None, 0.0
        self.systems = {n: dict.fromkeys("XYZABC", OLD_OFFSET_MM) for n in range(1, 10)}
        self.active = 1
        self.codes, self.messages, self.set_numbers = [], [], []
        self.ended, self.posed = False, (None, None)
        self.surface = None if self.probe is None else self.probe.points(self.tip_mm, self.length_mm)

    def run(self, program):
        """Run a program; an error of the language leaves everything as it stands."""
        lines = program.splitlines()
        assert lines[0] == "%"
        assert lines[-1] == "%"
        self.ended = False
        for line in lines[1:-1]:
            if self.ended:
                break
            self.line(line)

    @property
    def displays_machine(self):
        """True where the display shows machine coordinates."""
        return not any(self.systems[self.active][letter] for letter in ("X", "Y", "Z", *self.machine.letters))

    def show_machine(self):
        """Set the active work offset to zero, as a program begins."""
        self.systems[self.active] = dict.fromkeys("XYZABC", 0.0)

    def line(self, text):
        read = parsed(text)
        if read.message is not None:
            self.messages.append(read.message)
        words = [(letter, evaluate(tree, self.parameters)) for letter, tree in read.words]
        settings = [
            (parameter_number(evaluate(n, self.parameters)), evaluate(v, self.parameters))
            for n, v in read.settings
        ]
        self.parameters.update(settings)
        codes = [f"G{value:g}" for letter, value in words if letter == "G"]
        for code in codes:
            if code not in MODAL:
                raise NgcError(f"{code} in {text}")
        groups = [MODAL[code] for code in codes]
        if len(groups) != len(set(groups)):
            raise NgcError(f"two codes of a modal group: {text}")
        stops = [value for letter, value in words if letter == "M"]
        for value in stops:
            assert value in {1, 2, 5}, text
            assert len(words) == 1, text
            self.codes.append(f"M{value:g}")
        self.obey(codes, {letter: value for letter, value in words if letter not in "GM"})
        if 2 in stops:
            self.active, self.ended = 1, True

    def obey(self, codes, values):
        """A line's codes in the order of the report's Table 8."""
        if values.get("F", 0.0) < 0.0:
            raise NgcError("negative F word used")
        self.feed = values.get("F", self.feed)
        for code in sorted(codes, key=lambda code: ORDER.index(MODAL[code])):
            self.enter(code, values)
        axes = {a: v for a, v in values.items() if a in "XYZABC"}
        if "G10" in codes:
            if any(MODAL[code] == 1 for code in codes):
                raise NgcError("two codes that use axis words")
            self.set_system(values, axes)
        elif axes:
            self.check_motion(codes)
            self.move(axes)
        elif "G38.2" in codes:
            raise NgcError("G38.2 without X, Y or Z")

    def enter(self, code, values):
        """The mode that a code stands for."""
        if code in {"G20", "G21"}:
            self.mm = 25.4 if code == "G20" else 1.0
        elif code == "G49":
            self.length = 0.0
        elif code == "G43":
            if values.get("H", -0.5) != round(values.get("H", 0)) or values["H"] < 0:
                raise NgcError("G43 without a whole H")
            self.length = self.length_mm
        elif code in SYSTEMS:
            self.active = SYSTEMS[code]
        elif MODAL[code] == 1:
            self.motion = code

    def check_motion(self, codes):
        """Errors of a line with axis words."""
        if self.motion in {None, "G80"}:
            raise NgcError("axis words without a motion")
        if "G53" in codes:
            assert self.length == 0.0  # the readout of the spindle itself
            if self.motion not in {"G0", "G1"}:
                raise NgcError("G53 without G0 or G1")
        else:
            assert self.displays_machine
        if self.motion != "G0" and not self.feed:
            raise NgcError("cannot do G1 or G38.2 with zero feed rate")

    def set_system(self, values, axes):
        """G10 L2 Pn: only the axes given are set, in absolute machine coordinates (3.5.5)."""
        if values.get("L") != 2 or "P" not in values:
            raise NgcError("G10 without L2 and P")
        number = round(values["P"])
        if abs(number - values["P"]) > 1e-4 or not 1 <= number <= 9:
            raise NgcError(f"P{values['P']} in G10 L2")
        self.set_numbers.append(number)
        self.systems[number] |= {a: v * (self.mm if a in "XYZ" else 1.0) for a, v in axes.items()}

    def move(self, axes):
        assert self.codes[:1] == ["M5"], "the spindle stands"
        goal = self.at.copy()
        for i, axis in enumerate("XYZ"):
            if axis in axes:
                goal[i] = axes[axis] * self.mm + (self.length if axis == "Z" else 0.0)
        assert (goal <= self.machine.travel.high_mm + 1e-9).all(), goal
        assert (goal >= self.machine.travel.low_mm - 1e-6).all(), goal
        turning = {a: v for a, v in axes.items() if a in "ABC"}
        if self.motion == "G38.2":
            trip = self.probed(goal, turning, axes)
            if self.scatter is not None:
                trip = trip + self.scatter(3)
            self.touches += 1
            self.clear_of_everything(trip)
            self.at = trip
            seen = np.append((trip - [0.0, 0.0, self.length]) / self.mm, [self.angles[a] for a in "ABC"])
            self.parameters.update({5061 + i: float(v) for i, v in enumerate(seen)})
            return
        if turning:
            assert self.at[2] > self.machine.travel.high_mm[2] - 1e-3, (
                "the rotaries turn at the safe height only"
            )
            assert self.length == 0.0
            self.angles.update(turning)
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

    def probed(self, goal, turning, axes):
        """Position where a touch trips; the report's errors where it may not be made, or does not (3.5.9)."""
        if turning or not set(axes) & set("XYZ"):
            raise NgcError("rotary motion, or no linear one, in a probing move")
        if np.linalg.norm(goal - self.at) < SHORTEST_PROBE_MM:
            raise NgcError("start point too close to probe point")
        trip = self.first_contact(goal)
        if trip is None:
            # The way was free to its end, for everything above the tip too.
            self.clear_of_everything(goal)
            self.at = goal
            raise NgcError("probe did not trip")
        return trip

    def clear_of_everything(self, goal):
        """No point of the probe's surface gets into a stem, a ball or the platter on the straight way to a goal."""
        if self.surface is None:
            return
        pose, move = self.pose().inverse(), goal - self.at
        if not move[:2].any():
            # Straight up or down what it sweeps is a longer probe of the same thickness.
            stands, surface = (
                np.minimum(self.at, goal)[None],
                self.probe.points(self.tip_mm, self.length_mm, abs(move[2])),
            )
        else:
            steps = max(2, int(np.linalg.norm(move) / STEP_MM) + 1)
            stands, surface = self.at + np.linspace(0.0, 1.0, steps)[:, None] * move, self.surface
        stands = stands - [0.0, 0.0, self.length_mm]
        points = (stands[:, None] + surface).reshape(-1, 3) @ pose.rotation.T + pose.translation_mm
        for thing in self.things:
            if thing.kind == "ball" and self.passes_by(thing, goal):
                continue
            off = points - thing.point
            if thing.kind == "ball":
                # The tip may touch the ball; its stem nothing may.
                along, square = off @ thing.direction, np.einsum("ij,ij->i", off, off)
                aside = np.sqrt(np.maximum(square - along**2, 0.0))
                behind = (along < 0.0) & (along > -self.foot_mm(thing))
                self.keep(np.where(behind, aside - thing.stem, np.inf), "a stem")
                assert np.sqrt(square.min()) > thing.radius - 0.05, "the probe is in a ball"
            elif thing.kind == "block":
                deep = (thing.half - np.abs(off @ thing.frame)).min(axis=1)
                assert (deep < 0.05).all(), f"the probe is in a block at {self.angles}"
        platter = self.machine.platter
        if platter.face_mm is not None and platter.diameter_mm is not None:
            middle = np.append(self.machine.rotaries[-1].point_mm[:2], platter.face_mm)
            off = points - middle
            inside = off[:, 0] ** 2 + off[:, 1] ** 2 < (platter.diameter_mm / 2.0) ** 2
            # A touch trips as the tip meets the face, which the test has moved by tenths of a millimetre.
            deep = inside & (off[:, 2] < -0.6) & (off[:, 2] > -self.thick_mm)
            assert not deep.any(), f"the probe is in the platter at {self.angles}"

    def foot_mm(self, ball):
        """How far down a ball's stem goes."""
        platter = self.machine.platter.face_mm
        return ball.point[2] - platter if platter is not None else 200.0

    def passes_by(self, ball, goal):
        """True where, seen from above, a move keeps farther off a ball and its stem than anything came before."""
        pose, way = self.pose(), (goal - self.at)[:2]
        off = pose.apply(ball.point)[:2] - self.at[:2]
        share = np.clip(off @ way / (way @ way), 0.0, 1.0) if way.any() else 0.0
        stem = self.foot_mm(ball) * np.linalg.norm(pose.rotate(ball.direction)[:2])
        apart = np.linalg.norm(off - share * way) - stem - max(ball.radius, ball.stem)
        widest = max(self.probe.body_mm, self.tip_mm) / 2.0
        return apart - widest > max(self.nearest, 1.0)

    def keep(self, gaps, words):
        self.nearest = min(self.nearest, float(gaps.min()))
        assert gaps.min() > 0.0, f"the probe is in {words} at {self.angles}"

    def pose(self):
        """The table's, as it stands."""
        angles = tuple(self.angles[letter] for letter in self.machine.letters)
        if self.posed[0] != angles:
            self.posed = angles, table_pose(self.machine, angles)
        return self.posed[1]

    def first_contact(self, goal):
        """Place along the straight way where the tip first touches anything, as the spindle's position; or None."""
        pose = self.pose()
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
        if thing.kind == "block":
            frame = pose.rotate(thing.frame.T)
            return crossing_block(frame @ (start - point), frame @ way, thing.half, tip)
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


def crossing_block(start, way, half, tip):
    """Share of the way at which a ball of that radius comes to a block: marched by the distance that is left."""
    long, share = np.linalg.norm(way), 0.0
    for _ in range(2000):
        left = np.linalg.norm(np.maximum(np.abs(start + share * way) - half, 0.0)) - tip
        ahead = np.linalg.norm(np.maximum(np.abs(start + (share + 1e-6) * way) - half, 0.0)) - tip
        if left < 1e-10:
            if ahead < left:
                return [share] if share > 0.0 else []
            # It touches, and goes away.
            left = 1e-6 * long
        share += left / long
        if share > 1.0:
            return []
    return [share]


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
    """Parameters that the control saves: the numbers that its file held when it was read, with their values."""
    numbers = sorted({*listed, *range(5161, 5167), 5220, *range(5221, 5227)})
    rows = "".join(f"{n}\t{parameters.get(n, 1.0 if n == 5220 else 0.0):.6f}\n" for n in numbers)
    return f"RS274/NGC parameters\nof a control in a test\n\n{rows}"
