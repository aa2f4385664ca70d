"""A valid call of every exported function, and a value of every exported class: what the junk is put into.

Everything stands on one square mill, so that a call takes a millisecond.
"""

import dataclasses
import inspect
from datetime import datetime
from functools import cache
from importlib import import_module

import numpy as np

import kinematics
from kinematics import (
    IndexDirection,
    Machine,
    Nest,
    Operation,
    Platter,
    Pose,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    Travel,
    ZReference,
    aim,
    allocate_loaders,
    assign_work_offsets,
    common_perpendicular,
    compare_touch_off,
    least_motion_order,
    nest_stacks,
    offsets_of_parts,
    orientation_angles,
    place_operations,
    plane_from_normal,
)

ROOMS = ("reach", "calibration", "uncertainty", "batch", "teaching")


def exported(room=None):
    """Names and callables that a package hands on; the library's own package where no room is given."""
    package = import_module(f"kinematics.{room}") if room else kinematics
    names = getattr(package, "__all__", None) or dir(package)
    for name in names:
        thing = getattr(package, name)
        if callable(thing) and getattr(thing, "__module__", "").startswith("kinematics"):
            yield name, thing


def fields_of(value):
    """The arguments that make a frozen value again."""
    return {one.name: getattr(value, one.name) for one in dataclasses.fields(value) if one.init}


def call(function, *given, **named):
    """A function and every argument of its own: those given, then its defaults."""
    bound = inspect.signature(function).bind(*given, **named)
    bound.apply_defaults()
    return function, dict(bound.arguments)


A = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
C = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
TRAVEL = Travel([-400.0, -300.0, -100.0], [400.0, 300.0, 500.0])
MILL = Machine("mill", (A, C), Platter(face_mm=0.0, diameter_mm=160.0), TRAVEL, ZReference(None))
POST = StackStep("post", up_mm=100.0)
SETUP = Setup.from_stack(MILL, [POST])
TOP, SIDE = plane_from_normal([0, 0, 1]), plane_from_normal([0, 1, 0])
PORT = Operation("port", plane=SIDE, origin_mm=[0, 18, -12])
PLACEMENT = place_operations(SETUP, [Operation("top", program_deg=(0.0, 0.0)), PORT])
UNREACHABLE = place_operations(SETUP, [Operation("under", plane=plane_from_normal([0, 0, -1]))]).results[0]
PLACED = PLACEMENT.placed
AIM = aim(MILL, [0, 1, 1], [0, 0])
TOUCH = compare_touch_off(SETUP, [0, 0, 100.1], [0, 0])
NESTS = (Nest("left", "post", (StackStep("vice", up_mm=60.0),)),)
LOADED = allocate_loaders([PLACED, PLACED], [[(0, 0), (1, 0)], [(0, 1), (1, 1)]], nest_by_nest=False)
PARTS = offsets_of_parts(SETUP, [[0, 0, 0]], [[0, 0]], [[0, 0, 100.1]], [0, 0])


def of_the_core():
    calls = [
        call(kinematics.aim, MILL, [0, 1, 1], [0, 0], held_deg={}, rotary_offset_deg=[0, 0]),
        call(kinematics.allocate_loaders, [PLACED, PLACED], [[(0, 0), (1, 0)]], nest_by_nest=False),
        call(kinematics.angle_products, MILL, [0, 0]),
        call(kinematics.angle_to_align, MILL, "C", [1, 0, 0], [0, 1, 0], [0, 0]),
        call(kinematics.assign_work_offsets, PLACED),
        call(kinematics.circular_pattern, SIDE, [0, 18, -12], 4, 90.0),
        call(kinematics.common_perpendicular, A, C),
        call(kinematics.compare_touch_off, SETUP, [0, 0, 100], [0, 0]),
        call(kinematics.cumulative_frames, [POST]),
        call(kinematics.equivalent_angles_deg, 10.0, -360.0, 360.0),
        call(kinematics.index_moves_deg, MILL, [0, 0], [[0, 90], [-90, 0]]),
        call(kinematics.is_horizontal, A),
        call(kinematics.least_motion_order, [[0, 1, 2], [1, 0, 1], [2, 1, 0]], [(0, 1)]),
        call(kinematics.nest_stacks, [POST], NESTS),
        call(kinematics.offsets_of_parts, SETUP, [[0, 0, 0]], [[0, 0]], [[0, 0, 100]], [0, 0], square_up=["C"]),
        call(kinematics.orientation_angles, np.eye(3)),
        call(kinematics.place_operations, SETUP, [PORT]),
        call(kinematics.plane_from_normal, [0, 1, 0]),
        call(kinematics.plane_from_rotations, [("x", 90.0)]),
        call(kinematics.plane_through, [0, 0, 0], [1, 0, 0], [0, 1, 0]),
        call(kinematics.platter_above_tilt_mm, MILL),
        call(kinematics.point_coefficients, MILL, [1, 2, 3]),
        call(kinematics.pose_coefficients, MILL, 1),
        call(kinematics.rotation_about_axis, [0, 0, 1], 90.0),
        call(kinematics.rotation_about_line, [1, 0, 0], [0, 0, 1], 90.0),
        call(kinematics.rotation_from_intrinsic, [("x", 90.0)]),
        call(kinematics.setup_of_part, SETUP, [0, 0, 100], [0, 0], 1.0, ["C"]),
        call(kinematics.sincos_deg, 30.0),
        call(kinematics.stack_pose, [POST]),
        call(kinematics.table_frame, MILL),
        call(kinematics.table_pose, MILL, [0, 90]),
        call(kinematics.tour_motion, np.array([[0.0, 1.0], [1.0, 0.0]]), [0]),
        call(kinematics.transform_points, MILL, [1, 2, 3], [0, 90]),
        call(kinematics.translation, 1.0, 2.0, 3.0),
        call(kinematics.with_touched_zero, SETUP, TOUCH),
        call(kinematics.work_offset_code, 1),
        call(kinematics.wrap_deg, 400.0, 0.0),
    ]  # fmt: skip
    values = [
        AIM,
        AIM.solutions[0],
        common_perpendicular(A, C),
        IndexDirection(),
        LOADED,
        kinematics.NestConflict(1, (0, 0), (1, 0)),
        MILL,
        *NESTS,
        nest_stacks([POST], NESTS)[0][0],
        assign_work_offsets(PLACED),
        kinematics.OffsetConflict(1, 0, 1),
        PORT,
        orientation_angles(np.eye(3)),
        PARTS,
        PLACED[0],
        PLACEMENT,
        SIDE,
        MILL.platter,
        Pose(np.eye(3), [1, 2, 3]),
        least_motion_order([[0, 1], [1, 0]]),
        A,
        SETUP,
        POST,
        TOUCH,
        TRAVEL,
        UNREACHABLE,
        UNREACHABLE.violations[0],
        ZReference(120.0),
    ]
    return calls, values


def of_reach():
    import kinematics.reach as r

    block = r.Solid("clamp", r.box_on(20.0, 30.0, 10.0), r.on_step(0), mass_kg=0.1)
    fence = r.Solid("fence", r.Box([-200, 150, 0], [200, 160, 50]), r.BASE)
    nose = r.Solid("spindle nose", r.Frustum([0, 0, 0], [0, 0, 80.0], 90.0), r.SPINDLE_NOSE)
    holder = r.HolderPart(60.0, 50.0)
    tool = r.Tool("end mill", 100.0, 10.0, (holder,))
    box = r.TipEnvelope([-5, -5, 0], [5, 5, 1])
    top = r.OperationPose("top", [0, 0], [0, 0, 10], tool, box, 200.0)
    side = r.OperationPose("side", [-30, 90], [0, 0, 40], tool)
    section = r.Section(diameter_mm=60.0)
    body = r.StepBody(section, density_kg_m3=7850.0)
    solids = (block, fence, r.platter_solid(MILL, 40.0))
    model = r.CollisionModel(SETUP, (POST,), (body,), solids, (nose,), (top, side), (0.0, 0.0, 450.0))
    scene = r.scene_of(model)
    found = r.clearances(model, 1000.0, scene)[0]
    turn = r.index_turns_deg(MILL, [0, 0], [-30, 90])[0]
    move = r.index_move(model, scene, top, side, turn)
    unloading = r.Unloading("door", [0, 0], (r.Solid("arm", r.Box([0, 0, 80], [40, 20, 90]), r.PART),))
    limit = r.LoadLimit(100.0, 50.0)
    mesh = r.Mesh(
        [[0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10]], [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]
    )
    bare = r.CollisionModel(SETUP, (POST,), (body,), (), (), (r.OperationPose("bare", [0, 0], [0, 0, 10]),))
    calls = [
        call(r.box_corners, [-1, -2, -3], [1, 2, 3]),
        call(r.box_on, 10.0, 20.0, 30.0),
        call(r.carried, model, 1),
        call(r.clearances, model, 1.0, scene, model.operations),
        call(r.cutting_box_mm, model, top, scene),
        call(r.deflection_mm, section, 100.0, 200.0, 500.0),
        call(r.flat_mm, [1, 2, 3], "front"),
        call(r.force_torque_nm, model, 1, top, scene),
        call(r.frustum_on, 100.0, 60.0, 10.0),
        call(r.gravity_torque_nm, model, 0, [-30, 0]),
        call(r.gripper_clearance, model, scene, unloading, 1.0),
        call(r.index_move, model, scene, top, side, turn),
        call(r.index_turns_deg, MILL, [0, 0], [-30, 90]),
        call(r.job_index_moves, model, scene, 10.0),
        call(r.limiting_cause, model, 0, 100.0, 1.0, 1.0, (limit, limit)),
        call(r.minimum_clearance, model, 10.0),
        call(r.mounting_ranges, bare, 1.0, 1.0),
        call(r.moved_on_mill, model, [1, 2, 3]),
        call(r.moved_shape, block.shape, Pose(np.eye(3), [1, 2, 3])),
        call(r.on_rotary, 1),
        call(r.on_step, 0),
        call(r.outlines, model, scene, top, "front", [0, 0, 100]),
        call(r.platter_solid, MILL, 40.0),
        call(r.readouts_mm, model, top),
        call(r.rotary_margins, model, top),
        call(r.rotary_turns_deg, C, 350.0, 10.0),
        call(r.scene_of, model),
        call(r.step_heights, bare, 0, 99.0, 100.0, 1.0, 1.0, (r.LoadLimit(), r.LoadLimit())),
        call(r.stiffness_n_per_mm, section, 100.0, 200.0),
        call(r.table_clearances, model, 1.0, scene, model.operations),
        call(r.tool_lengths, model, scene, top, 1.0),
        call(r.travel_margins, model, top),
        call(r.whole_body, "clamp", block.shape),
        call(r.with_step_height, model, 0, 90.0),
        call(r.with_unloading, model, [unloading]),
        call(r.witness_points, model, scene, top, found.nearest),
        call(r.worst_torque, model, 0),
    ]
    values = [
        r.on_step(0),
        fence.shape,
        r.carried(model, 1),
        found,
        found.nearest,
        model,
        r.step_heights(bare, 0, 99.0, 100.0)[0],
        nose.shape,
        holder,
        move,
        r.Limit("table", "top", pair=("clamp", "fence")),
        limit,
        r.travel_margins(model, top)[0],
        mesh,
        r.mounting_ranges(bare)[0],
        move.tool,
        scene.moving_pairs,
        top,
        r.outlines(model, scene, top, "front")[0],
        r.rotary_margins(model, top)[0],
        scene,
        section,
        block,
        body,
        box,
        tool,
        r.tool_lengths(model, scene, top),
        unloading,
        r.witness_points(model, scene, top, found.nearest),
        r.worst_torque(model, 0),
    ]
    return calls, values


BALL_POSES = [(a, c) for a in (-60, 0, 30) for c in (0, 120, 240)]


@cache
def calibrated():
    """A plan, what was read by it and the fit."""
    from kinematics import calibration as c

    ball = c.PlannedTarget("ball 1", c.TargetKind.BALL, [[20, 10, 80]])
    other = c.PlannedTarget("ball 2", c.TargetKind.BALL, [[-30, 25, 60]])
    face = c.PlannedTarget("platter", c.TargetKind.FACE, [[60, 0, 0], [-60, 0, 0], [0, 60, 0]], [0, 0, 1])
    truth = c.perturbed_machine(MILL, 7)
    readings = c.simulated_readings(truth, [ball, other, face], BALL_POSES, 0.002, 3)
    return (ball, other, face), readings, c.fit_pivots(readings, MILL, sigma_mm=0.002, angle_errors=["A"])


def of_calibration():
    from kinematics import calibration as c

    targets, readings, fit = calibrated()
    planned = c.planned_readings(MILL, targets, BALL_POSES)
    candidates = c.candidate_poses(MILL, 60.0)
    curve = c.AngleCurve(
        "A", np.zeros(4), np.eye(4), estimable=True, largest_arcsec=1.0, u_arcsec=0.5, largest_at_deg=30.0
    )
    used = [[True, True, False]] * len(BALL_POSES)
    more = used + [[True, False, False]] * 4
    calls = [
        call(c.candidate_poses, MILL, 60.0),
        call(c.check_fit, fit),
        call(c.coverage_factor, 0.95, 10),
        call(c.derotated_points, MILL, [0, 90], [1, 2, 3]),
        call(c.expand_mask, targets, used),
        call(c.find_blunders, readings, MILL, sigma_mm=0.002),
        call(c.find_gross_errors, readings, MILL),
        call(c.fit_pivots, readings, MILL, sigma_mm=0.002, floor_mm=0.001, loss="huber", loss_scale_mm=0.002),
        call(c.is_accessible, MILL, targets, BALL_POSES),
        call(c.length_interval, [3.0, 4.0], 0.01 * np.eye(2), 0.95, 10),
        call(c.optimal_poses, MILL, targets, BALL_POSES, 6, 0.002, used),
        call(c.outside_travels, readings, MILL),
        call(c.perturbed_machine, MILL, 7),
        call(c.planned_readings, MILL, targets, BALL_POSES, used),
        call(c.poses_for_angle_errors, MILL, targets, BALL_POSES, candidates[:4], 2, 0.002, more),
        call(c.predict_uncertainty, planned, MILL, 0.002),
        call(c.rank_added_poses, MILL, targets, BALL_POSES, candidates[:4], 0.002, more),
        call(c.readings_from_rows, ["ball"], ["ball 1"], [[0, 0]], [[1, 2, 3]]),
        call(c.region_factor, 2, 0.95, 10),
        call(c.relative_line_parameters, MILL, MILL),
        call(c.simulated_readings, MILL, targets, BALL_POSES, 0.002, 3, which=used, resolution_mm=0.001),
    ]  # fmt: skip
    predicted = c.predict_uncertainty(planned, MILL, 0.002)
    values = [
        curve,
        fit.angle_errors[0],
        c.Blunder("sense reversed", readings, MILL),
        c.CoordinateError("X", 1.0, 2.0),
        c.Drift("reading", significant=False, p_value=0.5),
        c.DriftFit("reading", np.zeros(3), np.eye(3), estimable=True),
        fit.lines[0].changes[0],
        fit,
        c.FitDiagnostic("scatter"),
        c.FixedParameter("angle", "turn"),
        fit.lines[0],
        c.Outlier(0, 1, "ball 1", 0.01, 0.001),
        fit.pairs[0],
        targets[0],
        fit.platter,
        c.rank_added_poses(MILL, targets, BALL_POSES, candidates[:2], 0.002)[0],
        predicted,
        fit.residuals,
        readings,
        fit.targets[0],
    ]
    return calls, values


def of_uncertainty():
    from kinematics import uncertainty as u

    targets, _, _ = calibrated()
    node = u.StackNode("post", POST, 1.2e-5)
    at = (u.ModelOperation("top", [0, 0], [0, 0, 0]), u.ModelOperation("side", [-30, 90], [0, 10, 0]))
    cut, touch = u.CutPoint(0, [1, 2, 3]), u.TouchReading([0, 0, 100], [0, 0])
    model = u.SetupModel(MILL, {None: (node,)}, at, (cut,), {None: touch}, 21.0, 2.3e-5, np.zeros(3))
    feature = u.Feature("depth", 1, [0, 0, -8], [0, 0, 1], 0.05)
    others = [u.Feature(f"spot {k}", k % 2, [9.0 * k, 4.0, -k], None, 0.1) for k in range(3)]
    seam = u.Seam((0, 1), [0, 0, -4], [0, 0, 1], 0.02)
    part = u.part_model(u.SetupModel(MILL, {None: (node,)}, at), [feature, *others], [seam])
    sources = [
        u.UncertaintySource.of([one], u.Spread(0.01)) for one in part.model.quantities if one.unit == "mm"
    ]
    exact = [u.UncertaintySource.of([one], u.Spread(0.01)) for one in model.quantities if one.unit == "mm"]
    lines = [one for one in part.model.quantities if one.kind.startswith("line")]
    known = u.UncertaintySource("calibration", "", lines, 1e-6 * np.eye(len(lines)), dof=20)
    rows = [
        u.MeasuredDeviation(k, way, 0.03, 0.003, serial="101")
        for k in (1, 2, 3)
        for way in np.eye(3).tolist()
    ]
    measured = u.measured_parts(part, rows)
    twice = u.measured_parts(part, [*rows, *(dataclasses.replace(one, serial="102") for one in rows)])
    joint = u.correct_jointly(measured, sources)
    causes = u.single_causes(joint, sources)
    correction = u.offset_correction(joint.estimate)
    trials = u.offset_trials(model, exact)
    budget = u.part_budget(part, sources)
    places = [(0, np.array([0.0, 0.0, -5.0])), (1, np.array([20.0, 0.0, -5.0]))]
    calls = [
        call(u.added_poses, part, [*sources, known], targets[:1], 0.002, 3),
        call(u.conformance_probability, 0.01, 0.01, -0.05, 0.05),
        call(u.correct_jointly, measured, sources),
        call(u.corrections_apart, part, [correction]),
        call(u.deviations_after, measured, joint.estimate, correction, sources),
        call(u.draw_sources, sources, 10, np.random.default_rng(1)),
        call(u.expanded_factor, 10.0, 0.95),
        call(u.line_information, MILL, targets[:1], [(0, 0), (-30, 90)], 0.002),
        call(u.measured_parts, part, rows),
        call(u.measurement_blunders, measured, sources),
        call(u.monte_carlo, trials, trials=2000),
        call(u.moved_by, measured, correction),
        call(u.next_feature, causes, 0.003),
        call(u.next_place, part, [joint.estimate, joint.estimate], sources, places, 0.003),
        call(u.numerical_tolerance, 0.0123, 1),
        call(u.offset_budget, model, exact),
        call(u.offset_correction, joint.estimate),
        call(u.offset_trials, model, exact),
        call(u.part_budget, part, sources),
        call(u.part_model, model, [feature], [seam]),
        call(u.part_trials, part, sources),
        call(u.position_probability, [0.01, 0.0], 1e-4 * np.eye(2), 0.02),
        call(u.position_radius, 1e-4 * np.eye(2), 0.95, 10.0),
        call(u.propagate, [[1.0, 2.0]], [[[0.01]], [[0.02]]], [10.0, None]),
        call(u.proven_within, 0.01, 0.01, 0.05),
        call(u.seating_spread, twice),
        call(u.setup_errors, model, np.zeros(len(model.quantities))),
        call(u.setup_prior, model, exact),
        call(u.single_causes, joint, sources),
    ]  # fmt: skip
    values = [
        u.AddedPoses(-30.0, np.zeros((2, 2)), budget),
        causes.pairs[0],
        cut,
        feature,
        budget.features[0],
        joint,
        rows[0],
        measured,
        u.MeasurementBlunder("sign", (0,), 0.01),
        at[0],
        u.monte_carlo(trials, trials=2000),
        u.next_feature(causes),
        u.NextPlace(0, np.zeros(3), np.array([0.0, 0.0, 1.0]), np.zeros(2), np.zeros((2, 2))),
        u.offset_budget(model, exact),
        correction,
        budget,
        part,
        u.propagate([[1.0, 2.0]], [[[0.01]], [[0.02]]], [10.0, None]),
        seam,
        u.seating_spread(twice)[0],
        joint.estimate,
        model,
        causes.causes[0],
        causes,
        u.Spread(0.01),
        node,
        touch,
        model.quantities[0],
        exact[0],
    ]
    return calls, values


def of_batch():
    from kinematics import batch as b
    from kinematics.reach import Section

    stub = b.Stub(Section(diameter_mm=20.0), 15.0, 70.0, 250.0)
    baseline, values = b.Baseline(0.0, 1.0), [0.1, -0.2, 0.3, 0.0, 4.0, 0.2, 0.1, -0.1, 0.3, 0.2]
    chart = b.control_chart(values, baseline)
    hours = b.ShopHours(((420.0, 960.0),) * 5 + (None, None))
    times, start = b.BatchTimes(10.0, 2.0, 0.5, 2, 1.0, 5), datetime(2026, 11, 30, 7, 0)  # noqa: DTZ001 - the shop's own clock
    schedule, tool = b.batch_schedule(times, hours, start, 40), b.ToolLife("end mill", 60.0, 4.0)
    touches = tuple(b.surface_touch([0, 0, 0], way, 3.0) for way in np.eye(3))
    probing = b.ZeroProbing(SETUP, touches)
    terms = b.clocking_terms(SETUP, [[0, 0, 0], [10, 0, 0]])
    change = b.find_change(values)
    calls = [
        call(b.baseline_of, values),
        call(b.batch_schedule, times, hours, start, 40),
        call(b.breaking_force_n, stub, 30.0),
        call(b.centre_touch, [0, 0, 0]),
        call(b.clocked_shift, terms, [[1, 2, 3]], [0.1]),
        call(b.clocking_response, SETUP, [10, 0, 0], [0, 0]),
        call(b.clocking_terms, SETUP, [[0, 0, 0], [10, 0, 0]], "C"),
        call(b.continue_chart, chart.state, values, baseline, b.ChartDesign()),
        call(b.control_chart, values, baseline, b.ChartDesign()),
        call(b.cycle_minutes, times),
        call(b.drift_detection, 0.001, 0.002, 10, center_from=0, sigma_from=0),
        call(b.find_change, values, np.linspace(20.0, 23.0, 10)),
        call(b.forecast, 0.0, 0.001, (-0.02, 0.02), u_drift=0.0001),
        call(b.group_shifts, values, ["left", "right"] * 5),
        call(b.part_shift, probing, [one.expected_mm for one in touches]),
        call(b.probing_intervals, [1, 5], drift=0.001, sigma=0.002, tolerance=0.02, minutes=1.0),
        call(b.shift_response, SETUP, [0, 0]),
        call(b.size_before_coating, 20.0, 0.025, 0.5, "outside"),
        call(b.stub_load, stub, [100.0, 0, 0], [0, 0, 30.0]),
        call(b.surface_touch, [0, 0, 0], [0, 0, 1], 3.0),
        call(b.tools_needed, tool, 100),
        call(b.worst_stub_load, stub, 100.0, [0, 0, 30.0]),
    ]  # fmt: skip
    values = [
        baseline,
        schedule.days[0],
        schedule,
        times,
        change,
        change.fits[0],
        b.ChartDesign(),
        chart.state,
        terms,
        chart,
        b.forecast(0.0, 0.001, (-0.02, 0.02)),
        b.DriftDetection(0.9, 0.001),
        b.group_shifts(values, ["left", "right"] * 5)[0],
        touches[0],
        b.probing_intervals([5], drift=0.001, sigma=0.002, tolerance=0.02, minutes=1.0)[0],
        hours,
        chart.signals[0],
        stub,
        b.stub_load(stub, [100.0, 0, 0], [0, 0, 30.0]),
        tool,
        probing,
    ]
    return calls, values


def of_teaching():
    from kinematics import teaching as t

    setup, steps, placed = SETUP, (POST,), PLACED
    mistakes = t.classic_mistakes(setup, steps)
    answers = [
        t.Answer(1, axis, float(x))
        for axis, x in zip("XYZ", np.add(placed[1].offset_mm, [0, 0, 1.0]), strict=True)
    ]
    angles = [t.AngleAnswer(1, "A", -45.0), t.AngleAnswer(1, "C", 0.0)]
    fault = t.AngleFault(angles[0], -90.0, "")
    pivot = t.set_pivot_exercise(4)
    support = t.attainable(pivot)
    task = t.set_exercise(t.LEVELS[0], 4)
    working = t.solve_by_matrices(setup, placed[1], steps)
    marks = t.diagnose_pivots(pivot, support, pivot.machine)
    step = next(one for one in working.lines if one.calculations)
    number = t.Number(12.345)
    display = t.TouchDisplay([0, 0, 100], [0, 0])
    pose = [(0, 0), (-30, 0), (-60, 0), (0, 90), (0, 180), (30, 270)]
    calls = [
        call(t.all_solutions, setup, placed[1]),
        call(t.angle_error_deg, A, 30.0, -30.0),
        call(t.angle_line, setup, fault, placed),
        call(t.attainable, pivot),
        call(t.circles_uncertainty_mm, pivot, 0),
        call(t.classic_mistakes, setup, steps, tool_length_mm=100.0, stack_mm=[0, 0, 100], operations=placed),
        call(t.coordinate_axes, A),
        call(t.diagnose, setup, placed, steps, answers, tolerance_mm=0.005, tool_length_mm=100.0, stack_mm=[0, 0, 100], more=mistakes[:1], others_mm={0: [0, 0, 0]}),
        call(t.diagnose_pivots, pivot, support, pivot.machine, digit_mm=0.001),
        call(t.diagnose_solutions, setup, placed, steps, answers, angles, within_deg=0.001, tolerance_mm=0.005, tool_length_mm=100.0, stack_mm=[0, 0, 100]),
        call(t.error_carried_forward, setup, [fault], placed),
        call(t.hand_bound_mm, pivot.probings[0], 0.002),
        call(t.line_values, MILL, MILL),
        call(t.matching_solution, setup, placed, angles, answers, within_deg=0.001, within_mm=0.005),
        call(t.mistakes_at_pivot, pivot, support, 0),
        call(t.mistakes_in_direction, support, 0),
        call(t.normal_steps, [0, 1, 1]),
        call(t.offset_of_other_solution, setup, placed, angles),
        call(t.pattern_steps, [0, 1, 0], [0, 18, -12], 1, 60.0),
        call(t.recompute, setup, placed, steps, mistakes[:3]),
        call(t.rotation_steps, [("x", 90.0)]),
        call(t.set_exercise, t.LEVELS[0], 4),
        call(t.set_pivot_exercise, 4),
        call(t.set_pivot_exercise_on, MILL, calibrated()[0][:1], pose, 4),
        call(t.solve_by_matrices, setup, placed[1], steps, t.normal_steps([0, 1, 0]), display),
        call(t.solve_by_trigonometry, setup, placed[1], steps, t.normal_steps([0, 1, 0]), display),
        call(t.solve_pivot, pivot.probings[0]),
        call(t.three_point_steps, [[0, 0, 0], [1, 0, 0], [0, 1, 0]]),
        call(t.why_not_by_trigonometry, setup, steps),
        call(t.written, step.calculations[0], t.Digits()),
        call(t.written_number, number, t.Digits()),
    ]  # fmt: skip
    diagnosis = t.diagnose(setup, placed, steps, answers, tolerance_mm=0.005)
    values = [
        angles[0],
        fault,
        answers[0],
        support,
        step.calculations[0],
        diagnosis,
        t.DiagnosedSolutions(tuple(placed), (fault,), diagnosis, diagnosis),
        t.Digits(),
        task,
        t.FigureTrace(("height of post",), "mm", [100.0], [50.0], "half of it", (), (1,), 0.0, 0.001),
        t.FoundMistake((mistakes[0],), (), (), (1,), 3, 3, 0.0, 0.001),
        support.numbers[0],
        mistakes[0],
        number,
        t.recompute(setup, placed, steps, mistakes[:2]),
        t.PivotAnswer(0, "Y", 1.0),
        marks,
        pivot,
        marks.findings[0],
        marks.marks[0],
        marks.findings[0].made,
        pivot.probings[0],
        working.swings[0],
        display,
        step,
        working,
    ]
    return calls, values


MAKERS = {
    None: of_the_core,
    "reach": of_reach,
    "calibration": of_calibration,
    "uncertainty": of_uncertainty,
    "batch": of_batch,
    "teaching": of_teaching,
}


def specimens(room=None):
    """Every function and class of a room with valid arguments: (callable, arguments)."""
    calls, values = MAKERS[room]()
    return [*calls, *((type(one), fields_of(one)) for one in values)]
