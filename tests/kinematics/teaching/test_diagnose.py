"""A right answer passes; a mistake is named; numbers that no mistake gives are called unexplained."""

import functools
import importlib

import numpy as np
import pytest
import slices
from cases import answers_of, shop_case

from kinematics import (
    KinematicsError,
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    place_operations,
)
from kinematics.teaching import (
    Answer,
    classic_mistakes,
    diagnose,
    error_carried_forward,
    matching_solution,
    recompute,
)
from kinematics.teaching.angle_answers import AngleAnswer

MODULE = importlib.import_module("kinematics.teaching.diagnosis")  # the package has a function of that name
WITHIN_MM = 0.005
DIGIT_MM = 0.001
TELLS_MM = WITHIN_MM + DIGIT_MM / 2  # a change beyond the tolerance that rounding cannot bring back inside
SAME_MM = DIGIT_MM / 2  # the same as written


@functools.cache
def _shop():
    """The cases that all tests share, drawn once."""
    random = np.random.default_rng(20260201)
    return [shop_case(random) for _ in range(slices.cases(300))]


@functools.cache
def _worked(k: int):
    """Case k with every mistake and pair worked out."""
    setup, steps, placed = _shop()[k]
    return recompute(setup, placed, steps, classic_mistakes(setup, steps, operations=placed))


@pytest.fixture
def cases(monkeypatch):
    """Shop cases, each with the same table of mistakes for the test and for `diagnose`, which need not repeat it."""

    def drawn(seed: int, count: int):
        random = np.random.default_rng(seed)
        for k in range(count):
            setup, steps, placed = _shop()[k]
            worked = _worked(k)

            def remembered(of, at, on, mistakes, case=(setup, placed, steps), worked=worked):
                assert (of, at, on) == case
                assert tuple(mistakes) == tuple(made[0] for made in worked.made if len(made) == 1)
                return worked

            monkeypatch.setattr(MODULE, "recompute", remembered)
            # What is left unexplained is traced to a figure afterwards (test_figure_trace.py), which takes longest.
            monkeypatch.setattr(MODULE, "trace_figures", lambda *_given, **_named: None)
            yield random, setup, steps, placed, worked

    return drawn


def _first_gives(worked, found, row) -> bool:
    """True where the first finding is that row's mistake, or one that gives the same numbers everywhere, as they are written."""
    if not found.findings:
        return False
    named = worked.made.index(found.findings[0].made)
    return float(np.abs(worked.offset_mm[named] - worked.offset_mm[row]).max()) <= SAME_MM


def test_right_answers_pass_in_all_cases():
    random = np.random.default_rng(20260205)
    for setup, steps, placed in _shop():
        truth = np.array([one.offset_mm for one in placed])
        assert diagnose(setup, placed, steps, answers_of(truth), tolerance_mm=WITHIN_MM).right
        slip = random.uniform(-WITHIN_MM, WITHIN_MM, truth.shape)
        assert diagnose(setup, placed, steps, answers_of(truth + slip, 12), tolerance_mm=WITHIN_MM).right


def test_a_right_answer_is_never_wrong_for_want_of_digits():
    setup, steps, placed = shop_case(np.random.default_rng(1))
    truth = np.array([one.offset_mm for one in placed])
    found = diagnose(setup, placed, steps, answers_of(truth, 2), tolerance_mm=0.001, digit_mm=0.01)
    assert found.right
    assert found.tolerance_mm == pytest.approx(0.005)


def test_a_single_mistake_comes_first_in_99_of_100(cases):
    tried = named = 0
    for random, setup, steps, placed, worked in cases(20260202, slices.cases(110)):
        singles = [row for row, made in enumerate(worked.made) if len(made) == 1]
        for row in random.permutation(singles)[:8].tolist():
            if np.abs(worked.offset_mm[row] - worked.offset_mm[0]).max() <= TELLS_MM:
                continue
            found = diagnose(setup, placed, steps, answers_of(worked.offset_mm[row]), tolerance_mm=WITHIN_MM)
            tried += 1
            named += _first_gives(worked, found, row)
    assert tried > slices.cases(600)
    assert named >= slices.at_least(0.99, tried), (named, tried)


def test_a_pair_comes_first_in_95_of_100(cases):
    """Pairs whose numbers differ from the truth and from either mistake alone by more than the tolerance."""
    tried = named = 0
    for random, setup, steps, placed, worked in cases(20260203, slices.cases(80)):
        pairs = [row for row, made in enumerate(worked.made) if len(made) == 2]
        for row in random.permutation(pairs)[:6].tolist():
            alone = [0, *(worked.made.index((mistake,)) for mistake in worked.made[row])]
            if min(np.abs(worked.offset_mm[row] - worked.offset_mm[a]).max() for a in alone) <= TELLS_MM:
                continue
            found = diagnose(setup, placed, steps, answers_of(worked.offset_mm[row]), tolerance_mm=WITHIN_MM)
            tried += 1
            named += _first_gives(worked, found, row)
    assert tried > slices.cases(300)
    assert named >= slices.at_least(0.95, tried), (named, tried)


@pytest.mark.parametrize("spread", ["wide", "any size"])
@pytest.mark.parametrize("where", ["every number", "one number"])
def test_random_wrong_numbers_are_unexplained_in_99_of_100(cases, spread, where):
    """Off by up to 50 mm, or by up to a size drawn evenly in its logarithm from 0.0125 to 100 mm."""
    tried = unexplained = 0
    for random, setup, steps, placed, worked in cases(20260204 + len(spread) + len(where), slices.cases(150)):
        size = 50.0 if spread == "wide" else 10.0 ** random.uniform(-1.9, 2.0)
        given = worked.offset_mm[0].copy()
        if where == "one number":
            given[random.integers(len(placed)), random.integers(3)] += random.uniform(-size, size)
        else:
            given += random.uniform(-size, size, given.shape)
        found = diagnose(setup, placed, steps, answers_of(given), tolerance_mm=WITHIN_MM)
        if found.right:
            continue
        tried += 1
        unexplained += not found.findings
    assert tried > slices.cases(100)
    assert unexplained >= slices.at_least(0.99, tried), (unexplained, tried)


def test_what_gives_the_very_same_numbers_is_named_beside_it():
    setup, steps, placed = shop_case(np.random.default_rng(7))
    mistakes = classic_mistakes(setup, steps)
    worked = recompute(setup, placed, steps, mistakes, pairs=False)
    row = [m.name for m in mistakes].index(f"sense reversed, {setup.machine.letters[0]}") + 1
    (finding,) = diagnose(
        setup, placed, steps, answers_of(worked.offset_mm[row]), tolerance_mm=WITHIN_MM
    ).findings
    kinds = {made[0].kind for made in (finding.made, *finding.same)}
    assert {"sense reversed", "an angle's sign"} <= kinds
    assert not finding.sure
    assert finding.complete
    assert finding.left_mm <= DIGIT_MM / 2 + 1e-9


def _plain_shop():
    """Three ports at one tilt, on a stack that is shifted and clocked, the clocking in C's offset."""
    tilt = RotaryAxis("A", [-380.0, -203.0, -400.0], [1, 0, 0], RotationSense.CLOCKWISE, None)
    turn = RotaryAxis("C", [-380.1, -203.1, -360.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    steps = [
        StackStep("post", up_mm=95.0, shift_mm=(0.5, 0.3)),
        StackStep("blank", up_mm=40.0, turn_deg=0.35),
    ]
    setup = Setup.from_stack(Machine("mill", (tilt, turn), Platter(face_mm=-360.0)), steps).aligned("C")
    ports = [
        Operation(f"port {k}", program_deg=(-30.0, 50.0 * k), origin_mm=[3.0, -18.0, -12.0]) for k in range(3)
    ]
    return setup, steps, place_operations(setup, ports).placed


def test_a_pair_that_gives_every_digit_goes_before_the_one_mistake_that_it_resembles():
    """An offset forgotten and a turn counted twice are the offset's sign reversed, but for a shift that turns once less."""
    setup, steps, placed = _plain_shop()
    worked = recompute(setup, placed, steps, classic_mistakes(setup, steps, operations=placed))
    rows = {tuple(mistake.kind for mistake in made): row for row, made in enumerate(worked.made)}
    both = rows["rotary offset forgotten", "step's turn counted twice"]
    alone = rows["rotary offset's sign",]
    assert 2.0 * DIGIT_MM < np.abs(worked.offset_mm[both] - worked.offset_mm[alone]).max() < WITHIN_MM
    found = diagnose(setup, placed, steps, answers_of(worked.offset_mm[both]), tolerance_mm=WITHIN_MM)
    assert found.findings[0].made == worked.made[both]
    assert worked.made[alone] in found.findings[0].others
    assert not found.findings[0].sure
    # Work that is rounded on the way stays the one mistake's.
    slips = np.random.default_rng(20260206).uniform(-0.004, 0.004, (5, 3, 3))
    for slip in slips:
        answers = answers_of(worked.offset_mm[alone] + slip)
        found = diagnose(setup, placed, steps, answers, tolerance_mm=WITHIN_MM)
        assert found.findings[0].made == worked.made[alone]


def test_one_mistake_here_and_another_there():
    random = np.random.default_rng(11)
    setup, steps, placed = shop_case(random)
    while len(placed) < 4:
        setup, steps, placed = shop_case(random)
    mistakes = classic_mistakes(setup, steps)
    worked = recompute(setup, placed, steps, mistakes, pairs=False)
    names = [m.name for m in mistakes]
    given = worked.offset_mm[0].copy()
    given[:2] = worked.offset_mm[names.index("step left out, standoff") + 1][:2]
    given[3] += [0.0, 3.217, -1.911]
    found = diagnose(setup, placed, steps, answers_of(given), tolerance_mm=WITHIN_MM)
    (finding,) = found.findings
    assert finding.made[0].name == "step left out, standoff"
    assert finding.operations == (0, 1)
    assert found.unexplained == (3,)


def test_a_mistake_with_a_slip_on_top_says_how_many_it_explains():
    setup, steps, placed = shop_case(np.random.default_rng(3))
    mistakes = classic_mistakes(setup, steps)
    worked = recompute(setup, placed, steps, mistakes, pairs=False)
    row = [m.name for m in mistakes].index("wrong order") + 1
    given = worked.offset_mm[row].copy()
    given[0, 0] += 10.0
    found = diagnose(setup, placed[:1], steps, answers_of(given[:1]), tolerance_mm=WITHIN_MM)
    (finding,) = found.findings
    assert finding.made[0].name == "wrong order"
    assert (finding.explained, finding.wrong) == (2, 3)
    assert not finding.complete


def test_one_operation_s_mistake_is_a_hint_while_the_others_have_no_cause():
    """Work that keeps the sine and takes every cosine for 1 looks, at a small tilt, nearly as if one coordinate was not turned."""
    setup, steps, _ = _plain_shop()
    ports = [
        Operation(f"port {k}", program_deg=(tilt, 20.0 * k), origin_mm=[3.0, -18.0, -12.0])
        for k, tilt in enumerate((-6.0, -35.0, -60.0))
    ]
    placed = place_operations(setup, ports).placed
    worked = recompute(setup, placed, steps, classic_mistakes(setup, steps, operations=placed))
    row = [tuple(m.name for m in made) for made in worked.made].index(("one coordinate not turned, Z at A",))
    given = worked.offset_mm[0] + [[0.0], [8.1], [-7.3]] * np.array([1.0, 2.0, 3.0])
    given[0] = worked.offset_mm[row, 0] + [0.0, 0.0, 0.0027]
    (finding,) = diagnose(setup, placed, steps, answers_of(given), tolerance_mm=WITHIN_MM).findings
    assert (finding.operations, finding.elsewhere) == ((0,), (1, 2))
    assert not finding.exact
    assert not finding.sure
    given[0] = worked.offset_mm[row, 0]
    (finding,) = diagnose(setup, placed, steps, answers_of(given), tolerance_mm=WITHIN_MM).findings
    assert finding.exact
    assert finding.sure == (not finding.same)


def test_a_part_of_an_operation_is_no_mistake_s_that_would_change_its_right_number():
    setup, steps, placed = _plain_shop()
    worked = recompute(setup, placed, steps, classic_mistakes(setup, steps, operations=placed), pairs=False)
    row = [made[0].name if made else "" for made in worked.made].index("wrong order")
    given = worked.offset_mm[0].copy()
    given[0, 1:] = worked.offset_mm[row, 0, 1:]
    assert abs(worked.offset_mm[row, 0, 0] - given[0, 0]) > WITHIN_MM
    found = diagnose(setup, placed[:1], steps, answers_of(given[:1]), tolerance_mm=WITHIN_MM)
    assert all(one.made != worked.made[row] for one in found.findings)


def test_a_number_of_any_size_is_wrong_and_no_fault():
    setup, steps, placed = _plain_shop()
    for size in (1e9, 1e17, 1e200):
        given = [Answer(0, axis, size * (k + 1)) for k, axis in enumerate("XYZ")]
        found = diagnose(setup, placed, steps, given, tolerance_mm=WITHIN_MM)
        assert found.wrong.all()
        assert not found.findings


def test_going_on_rightly_from_a_wrong_angle_is_recognised():
    random = np.random.default_rng(5)
    setup, steps, placed = shop_case(random)
    one = placed[0]
    tilt = setup.machine.letters[0]
    wrong = AngleAnswer(0, tilt, round(float(one.program_deg[0]) + 3.3, 3))
    turned = one.machine_deg + np.array([wrong.program_deg - one.program_deg[0], 0.0])
    answers = answers_of(setup.work_offset(one.origin_mm, turned)[None])
    stated = [wrong, AngleAnswer(0, "C", float(one.program_deg[1]))]
    stood, faults = matching_solution(
        setup, placed[:1], stated, answers, within_deg=0.001, within_mm=WITHIN_MM
    )
    assert [fault.answer for fault in faults] == [wrong]
    found = diagnose(
        setup, stood, steps, answers, tolerance_mm=WITHIN_MM, more=error_carried_forward(setup, faults)
    )
    assert found.findings[0].made[0].kind == "followed from wrong angles"


@pytest.mark.parametrize(
    ("answer", "tolerance", "message"),
    [
        (Answer(-1, "X", 0.0), 0.005, "answer, operation: expected 0 to"),
        (Answer(0, "A", 0.0), 0.005, "answer, axis: expected X, Y or Z, found 'A'"),
        (Answer(0, "X", float("inf")), 0.005, "expected a finite number"),
        (Answer(0, "X", 0.0), 0.0, "tolerance: expected more than 0"),
    ],
)
def test_bad_input_is_refused(answer, tolerance, message):
    setup, steps, placed = shop_case(np.random.default_rng(2))
    with pytest.raises(KinematicsError, match=message):
        diagnose(setup, placed, steps, [answer], tolerance_mm=tolerance)


def test_what_is_off_alike_everywhere_is_said_to_be_common():
    random = np.random.default_rng(12)
    setup, steps, placed = shop_case(random)
    while len(placed) < 2:
        setup, steps, placed = shop_case(random)
    truth = np.array([one.offset_mm for one in placed])
    found = diagnose(setup, placed, steps, answers_of(truth + [0.0, 0.0, 87.654]), tolerance_mm=WITHIN_MM)  # noqa: RUF005 - a sum
    assert not found.findings
    assert found.common_mm == pytest.approx([0.0, 0.0, 87.654], abs=0.001)
    apart = truth + random.uniform(-50.0, 50.0, truth.shape)
    assert diagnose(setup, placed, steps, answers_of(apart), tolerance_mm=WITHIN_MM).common_mm is None
