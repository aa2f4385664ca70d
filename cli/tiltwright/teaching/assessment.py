"""Assessment of answers: right or wrong number by number, the reason, and the line at which a working goes wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kinematics import PlacedOperation
from kinematics.teaching import (
    AngleFault,
    Diagnosis,
    FigureTrace,
    FoundMistake,
    Mistake,
    angle_error_deg,
    angle_line,
    diagnose_solutions,
    why_not_by_trigonometry,
)
from tiltwright.files.diagnostics import enumeration, first_few
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.output import numbers
from tiltwright.output.document import Block, BulletList, Document, Heading, Paragraph, Table
from tiltwright.teaching.answers import Answers
from tiltwright.teaching.explanation import FOOT, digits_for, stack_used
from tiltwright.teaching.workings import working_in_job

__all__ = ["Assessment", "assess", "assessment_document", "assessment_report", "trace_words", "why_words"]


@dataclass(frozen=True, eq=False)
class Assessment:
    """Assessed answers.

    Attributes
    ----------
    evaluated : EvaluatedJob
    answers : Answers
    placed : tuple of PlacedOperation
        The solution that the answers mean, where there are two.
    diagnosis : Diagnosis
    angle_faults : tuple of AngleFault
    within_deg : float
    level : Diagnosis, optional
        By the job's own solution, where that gives the very numbers, too.
    """

    evaluated: EvaluatedJob
    answers: Answers
    placed: tuple[PlacedOperation, ...]
    diagnosis: Diagnosis
    angle_faults: tuple[AngleFault, ...]
    within_deg: float
    level: Diagnosis | None = None

    @property
    def right(self) -> bool:
        """True if every number that was answered is right."""
        return self.diagnosis.right and not self.angle_faults

    @property
    def count(self) -> tuple[int, int]:
        """Numbers that are right, and numbers answered."""
        answered = len(self.answers.lengths) + len(self.answers.angles)
        return answered - int(self.diagnosis.wrong.sum()) - len(self.angle_faults), answered

    @property
    def mistakes(self) -> tuple[str, ...]:
        """Kinds of the mistakes found, each once."""
        kinds = [mistake.kind for finding in self.diagnosis.findings for mistake in finding.made]
        kinds += [f"angle: {fault.why or 'unexplained'}" for fault in self.angle_faults]
        kinds += [f"figure: {trace.names[0]}" for trace in self.diagnosis.traces]
        if self.untraced:
            kinds.append("unexplained")
        return tuple(dict.fromkeys(kinds))

    @property
    def untraced(self) -> tuple[int, ...]:
        """Operations that no listed mistake explains, and no single figure either."""
        traced = {o for trace in self.diagnosis.traces for o in trace.operations}
        return tuple(o for o in self.diagnosis.unexplained if o not in traced)

    @property
    def by_other_solution(self) -> tuple[tuple[PlacedOperation, PlacedOperation], ...]:
        """Operations judged by another solution than the job's: the one judged by, and the job's."""
        pairs = zip(self.placed, (one.placed for one in self.evaluated.operations), strict=True)
        answered = {answer.operation for answer in self.answers.lengths}
        answered |= {answer.operation for answer in self.answers.angles}
        return tuple(
            (judged, own)
            for o, (judged, own) in enumerate(pairs)
            # A whole turn more is the same solution.
            if o in answered and not np.allclose(judged.offset_mm, own.offset_mm, rtol=0.0, atol=1e-6)
        )

    def by_own_solution(self, finding: FoundMistake) -> tuple[tuple[Mistake, ...], ...]:
        """Mistakes that give a finding's numbers by the job's own solution, where another one was judged by."""
        found = () if self.level is None else self.level.findings
        where = set(finding.operations)
        apart = [one for one in found if where & set(one.operations) and one.made != finding.made]
        return tuple(made for one in apart for made in (one.made, *one.same))

    @property
    def reasons(self) -> tuple[str, ...]:
        """Reasons for wrong numbers, operation by operation, in a few words."""
        words = []
        for finding in self.diagnosis.findings:
            several = finding.same or finding.others or self.by_own_solution(finding)
            alike = " (or what gives the same)" if several else ""
            part = "" if finding.complete else f", {finding.explained} of {finding.wrong}"
            where = ", ".join(self.placed[o].name for o in finding.operations)
            words.append(f"{_heading(finding)}{alike}: {where}{part}")
        for fault in self.angle_faults:
            name = self.placed[fault.answer.operation].name
            words.append(f"{name}, {fault.answer.letter}: {fault.why or 'wrong angle'}")
        for trace in self.diagnosis.traces:
            where = ", ".join(self.placed[o].name for o in trace.operations)
            figure = trace.names[0]
            words.append(f"right with {figure if figure.startswith('a ') else f'another {figure}'}: {where}")
        if self.untraced:
            left = ", ".join(self.placed[o].name for o in self.untraced)
            words.append(f"unexplained: {left}")
        return tuple(words)


def assess(
    evaluated: EvaluatedJob,
    answers: Answers,
    *,
    within_mm: float,
    within_deg: float,
    tool_length_mm: float | None = None,
) -> Assessment:
    """Compare answers with the truth and diagnose what is wrong."""
    found = diagnose_solutions(
        evaluated.setup,
        tuple(one.placed for one in evaluated.operations),
        stack_used(evaluated),
        answers.lengths,
        answers.angles,
        within_deg=within_deg,
        tolerance_mm=within_mm,
        digit_mm=answers.digit_mm,
        unit_mm=answers.unit.mm,
        tool_length_mm=tool_length_mm,
        stack_mm=None if evaluated.touch is None else evaluated.touch.stack_mm,
    )
    return Assessment(
        evaluated, answers, found.placed, found.diagnosis, found.faults, within_deg, found.level
    )


_MANY = 3
"""Operations up to which all of them are named."""


def _names(assessment: Assessment, operations: Sequence[int]) -> str:
    names = [assessment.placed[o].name for o in operations]
    if len(names) == len(assessment.placed) > _MANY:
        return f"all {len(names)} operations"
    return enumeration(names)


def _made(made: Sequence[Mistake]) -> str:
    return "; and ".join(mistake.words for mistake in made)


def _labels(made: Sequence[Mistake]) -> str:
    return " + ".join(mistake.label for mistake in made)


def _heading(finding: FoundMistake) -> str:
    return f"{'perhaps ' if finding.hint else ''}{_labels(finding.made)}"


def _rivals(finding: FoundMistake) -> list[str]:
    """Other mistakes that give the same numbers, or numbers that fit, in sentences."""
    words = []
    if finding.same:
        words.append(
            f"The same numbers would come from: {_some(finding.same)}. The answers cannot show which it was."
        )
    if finding.others:
        give, fit = ("This gives", "fits") if len(finding.others) == 1 else ("These give", "fit")
        words.append(
            f"{give} other numbers and {fit} the answers within the tolerance, too: {_some(finding.others)}."
        )
        if finding.pairs and not finding.exact:
            words.append(f"Two at once fit as well: {_some(finding.pairs)}.")
    return words


def why_words(
    assessment: Assessment, finding: FoundMistake, units: str, *, for_student: bool = False
) -> tuple[str, ...]:
    """A diagnosed mistake in sentences: what was done, how certain that is, and the line that goes wrong.

    A student has no job to `explain`: the instructor has the working.
    """
    where = _names(assessment, finding.operations)
    left = numbers.fixed(numbers.in_units(finding.left_mm, units), numbers.DECIMALS[units] + 1)
    of = f"{finding.explained} of the {finding.wrong} wrong numbers there"
    if finding.complete:
        every = {1: "the wrong number", 2: "both wrong numbers"}
        of = f"{every.get(finding.wrong, f'all {finding.wrong} wrong numbers')} there"
    words = [f"In {where}: {_made(finding.made)}. This gives {of}, to {left} {units}."]
    words += _rivals(finding)
    by_own = assessment.by_own_solution(finding)
    if by_own:
        words.append(
            f"By the job's own solution, the same numbers would come from: {_some(by_own)}. "
            "The answers cannot show which it was."
        )
    elif finding.sure and finding.pairs:
        words.append(
            f"No other single mistake on the list gives these numbers, but two at once would: {_some(finding.pairs)}."
        )
    elif finding.sure and len(finding.made) == 1:
        words.append(
            "No other mistake on the program's list gives these numbers, and no two that can be made together."
        )
    elif finding.sure:
        words.append("No single mistake on the program's list gives these numbers, and no other two of them.")
    elif not finding.complete:
        words.append("The rest is something else, perhaps a slip on top of it: take this as a hint.")
    elif finding.hint and finding.elsewhere:
        words.append("It doesn't explain the other wrong numbers: take this as a hint.")
    elif finding.hint:
        words.append("It comes near these numbers but doesn't give every digit: take this as a hint.")
    words.append(_parting(assessment, finding, for_student=for_student))
    return tuple(words)


_TIMES = {
    "so it was left out": "is left out",
    "that is half of it": "is halved",
    "that is double": "is taken twice",
    "that is minus it": "is taken with the opposite sign",
    "that is 25.4 times as much": "is taken 25.4 times as large",
    "that is 1/25.4 of it": "is divided by 25.4",
}
"""Change of a vector as a whole, by the relation of the needed one to the given."""


_TOOL_MM = 0.5
"""No tool is shorter: less than that in every Z has another cause."""


def trace_words(assessment: Assessment, trace: FigureTrace, units: str) -> str:
    """The figure that would make the numbers right, in a sentence or two."""

    def value(number: float) -> str:
        if trace.unit == "deg":
            return f"{numbers.angle(number)} degrees"
        return f"{numbers.length(number, units)} {units}"

    where = _names(assessment, trace.operations)
    simple = trace.relation
    if trace.unit == "times":
        times = numbers.fixed(float(trace.needed[0]), 4).rstrip("0").rstrip(".")
        needed, simple = f"{trace.names[0]} {_TIMES.get(simple, f'is taken {times} times')}", ""
    else:
        needed = " and ".join(
            f"{value(float(new))} {name.replace('a constant added to', 'is added to every')}"
            if name.startswith("a constant")
            else f"{value(float(new))} {name.replace('what is added', 'is added')}"
            if name.startswith("what is added")
            else f"the {name} is {value(float(new))} (given: {value(float(old))})"
            for name, old, new in zip(trace.names, trace.stated, trace.needed, strict=True)
        )
    listed = any(set(finding.operations) & set(trace.operations) for finding in assessment.diagnosis.findings)
    how = "the numbers are right, too," if listed else "no mistake on the list, but the numbers are right"
    words = f"{where}: {how} if {needed}" + (f"; {simple}." if simple else ".")
    if trace.same:
        same = "; ".join(trace.same[:3])
        words += f" The answers cannot tell it from another value of: {same}."
    if "Z" in trace.names[0] and "constant" in trace.names[0]:
        small = abs(float(trace.needed[0])) < _TOOL_MM
        words += f" Look for {'a warm spindle' if small else 'a tool length in Z'}, or another Z reference."
    return words


def _some(several: Sequence[Sequence[Mistake]]) -> str:
    """The first three, and how many more there are."""
    return first_few([_labels(made) for made in several], 3, " or ", ", or ")


def _parting_lines(
    assessment: Assessment, finding: FoundMistake
) -> tuple[tuple[int, str], tuple[int, str] | None]:
    """Number, as `explain` numbers them, and formula of the first line that a mistake changes, in its first operation.

    Of the working with matrices, and of that by hand: None where the machine is not square.
    """
    evaluated, placed = assessment.evaluated, assessment.placed[finding.operations[0]]

    def first(*, by_hand: bool) -> tuple[int, str]:
        working = working_in_job(evaluated, placed, by_hand=by_hand)
        number = min(working.number_of(mistake.at) for mistake in finding.made)
        return number, working.lines[number - 1].formula

    square = not why_not_by_trigonometry(evaluated.setup, stack_used(evaluated))
    return first(by_hand=False), first(by_hand=True) if square else None


def _parting(assessment: Assessment, finding: FoundMistake, *, for_student: bool) -> str:
    name = assessment.placed[finding.operations[0]].name
    (number, formula), hand = _parting_lines(assessment, finding)
    if for_student:
        own = f"line {number} ({formula})"
        first = own if hand is None else "line {} ({})".format(*hand)
        place = own if first == own else f"{first}, with matrices at {own}"
        return f'Your instructor has the working of "{name}": yours goes wrong at {place}.'
    also = "" if hand is None else f"; with --by-hand, line {hand[0]}"
    return f'The working goes wrong at line {number} of: explain "{name}" ({formula}){also}.'


def _angle_words(assessment: Assessment, fault: AngleFault, *, for_student: bool) -> str:
    name = assessment.placed[fault.answer.operation].name
    words = (
        f"{name}, program {fault.answer.letter}: answered {numbers.angle(fault.answer.program_deg)}, "
        f"correct is {numbers.angle(fault.right_deg)}"
    )
    words = f"{words}: {fault.why}." if fault.why else f"{words}; no known mistake gives it."
    line = _angle_line(assessment, fault, by_hand=for_student)
    if not line:
        return words
    if for_student:
        return f'{words} See line {line} of the working of "{name}" that your instructor has.'
    return f'{words} See line {line} of: explain "{name}".'


def _angle_line(assessment: Assessment, fault: AngleFault, *, by_hand: bool) -> int | None:
    """The line of the working that finds an angle, by hand where it can be; None where it is not worked out."""
    placed = assessment.placed
    key = angle_line(assessment.evaluated.setup, fault, placed)
    if not key.startswith("aim"):
        return None
    evaluated = assessment.evaluated
    by_hand = by_hand and not why_not_by_trigonometry(evaluated.setup, stack_used(evaluated))
    return working_in_job(evaluated, placed[fault.answer.operation], by_hand=by_hand).number_of(key)


def assessment_document(
    assessment: Assessment, units: str, title: str = "", *, for_student: bool = False
) -> Document:
    """The assessment as a document; a student's names no command."""
    right, answered = assessment.count
    diagnosis = assessment.diagnosis
    blocks: list[Block] = [
        Paragraph(_summary(assessment, right, answered, for_student=for_student), bold=True),
        _numbers_table(assessment, units),
    ]
    if assessment.by_other_solution:
        blocks.append(
            BulletList(tuple(_judged_words(assessment, *pair) for pair in assessment.by_other_solution))
        )
    if assessment.angle_faults:
        blocks += [
            Heading("Angles"),
            BulletList(
                tuple(_angle_words(assessment, f, for_student=for_student) for f in assessment.angle_faults)
            ),
        ]
    if diagnosis.findings or diagnosis.unexplained:
        blocks.append(Heading("Why"))
    for finding in diagnosis.findings:
        blocks.append(Paragraph(_heading(finding), bold=True))
        blocks.append(BulletList(why_words(assessment, finding, units, for_student=for_student)))
    blocks += [Paragraph(trace_words(assessment, trace, units)) for trace in diagnosis.traces]
    if assessment.untraced:
        told = {answer.operation for answer in assessment.answers.lengths}
        asked = len(assessment.placed)
        more = " Answers to more operations can tell more." if len(told) < asked else ""
        blocks.append(
            Paragraph(
                f"Unexplained: {_names(assessment, assessment.untraced)}. No mistake on the program's list and no pair of "
                f"them gives these numbers, and they agree on no single other figure.{more}"
            )
        )
    if diagnosis.common_mm is not None and not diagnosis.traces:
        shift = "  ".join(
            f"{axis} {numbers.length(float(v), units)}"
            for axis, v in zip("XYZ", diagnosis.common_mm, strict=True)
        )
        option = "" if for_student else " (give it with --tool-length to have it tried)"
        blocks.append(
            Paragraph(
                f"All are off by the same {shift}: look for a common cause, such as a tool length{option}, "
                "the Z reference or a misread pivot."
            )
        )
    within = _tolerance(diagnosis.tolerance_mm, assessment.evaluated.job.unit.value, units)
    return Document(
        "Check",
        title or assessment.evaluated.job.file.name,
        (
            ("Machine", assessment.evaluated.setup.machine.name),
            ("Right within", f"{within}, angles {assessment.within_deg:g} degrees"),
        ),
        tuple(blocks),
        FOOT,
    )


def _judged_words(assessment: Assessment, judged: PlacedOperation, own: PlacedOperation) -> str:
    """The solution that an operation's answers are judged by, and the job's."""

    def angles(one: PlacedOperation) -> str:
        letters = assessment.evaluated.setup.machine.letters
        return " ".join(
            f"{letter} {numbers.angle(float(angle))}"
            for letter, angle in zip(letters, one.program_deg, strict=True)
        )

    return (
        f"{judged.name} is judged by the other solution, {angles(judged)}, which the answers fit better. "
        f"The job's own is {angles(own)}: its offset belongs to those angles alone."
    )


def _tolerance(within_mm: float, job_units: str, units: str) -> str:
    """The tolerance in the job's unit, and in the unit shown where that is another one."""

    def one(unit: str) -> str:
        text = numbers.fixed(numbers.in_units(within_mm, unit), numbers.DECIMALS[unit] + 1)
        return f"{text} {numbers.UNIT_SYMBOL[unit]}"

    return one(job_units) if units == job_units else f"{one(job_units)} ({one(units)})"


def _summary(assessment: Assessment, right: int, answered: int, *, for_student: bool) -> str:
    # A student is told below which they are.
    unanswered = 0 if for_student else assessment.answers.unanswered
    empty = f" {unanswered} left empty." if unanswered else ""
    if assessment.right:
        return f"{'The number is' if answered == 1 else f'All {answered} numbers are'} right.{empty}"
    if answered == 1:
        return f"The number is wrong.{empty}"
    return (
        f"{answered - right} of {answered} numbers {'is' if answered - right == 1 else 'are'} wrong.{empty}"
    )


def _numbers_table(assessment: Assessment, units: str) -> Table:
    rows = []
    wrong_angles = {(f.answer.operation, f.answer.letter): f for f in assessment.angle_faults}
    for answer in assessment.answers.angles:
        placed = assessment.placed[answer.operation]
        machine = assessment.evaluated.setup.machine
        truth = float(placed.program_deg[machine.index(answer.letter)])
        result = "wrong" if (answer.operation, answer.letter) in wrong_angles else "right"
        off = angle_error_deg(machine.rotaries[machine.index(answer.letter)], answer.program_deg, truth)
        rows.append(
            (placed.name, f"program {answer.letter}, degrees", result, numbers.angle(answer.program_deg),
             numbers.angle(truth), numbers.angle(off))
        )  # fmt: skip
    diagnosis = assessment.diagnosis
    for given, truth_mm, off_mm, wrong in zip(
        diagnosis.answers, diagnosis.truth_mm, diagnosis.off_mm, diagnosis.wrong, strict=True
    ):
        rows.append(
            (assessment.placed[given.operation].name, f"{given.axis}, {units}", "wrong" if wrong else "right",
             numbers.length(given.value_mm, units), numbers.length(float(truth_mm), units),
             numbers.length(float(off_mm), units))
        )  # fmt: skip
    return Table(("operation", "", "verdict", "answered", "correct", "off by"), tuple(rows), left=3)


def assessment_report(assessment: Assessment, units: str) -> dict[str, Any]:
    """The assessment as a JSON object."""
    mm = digits_for(units).unit_mm
    right, answered = assessment.count
    diagnosis = assessment.diagnosis
    return {
        "schema": "tiltwright.check/1",
        "job": assessment.evaluated.job.file.name,
        "units": units,
        "within": diagnosis.tolerance_mm / mm,
        "within_deg": assessment.within_deg,
        "right": right,
        "answered": answered,
        "unanswered": assessment.answers.unanswered,
        "numbers": [
            {
                "operation": assessment.placed[given.operation].name,
                "axis": given.axis,
                "answered": given.value_mm / mm,
                "right_is": float(truth) / mm + 0.0,
                "right": not bool(wrong),
            }
            for given, truth, wrong in zip(
                diagnosis.answers, diagnosis.truth_mm, diagnosis.wrong, strict=True
            )
        ],
        "angles": [
            {
                "operation": assessment.placed[f.answer.operation].name,
                "rotary": f.answer.letter,
                "answered": f.answer.program_deg,
                "right_is": f.right_deg,
                "why": f.why,
            }
            for f in assessment.angle_faults
        ],
        "by_other_solution": [
            {
                "operation": judged.name,
                "program": _program(assessment, judged),
                "program_of_job": _program(assessment, own),
            }
            for judged, own in assessment.by_other_solution
        ],
        "findings": [_finding_report(assessment, finding, mm) for finding in diagnosis.findings],
        "figures": [
            {
                "names": list(trace.names),
                "unit": units if trace.unit == "mm" else trace.unit,
                "given": (trace.stated / (mm if trace.unit == "mm" else 1.0)).tolist(),
                "needed": (trace.needed / (mm if trace.unit == "mm" else 1.0)).tolist(),
                "relation": trace.relation,
                "operations": [assessment.placed[o].name for o in trace.operations],
            }
            for trace in diagnosis.traces
        ],
        "unexplained": [assessment.placed[o].name for o in diagnosis.unexplained],
        "common_shift": None if diagnosis.common_mm is None else (diagnosis.common_mm / mm).tolist(),
    }


def _program(assessment: Assessment, placed: PlacedOperation) -> dict[str, float]:
    letters = assessment.evaluated.setup.machine.letters
    return {letter: float(a) for letter, a in zip(letters, placed.program_deg, strict=True)}


def _finding_report(assessment: Assessment, finding: FoundMistake, mm: float) -> dict[str, Any]:
    def listed(made: Sequence[Mistake]) -> list[dict[str, str]]:
        return [{"kind": mistake.kind, "item": mistake.item, "words": mistake.words} for mistake in made]

    (line, _), hand = _parting_lines(assessment, finding)
    return {
        "mistakes": listed(finding.made),
        "same_numbers": [listed(made) for made in finding.same],
        "others": [listed(made) for made in finding.others],
        "pairs": [listed(made) for made in finding.pairs],
        "same_by_own_solution": [listed(made) for made in assessment.by_own_solution(finding)],
        "operations": [assessment.placed[o].name for o in finding.operations],
        "explained": finding.explained,
        "wrong": finding.wrong,
        "left": finding.left_mm / mm,
        "chance": float(np.clip(finding.chance, 0.0, None)),
        "line": line,
        "line_by_hand": None if hand is None else hand[0],
    }
