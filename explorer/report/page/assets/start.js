/* List of the selected setups, drawing of the car, choice of maps, copying, light and dark; then everything starts. */
const LISTED = window.matchMedia("(max-width: 640px)").matches ? 10 : 40;
let carRow = ROWS ? D.shown : -1;
const shownRow = () => carRow;

function listTable(rows) {
  const table = byId("list");
  const order = brushed() ? rows : rows.filter((row) => D.marks[row] || D.front[row]);
  const shown = (order.length ? order : rows).slice(0, LISTED);
  const head = make("tr");
  const numbers = [...D.knobs.map((k) => withUnit(k.name, k.unit)),
    ...D.objectives.map((m) => withUnit(D.metrics[m].label, D.metrics[m].unit))];
  head.append(cell("th", "setup", { scope: "col" }));
  for (const title of numbers) head.append(cell("th", title, { scope: "col", class: "num" }));
  for (const title of ["keeps every limit", "drawing", "command line"]) head.append(cell("th", title, { scope: "col" }));
  const body = make("tbody");
  for (const row of shown) body.append(listRow(row));
  const top = make("thead");
  top.append(head);
  table.replaceChildren(make("caption", "Setups selected, the shortlist and the front first"), top, body);
  const whole = brushed() ? `${rows.length.toLocaleString("en-GB")} of ${ROWS.toLocaleString("en-GB")} drawn setups are selected`
    : `Nothing is narrowed down: all ${ROWS.toLocaleString("en-GB")} drawn setups are in play`;
  byId("list-said").textContent = `${whole}; ${shown.length} listed, the shortlist and the front first.`;
}

const withUnit = (label, unit) => label + (unit ? ", " + unit : "");

function cell(kind, text, attributes) {
  const element = make(kind, null, attributes);
  if (text !== "") element.append(make("bdi", text));
  return element;
}

function listRow(row) {
  const line = make("tr", null, { "data-row": row });
  const first = make("th", null, { scope: "row" });
  if (D.marks[row]) first.append(make("span", D.marks[row], { class: D.marks[row] === "B" ? "mark plain" : "mark" }));
  else first.append(make("span", D.front[row] ? "front" : "other", { class: "small" }));
  line.append(first);
  D.knobs.forEach((one, k) => line.append(cell("td", levelText(row, k), { class: "num", "data-label": withUnit(one.name, one.unit) })));
  D.objectives.forEach((m) => line.append(cell("td", number(D.values[row][m], D.metrics[m].places),
    { class: "num", "data-label": withUnit(D.metrics[m].label, D.metrics[m].unit) })));
  line.append(make("td", D.kept[row] ? "yes" : "no", { "data-label": "keeps every limit" }));
  const look = make("td");
  if (row < D.detail.length) {
    const button = make("button", "Show car", { type: "button", "aria-label": "Show the car: " + rowName(row) });
    button.addEventListener("click", () => { showCar(row); reveal("car"); byId("car").scrollIntoView(); });
    look.append(button);
  } else look.append(make("span", "not kept", { class: "small" }));
  const copy = make("td");
  copy.append(make("button", "Copy --set", { type: "button", class: "copy", "data-line": setLine(row),
    "aria-label": "Copy as --set: " + rowName(row) }));
  line.append(look, copy);
  return line;
}

/* Fill the drawings of the car, and the table below them, with another setup. */
function showCar(row) {
  if (row < 0 || row >= D.detail.length) return;
  carRow = row;
  const title = byId("car-name");
  title.textContent = D.marks[row] ? rowName(row) : "setup without a number";
  byId("car-parts").replaceChildren(...D.knobs.flatMap((knob, k) => [
    k ? ", " : "", make("bdi", knob.name), " ", make("bdi", settingText(row, k))]));
  const choice = byId("car-choice");
  choice.value = [...choice.options].some((one) => one.value === String(row)) ? String(row) : "";
  const table = document.querySelectorAll(".car-numbers tbody tr");
  document.querySelectorAll(".phase").forEach((figure) => {
    const phase = Number(figure.dataset.phase);
    const values = D.detail[row].slice(phase * D.stems, (phase + 1) * D.stems);
    const at = (stem) => values[D.stemNames.indexOf(stem)];
    const text = (stem, unit) => {
      const fact = D.stemFacts[D.stemNames.indexOf(stem)];
      return fact.codes.length ? fact.codes[at(stem)] : number(at(stem), fact.places) + (unit ? unitOf(fact.unit) : "");
    };
    figure.querySelectorAll("[data-put]").forEach((place) => {
      const stem = place.dataset.put;
      const lean = stem.endsWith("_inclination_deg");
      place.textContent = lean ? (at(stem) > 0 ? "+" : "") + text(stem) + "°" : text(stem, true);
    });
    figure.querySelectorAll("[data-bar]").forEach((bar) => {
      const tall = D.barHeight * Math.max(0, at(bar.dataset.bar)) / D.heaviest;
      bar.setAttribute("height", tall.toFixed(1));
      const label = figure.querySelector(`text[data-put="${bar.dataset.bar}"]`);
      label.setAttribute("y", (Number(bar.getAttribute("y")) + 14 + tall).toFixed(1));
    });
    figure.querySelectorAll("[data-turn]").forEach((part) => {
      const stem = part.dataset.turn;
      const about = part.getAttribute("transform").match(/rotate\(\S+ (.*)\)/)[1];
      const sign = stem === "roll_deg" ? 1 : -1;
      part.setAttribute("transform", `rotate(${(sign * D.enlarged * at(stem)).toFixed(2)} ${about})`);
    });
    const cells = table[phase].querySelectorAll("td");
    D.stemNames.forEach((stem, n) => { cells[n].textContent = text(stem); });
  });
  refresh();
}

function startMaps() {
  const chooser = document.querySelector(".chooser [data-choose=metric]");
  if (!chooser) return;
  const [metric, a, b] = ["metric", "a", "b"].map((key) => document.querySelector(`[data-choose=${key}]`));
  const figures = [...document.querySelectorAll(".map")];
  const said = chooser.closest(".chooser").querySelector(".said");
  const show = () => {
    const wanted = [a.value, b.value].sort().join();
    const found = figures.find((one) => one.dataset.metric === metric.value
      && [one.dataset.a, one.dataset.b].sort().join() === wanted);
    figures.forEach((one) => one.classList.toggle("chosen", one === found));
    said.textContent = found ? "" : a.value === b.value ? "Choose two different knobs." : "This run has no map of these two.";
  };
  b.value = figures[0].dataset.b;
  [metric, a, b].forEach((one) => one.addEventListener("change", show));
  show();
}

async function copyLine(line) {
  try {
    await navigator.clipboard.writeText(line);
    say("Copied: " + line);
    return;
  } catch (fault) { /* an old browser, or a page from a disk: the older way below */ }
  const field = make("textarea", line, { class: "off-screen", "aria-label": "setup" });
  document.body.append(field);
  field.select();
  const done = document.execCommand("copy");
  field.remove();
  say(done ? "Copied: " + line : "Copy this by hand: " + line);
}

function startTheme() {
  const button = byId("theme");
  const root = document.documentElement;
  const system = window.matchMedia("(prefers-color-scheme: dark)");
  const dark = () => (root.getAttribute("data-theme") || (system.matches ? "dark" : "light")) === "dark";
  const label = () => { button.textContent = dark() ? "Light page" : "Dark page"; };
  const changed = () => {
    label();
    if (ROWS) refresh();
    window.dispatchEvent(new Event("themechange"));
  };
  button.addEventListener("click", () => {
    root.setAttribute("data-theme", dark() ? "light" : "dark");
    try { window.localStorage.setItem("page-theme", root.getAttribute("data-theme")); } catch (fault) { /* not kept */ }
    changed();
  });
  system.addEventListener("change", changed);
  label();
}

function startNarrow() {
  const form = byId("narrow");
  if (!form) return;
  const axis = byId("narrow-axis"), low = byId("narrow-low"), high = byId("narrow-high");
  AXES.forEach((one, n) => axis.append(make("option", one.label + (one.unit ? ", " + one.unit : ""), { value: n })));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const one = AXES[Number(axis.value)];
    const end = (field, open) => {
      const typed = field.value.trim();
      if (!typed) return open;
      const value = one.read ? one.read(typed) : Number(typed);
      return Number.isFinite(value) ? value : NaN;
    };
    const range = [end(low, one.low - 1), end(high, one.high + 1)];
    if (range.some(Number.isNaN)) { say("Write a number, or one of the levels of the knob."); return; }
    state.ranges.set(Number(axis.value), range);
    refresh();
  });
  byId("clear").addEventListener("click", () => {
    state.box = null;
    state.ranges.clear();
    state.onlyKept = byId("only-kept").checked = false;
    refresh();
  });
  byId("only-kept").addEventListener("change", (event) => { state.onlyKept = event.target.checked; refresh(); });
}

/* A section that is folded opens before somebody is led to it. */
function reveal(id) {
  const fold = byId(id)?.querySelector("details.fold");
  if (fold) fold.open = true;
}

/* On a telephone the sections are folded once everything in them has been drawn. */
function startFolds() {
  const small = window.matchMedia("(max-width: 640px)").matches;
  document.querySelectorAll("details.fold").forEach((fold) => {
    if (small && "#" + fold.parentElement.id !== window.location.hash) fold.open = false;
    fold.addEventListener("toggle", () => window.dispatchEvent(new Event("resize")));
  });
}

document.addEventListener("click", (event) => {
  const link = event.target.closest('a[href^="#"]');
  if (link) reveal(link.hash.slice(1));
  const button = event.target.closest("button.copy");
  if (button) copyLine(button.dataset.line);
});
window.addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((one) => { one.open = true; }));
startTheme();
startMaps();
if (ROWS) {
  watchers.push(listTable);
  startLines();
  startNarrow();
  byId("car-choice").addEventListener("change", (event) => showCar(Number(event.target.value)));
  refresh();
  startScatter();
}
startFolds();
