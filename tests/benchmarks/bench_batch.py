"""Offsets of 10,000 parts at 20 operations, written as CSV and as loaders, against plain numpy and the same lines.

Then the charts of a million readings, block by block: the memory that they take, and the time against plain numpy and scipy.

Run by hand, from the repository's top::

    python -m tests.benchmarks.bench_batch

The plain way is what a careful numpy user writes who knows this one machine: whole arrays, closed form, `%.3f`, one
`writelines`. It checks nothing: no table is read, no row can be wrong, no part is held. Both are shown to agree first.
"""

import argparse
import csv
import io
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

from kinematics.batch import ChartState, baseline_of, continue_chart
from tiltwright.batch.part_zeros import offsets_of_batch
from tiltwright.batch.part_zeros_output import batch_csv, batch_loaders
from tiltwright.files.loader import read_job

ALLOWED = 3.0
EXAMPLES = Path(__file__).parents[2] / "examples"
A_LINE, C_LINE = np.array([-381.0, -203.412, -406.118]), np.array([-381.025, -203.405, -356.112])
HEAD = (
    f'name = "Feet"\nunits = "mm"\nmachine = "{EXAMPLES / "teaching_mill.toml"}"\n'
    '[[stack]]\nname = "post"\nup = 80.0\n'
)


def job_text(operations):
    text = HEAD
    rng = np.random.default_rng(1)
    for k in range(operations):
        tilt, turn = -float(rng.integers(0, 90)), float(rng.integers(0, 360))
        x, y, z = rng.integers(-20, 20, 3).tolist()
        text += (
            f'[[operation]]\nname = "op {k}"\nat = {{ A = {tilt}, C = {turn} }}\norigin = [{x}, {y}, {z}]\n'
        )
    return text


def by_hand(zero_mm, origins, tilt_deg, turn_deg):
    """A square A/C table that turns clockwise: parts (k, 3), origins (m, 3) to offsets (k, m, 3)."""
    tilt, turn = np.radians(tilt_deg), np.radians(turn_deg)
    sin_a, cos_a, sin_c, cos_c = np.sin(tilt), np.cos(tilt), np.sin(turn), np.cos(turn)
    x, y, up = np.moveaxis(zero_mm[:, None, :] + origins - np.array([C_LINE[0], C_LINE[1], A_LINE[2]]), -1, 0)
    back = y * cos_c - x * sin_c + (A_LINE[1] * -1.0 + C_LINE[1])
    return np.stack(
        [
            x * cos_c + y * sin_c + C_LINE[0],
            back * cos_a + up * sin_a + A_LINE[1],
            up * cos_a - back * sin_a + A_LINE[2],
        ],
        axis=-1,
    )


def timed(once, runs):
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        once()
        times.append(time.perf_counter() - start)
    return min(times)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=10_000)
    parser.add_argument("--operations", type=int, default=20)
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        fits = compare(Path(folder), options)
    return 0 if chart_statistics(options.runs) and fits else 1


BLOCK, READINGS = 10_000, 1_000_000
BOUND_MB = 4.0


def blocks(count):
    """Readings that wander a little, a block at a time: nothing is held."""
    rng = np.random.default_rng(3)
    for start in range(0, count, BLOCK):
        yield -419.0 + rng.normal(scale=0.004, size=min(BLOCK, count - start))


def charted(count):
    """All charts of so many readings; how many signals they gave."""
    baseline = baseline_of(blocks(count))
    state, signals = ChartState(), 0
    for block in blocks(count):
        chart = continue_chart(state, block, baseline)
        state, signals = chart.state, signals + len(chart.signals)
    return signals


def plain_statistics(count):
    """The statistics alone, no rule applied, all readings in memory."""
    values = np.concatenate(list(blocks(count)))
    sigma = np.abs(np.diff(values)).mean() / 1.128
    z = (values - values.mean()) / sigma
    lfilter([0.2], [1.0, -0.8], z)
    for side in (1.0, -1.0):
        summed = np.cumsum(side * z - 0.5)
        summed -= np.minimum(np.minimum.accumulate(summed), 0.0)


def peak_mb(once):
    tracemalloc.start()
    once()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 1e6


def chart_statistics(runs):
    charted(BLOCK)  # whatever is loaded on first use
    small, large = (peak_mb(lambda count=count: charted(count)) for count in (READINGS // 10, READINGS))
    ours, plain = timed(lambda: charted(READINGS), runs), timed(lambda: plain_statistics(READINGS), runs)
    told = (
        f"{small:.1f} MB for {READINGS // 10} readings, {large:.1f} MB for {READINGS} ({BOUND_MB:g} allowed)"
    )
    sys.stdout.write(
        f"charts: {told}; plain numpy holds {peak_mb(lambda: plain_statistics(READINGS)):.0f} MB\n"
    )
    sys.stdout.write(f"charts: {ours:.2f} s with every rule, plain statistics {plain:.2f} s\n")
    return large <= BOUND_MB


def compare(folder, options):
    (folder / "job.toml").write_text(job_text(options.operations), encoding="utf-8")
    rng = np.random.default_rng(2)
    nominal = np.array([C_LINE[0], C_LINE[1], C_LINE[2] + 80.0])
    zeros = np.round(nominal + rng.normal(scale=0.05, size=(options.parts, 3)), 4)
    table = folder / "parts.csv"
    rows = "".join(f"{k},{x},{y},{z}\n" for k, (x, y, z) in enumerate(zeros.tolist(), start=1))
    table.write_text(f"serial,X_mm,Y_mm,Z_mm\n{rows}", encoding="utf-8")
    job = read_job(folder / "job.toml")
    placed = offsets_of_batch(job, table).evaluated.nests[0].operations
    origins = np.array([one.placed.origin_mm for one in placed])
    angles = np.array([one.placed.machine_deg for one in placed])
    setup = Case(
        folder, job, table, zeros, origins, angles, [(one.placed.name, one.number) for one in placed]
    )
    apart = float(np.abs(setup.found() - offsets_of_batch(job, table).offsets[0].offset_mm).max())
    size = f"{options.parts} parts x {options.operations} operations"
    sys.stdout.write(f"{size}; the two ways agree to {apart:.1e} mm\n")
    assert apart < 1e-9
    fits = True
    pairs = (("CSV", setup.plain_csv, setup.our_csv), ("loaders", setup.plain_loaders, setup.our_loaders))
    for what, plain, ours in pairs:
        plain_s, ours_s = timed(plain, options.runs), timed(ours, options.runs)
        ratio = ours_s / plain_s
        fits &= ratio <= ALLOWED
        told = f"plain {plain_s:.2f} s, tiltwright {ours_s:.2f} s, {ratio:.2f} times ({ALLOWED:g} allowed)"
        sys.stdout.write(f"{what}: {told}\n")
    return fits


class Case:
    """The same parts written in both ways; the text of all loaders into one file, since the disk is not measured."""

    def __init__(self, folder, job, table, zeros, origins, angles, operations):
        self.folder, self.job, self.table = folder, job, table
        self.zeros, self.origins, self.angles, self.operations = zeros, origins, angles, operations

    def found(self):
        return by_hand(self.zeros, self.origins, self.angles[:, 0], self.angles[:, 1])

    def rows(self):
        for serial, part in enumerate(self.found().tolist(), start=1):
            yield str(serial), zip(self.operations, part, strict=True)

    def plain_csv(self):
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        for serial, part in self.rows():
            for (name, number), xyz in part:
                writer.writerow([serial, "", "", name, number, *xyz, 0.0, 0.0])
        (self.folder / "plain.csv").write_text(out.getvalue(), encoding="utf-8")

    def plain_loaders(self):
        lines = []
        for serial, part in self.rows():
            lines.append(f"(Part {serial})")
            for (name, number), (x, y, z) in part:
                lines += [f"({name})", f"G10 L2 P{number} X{x:.3f} Y{y:.3f} Z{z:.3f} A0.0000 C0.0000"]
        (self.folder / "plain.nc").write_text("\n".join(lines), encoding="utf-8")

    def our_csv(self):
        text = batch_csv(offsets_of_batch(self.job, self.table), "mm")
        (self.folder / "ours.csv").write_text(text, encoding="utf-8")

    def our_loaders(self):
        files = batch_loaders(offsets_of_batch(self.job, self.table), "mm")
        (self.folder / "ours.nc").write_text("".join(files.values()), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
