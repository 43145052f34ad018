/* Every pair of objectives as points; a box in any panel selects everywhere. Points on a canvas, what names them in SVG. */
const PANEL = { left: 50, right: 8, top: 8, bottom: 54, near: 14 };
const KINDS = ["broken", "kept", "front", "base", "pick"];

function scatterPanels() {
  const found = [];
  D.scatter.forEach((y, r) => D.scatter.slice(0, r).forEach((x, c) => found.push({ x, y, r, c: c + 1 })));
  return found;
}

const kindOf = (row) => (D.marks[row] === "B" ? "base" : D.marks[row] ? "pick"
  : D.front[row] ? "front" : D.kept[row] ? "kept" : "broken");

/* Round numbers between two ends, about `most` of them. */
function roundTicks(low, high, most) {
  const ten = 10 ** Math.floor(Math.log10((high - low) / most));
  const step = [1, 2, 5, 10].map((n) => n * ten).find((one) => (high - low) / one <= most);
  const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const found = [];
  for (let n = Math.ceil(low / step); n * step <= high; n++) found.push({ value: n * step, text: number(n * step, places) });
  return found;
}

function scaleOf(metric, from, to) {
  const axis = metricAxis(D.metrics[metric], metric);
  const pad = 0.05 * (axis.high - axis.low), low = axis.low - pad, high = axis.high + pad;
  return { low, high, at: (value) => from + (value - low) / (high - low) * (to - from) };
}

function hoverLines(row) {
  const values = D.objectives.map((m) => `${D.metrics[m].label} ${number(D.values[row][m], D.metrics[m].places)}${unitOf(D.metrics[m].unit)}`);
  return [rowName(row).slice(0, 60), ...D.knobs.map((knob, k) => `${knob.name} ${settingText(row, k)}`), ...values];
}

function axisTitle(metric) {
  const one = D.metrics[metric];
  return `${withUnit(one.label, one.unit)} (${one.better ? one.better + " is better" : "no side is better"})`;
}

function startScatter() {
  const box = byId("scatter");
  const panels = ROWS ? scatterPanels() : [];
  if (!box || !panels.length) return;
  const kinds = Array.from({ length: ROWS }, (_, row) => kindOf(row));
  const order = KINDS.flatMap((kind) => kinds.flatMap((one, row) => (one === kind ? [row] : [])));
  const tip = make("div", null, { class: "tip", "aria-hidden": "true" });
  let drawn = [];

  function build() {
    const size = D.scatter.length, room = box.clientWidth;
    const columns = room < 640 ? 1 : size <= 3 ? Math.max(2, panels.length) : size - 1;
    const width = Math.floor(room / columns) - 8, height = Math.min(370, Math.max(250, width - 20));
    box.style.gridTemplateColumns = `repeat(${columns}, minmax(0, 1fr))`;
    drawn = panels.map((one) => panelOf(one, width, height));
    box.replaceChildren(...drawn.map((one) => one.place), tip);
    if (columns > 1 && size > 3) panels.forEach(({ r, c }, n) => { drawn[n].place.style.gridArea = `${r} / ${c}`; });
    mark(selectedRows());
  }

  function panelOf(one, width, height) {
    const place = make("div", null, { class: "panel" });
    const canvas = make("canvas", null, { "aria-hidden": "true" });
    const right = width - PANEL.right, bottom = height - PANEL.bottom;
    const x = scaleOf(one.x, PANEL.left, right), y = scaleOf(one.y, bottom, PANEL.top);
    const said = `${axisTitle(one.y)} over ${axisTitle(one.x)}; the list below names the selected setups`;
    const svg = draw("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": said });
    svg.append(draw("rect", { class: "frame", x: PANEL.left, y: PANEL.top, width: right - PANEL.left, height: bottom - PANEL.top }));
    roundTicks(x.low, x.high, Math.max(2, Math.floor(width / 60))).forEach(({ value, text }) => svg.append(
      draw("line", { class: "grid", x1: x.at(value), x2: x.at(value), y1: PANEL.top, y2: bottom }),
      draw("text", { class: "tick", x: x.at(value), y: bottom + 14, "text-anchor": "middle" }, text)));
    roundTicks(y.low, y.high, 6).forEach(({ value, text }) => svg.append(
      draw("line", { class: "grid", x1: PANEL.left, x2: right, y1: y.at(value), y2: y.at(value) }),
      draw("text", { class: "tick", x: PANEL.left - 5, y: y.at(value) + 4, "text-anchor": "end" }, text)));
    const middle = (PANEL.left + right) / 2, half = (PANEL.top + bottom) / 2;
    wrapped(axisTitle(one.x), Math.floor(width / 6.4)).forEach((text, n) => svg.append(
      draw("text", { class: "axis", x: middle, y: bottom + 31 + 14 * n, "text-anchor": "middle" }, text)));
    const title = axisTitle(one.y), fits = title.length * 6.4 < bottom - PANEL.top;
    svg.append(draw("text", { class: "axis", x: 12, y: half, "text-anchor": "middle", transform: `rotate(-90 12 ${half})` },
      fits ? title : withUnit(D.metrics[one.y].label, D.metrics[one.y].unit)));
    const names = draw("g", {}), brush = draw("rect", { class: "kept-range", visibility: "hidden" });
    svg.append(names, brush);
    place.append(canvas, svg);
    const at = Float32Array.from({ length: 2 * ROWS }, (_, n) => (
      n % 2 ? y.at(D.values[n >> 1][one.y]) : x.at(D.values[n >> 1][one.x])));
    listen(svg, brush, at);
    return { place, canvas, names, at, width, height };
  }

  function listen(svg, brush, at) {
    let start = null;
    const spot = (event) => {
      const frame = svg.getBoundingClientRect();
      return [event.clientX - frame.left, event.clientY - frame.top];
    };
    const between = (a, b) => [Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[0], b[0]), Math.max(a[1], b[1])];
    svg.addEventListener("pointerdown", (event) => {
      start = spot(event);
      svg.setPointerCapture(event.pointerId);
      tip.classList.remove("shown");
    });
    svg.addEventListener("pointermove", (event) => {
      const now = spot(event);
      if (!start) { hover(nearest(at, now), event); return; }
      const [left, top, right, bottom] = between(start, now);
      for (const [key, value] of Object.entries({ x: left, y: top, width: right - left, height: bottom - top, visibility: "visible" })) brush.setAttribute(key, value);
    });
    svg.addEventListener("pointerup", (event) => {
      const [left, top, right, bottom] = between(start || spot(event), spot(event));
      start = null;
      brush.setAttribute("visibility", "hidden");
      if (right - left < 4 && bottom - top < 4) {
        const row = nearest(at, [left, top]);
        if (row < 0) state.box = null;
        else if (row < D.detail.length) { showCar(row); return; }
      } else {
        const rows = order.filter((row) => at[2 * row] >= left && at[2 * row] <= right && at[2 * row + 1] >= top && at[2 * row + 1] <= bottom);
        state.box = rows.length ? new Set(rows) : null;
      }
      refresh();
    });
    svg.addEventListener("pointercancel", () => { start = null; brush.setAttribute("visibility", "hidden"); });
    svg.addEventListener("pointerleave", () => tip.classList.remove("shown"));
  }

  /* The topmost of the nearest points; -1 where none is near. */
  function nearest(at, [x, y]) {
    let best = -1, least = PANEL.near;
    for (const row of order) {
      const gap = Math.hypot(at[2 * row] - x, at[2 * row + 1] - y);
      if (gap <= least) { best = row; least = gap; }
    }
    return best;
  }

  function hover(row, event) {
    tip.classList.toggle("shown", row >= 0);
    if (row < 0) return;
    tip.replaceChildren(...hoverLines(row).map((line) => make("div", line)));
    const frame = box.getBoundingClientRect();
    const x = event.clientX - frame.left + 14, y = event.clientY - frame.top + 14;
    tip.style.left = Math.max(0, Math.min(x, frame.width - tip.offsetWidth)) + "px";
    tip.style.top = (y + tip.offsetHeight > frame.height ? y - tip.offsetHeight - 28 : y) + "px";
  }

  function mark(rows) {
    const inside = new Set(rows);
    const inks = { broken: colour("other"), kept: colour("muted"), front: colour("front"), paper: colour("paper") };
    drawn.forEach((one) => paint(one, inside, inks));
    box.dataset.lit = JSON.stringify(rows);
  }

  function paint({ canvas, names, at, width, height }, inside, inks) {
    const pen = penOn(canvas, width, height);
    names.replaceChildren();
    for (const row of order) {
      const x = at[2 * row], y = at[2 * row + 1], kind = kinds[row], lit = inside.has(row);
      if (kind === "pick" || kind === "base") { names.append(nameOf(row, x, y, lit)); continue; }
      pen.globalAlpha = lit ? 1 : kind === "front" ? 0.15 : 0.06;
      pen.fillStyle = pen.strokeStyle = inks[kind];
      pen.beginPath();
      if (kind === "front") {
        pen.moveTo(x, y - 5.5); pen.lineTo(x + 5.5, y); pen.lineTo(x, y + 5.5); pen.lineTo(x - 5.5, y); pen.closePath();
        pen.fill();
        pen.strokeStyle = inks.paper;
        pen.stroke();
      } else if (kind === "kept") { pen.arc(x, y, 2.6, 0, 7); pen.stroke(); } else { pen.arc(x, y, 1.3, 0, 7); pen.fill(); }
    }
  }

  function nameOf(row, x, y, lit) {
    const name = draw("g", { opacity: lit ? 1 : 0.2 });
    const text = D.marks[row].split(" ")[0], half = Math.max(8, 4 * text.length + 3);
    if (kinds[row] === "base") {
      name.append(draw("path", { class: "p-base", d: `M${x - 5} ${y - 5}l10 10m0 -10l-10 10` }),
        draw("text", { class: "end-name", x: x + 9, y: y + 4 }, "B"));
    } else {
      name.append(draw("rect", { class: "p-pick", x: x - half, y: y - 8, width: 2 * half, height: 16 }),
        draw("text", { class: "p-text", x, y: y + 4 }, text));
    }
    return name;
  }

  let width = box.clientWidth;
  build();
  watchers.push(mark);
  box.dataset.ready = "yes";
  window.addEventListener("resize", () => {
    if (!box.clientWidth || box.clientWidth === width) return;
    width = box.clientWidth;
    build();
  });
  window.addEventListener("themechange", () => mark(selectedRows()));
}
