"use strict";
// Small helpers for the page's elements. Text from files is only ever set as text.

function byId(id) { return document.getElementById(id); }

function make(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name in element) element[name] = value; else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

function tableOf(head, rows, caption = "") { // the first cell of a row names it
  return make("table", {}, ...(caption ? [make("caption", {}, caption)] : []),
    make("thead", {}, make("tr", {}, ...head.map(text => make("th", {scope: "col"}, text)))),
    make("tbody", {}, ...rows.map(([name, ...cells]) => make("tr", {}, make("th", {scope: "row"}, name), ...cells.map(text => make("td", {}, text))))));
}

function choices(name, words, picked, onchange) { // one of several, as large buttons
  return words.map((text, i) => make("label", {},
    make("input", {type: "radio", name, value: i, checked: i === picked, onchange: () => onchange(i)}), make("span", {}, text)));
}

let announcement = 0;
function announce(text) { // to whoever listens, when things have settled
  clearTimeout(announcement);
  announcement = setTimeout(() => { byId("told").textContent = text; }, 400);
}

function pageData() { return JSON.parse(byId("data").textContent); }

function viewButtons(bar, picture, rotaries, direction) {
  const eye = picture.eye, look = (words, from) => make("button", {type: "button", onclick: () => { from(); picture.paint(); }}, words);
  bar.append(
    look("Corner", () => eye.turn(eye.home.azimuth, eye.home.elevation)), look("Front", () => eye.turn(-90, 0)),
    look("Right", () => eye.turn(0, 0)), look("Top", () => eye.turn(-90, 90)),
    ...rotaries.map((rotary, i) => make("button", {
      type: "button", title: `Look from ${rotary.letter}'s positive end: counterclockwise is counterclockwise`,
      onclick: () => { eye.from(direction(i)); picture.paint(); },
    }, `From ${rotary.letter}+`)),
    make("button", {type: "button", ariaLabel: "Enlarge", onclick: () => { eye.zoom(0.8); picture.paint(); }}, "+"),
    make("button", {type: "button", ariaLabel: "Reduce", onclick: () => { eye.zoom(1.25); picture.paint(); }}, "\u2212"),
    look("Fit", () => eye.fit()));
}

function largerType(button, redraw) {
  button.onclick = () => {
    const on = document.documentElement.classList.toggle("large");
    button.setAttribute("aria-pressed", on);
    redraw();
  };
}
