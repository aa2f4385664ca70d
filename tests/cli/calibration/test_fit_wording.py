"""Sentences of `pivot fit`: every kind in both units, as the golden file has them; names are never touched."""

import json
from pathlib import Path

import numpy as np
import pytest

from kinematics import Machine, Platter, RotaryAxis, RotationSense
from kinematics.calibration import (
    AngleError,
    Blunder,
    CoordinateError,
    Drift,
    Estimate,
    FitDiagnostic,
    FixedParameter,
    Outlier,
    PlannedTarget,
    TargetKind,
    perturbed_machine,
    readings_from_rows,
    simulated_readings,
)
from tiltwright.calibration.fit_wording import (
    blunder_sentence,
    diagnostic_sentence,
    estimate_meaning,
    fixed_sentence,
    outlier_sentence,
)
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.loader import read_machine

GOLDEN = Path(__file__).with_name("fit_wording.txt")
"""After a change that is meant, write `sentences()` to it and read the difference."""

X, Y, SLANTED = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, np.sqrt(0.5), -np.sqrt(0.5))

MILL = Machine(
    "mill", (RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None),), Platter(face_mm=0.0)
)
READ = readings_from_rows(["ball"], ["ball 1"], [[0.0]], [[20.0, 0.0, 50.0]])
"""For blunders, whose sentences name neither."""

ESTIMATES = [
    *(Estimate("location error", name, 0.01, None, None, unit, ("A",))
      for name, unit in (("E_Y0A", "mm"), ("E_Z0A", "mm"), ("E_B0A", "deg"), ("E_C0A", "deg"))),
    *(Estimate("axis shift", name, 0.01, None, None, unit, ("C",))
      for name, unit in (("X", "mm"), ("B", "deg"), ("across 1", "mm"), ("lean 1", "deg"))),
    Estimate("distance", "distance", 0.01, None, None, "mm", ("A", "C")),
    Estimate("angle", "angle", 90.0, None, None, "deg", ("A", "C")),
    Estimate("tilt", "tilt", 0.01, None, None, "deg", ("C",), "platter"),
    Estimate("face height", "face", -350.0, None, None, "mm", ("C",), "platter"),
    Estimate("height above", "above", 50.0, None, None, "mm", ("A", "C"), "platter"),
]  # fmt: skip
FIXED = [
    FixedParameter("rotary not turned", "line", "A"),
    FixedParameter("rotary not turned", "line", "A", angle_deg=-30.0),
    FixedParameter("not determined", "position", "C"),
    FixedParameter("not determined", "direction", "C"),
    FixedParameter("component not determined", "position", "C", axes=(Y,)),
    FixedParameter("component not determined", "direction", "C", axes=(SLANTED,)),
    FixedParameter("combination only", "position", "C", axes=(X, Y)),
    FixedParameter("one direction only", "position", "A", axes=(SLANTED,), shift_mm=-0.0042),
    FixedParameter("conditional", "position", "C", sensitivity_mm=0.0123),
    FixedParameter("target direction", "direction", target="block", target_kind=TargetKind.FACE, axes=(X,), stated=True),
    FixedParameter("target direction", "direction", target="bore 12 mm", target_kind=TargetKind.BORE, axes=(Y,)),
]  # fmt: skip
OUTLIERS = [Outlier(6, 8, "ball 12 mm", 0.0512, 3.2e-7)]
ANGLE_ERRORS = [
    AngleError(
        "A",
        "once a turn",
        significant=True,
        p_value=1e-9,
        detectable_arcsec=12.0,
        size_arcsec=23.4,
        u_arcsec=2.1,
        largest_at_deg=141.2,
    ),
    AngleError(
        "A",
        "by a factor",
        significant=True,
        p_value=1e-9,
        detectable_arcsec=12.0,
        size_arcsec=161.8,
        u_arcsec=3.9,
        factor=1.0005,
    ),
]
DIAGNOSTICS = [
    FitDiagnostic("outside the travels", (2,), readings=3, axis="X", value_mm=331.0, low_mm=-760.0, high_mm=0.0,
                  sign_lost=True),
    FitDiagnostic("outside the travels", (2, 3), readings=3, axis="Z", value_mm=55.5, low_mm=-510.0, high_mm=0.0),
    FitDiagnostic("scatter", times_stated=23.4567),
    FitDiagnostic("scatter", scatter_mm=0.512),
    FitDiagnostic("far from the machine file", letter="C", shift_mm=820.3),
    FitDiagnostic("far from the machine file", letter="C", tilt_deg=1.234),
    FitDiagnostic("gross outlier", (8,), outliers=tuple(OUTLIERS)),
    FitDiagnostic("gross outlier", (8, 9), outliers=(*OUTLIERS, *OUTLIERS)),
    *(FitDiagnostic("angle error", letter="A", angle_error=one) for one in ANGLE_ERRORS),
    *(FitDiagnostic("drift", drift=Drift(by, significant=True, p_value=1e-9, shift_mm=(0.03, -0.0111, 0.0), size_mm=0.032, u_mm=0.003))
      for by in ("order", "temperature")),
    FitDiagnostic("partly determined", certain=False, letter="A", names=("Y", "Z")),
]  # fmt: skip


def blunders():
    def one(kind, **values):
        return Blunder(kind, READ, MILL, **values)

    z = CoordinateError("Z", 310.0, -310.0)
    y = CoordinateError("Y", -20.0, -508.0)
    single = {"target": "ball 12 mm", "rows": (14,)}
    return [
        one("sense reversed", letters=("C",), scatter_mm=(12.0, 0.0031)),
        one("sense reversed", letters=("A", "C")),
        one("columns swapped", letters=("A", "C"), scatter_mm=(12.0, 0.0031)),
        one("inches for millimetres"),
        one("millimetres for inches"),
        one("targets confused", target="ball 1", other_target="ball 2", rows=(3,), scatter_mm=(1.0, 0.003)),
        one("targets confused", target="ball 1", other_target="ball 2", rows=(3, 5)),
        one("target slipped", target="ball 1", targets=("ball 1",), rows=(7, 8), size_mm=0.31234),
        one("zero moved", rows=(7, 8), size_mm=0.31234, shift_mm=(0.3, -0.0866, 0.0)),
        one(
            "zero moved",
            rows=(7, 8),
            size_mm=0.31234,
            shift_mm=(0.3, -0.0866, 0.0),
            first_rows=(6, 7),
            certain=False,
        ),
        one("zero moved repeatedly", rows=(7, 12), size_mm=0.31234, shift_mm=(0.3, -0.0866, 0.0)),
        one("radius left on", targets=("platter",), rows=(7, 8), size_mm=2.0),
        one("radius left on", targets=("platter", "block"), rows=(7, 8), size_mm=2.0, certain=False),
        one("ball read at its top", targets=("ball 12 mm",), rows=(7, 8), size_mm=6.35),
        one("coordinates swapped", axes=("X", "Y")),
        one("sign wrong", coordinates=(z,), **single),
        one("sign wrong", coordinates=(z, z), **single),
        one("coordinates swapped", coordinates=(y, z), **single),
        one("inches in one row", coordinates=(y,), **single),
        one("millimetres in one row", coordinates=(y,), **single),
        one("reading far off", coordinates=(y, z), size_mm=40.0, **single),
        one("reading far off", size_mm=40.0, **single),
    ]


def sentences():
    lines = [estimate_meaning(one) for one in ESTIMATES]
    for units in ("mm", "inch"):
        lines += ["", units]
        lines += [fixed_sentence(one, units) for one in FIXED]
        lines += [outlier_sentence(one, units) for one in OUTLIERS]
        lines += [diagnostic_sentence(one, units) for one in DIAGNOSTICS]
        lines += [blunder_sentence(one, units) for one in blunders()]
    return "\n".join(lines) + "\n"


def test_every_kind_reads_as_the_golden_file_has_it():
    assert sentences() == GOLDEN.read_text(encoding="utf-8")


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_a_target_named_with_a_length_keeps_its_name_in_an_inch_report(run, examples, tmp_path, form):
    mill = tmp_path / "mill.toml"
    mill.write_bytes((examples / "teaching_mill.toml").read_bytes())
    nominal = read_machine(mill).machine
    targets = [PlannedTarget("ball 12 mm", TargetKind.BALL, np.array([[-331.0, -203.4, -310.5]]))]
    poses = np.array([[a, c] for a in (0.0, -30.0, -60.0) for c in (0.0, 90.0, 180.0, 270.0)])
    readings = simulated_readings(perturbed_machine(nominal, 3), targets, poses, 0.002, 3)
    points = np.array(readings.points_mm)
    points[5, 1] += 0.5
    text = readings_csv(readings, nominal, "mm").splitlines()
    cells = text[6].split(",")
    cells[5] = f"{points[5, 1]:.4f}"
    text[6] = ",".join(cells)
    table = tmp_path / "readings.csv"
    table.write_text("\n".join(text) + "\n", encoding="utf-8")
    ended = run("pivot", "fit", table, "-m", mill, "--units", "inch", *form)
    assert ended.code == 1
    assert "ball 12 mm" in ended.out
    assert "inch" in ended.out
    assert "ball 0.4" not in ended.out
    if form:
        report = json.loads(ended.out)
        assert {one["target"] for one in report["readings"]} == {"ball 12 mm"}
        assert all("ball 12 mm" in one["why"] for one in report["suspects"])
