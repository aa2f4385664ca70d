"""The first check stands above everything that is stated, also where no tool is."""

import numpy as np
import pytest

from kinematics import table_frame, table_pose
from tiltwright.job.evaluate import evaluate_job
from tiltwright.sheet.check_height import check_heights


@pytest.mark.parametrize(("name", "margin_mm"), [("float_slots", 10.16), ("tide_gauge_head", 10.0)])
def test_no_point_of_the_platter_s_edge_stands_above_the_tip(examples, name, margin_mm):
    evaluated = evaluate_job(str(examples / f"{name}.toml"))
    units = evaluated.job.unit.value
    machine = evaluated.setup.machine
    turn = np.linspace(0.0, 2.0 * np.pi, 721)
    rim = machine.platter.diameter_mm / 2.0 * np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], axis=-1)
    for one, height_mm in zip(
        evaluated.operations, check_heights(evaluated, None, units).heights_mm, strict=True
    ):
        edge = table_pose(machine, one.placed.machine_deg).apply(table_frame(machine).apply(rim))
        assert height_mm >= edge[:, 2].max() - one.placed.offset_mm[2] + margin_mm - 1e-6


def test_the_corners_of_a_stated_bar_count(job):
    text = (
        'name = "Float"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "block"\nup = 60.0\n'
        'bar = [200.0, 200.0]\n[[operation]]\nname = "port"\nat = { A = -60, C = 0 }\n'
    )
    heights = {}
    for bar in ("bar = [200.0, 200.0]\n", ""):
        evaluated = evaluate_job(str(job(text.replace("bar = [200.0, 200.0]\n", bar))))
        heights[bool(bar)] = check_heights(evaluated, None, "mm").heights_mm[0]
    # The bar's upper edge lies 100 mm from part zero: 100 sin 60 = 86.6 above it (derived here), and 10 on top.
    assert 96.6 <= heights[True] <= 101.7
    assert heights[False] < heights[True]
