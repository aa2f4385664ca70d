"""Every digit that the page prints against the library's, at 10,000 poses: all example jobs and 20 random machines.

Run by hand, from the repository's top: ``python -m tests.benchmarks.page_digits [POSES]``. It takes chromium.
"""

import json
import sys
import tempfile
from pathlib import Path

import numpy as np

from kinematics import point_coefficients, transform_points
from tiltwright.job.evaluate import evaluate_job
from tiltwright.output import numbers
from tiltwright.page.assemble import setup_html
from tiltwright.page.contract import machine_part, setup_page

TOP = Path(__file__).parents[2]
JOBS = ("tide_gauge_head", "mast_cap", "float_slots", "buoy_bracket")
sys.path[:0] = [str(TOP / "tests" / "cli" / "page"), str(TOP / "tests" / "kinematics")]


def of_a_job(browser, name, count, rng):
    """Numbers compared and those that differ, of the page of an example."""
    evaluated = evaluate_job(str(TOP / "examples" / f"{name}.toml"))
    units, setup = evaluated.job.unit.value, evaluated.setup
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "page.html"
        path.write_text(setup_html(setup_page(evaluated, units)), encoding="utf-8")
        browser.open(path)
    ends = np.array([one.limits_deg or (-360.0, 360.0) for one in setup.machine.rotaries])
    program = np.round(rng.uniform(*(ends - setup.rotary_offset_deg[:, None]).T, (count, len(ends))), 4)
    # A third of them at round angles, where ties at the last digit lie.
    program[::3] = np.clip(np.round(program[::3] / 5.0) * 5.0, *(ends - setup.rotary_offset_deg[:, None]).T)
    compared = wrong = 0
    for choice, one in enumerate(evaluated.operations):
        found = browser.js(
            f"{json.dumps(program.tolist())}.map(p => shownPage.model.at({choice}, p).origin.map(v => lengthText(v, shownPage.page)))"
        )
        offsets = setup.work_offset(one.placed.origin_mm, setup.machine_deg(program))
        wanted = [list(numbers.lengths(offset, units)) for offset in offsets]
        compared += 3 * count
        wrong += sum(
            a != b for row, right in zip(found, wanted, strict=True) for a, b in zip(row, right, strict=True)
        )
    return compared, wrong


def of_a_machine(browser, machine, count, rng):
    """The same of a random machine, by the page's numbers alone."""
    point = np.round(rng.uniform(-300.0, 300.0, 3), 3)
    angles = np.round(rng.uniform(-400.0, 400.0, (count, len(machine.rotaries))), 4)
    compared = wrong = 0
    for units in ("mm", "inch"):
        part = {**machine_part(machine, units), "carried": point_coefficients(machine, point).tolist()}
        found = browser.js(
            f"((d, all) => all.map(a => carriedPoint(d.carried, angleProducts(d.rotaries, a)).map(v => lengthText(v, d))))"
            f"({json.dumps(part)}, {json.dumps(angles.tolist())})"
        )
        wanted = [list(numbers.lengths(at, units)) for at in transform_points(machine, point, angles)]
        compared += 3 * count
        wrong += sum(
            a != b for row, right in zip(found, wanted, strict=True) for a, b in zip(row, right, strict=True)
        )
    return compared, wrong


def main():
    from chromium import Chromium
    from samples import random_machine

    poses = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    each, rng = -(-poses // (len(JOBS) + 20)), np.random.default_rng(20)
    browser, total, bad = Chromium(320, 240), 0, 0
    try:
        for name in JOBS:
            compared, wrong = of_a_job(browser, name, each, rng)
            sys.stdout.write(f"{name}: {compared} numbers, {wrong} differ\n")
            total, bad = total + compared, bad + wrong
        for _ in range(20):
            compared, wrong = of_a_machine(browser, random_machine(rng), each, rng)
            total, bad = total + compared, bad + wrong
    finally:
        browser.close()
    sys.stdout.write(f"all, with 20 random machines: {total} numbers at {each * 24} poses, {bad} differ\n")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
