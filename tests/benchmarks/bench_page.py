"""Size of the example's page, the time to write it, and a turn drawn of 80,000 triangles, in one run.

Run by hand, from the repository's top: ``python -m tests.benchmarks.bench_page [COMMAND]``, COMMAND being the tiltwright
to time. It takes chromium. With ``--beside FOLDER`` other renderers of the same solids are timed in the same run: every
FOLDER/render_NAME.js that defines ``makeRenderer(canvas, solids)`` with ``draw`` and ``finish``, and FOLDER/camera.js.
"""

import base64
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

TOP = Path(__file__).parents[2]
JOB = TOP / "examples" / "tide_gauge_head.toml"
MOST_BYTES, MOST_TIMES, MOST_MS = 100_000, 1.5, 15.0
WIDE, HIGH, TRIANGLES = 816, 679, 80_000
sys.path.insert(0, str(TOP / "tests" / "cli" / "page"))


def ball(triangles):
    """A wavy closed body with about so many triangles, as the contract has meshes."""
    n = int((triangles / 2) ** 0.5)
    theta, phi = np.meshgrid(
        np.linspace(0.02, np.pi - 0.02, n + 1), np.linspace(0, 2 * np.pi, n, endpoint=False), indexing="ij"
    )
    r = 100 * (1 + 0.1 * np.sin(9 * phi) * np.sin(7 * theta))
    vertices = np.stack(
        [r * np.sin(theta) * np.cos(phi), r * np.sin(theta) * np.sin(phi), r * np.cos(theta)], -1
    ).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    a, b, c, d = i * n + j, (i + 1) * n + j, (i + 1) * n + (j + 1) % n, i * n + (j + 1) % n
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    return {
        "is": "mesh",
        "count": len(faces),
        "vertices": base64.b64encode(vertices.astype("<f4").tobytes()).decode(),
        "triangles": base64.b64encode(faces.astype("<u4").tobytes()).decode(),
    }


DRAW = """(() => {
  const solid = solidOf({name: "ball", kind: "turning", carried: 0, shape: %s}), raster = new Raster(%d, %d);
  const eye = new Eye([0, 0, 0], 260), pose = [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0]], times = [];
  const canvas = document.createElement("canvas"), pen = canvas.getContext("2d");
  canvas.width = %d; canvas.height = %d;
  for (let i = 0; i < 40; i++) {
    eye.turn(9 * i, 20);
    const start = performance.now();
    raster.draw(eye, [{solid, pose}]);
    pen.putImageData(new ImageData(new Uint8ClampedArray(raster.pixels.buffer), %d, %d), 0, 0);
    times.push(performance.now() - start);
  }
  return times.slice(5);
})()"""

BESIDE = """(() => {
  %s
  %s
  const body = %s, solid = solidOf(body), canvas = document.createElement("canvas"), times = [];
  canvas.width = %d; canvas.height = %d;
  document.body.append(canvas);
  const eye = new Eye([0, 0, 0], 260), pose = [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0]];
  const renderer = makeRenderer(canvas, [solid]);
  if (!renderer) return null;
  for (let i = 0; i < 40; i++) {
    eye.azimuth = 9 * i;
    eye.elevation = 20;
    const start = performance.now();
    renderer.draw(eye, () => pose, () => true);
    renderer.finish();
    times.push(performance.now() - start);
  }
  return times.slice(5);
})()"""


def seconds(words):
    start = time.perf_counter()
    subprocess.run(words, check=True, capture_output=True)
    return time.perf_counter() - start


def say(name, figure, unit, allowed=None):
    verdict = "" if allowed is None else f", allowed {allowed:g}: {'within' if figure <= allowed else 'OVER'}"
    sys.stdout.write(f"{name}: {figure:.4g} {unit}{verdict}\n")
    return allowed is None or figure <= allowed


def main():
    from chromium import Chromium

    words = sys.argv[1:]
    beside = Path(words.pop(words.index("--beside") + 1)) if "--beside" in words else None
    command = next((word for word in words if not word.startswith("--")), ".venv/bin/tiltwright")
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "page.html"
        write, plain = [command, "page", JOB, "-o", page, "--force"], [command, "offsets", JOB]
        for warm in (write, plain):
            seconds(warm)
        pairs = [(seconds(write), seconds(plain)) for _ in range(11)]
        good = say("page of the example", page.stat().st_size, "bytes", MOST_BYTES)
        ratio = statistics.median(a for a, _ in pairs) / statistics.median(b for _, b in pairs)
        good &= say("written, in times of `offsets`", ratio, "", MOST_TIMES)
        browser = Chromium(1000, 800)
        try:
            browser.open(page)
            shape = json.dumps(ball(TRIANGLES))
            times = browser.js(DRAW % (shape, *(WIDE, HIGH) * 3))
            good &= say(f"a turn of {TRIANGLES} triangles, median", statistics.median(times), "ms", MOST_MS)
            for script in sorted(beside.glob("render_*.js")) if beside else ():
                body = json.dumps({"name": "ball", "kind": "turning", "carried": 0, **json.loads(shape)})
                got = browser.js(
                    BESIDE % ((beside / "camera.js").read_text(), script.read_text(), body, WIDE, HIGH)
                )
                say(f"beside: {script.stem}", statistics.median(got), "ms") if got else sys.stdout.write(
                    f"beside: {script.stem} does not run here\n"
                )
        finally:
            browser.close()
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
