"use strict";
// Vectors are arrays of three, poses three rows of four: plain values, nothing is changed in place.

function plus(a, b, times = 1) { return [a[0] + times * b[0], a[1] + times * b[1], a[2] + times * b[2]]; }
function minus(a, b) { return plus(a, b, -1); }
function scaled(a, times) { return [a[0] * times, a[1] * times, a[2] * times]; }
function dot(a, b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }
function cross(a, b) {
  return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
}
function size(a) { return Math.hypot(a[0], a[1], a[2]); }
function unitOf(a) { return scaled(a, 1 / (size(a) || 1)); }

function moved(pose, p) { return pose.map(r => r[0] * p[0] + r[1] * p[1] + r[2] * p[2] + r[3]); }
function turned(pose, v) { return pose.map(r => r[0] * v[0] + r[1] * v[1] + r[2] * v[2]); }

function across(direction) { // two directions square to one and to each other, right-handed with it
  const least = direction.map(Math.abs), i = least.indexOf(Math.min(...least));
  const first = unitOf(cross([0, 1, 2].map(k => (k === i ? 1 : 0)), direction));
  return [first, cross(direction, first)];
}

function footOn(point, direction, p) { return plus(point, direction, dot(minus(p, point), direction)); }

function turnedAbout(point, direction, degrees, p) {
  const arm = minus(p, point), [s, c] = sincosDeg(degrees), along = dot(arm, direction);
  const beside = cross(direction, arm);
  return [0, 1, 2].map(i => point[i] + c * arm[i] + s * beside[i] + (1 - c) * along * direction[i]);
}

function roundDown125(value) { // the largest of 1, 2, 5 times a power of ten that is not above it
  const power = 10 ** Math.floor(Math.log10(value));
  return [5, 2, 1].find(step => step * power <= value * (1 + 1e-12)) * power;
}

function arcPoints(point, direction, from, degrees, share = 1) { // about a line, from a point, right-handed
  const foot = footOn(point, direction, from), start = plus(foot, minus(from, foot), share), points = [];
  const pieces = Math.max(2, Math.ceil(Math.abs(degrees) / 6));
  for (let i = 0; i <= pieces; i++) points.push(turnedAbout(point, direction, degrees * i / pieces, start));
  return points;
}
