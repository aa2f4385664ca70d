"""A mistake on no list still leaves a trace: the one figure that makes the numbers right; random numbers leave none."""

import sys
from dataclasses import replace

import numpy as np
import pytest
from cases import answers_of, shop_case
from second_list import KEPT_ASIDE, SECOND, diagnosed, told_of
from slices import at_least, cases
from third_list import THIRD

from kinematics import Setup
from kinematics.teaching import diagnose

WITHIN_MM = 0.005


def _several(random, least=2):
    while True:
        setup, steps, placed = shop_case(random)
        if len(placed) >= least:
            return setup, steps, placed


def _offsets(machine, steps, placed, rotary_offset_deg):
    setup = Setup(machine, Setup.from_stack(machine, steps).part_in_table, rotary_offset_deg)
    return np.array([setup.work_offset(one.origin_mm, one.machine_deg) for one in placed])


def _diagnosed(setup, steps, placed, offset_mm):
    return diagnose(setup, placed, steps, answers_of(offset_mm), tolerance_mm=WITHIN_MM)


def invented(random):
    """A case, the numbers under a mistake on no list, and the words that its trace must have."""
    setup, steps, placed = _several(random)
    which = int(random.integers(4))
    standoff = steps[1]
    if which == 0:
        changed = [steps[0], replace(standoff, up_mm=standoff.up_mm / 2.0), steps[2]]
        return setup, steps, placed, changed, "height of standoff", "half"
    if which == 1:
        changed = [steps[0], replace(standoff, up_mm=standoff.up_mm + steps[0].up_mm / 2.0), steps[2]]
        return setup, steps, placed, changed, "height of", ""
    if which == 2:
        changed = [
            steps[0],
            replace(standoff, shift_mm=(float(random.uniform(3.0, 9.0)), standoff.shift_mm[1])),
            steps[2],
        ]
        return setup, steps, placed, changed, "shift x of standoff", ""
    changed = [steps[0], replace(standoff, up_mm=standoff.up_mm + float(random.uniform(2.0, 9.0))), steps[2]]
    return setup, steps, placed, changed, "height of", ""


def count_invented(seed, count):
    """Number of invented mistakes that are told by their figure."""
    random = np.random.default_rng(seed)
    told = 0
    for _ in range(count):
        setup, steps, placed, changed, name, relation = invented(random)
        found = _diagnosed(
            setup, steps, placed, _offsets(setup.machine, changed, placed, setup.rotary_offset_deg)
        )
        told += any(
            any(name in one for one in (*trace.names, *trace.same)) and relation in trace.relation
            for trace in found.traces
        ) or bool(found.findings)
    return told


def count_random(seed, count):
    """Number of random answers, off by up to a size drawn evenly in its logarithm, stay without any explanation."""
    random = np.random.default_rng(seed)
    clean = 0
    for _ in range(count):
        setup, steps, placed = shop_case(random)
        size = 10.0 ** random.uniform(-1.9, 2.0)
        truth = np.array([one.offset_mm for one in placed])
        found = _diagnosed(setup, steps, placed, truth + random.uniform(-size, size, truth.shape))
        clean += not found.findings and not found.traces
    return clean


def test_a_mistake_on_no_list_is_traced_to_its_figure():
    assert count_invented(20260601, cases(40)) >= at_least(0.95, cases(40))


def test_random_numbers_leave_no_trace():
    assert count_random(20260602, cases(60)) >= at_least(0.98, cases(60))


def test_a_second_list_of_mistakes_is_told():
    random = np.random.default_rng(20260603)
    several = [
        work for name, work in SECOND.items() if name != "pi as 3 14"
    ]  # too small to show in every case
    silent = [work.__name__ for work in several if not _told(diagnosed(work, random))]
    assert len(silent) <= 1, silent


def test_a_list_kept_aside_is_not_named_falsely():
    """None at all: the long runs are `second_list.py` and `third_list.py`, whose lists this takes some of."""
    random = np.random.default_rng(20260604)
    works = {**KEPT_ASIDE, **THIRD}
    names = random.choice(sorted(works), cases(56)).tolist()
    told = {name: told_of(diagnosed(works[name][0], random), works[name][1]) for name in names}
    assert not [name for name, what in told.items() if what == "WRONGLY NAMED"]


def _told(found):
    return bool(found.findings or found.traces)


def test_half_a_height_is_called_so():
    setup, steps, placed = _several(np.random.default_rng(5))
    changed = [steps[0], replace(steps[1], up_mm=steps[1].up_mm / 2.0), steps[2]]
    offsets = _offsets(setup.machine, changed, placed, setup.rotary_offset_deg)
    (trace,) = _diagnosed(setup, steps, placed, offsets).traces
    assert trace.names == ("height of standoff",)
    assert trace.needed[0] == pytest.approx(steps[1].up_mm / 2.0, abs=0.002)
    assert "half" in trace.relation


def test_a_wrong_angle_of_one_operation():
    setup, steps, placed = _several(np.random.default_rng(6))
    offsets = np.array([one.offset_mm for one in placed])
    offsets[1] = setup.work_offset(placed[1].origin_mm, placed[1].machine_deg + np.array([7.3, 0.0]))
    (trace,) = _diagnosed(setup, steps, placed, offsets).traces
    assert (trace.unit, trace.operations) == ("deg", (1,))
    assert trace.needed[0] - trace.stated[0] == pytest.approx(7.3, abs=0.01)


def test_the_angle_of_another_operation():
    setup, steps, placed = _several(np.random.default_rng(6))
    offsets = np.array([one.offset_mm for one in placed])
    turn = placed[1].machine_deg[1]
    offsets[0] = setup.work_offset(placed[0].origin_mm, [placed[0].machine_deg[0], turn])
    (trace,) = _diagnosed(setup, steps, placed, offsets).traces
    assert (trace.names, trace.operations) == (("C angle",), (0,))
    assert trace.relation == f"that is the C angle of {placed[1].name}"


def test_one_figure_for_all_is_told_before_a_mistake_here_and_a_figure_there():
    """Every C angle off by as much: in one operation that only reverses its sign, which is a mistake on the list."""
    setup, steps, placed = _several(np.random.default_rng(8), least=4)
    by = -2.0 * float(placed[0].program_deg[1])
    offsets = np.array(
        [setup.work_offset(one.origin_mm, one.machine_deg + np.array([0.0, by])) for one in placed]
    )
    alone = diagnose(setup, placed[:1], steps, answers_of(offsets[:1]), tolerance_mm=WITHIN_MM)
    assert "an angle's sign" in {
        one.kind for made in (alone.findings[0].made, *alone.findings[0].same) for one in made
    }
    found = _diagnosed(setup, steps, placed, offsets)
    (trace,) = found.traces
    assert (trace.names, trace.operations) == (("what is added to every C angle",), tuple(range(len(placed))))
    assert found.findings == ()


def test_a_length_added_to_every_z():
    setup, steps, placed = _several(np.random.default_rng(8))
    offsets = np.array([one.offset_mm for one in placed]) + np.array([0.0, 0.0, 87.31])
    (trace,) = _diagnosed(setup, steps, placed, offsets).traces
    assert trace.names == ("a constant added to Z",)
    assert trace.needed[0] == pytest.approx(87.31, abs=0.002)


def test_swapped_digits_of_one_number():
    setup, steps, placed = _several(np.random.default_rng(9))
    offsets = np.array([one.offset_mm for one in placed]).round(3)
    text = f"{offsets[0, 1]:.3f}"
    k = next(k for k in range(2, len(text)) if text[k - 1 : k + 1].isdigit() and text[k - 1] != text[k])
    offsets[0, 1] = float(text[: k - 1] + text[k] + text[k - 1] + text[k + 1 :])
    (finding,) = _diagnosed(setup, steps, placed, offsets).findings
    assert finding.made[0].kind == "digits swapped"


@pytest.mark.parametrize(
    ("kind", "item", "slip"),
    [
        ("inch and mm", "Z", lambda x, _y, z: (x, _y, z / 25.4)),
        ("decimal point", "Y", lambda x, y, z: (x, y / 10.0, z)),
        ("decimal point", "X", lambda x, y, z: (x * 10.0, y, z)),
        ("number written twice", "X written for Y", lambda x, _y, z: (x, x, z)),
    ],
)
def test_a_slip_in_one_number_of_every_operation_is_told_once(kind, item, slip):
    setup, steps, placed = _several(np.random.default_rng(9), least=3)
    offsets = np.array([slip(*one.offset_mm) for one in placed])
    (finding,) = _diagnosed(setup, steps, placed, offsets).findings
    assert [(one.kind, one.item) for one in finding.made] == [(kind, item)]
    assert (finding.operations, finding.sure) == (tuple(range(len(placed))), True)


if __name__ == "__main__":
    many = int(sys.argv[1])
    sys.stdout.write(f"invented: {count_invented(1, many)} of {many} told\n")
    sys.stdout.write(f"random: {count_random(2, many)} of {many} without an explanation\n")
