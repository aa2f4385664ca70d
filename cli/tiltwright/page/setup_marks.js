"use strict";
// What is drawn over the setup: rotary lines, arms, planes, travels; and the figures of a step.

class SetupMarks {
  constructor(model, reach) {
    this.model = model;
    this.page = model.page;
    this.reach = reach;
  }

  text(mm) { return withMinus(lengthText(mm, this.page)); }

  setup(marks, view, shown, choice) { // the view at the angles chosen
    if (shown.travels) this.travels(marks, view);
    this.lines(marks, view);
    if (shown.stack) this.stack(marks, view, this.page.stack.length);
    if (shown.gap) this.gaps(marks, view);
    if (shown.planes) this.planes(marks, view, choice);
    if (shown.arm !== null) this.arm(marks, view.arms[shown.arm], view.origin);
    this.zero(marks, view);
    if (!view.unloading) this.origin(marks, view, view.op.code ? `${view.op.code} ${view.op.name}` : view.op.name);
  }

  zero(marks, view) {
    marks.cross(view.zero, 6, "zero");
    if (size(minus(view.zero, view.origin)) > 1e-6) marks.label(view.zero, "part zero", "soft", 0);
  }

  origin(marks, view, words) {
    const {origin} = view, long = 0.16 * this.reach;
    if (view.axes) {
      view.axes.forEach((axis, i) => {
        const tip = plus(origin, axis, long);
        marks.arrow([origin, tip], "axis");
        marks.label(tip, "xyz"[i], "axis", 3);
      });
    } else marks.arrow([origin, plus(origin, view.normal, long)], "axis");
    if (!view.op.tool) {
      const high = plus(origin, [0, 0, 1], 0.55 * this.reach);
      marks.arrow([high, plus(origin, [0, 0, 1], 0.22 * this.reach)], "spindle");
      marks.label(high, "spindle", "soft", 0);
    }
    marks.spot(origin, 7, "origin");
    marks.label(origin, words, "strong", 5);
  }

  lines(marks, view) { // each ends in an arrow at its positive end; a second one, on the table, shows a positive move
    view.arms.forEach(({rotary, point, direction}, i) => {
      const middle = footOn(point, direction, this.anchor(view, i)), half = 0.95 * this.reach;
      const end = plus(middle, direction, half);
      marks.path([plus(middle, direction, -half), end], "line");
      marks.arrow([plus(middle, direction, 0.96 * half), end], "line solid");
      marks.label(end, `${rotary.letter}+ end`, "line", 4);
      this.turnArrow(marks, view, i, middle, direction);
    });
  }

  anchor(view, i) { // the middle of the platter where there is one, so that lines do not jump with the operation
    const {platter} = this.page;
    return platter ? moved(view.poses[i], platter.middle) : view.zero;
  }

  turnArrow(marks, view, i, middle, direction) {
    const rotary = this.page.rotaries[i], last = i === this.page.rotaries.length - 1, {platter} = this.page;
    const pose = view.poses[i + 1], [u] = across(rotary.direction);
    const radius = last && platter ? 0.42 * (platter.diameter ?? this.reach) : 0.24 * this.reach;
    const centre = last && platter ? middle : plus(middle, direction, 0.62 * this.reach);
    const start = plus(centre, turned(pose, u), radius), points = arcPoints(centre, direction, start, 75 * rotary.sign);
    marks.arrow(points, "turn");
    marks.label(points[points.length >> 1], `+${rotary.letter}`, "turn", 4);
  }

  travels(marks, view) {
    if (!this.page.travel) return;
    const lift = this.model.lift(view.op) ?? -(this.page.reference_tool_mm ?? 0);
    const [low, high] = this.page.travel.map(end => [end[0], end[1], end[2] - lift]);
    const corner = k => [0, 1, 2].map(n => ((k >> n) & 1 ? high[n] : low[n]));
    for (let k = 0; k < 8; k++) for (let n = 0; n < 3; n++) if (!((k >> n) & 1)) marks.path([corner(k), corner(k | 1 << n)], "travel");
    marks.label(corner(4), view.op.tool ? "travels of the tip" : "travels", "soft", 0);
    for (const one of view.travel) {
      const i = "XYZ".indexOf(one.axis), near = one.below < one.above, end = view.origin.slice();
      end[i] = near ? low[i] : high[i];
      if (Math.min(one.below, one.above) < 0.2 * (one.high - one.low)) {
        marks.path([view.origin, end], "left");
        marks.label(scaled(plus(view.origin, end), 0.5), `${one.axis} ${this.text(Math.min(one.below, one.above))} left`, "soft", 0);
      }
    }
  }

  planes(marks, view, choice) {
    const side = 0.07 * this.reach;
    this.page.operations.forEach((op, i) => {
      const at = carriedPoint(op.carried, view.products), [u, v] = across(turned(view.part, op.normal));
      const corners = [[1, 1], [-1, 1], [-1, -1], [1, -1]].map(([a, b]) => plus(plus(at, u, a * side), v, b * side));
      marks.path(corners, i === choice ? "plane chosen" : "plane", true);
      if (i !== choice) {
        marks.path([at, plus(at, turned(view.part, op.normal), side)], "plane");
        marks.label(at, op.code, "soft", 0);
      }
    });
  }

  arm(marks, arm, origin) { // with its components along the machine's axes
    let corner = arm.foot;
    ["X", "Y", "Z"].forEach((axis, i) => {
      const next = corner.slice();
      next[i] = origin[i];
      if (marks.long(corner, next) > 3) marks.path([corner, next], "arm");
      if (marks.long(corner, next) > 26) {
        marks.label(scaled(plus(corner, next), 0.5), `\u0394${axis} ${this.text(arm.arm[i])}`, "arm", 3);
      }
      corner = next;
    });
    marks.path([arm.foot, origin], "arm whole");
    if (marks.long(arm.foot, origin) > 40) {
      marks.label(scaled(plus(arm.foot, origin), 0.5), `r ${this.text(arm.radius)}`, "arm", 2);
    }
    marks.spot(arm.foot, 5, "foot");
  }

  stack(marks, view, upTo) {
    const ends = this.page.stack.slice(0, upTo).map(one => ({name: one.name, at: moved(view.part, one.at)}));
    ends.forEach(({name, at}, i) => {
      if (i) marks.arrow([ends[i - 1].at, at], "stack");
      marks.spot(at, 4, "foot");
      marks.label(at, i ? `${i} ${name}` : name, "soft", 1);
    });
  }

  gaps(marks, view) {
    this.page.gaps.forEach((gap, i) => {
      if (gap.distance < 1e-9) return;
      const [first, second] = gap.feet.map(p => moved(view.poses[i + 1], p)), between = minus(second, first);
      const times = Math.max(1, roundDown125(0.3 * this.reach / gap.distance)), end = plus(first, between, times);
      const inner = turned(view.poses[i + 1], this.page.rotaries[i + 1].direction), half = 0.5 * this.reach;
      marks.path([plus(end, inner, -half), plus(end, inner, half)], "line far");
      marks.path([first, end], "gap");
      marks.spot(first, 3, "foot");
      marks.spot(end, 3, "foot");
      const words = `${gap.between.join(" and ")} miss by ${this.text(gap.distance)} ${this.page.symbol}, drawn ${times.toLocaleString("en")} times`;
      marks.label(scaled(plus(first, end), 0.5), words, "gap", 4);
    });
  }

  ghost(marks, ghost, view) {
    if (ghost.right) return;
    marks.path([view.origin, ghost.at], "ghost");
    marks.spot(ghost.at, 9, "ghost");
    marks.cross(ghost.at, 14, "ghost");
    const words = ghost.titles[0] ?? "wrong";
    marks.label(ghost.at, `answered: ${words}, off by ${this.text(ghost.distance)} ${this.page.symbol}`, "ghost", 4);
  }

  step(marks, view, step) { // one line of a working
    this.lines(marks, view);
    const {kind, index} = step.about, {stack} = this.page;
    if (kind === "stack") {
      this.stack(marks, view, index + 1);
      if (stack[index]) marks.arrow([moved(view.part, stack[index - 1].at), moved(view.part, stack[index].at)], "now");
    } else if (kind === "rotary") this.swing(marks, view, step.about);
    else if (kind === "direction") {
      const end = plus(view.origin, view.normal, 0.45 * this.reach);
      marks.arrow([view.origin, end], "now");
      marks.label(end, "must face the spindle", "now", 5);
    } else {
      const from = kind === "origin" || kind === "part zero" ? view.zero : moved(view.part, stack[0].at);
      if (kind !== "offset" && marks.long(from, view.origin) > 2) marks.arrow([from, view.origin], "now");
    }
    if (kind !== "rotary") this.zero(marks, view);
    this.origin(marks, view, view.op.name);
  }

  swing(marks, view, {index, what, swing}) {
    if (!swing) return;
    const {direction, point} = view.arms[index], after = what === "turned" || what === "back";
    const foot = footOn(point, direction, swing.before), turn = swing.turn_deg;
    const triangle = (tip, name) => {
      const [u] = this.legs(direction), corner = plus(foot, u, dot(minus(tip, foot), u));
      marks.path([foot, corner, tip], `${name} leg`);
      marks.path([foot, tip], name);
      if (!name.includes("pale")) {
        [[foot, corner], [corner, tip]].filter(([p, q]) => marks.long(p, q) > 26).forEach(([p, q]) => {
          const component = minus(q, p), k = component.map(Math.abs).indexOf(Math.max(...component.map(Math.abs)));
          marks.label(scaled(plus(p, q), 0.5), `${"xyz"[k]} ${this.text(component[k])}`, "arm", 3);
        });
        marks.label(scaled(plus(foot, tip), 0.5), `r ${this.text(size(minus(tip, foot)))}`, "arm", 2);
      }
    };
    triangle(swing.before, after ? "arm pale" : "arm");
    if (after) triangle(swing.after, "arm");
    if (what !== "arm") {
      const points = arcPoints(foot, direction, swing.before, turn, 0.55);
      marks.arrow(points, "now");
      marks.label(points[points.length >> 1], `${withMinus(angleText(turn, this.page))}\u00b0`, "now", 5);
    }
    marks.spot(foot, 5, "foot");
    marks.label(foot, `pivot of ${this.page.rotaries[index].letter}`, "line", 1);
    marks.spot(swing.before, 5, "was");
  }

  legs(direction) { // machine axes where the rotary runs along the third
    const along = direction.map(Math.abs), k = along.indexOf(Math.max(...along));
    const near = [0, 1, 2].map(i => (i === (k + 1) % 3 ? 1 : 0)), u = unitOf(plus(near, direction, -dot(near, direction)));
    return [u, cross(direction, u)];
  }
}
