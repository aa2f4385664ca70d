"""The page's numbers against the library's: sines, sums, and every digit that is printed."""

import json
from itertools import product

import numpy as np
import pytest

from kinematics import angle_products, sincos_deg
from tiltwright.job.evaluate import evaluate_job
from tiltwright.output import numbers

JOBS = ("tide_gauge_head", "mast_cap", "float_slots", "buoy_bracket")


def test_rounding_of_ties_and_of_anything(opened, examples):
    browser = opened(examples / "buoy_bracket.toml")
    rng = np.random.default_rng(7)
    ties = [k / 2.0**n for k, n in product(range(-301, 302, 2), range(1, 13))]
    near = [tie + step for tie in ties[::5] for step in (1e-12, -1e-12, 4e-10, -6e-10)]
    values = [
        *ties,
        *near,
        *rng.normal(scale=400.0, size=2000).tolist(),
        0.0,
        -0.0,
        -0.00004,
        1e5 + 0.0005,
        -1e-10,
    ]
    for decimals in (0, 3, 4, 9):
        found = browser.js(f"{json.dumps(values)}.map(v => fixed(v, {decimals}))")
        assert found == [numbers.fixed(value, decimals) for value in values]
    for units in ("mm", "inch"):
        page = json.dumps({"unit_mm": numbers.UNIT_MM[units], "decimals": numbers.DECIMALS[units]})
        found = browser.js(f"{json.dumps(values)}.map(v => lengthText(v, {page}))")
        assert found == [numbers.length(value, units) for value in values]


def test_general_numbers_and_typed_ones(opened, examples):
    browser = opened(examples / "buoy_bracket.toml")
    values = [-120.0, 30.0, 0.35, 360.0, -30.123456, 1234567.0, 1 / 3, 0.0]
    assert browser.js(f"{json.dumps(values[:5])}.map(general)") == [f"{value:g}" for value in values[:5]]
    typed = {
        "-30": -30,
        " 12,5": 12.5,
        "\u22127.25": -7.25,
        "+3.": 3,
        ".5": 0.5,
        "12a": None,
        "": None,
        "1e3": None,
        "--1": None,
    }
    assert browser.js(f"{json.dumps(list(typed))}.map(typedNumber)") == list(typed.values())


def test_sines_are_the_library_s(opened, examples):
    browser = opened(examples / "buoy_bracket.toml")
    angles = [
        *np.random.default_rng(3).uniform(-1000.0, 1000.0, 500).tolist(),
        0.0,
        90.0,
        -90.0,
        180.0,
        270.0,
        45.0,
        36000.1,
    ]
    found = np.array(browser.js(f"{json.dumps(angles)}.map(sincosDeg)"))
    np.testing.assert_allclose(found, np.stack(sincos_deg(angles), axis=-1), rtol=0.0, atol=3e-16)
    assert found[-6].tolist() == [1, 0]


@pytest.mark.parametrize("name", JOBS)
def test_every_printed_digit_at_any_pose(opened, examples, name):
    """A slice of the 10,000 poses of `tests/benchmarks/page_digits.py`."""
    browser = opened(examples / f"{name}.toml")
    evaluated = evaluate_job(str(examples / f"{name}.toml"))
    machine, units = evaluated.setup.machine, evaluated.job.unit.value
    rng = np.random.default_rng(11)
    ends = np.array([rotary.limits_deg or (-360.0, 360.0) for rotary in machine.rotaries])
    program = np.round(
        rng.uniform(*(ends - evaluated.setup.rotary_offset_deg[:, None]).T, (60, len(ends))), 4
    )
    for choice, one in enumerate(evaluated.operations):
        browser.js(f"shownPage.choose({choice})")
        own = browser.js("shownPage.now.texts")
        assert own == list(numbers.lengths(one.placed.offset_mm, units))
        found = browser.js(
            f"{json.dumps(program.tolist())}.map(p => shownPage.model.at({choice}, p)).map(v => "
            "[v.texts, ...v.arms.map(a => [...a.arm, a.radius].map(x => lengthText(x, shownPage.page)))])"
        )
        machine_deg = evaluated.setup.machine_deg(program)
        offsets = evaluated.setup.work_offset(one.placed.origin_mm, machine_deg)
        assert [row[0] for row in found] == [list(numbers.lengths(offset, units)) for offset in offsets]
        first = machine.rotaries[0]
        arms = offsets - first.point_mm
        arms -= (arms @ first.direction)[:, None] * first.direction
        assert [row[1][3] for row in found] == [
            numbers.length(r, units) for r in np.linalg.norm(arms, axis=-1)
        ]


def test_products_are_the_library_s(opened, examples):
    browser = opened(examples / "tide_gauge_head.toml")
    machine = evaluate_job(str(examples / "tide_gauge_head.toml")).setup.machine
    found = browser.js("angleProducts(shownPage.page.rotaries, [-31.25, 77.5])")
    np.testing.assert_allclose(found, angle_products(machine, [-31.25, 77.5]), rtol=0.0, atol=1e-15)
