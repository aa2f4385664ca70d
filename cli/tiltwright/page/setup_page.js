"use strict";
// The page of a job: what is chosen, and everything that shows it.

class SetupPage {
  constructor(page) {
    this.page = page;
    this.model = new SetupModel(page);
    this.choice = 0;
    this.program = this.model.choices[0].program.slice();
    this.step = null;
    this.shown = {arm: 0, travels: true, tool: true, planes: true, stack: false, gap: false};
    this.solids = page.bodies.map(solidOf);
    this.gripper = (page.unloading?.bodies ?? []).map(solidOf);
    this.tools = page.tools.flatMap(tool => tool.bodies.map(body => ({...solidOf(body), tool: tool.name})));
    const {middle, reach} = this.extent();
    this.marks = new SetupMarks(this.model, reach);
    this.picture = new Picture(byId("solid"), byId("drawn"), new Eye(middle, 2.4 * reach), () => this.content());
    this.build();
    this.show();
  }

  extent() { // what turns, as a ball about the first rotary
    const first = this.page.rotaries[0].point, ends = this.page.stack.map(one => one.at);
    for (const solid of [...this.solids, ...this.gripper]) {
      if (solid.carried) for (let i = 0; i < solid.vertices.length; i += 3) ends.push(solid.vertices.subarray(i, i + 3));
    }
    const centre = footOn(first, this.page.rotaries[0].direction, this.page.stack[0].at);
    const reach = 0.9 * Math.max(40, ends.reduce((most, end) => Math.max(most, size(minus(end, centre))), 0));
    return {middle: plus(centre, [0, 0, 0.25 * reach]), reach};
  }

  view() {
    const steps = this.steps, step = this.step === null ? null : steps[this.step];
    return this.model.at(this.choice, this.program, step && step.angles);
  }

  get steps() {
    const op = this.model.choices[this.choice];
    return op.working ? stepsOf(this.model, op) : [];
  }

  content() {
    const view = this.now, still = [[1, 0, 0, view.origin[0]], [0, 1, 0, view.origin[1]], [0, 0, 1, view.origin[2]]];
    const held = view.unloading && view.own ? this.gripper : [];
    const bodies = [...this.solids, ...held].map(solid => ({solid, pose: view.poses[solid.carried]}));
    if (this.shown.tool && this.step === null) {
      for (const solid of this.tools) if (solid.tool === view.op.tool) bodies.push({solid, pose: still});
    }
    return {bodies, mark: marks => {
      if (this.step !== null) { this.marks.step(marks, view, this.steps[this.step]); return; }
      this.marks.setup(marks, view, this.shown, this.choice);
      const ghost = this.ghost(view);
      if (ghost) this.marks.ghost(marks, ghost, view);
    }};
  }

  ghost(view) { return view.own && this.page.answers ? this.page.answers.operations.find(one => one.name === view.op.name) : null; }

  // ---- choosing

  choose(choice) {
    this.choice = choice;
    this.program = this.model.choices[choice].program.slice();
    if (this.step !== null) this.step = this.steps.length ? 0 : null;
    document.getElementsByName("operation")[choice].checked = true;
    this.boxes.forEach((_, i) => { this.refused(i, ""); this.bounds(i); });
    this.show();
  }

  turnTo(i, program) {
    const why = this.model.refusal(i, program + this.model.offsetsDeg(this.choice)[i]);
    this.refused(i, why);
    if (why) return;
    this.step = null;
    this.program[i] = program;
    this.show(i);
  }

  typed(i, program) { // a refused angle leaves things as they were before the typing began
    this.turnTo(i, program);
    if (this.boxes[i].why.hidden) return;
    this.program[i] = this.before;
    this.show(i);
  }

  refused(i, why) {
    const {box, why: place} = this.boxes[i];
    place.hidden = !why;
    place.textContent = why;
    box.setAttribute("aria-invalid", Boolean(why));
    if (why) announce(why);
  }

  toStep(step) {
    const {steps} = this;
    this.program = this.model.choices[this.choice].program.slice();
    this.step = step === null || !steps.length ? null : Math.max(0, Math.min(steps.length - 1, step));
    this.show();
  }

  // ---- building

  build() {
    const {page, model} = this;
    document.title = byId("title").textContent = page.job
      + (page.nest ? `, nest ${page.nest}` : "") + (page.revision ? `, revision ${page.revision}` : "");
    const z = page.reference_tool_mm === null ? "at the gauge line" : "with the reference tool's tip";
    byId("where").textContent = `${page.machine}. Lengths in ${page.units === "mm" ? "mm" : "inches"}, Z read ${z}.`;
    const picks = model.choices.map((op, i) => `${op.code ?? (model.isUnloading(i) ? "" : "FAIL")} ${op.name}`.trim());
    byId("picks").append(...choices("operation", picks, 0, i => this.choose(i)));
    this.boxes = page.rotaries.map((rotary, i) => this.rotaryRow(rotary, i));
    this.boxes.forEach((_, i) => this.bounds(i));
    byId("armof").append(...choices("armof", [...page.rotaries.map(r => `from ${r.letter}`), "none"], 0, i => {
      this.shown.arm = i < page.rotaries.length ? i : null;
      this.picture.paint();
    }));
    const gap = page.gaps.some(one => one.distance > 1e-9);
    const names = {travels: page.travel && "travels", tool: page.tools.length && "tool", planes: "planes", stack: "stack", gap: gap && "gap of the lines"};
    for (const [key, words] of Object.entries(names)) {
      if (words) {
        byId("toggles").append(make("label", {}, make("input", {type: "checkbox", checked: this.shown[key],
          onchange: e => { this.shown[key] = e.target.checked; this.picture.paint(); }}), make("span", {}, words)));
      }
    }
    viewButtons(byId("bar"), this.picture, page.rotaries, i => this.now.arms[i].direction);
    byId("steps").onclick = () => this.toStep(0);
    byId("leave").onclick = () => { this.toStep(null); byId("steps").focus(); };
    byId("back").onclick = () => this.toStep(this.step - 1);
    byId("next").onclick = () => this.toStep(this.step + 1);
    byId("messages").append(...page.messages.map(([label, words]) => make("li", {className: label}, make("b", {}, label), ` ${words}`)));
    byId("messages").hidden = !page.messages.length;
    if (page.correction.length) byId("corrected").append(make("b", {}, page.correction[0]), ` ${page.correction[1]}`);
    byId("unchecked").textContent = page.not_checked;
    byId("all").append(this.allOperations());
    largerType(byId("large"), () => this.picture.paint());
    addEventListener("keydown", e => this.key(e));
  }

  rotaryRow(rotary, i) {
    const {letter} = rotary;
    const box = make("input", {id: `box${i}`, type: "text", inputMode: "decimal", autocomplete: "off", "aria-describedby": `lim${i} why${i}`,
      onfocus: () => { this.before = this.program[i]; },
      oninput: () => this.typed(i, typedNumber(box.value)), onchange: () => this.show()});
    const slide = make("input", {type: "range", step: 0.1, ariaLabel: `${letter}, program angle`, oninput: () => this.turnTo(i, slide.valueAsNumber)});
    const nudge = (words, by, name) => make("button", {type: "button", ariaLabel: name, onclick: () => this.turnTo(i, nearestWhole(1e6 * (this.program[i] + by)) / 1e6)}, words);
    const why = make("p", {id: `why${i}`, className: "why", hidden: true});
    const limits = make("small", {id: `lim${i}`});
    byId("rotaries").append(make("div", {className: "rotary"}, make("label", {htmlFor: `box${i}`}, letter), box,
      nudge("\u2212", -1, `${letter} one degree less`), slide, nudge("+", 1, `${letter} one degree more`),
      limits, why));
    return {box, slide, why, limits};
  }

  bounds(i) { // of a rotary, by the offset of the operation that is chosen
    const {page} = this, rotary = page.rotaries[i], offset = this.model.offsetsDeg(this.choice)[i], {slide, limits} = this.boxes[i];
    [slide.min, slide.max] = rotary.limits ? rotary.limits.map(v => v - offset) : [-360, 360];
    const between = rotary.limits ? `machine ${rotary.limits.map(v => `${withMinus(general(v))}\u00b0`).join(" to ")}` : "turns endlessly";
    const apart = offset ? `; machine = program ${offset < 0 ? "\u2212" : "+"} ${angleText(Math.abs(offset), page)}\u00b0` : "";
    limits.textContent = `${between}${apart}; + turns the table ${rotary.sense}, seen ${rotary.seen}`;
  }

  allOperations() {
    const {page} = this, head = ["operation", ...page.rotaries.map(r => `program ${r.letter}`), "X", "Y", "Z"];
    const rows = page.operations.map(op => [`${op.code} ${op.name}`, ...op.program.map(a => withMinus(angleText(a, page))), ...op.shown.map(withMinus)]);
    const none = page.unreached.map(op => [`FAIL ${op.name}`, ...page.rotaries.map(() => ""), "not reached", "", ""]);
    return tableOf(head, [...rows, ...none], `All work offsets, in ${page.symbol}`);
  }

  key(e) {
    if (e.ctrlKey || e.metaKey || e.altKey || e.target.matches("input[type=text], input[type=range]")) return;
    const i = this.page.rotaries.findIndex(r => r.letter === e.key.toUpperCase()), picks = this.model.choices.length;
    if (i >= 0) this.turnTo(i, nearestWhole(1e6 * (this.program[i] + (e.shiftKey ? -1 : 1))) / 1e6);
    else if (e.key === "n" || e.key === "p") this.choose((this.choice + (e.key === "n" ? 1 : picks - 1)) % picks);
    else if (e.key === "s") this.toStep(this.step === null ? 0 : null);
    else if (e.key === "." && this.step !== null) this.toStep(this.step + 1);
    else if (e.key === "," && this.step !== null) this.toStep(this.step - 1);
    else if (e.key === "Escape" && this.step !== null) this.toStep(null);
  }

  // ---- showing

  show(editing = -1) {
    const view = this.now = this.view(), {page} = this, {op, reached, own, unloading} = view;
    this.boxes.forEach(({box, slide}, i) => {
      const text = angleText(this.program[i], page);
      if (i !== editing || document.activeElement !== box) box.value = text;
      slide.value = this.program[i];
      slide.setAttribute("aria-valuetext", `${text} degrees`);
    });
    const stepping = this.step !== null;
    byId("loads").hidden = stepping;
    byId("working").hidden = !stepping;
    byId("steps").hidden = !op.working;
    byId("oh").textContent = reached ? `Work offset ${op.code}, ${op.name}` : op.name;
    byId("state").hidden = own && (reached || unloading);
    byId("state").textContent = unloading ? "The angles were changed: the gripper is drawn at the unloading pose only."
      : !reached ? `FAIL: not reached. ${op.why}` : "The angles were changed: this is not what the operation loads.";
    byId("offset").hidden = !reached;
    byId("corrected").hidden = !page.correction.length || !reached || !own;
    const texts = view.texts.map(withMinus);
    byId("offset").replaceChildren(...texts.flatMap((text, i) => [make("dt", {}, "XYZ"[i]), make("dd", {}, text)]));
    byId("poses").replaceChildren(...page.rotaries.map((r, i) =>
      make("span", {}, `${r.letter} program ${withMinus(angleText(view.program[i], page))}\u00b0, machine ${withMinus(angleText(view.machine[i], page))}\u00b0`)));
    if (unloading && own) byId("poses").prepend(make("span", {}, op.words));
    else if (!reached && own) byId("poses").prepend(make("span", {}, `As near as it comes: the plane stays ${angleText(op.left_deg, page)}\u00b0 from the spindle.`));
    this.showNumbers(view);
    if (stepping) this.showStep();
    this.showGhost(view);
    announce(stepping ? this.steps[this.step].written.join(", ") : this.spoken(view));
    this.picture.paint();
  }

  spoken({op, program, texts, reached, own, unloading}) {
    const at = this.page.rotaries.map((r, i) => `${r.letter} ${angleText(program[i], this.page)}`).join(", ");
    if (unloading) return `${op.name}, at program ${at} degrees`;
    if (!reached) return `${op.name} is not reached: ${op.why}`;
    return `${op.name}${own ? "" : ", angles changed"}, at program ${at} degrees: X ${texts[0]}, Y ${texts[1]}, Z ${texts[2]} ${this.page.symbol}`;
  }

  showNumbers(view) {
    const {page} = this, mm = value => withMinus(lengthText(value, page));
    byId("arm").replaceChildren(tableOf(["", "\u0394X", "\u0394Y", "\u0394Z", "radius"],
      view.arms.map(a => [`${a.rotary.letter}'s line`, ...a.arm.map(mm), mm(a.radius)])));
    const bars = view.travel.map(t => {
      const share = v => Math.max(0, Math.min(1, (v - t.low) / (t.high - t.low || 1))), mark = make("b");
      mark.style.left = `${100 * Math.min(share(t.from), 0.98)}%`;
      mark.style.width = `${100 * (share(t.to) - share(t.from))}%`;
      const out = Math.min(t.below, t.above) < -1e-9;
      return make("div", {className: out ? "travel out" : "travel"}, make("b", {}, t.axis), make("span", {}, mm(t.below)),
        make("i", {role: "img", ariaLabel: `${t.axis}: ${lengthText(t.below, page)} left below, ${lengthText(t.above, page)} above`}, mark),
        make("span", {}, mm(t.above)), ...(out ? [make("em", {}, "FAIL: out of travel")] : []));
    });
    if (view.travel.length === 2) bars.push(make("p", {className: "soft"}, "Z: this operation names no tool, so its room is not known."));
    const none = page.travel ? `${view.unloading ? "Nothing is cut here" : "Not reached"}, so nothing to measure.` : "The machine file states no travels.";
    if (!bars.length) bars.push(make("p", {className: "soft"}, none));
    byId("travels").replaceChildren(...bars, ...view.limits.map(one => make("p", {}, one.below === null ? `${one.letter} turns endlessly`
      : `${one.letter}: ${angleText(one.below, page)}\u00b0 to its lower limit, ${angleText(one.above, page)}\u00b0 to its upper`)));
  }

  showStep() {
    const {steps} = this, step = steps[this.step];
    byId("wh").textContent = `${this.now.op.name}: line ${step.number} of ${steps.length}`;
    byId("rule").textContent = step.rule;
    byId("formula").textContent = step.formula;
    byId("written").replaceChildren(...step.written.map(text => make("li", {}, withMinusSigns(text))));
    byId("frame").textContent = `In: ${step.frame}`;
    byId("matrix").replaceChildren(...(step.matrix.length ? [make("table", {className: "matrix"}, make("tbody", {},
      ...step.matrix.map(row => make("tr", {}, ...row.map(text => make("td", {}, withMinus(text)))))))] : []));
    byId("back").disabled = this.step === 0;
    byId("next").disabled = this.step === steps.length - 1;
  }

  showGhost(view) {
    const {answers} = this.page, ghost = answers && answers.operations.find(one => one.name === view.op.name);
    byId("answers").hidden = !answers;
    if (!answers) return;
    byId("gh").textContent = `Answers${answers.student ? ` of ${answers.student}` : ""}: ${answers.right} of ${answers.answered} right`;
    const body = !ghost ? [make("p", {}, "Nothing was answered here.")] : [
      make("p", {className: ghost.right ? "right" : "why"}, ghost.right ? "Right." : `Wrong: ${ghost.titles.join("; ") || "see below"}`),
      tableOf(["", "answered", "correct", "off by"], ghost.axes.map(({axis, wrong}) => {
        const k = "XYZ".indexOf(axis);
        return [`${axis}${wrong ? " wrong" : ""}`, withMinus(ghost.shown[k]), withMinus(view.op.shown[k]), withMinus(lengthText(ghost.off[k], this.page))];
      })),
      make("ul", {}, ...ghost.words.map(text => make("li", {}, text)))];
    byId("ghost").replaceChildren(...body);
  }
}

function withMinusSigns(text) { return text.replace(/-(?=\d)/g, "\u2212"); }
