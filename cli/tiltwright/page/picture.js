"use strict";
// The picture: solids on a canvas, marks over it; turned by finger, mouse and keys. Coarse while it moves, fine when still.

const STILL_AFTER_MS = 160, MOST_PIXELS = 6e6;

class Picture {
  // content() gives {bodies, mark(marks)}: what to draw, asked for each time.
  constructor(canvas, svg, eye, content) {
    Object.assign(this, {canvas, svg, eye, content, raster: new Raster(1, 1), queued: 0, later: 0});
    this.fingers = new Map();
    canvas.addEventListener("pointerdown", e => this.pressed(e));
    canvas.addEventListener("pointermove", e => this.dragged(e));
    for (const ended of ["pointerup", "pointercancel"]) canvas.addEventListener(ended, e => this.fingers.delete(e.pointerId));
    canvas.addEventListener("wheel", e => { e.preventDefault(); eye.zoom(Math.exp(e.deltaY * 0.001)); this.paint(); }, {passive: false});
    canvas.addEventListener("keydown", e => this.typed(e));
    addEventListener("resize", () => this.paint());
    addEventListener("beforeprint", () => this.paintNow(2));
    addEventListener("afterprint", () => this.paint());
  }

  paint() {
    if (!this.queued) this.queued = requestAnimationFrame(() => { this.queued = 0; this.paintNow(1); });
    clearTimeout(this.later);
    this.later = setTimeout(() => this.paintNow(Math.max(2, devicePixelRatio || 1)), STILL_AFTER_MS);
  }

  paintNow(finely) {
    const {clientWidth: width, clientHeight: height} = this.canvas;
    if (!width || !height) return;
    const times = Math.min(finely, Math.sqrt(MOST_PIXELS / (width * height)));
    const w = Math.max(1, Math.round(width * times)), h = Math.max(1, Math.round(height * times));
    if (this.raster.width !== w || this.raster.height !== h) this.raster = new Raster(w, h);
    if (this.canvas.width !== w || this.canvas.height !== h) { this.canvas.width = w; this.canvas.height = h; }
    const {bodies, mark} = this.content();
    this.raster.draw(this.eye, bodies);
    const image = new ImageData(new Uint8ClampedArray(this.raster.pixels.buffer), w, h);
    this.canvas.getContext("2d").putImageData(image, 0, 0);
    const type = 0.85 * parseFloat(getComputedStyle(document.documentElement).fontSize);
    const bar = this.svg.nextElementSibling, floor = bar?.offsetHeight ? bar.offsetTop : height;
    const marks = new Marks(this.eye.projector(width, height), width, height, type, floor);
    mark(marks);
    marks.into(this.svg);
  }

  pressed(e) {
    this.canvas.setPointerCapture(e.pointerId);
    this.fingers.set(e.pointerId, [e.clientX, e.clientY]);
  }

  dragged(e) {
    const was = this.fingers.get(e.pointerId);
    if (!was) return;
    const now = [e.clientX, e.clientY], dx = now[0] - was[0], dy = now[1] - was[1];
    const other = [...this.fingers].find(([id]) => id !== e.pointerId)?.[1];
    const {clientWidth: width, clientHeight: height} = this.canvas;
    if (other) {
      const apart = p => Math.hypot(p[0] - other[0], p[1] - other[1]);
      if (apart(was) > 10 && apart(now) > 10) this.eye.zoom(apart(was) / apart(now));
      this.eye.pan(dx / 2, dy / 2, width, height);
    } else if (e.shiftKey || e.buttons === 2) this.eye.pan(dx, dy, width, height);
    else this.eye.turn(this.eye.azimuth - 0.4 * dx, this.eye.elevation + 0.4 * dy);
    this.fingers.set(e.pointerId, now);
    this.paint();
  }

  typed(e) {
    const step = {ArrowLeft: [5, 0], ArrowRight: [-5, 0], ArrowUp: [0, 5], ArrowDown: [0, -5]}[e.key];
    const {clientWidth: width, clientHeight: height} = this.canvas;
    if (step && e.shiftKey) this.eye.pan(-8 * step[0], -8 * step[1], width, height);
    else if (step) this.eye.turn(this.eye.azimuth + step[0], this.eye.elevation + step[1]);
    else if (e.key === "+") this.eye.zoom(0.8);
    else if (e.key === "-") this.eye.zoom(1.25);
    else return;
    e.preventDefault();
    this.paint();
  }
}
