"""`batch program`: probing programs run on a simulated control, held against the library; and parts that must stop them.

A slice of random shops; `python tests/cli/batch/prove_program.py 2000` runs as many parts as it is told.
"""

import json

import numpy as np
import pytest

from probed_shop import Compared, Lying, compare, control_of, lying, shop, stopped

# Lengths are written with seven decimals of a millimetre, coefficients with nine.
WITHIN_MM = 1e-6


@pytest.mark.parametrize("seed", range(8))
def test_the_program_sets_what_the_library_says_of_parts_as_they_lie(tmp_path, seed):
    rng = np.random.default_rng(seed)
    found = shop(rng, tmp_path)
    into = Compared()
    for _ in range(2):
        hows = [lying(rng, found, nest) for nest in found.parts.nests]
        control = control_of(found, hows, seen=seed % 4 == 0)
        assert stopped(found, control) is None
        compare(found, control, hows, 1, into)
    assert into.numbers
    assert into.other_digits == 0
    assert into.farthest_mm < WITHIN_MM


@pytest.mark.parametrize("seed", range(20, 24))
def test_a_part_beyond_its_limits_stops_the_program(tmp_path, seed):
    rng = np.random.default_rng(seed)
    kind = "edges and clocking" if seed % 2 else None
    found = shop(rng, tmp_path, kind=kind)
    fine = [lying(rng, found, nest) for nest in found.parts.nests]
    for k, nest in enumerate(found.parts.nests):
        for how in beyond(rng, found, nest):
            control = control_of(found, [*fine[:k], how, *fine[k + 1 :]])
            assert stopped(found, control) == "negative argument to sqrt"
            assert control.messages[-1].startswith(nest.name)
        control = control_of(found, fine, missing={k})
        assert stopped(found, control) == "probe did not trip"
        assert control.messages[-1] == f"{nest.name}: probing"


def beyond(rng, found, nest):
    """A part just too far off, one far too far; one clocked too much."""
    way = rng.normal(size=3)
    way /= np.linalg.norm(way)
    yield Lying(way * nest.within_mm * 1.001, 0.0)
    yield Lying(way * (nest.within_mm + 1.2), 0.0)
    if found.clocks:
        yield Lying(0.2 * way * nest.within_mm, nest.clock_within_deg * 1.01)
        yield Lying(0.2 * way * nest.within_mm, nest.clock_within_deg * -3.0)


def test_more_offsets_than_nine_have_loaders_that_go_by_what_was_probed(tmp_path):
    rng = np.random.default_rng(3)
    found = shop(rng, tmp_path, nests=2, operations=6, kind="edges")
    assert len(found.programs) == 2
    assert found.parts.display_offset_is_free
    hows = [lying(rng, found, nest) for nest in found.parts.nests]
    control, into = control_of(found, hows), Compared()
    for loader, program in enumerate(found.programs, start=1):
        control.run(program)
        compare(found, control, hows, loader, into)
    assert into.numbers == 12 * 5
    assert into.other_digits == 0
    # No later loader runs unprobed.
    fresh = control_of(found, hows)
    fresh.parameters[100] = 0.0
    fresh.line("M5")
    with pytest.raises(Exception, match="negative argument to sqrt"):
        fresh.run(found.programs[1])
    assert not fresh.set_numbers


def test_where_all_nine_are_used_the_one_that_is_zero_meanwhile_is_set_last(tmp_path):
    rng = np.random.default_rng(4)
    found = shop(rng, tmp_path, nests=0, operations=9, kind="boss")
    assert not found.parts.display_offset_is_free
    hows = [lying(rng, found, nest) for nest in found.parts.nests]
    control, into = control_of(found, hows), Compared()
    control.run(found.programs[0])
    assert control.set_numbers == [1, 9, 8, 7, 6, 5, 4, 3, 2, 1]
    compare(found, control, hows, 1, into)
    assert (into.numbers, into.other_digits) == (9 * 5, 0)


def test_every_touch_of_the_example_is_clear_of_everything(run, examples):
    report = json.loads(run("batch", "program", examples / "sensor_feet.toml", "--json").out)
    assert report["schema"] == "tiltwright.batch-program/1"
    assert [nest["nest"] for nest in report["nests"]] == ["left", "right"]
    assert [len(nest["touches"]) for nest in report["nests"]] == [4, 4]
    assert report["display_work_offset"] == {"number": 7, "free": True}
    assert report["not_checked"] == {"steps_without_section": [], "targets_not_shown_on_part": []}
    face = report["nests"][0]["touches"][0]
    assert face["at"] == pytest.approx([-419.025, -203.405, -280.1], abs=1e-9)
    # Lowest point of the tip on the face: the face's own height.
    assert face["trips"] == [pytest.approx([-419.025, -203.405, -280.1], abs=1e-9)]
