/* One line per setup over every knob and metric; dragging along an axis keeps what passes there. */
const LINES = { top: 84, height: 280, step: 84, left: 52 };

function wrapped(text, most) {
  const lines = [""];
  for (const word of text.split(" ")) {
    const last = lines[lines.length - 1];
    if (last && (last + " " + word).length > most) lines.push(word);
    else lines[lines.length - 1] = last ? last + " " + word : word;
  }
  return lines.slice(0, 4).map((line) => (line.length > most + 2 ? line.slice(0, most + 1) + "…" : line));
}

function startLines() {
  const box = byId("lines");
  if (!box || !ROWS) return;
  const bottom = LINES.top + LINES.height;
  const room = box.parentElement.clientWidth - LINES.left - 60;
  const step = Math.max(72, Math.min(150, room / Math.max(1, AXES.length - 1)));
  const width = LINES.left + step * (AXES.length - 1) + 60;
  const svg = draw("svg", { width, height: bottom + 24, viewBox: `0 0 ${width} ${bottom + 24}`, class: "lines",
    role: "img", "aria-label": "One line per setup over every knob and metric; the list below names the selected ones" });
  const xAt = (axis) => LINES.left + axis * step;
  const yAt = (axis, value) => bottom - (value - AXES[axis].low) / (AXES[axis].high - AXES[axis].low) * LINES.height;
  const heights = AXES.map((one, a) => Float32Array.from({ length: ROWS }, (_, row) => yAt(a, one.value(row))));
  const pathOf = (row) => "M" + AXES.map((_, a) => xAt(a).toFixed(0) + " " + heights[a][row].toFixed(1)).join("L");
  const crowd = make("canvas", null, { class: "crowd", "aria-hidden": "true" });
  const layers = {};
  for (const kind of ["front", "base", "pick", "active"]) {
    layers[kind] = draw("path", { class: "line-" + kind, d: "" });
    svg.append(layers[kind]);
  }
  AXES.forEach((one, a) => svg.append(axisGroup(one, a, xAt(a), yAt, bottom)));
  const names = draw("g", {});
  svg.append(names);
  box.replaceChildren(crowd, svg);

  watchers.push((rows) => {
    const d = { front: [], base: [], pick: [] };
    for (const row of rows) {
      const kind = D.marks[row] === "B" ? "base" : D.marks[row] ? "pick" : D.front[row] ? "front" : "";
      if (kind) d[kind].push(pathOf(row));
    }
    for (const kind of Object.keys(d)) layers[kind].setAttribute("d", d[kind].join(""));
    drawCrowd(crowd, width, bottom + 24, rows, xAt, heights);
    names.replaceChildren(...endNames(rows, xAt, yAt));
    svg.querySelectorAll(".kept-range").forEach((mark) => placeRange(mark, yAt));
    const shown = shownRow();
    layers.active.setAttribute("d", shown < 0 ? "" : pathOf(shown));
  });
}

/* The many lines behind those that matter: thousands of thin strokes are too much for SVG on a slow machine. */
function drawCrowd(canvas, width, height, rows, xAt, heights) {
  const pen = penOn(canvas, width, height);
  const stroke = (row) => {
    pen.beginPath();
    for (let a = 0; a < heights.length; a++) pen.lineTo(xAt(a), heights[a][row]);
    pen.stroke();
  };
  const inside = new Set(rows);
  pen.strokeStyle = colour("other");
  if (brushed()) {
    pen.globalAlpha = Math.min(0.08, 45 / ROWS);
    for (let row = 0; row < ROWS; row++) if (!inside.has(row)) stroke(row);
  }
  const full = brushed() ? 0.9 : 0.5;
  pen.globalAlpha = Math.min(full, 60 / rows.length);
  for (const row of rows) if (!D.kept[row]) stroke(row);
  pen.globalAlpha = Math.min(full, 130 / rows.length);
  for (const row of rows) if (D.kept[row]) stroke(row);
}

/* Marks at the right end of their lines, pushed apart where they would cover each other. */
function endNames(rows, xAt, yAt) {
  const last = AXES.length - 1;
  const ends = rows.filter((row) => D.marks[row]).map((row) => ({ row, y: yAt(last, AXES[last].value(row)) }));
  ends.sort((a, b) => a.y - b.y);
  for (let n = 1; n < ends.length; n++) ends[n].y = Math.max(ends[n].y, ends[n - 1].y + 15);
  return ends.map(({ row, y }) => draw("text", { x: xAt(last) + 12, y: y + 4, class: "end-name" }, D.marks[row]));
}

function placeRange(mark, yAt) {
  const axis = Number(mark.dataset.axis);
  const range = state.ranges.get(axis);
  const one = AXES[axis];
  mark.setAttribute("visibility", range ? "visible" : "hidden");
  if (!range) return;
  const high = yAt(axis, Math.min(one.high, range[1])), low = yAt(axis, Math.max(one.low, range[0]));
  mark.setAttribute("y", Math.min(high, low) - 3);
  mark.setAttribute("height", Math.max(6, Math.abs(low - high) + 6));
}

function axisGroup(one, axis, x, yAt, bottom) {
  const group = draw("g", { class: "axis-group" });
  const lines = [...wrapped(one.label, 12), one.unit + (one.better ? ", " + one.better : "")].filter(Boolean);
  lines.forEach((line, n) => group.append(draw("text", { x, y: LINES.top - 14 - 14 * (lines.length - 1 - n),
    class: n === lines.length - 1 && one.unit ? "tick" : "axis", "text-anchor": "middle" }, line)));
  group.append(draw("line", { x1: x, x2: x, y1: LINES.top, y2: bottom, class: "rail" }));
  const every = Math.max(1, Math.ceil(one.ticks.length / 14));
  one.ticks.forEach((value, n) => {
    if (n % every) return;
    const y = yAt(axis, value);
    const whole = one.text(value);
    const text = draw("text", { x: x - 7, y: y + 4, class: "tick", "text-anchor": "end" },
      whole.length > 8 ? whole.slice(0, 7) + "…" : whole);
    if (whole.length > 8) text.append(draw("title", {}, whole));
    group.append(draw("line", { x1: x - 4, x2: x, y1: y, y2: y, class: "rail" }), text);
  });
  const kept = draw("rect", { x: x - 7, width: 14, class: "kept-range", visibility: "hidden", "data-axis": axis });
  const hit = draw("rect", { x: x - 16, y: LINES.top - 8, width: 32, height: LINES.height + 16, class: "hit",
    "data-axis": axis });
  group.append(kept, hit);
  const valueAt = (event) => {
    const y = event.clientY - hit.ownerSVGElement.getBoundingClientRect().top;
    return one.low + (bottom - y) / LINES.height * (one.high - one.low);
  };
  let start = null;
  hit.addEventListener("pointerdown", (event) => {
    start = valueAt(event);
    hit.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  hit.addEventListener("pointermove", (event) => {
    if (start === null) return;
    const now = valueAt(event);
    state.ranges.set(axis, [Math.min(start, now), Math.max(start, now)]);
    placeRange(kept, yAt);
  });
  hit.addEventListener("pointerup", (event) => {
    if (start === null) return;
    const now = valueAt(event);
    if (Math.abs(now - start) < 0.012 * (one.high - one.low)) state.ranges.delete(axis);
    else state.ranges.set(axis, [Math.min(start, now), Math.max(start, now)]);
    start = null;
    refresh();
  });
  return group;
}
