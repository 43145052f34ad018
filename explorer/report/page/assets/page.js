"use strict";
/* What is known about the setups, and which of them are selected. Views ask here and are told of every change. */
const D = JSON.parse(document.getElementById("data").textContent);
const ROWS = D.positions ? D.positions.length : 0;
const state = { box: null, ranges: new Map(), onlyKept: false };
const watchers = [];

const byId = (id) => document.getElementById(id);
const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
const unitOf = (unit) => (unit ? " " + unit : "");

function make(kind, content, attributes) {
  const element = document.createElement(kind);
  if (content !== undefined && content !== null) element.textContent = content;
  for (const [key, value] of Object.entries(attributes || {})) element.setAttribute(key, value);
  return element;
}

function draw(kind, attributes, content) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", kind);
  for (const [key, value] of Object.entries(attributes || {})) element.setAttribute(key, value);
  if (content !== undefined) element.textContent = content;
  return element;
}

/* A number with thousands marked and no negative zero, as the tables write it. */
/* A pen on a canvas of so many points, as fine as the screen. */
function penOn(canvas, width, height) {
  const scale = window.devicePixelRatio || 1;
  canvas.width = width * scale;
  canvas.height = height * scale;
  canvas.style.width = width + "px";
  canvas.style.height = height + "px";
  const pen = canvas.getContext("2d");
  pen.scale(scale, scale);
  return pen;
}

function number(value, places) {
  const rounded = Number(value.toFixed(places)) + 0;
  return rounded.toLocaleString("en-GB", { minimumFractionDigits: places, maximumFractionDigits: places });
}

function levelText(row, knob) {
  const one = D.knobs[knob];
  return one.levels.length ? one.levels[D.positions[row][knob]] : D.texts[row][knob];
}

/* The level with its unit where it is a bare number. */
function settingText(row, knob) {
  const text = levelText(row, knob);
  return text.trim() !== "" && isFinite(Number(text)) ? text + unitOf(D.knobs[knob].unit) : text;
}

function setLine(row) {
  if (D.lines.length) return D.lines[row];
  return D.knobs.map((knob, k) => knob.args[D.positions[row][k]]).join(" ");
}

function rowName(row) {
  const names = D.marks[row].split(" ").filter(Boolean).map((mark) => (
    mark === "B" ? "baseline" : mark[0] === "m" ? "near miss " + mark.slice(1) : "setup " + mark));
  if (names.length) return names.join(" and ");
  return "setup " + D.knobs.map((_, k) => settingText(row, k)).join(", ");
}

/* Axes of the line view: every knob, then every metric. */
function knobAxis(knob, k) {
  if (!knob.levels.length) {
    const [low, high] = knob.values;
    return { label: knob.name, unit: knob.unit, low, high, ticks: [low, (low + high) / 2, high],
      value: (row) => low + D.positions[row][k] * (high - low), text: (v) => Number(v.toPrecision(4)).toString() };
  }
  const order = knob.values.map((_, n) => n).sort((a, b) => knob.values[a] - knob.values[b]);
  const place = order.map((_, n) => order.indexOf(n));
  return { label: knob.name, unit: knob.unit, low: 0, high: Math.max(1, order.length - 1),
    ticks: order.map((_, n) => n), value: (row) => place[D.positions[row][k]],
    text: (v) => knob.levels[order[Math.max(0, Math.min(order.length - 1, Math.round(v)))]],
    read: (typed) => {
      const level = knob.levels.indexOf(typed);
      if (level >= 0) return place[level];
      const wanted = Number(typed);
      return knob.values.filter((v) => v < wanted).length - (knob.values.includes(wanted) ? 0 : 0.5);
    } };
}

function metricAxis(metric, m) {
  let low = Infinity, high = -Infinity;
  for (let row = 0; row < ROWS; row++) {
    low = Math.min(low, D.values[row][m]);
    high = Math.max(high, D.values[row][m]);
  }
  const ticks = low === high ? [low] : [low, low + (high - low) / 3, low + 2 * (high - low) / 3, high];
  if (low === high) { low -= 0.5; high += 0.5; }
  return { label: metric.label, unit: metric.unit, better: metric.better, low, high, ticks,
    value: (row) => D.values[row][m], text: (v) => number(v, metric.places) };
}

const AXES = ROWS ? [...D.knobs.map(knobAxis), ...D.metrics.map(metricAxis)] : [];

/* Rows that pass every brush, in the order of the page: shortlist, baseline, front, others. */
function selectedRows() {
  const found = [];
  const ranges = [...state.ranges];
  for (let row = 0; row < ROWS; row++) {
    if (state.box && !state.box.has(row)) continue;
    if (state.onlyKept && !D.kept[row]) continue;
    if (ranges.every(([axis, [low, high]]) => {
      const value = AXES[axis].value(row);
      return value >= low && value <= high;
    })) found.push(row);
  }
  return found;
}

const brushed = () => Boolean(state.box) || state.ranges.size > 0 || state.onlyKept;

function refresh() {
  const rows = selectedRows();
  for (const tell of watchers) tell(rows);
}

function say(text) {
  const place = byId("said");
  place.textContent = text;
  place.classList.add("shown");
  window.clearTimeout(say.timer);
  say.timer = window.setTimeout(() => place.classList.remove("shown"), 6000);
}
