"""Offsets under a mistake, against the mistake made by hand in a plain calculation."""

import numpy as np
import pytest
from cases import any_machine, any_operation, any_stack, shop_case
from slices import cases

from kinematics import (
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    ZReference,
    compare_touch_off,
    place_operations,
    plane_from_rotations,
    with_touched_zero,
)
from kinematics.teaching import classic_mistakes, recompute, solve_by_matrices, solve_by_trigonometry

P_A, P_C = np.array([5.0, -12.5, -87.25]), np.array([0.02, -12.4, -40.0])
UPS = (20.0, 95.0, 62.0)
SHIFT = np.array([1.5, -0.8])  # of the post
TURN_DEG = 0.35
ORIGIN = np.array([7.0, -18.0, -12.0])
A_DEG, C_DEG = -35.0, 60.0  # program angles; the table turns clockwise on positive moves


def _setup():
    tilt = RotaryAxis("A", P_A, [1, 0, 0], RotationSense.CLOCKWISE, None)
    turn = RotaryAxis("C", P_C, [0, 0, 1], RotationSense.CLOCKWISE, None)
    machine = Machine("m", (tilt, turn), Platter(face_mm=P_C[2]), None, ZReference(120.0))
    steps = [
        StackStep("plate", UPS[0]),
        StackStep("post", UPS[1], shift_mm=tuple(SHIFT.tolist())),
        StackStep("blank", UPS[2], turn_deg=TURN_DEG),
    ]
    setup = Setup(machine, Setup.from_stack(machine, steps).part_in_table, np.array([0.0, 1.5]))
    return (
        setup,
        steps,
        place_operations(setup, [Operation("op", program_deg=(A_DEG, C_DEG), origin_mm=ORIGIN)]).placed,
    )


def _rx(sine, cosine):
    return np.array([[1, 0, 0], [0, cosine, -sine], [0, sine, cosine]])


def _ry(sine, cosine):
    return np.array([[cosine, 0, sine], [0, 1, 0], [-sine, 0, cosine]])


def _rz(sine, cosine):
    return np.array([[cosine, -sine, 0], [sine, cosine, 0], [0, 0, 1]])


def _sc(angle_deg):
    return np.sin(np.radians(angle_deg)), np.cos(np.radians(angle_deg))


def _plain(
    *,
    ups=UPS,
    shift=SHIFT,
    clocked=TURN_DEG,
    origin=ORIGIN,
    a=-A_DEG,
    c=-(C_DEG + 1.5),
    sa=None,
    sc=None,
    p_a=P_A,
    p_c=P_C,
    table=P_C,
    arm_a=None,
    swap_order=False,
    scale=1.0,
    stack_scale=1.0,
    add_z=0.0,
    order=(0, 1, 2),
    unsigned=(),
    arm_angle=None,
    after=0.0,
    put_back=None,
    digits=None,
    measured_from=0.0,
    tilt=_rx,
    from_before=False,
    cut_off=None,
):
    in_table = np.array([*shift, sum(ups)]) * stack_scale + _rz(*_sc(clocked)) @ origin
    w = table + in_table
    turn_a, turn_c = tilt(*(sa or _sc(a))), _rz(*(sc or _sc(c)))
    arm_a = p_a if arm_a is None else arm_a
    if swap_order:
        w = p_a + turn_a @ (w - arm_a)
        w = p_c + turn_c @ (w - p_c)
    else:
        start = w
        w = (p_c if put_back is None else put_back[1]) + turn_c @ (w - p_c)
        if from_before:
            w = np.array([w[0], *start[1:]])
        swung = turn_a @ (w - arm_a) if arm_angle is None else arm_angle(w - arm_a, np.radians(a))
        w = (p_a if put_back is None else put_back[0]) + swung
    w = w + after - measured_from
    if digits is not None:
        w = np.round(w, digits)
    if cut_off is not None:
        w = np.trunc(w * 10.0**cut_off) / 10.0**cut_off
    written = (w * scale + [0.0, 0.0, add_z])[list(order)]
    written[list(unsigned)] = np.abs(written[list(unsigned)])
    return written


def _swapped(angle_deg):
    sine, cosine = _sc(angle_deg)
    return cosine, sine


def _to_step(step, angle_deg):
    sine, cosine = _sc(angle_deg)
    return round(sine / step) * step, round(cosine / step) * step


def _by_polar(counted, back):
    """A's swing by plane trigonometry: the arm's length and its angle from Y, by a calculator."""

    def swing(arm, turn):
        _, y, z = arm
        at = counted(y, z) + turn
        r = np.hypot(y, z)
        return np.array([arm[0], *back(r * np.cos(at), r * np.sin(at))])

    return swing


def _by_rows(rows):
    """A's swing with its two rows written as somebody wrote them."""

    def swing(arm, turn):
        x, y, z = arm
        return np.array([x, *rows(y, z, np.sin(turn), np.cos(turn))])

    return {"arm_angle": swing}


def _two_legs(y, z, s, c):
    return c * y - s * z, s * y + c * z


def _first_then_second(y, z, s, c):
    new = c * y - s * z
    return new, s * new + c * z


def _second_then_first(y, z, s, c):
    new = s * y + c * z
    return c * y - s * new, new


PART_ZERO = P_C + np.array([*SHIFT, sum(UPS)])
RIGHT_C = -(C_DEG + 1.5)
AT_FACE = np.array([P_A[0], P_A[1], P_C[2]])
GAP = np.array([0.0, P_C[1] - P_A[1], 0.0])
BY_HAND = {
    "sense reversed, A": {"a": A_DEG},
    "sense reversed, C": {"c": C_DEG + 1.5},
    "an angle's sign, A": {"a": A_DEG},
    "an angle's sign, C": {"c": C_DEG - 1.5},
    "sine and cosine swapped, A": {"sa": _swapped(-A_DEG)},
    "sine and cosine swapped, C": {"sc": _swapped(RIGHT_C)},
    "degrees and radians": {
        "sa": (np.sin(-A_DEG), np.cos(-A_DEG)),
        "sc": (np.sin(RIGHT_C), np.cos(RIGHT_C)),
    },
    "degrees and radians, A": {"sa": (np.sin(-A_DEG), np.cos(-A_DEG))},
    "degrees and radians, C": {"sc": (np.sin(RIGHT_C), np.cos(RIGHT_C))},
    "rotary offset forgotten, C": {"c": -C_DEG},
    "pivot taken as the platter face, A": {"p_a": AT_FACE},
    "measured from the table, A": {"arm_a": P_C},
    "both turns reversed": {"a": A_DEG, "c": C_DEG + 1.5},
    "wrong order": {"swap_order": True},
    "offset between the lines forgotten, A": {"p_a": P_A + GAP},
    "offset between the lines forgotten, C": {"p_c": P_C - GAP, "table": P_C - GAP},
    "step left out, post": {"ups": (20.0, 0.0, 62.0), "shift": 0.0 * SHIFT},
    "step counted twice, post": {"ups": (20.0, 190.0, 62.0), "shift": 2.0 * SHIFT},
    "step's height left out, post": {"ups": (20.0, 0.0, 62.0)},
    "step's shift forgotten, post": {"shift": 0.0 * SHIFT},
    "step's shift reversed, post": {"shift": -SHIFT},
    "origin forgotten": {"origin": 0.0 * ORIGIN},
    "the origin's sign, z": {"origin": ORIGIN * [1.0, 1.0, -1.0]},
    "the origin's sign, x": {"origin": ORIGIN * [-1.0, 1.0, 1.0]},
    "numbers swapped, Y and Z": {"order": (0, 2, 1)},
    "numbers swapped, X and Z": {"order": (2, 1, 0)},
    "a minus lost, Y": {"unsigned": (1,)},
    "a minus lost, every number": {"unsigned": (0, 1, 2)},
    "step's turn forgotten, blank": {"clocked": 0.0},
    "an angle's sign, blank": {"clocked": -TURN_DEG},
    "inch and mm, answer": {"scale": 1.0 / 25.4},
    "inch and mm, stack times 25.4": {"stack_scale": 25.4},
    "inch and mm, stack divided by 25.4": {"stack_scale": 1.0 / 25.4},
    "tool length counted twice": {"add_z": 120.0},
    "Z from the wrong reference, gauge line": {"add_z": -120.0},
    "Z from the wrong reference, platter": {"add_z": -P_C[2]},
    "rotary not turned, A": {"a": 0.0},
    "rotary not turned, C": {"c": 0.0},
    "gradians, A": {"a": -A_DEG * 0.9},
    "pi rounded, 3.14": {"a": -A_DEG * 3.14 / np.pi, "c": RIGHT_C * 3.14 / np.pi},
    "pi rounded, 22/7": {"a": -A_DEG * 22.0 / 7.0 / np.pi, "c": RIGHT_C * 22.0 / 7.0 / np.pi},
    "supplement of the angle, A": {"a": 180.0 + A_DEG},
    "supplement of the angle, C": {"c": -(180.0 - C_DEG + 1.5)},
    "angles exchanged, A and C": {"a": -C_DEG, "c": -(A_DEG + 1.5)},
    "step's shift exchanged, post": {"shift": SHIFT[::-1]},
    "answer cut off, 0.1 mm": {"cut_off": 1},
    "180 forgotten, A": {"arm_angle": _by_polar(lambda y, z: np.arctan(z / y), lambda u, v: (u, v))},
    "angle from the wrong leg, A": {
        "arm_angle": _by_polar(lambda y, z: float(np.arctan2(y, z)), lambda u, v: (u, v))
    },
    "cosine and sine parts exchanged, A": {
        "arm_angle": _by_polar(lambda y, z: np.arctan2(z, y), lambda u, v: (v, u))
    },
    "turned about machine zero, A": {"p_a": 0.0 * P_A},
    "one sine's sign, A's new Y": _by_rows(lambda y, z, s, c: (c * y + s * z, s * y + c * z)),
    "one sine's sign, A's new Z": _by_rows(lambda y, z, s, c: (c * y - s * z, c * z - s * y)),
    "one coordinate not turned, Y at A": _by_rows(lambda y, z, s, c: (y, s * y + c * z)),
    "one coordinate not turned, Z at A": _by_rows(lambda y, z, s, c: (c * y - s * z, z)),
    "new coordinate used too soon, Y used for Z at A": _by_rows(_first_then_second),
    "new coordinate used too soon, Z used for Y at A": _by_rows(_second_then_first),
    "one leg of the arm left out, Y of A's arm": _by_rows(lambda y, z, s, c: _two_legs(0.0 * y, z, s, c)),
    "one leg of the arm left out, Z of A's arm": _by_rows(lambda y, z, s, c: _two_legs(y, 0.0 * z, s, c)),
    "sines left out, A": _by_rows(lambda y, z, s, c: _two_legs(y, z, 0.0 * s, c)),
    "tangent for sine, A": {"sa": (np.tan(np.radians(-A_DEG)), np.cos(np.radians(A_DEG)))},
    "complement of the angle, A": {"a": 90.0 + A_DEG},
    "complement of the angle, C": {"c": -(90.0 - C_DEG + 1.5)},
    "turned twice, A": {"a": -2.0 * A_DEG},
    "a quarter turn off, C +90": {"c": -(C_DEG + 90.0 + 1.5)},
    "a quarter turn off, A -90": {"a": -(A_DEG - 90.0)},
    "turned about part zero": {"p_a": PART_ZERO, "p_c": PART_ZERO},
    "way from the all-zero pose": {"measured_from": PART_ZERO + _rz(*_sc(TURN_DEG)) @ ORIGIN},
    "every sign reversed": {"scale": -1.0},
    "tilted about the wrong axis, A": {"tilt": _ry},
    "turn worked from the point before, A": {"from_before": True},
    "origin's numbers exchanged, x and y": {"origin": ORIGIN[[1, 0, 2]]},
    "origin's numbers exchanged, y and z": {"origin": ORIGIN[[0, 2, 1]]},
    "step's turn counted twice, blank": {"clocked": 2.0 * TURN_DEG},
    "pivot not added back, A": {"put_back": ([P_A[0], 0.0, 0.0], P_C)},
    "another rotary's pivot, C for A": {"p_a": P_C},
    "another rotary's pivot, A for C": {"p_c": np.array([*P_A[:2], P_C[2]])},
    "measured from the pivot, A": {"measured_from": P_A},
    "stack on the tilt pivot, A": {"table": P_A},
    "rotary offset's sign, C": {"c": -(C_DEG - 1.5)},
    "the origin's sign, x, y and z": {"origin": -ORIGIN},
    "origin added after the turns": {"origin": 0.0 * ORIGIN, "after": ORIGIN},
    "answer rounded, 0.1 mm": {"digits": 1},
    "inch and mm, height of post": {"ups": (20.0, 95.0 * 25.4, 62.0)},
    "rounded too early, sines to 2 decimals": {"sa": _to_step(0.01, -A_DEG), "sc": _to_step(0.01, RIGHT_C)},
    "rounded too early, sines to 3 decimals": {"sa": _to_step(0.001, -A_DEG), "sc": _to_step(0.001, RIGHT_C)},
}


@pytest.mark.parametrize("name", BY_HAND)
def test_a_mistake_made_by_hand(name):
    setup, steps, placed = _setup()
    mistakes = classic_mistakes(setup, steps)
    worked = recompute(setup, placed, steps, mistakes, pairs=False)
    row = [mistake.name for mistake in mistakes].index(name) + 1
    np.testing.assert_allclose(worked.offset_mm[0, 0], _plain(), atol=1e-10)
    np.testing.assert_allclose(worked.offset_mm[row, 0], _plain(**BY_HAND[name]), atol=1e-10)


def test_every_kind_is_made_by_hand_somewhere():
    setup, steps, _ = _setup()
    kinds = {mistake.kind for mistake in classic_mistakes(setup, steps)}
    checked = {name.split(", ")[0] for name in BY_HAND}
    assert kinds - checked == {"origin along the plane's axes"}  # it has its own test below


def test_an_origin_read_along_the_plane_s_own_axes():
    setup, steps, _ = _setup()
    tip = plane_from_rotations([("z", 60.0), ("x", 35.0)])
    placed = place_operations(setup, [Operation("op", plane=tip, origin_mm=ORIGIN)]).placed
    mistakes = classic_mistakes(setup, steps)
    worked = recompute(setup, placed, steps, mistakes, pairs=False)
    row = [mistake.kind for mistake in mistakes].index("origin along the plane's axes") + 1
    read = _rz(*_sc(60.0)) @ _rx(*_sc(35.0)) @ ORIGIN
    a, c = placed[0].machine_deg
    np.testing.assert_allclose(worked.offset_mm[row, 0], _plain(origin=read, a=-a, c=-c), atol=1e-10)


def test_operations_exchanged_and_the_first_origin_used_later():
    setup, steps, _ = _setup()
    tasks = [
        Operation(f"op {k}", program_deg=(A_DEG, 30.0 * k), origin_mm=ORIGIN + np.array([k, 0.0, 0.0]))
        for k in range(3)
    ]
    placed = place_operations(setup, tasks).placed
    mistakes = classic_mistakes(setup, steps, operations=placed)
    worked = recompute(setup, placed, steps, mistakes, pairs=False)
    right = np.array([one.offset_mm for one in placed])
    rows = {mistake.name: row for row, mistake in enumerate(mistakes, start=1)}
    np.testing.assert_allclose(
        worked.offset_mm[rows["operations exchanged, op 0 and op 2"]], right[[2, 1, 0]], atol=1e-10
    )
    np.testing.assert_allclose(
        worked.offset_mm[rows["numbers of the operation before"]], right[[0, 0, 1]], atol=1e-10
    )
    for name, angles, origins in (
        ("angle of the operation before, C", (0.0, 0.0, 30.0), (0.0, 1.0, 2.0)),
        ("origin of the operation before", (0.0, 30.0, 60.0), (0.0, 0.0, 1.0)),
    ):
        by_hand = [
            _plain(c=-(c + 1.5), origin=ORIGIN + np.array([k, 0.0, 0.0]))
            for c, k in zip(angles, origins, strict=True)
        ]
        np.testing.assert_allclose(worked.offset_mm[rows[name]], by_hand, atol=1e-10)
    np.testing.assert_allclose(
        worked.offset_mm[rows["way from the first operation"]], right - right[0], atol=1e-10
    )
    same = place_operations(
        setup, [Operation(t.name, program_deg=t.program_deg, origin_mm=ORIGIN) for t in tasks]
    )
    np.testing.assert_allclose(
        worked.offset_mm[rows["first origin used later"]], [one.offset_mm for one in same.placed], atol=1e-10
    )


def test_a_pair_is_both_mistakes_at_once():
    setup, steps, placed = _setup()
    mistakes = classic_mistakes(setup, steps)
    worked = recompute(setup, placed, steps, mistakes)
    names = [tuple(mistake.name for mistake in made) for made in worked.made]
    row = names.index(("sense reversed, A", "step left out, post"))
    expected = _plain(a=A_DEG, ups=(20.0, 0.0, 62.0), shift=0.0 * SHIFT)
    np.testing.assert_allclose(worked.offset_mm[row, 0], expected, atol=1e-10)
    row = names.index(("measured from the table, A", "inch and mm, answer"))
    np.testing.assert_allclose(worked.offset_mm[row, 0], _plain(arm_a=P_C, scale=1 / 25.4), atol=1e-10)


def test_two_mistakes_about_one_thing_are_no_pair():
    setup, steps, placed = _setup()
    worked = recompute(setup, placed, steps, classic_mistakes(setup, steps))
    for made in worked.made:
        assert len(made) < 2 or not made[0].claims & made[1].claims


def test_without_a_mistake_the_offsets_are_the_library_s():
    random = np.random.default_rng(20260104)
    for _ in range(cases(300)):
        machine, steps = any_machine(random), any_stack(random)
        setup = Setup(
            machine,
            Setup.from_stack(machine, steps).part_in_table,
            random.uniform(-3.0, 3.0, len(machine.rotaries)),
        )
        placed = place_operations(setup, [any_operation(random, machine) for _ in range(3)]).placed
        worked = recompute(setup, placed, steps, classic_mistakes(setup, steps), pairs=False)
        np.testing.assert_allclose(worked.offset_mm[0], [one.offset_mm for one in placed], atol=1e-9)


@pytest.mark.parametrize("worker", [solve_by_matrices, solve_by_trigonometry])
def test_every_mistake_names_a_line_of_the_working(worker):
    random = np.random.default_rng(20260105)
    for _ in range(30):
        setup, steps, placed = shop_case(random)
        working = worker(setup, placed[0], steps)
        for mistake in classic_mistakes(setup, steps, tool_length_mm=100.0):
            assert working.number_of(mistake.at) >= 1


@pytest.mark.parametrize(
    ("name", "by_hand"),
    [
        ("part's turn forgotten in the origin", {"clocked": 0.0}),
        ("part's turn reversed in the origin", {"clocked": -TURN_DEG}),
        ("part's turn forgotten in the origin and C's offset", {"clocked": 0.0, "c": -C_DEG}),
        ("part's turn reversed in the origin and C's offset", {"clocked": -TURN_DEG, "c": -(C_DEG - 1.5)}),
    ],
)
@pytest.mark.parametrize("origin", [ORIGIN, 0.0 * ORIGIN])
def test_a_touched_off_part_s_turn(name, by_hand, origin):
    """The clocking that C's work offset takes out stays in the origin, and in the angle by which part zero is turned."""
    stack, _, _ = _setup()
    zero = stack.part_in_machine.translation_mm
    setup = with_touched_zero(stack, compare_touch_off(stack, zero, [0.0, 0.0]))
    placed = place_operations(setup, [Operation("op", program_deg=(A_DEG, C_DEG), origin_mm=origin)]).placed
    mistakes = classic_mistakes(setup, None)
    worked = recompute(setup, placed, None, mistakes, pairs=False)
    row = [mistake.label for mistake in mistakes].index(name) + 1
    np.testing.assert_allclose(worked.offset_mm[0, 0], _plain(origin=origin), atol=1e-10)
    np.testing.assert_allclose(worked.offset_mm[row, 0], _plain(origin=origin, **by_hand), atol=1e-10)
    for work in (solve_by_matrices, solve_by_trigonometry):
        working = work(setup, placed[0], None)
        assert all(working.number_of(mistake.at) >= 1 for mistake in mistakes)


def test_the_stack_s_part_zero_used_where_it_was_touched_off():
    setup, _, _ = _setup()
    touched = with_touched_zero(setup, compare_touch_off(setup, [1.0, -12.0, 139.0], [0.0, 0.0]))
    placed = place_operations(touched, [Operation("op", program_deg=(A_DEG, C_DEG), origin_mm=ORIGIN)]).placed
    mistakes = classic_mistakes(touched, None, stack_mm=setup.part_in_table.translation_mm)
    worked = recompute(touched, placed, None, mistakes, pairs=False)
    row = [mistake.kind for mistake in mistakes].index("stack used for the touched-off zero") + 1
    np.testing.assert_allclose(worked.offset_mm[0, 0], placed[0].offset_mm, atol=1e-10)
    np.testing.assert_allclose(worked.offset_mm[row, 0], _plain(), atol=1e-10)
