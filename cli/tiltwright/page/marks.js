"use strict";
// What is drawn over the solids: lines, arrows and words, in SVG. Labels keep out of each other's way.

const SVG = "http://www.w3.org/2000/svg", LETTER_WIDTH = 0.65;

function svgElement(tag, attributes, text = "") {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.textContent = text;
  return element;
}

class Marks {
  constructor(project, width, height, type, floor = height) { // words keep above the floor
    Object.assign(this, {project, width, height, type, floor, shapes: [], labels: []});
  }

  place(p) { return this.project(p).slice(0, 2).map(v => Math.round(v * 10) / 10); }

  path(points, name, closed = false) {
    const places = points.map(p => this.place(p).join(" "));
    this.shapes.push(["path", {d: "M" + places.join("L") + (closed ? "Z" : ""), class: name}]);
  }

  arrow(points, name) { // the last two points give its direction
    this.path(points, name);
    const [a, b] = points.slice(-2).map(p => this.place(p)), long = Math.hypot(b[0] - a[0], b[1] - a[1]);
    if (long < 0.5) return;
    const [u, v] = [(b[0] - a[0]) / long, (b[1] - a[1]) / long], tip = 0.75 * this.type;
    const corner = (along, beside) =>
      `${(b[0] - along * u - beside * v).toFixed(1)} ${(b[1] - along * v + beside * u).toFixed(1)}`;
    const d = `M${b.join(" ")}L${corner(tip, 0.38 * tip)}L${corner(tip, -0.38 * tip)}Z`;
    this.shapes.push(["path", {d, class: name + " tip"}]);
  }

  spot(p, radius, name) {
    const [cx, cy] = this.place(p);
    this.shapes.push(["circle", {cx, cy, r: radius, class: name}]);
  }

  cross(p, radius, name) {
    const [x, y] = this.place(p), r = radius;
    this.shapes.push(["path", {d: `M${x - r} ${y}H${x + r}M${x} ${y - r}V${y + r}`, class: name}]);
  }

  long(p, q) { // on the screen, pixels
    const [a, b] = [this.place(p), this.place(q)];
    return Math.hypot(b[0] - a[0], b[1] - a[1]);
  }

  // Labels of a higher weight are placed first; one of weight 0 is left out where there is no room.
  label(p, text, name = "", weight = 1) { this.labels.push({at: this.place(p), text, name, weight}); }

  placed() {
    const taken = [], found = [], high = 1.3 * this.type;
    const order = this.labels.map((label, i) => [label, i]).sort((a, b) => b[0].weight - a[0].weight || a[1] - b[1]);
    for (const [label] of order) {
      const wide = LETTER_WIDTH * this.type * label.text.length + 4, [x, y] = label.at;
      if (x < -wide || y < -high || x > this.width + wide || y > this.height + high) continue;
      const clash = (left, top) => taken.reduce((sum, [l, t, w, h]) => sum
        + Math.max(0, Math.min(left + wide, l + w) - Math.max(left, l)) * Math.max(0, Math.min(top + high, t + h) - Math.max(top, t)), 0);
      let best = null;
      for (const away of [1, 2.4, 3.8, 5.4]) {
        const d = 0.6 * this.type * away;
        for (const [dx, dy] of [[d, -d - high], [d, d], [-d - wide, -d - high], [-d - wide, d], [-wide / 2, -2 * d - high], [-wide / 2, 2 * d]]) {
          const left = Math.max(2, Math.min(this.width - wide - 2, x + dx));
          const top = Math.max(2, Math.min(this.floor - high - 2, y + dy));
          const cost = clash(left, top) + away;
          if (best === null || cost < best.cost) best = {left, top, cost, away};
        }
        if (best.cost < away + 1) break;
      }
      if (label.weight === 0 && (best.cost > best.away + 1 || best.away > 2.4)) continue;
      taken.push([best.left, best.top, wide, high]);
      found.push({...label, ...best, wide, high});
    }
    return found;
  }

  into(svg) {
    svg.setAttribute("viewBox", `0 0 ${this.width} ${this.height}`);
    svg.replaceChildren(...this.shapes.map(([tag, attributes]) => svgElement(tag, attributes)));
    for (const {at, text, name, left, top, wide, high, away} of this.placed()) {
      if (away > 1) {
        const x2 = Math.max(left, Math.min(left + wide, at[0])), y2 = Math.max(top, Math.min(top + high, at[1]));
        svg.append(svgElement("path", {d: `M${at.join(" ")}L${x2.toFixed(1)} ${y2.toFixed(1)}`, class: "leader"}));
      }
      const x = (left + 2).toFixed(1), y = (top + this.type).toFixed(1);
      svg.append(svgElement("text", {x, y, class: name}, text));
    }
  }
}
