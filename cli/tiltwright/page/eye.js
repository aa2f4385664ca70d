"use strict";
// Where the picture is seen from: parallel projection, up stays up.

class Eye {
  constructor(target, span) {
    this.home = {target: target.slice(), span, azimuth: -58, elevation: 24};
    this.fit();
    this.turn(this.home.azimuth, this.home.elevation);
  }
  fit() { this.target = this.home.target.slice(); this.span = this.home.span; }
  turn(azimuth, elevation) {
    this.azimuth = azimuth;
    this.elevation = Math.max(-90, Math.min(90, elevation));
  }
  from(direction) { // toward the reader
    const flat = Math.hypot(direction[0], direction[1]), degrees = 180 / Math.PI;
    // Straight from above, machine X runs to the right.
    this.turn(flat < 1e-6 ? -90 : Math.atan2(direction[1], direction[0]) * degrees, Math.atan2(direction[2], flat) * degrees);
  }
  zoom(times) { this.span = Math.max(this.home.span / 200, Math.min(this.home.span * 20, this.span * times)); }
  axes() { // rows: right, up, toward the reader
    const [sa, ca] = sincosDeg(this.azimuth), [se, ce] = sincosDeg(this.elevation);
    return [[-sa, ca, 0], [-se * ca, -se * sa, ce], [ce * ca, ce * sa, se]];
  }
  scale(width, height) { return Math.min(width, height) / this.span; }
  projector(width, height) { // millimetres to x right, y down; z toward the reader in millimetres
    const m = this.axes(), s = this.scale(width, height);
    return p => {
      const d = minus(p, this.target);
      return [width / 2 + s * dot(m[0], d), height / 2 - s * dot(m[1], d), dot(m[2], d)];
    };
  }
  pan(dx, dy, width, height) { // pixels
    const m = this.axes(), s = this.scale(width, height);
    this.target = plus(plus(this.target, m[0], -dx / s), m[1], dy / s);
  }
}
