"use strict";
// Solids as triangles with a normal each, and the edges where two of them meet at more than 30 degrees.

const EDGE_COSINE = 0.866, FACETS_WITHIN_MM = 0.02;

function sidesOf(radius) {
  const wanted = Math.PI / Math.acos(radius / (radius + FACETS_WITHIN_MM));
  return Math.min(96, Math.max(24, 4 * Math.ceil(wanted / 4)));
}

function fromBase64(text, Type) {
  const plain = atob(text), bytes = new Uint8Array(plain.length);
  for (let i = 0; i < plain.length; i++) bytes[i] = plain.charCodeAt(i);
  return new Type(bytes.buffer);
}

function boxFaces(low, high) {
  const vertices = [];
  for (let i = 0; i < 8; i++) for (let k = 0; k < 3; k++) vertices.push((i >> k) & 1 ? high[k] : low[k]);
  const quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
  return {vertices, triangles: quads.flatMap(([a, b, c, d]) => [a, b, c, a, c, d])};
}

function roundFaces(shape) { // rings of points: outer at both ends, then the bore's
  const axis = unitOf(minus(shape.to, shape.from)), [u, v] = across(axis), vertices = [], triangles = [];
  const radii = shape.diameters.map(d => d / 2), n = sidesOf(Math.max(...radii)), bore = shape.bore / 2;
  const ring = (centre, radius) => {
    for (let i = 0; i < n; i++) {
      const [s, c] = sincosDeg(360 * i / n);
      vertices.push(...plus(plus(centre, u, radius * c), v, radius * s));
    }
  };
  ring(shape.from, radii[0]);
  ring(shape.to, radii[1]);
  if (bore) { ring(shape.from, bore); ring(shape.to, bore); } else vertices.push(...shape.from, ...shape.to);
  for (let i = 0; i < n; i++) {
    const j = (i + 1) % n;
    triangles.push(i, j, n + j, i, n + j, n + i);
    if (bore) {
      const [a, b, c, d] = [2 * n + i, 2 * n + j, 3 * n + i, 3 * n + j];
      triangles.push(a, d, b, a, c, d, i, b, j, i, a, b, n + i, n + j, d, n + i, d, c);
    } else triangles.push(2 * n, j, i, 2 * n + 1, n + i, n + j);
  }
  return {vertices, triangles};
}

function facesOf(shape) {
  if (shape.is === "round") return roundFaces(shape);
  if (shape.is === "box") return boxFaces(shape.low, shape.high);
  return {vertices: fromBase64(shape.vertices, Float32Array), triangles: fromBase64(shape.triangles, Uint32Array)};
}

function solidOf(body) {
  const faces = facesOf(body.shape), vertices = Float32Array.from(faces.vertices);
  const triangles = Uint32Array.from(faces.triangles);
  if (body.pose) {
    for (let i = 0; i < vertices.length; i += 3) vertices.set(moved(body.pose, vertices.subarray(i, i + 3)), i);
  }
  const normals = new Float32Array(triangles.length), edges = new Map(), lines = [];
  for (let i = 0; i < triangles.length; i += 3) {
    const [a, b, c] = [0, 1, 2].map(k => vertices.subarray(3 * triangles[i + k], 3 * triangles[i + k] + 3));
    normals.set(unitOf(cross(minus(b, a), minus(c, a))), i);
    for (let k = 0; k < 3; k++) {
      const p = triangles[i + k], q = triangles[i + (k + 1) % 3], key = Math.min(p, q) * 4294967 + Math.max(p, q);
      const other = edges.get(key);
      if (other === undefined) edges.set(key, i);
      else if (dot(normals.subarray(i, i + 3), normals.subarray(other, other + 3)) < EDGE_COSINE) lines.push(p, q);
    }
  }
  return {...body, shape: undefined, vertices, triangles, normals, lines: Uint32Array.from(lines)};
}
