/* Every pair of objectives as points; a box in any panel selects everywhere. */
const escaped = (text) => text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");

function scatterPanels() {
  const found = [];
  D.scatter.forEach((y, r) => D.scatter.slice(0, r).forEach((x, c) => found.push({ x, y, r: r - 1, c })));
  return found;
}

/* Which rows go into which kind of point. */
function scatterKinds() {
  const rows = Array.from({ length: ROWS }, (_, row) => row);
  return [
    { kind: "broken", rows: rows.filter((row) => !D.kept[row] && !D.front[row] && !D.marks[row]) },
    { kind: "kept", rows: rows.filter((row) => D.kept[row] && !D.front[row] && !D.marks[row]) },
    { kind: "front", rows: rows.filter((row) => D.front[row] && !D.marks[row]) },
    { kind: "base", rows: rows.filter((row) => D.marks[row] === "B") },
    { kind: "pick", rows: rows.filter((row) => D.marks[row] && D.marks[row] !== "B") },
  ];
}

function markerOf(kind) {
  const paper = colour("paper");
  return {
    broken: { symbol: "circle", size: 2.6, color: colour("other") },
    kept: { symbol: "circle-open", size: 6, color: colour("muted"), line: { width: 1, color: colour("muted") } },
    front: { symbol: "diamond", size: 10, color: colour("front"), line: { width: 1, color: paper } },
    base: { symbol: "x-thin", size: 11, color: colour("ink"), line: { width: 3, color: colour("ink") } },
    pick: { symbol: "square", size: 17, color: colour("pick"), line: { width: 1, color: paper } },
  }[kind];
}

function startScatter() {
  const box = byId("scatter");
  const panels = ROWS ? scatterPanels() : [];
  if (!box || !panels.length || !window.Plotly) return;
  const kinds = scatterKinds();
  const size = D.scatter.length;
  let busy = false;

  function layout() {
    const width = box.clientWidth;
    const columns = width < 640 ? 1 : size <= 3 ? Math.max(2, panels.length) : size - 1;
    const stair = columns > 1 && size > 3;
    const lines = stair ? size - 1 : Math.ceil(panels.length / columns);
    const tall = columns === 1 ? 300 : Math.min(360, Math.max(230, width / columns - 40));
    const wide = columns === 1 ? 0.16 : 0.065, high = Math.min(0.3, 66 / tall / lines + 0.02);
    const made = { height: tall * lines, margin: { l: 8, r: 8, t: 8, b: 8 }, showlegend: false, dragmode: "select",
      selectdirection: "any", hovermode: "closest", paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: "system-ui, sans-serif", size: 12, color: colour("ink") }, newselection: { mode: "immediate" },
      hoverlabel: { bgcolor: colour("paper"), bordercolor: colour("ink"), font: { color: colour("ink") }, align: "left" } };
    panels.forEach((one, n) => {
      const c = stair ? one.c : n % columns, r = stair ? one.r : Math.floor(n / columns);
      const tail = n ? String(n + 1) : "";
      const axis = (m, from, to) => ({ domain: [from, to], anchor: "", gridcolor: colour("rule"), zeroline: false,
        linecolor: colour("muted"), showline: true, ticks: "outside", tickcolor: colour("muted"), nticks: 6,
        title: { text: escaped(D.metrics[m].label) + ", " + D.metrics[m].unit + "<br>(" + (D.metrics[m].better ?
          D.metrics[m].better + " is better" : "no side is better") + ")", font: { size: 12 }, standoff: 6 } });
      made["xaxis" + tail] = axis(one.x, c / columns + wide, (c + 1) / columns - 0.004);
      made["yaxis" + tail] = axis(one.y, 1 - (r + 1) / lines + high, 1 - r / lines - 0.01);
      made["xaxis" + tail].anchor = "y" + tail;
      made["yaxis" + tail].anchor = "x" + tail;
    });
    return made;
  }

  function traces() {
    return panels.flatMap((one, n) => kinds.map(({ kind, rows }) => ({
      type: "scatter", mode: kind === "pick" || kind === "base" ? "markers+text" : "markers",
      x: rows.map((row) => D.values[row][one.x]), y: rows.map((row) => D.values[row][one.y]), customdata: rows,
      xaxis: "x" + (n ? n + 1 : ""), yaxis: "y" + (n ? n + 1 : ""), marker: markerOf(kind), cliponaxis: false,
      text: rows.map((row) => (kind === "base" ? " B" : D.marks[row])),
      textposition: kind === "base" ? "middle right" : "middle center",
      textfont: { color: kind === "base" ? colour("ink") : colour("on-pick"), size: 12 },
      hovertext: rows.map(hoverText), hoverinfo: "text",
      selected: { marker: { opacity: 1 } }, unselected: { marker: { opacity: kind === "broken" || kind === "kept" ? 0.06 : 0.15 } },
    })));
  }

  function hoverText(row) {
    const objectives = D.objectives.map((m) => `${D.metrics[m].label} ${number(D.values[row][m], D.metrics[m].places)}${unitOf(D.metrics[m].unit)}`);
    const parts = D.knobs.map((knob, k) => `${knob.name} ${settingText(row, k)}`);
    return [rowName(row).slice(0, 60), ...parts, ...objectives].map(escaped).join("<br>");
  }

  async function show() {
    busy = true;
    await Plotly.react(box, traces(), layout(), { displayModeBar: false, responsive: false, scrollZoom: false,
      doubleClick: false });
    busy = false;
  }

  show().then(() => {
    box.on("plotly_selected", (event) => {
      if (busy || !event) return;
      state.box = new Set(event.points.map((point) => point.customdata));
      refresh();
    });
    box.on("plotly_deselect", () => {
      if (busy) return;
      state.box = null;
      refresh();
    });
    box.on("plotly_click", (event) => {
      const row = event.points[0].customdata;
      if (row < D.detail.length) showCar(row);
    });
    watchers.push(mark);
    mark(selectedRows());
    box.dataset.ready = "yes";
  });

  async function mark(rows) {
    const inside = new Set(rows);
    const chosen = panels.flatMap(() => kinds.map(({ rows: own }) => (
      brushed() ? own.flatMap((row, n) => (inside.has(row) ? [n] : [])) : null)));
    busy = true;
    await Plotly.update(box, { selectedpoints: chosen }, { selections: [] });
    busy = false;
  }

  let width = box.clientWidth;
  window.addEventListener("resize", () => {
    if (box.clientWidth === width) return;
    width = box.clientWidth;
    show().then(() => mark(selectedRows()));
  });
  window.addEventListener("themechange", () => show().then(() => mark(selectedRows())));
}
