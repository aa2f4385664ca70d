"""Worked solutions, classic mistakes and exercises for whoever learns or teaches tilted-plane origins and pivots.

`matrix_solution` writes an offset's calculation step by step, `trigonometric_solution` the same with plane trigonometry;
`worked_step` and `working` hold the steps, `direction_steps` derives a direction and its angles. `mistake_catalogue` lists
the mistakes that can be made at a setup, `calculation_batch` and `perturbed_offsets` recompute the offsets under each and each pair of them,
`mistake_search` finds which of them gives the numbers that somebody got (`answered_numbers`), `writing_slips` what was
only written down wrongly, and `diagnosis` tells it all, `angle_answers` chooses the solution that answered
angles mean, `solution_choice` weighs it where none were; `figure_trace` solves for the one figure that explains what no listed mistake does. `exercises` draws tasks with numbers that a shop could meet.

A pivot to find has modules of its own: `pivot_exercise` holds the task and the plane geometry that solves it,
`pivot_random` draws it, `pivot_solution` writes the geometry down step by step, `attainable_accuracy` says how far a right
answer may be off, `pivot_numbers` are the numbers that are graded, `pivot_mistakes` and `pivot_diagnosis` find what went
wrong.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from kinematics.teaching.angle_answers import (
    AngleAnswer,
    AngleFault,
    all_solutions,
    angle_error_deg,
    angle_line,
    error_carried_forward,
    matching_solution,
    offset_of_other_solution,
)
from kinematics.teaching.answered_numbers import Answer
from kinematics.teaching.diagnosis import Diagnosis, diagnose
from kinematics.teaching.direction_steps import normal_steps, pattern_steps, rotation_steps, three_point_steps
from kinematics.teaching.exercises import LEVELS, PIVOT_LEVEL, Exercise, Level, set_exercise
from kinematics.teaching.figure_trace import FigureTrace
from kinematics.teaching.matrix_solution import solve_by_matrices
from kinematics.teaching.mistake_catalogue import classic_mistakes
from kinematics.teaching.mistake_search import FoundMistake
from kinematics.teaching.perturbed_offsets import Mistake, PerturbedOffsets, recompute
from kinematics.teaching.solution_choice import DiagnosedSolutions, diagnose_solutions
from kinematics.teaching.trigonometric_solution import solve_by_trigonometry, why_not_by_trigonometry
from kinematics.teaching.worked_step import Calculation, Digits, Number, WorkedStep, written, written_number
from kinematics.teaching.working import RotarySwing, TouchDisplay, Working

if TYPE_CHECKING:
    from kinematics.teaching.attainable_accuracy import (
        AttainableAccuracy,
        attainable,
        circles_uncertainty_mm,
        hand_bound_mm,
    )
    from kinematics.teaching.pivot_diagnosis import (
        PivotAnswer,
        PivotDiagnosis,
        PivotFinding,
        PivotMark,
        diagnose_pivots,
    )
    from kinematics.teaching.pivot_exercise import PivotExercise, PivotProbing
    from kinematics.teaching.pivot_mistakes import PivotMistake, mistakes_at_pivot, mistakes_in_direction
    from kinematics.teaching.pivot_numbers import LineNumber, coordinate_axes, line_values
    from kinematics.teaching.pivot_random import set_pivot_exercise, set_pivot_exercise_on
    from kinematics.teaching.pivot_solution import solve_pivot

__all__ = [
    "LEVELS",
    "PIVOT_LEVEL",
    "AngleAnswer",
    "AngleFault",
    "Answer",
    "AttainableAccuracy",
    "Calculation",
    "DiagnosedSolutions",
    "Diagnosis",
    "Digits",
    "Exercise",
    "FigureTrace",
    "FoundMistake",
    "Level",
    "LineNumber",
    "Mistake",
    "Number",
    "PerturbedOffsets",
    "PivotAnswer",
    "PivotDiagnosis",
    "PivotExercise",
    "PivotFinding",
    "PivotMark",
    "PivotMistake",
    "PivotProbing",
    "RotarySwing",
    "TouchDisplay",
    "WorkedStep",
    "Working",
    "all_solutions",
    "angle_error_deg",
    "angle_line",
    "attainable",
    "circles_uncertainty_mm",
    "classic_mistakes",
    "coordinate_axes",
    "diagnose",
    "diagnose_pivots",
    "diagnose_solutions",
    "error_carried_forward",
    "hand_bound_mm",
    "line_values",
    "matching_solution",
    "mistakes_at_pivot",
    "mistakes_in_direction",
    "normal_steps",
    "offset_of_other_solution",
    "pattern_steps",
    "recompute",
    "rotation_steps",
    "set_exercise",
    "set_pivot_exercise",
    "set_pivot_exercise_on",
    "solve_by_matrices",
    "solve_by_trigonometry",
    "solve_pivot",
    "three_point_steps",
    "why_not_by_trigonometry",
    "written",
    "written_number",
]

_OF_PIVOTS = {
    "attainable_accuracy": (
        "AttainableAccuracy",
        "attainable",
        "circles_uncertainty_mm",
        "hand_bound_mm",
    ),
    "pivot_diagnosis": ("PivotAnswer", "PivotDiagnosis", "PivotFinding", "PivotMark", "diagnose_pivots"),
    "pivot_exercise": ("PivotExercise", "PivotProbing"),
    "pivot_mistakes": ("PivotMistake", "mistakes_at_pivot", "mistakes_in_direction"),
    "pivot_numbers": ("LineNumber", "coordinate_axes", "line_values"),
    "pivot_random": ("set_pivot_exercise", "set_pivot_exercise_on"),
    "pivot_solution": ("solve_pivot",),
}
"""Names by module that are imported when they are first asked for: they load the calibration, and a working does not."""


def __getattr__(name: str) -> Any:  # noqa: ANN401 - whatever has that name
    for module, names in _OF_PIVOTS.items():
        if name in names:
            return getattr(import_module(f"kinematics.teaching.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
