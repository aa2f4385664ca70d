"""Numbers that the schema repeats, so as to need no numpy, agree with the library's."""

import math

import msgspec
import pytest

from kinematics import (
    AIM_WITHIN_DEG,
    KinematicsError,
    RotaryAxis,
    RotationSense,
    is_horizontal,
    work_offset_code,
)
from tiltwright.files.checks import check_machine
from tiltwright.files.job_file import LAST_WORK_OFFSET, JobFile
from tiltwright.files.machine_file import MachineFile
from tiltwright.files.schema_types import decode_field


def test_the_last_work_offset():
    work_offset_code(LAST_WORK_OFFSET)
    with pytest.raises(KinematicsError):
        work_offset_code(LAST_WORK_OFFSET + 1)


def test_how_far_an_aimed_direction_may_miss():
    (default,) = (field.default for field in msgspec.structs.fields(JobFile) if field.name == "aim_within")
    assert default == AIM_WITHIN_DEG


AT_60_DEGREES = [math.cos(math.radians(60.0)), 0.5, math.nextafter(0.5, 0.0), 0.5 - 1e-12]


@pytest.mark.parametrize("upright", AT_60_DEGREES)
def test_a_line_at_60_degrees_stands_upright_however_it_was_rounded(upright):
    for scale in (1.0, 3.0, 0.7):
        direction = (scale * math.sqrt(1.0 - upright**2), 0.0, scale * upright)
        rotary = RotaryAxis("C", (0.0, 0.0, 0.0), direction, RotationSense.CLOCKWISE, None)
        assert not is_horizontal(rotary)


@pytest.mark.parametrize(
    "upright", [-1.0, -0.501, -0.499, 0.0, 0.1, 0.3, 0.499, *AT_60_DEGREES, 0.501, 0.6, 0.8, 1.0]
)
def test_which_rotary_lies_flat(upright):
    direction = (math.sqrt(1.0 - upright**2), 0.0, upright)
    rotary = RotaryAxis("C", (0.0, 0.0, 0.0), direction, RotationSense.CLOCKWISE, None)
    data = {
        "name": "mill",
        "units": "mm",
        "z_reference": "gauge line",
        "rotary": [
            {
                "letter": "C",
                "direction": list(direction),
                "positive_turn": "clockwise",
                "point": [0.0, 0.0, 0.0],
                "limits": "endless",
            }
        ],
    }
    file = msgspec.convert(data, MachineFile, dec_hook=decode_field)
    wants_a_face = ("platter", "face") in {fault.path for fault in check_machine(file)}
    assert wants_a_face is not is_horizontal(rotary)
