"""The sheet holds what the setup gives, in the sheet's unit, with nothing left out."""

from __future__ import annotations

import json
import re
from dataclasses import astuple, replace

import numpy as np
import pytest

from kinematics import (
    Machine,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    table_frame,
    table_pose,
)
from tiltwright.calibration.calibration_log import log_path
from tiltwright.sheet import typeset
from tiltwright.sheet.build import build_sheet
from tiltwright.sheet.wording import calibration_words, square_up_words

from .arms_length import faults_of
from .conftest import HEAD, SETUPS, TOUCHED, TRUNNION, text_of


def every_text(value) -> list[str]:
    if isinstance(value, str):
        return [value]
    return [text for part in value for text in every_text(part)] if isinstance(value, tuple) else []


@pytest.mark.parametrize("setup", SETUPS)
@pytest.mark.parametrize("units", ["mm", "inch"])
def test_offsets_are_the_carried_origins(work, setup, units):
    worked = work(*SETUPS[setup])
    sheet = build_sheet(worked, date="d", version="v", units=units)
    per = 25.4 if units == "inch" else 1.0
    for row, one in zip(sheet.operations, worked.operations, strict=True):
        # the same point by poses, where the library goes by a polynomial in the sines
        pose = table_pose(worked.setup.machine, one.placed.machine_deg) @ table_frame(worked.setup.machine)
        origin = (pose @ worked.setup.part_in_table).apply(one.placed.origin_mm) / per
        assert row.offset == tuple(f"{value:.{3 if units == 'mm' else 4}f}" for value in origin + 0.0)
        assert row.machine == tuple(f"{value:.4f}" for value in one.placed.machine_deg + 0.0)


@pytest.mark.parametrize("setup", SETUPS)
def test_what_the_display_must_show(make, setup):
    sheet = make(*SETUPS[setup])
    for row, check in zip(sheet.operations, sheet.verify, strict=True):
        assert check.display[:2] == row.offset[:2]
        assert float(check.display[2]) == pytest.approx(float(row.offset[2]) + float(check.height), abs=1e-9)
        assert (check.register, check.program, check.over) == (row.register, row.program, row.origin)
        assert check.machine == row.machine


def test_no_minus_stands_before_a_zero(make):
    for setup in SETUPS.values():
        for text in every_text(astuple(make(*setup))):
            assert not re.search(r"-0\.?0*(?![\d.])", text), text


def test_the_same_numbers_stand_in_the_block_that_loads_them(make):
    sheet = make()
    (block,) = sheet.load
    assert block.lines[0].startswith("G21")
    # The highest work offset is loaded first, and a sheet with plain ones alone says why as well.
    (plain,) = make(*SETUPS["foot"]).load
    assert "It is set first, so that a control without it refuses" in plain.when
    for number, (row, line) in enumerate(zip(sheet.operations, block.lines[:0:-1], strict=True), 1):
        words = dict(re.findall(r"([XYZAC])(-?[\d.]+)", line.split("(")[0]))
        assert line.startswith(f"G10 L2 P{number} ")
        assert tuple(words[axis] for axis in "XYZ") == row.offset
        assert tuple(words[letter] for letter in "AC") == row.rotary_offset == ("0.0000", "0.3500")


def test_more_operations_than_offsets_are_set_before_each(make):
    sheet = make(job=HEAD.replace("count = 6, step = 60.0", "count = 40, step = 9.0"))
    assert sheet.before_each
    assert len(sheet.load) == len(sheet.operations) == 42
    assert all(len(block.lines) == 2 for block in sheet.load)
    assert sheet.load[3].when == "Before operation 4. port 3"
    assert any("set its work offset and select it" in words for words in sheet.verify_words)


def test_the_words_of_the_block_stand_in_columns(make):
    (block,) = make(*SETUPS["foot"]).load
    (first, *others) = block.lines[1:]
    assert others
    for line in others:
        assert [at for at, c in enumerate(line) if c.isalpha()] == [
            at for at, c in enumerate(first) if c.isalpha()
        ]


def test_the_rotary_offset_squares_the_part_up_and_is_explained(make):
    sheet = make()
    assert sheet.operations[0].directions == ("part +X", "part +Y", "part +Z")
    assert sheet.operations[0].machine == ("0.0000", "0.3500")
    (given,) = (given for given in sheet.givens if given.startswith("C offset 0.3500: from the stack"))
    assert "the part's x lies along machine X" in given
    assert "seen along" not in given


def test_an_indexer_along_x_is_squared_up_by_the_parts_y():
    a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None)
    machine = Machine("indexer", (a,), Platter(face_mm=0.0))
    tipped = StackStep("part", rotate=(("x", 0.35), ("y", 1.0)))
    setup = Setup.from_stack(machine, [tipped]).aligned("A")
    (words,) = square_up_words(setup, {"A": None})
    assert "the part's y lies along machine Y" in words
    (words,) = square_up_words(
        Setup.from_stack(machine, [StackStep("part", rotate=(("z", 1.0),))]), {"A": None}
    )
    assert "machine Y, seen along A's line" in words


def test_without_squaring_up_the_clocking_is_stated(make):
    sheet = make(job=HEAD.replace('square_up = "C"', ""))
    assert sheet.operations[0].directions == ("part +X, 0.35° off", "part +Y, 0.35° off", "part +Z")
    assert "A offset and C offset: zero, so program angles are machine angles." in sheet.givens


def test_a_planes_own_x_and_a_free_rotary_are_told(make):
    job = HEAD.replace('tip = [["z", 60.0], ["x", 35.0]]', "normal = [0, 0, 1]")
    assert make().operations[-1].remarks[0].startswith("the plane's own x lies 180.0000° from machine +X")
    (remark,) = make(job=job).operations[-1].remarks
    assert "program C 300.0000" in remark


def test_a_touched_off_part_zero_is_held_against_the_stack(make):
    sheet = make(job=HEAD + TOUCHED)
    assert sheet.touch is not None
    difference = np.array([float(value) for value in sheet.touch.rows[2][1:]])
    assert difference == pytest.approx([0.010, -0.020, 0.150], abs=1.5e-3)
    assert "0.152" in sheet.touch.words[1]
    assert "MORE THAN the 0.020 mm" in sheet.touch.words[1]
    assert sheet.operations[0].offset == ("-381.000", "-203.433", "-178.946")
    assert any("the job allows 0.020 mm" in alert for alert in sheet.alerts)
    assert any(given.startswith("Part zero is as touched off") for given in sheet.givens)


def test_an_operation_that_is_not_reached_is_not_passed_over(make):
    sheet = make(job=HEAD.replace('["x", 35.0]', '["x", -170.0]'))
    assert "chamfer" not in [row.name for row in sheet.operations]
    assert any(alert.startswith("chamfer: not reached: ") for alert in sheet.alerts)


def test_an_offset_beyond_the_travels_is_told_on_top(make):
    sheet = make(TRUNNION.replace("y = [-410.0, 0.0]", "y = [-410.0, -150.0]"))
    (told,) = [alert for alert in sheet.alerts if "OUT OF TRAVEL" in alert]
    assert told.startswith("port 1 to port 6: OUT OF TRAVEL: Y -111.")
    assert told.endswith("is outside -410.000 to -150.000")
    values = [words for one in sheet.operations for words in one.beyond_travel]
    assert "OUT OF TRAVEL: Y -111.490 is outside -410.000 to -150.000" in values
    assert not [alert for alert in make().alerts if "OUT OF TRAVEL" in alert]


def test_senses_and_z_reference_are_among_the_givens(make):
    head, foot = make(), make(*SETUPS["foot"])
    assert any(
        "A: the table turns clockwise" in given and "seen from the right" in given for given in head.givens
    )
    assert any(
        "C: the table turns counterclockwise" in given and "seen from above" in given for given in foot.givens
    )
    assert any("along (0.000100, 0.000000, 1.000000)" in given for given in foot.givens)
    assert any("reference tool, 4.0000 long" in given for given in foot.givens)
    assert any("Clearance" in given and "not checked" in given for given in head.givens)
    assert any("does not claim that the setup is safe" in caution for caution in head.cautions)


def test_the_calibration_log_is_summed_up_in_one_line(work, make):
    assert "never measured" in make().calibration
    evaluated = work()
    path = evaluated.job.machine_file.path
    lines = {
        letter: {"point": list(point), "along": along}
        for letter, point, along in (
            ("A", (-381.0, -203.412, -406.118), "+X"),
            ("C", (-381.025, -203.405, -356.112), "+Z"),
        )
    }
    record = {
        "schema": "tiltwright.calibration/1",
        "date": "2026-11-20T08:14:00+00:00",
        "action": "fit",
        "units": "mm",
        "who": "the morning shift",
        "before": lines,
        "lines": lines,
        "result": {
            "rotary": [{"letter": "A", "u_point": [0.0, 0.0021, 0.0012]}, {"letter": "C", "u_point": None}]
        },
    }
    log = log_path(path)
    try:
        log.write_text(json.dumps(record) + "\n", "utf-8")
        assert calibration_words(evaluated.job.machine_file, "mm") == (
            "rotaries' lines measured 2026-11-20 08:14 by the morning shift, standard uncertainty A 0.002 mm"
        )
        log.write_text(json.dumps(record | {"lines": lines | {"A": lines["C"]}, "who": None}) + "\n", "utf-8")
        assert calibration_words(evaluated.job.machine_file, "inch") == (
            "rotaries' lines measured 2026-11-20 08:14, nobody named, standard uncertainty A 0.0001 in; "
            "THE MACHINE FILE WAS CHANGED SINCE"
        )
        log.write_text("not a record\n", "utf-8")
        assert "cannot be read" in calibration_words(evaluated.job.machine_file, "mm")
    finally:
        log.unlink()


def test_a_budget_and_a_nest_have_their_place(make):
    sheet = make()
    first = replace(sheet.operations[0], expanded=("0.012", "0.013", "0.014"), nest="left")
    shown = replace(sheet, operations=(first, *sheet.operations[1:]), nest="left")
    assert "+/-0.013" in text_of(shown)
    assert "nest left" in text_of(shown)
    with_them, without = (len(typeset.pdf(one)) for one in (shown, sheet))
    assert with_them > without
    assert faults_of(typeset.pdf(shown), shown) == []
