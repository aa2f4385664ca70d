"use strict";
// The page of a pivot fit: readings appear pose by pose on their circles, then the lines, and the residuals enlarged.

const SHAPES = ["o", "square", "up", "diamond"];

class FitPage {
  constructor(page) {
    this.page = page;
    this.upTo = page.readings.length;
    this.shown = {circles: true, lines: true, old: false};
    const {middle, reach} = this.extent();
    this.reach = reach;
    const fitting = page.largest_residual > 0 ? roundDown125(0.25 * reach / page.largest_residual) : 1;
    this.scales = [...new Set([1, roundDown125(Math.max(1, fitting / 10)), Math.max(1, fitting)])];
    this.times = this.scales[this.scales.length - 1];
    this.picture = new Picture(byId("solid"), byId("drawn"), new Eye(middle, 2.6 * reach),
      () => ({bodies: [], mark: marks => this.mark(marks)}));
    this.build();
    this.show();
  }

  extent() {
    const points = this.page.readings.map(one => one.at), bounds = [0, 1, 2].map(k => points.map(p => p[k]));
    const middle = bounds.map(list => (Math.min(...list) + Math.max(...list)) / 2);
    return {middle, reach: Math.max(20, ...points.map(p => size(minus(p, middle))))};
  }

  get done() { return this.upTo === this.page.readings.length; }

  text(mm) { return withMinus(lengthText(mm, this.page)); }

  // ---- the picture

  mark(marks) {
    const {page} = this, before = page.readings.slice(0, this.upTo);
    if (this.shown.circles) for (const circle of page.circles) this.circle(marks, circle);
    if (this.done && this.shown.lines) page.rotaries.forEach((rotary, i) => this.line(marks, rotary, i));
    before.forEach((reading, i) => this.reading(marks, reading, i === this.upTo - 1 && !this.done));
  }

  circle(marks, {rows, rotary, point, direction, start, turn_deg: turn}) {
    const seen = rows.filter(i => i < this.upTo).length;
    if (seen < 2) return;
    const whole = seen === rows.length;
    marks.path(arcPoints(point, direction, start, turn), whole ? "circle" : "circle pale");
    if (whole && this.done) return;
    const foot = footOn(point, direction, start);
    marks.path([foot, start], "arm whole");
    marks.spot(foot, 4, "foot");
    marks.label(foot, `about ${this.page.rotaries[rotary].letter}: r ${this.text(size(minus(start, foot)))}`, "arm", 0);
  }

  line(marks, rotary, i) {
    const middle = footOn(rotary.point, rotary.direction, this.picture.eye.home.target), half = this.reach;
    const end = plus(middle, rotary.direction, half), {old_point: old, old_direction: along} = this.page.lines[i];
    marks.path([plus(middle, rotary.direction, -half), end], "line");
    marks.arrow([plus(middle, rotary.direction, 0.96 * half), end], "line solid");
    marks.label(end, `${rotary.letter}+ end`, "line", 5);
    if (!this.shown.old) return;
    // The old line where it was, moved away from the new one as often as the residuals are enlarged.
    const away = at => plus(at, minus(footOn(old, along, at), at), this.times);
    marks.path([away(plus(middle, rotary.direction, -half)), away(end)], "ghost");
    marks.label(away(plus(middle, rotary.direction, 0.5 * half)), `${rotary.letter} as in the machine file, ${this.larger}`, "ghost", 3);
  }

  get larger() { return this.times === 1 ? "to scale" : `${this.times.toLocaleString("en")} times the distance`; }

  reading(marks, {at, residual, target, suspect, row}, current) {
    const name = suspect ? "dot suspect" : "dot", r = current ? 8 : 4.5, [x, y] = marks.place(at);
    if (this.done && size(residual) > 0) marks.arrow([at, plus(at, residual, this.times)], "residual");
    const d = {
      square: `M${x - r} ${y - r}h${2 * r}v${2 * r}h${-2 * r}Z`, up: `M${x} ${y - r}l${r} ${2 * r}h${-2 * r}Z`,
      diamond: `M${x} ${y - r}l${r} ${r}l${-r} ${r}l${-r} ${-r}Z`,
    }[SHAPES[target % SHAPES.length]];
    if (d) marks.shapes.push(["path", {d, class: name}]); else marks.spot(at, r, name);
    if (current || suspect) marks.label(at, `row ${row}${suspect ? ", suspect" : ""}`, current ? "strong" : "ghost", 4);
  }

  // ---- the panels

  build() {
    const {page} = this;
    document.title = byId("title").textContent = `Pivot fit: ${page.title}`;
    byId("where").textContent = `${page.machine}. Lengths in ${page.units === "mm" ? "mm" : "inches"}.`;
    viewButtons(byId("bar"), this.picture, page.rotaries, i => page.rotaries[i].direction);
    const slide = byId("upto");
    slide.max = page.readings.length;
    slide.oninput = () => this.to(slide.valueAsNumber);
    byId("back").onclick = () => this.to(this.upTo - 1);
    byId("next").onclick = () => this.to(this.done ? 1 : this.upTo + 1);
    byId("whole").onclick = () => this.to(page.readings.length);
    byId("times").append(...choices("times", this.scales.map(k => (k === 1 ? "to scale" : `${k.toLocaleString("en")} times`)), this.scales.indexOf(this.times), i => {
      this.times = this.scales[i];
      this.picture.paint();
    }));
    for (const [key, words] of Object.entries({circles: "circles", lines: "lines found", old: "lines in the machine file"})) {
      byId("toggles").append(make("label", {}, make("input", {type: "checkbox", checked: this.shown[key],
        onchange: e => { this.shown[key] = e.target.checked; this.picture.paint(); }}), make("span", {}, words)));
    }
    byId("lines").append(...page.lines.map(line => this.lineTable(line)));
    const head = ["row", "target", ...page.rotaries.map(r => r.letter), "residual"];
    byId("rows").append(tableOf(head, page.readings.map(one => [`${one.row}${one.suspect ? " suspect" : ""}`,
      page.targets[one.target].name, ...one.angles.map(a => withMinus(angleText(a, page))), withMinus(one.size)])));
    byId("unchecked").textContent = page.note;
    largerType(byId("large"), () => this.picture.paint());
    addEventListener("keydown", e => {
      if (e.target.matches("input[type=range]") || e.ctrlKey || e.metaKey || e.altKey) return;
      if (e.key === ".") byId("next").click(); else if (e.key === ",") byId("back").click();
    });
  }

  lineTable(line) {
    const u = line.u ?? ["not known", "not known", "not known"];
    const rows = [["point", ...line.point.map(withMinus)], ["u, standard", ...u], ["direction", ...line.direction.map(withMinus)]];
    const moved = line.moved.map(one => make("li", {}, `${one.name}: ${withMinus(one.value)} ${this.page.symbol}, ${one.verdict}`));
    return make("div", {}, tableOf([line.letter, "X", "Y", "Z"], rows), make("ul", {}, ...moved));
  }

  to(count) {
    this.upTo = Math.max(1, Math.min(this.page.readings.length, count));
    this.show();
  }

  show() {
    const {page} = this, one = page.readings[this.upTo - 1], slide = byId("upto");
    byId("oh").textContent = this.done ? `All ${page.readings.length} readings` : `Reading ${this.upTo} of ${page.readings.length}`;
    const angles = page.rotaries.map((r, i) => `${r.letter} ${withMinus(angleText(one.angles[i], page))}\u00b0`).join(", ");
    const at = one.at.map((v, i) => `${"XYZ"[i]} ${this.text(v)}`).join("  ");
    const scatter = page.scatter === null ? "" : ` Standard uncertainty of a reading: ${page.scatter} ${page.symbol}.`;
    byId("now").textContent = this.done
      ? `${page.dof} more numbers than needed.${scatter} Arrows: from each reading, its residual.`
      : `${page.targets[one.target].name} at machine ${angles}: ${at}${one.suspect ? `. ${one.suspect}` : ""}`;
    slide.value = this.upTo;
    slide.setAttribute("aria-valuetext", `${this.upTo} of ${page.readings.length}`);
    announce(`${byId("oh").textContent}. ${byId("now").textContent}`);
    this.picture.paint();
  }
}
