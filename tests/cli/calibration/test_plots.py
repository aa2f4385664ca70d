"""Pictures: each is what its ending says, readable without colour, and a name in it stays a name."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from kinematics import transform_points
from kinematics.calibration import fit_pivots, readings_from_rows
from tiltwright.calibration.plots import circles_about, fit_plot, nice
from tiltwright.files.loader import read_machine
from tiltwright.output.figure_style import as_file, label, new_figure

MAGIC = {".png": b"\x89PNG", ".pdf": b"%PDF-", ".svg": b"<?xml"}


@pytest.fixture
def readings(examples):
    return examples / "pivots" / "spring_check.csv"


def greys(svg):
    colours = re.findall(r"#([0-9a-fA-F]{6})\b", svg)
    assert colours
    return all(c[0:2] == c[2:4] == c[4:6] for c in colours)


@pytest.mark.parametrize("ending", MAGIC)
def test_a_fit(run, examples, readings, tmp_path, ending):
    picture = tmp_path / f"fit{ending}"
    args = ("pivot", "fit", readings, "-m", examples / "teaching_mill.toml", "--plot", picture)
    ended = run(*args)
    assert (ended.code, ended.err.count("\n")) == (0, 1)  # what was written, and nothing from the plotter
    content = picture.read_bytes()
    assert content.startswith(MAGIC[ending])
    assert run(*args).code == 2  # it is there already
    assert run(*args, "--force").code == 0
    assert picture.read_bytes() == content
    # The title is ours, and the plotting library signs nothing.
    assert b"tiltwright" in content
    assert b"matplotlib" not in content.lower()
    if ending == ".svg":
        ET.fromstring(content)
        assert greys(content.decode("utf-8"))  # grey is enough


def test_the_log(run, examples, readings, tmp_path):
    mill, picture = tmp_path / "mill.toml", tmp_path / "wander.svg"
    mill.write_bytes((examples / "teaching_mill.toml").read_bytes())
    assert run("pivot", "log", "-m", mill, "--plot", picture).code == 2
    run("pivot", "fit", readings, "-m", mill, "--write")
    run("pivot", "restore", 0, "-m", mill)
    assert run("pivot", "log", "-m", mill, "--plot", picture).code == 0
    svg = picture.read_text(encoding="utf-8")
    ET.fromstring(svg)
    assert greys(svg)


def fit_of(examples, name, poses, points, **kwargs):
    machine = read_machine(examples / "teaching_mill.toml").machine
    read = transform_points(machine, np.array(points)[:, None], poses)
    names = [f"{name} {i}" for i in range(len(points)) for _ in poses]
    kinds = ["ball"] * len(names)
    angles = [pose for _ in points for pose in poses]
    return fit_pivots(readings_from_rows(kinds, names, angles, read.reshape(-1, 3)), machine, **kwargs)


FORMULAS = ("$x^2$ _under", "__", "ポート", "a\\frac", "$")


def test_names_are_no_formulas(examples):
    poses = [[a, c] for a in (0.0, -45.0, -90.0) for c in (0.0, 90.0, 180.0)]
    fit = fit_of(examples, " ".join(FORMULAS), poses, [[-331.0, -203.4, -310.5]], sigma_mm=0.002)
    assert fit_plot(fit, "inch", ".png").startswith(MAGIC[".png"])


@pytest.mark.filterwarnings("ignore:.*[Gg]lyph")
@pytest.mark.parametrize("name", FORMULAS)
def test_a_label_is_no_formula(name):
    """A formula that cannot be set would end the drawing; one that can would be smaller than its letters."""
    drawn = []
    for text in (label(name), label(name).replace("\\$", "N")):
        figure = new_figure(3.0, 1.0)
        written = figure.text(0.1, 0.5, text)
        assert as_file(figure, ".png").startswith(MAGIC[".png"])
        drawn.append(written.get_window_extent().width)
    assert drawn[0] == pytest.approx(drawn[1], rel=0.2)


def test_a_rotary_that_stands_still_and_nothing_to_spare(examples):
    poses = [[0.0, 0.0], [0.0, 120.0]]
    fit = fit_of(examples, "ball", poses, [[-331.0, -203.4, -310.5]])
    assert fit.covariance is None
    assert fit_plot(fit, "mm", ".svg").startswith(MAGIC[".svg"])
    assert circles_about(fit, 0).still


def test_circles_are_circles(examples):
    """A ball keeps its distance from the line that turns it, whatever the other rotary does."""
    poses = [[a, c] for a in (0.0, -45.0, -90.0) for c in (0.0, 90.0, 180.0)]
    fit = fit_of(examples, "ball", poses, [[-331.0, -213.4, -310.5]], sigma_mm=0.002)
    about_c = circles_about(fit, 1)
    machine = fit.machine
    true = np.hypot(*(np.array([-331.0, -213.4]) - machine.rotaries[1].point_mm[:2]))
    assert about_c.radius_mm == pytest.approx(true, abs=1e-8)
    about_a = circles_about(fit, 0)
    for c in range(3):
        assert np.ptp(about_a.radius_mm[c::3]) < 1e-8
    assert replace(about_a, still=True).still


def test_nice_steps():
    assert [nice(v) for v in (1.0, 1.99, 2.0, 4.9, 5.0, 9.9, 0.0501)] == [1, 1, 2, 2, 5, 5, 0.05]
