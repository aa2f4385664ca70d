"""Random machines and jobs whose parts' zeros are probed, and parts that lie off: for the programs of `batch program`.

A shop is written as files and read as a user's are. What the program must come to is asked of the library, which is told
where each part really lies; the simulated control is told the same, as blocks, planes and cylinders.
"""

from dataclasses import dataclass

import numpy as np

from kinematics import Pose, offsets_of_parts, rotation_about_line
from ngc_language import NgcError
from simulated_control import OLD_OFFSET_MM, Control, Probe, Thing
from tiltwright.batch.zero_access import checked_access
from tiltwright.batch.zero_probing import probed_parts
from tiltwright.batch.zero_program import zero_programs
from tiltwright.files.loader import read_job
from tiltwright.output.numbers import angle, length

SENSES = ("clockwise", "counterclockwise")
WIDE, DEEP, TALL = 30.0, 40.0, 24.0
WITHIN, CLOCK_WITHIN = 0.3, 0.3


def machine_text(rng):
    """A mill with a tilting rotary: A/C or B/C, in mm or inches, of any senses and zeros, its lines not quite square."""
    unit = str(rng.choice(["mm", "inch"]))
    mm = 25.4 if unit == "inch" else 1.0
    tilt = str(rng.choice(["A", "B"]))
    lean = np.radians(rng.uniform(-0.01, 0.01, 4))
    along = [1.0, lean[0], lean[1]] if tilt == "A" else [lean[0], 1.0, lean[1]]
    zeros = (0.0, 0.0) if rng.random() < 0.5 else (rng.uniform(-8.0, 8.0), rng.uniform(-170.0, 170.0))
    reference = rng.random() < 0.5
    place = lambda *mm_of: [round(float(v) / mm, 5) for v in mm_of]  # noqa: E731
    off = rng.uniform(-0.05, 0.05, 4)
    lines = [
        'name = "Mill"', f'units = "{unit}"',
        f'z_reference = "{"reference tool" if reference else "gauge line"}"',
        *([f"reference_tool_length = {100.0 / mm:.4f}"] if reference else []),
        "[travel]", f"x = {place(-400.0, 400.0)}", f"y = {place(-260.0, 260.0)}", f"z = {place(-500.0, 60.0)}",
        "[[rotary]]", f'letter = "{tilt}"', f"direction = {[float(v) for v in along]}",
        f'positive_turn = "{rng.choice(SENSES)}"', f"point = {place(off[0], off[1], -320.0)}",
        "limits = [-120.0, 120.0]", f"zero = {zeros[0]:.4f}",
        "[[rotary]]", 'letter = "C"', f"direction = {[float(lean[2]), float(lean[3]), 1.0]}",
        f'positive_turn = "{rng.choice(SENSES)}"', f"point = {place(off[2], off[3], -280.0)}",
        'limits = "endless"', f"zero = {zeros[1]:.4f}",
        "[platter]", f"face = {place(-280.0)[0]}", f"diameter = {place(200.0)[0]}",
    ]  # fmt: skip
    return "\n".join(lines) + "\n", tilt


TARGETS = ("edges", "edges and clocking", "bore", "bore and clocking", "boss")


def target_lines(kind, say):
    """The targets of a foot, in a job's unit."""
    two = say([[-WIDE / 2, -13, -6], [-WIDE / 2, 13, -5]])
    clocks = [f"clock_within = {CLOCK_WITHIN}"] if "clocking" in kind else []
    if kind.startswith("edges"):
        one = two if clocks else say([[-WIDE / 2, -2, -6]])
        edges = (
            f'edge = [ {{ side = "-X", at = {one} }}, {{ side = "+Y", at = {say([[1, DEEP / 2, -6]])} }} ]'
        )
        return [*clocks, f"face = {{ at = {say([2, -3, 0])} }}", edges]
    if kind == "boss":
        boss = f"boss = {{ at = {say([0, 0, -6])}, diameter = {say(WIDE)} }}"
        return [f"face = {{ at = {say([2, -3, 0])} }}", boss]
    bore = f"bore = {{ at = {say([3, 2, -6])}, diameter = {say(18)} }}"
    edge = [f'edge = [ {{ side = "-X", at = {two} }} ]'] if clocks else []
    return [*clocks, f"face = {{ at = {say([-9, -14, 0])} }}", bore, *edge]


def job_text(rng, tilt, *, nests=None, operations=None, kind=None):
    """A job of some feet, in a unit of its own; and what is probed of them."""
    unit = str(rng.choice(["mm", "inch"]))
    mm = 25.4 if unit == "inch" else 1.0
    say = lambda value: np.round(np.array(value, float) / mm, 12).tolist()  # noqa: E731
    kind = str(rng.choice(TARGETS)) if kind is None else kind
    count = int(rng.integers(0, 4)) if nests is None else nests
    squares = str(rng.choice(['square_up = "C"', "square_up = { C = 0.21 }", ""]))
    lines = [
        'name = "Feet"', f'units = "{unit}"', 'machine = "mill.toml"', squares,
        "[[stack]]", 'name = "sub-plate"', f"up = {say(20.01)}", f"bar = {say([150, 60])}",
        "[zero_probing]", f"within = {say(WITHIN)}", *target_lines(kind, say),
        "[zero_probing.probe]", f"length = {say(150)}", f"ball_diameter = {say(4)}", f"stylus_length = {say(40)}",
        f"body_diameter = {say(24)}", "offset = 20", f"feed = {say(80)}", f"move = {say(600)}",
    ]  # fmt: skip
    shape = f"round = {say(WIDE)}" if kind == "boss" else f"bar = {say([WIDE, DEEP])}"
    step = "[[nest.step]]" if count else "[[stack]]"
    # Some stand aslant, so that the side +Y looks up; a bore or boss may lean by less.
    lean = rng.uniform(0.5, 12.0 if kind.startswith("edges") else 4.0) if rng.random() < 0.3 else 0.0
    for k in range(max(count, 1)):
        if count:
            lines += ["[[nest]]", f'name = "nest {k + 1}"', 'on = "sub-plate"']
        shift = [(k - (count - 1) / 2.0) * 55.0 if count else 4.0, float(rng.uniform(-3.0, 3.0))]
        lines += [
            step, f'name = "vice {k}"', f"up = {say(30.0 + rng.uniform(-0.1, 0.1))}", f"shift = {say(shift)}",
            f"turn = {rng.uniform(-1.5, 1.5):.4f}", f"bar = {say([24, 50])}",
            *([f'rotate = [["x", {lean:.3f}]]'] if lean else []),
            step, f'name = "foot {k}"', f"up = {say(TALL)}", shape, "blank = true",
        ]  # fmt: skip
    for k in range(int(rng.integers(1, 4)) if operations is None else operations):
        origin = say(np.round(rng.uniform(-15.0, 15.0, 3), 3)) if k else [0.0, 0.0, 0.0]
        lines += [
            "[[operation]]", f'name = "work {k}"', f"origin = {origin}",
            f"at = {{ {tilt} = {rng.uniform(-100.0, 100.0) if k else 0.0:.3f}, C = {rng.uniform(-180.0, 180.0):.3f} }}",
        ]  # fmt: skip
    return "\n".join(lines) + "\n", kind


@dataclass
class Shop:
    """A job that was read, its programs, and what is probed."""

    job: object
    parts: object
    programs: tuple
    kind: str

    @property
    def clocks(self):
        """True where the clocking is measured."""
        return "clocking" in self.kind


def shop(rng, folder, **choices):
    """A random shop, written and read."""
    text, tilt = machine_text(rng)
    (folder / "mill.toml").write_text(text, encoding="utf-8")
    text, kind = job_text(rng, tilt, **choices)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    job = read_job(folder / "job.toml")
    parts = probed_parts(job)
    return Shop(job, parts, zero_programs(parts, checked_access(parts)), kind)


@dataclass
class Lying:
    """True place of one part: off by a shift, machine coordinates at the all-zero pose, and clocked."""

    shift_mm: np.ndarray
    clock_deg: float


def lying(rng, found, nest, *, share=0.95):
    """A part within its limits, by a share of them."""
    way = rng.normal(size=3)
    shift = way / np.linalg.norm(way) * nest.within_mm * share * rng.random() ** (1.0 / 3.0)
    clock = share * CLOCK_WITHIN * rng.uniform(-1.0, 1.0) if found.clocks else 0.0
    return Lying(shift, clock)


def things_of(found, nest, how, *, missing=False):
    """The part as the simulated control meets it, and the vice below it."""
    part = nest.job.setup.part_in_machine
    vice = Thing(
        "block", part.apply([0.0, 0.0, -TALL - 15.0]), part.rotation[:, 2], frame=part.rotation,
        half=np.array([12.0, 25.0, 15.0]) - 1e-3,
    )  # fmt: skip
    if missing:
        return [vice]
    turned = part @ rotation_about_line([0, 0, 0], [0, 0, 1], how.clock_deg)
    real = Pose(turned.rotation, part.translation_mm + how.shift_mm)
    x, _, z = real.rotation.T
    if found.kind.startswith("edges"):
        half = np.array([WIDE, DEEP, TALL]) / 2.0
        return [vice, Thing("block", real.apply([0.0, 0.0, -TALL / 2.0]), z, frame=real.rotation, half=half)]
    if found.kind == "boss":
        return [
            vice,
            Thing("pin", real.apply([0.0, 0.0, -TALL / 2.0]), z, WIDE / 2.0, TALL / 2.0 + 3.0),
            Thing("face", real.apply([0.0, 0.0, 0.0]), z, reach=WIDE / 2.0),
        ]
    return [
        vice,
        Thing("bore", real.apply([3.0, 2.0, -6.0]), z, 9.0, 6.0),
        Thing("face", real.apply([-9.0, -14.0, 0.0]), z, reach=5.0),
        Thing("face", real.apply([-WIDE / 2.0, 0.0, -6.0]), -x, reach=16.0),
    ]


def control_of(found, hows, *, seen=False, missing=()):
    """A control with the parts as they really lie."""
    parts, machine = found.parts, found.job.machine
    mm, table = parts.unit.mm, parts.table
    things = [
        thing
        for k, (nest, how) in enumerate(zip(parts.nests, hows, strict=True))
        for thing in things_of(found, nest, how, missing=k in missing)
    ]
    length_mm = table.length * mm - (machine.z_reference.tool_length_mm or 0.0)
    probe = Probe(table.stylus_length * mm, table.body_diameter * mm) if seen else None
    return Control(machine, things, table.ball_diameter * mm, length_mm, probe=probe)


def expected(found, nest, how):
    """The work offsets of a part that lies like that: asked of the library, shape (m, 3) and (n,)."""
    setup, job = nest.job.setup, nest.job
    operations = found.parts.evaluated.nests[nest.place].operations
    offsets = offsets_of_parts(
        setup,
        [one.placed.origin_mm for one in operations],
        [one.placed.program_deg for one in operations],
        setup.part_in_machine.translation_mm + how.shift_mm,
        job.machine.zero_deg,
        how.clock_deg,
        tuple(job.file.square_up or ()),
    )
    return operations, offsets.offset_mm[0], offsets.rotary_offset_deg[0]


@dataclass
class Compared:
    """Offsets compared: how many numbers, how many print other digits, and the largest difference."""

    numbers: int = 0
    other_digits: int = 0
    farthest_mm: float = 0.0
    farthest_deg: float = 0.0


def compare(found, control, hows, loader, into):
    """Hold what a program set against the library."""
    unit, letters = found.parts.unit.value, found.job.machine.letters
    for nest, how in zip(found.parts.nests, hows, strict=True):
        operations, offsets, turned = expected(found, nest, how)
        for one, xyz in zip(operations, offsets, strict=True):
            if one.loader != loader:
                continue
            told = control.systems[one.number]
            for axis, value in zip("XYZ", xyz, strict=True):
                into.numbers += 1
                into.farthest_mm = max(into.farthest_mm, abs(told[axis] - value))
                into.other_digits += length(told[axis], unit) != length(value, unit)
            for letter, value in zip(letters, turned, strict=True):
                into.numbers += 1
                into.farthest_deg = max(into.farthest_deg, abs(told[letter] - value))
                into.other_digits += angle(told[letter]) != angle(value)


def stopped(found, control):
    """Stop of the first program; None where there was none. No part's offset may be set then."""
    try:
        control.run(found.programs[0])
    except NgcError as refusal:
        used = {one.number for nest in found.parts.evaluated.nests for one in nest.operations}
        for number in used - {found.parts.display_offset}:
            assert set(control.systems[number].values()) == {OLD_OFFSET_MM}, f"offset {number} was set"
        return str(refusal)
    return None
