"""Reach against asking the collision library for every pair, and a mesh of 100,000 triangles. Run by hand:

python tests/benchmarks/bench_reach.py
"""

from __future__ import annotations

import resource
import struct
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from kinematics import Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep, Travel
from kinematics.reach import (
    BASE,
    SPINDLE_NOSE,
    Box,
    CollisionModel,
    Frustum,
    HolderPart,
    OperationPose,
    Section,
    Solid,
    StepBody,
    TipEnvelope,
    Tool,
    clearances,
    on_rotary,
    on_step,
    platter_solid,
    scene_of,
)
from kinematics.reach.clearance import swept_bodies
from kinematics.reach.scene import exact_gap_mm, group_poses

OPERATIONS, NAIVE_SAMPLE, NAIVE_SEARCH_MM = 1000, 20, 1000.0


def say(words: str) -> None:
    """A line on stdout."""
    sys.stdout.write(words + "\n")


def laid_out(count: int) -> CollisionModel:
    """A trunnion with 20 solids that turn or stand, 5 that cut, and random operations."""
    a = RotaryAxis("A", [-381, -203.412, -406.118], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    c = RotaryAxis("C", [-381.025, -203.405, -356.112], [0, 0, 1], RotationSense.CLOCKWISE, None)
    travel = Travel([-760, -410, -510], [0, 0, 0])
    mill = Machine("mill", (a, c), Platter(face_mm=-356.112, diameter_mm=160.0), travel)
    steps = (
        StackStep("plate", 20.0),
        StackStep("standoff", 95.0, (0.015, -0.008)),
        StackStep("blank", 62.0, turn_deg=0.35),
    )
    bodies = (
        StepBody(Section(diameter_mm=150.0)),
        StepBody(Section(diameter_mm=60.0)),
        StepBody(Section(diameter_mm=90.0), machinable=True),
    )
    platter = platter_solid(mill, 25.0)
    assert platter is not None
    solids = [platter, Solid("base", Box([-560, -330, -510], [-200, -80, -475]), BASE)]
    for name, x in (("left arm", -501.0), ("right arm", -261.0)):
        solids.append(Solid(name, Box([x - 15, -263, -460], [x + 15, -143, -340]), on_rotary(0)))
    for k in range(13):
        x, y = 65 * np.cos(k * 2 * np.pi / 13), 65 * np.sin(k * 2 * np.pi / 13)
        solids.append(Solid(f"clamp {k + 1}", Box([x - 6, y - 6, 0], [x + 6, y + 6, 18]), on_step(1)))
    nose = Solid("spindle nose", Frustum([0, 0, 0], [0, 0, 120], 90.0), SPINDLE_NOSE)
    tool = Tool("end mill", 120.0, 10.0, (HolderPart(20, 63), HolderPart(40, 40), HolderPart(20, 40, 28)))
    random = np.random.default_rng(0)
    operations = []
    for k in range(count):
        half = random.uniform(0, 20, 3)
        at = np.array([random.uniform(-100, 20), random.uniform(0, 360)])
        origin = random.uniform([-20, -20, -20], [20, 20, 0])
        operations.append(OperationPose(f"operation {k + 1}", at, origin, tool, TipEnvelope(-half, half)))
    return CollisionModel(
        Setup.from_stack(mill, steps), steps, bodies, tuple(solids), (nose,), tuple(operations)
    )


def every_pair(model: CollisionModel, operation: OperationPose) -> float:
    """The smallest distance by asking for every pair."""
    scene = scene_of(model) if not hasattr(every_pair, "scene") else every_pair.scene
    poses = group_poses(model.machine, operation.machine_deg)
    return min(
        exact_gap_mm(scene, k, poses, swept, NAIVE_SEARCH_MM)
        for swept in swept_bodies(model, operation)
        for k, body in enumerate(scene.bodies)
        if not (swept.body.machinable and body.machinable)
    )


def bench_pairs() -> None:
    """1,000 operations, 20 solids that turn, 5 that cut."""
    model = laid_out(OPERATIONS)
    scene = scene_of(model)
    cutting = len(swept_bodies(model, model.operations[0]))
    say(f"{len(model.operations)} operations, {len(scene.bodies)} solids that turn, {cutting} that cut")
    start = time.perf_counter()
    found = clearances(model, 0.0, scene)
    ours = time.perf_counter() - start
    say(f"reach: {ours:.2f} s, {ours / OPERATIONS * 1e3:.2f} ms an operation")
    every_pair.scene = scene
    sample = range(0, OPERATIONS, OPERATIONS // NAIVE_SAMPLE)
    start = time.perf_counter()
    gaps = [every_pair(model, model.operations[k]) for k in sample]
    naive = (time.perf_counter() - start) / len(gaps) * OPERATIONS
    off = max(abs(gap - found[k].nearest.gap_mm) for gap, k in zip(gaps, sample, strict=True))
    say(
        f"every pair: {naive:.1f} s, scaled up from {len(gaps)} operations spread over the run "
        f"(searching {NAIVE_SEARCH_MM:g} mm far); largest difference {off:.2e} mm"
    )
    say(f"{naive / ours:.0f} times faster (asked for: 50)")


def write_stl(path: Path, triangles: int) -> None:
    """A ball of that many triangles as binary STL."""
    rows = int(np.sqrt(triangles / 2)) + 1
    across = np.linspace(0, 2 * np.pi, rows, endpoint=False)
    down = np.linspace(0, np.pi, rows + 1)
    grid = 40.0 * np.stack(
        [
            np.sin(down)[:, None] * np.cos(across),
            np.sin(down)[:, None] * np.sin(across),
            np.cos(down)[:, None] * np.ones(rows),
        ],
        axis=-1,
    )
    grid[0], grid[-1] = [0, 0, 40.0], [0, 0, -40.0]
    right = np.roll(grid, -1, axis=1)
    upper = np.stack([grid[:-1], grid[1:], right[1:]], axis=-2)[:-1].reshape(-1, 3, 3)
    lower = np.stack([grid[:-1], right[1:], right[:-1]], axis=-2)[1:].reshape(-1, 3, 3)
    faces = np.concatenate([upper, lower]).astype("<f4")
    record = np.zeros(len(faces), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    record["v"] = faces
    path.write_bytes(b"ball".ljust(80) + struct.pack("<I", len(faces)) + record.tobytes())


def bench_mesh() -> None:
    """A mesh of 100,000 triangles, read and checked against every operation."""
    from tiltwright.files.stl import read_stl

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ball.stl"
        write_stl(path, 100_000)
        start = time.perf_counter()
        mesh = read_stl(path, 1.0)
        read = time.perf_counter() - start
    model = laid_out(OPERATIONS)
    ball = Solid("ball", mesh, on_step(2), machinable=False)
    model = CollisionModel(
        model.setup, model.steps, model.step_bodies, (*model.solids, ball), model.spindle, model.operations
    )
    start = time.perf_counter()
    scene = scene_of(model)
    built = time.perf_counter() - start
    start = time.perf_counter()
    clearances(model, 0.0, scene)
    checked = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    say(
        f"STL of {len(mesh.triangles)} triangles: read {read:.2f} s, built {built:.2f} s, checked against "
        f"{OPERATIONS} operations {checked:.1f} s; memory grew by {(after - before) / 1024:.0f} MB at its highest"
    )


if __name__ == "__main__":
    chosen = sys.argv[1:] or ["pairs", "mesh"]
    if "pairs" in chosen:
        bench_pairs()
    if "mesh" in chosen:
        bench_mesh()
