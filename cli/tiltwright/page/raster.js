"use strict";
// Triangles into a depth buffer, pixel by pixel: the same pixels on every machine, and no graphics driver.

const COLOURS = {
  base: [0.58, 0.61, 0.60], turning: [0.70, 0.76, 0.82], part: [0.93, 0.77, 0.42], assumed: [0.80, 0.83, 0.78],
  tool: [0.28, 0.31, 0.36], holder: [0.50, 0.56, 0.63], spindle: [0.64, 0.66, 0.70], gripper: [0.44, 0.60, 0.52],
};
const EDGE = 0xff32291f, FAR = -1e9, LONGEST_EDGE = 8000;

class Raster {
  constructor(width, height) {
    this.width = width;
    this.height = height;
    this.pixels = new Uint32Array(width * height);
    this.depth = new Float32Array(width * height);
  }

  // Bodies are {solid, pose}; those of kind "assumed" come last, every second pixel of them.
  draw(eye, bodies) {
    this.pixels.fill(0);
    this.depth.fill(FAR);
    for (const dotted of [false, true]) {
      for (const {solid, pose} of bodies) {
        if ((solid.kind === "assumed") !== dotted) continue;
        const points = this.project(eye, solid, pose);
        this.faces(eye, solid, pose, points, dotted);
        this.edges(solid, points, 0.004 * eye.span);
      }
    }
  }

  project(eye, solid, q) {
    const m = eye.axes(), s = eye.scale(this.width, this.height), t = eye.target, v = solid.vertices;
    // One matrix from the solid's own coordinates to the screen.
    const rows = m.map(r => [0, 1, 2].map(k => r[0] * q[0][k] + r[1] * q[1][k] + r[2] * q[2][k]));
    const shift = m.map(r => r[0] * (q[0][3] - t[0]) + r[1] * (q[1][3] - t[1]) + r[2] * (q[2][3] - t[2]));
    const [[a, b, c], [d, e, f], [g, h, i]] = rows, cx = this.width / 2, cy = this.height / 2;
    const points = new Float32Array(v.length);
    for (let k = 0; k < v.length; k += 3) {
      const x = v[k], y = v[k + 1], z = v[k + 2];
      points[k] = cx + s * (a * x + b * y + c * z + shift[0]);
      points[k + 1] = cy - s * (d * x + e * y + f * z + shift[1]);
      points[k + 2] = g * x + h * y + i * z + shift[2];
    }
    return points;
  }

  faces(eye, solid, q, points, dotted) {
    const m = eye.axes(), toward = [0, 1, 2].map(i => 0.35 * m[0][i] + 0.45 * m[1][i] + 0.82 * m[2][i]);
    const [lx, ly, lz] = [0, 1, 2].map(k => toward[0] * q[0][k] + toward[1] * q[1][k] + toward[2] * q[2][k]);
    const [red, green, blue] = COLOURS[solid.kind], {triangles, normals} = solid;
    for (let i = 0; i < triangles.length; i += 3) {
      const a = 3 * triangles[i], b = 3 * triangles[i + 1], c = 3 * triangles[i + 2];
      const area = (points[b] - points[a]) * (points[c + 1] - points[a + 1])
        - (points[c] - points[a]) * (points[b + 1] - points[a + 1]);
      if (area >= 0) continue; // it looks away (y runs down)
      const lit = normals[i] * lx + normals[i + 1] * ly + normals[i + 2] * lz;
      const shade = 255 * (0.62 + 0.38 * Math.max(lit, -0.6));
      const colour = 0xff000000 | (shade * blue) << 16 | (shade * green) << 8 | (shade * red);
      this.triangle(points, a, b, c, area, colour, dotted);
    }
  }

  triangle(points, a, b, c, area, colour, dotted) {
    const ax = points[a], ay = points[a + 1], az = points[a + 2], bx = points[b], by = points[b + 1];
    const cx = points[c], cy = points[c + 1], w = this.width, {pixels, depth} = this;
    const dzx = ((points[b + 2] - az) * (cy - ay) - (points[c + 2] - az) * (by - ay)) / area;
    const dzy = ((points[c + 2] - az) * (bx - ax) - (points[b + 2] - az) * (cx - ax)) / area;
    const top = Math.max(0, Math.ceil(Math.min(ay, by, cy) - 0.5));
    const bottom = Math.min(this.height - 1, Math.floor(Math.max(ay, by, cy) - 0.5));
    for (let py = top; py <= bottom; py++) {
      const y = py + 0.5;
      let low = 1e9, high = -1e9, x;
      if ((ay <= y) !== (by <= y)) { x = ax + (y - ay) * (bx - ax) / (by - ay); if (x < low) low = x; if (x > high) high = x; }
      if ((by <= y) !== (cy <= y)) { x = bx + (y - by) * (cx - bx) / (cy - by); if (x < low) low = x; if (x > high) high = x; }
      if ((cy <= y) !== (ay <= y)) { x = cx + (y - cy) * (ax - cx) / (ay - cy); if (x < low) low = x; if (x > high) high = x; }
      const from = Math.max(0, Math.ceil(low - 0.5)), to = Math.min(w - 1, Math.floor(high - 0.5));
      let at = py * w + from, z = az + (from + 0.5 - ax) * dzx + (y - ay) * dzy;
      for (let px = from; px <= to; px++, at++, z += dzx) {
        if (z > depth[at] && !(dotted && (px + py) & 1)) { depth[at] = z; pixels[at] = colour; }
      }
    }
  }

  edges(solid, points, near) {
    const {lines} = solid, w = this.width, h = this.height, {pixels, depth} = this;
    for (let i = 0; i < lines.length; i += 2) {
      const a = 3 * lines[i], b = 3 * lines[i + 1], dx = points[b] - points[a], dy = points[b + 1] - points[a + 1];
      const steps = Math.max(1, Math.ceil(Math.max(Math.abs(dx), Math.abs(dy)))), dz = points[b + 2] - points[a + 2];
      if (steps > LONGEST_EDGE) continue;
      for (let j = 0; j <= steps; j++) {
        const x = Math.floor(points[a] + dx * j / steps), y = Math.floor(points[a + 1] + dy * j / steps);
        if (x < 0 || y < 0 || x >= w || y >= h) continue;
        if (points[a + 2] + dz * j / steps + near > depth[y * w + x]) pixels[y * w + x] = EDGE;
      }
    }
  }
}
