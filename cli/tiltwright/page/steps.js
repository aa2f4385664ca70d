"use strict";
// An operation's working, line by line: how the table stands at each line, and what the line is about.

const ABOUT_ROTARY = /^([ABC]) (angle|arm|turn|turned|back)$/, ABOUT_STACK = /^step (\d+)/;

function stepsOf(model, op) {
  const {page} = model, lines = op.working.map(number => page.lines[number]), keys = lines.map(line => line[0]);
  const turnedAt = page.rotaries.map(({letter}) => {
    const at = keys.indexOf(`${letter} turned`);
    return at < 0 ? keys.indexOf(`${letter} angle`) : at;
  });
  return lines.map(([key, rule, formula, frame, written, matrix], n) => ({
    number: n + 1,
    rule: page.texts[rule],
    formula: page.texts[formula],
    frame: page.texts[frame],
    written: written.map(k => page.texts[k]),
    matrix: matrix.map(k => page.texts[k].split(" ")),
    angles: page.rotaries.map((rotary, i) => (n >= turnedAt[i] ? op.machine[i] : rotary.zero_deg)),
    about: aboutOf(model, op, key),
  }));
}

function aboutOf(model, op, key) {
  const {rotaries} = model, rotary = ABOUT_ROTARY.exec(key), stack = ABOUT_STACK.exec(key);
  if (rotary) {
    const index = rotaries.findIndex(one => one.letter === rotary[1]);
    return {kind: "rotary", index, what: rotary[2], swing: swingOf(model, op, index)};
  }
  if (stack) return {kind: "stack", index: Number(stack[1])};
  return {kind: ["origin", "part zero", "all-zero", "offset"].includes(key) ? key : "direction"};
}

function swingOf(model, op, index) { // the inner rotaries have been turned already, the outer ones not yet
  const {rotaries} = model, turn = rotaries[index].sign * (op.machine[index] - rotaries[index].zero_deg);
  const at = first => carriedPoint(op.carried, angleProducts(rotaries,
    rotaries.map((rotary, i) => (i >= first ? op.machine[i] : rotary.zero_deg))));
  return turn ? {turn_deg: turn, before: at(index + 1), after: at(index)} : null;
}
