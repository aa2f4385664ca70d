# ruff: noqa: T201 - its counts are its result
"""Probing programs against the library: PARTS random parts as they may lie, and as many that must stop the program.

python tests/cli/batch/prove_program.py 2000
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from probed_shop import CLOCK_WITHIN, Compared, Lying, compare, control_of, lying, shop, stopped

EACH = 20
"""Parts that a shop sees before the next shop is made."""


def beyond(rng, found, nest):
    """A part that lies beyond its limits: by a hair, by a millimetre and more, or clocked."""
    way = rng.normal(size=3)
    way /= np.linalg.norm(way)
    if found.clocks and rng.random() < 0.4:
        sign = 1.0 if rng.random() < 0.5 else -1.0
        return Lying(way * nest.within_mm * 0.5, sign * CLOCK_WITHIN * float(rng.uniform(1.001, 3.0)))
    far = nest.within_mm * 1.0001 if rng.random() < 0.3 else nest.within_mm + float(rng.uniform(0.0, 1.4))
    return Lying(way * max(far, nest.within_mm * 1.0001), 0.0)


def main(parts):
    into, good, bad, went_on, shops = Compared(), 0, 0, 0, 0
    reasons, kinds = {}, {}
    while good < parts or bad < parts:
        rng = np.random.default_rng(100_000 + shops)
        with tempfile.TemporaryDirectory() as folder:
            found = shop(rng, Path(folder))
        machine = found.job.machine
        kind = (machine.letters[0], found.job.machine_file.unit.value, found.parts.unit.value, found.kind)
        kinds[kind] = kinds.get(kind, 0) + 1
        shops += 1
        seen = 0
        while seen < EACH:
            hows = [lying(rng, found, nest) for nest in found.parts.nests]
            control = control_of(found, hows, seen=seen == 0)
            reason = stopped(found, control)
            assert reason is None, (shops, reason, control.messages)
            compare(found, control, hows, 1, into)
            good += len(hows)
            seen += len(hows)
            k = int(rng.integers(len(hows)))
            hows[k] = beyond(rng, found, found.parts.nests[k])
            control = control_of(found, hows)
            reason = stopped(found, control)
            went_on += reason is None
            reasons[reason] = reasons.get(reason, 0) + 1
            bad += 1
    print(f"{shops} shops of {len(kinds)} kinds (tilt, machine's unit, job's unit, targets)")
    print(f"{good} parts within their limits: {into}")
    print(f"{bad} parts beyond them, {went_on} of which did not stop the program; stopped by {reasons}")
    return went_on + into.other_digits


if __name__ == "__main__":
    sys.exit(bool(main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)))
