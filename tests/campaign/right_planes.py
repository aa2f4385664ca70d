"""Right planes of simulated parts without a stated blank: which are asked about, and which lost signs are told.

Run by hand, from the repository's top::

    python tests/campaign/right_planes.py 100 [seed]

Rounds and blocks with part zero on top, at a corner, on a dowel beside them or at the underside, with two to seven planes
each. Every plane is asked about as it is, then with each sign of its normal and origin lost in turn.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

TOP = Path(__file__).parents[2]
sys.path.insert(0, str(TOP / "tests" / "cli"))

from machine_texts import mill_text  # noqa: E402 - beside the command's tests

from tiltwright.job.evaluate import evaluate_job  # noqa: E402
from tiltwright.job.message_kinds import FacesDown, FacesInward  # noqa: E402
from tiltwright.job.warnings import job_messages  # noqa: E402

KINDS = {
    # Kind: how often, the origin's place along the way out and its depth, the angle from upright, outward or not.
    "side face": (5, (1.0, 1.0), (0.2, 0.8), (90.0, 90.0)),
    "chamfer": (3, (1.0, 1.0), (0.0, 0.0), (25.0, 65.0)),
    "side hole": (4, (1.0, 1.0), (0.2, 0.8), (50.0, 85.0)),
    "side hole, zero inside": (2, (0.2, 0.7), (0.2, 0.8), (50.0, 90.0)),
    "top hole outward": (2, (0.1, 0.9), (0.0, 0.0), (16.0, 50.0)),
    "top hole inward": (1, (-0.9, -0.1), (0.0, 0.0), (20.0, 50.0)),
    "axes meet": (1, (-0.05, 0.05), (0.2, 0.8), (20.0, 80.0)),
    "zero at the far end": (1, (-0.6, -0.1), (0.2, 0.8), (50.0, 85.0)),
    "bowl": (1, (-0.7, -0.7), (0.0, 0.2), (20.0, 45.0)),
}
HEAD = """name = "Part"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "riser"
up = 60.0
[[operation]]
name = "top"
at = { A = 0, C = 0 }
"""


def cuts_of(rng: np.random.Generator) -> list[tuple[str, np.ndarray]]:
    """Planes of one part: the kind, and its normal and origin."""
    round_, half = bool(rng.random() < 0.5), rng.uniform(15.0, 60.0, 2)
    height = rng.uniform(25.0, 80.0)
    zeros = ([0, 0, 0], [0, 0, 0], [*half, 0], [half[0] + 25.0, 0, 0], [0, 0, height])
    zero = np.array(zeros[rng.integers(len(zeros))], dtype=float)
    share = np.array([one[0] for one in KINDS.values()], dtype=float)
    cuts = []
    for kind in rng.choice(list(KINDS), rng.integers(2, 8), p=share / share.sum()):
        _, out, down, tilt = KINDS[kind]
        turn = np.radians(
            90.0 * rng.integers(4) if not round_ or rng.random() < 0.7 else rng.uniform(0.0, 360.0)
        )
        way = np.array([np.cos(turn), np.sin(turn)]).round(12)
        far = half[0] * way if round_ else half * way
        along = np.zeros(2) if round_ else rng.uniform(-0.8, 0.8) * half * way[::-1]
        lean = np.radians(rng.uniform(*tilt))
        at = [*(rng.uniform(*out) * far + along), -rng.uniform(*down) * height]
        normal = np.array([*(way * np.sin(lean)), np.cos(lean)]).round(12)
        cuts.append((str(kind), np.concatenate([normal, (np.array(at) + zero).round(3)])))
    return cuts


def asked(path: Path, cuts: list[tuple[str, np.ndarray]]) -> tuple[set[str], set[str]]:
    """The operations that are asked about, and all that are placed."""
    tables = (
        f'[[operation]]\nname = "{k} {kind}"\nnormal = {numbers[:3].tolist()}\norigin = {numbers[3:].tolist()}\n'
        for k, (kind, numbers) in enumerate(cuts)
    )
    path.write_text(HEAD + "".join(tables), encoding="utf-8")
    evaluated = evaluate_job(str(path))
    names = {
        str(name)
        for one in job_messages(evaluated)
        if isinstance(one.finding, (FacesInward, FacesDown))
        for name in one.about
    }
    return names, {one.placed.name for one in evaluated.operations}


def report() -> int:
    parts = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rng = np.random.default_rng(int(sys.argv[2]) if len(sys.argv) > 2 else 7)
    right, wrongly, lost, told = Counter[str](), Counter[str](), Counter[str](), Counter[str]()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "job.toml"
        path.with_name("teaching_mill.toml").write_text(mill_text(limits="[-120.0, 120.0]"), encoding="utf-8")
        for _ in range(parts):
            cuts = cuts_of(rng)
            before, placed = asked(path, cuts)
            for k, (kind, numbers) in enumerate(cuts):
                name = f"{k} {kind}"
                right[kind] += name in placed
                wrongly[kind] += name in before
                for place in (0, 1, 3, 4):
                    if abs(numbers[place]) < 1e-6 or name not in placed:
                        continue
                    changed = numbers.copy()
                    changed[place] *= -1.0
                    now, reached = asked(path, [*cuts[:k], (kind, changed), *cuts[k + 1 :]])
                    lost[kind] += name in reached
                    told[kind] += name in reached and bool(now - before)
    for kind in KINDS:
        words = f"asked about {wrongly[kind]} of {right[kind]} right, told {told[kind]} of {lost[kind]} lost signs"
        sys.stdout.write(f"{kind}: {words}\n")
    sys.stdout.write(
        f"all: asked about {wrongly.total()} of {right.total()} right, told {told.total()} of {lost.total()} lost signs\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(report())
