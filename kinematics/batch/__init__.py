"""A batch of parts: control charts of what is probed, when to probe again, nests that sit apart, stubs, and the clock.

`charts` (individuals, EWMA, CUSUM), `change` (jump or drift, nests against each other),
`re_probing` (forecast, interval, and how surely a drift is seen), `zero_probing` (a part's zero from a few touches), `zero_shift` (that zero at every
tilt), `stub` (a part left on its stock), `production` (parts an hour, when the batch is done), `coating` (sizes to cut before it).
"""

from kinematics.batch.change import (
    SIGNIFICANT,
    Change,
    ChangeFit,
    ChangeKind,
    GroupShift,
    find_change,
    group_shifts,
)
from kinematics.batch.charts import (
    Baseline,
    ChartDesign,
    ChartRule,
    ChartState,
    ControlChart,
    Signal,
    baseline_of,
    continue_chart,
    control_chart,
)
from kinematics.batch.coating import CoatedKind, size_before_coating
from kinematics.batch.production import (
    BatchDay,
    BatchSchedule,
    BatchTimes,
    ShopHours,
    ToolLife,
    batch_schedule,
    cycle_minutes,
    tools_needed,
)
from kinematics.batch.re_probing import (
    SURELY_SEEN,
    DriftDetection,
    Forecast,
    ProbingInterval,
    drift_detection,
    forecast,
    probing_intervals,
)
from kinematics.batch.stub import Stub, StubLoad, breaking_force_n, stub_load, worst_stub_load
from kinematics.batch.zero_probing import PartTouch, ZeroProbing, centre_touch, part_shift, surface_touch
from kinematics.batch.zero_shift import (
    ClockingTerms,
    clocked_shift,
    clocking_response,
    clocking_terms,
    shift_response,
)

__all__ = [
    "SIGNIFICANT",
    "SURELY_SEEN",
    "Baseline",
    "BatchDay",
    "BatchSchedule",
    "BatchTimes",
    "Change",
    "ChangeFit",
    "ChangeKind",
    "ChartDesign",
    "ChartRule",
    "ChartState",
    "ClockingTerms",
    "CoatedKind",
    "ControlChart",
    "DriftDetection",
    "Forecast",
    "GroupShift",
    "PartTouch",
    "ProbingInterval",
    "ShopHours",
    "Signal",
    "Stub",
    "StubLoad",
    "ToolLife",
    "ZeroProbing",
    "baseline_of",
    "batch_schedule",
    "breaking_force_n",
    "centre_touch",
    "clocked_shift",
    "clocking_response",
    "clocking_terms",
    "continue_chart",
    "control_chart",
    "cycle_minutes",
    "drift_detection",
    "find_change",
    "forecast",
    "group_shifts",
    "part_shift",
    "probing_intervals",
    "shift_response",
    "size_before_coating",
    "stub_load",
    "surface_touch",
    "tools_needed",
    "worst_stub_load",
]
