"""The program that probes every nest's part and sets its work offsets at every tilt (RS274/NGC, NISTIR 6556), and its JSON.

Everything that the machine can tell is worked out in the program's own expressions: the part's place from the touches, its
clocking from two of them, and each work offset as the nominal one plus constants times these. The language has no branch; a
part that lies too far off is stopped by the square root of a negative number, which is an error.
"""

from __future__ import annotations

import hashlib
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics import work_offset_code
from kinematics.batch import shift_response
from tiltwright.batch.zero_access import CheckedAccess
from tiltwright.batch.zero_probing import NestProbing, PlannedTouch, ProbedParts
from tiltwright.calibration.probe_program import UNIT_CODE, length_words, pose_words, start_lines
from tiltwright.files.diagnostics import enumeration
from tiltwright.job.evaluate import NumberedOperation
from tiltwright.job.nests_output import shown_name
from tiltwright.job.offsets_gcode import program_words, set_line, z_comment_words
from tiltwright.job.own_zero import correction_report, left_out_lines
from tiltwright.output.gcode import LONGEST_LINE, comment, message, needs_of
from tiltwright.output.json_csv import by_letter, length_list
from tiltwright.output.numbers import angle, fixed

__all__ = [
    "STAMP",
    "checked_access_words",
    "parameters_used",
    "program_report",
    "stays_turned_words",
    "zero_programs",
]

Array = NDArray[np.float64]

STAMP = 100
"""Parameter that says that every part was probed and passed, by a number that belongs to these offsets."""
_TOUCHES, _DEVIATIONS, _FROM_LINE, _MOVED = 11, 31, 41, 44
"""First of what the touches found (three each), of the equations, and of one operation's origin."""
_FIRST, _EACH = 101, 10
"""First parameter of the first nest, and how many each nest has."""
_SHIFT, _CLOCK, _COSINE, _SINE, _TURN, _TURN_COSINE, _TURN_SINE = 0, 3, 4, 5, 6, 7, 8

_COEFFICIENT_DECIMALS = 9


@dataclass(frozen=True)
class _Nest:
    """Parameter numbers of one nest, as they stand in expressions."""

    number: int

    def __getitem__(self, which: int) -> str:
        return f"#{_FIRST + _EACH * self.number + which}"


class _Writer:
    """Expressions in a program's unit."""

    def __init__(self, parts: ProbedParts) -> None:
        self.mm = parts.unit.mm

    def length(self, value_mm: float) -> str:
        """A length with more decimals than a control shows, so that their rounding does not show in a sum."""
        return _short(fixed(value_mm / self.mm, _COEFFICIENT_DECIMALS))

    def sum(self, constant_mm: float, terms: Sequence[tuple[float, str]]) -> str:
        """A length and multiples of parameters, as one expression."""
        return _bracketed([self.length(constant_mm)], terms)

    def minus(self, parameter: str, length_mm: float) -> str:
        """A parameter less a length."""
        return _bracketed([parameter], [(1.0, self.length(-length_mm))])


def _short(number: str) -> str:
    """A number without the zeros that end it."""
    return number.rstrip("0").rstrip(".") if "." in number else number


def _bracketed(first: list[str], terms: Sequence[tuple[float, str]]) -> str:
    """An expression of terms, those of no weight left out."""
    text = "".join(one for one in first if one != "0")
    for weight, name in terms:
        size = _short(fixed(abs(weight), _COEFFICIENT_DECIMALS))
        if size == "0" or name in {"0", "-0"}:
            continue
        negative = (weight < 0.0) != name.startswith("-")
        bare = name.removeprefix("-")
        value = bare if size == "1" else f"{size}*{bare}"
        # A number has a sign of its own, a parameter or an expression has none (appendix E).
        start = "" if text or size != "1" else "0"
        text += f"{start}-{value}" if negative else f"+{value}" if text else value
    return f"[{text or '0'}]"


def parameters_used(parts: ProbedParts) -> list[tuple[int, int]]:
    """First and last of each run of parameters that the probing program uses."""
    return [(1, 6), (_TOUCHES, 49), (STAMP, _last_parameter(parts)), (5061, 5063)]


def _last_parameter(parts: ProbedParts) -> int:
    """The last parameter of the last nest."""
    return _FIRST + _EACH * len(parts.nests) - 1


def zero_programs(parts: ProbedParts, checked: CheckedAccess) -> tuple[str, ...]:
    """The programs of a job: the first probes and sets; where there are more offsets than nine, each loader has one more.

    Parameters
    ----------
    parts : ProbedParts
    checked : CheckedAccess
        What the probe was held against.
    """
    count = parts.evaluated.loader_count
    writer = _Writer(parts)
    settings = [_setting_lines(parts, writer, loader) for loader in range(1, count + 1)]
    stamp = (
        1
        + int(
            hashlib.sha256("\n".join(line for lines in settings for line in lines).encode()).hexdigest()[:6],
            16,
        )
        % 999_998
    )
    first = [
        *_comments(_head(parts, checked)),
        *start_lines(parts.nests[0].job.machine, parts.unit, parts.high, parts.display_offset),
        f"#{STAMP}=0",
        *_pose_lines(parts),
        *(
            line
            for k, nest in enumerate(parts.nests)
            for line in _probing_lines(parts, writer, nest, _Nest(k))
        ),
        *parts.lift[:2],
        comment("Every part has passed: only now are work offsets set"),
        f"#{STAMP}={stamp}",
        *settings[0],
        message(_done_words(parts, 1)),
        "M2",
    ]
    others = [
        [
            *_comments(_loader_head(parts, loader)),
            f"G{UNIT_CODE[parts.unit.value]} G90",
            message(
                f"a stop here means that {parts.nests[0].job.file.name} was not probed before: run loader 1 again"
            ),
            f"#6=SQRT[0.25-[#{STAMP}-{stamp}]*[#{STAMP}-{stamp}]]",
            *settings[loader - 1],
            message(_done_words(parts, loader)),
            "M2",
        ]
        for loader in range(2, count + 1)
    ]
    programs = [["%", *lines, "%"] for lines in (first, *others)]
    assert all(len(line) <= LONGEST_LINE for lines in programs for line in lines)
    return tuple("\n".join(lines) + "\n" for lines in programs)


def _comments(sentences: Sequence[str]) -> list[str]:
    """Comments of a sentence each; a long one goes on in the next."""
    return [comment(line) for words in sentences for line in textwrap.wrap(words, LONGEST_LINE - 20)]


def _loaded(parts: ProbedParts, loader: int) -> list[tuple[int, int, NumberedOperation]]:
    """Place of the nest, place of the operation and the operation of a loader; the highest number first.

    The work offset that is zero while the probe runs comes last even so, where an operation uses it.
    """
    found = [
        (place, m, one)
        for place, nest in enumerate(parts.evaluated.nests)
        for m, one in enumerate(nest.operations)
        if one.loader == loader
    ]
    return sorted(found, key=lambda of: (of[2].number == parts.display_offset, -of[2].number))


def _done_words(parts: ProbedParts, loader: int) -> str:
    numbers = sorted({one.number for _, _, one in _loaded(parts, loader)})
    return f"every part has passed: set {' '.join(map(work_offset_code, numbers))}"


def _pose_lines(parts: ProbedParts) -> list[str]:
    machine = parts.nests[0].job.machine
    words = " ".join(
        f"{letter}{angle(value)}"
        for letter, value in zip(machine.letters, machine.zero_deg.tolist(), strict=True)
    )
    return [comment(f"Pose {pose_words(machine, machine.zero_deg)}"), f"G0 {words}", "M1"]


def _probing_lines(parts: ProbedParts, writer: _Writer, nest: NestProbing, own: _Nest) -> Iterator[str]:
    """The touches of one part, its clocking and its shift, and the stops."""
    yield message(f"{nest.name}: probing")
    for number, touch in enumerate(nest.touches, start=1):
        yield comment(f"Touch {number} of {len(nest.touches)} in {nest.name}: {touch.words}")
        yield from parts.lift[:2]
        x, y = (parts.probe.number(value) for value in touch.cycle.start_xy)
        yield f"G0 X{x} Y{y}"
        yield parts.lift[2]
        yield from touch.cycle.lines
        yield from _found_lines(parts, writer, nest, number - 1, touch)
    if nest.probing.pair is not None:
        yield from _clocking_lines(nest, own)
    yield from _shift_lines(writer, nest, own)


def _touch_parameters(number: int) -> tuple[str, str, str]:
    first = _TOUCHES + 3 * number
    return f"#{first}", f"#{first + 1}", f"#{first + 2}"


def _found_lines(
    parts: ProbedParts, writer: _Writer, nest: NestProbing, number: int, touch: PlannedTouch
) -> Iterator[str]:
    """Position found of the tip's middle, or of a round's centre: from part zero, in the part's own directions."""
    part = nest.job.setup.part_in_machine
    zero = part.translation_mm
    read = touch.cycle.stored[:2]
    yield comment("From part zero as the job has it: along the part's x, y and z")
    yield f"#1={writer.minus(read[0], float(zero[0]))}"
    yield f"#2={writer.minus(read[1], float(zero[1]))}"
    ball_mm = parts.unit.to_mm(parts.table.ball_diameter) / 2.0
    yield f"#3={writer.minus('#5063', float(zero[2]) - ball_mm)}"
    for name, axis in zip(_touch_parameters(number), part.rotation.T, strict=True):
        yield f"{name}={writer.sum(0.0, list(zip(axis.tolist(), ('#1', '#2', '#3'), strict=True)))}"


def _clocking_lines(nest: NestProbing, own: _Nest) -> Iterator[str]:
    """The clocking from the two touches of one edge, and the stop where it is too large."""
    assert nest.probing.pair is not None
    assert nest.clock_within_deg is not None
    first, second = (_touch_parameters(k) for k in nest.probing.pair)
    along = nest.probing.edge_along
    across = [-float(along[1]), float(along[0])]
    limit = f"{nest.clock_within_deg:.10g}"
    yield comment("Clocking in degrees: right-handed about the part's z")
    yield f"#1=[{second[0]}-{first[0]}]"
    yield f"#2=[{second[1]}-{first[1]}]"
    yield (
        f"{own[_CLOCK]}=ATAN{_bracketed([], list(zip(across, ('#1', '#2'), strict=True)))}"
        f"/{_bracketed([], list(zip(along[:2].tolist(), ('#1', '#2'), strict=True)))}"
    )
    yield message(f"{nest.name}: a stop here means that its part is clocked by more than {limit} degrees")
    yield f"#6=SQRT[{limit}*{limit}-{own[_CLOCK]}*{own[_CLOCK]}]"
    yield f"{own[_COSINE]}=COS[{own[_CLOCK]}]"
    yield f"{own[_SINE]}=SIN[{own[_CLOCK]}]"
    terms = nest.terms
    if terms is not None and terms.sign:
        sideways, alongside = (
            _bracketed([], list(zip(pair, (own[_COSINE], own[_SINE]), strict=True)))
            for pair in (terms.sideways, terms.along)
        )
        letter = nest.job.machine.letters[-1]
        yield comment(f"The turn of the table that takes it out: into the work offset of {letter}")
        yield f"{own[_TURN]}=ATAN{sideways}/{alongside}"
        yield f"{own[_TURN_COSINE]}=COS[{own[_TURN]}]"
        yield f"{own[_TURN_SINE]}=SIN[{own[_TURN]}]"


def _shift_lines(writer: _Writer, nest: NestProbing, own: _Nest) -> Iterator[str]:
    """The shift of part zero along machine X, Y and Z, and the stop where it is too large."""
    probing = nest.probing
    clocked = probing.pair is not None
    yield comment("What each touch says of the shift: then part zero's shift in machine X, Y and Z")
    row = 0
    for number in probing.placing:
        found = _touch_parameters(number)
        if clocked:
            yield f"#1=[{own[_COSINE]}*{found[0]}+{own[_SINE]}*{found[1]}]"
            yield f"#2=[{own[_COSINE]}*{found[1]}-{own[_SINE]}*{found[0]}]"
            found = ("#1", "#2", found[2])
        for direction in probing.touches[number].directions:
            level_mm = float(direction @ probing.touches[number].expected_mm)
            yield f"#{_DEVIATIONS + row}={writer.sum(-level_mm, list(zip(direction.tolist(), found, strict=True)))}"
            row += 1
    names = [f"#{_DEVIATIONS + k}" for k in range(row)]
    rotation = nest.job.setup.part_in_machine.rotation
    if not clocked:
        for k, weights in enumerate(rotation @ probing.solution):
            yield f"{own[_SHIFT + k]}={writer.sum(0.0, list(zip(weights.tolist(), names, strict=True)))}"
    else:
        for k, weights in enumerate(probing.solution):
            yield f"#{1 + k}={writer.sum(0.0, list(zip(weights.tolist(), names, strict=True)))}"
        yield f"#4=[{own[_COSINE]}*#1-{own[_SINE]}*#2]"
        yield f"#5=[{own[_SINE]}*#1+{own[_COSINE]}*#2]"
        for k, weights in enumerate(rotation):
            yield f"{own[_SHIFT + k]}={writer.sum(0.0, list(zip(weights.tolist(), ('#4', '#5', '#3'), strict=True)))}"
    x, y, z = (own[_SHIFT + k] for k in range(3))
    limit = writer.length(nest.within_mm)
    unit = nest.job.unit.value
    yield message(f"{nest.name}: a stop here means that its part zero is off by more than {limit} {unit}")
    yield f"#6=SQRT[{limit}*{limit}-[{x}*{x}+{y}*{y}+{z}*{z}]]"


def _setting_lines(parts: ProbedParts, writer: _Writer, loader: int) -> list[str]:
    """The work offsets of one loader."""
    lines = []
    by_place = {nest.place: (nest, _Nest(k)) for k, nest in enumerate(parts.nests)}
    for place, m, one in _loaded(parts, loader):
        nest, own = by_place[place]
        evaluated = parts.evaluated.nests[place]
        lines.append(comment(program_words(evaluated, one, shown_name(parts.evaluated, place, one))))
        moved = [own[_SHIFT + k] for k in range(3)]
        if nest.terms is not None:
            origin_lines, moved = _origin_lines(writer, nest, own, m)
            lines += origin_lines
        lines += _set_lines(writer, nest, own, one, moved)
    return lines


def _origin_lines(writer: _Writer, nest: NestProbing, own: _Nest, m: int) -> tuple[list[str], list[str]]:
    """Shift of one operation's origin at the all-zero pose, the table turned to take the clocking out."""
    terms = nest.terms
    assert terms is not None
    lines = []
    cosine_less_1 = f"[{own[_COSINE]}-1]"
    for k in range(3):
        weights = [(float(terms.cosine_mm[m, k]), cosine_less_1), (float(terms.sine_mm[m, k]), own[_SINE])]
        scaled = [(weight / writer.mm, name) for weight, name in weights]
        lines.append(f"#{1 + k}={_bracketed([own[_SHIFT + k]], scaled)}")
    if not terms.sign:
        return lines, ["#1", "#2", "#3"]
    from_line = [f"#{_FROM_LINE + k}" for k in range(3)]
    lines += [
        f"{name}={writer.sum(float(terms.from_line_mm[m, k]), [(1.0, f'#{1 + k}')])}"
        for k, name in enumerate(from_line)
    ]
    line = terms.line
    flat = np.outer(line, line) - np.eye(3)
    across = np.array([[0.0, -line[2], line[1]], [line[2], 0.0, -line[0]], [-line[1], line[0], 0.0]])
    for k in range(3):
        bent = _bracketed([], list(zip(flat[k].tolist(), from_line, strict=True)))
        swung = _bracketed([], list(zip(across[k].tolist(), from_line, strict=True)))
        turned = [
            (factor, part)
            for factor, part in ((f"[1-{own[_TURN_COSINE]}]", bent), (own[_TURN_SINE], swung))
            if part != "[0]"
        ]
        lines.append(f"#{_MOVED + k}=[#{1 + k}{''.join(f'+{factor}*{part}' for factor, part in turned)}]")
    return lines, [f"#{_MOVED + k}" for k in range(3)]


def _set_lines(
    writer: _Writer, nest: NestProbing, own: _Nest, one: NumberedOperation, moved: Sequence[str]
) -> list[str]:
    """The nominal work offset and what the origin's shift comes to at the operation's tilt."""
    setup = nest.job.setup
    machine_deg = setup.machine_deg(one.placed.program_deg)
    nominal = setup.work_offset(one.placed.origin_mm, machine_deg)
    response = shift_response(setup, machine_deg)
    xyz = [
        writer.sum(float(value), list(zip(row.tolist(), moved, strict=True)))
        for value, row in zip(nominal, response, strict=True)
    ]
    letters = setup.machine.letters
    angles = [angle(value) for value in setup.rotary_offset_deg.tolist()]
    if nest.terms is not None and nest.terms.sign:
        nominal_deg = _short(fixed(float(setup.rotary_offset_deg[-1]), _COEFFICIENT_DECIMALS))
        angles[-1] = _bracketed([nominal_deg], [(float(nest.terms.sign), own[_TURN])])
    line = set_line(one.number, xyz, letters, angles)
    if len(line) <= LONGEST_LINE:
        return [line]
    return [
        *(f"#{1 + k}={text}" for k, text in enumerate(xyz)),
        set_line(one.number, ["#1", "#2", "#3"], letters, angles),
    ]


def _head(parts: ProbedParts, checked: CheckedAccess) -> list[str]:
    """Sentences on what the program is, needs and does not know."""
    first, unit, table = parts.nests[0], parts.unit, parts.table
    machine, count = first.job.machine, parts.evaluated.loader_count
    numbers = [one.number for nest in parts.evaluated.nests for one in nest.operations]
    highest = max([*numbers, parts.display_offset])
    last = _last_parameter(parts)
    which = (
        f"The job does not use work offset {parts.display_offset}: it is set to 0 and stays so, note its old values first"
        if parts.display_offset_is_free
        else f"While the probe runs work offset {parts.display_offset} is 0: it is set last, and after a stop it is still 0"
    )
    return [
        f"Parts' zeros for job: {first.job.file.name}",
        *left_out_lines(parts.evaluated.nests),
        f"Machine: {machine.name}",
        *needs_of(highest, parameters_used(parts)),
        f"Probes {_names(parts)} and sets the work offsets of its operations at every tilt",
        *(
            []
            if count == 1
            else [
                f"Loader 1 of {count}. Later loaders go by parameters {STAMP} to {last}. These must stay as they are until then"
            ]
        ),
        which,
        "A part that is missing or too far off stops the program with an error before any work offset of a part is set",
        "The work offsets are then still those of the parts before: run nothing else until every part has passed",
        f"Z: {z_comment_words(parts.evaluated.nests[0], unit.value)}",
        f"The probe stands in the spindle: {length_words(table, unit, machine.z_reference.tool_length_mm)}",
        f"Feeds in {unit.value} per minute: F{table.feed:g} for touches, F{table.move:g} below the safe height",
        "Leaves G61 active: exact path",
        f"Safe height: Z {fixed(parts.high, 3)} in machine coordinates, the top of the travel",
        "G38.2 stops where the probe trips; RS274/NGC has no protected move that need not trip",
        "So the way down to every touch is blind: a part farther off than its limits would be hit",
        *_limit_words(parts),
        *stays_turned_words(parts),
        *checked_access_words(parts, checked),
        "M1 stops after the rotaries have turned where optional stop is on: look, then go on",
        "Prove it out above the parts first: single block, rapid and feed turned down, hand on the stop",
    ]


def _names(parts: ProbedParts) -> str:
    return enumeration([nest.name for nest in parts.nests])


def _limit_words(parts: ProbedParts) -> Iterator[str]:
    unit = parts.unit
    for nest in parts.nests:
        clock = (
            "clocking is not measured"
            if nest.clock_within_deg is None
            else f"clocked by up to {nest.clock_within_deg:g} degrees"
        )
        yield f"Limits of {nest.name}: part zero off by up to {unit.from_mm(nest.within_mm):g} {unit.value}, {clock}"


def stays_turned_words(parts: ProbedParts) -> list[str]:
    """The caution on a clocking that is measured and that no rotary takes out."""
    turned = [nest for nest in parts.nests if nest.terms is not None and not _takes_out(nest)]
    if not turned:
        return []
    letter = turned[0].job.machine.letters[-1]
    most = max(nest.clock_within_deg or 0.0 for nest in turned)
    how = f"{letter} does not take it out" if turned[0].job.file.square_up else "the job does not square up"
    return [
        f"Parts may be clocked by up to {most:g} degrees and {how}: their programs cut them turned by as much"
    ]


def _takes_out(nest: NestProbing) -> bool:
    """True where the rotary that squares up turns by most of a clocking."""
    assert nest.terms is not None
    clock_deg = nest.clock_within_deg or 1.0
    return abs(float(nest.terms.turn_deg(clock_deg))) > 0.5 * clock_deg


def checked_access_words(parts: ProbedParts, checked: CheckedAccess) -> list[str]:
    """Sentences on what the probe was checked against; what was not checked comes first."""
    unit = parts.unit
    unknown = [f"{name} (no round or bar is stated)" for name in checked.open_steps]
    if len(checked.unproven_targets) == sum(len(nest.touches) for nest in parts.nests):
        unknown.append("that the targets are on the part (no blank is described)")
    else:
        unknown += [f"that {name} is on the part" for name in checked.unproven_targets]
    unknown += [
        "clamps and whatever else no file describes",
        "how a part leans",
        "what happens while the rotaries turn",
    ]
    spare = f"{unit.from_mm(checked.spare_mm):.3g} {unit.value}"
    bodies = ", ".join(checked.bodies)
    held = (
        f"With the parts as far off as allowed the probe and the spindle keep at least {spare} from: {bodies}"
    )
    return [f"Not checked: {', '.join(unknown)}", *([held] if checked.bodies else [])]


def _loader_head(parts: ProbedParts, loader: int) -> list[str]:
    first = parts.nests[0]
    numbers = [one.number for _, _, one in _loaded(parts, loader)]
    last = _last_parameter(parts)
    return [
        f"Parts' zeros for job: {first.job.file.name}",
        *left_out_lines(parts.evaluated.nests),
        f"Machine: {first.job.machine.name}",
        *needs_of(max(numbers, default=1), [(1, 6), (_FROM_LINE, 49), (STAMP, last)]),
        f"Loader {loader} of {parts.evaluated.loader_count}: sets work offsets from what loader 1 has probed; moves no axis",
        f"Parameters {STAMP} to {last} must stand as loader 1 left them: run that again for every new set of parts",
        "Check every value against the setup sheet before the first cut",
    ]


def program_report(parts: ProbedParts, checked: CheckedAccess, files: Sequence[str | None]) -> dict[str, Any]:
    """The programs of a job for JSON, lengths in the job's unit.

    Parameters
    ----------
    parts : ProbedParts
    checked : CheckedAccess
    files : sequence of str or None
        Where each program was written, loader by loader; None where it was not.
    """
    machine, unit = parts.nests[0].job.machine, parts.unit
    return {
        "schema": "tiltwright.batch-program/1",
        "job": parts.nests[0].job.file.name,
        "units": unit.value,
        "correction": correction_report(parts.evaluated.nests, own_zero=True),
        "pose": by_letter(machine, machine.zero_deg),
        "safe_height": parts.high,
        "display_work_offset": {"number": parts.display_offset, "free": parts.display_offset_is_free},
        "parameters": [list(run) for run in parameters_used(parts)],
        "passed_parameter": STAMP,
        "programs": [{"loader": number, "file": file} for number, file in enumerate(files, start=1)],
        "nests": [_nest(parts, nest) for nest in parts.nests],
        "spare": unit.from_mm(checked.spare_mm),
        "kept_clear_of": list(checked.bodies),
        "stays_turned": bool(stays_turned_words(parts)),
        "not_checked": {
            "steps_without_section": list(checked.open_steps),
            "targets_not_shown_on_part": list(checked.unproven_targets),
        },
    }


def _nest(parts: ProbedParts, nest: NestProbing) -> dict[str, Any]:
    unit = parts.unit.value
    evaluated = parts.evaluated.nests[nest.place]
    operations = []
    for one in evaluated.operations:
        machine_deg = nest.job.setup.machine_deg(one.placed.program_deg)
        nominal = nest.job.setup.work_offset(one.placed.origin_mm, machine_deg)
        operations.append(
            {
                "name": one.placed.name,
                "work_offset": one.number,
                "loader": one.loader,
                "nominal": dict(zip("XYZ", length_list(nominal, unit), strict=True)),
                "response": shift_response(nest.job.setup, machine_deg).tolist(),
            }
        )
    return {
        "nest": nest.job.nest,
        "within": parts.unit.from_mm(nest.within_mm),
        "clock_within_deg": nest.clock_within_deg,
        "touches": [_touch(parts, touch) for touch in nest.touches],
        "operations": operations,
    }


def _touch(parts: ProbedParts, touch: PlannedTouch) -> dict[str, Any]:
    unit = parts.unit
    return {
        "kind": touch.kind,
        "name": touch.words,
        "at": length_list(touch.point_mm, unit.value),
        "normal": touch.normal.tolist(),
        "diameter": 2.0 * unit.from_mm(touch.radius_mm) if touch.radius_mm else None,
        "trips": [list(trip) for trip in touch.cycle.trips],
    }
