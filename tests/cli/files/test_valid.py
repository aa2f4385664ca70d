"""Values read from sound files; the expected ones are worked out by hand from the files in `valid/`."""

from pathlib import Path

import numpy as np
import pytest

from kinematics import RotationSense, place_operations
from tiltwright.files.loader import fault_at, read_job, read_machine
from tiltwright.files.units import Unit

FOLDER = Path(__file__).parent / "valid"
FILES = sorted(FOLDER.glob("*.toml"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_reads(path: Path) -> None:
    read = read_job if path.name.startswith("job") else read_machine
    assert read(path).file.name


def test_machine_in_mm() -> None:
    read = read_machine(FOLDER / "machine-ac.toml")
    tilt, turn = read.machine.rotaries
    assert read.unit is Unit.MM
    assert read.machine.name == "Bench mill with a bolt-on tilting table"
    assert read.machine.letters == ("A", "C")
    assert tilt.point_mm.tolist() == [-250.0, -150.5, -320.25]
    assert tilt.direction.tolist() == [1.0, 0.0, 0.0]
    assert tilt.positive_turn is RotationSense.CLOCKWISE
    assert tilt.limits_deg == (-110.5, 45.0)
    assert tilt.zero_deg == 0.5
    assert turn.positive_turn is RotationSense.COUNTERCLOCKWISE
    assert turn.limits_deg is None
    assert turn.zero_deg == 0.0
    assert turn.direction == pytest.approx(np.array([0.0001, -0.00005, 1.0]), abs=1e-8)
    assert read.machine.platter.face_mm == -290.75
    assert read.machine.platter.diameter_mm == 125.0
    assert read.machine.travel is not None
    assert read.machine.travel.low_mm.tolist() == [-500.0, -300.0, -400.0]
    assert read.machine.travel.high_mm.tolist() == [0.0, 0.0, 0.0]
    assert read.machine.z_reference.tool_length_mm is None


def test_machine_in_inches() -> None:
    """Lengths times 25.4; angles, directions and the model's own values stay as they are."""
    read = read_machine(FOLDER / "machine-inch.toml")
    assert read.unit is Unit.INCH
    assert read.machine.rotaries[0].point_mm.tolist() == [254.0, 127.0, 50.8]
    assert read.machine.rotaries[0].direction.tolist() == [0.0, -1.0, 0.0]
    assert read.machine.rotaries[0].limits_deg == (-30.0, 120.0)
    assert read.machine.platter.face_mm == pytest.approx(88.9, rel=1e-15)
    assert read.machine.z_reference.tool_length_mm == pytest.approx(101.6, rel=1e-15)
    assert read.machine.travel is None
    assert read.file.rotary[0].point == (10.0, 5.0, 2.0)


def test_indexer_needs_no_platter() -> None:
    machine = read_machine(FOLDER / "machine-indexer.toml").machine
    assert machine.letters == ("A",)
    assert machine.platter.face_mm is None


def test_job() -> None:
    job = read_job(FOLDER / "job-ports.toml")
    assert job.file.revision == "B"
    assert job.file.notes == ("deburr the rim first", "seat is 12 mm deep")
    assert job.file.aim_within == 0.02
    assert job.machine.letters == ("A", "C")
    assert job.setup.rotary_offset_deg.tolist() == [0.0, 0.35]
    assert [step.name for step in job.steps] == ["sub-plate", "angle plate"]
    assert job.steps[1].up_mm == 95.0
    assert job.steps[1].shift_mm == (0.015, -0.008)
    assert job.steps[1].rotate == (("x", 0.0), ("z", 0.5))
    assert job.steps[1].turn_deg == -0.5
    face, port, chamfer, plate = job.operations
    assert face.program_deg == (-1.5, 0.0)
    assert face.work_offset == 1
    assert face.origin_mm.tolist() == [0.0, 0.0, 0.0]
    assert (port.count, port.step_deg, port.work_offset, port.tilt) == (6, 60.0, 2, "negative")
    assert port.origin_mm.tolist() == [0.0, -18.0, -12.0]
    assert port.when_singular == "keep"
    assert dict(chamfer.held_deg) == {"C": 30.0}
    assert chamfer.when_singular == "line up x"
    # z turned 60, then x by 35: the normal is sin 35 away from z, toward -y of the turned frame
    sine, cosine = np.sin(np.radians(35.0)), np.cos(np.radians(35.0))
    assert chamfer.plane is not None
    assert chamfer.plane.normal == pytest.approx(
        np.array([sine * np.sqrt(0.75), -sine / 2.0, cosine]), abs=1e-15
    )
    assert plate.plane is not None
    assert plate.plane.normal @ np.array([10.0, 0.0, 2.0]) == pytest.approx(0.0, abs=1e-14)
    assert job.touched is not None
    assert job.touched.at_mm.tolist() == [-250.1, -150.2, -175.7]
    assert job.touched.machine_deg.tolist() == [0.5, 0.0]
    assert (job.touched.use, job.touched.within_mm) == ("touched", 0.05)


def test_inch_job() -> None:
    job = read_job(FOLDER / "job-inch.toml")
    assert job.steps[0].up_mm == 50.8
    assert job.steps[0].shift_mm == pytest.approx((12.7, 6.35), rel=1e-15)
    assert job.operations[0].origin_mm == pytest.approx(np.array([25.4, 50.8, 76.2]), rel=1e-15)
    assert job.touched is not None
    assert job.touched.at_mm == pytest.approx(np.array([254.0, 127.0, 139.7]), rel=1e-15)
    assert job.touched.within_mm == pytest.approx(0.0254, rel=1e-15)
    # the riser is turned 10 degrees counterclockwise, and C turns clockwise: program 0 stands at machine 10
    assert job.setup.rotary_offset_deg == pytest.approx(np.array([0.0, 10.0]), abs=1e-12)
    # part zero: C's line at (10, 5), platter at 3.5, riser 2 high and shifted (0.5, 0.25) inch
    offset = job.setup.work_offset([0.0, 0.0, 0.0], [0.0, 0.0])
    assert offset / 25.4 == pytest.approx(np.array([10.5, 5.25, 5.5]), abs=1e-12)


def test_operations_can_be_placed() -> None:
    job = read_job(FOLDER / "job-inch.toml")
    placement = place_operations(job.setup, job.operations, job.file.aim_within)
    assert [placed.name for placed in placement.placed] == ["top", "slot 1", "slot 2"]


def test_machine_path_is_seen_from_the_job_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert read_job(FOLDER / "job-bare.toml").machine.letters == ("A",)


def test_a_later_fault_is_located() -> None:
    job = read_job(FOLDER / "job-ports.toml")
    fault = fault_at(job, ("operation", 1, "work_offset"), "2, with other values", "one value")
    text = (FOLDER / "job-ports.toml").read_text("utf-8").splitlines()
    assert fault.line == text.index("work_offset = 2") + 1
    assert fault.key == "operation 2, work_offset"
    assert fault.file.endswith("job-ports.toml")
