"""For whoever learns to work out a tilted-plane origin, and whoever teaches it.

`working` writes an offset's calculation line by line, `by_hand` the same with plane trigonometry (`line` and
`shared` are what both are made of, `plane_lines` tells where a direction comes from, `aim_lines` finds its angles, `swing` tells which way the table
goes). `classic` lists the mistakes that can be made at a setup, `mistakes` recomputes the offsets under each and each
pair, on `figures` laid out for it; `diagnose` and `search` find which of them gives the numbers that somebody got,
`answered` sees to answered angles. `exercise` sets tasks with numbers that a shop could meet, in the `scenario` of a
training shop.

A pivot to find has modules of its own: `pivot_set` draws the task, `pivot_ways` are the ways to work it by plane
geometry, `pivot_working` writes one down, `pivot_support` tells how far a right answer may be off, and
`pivot_mistakes` and `pivot_diagnose` find what went wrong.
"""

from kinematics.learning.answered import AngleAnswer, AngleFault, carried_on, stand_as_answered
from kinematics.learning.by_hand import why_not_by_hand, work_out_by_hand
from kinematics.learning.classic import classic_mistakes
from kinematics.learning.diagnose import Answer, Diagnosis, diagnose
from kinematics.learning.exercise import LEVELS, Exercise, Level, set_exercise
from kinematics.learning.line import Calculation, Digits, Line, Number, written, written_number
from kinematics.learning.mistakes import Mistake, Recomputed, recompute
from kinematics.learning.pivot_diagnose import PivotAnswer, PivotDiagnosis, PivotFinding, diagnose_pivots
from kinematics.learning.pivot_exercise import PIVOT_LEVEL, PivotExercise, Probed
from kinematics.learning.pivot_mistakes import PivotMistake, pivot_mistakes
from kinematics.learning.pivot_set import set_pivot_exercise
from kinematics.learning.pivot_support import Support, hand_bound_mm, supported
from kinematics.learning.pivot_working import work_out_pivot
from kinematics.learning.plane_lines import pattern_lines, through_lines, tip_lines
from kinematics.learning.search import Finding
from kinematics.learning.shared import Working
from kinematics.learning.swing import Swing
from kinematics.learning.working import work_out

__all__ = [
    "LEVELS",
    "PIVOT_LEVEL",
    "AngleAnswer",
    "AngleFault",
    "Answer",
    "Calculation",
    "Diagnosis",
    "Digits",
    "Exercise",
    "Finding",
    "Level",
    "Line",
    "Mistake",
    "Number",
    "PivotAnswer",
    "PivotDiagnosis",
    "PivotExercise",
    "PivotFinding",
    "PivotMistake",
    "Probed",
    "Recomputed",
    "Support",
    "Swing",
    "Working",
    "carried_on",
    "classic_mistakes",
    "diagnose",
    "diagnose_pivots",
    "hand_bound_mm",
    "pattern_lines",
    "pivot_mistakes",
    "recompute",
    "set_exercise",
    "set_pivot_exercise",
    "stand_as_answered",
    "supported",
    "through_lines",
    "tip_lines",
    "why_not_by_hand",
    "work_out",
    "work_out_by_hand",
    "work_out_pivot",
    "written",
    "written_number",
]
