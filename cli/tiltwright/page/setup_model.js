"use strict";
// What follows from the contract and the angles: no screen, plain values.

class SetupModel {
  constructor(page) {
    this.page = page;
    this.rotaries = page.rotaries;
    this.choices = [...page.operations, ...page.unreached, ...(page.unloading ? [page.unloading] : [])];
  }

  isUnloading(choice) { return this.choices[choice] === this.page.unloading; }

  offsetsDeg(choice) { return this.choices[choice].offsets_deg ?? this.page.offsets_deg; }

  machineDeg(program, choice) { return program.map((angle, i) => angle + this.offsetsDeg(choice)[i] + 0); }

  poses(angles) { // of what stands on the base, on the first rotary, on the first two, ...
    return this.page.poses.map((coefficients, k) =>
      poseAt(coefficients, angleProducts(this.rotaries.slice(0, k), angles)));
  }

  refusal(i, machineDeg) { // in the command's words; empty where the limits allow it
    const {letter, limits} = this.rotaries[i];
    if (!Number.isFinite(machineDeg)) return `${letter}: not an angle in degrees`;
    if (!limits || (machineDeg >= limits[0] - 1e-9 && machineDeg <= limits[1] + 1e-9)) return "";
    const [low, high] = limits.map(general);
    return `found ${letter} at machine angle ${general(machineDeg)}; allowed: ${low} to ${high} degrees`;
  }

  // Everything that is shown of an operation at program angles; `angles` overrides them for the steps of a working.
  at(choice, program, angles = null) {
    const page = this.page, op = this.choices[choice], reached = choice < page.operations.length;
    const own = program.every((angle, i) => angle === op.program[i]);
    const machine = own ? op.machine : this.machineDeg(program, choice), stand = angles ?? machine;
    const products = angleProducts(this.rotaries, stand), poses = this.poses(stand);
    const origin = carriedPoint(op.carried, products), part = poses[poses.length - 1];
    return {
      op, reached, own, unloading: this.isUnloading(choice), program, machine, poses, products, part, origin,
      texts: own && reached ? op.shown : origin.map(v => lengthText(v, page)),
      zero: carriedPoint(page.part.zero, products),
      axes: reached ? this.planeAxes(op).map(v => turned(part, v)) : null,
      normal: turned(part, op.normal),
      arms: this.arms(poses, origin),
      travel: this.travel(op, origin),
      limits: this.limits(machine),
    };
  }

  planeAxes(op) { // at the all-zero pose: at the operation's own they are the machine's
    const part = this.poses(op.machine).pop();
    return [0, 1, 2].map(i => part[i].slice(0, 3));
  }

  arms(poses, origin) { // from each rotary's line, where it stands now, to the origin
    return this.rotaries.map((rotary, i) => {
      const point = moved(poses[i], rotary.point), direction = turned(poses[i], rotary.direction);
      const foot = footOn(point, direction, origin), arm = minus(origin, foot);
      return {rotary, point, direction, foot, arm, radius: size(arm)};
    });
  }

  lift(op) { // what Z reads above the tip
    const tool = this.page.tools.find(one => one.name === op.tool);
    return tool ? tool.length_mm - (this.page.reference_tool_mm ?? 0) : null;
  }

  travel(op, origin) {
    if (!this.page.travel || !op.code) return [];
    const lift = this.lift(op), [low, high] = this.page.travel, sweep = op.sweep ?? [[0, 0, 0], [0, 0, 0]];
    return [0, 1, 2].filter(i => i < 2 || lift !== null).map(i => {
      const raise = i === 2 ? lift : 0, from = origin[i] + sweep[0][i] + raise, to = origin[i] + sweep[1][i] + raise;
      return {axis: "XYZ"[i], from, to, low: low[i], high: high[i], below: from - low[i], above: high[i] - to};
    });
  }

  limits(machine) {
    return this.rotaries.map((rotary, i) => ({
      letter: rotary.letter,
      below: rotary.limits && machine[i] - rotary.limits[0],
      above: rotary.limits && rotary.limits[1] - machine[i],
    }));
  }
}
