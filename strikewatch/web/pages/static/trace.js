// The samples around an alert: firing, pressure, oil and engine speed over one time axis, to zoom, move and read; and
// as a table. Scrolling is left to the page: the wheel zooms with Ctrl, a finger moves the trace sideways only.
import { clockText } from "./live.js";

const NS = "http://www.w3.org/2000/svg";
const us = document.documentElement.dataset.units === "us";
const LANES = [
  { name: "pressure_bar", text: "pressure", unit: us ? "psi" : "bar", from: (v) => (us ? v * 14.503773773 : v), height: 130, low: 0 },
  { name: "oil_c", text: "oil", unit: us ? "°F" : "°C", from: (v) => (us ? v * 1.8 + 32 : v), height: 70 },
  { name: "engine_rpm", text: "engine", unit: "rpm", from: (v) => v, height: 50 },
];
const LEFT = 56, RIGHT = 12, FIRE = 18, GAP = 14;

function make(name, attributes, parent) {
  const one = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  parent?.append(one);
  return one;
}

export async function drawTrace(place) {
  if (!place) return;
  const answer = await fetch(place.dataset.from, { credentials: "same-origin" });
  if (!answer.ok) return;
  const data = await answer.json();
  if (!data.time_s.length) return;
  const texts = JSON.parse(place.dataset.texts);
  const lanes = LANES.filter((lane) => data[lane.name]?.some((v) => v !== null));
  const whole = [data.time_s[0], data.time_s.at(-1)];
  const onset_s = (data.onset_ms - data.begin_ms) / 1000;
  const over_s = data.cleared_ms === null ? whole[1] : (data.cleared_ms - data.begin_ms) / 1000;
  let view = [onset_s - 30, Math.min(Math.max(over_s + 10, onset_s + 30), onset_s + 60)];
  place.textContent = "";
  const tools = document.createElement("p");
  tools.className = "tools";
  const read = document.createElement("output");
  const svg = make("svg", { role: "img", tabindex: "0", "aria-label": texts.help });
  place.append(tools, svg, read);
  const clockAt = (s, tenths = false) => clockText(data.begin_ms + s * 1000) + (tenths ? `.${Math.floor(((data.begin_ms / 1000 + s) % 1) * 10)}` : "");
  const clamp = () => {
    const wide = Math.min(Math.max(view[1] - view[0], 1), whole[1] - whole[0]);
    const start = Math.min(Math.max(view[0], whole[0]), whole[1] - wide);
    view = [start, start + wide];
  };
  const zoom = (by, about = (view[0] + view[1]) / 2) => { view = view.map((one) => about + (one - about) * by); clamp(); draw(); };
  const move = (by) => { const step = (view[1] - view[0]) * by; view = [view[0] + step, view[1] + step]; clamp(); draw(); };
  for (const [text, act] of [["left", () => move(-0.3)], ["zoom_in", () => zoom(0.5)], ["zoom_out", () => zoom(2)], ["right", () => move(0.3)]]) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = texts[text];
    button.addEventListener("click", act);
    tools.append(button);
  }

  function draw() {
    const width = Math.max(place.clientWidth, 300), inner = width - LEFT - RIGHT;
    const height = FIRE + GAP + lanes.reduce((sum, lane) => sum + lane.height + GAP, 0) + 20;
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.setAttribute("height", height);
    svg.replaceChildren();
    const x = (s) => LEFT + ((s - view[0]) / (view[1] - view[0])) * inner;
    const first = Math.max(0, data.time_s.findIndex((s) => s >= view[0]) - 1);
    let last = data.time_s.findIndex((s) => s > view[1]);
    if (last < 0) last = data.time_s.length - 1;
    const clip = make("clipPath", { id: "trace-clip" }, svg);
    make("rect", { x: LEFT, y: 0, width: inner, height }, clip);
    const inside = make("g", { "clip-path": "url(#trace-clip)" }, svg);
    const onset = (data.onset_ms - data.begin_ms) / 1000;
    const end = data.cleared_ms === null ? whole[1] : (data.cleared_ms - data.begin_ms) / 1000;
    make("rect", { class: "at-fault", x: x(onset), y: 0, width: Math.max(2, x(end) - x(onset)), height: height - 20 }, inside);
    make("text", { class: "lane", x: LEFT - 6, y: FIRE - 4 }, svg).textContent = texts.firing;
    const active = data.active ?? [];
    for (let i = first; i <= last; i++) {
      if (!active[i]) continue;
      const from = data.time_s[i];
      while (i < last && active[i] !== 0 && active[i] !== null) i++;
      make("rect", { class: "fired", x: x(from), y: 2, width: Math.max(1, x(data.time_s[i]) - x(from)), height: FIRE - 4 }, inside);
    }
    let top = FIRE + GAP;
    for (const lane of lanes) {
      const values = data[lane.name].filter((v) => v !== null);
      const marks = [lane.name === "oil_c" ? data.oil_limit_c : lane.name === "pressure_bar" ? data.level_bar : null].filter((v) => v !== null && v !== undefined);
      let low = lane.low ?? Math.min(...values, ...marks), high = Math.max(...values, ...marks);
      if (high - low < 5) { low -= 2.5; high += 2.5; }
      const y = (v) => top + lane.height - ((v - low) / (high - low)) * lane.height;
      make("path", { class: "axis", d: `M${LEFT},${top}V${top + lane.height}H${width - RIGHT}` }, svg);
      for (const [v, at] of [[low, top + lane.height], [high, top + 10]])
        make("text", { class: "lane", x: LEFT - 6, y: at }, svg).textContent = Math.round(lane.from(v));
      make("text", { class: "name", x: LEFT + 4, y: top + 10 }, svg).textContent = `${texts[lane.text]}, ${lane.unit}`;
      for (const mark of marks) make("path", { class: "limit", d: `M${LEFT},${y(mark)}H${width - RIGHT}` }, inside);
      let d = "", up = true;
      for (let i = first; i <= last; i++) {
        const v = data[lane.name][i];
        if (v === null) continue;
        d += `${up ? "M" : "L"}${x(data.time_s[i]).toFixed(1)},${y(v).toFixed(1)}`;
        up = false;
      }
      make("path", { class: `line ${lane.text}`, d }, inside);
      top += lane.height + GAP;
    }
    const step = [0.2, 0.5, 1, 2, 5, 10, 30, 60, 120, 300, 600].find((s) => (view[1] - view[0]) / s <= inner / 70) ?? 600;
    for (let s = Math.ceil(view[0] / step) * step; s <= view[1]; s += step) {
      make("path", { class: "axis", d: `M${x(s)},${height - 20}v4` }, svg);
      make("text", { class: "hour", x: x(s), y: height - 4 }, svg).textContent = clockAt(s, step < 1);
    }
    const cursor = make("path", { class: "cursor", d: "" }, svg);
    fillTable();
    svg.onpointermove = (event) => {
      const box = svg.getBoundingClientRect();
      point(view[0] + (((event.clientX - box.left) * width / box.width - LEFT) / inner) * (view[1] - view[0]), cursor, x, height);
    };
  }

  function rowAt(s) {
    const later = data.time_s.findIndex((one) => one > s);
    return later < 0 ? data.time_s.length - 1 : Math.max(0, later - 1);
  }
  // The value of a channel at a time: the last one sampled.
  function valueAt(lane, s) {
    let i = rowAt(s);
    while (i > 0 && data[lane.name][i] === null) i--;
    const v = data[lane.name][i];
    return v === null ? "–" : `${lane.from(v).toFixed(lane.name === "oil_c" ? 1 : 0)} ${lane.unit}`;
  }

  // What is in view as a table of at most 60 rows.
  const details = document.createElement("details"), summary = document.createElement("summary"), box = document.createElement("div");
  summary.textContent = texts.table;
  Object.assign(box, { className: "scroll", tabIndex: 0 });
  box.setAttribute("role", "region");
  box.setAttribute("aria-label", texts.table);
  details.append(summary, box);
  place.append(details);
  details.addEventListener("toggle", fillTable);
  function fillTable() {
    if (!details.open) return;
    const step = [1, 2, 5, 10, 30, 60].find((one) => (view[1] - view[0]) / one <= 60) ?? 60;
    const table = document.createElement("table"), head = table.createTHead().insertRow(), body = table.createTBody();
    for (const text of [texts.time, texts.firing, ...lanes.map((lane) => texts[lane.text])]) {
      const cell = document.createElement("th");
      Object.assign(cell, { scope: "col", textContent: text });
      head.append(cell);
    }
    for (let s = Math.ceil(view[0] / step) * step; s <= view[1]; s += step) {
      const row = body.insertRow();
      for (const text of [clockAt(s), data.active?.[rowAt(s)] ? texts.yes : "–", ...lanes.map((lane) => valueAt(lane, s))]) row.insertCell().textContent = text;
    }
    box.replaceChildren(table);
  }

  function point(s, cursor, x, height) {
    if (s < view[0] || s > view[1]) return;
    cursor.setAttribute("d", `M${x(s)},0V${height - 20}`);
    const said = lanes.map((lane) => `${texts[lane.text]} ${valueAt(lane, s)}`);
    read.textContent = `${clockAt(s, true)}: ${said.join(", ")}`;
  }

  let dragged = null;
  svg.addEventListener("wheel", (event) => { if (!event.ctrlKey && !event.metaKey) return; event.preventDefault(); zoom(event.deltaY > 0 ? 1.25 : 0.8); }, { passive: false });
  svg.addEventListener("pointerdown", (event) => { dragged = { at: event.clientX, view: [...view] }; });
  window.addEventListener("pointerup", () => { dragged = null; });
  window.addEventListener("pointermove", (event) => {
    if (!dragged) return;
    const by = ((dragged.at - event.clientX) / (svg.clientWidth - LEFT - RIGHT)) * (dragged.view[1] - dragged.view[0]);
    view = dragged.view.map((one) => one + by);
    clamp();
    draw();
  });
  svg.addEventListener("keydown", (event) => {
    const act = { ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2), "+": () => zoom(0.7), "-": () => zoom(1.4) }[event.key];
    if (act) { event.preventDefault(); act(); }
  });
  window.addEventListener("resize", draw);
  clamp();
  draw();
}
