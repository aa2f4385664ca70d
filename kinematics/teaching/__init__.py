"""For whoever learns to work out a tilted-plane origin, and whoever teaches it.

`working` writes an offset's calculation line by line, `by_hand` the same with plane trigonometry (`line` and
`shared` are what both are made of, `plane_lines` tells where a direction comes from, `aim_lines` finds its angles, `swing` tells which way the table
goes). `classic` lists the mistakes that can be made at a setup, `mistakes` recomputes the offsets under each and each
pair, on `figures` laid out for it; `diagnose` and `search` find which of them gives the numbers that somebody got,
`answered` sees to answered angles. `exercise` sets tasks with numbers that a shop could meet, in the `scenario` of a
training shop.

A pivot to find has modules of its own: `pivot_set` draws the task, `pivot_ways` are the ways to work it by plane
geometry, `pivot_working` writes one down, `pivot_support` tells how far a right answer may be off, and
`mistakes_at_pivot` and `pivot_diagnose` find what went wrong.
"""

from kinematics.teaching.angle_answers import (
    AngleAnswer,
    AngleFault,
    angle_error_deg,
    error_carried_forward,
    matching_solution,
)
from kinematics.teaching.attainable_accuracy import AttainableAccuracy, attainable, hand_bound_mm
from kinematics.teaching.diagnosis import Answer, Diagnosis, FoundMistake, diagnose
from kinematics.teaching.direction_steps import pattern_steps, rotation_steps, three_point_steps
from kinematics.teaching.exercises import LEVELS, Exercise, Level, set_exercise
from kinematics.teaching.matrix_solution import solve_by_matrices
from kinematics.teaching.mistake_catalogue import classic_mistakes
from kinematics.teaching.perturbed_offsets import Mistake, Recomputed, recompute
from kinematics.teaching.pivot_diagnosis import PivotAnswer, PivotDiagnosis, PivotFinding, diagnose_pivots
from kinematics.teaching.pivot_exercise import PIVOT_LEVEL, PivotExercise, Probed
from kinematics.teaching.pivot_mistakes import PivotMistake, mistakes_at_pivot
from kinematics.teaching.pivot_random import set_pivot_exercise
from kinematics.teaching.pivot_solution import solve_pivot
from kinematics.teaching.trigonometric_solution import solve_by_trigonometry, why_not_by_trigonometry
from kinematics.teaching.worked_step import Calculation, Digits, Number, WorkedStep, written, written_number
from kinematics.teaching.working import RotarySwing, Working

__all__ = [
    "LEVELS",
    "PIVOT_LEVEL",
    "AngleAnswer",
    "AngleFault",
    "Answer",
    "AttainableAccuracy",
    "Calculation",
    "Diagnosis",
    "Digits",
    "Exercise",
    "FoundMistake",
    "Level",
    "Mistake",
    "Number",
    "PivotAnswer",
    "PivotDiagnosis",
    "PivotExercise",
    "PivotFinding",
    "PivotMistake",
    "Probed",
    "Recomputed",
    "RotarySwing",
    "WorkedStep",
    "Working",
    "angle_error_deg",
    "attainable",
    "classic_mistakes",
    "diagnose",
    "diagnose_pivots",
    "error_carried_forward",
    "hand_bound_mm",
    "matching_solution",
    "mistakes_at_pivot",
    "pattern_steps",
    "recompute",
    "rotation_steps",
    "set_exercise",
    "set_pivot_exercise",
    "solve_by_matrices",
    "solve_by_trigonometry",
    "solve_pivot",
    "three_point_steps",
    "why_not_by_trigonometry",
    "written",
    "written_number",
]
