// The event stream: updates hammers, timelines and active alerts, and shows when the connection is lost.
const LATE_S = 15;
const rows = document.getElementById("rows");
const lost = document.getElementById("lost");
const lostText = lost?.textContent ?? "";
const texts = rows ? JSON.parse(rows.dataset.texts) : {};
const us = document.documentElement.dataset.units === "us";
const latest = new Map();
export let ahead_ms = 0; // how far the server's clock is ahead of ours
let heard = Date.now();

const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
const scaled = (c) => (us ? c * 1.8 + 32 : c);
// Whole degrees, away from the limit, so that what is below it is never shown as having reached it.
const degrees = (c, limit = c) => `${(c > limit ? Math.ceil : c < limit ? Math.floor : Math.round)(scaled(c))} ${us ? "°F" : "°C"}`;
const two = (n) => String(n).padStart(2, "0");
function span(s) {
  if (s < 60) return `${Math.round(s)} s`;
  const minutes = Math.round(s / 60);
  return minutes < 60 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${two(minutes % 60)} min`;
}

const slots = new WeakMap(); // each row's elements by name, looked up once
function slot(row, name) {
  if (!slots.has(row)) slots.set(row, Object.fromEntries([...row.querySelectorAll("[data-slot]")].map((one) => [one.dataset.slot, one])));
  return slots.get(row)[name];
}
function put(row, name, text, tone = "") {
  const place = slot(row, name);
  if (place.textContent !== text) place.textContent = text;
  if (place.dataset.tone !== tone) { place.classList.remove("over", "near"); if (tone) place.classList.add(tone); place.dataset.tone = tone; }
}

const byKey = new Map([...(rows?.children ?? [])].map((row) => [row.dataset.key, row]));
const timelines = new Map(); // of hammers whose row is not there yet

// Adds the row of a new hammer without a reload, so that nothing being typed is lost.
let adding = false;
async function addRows() {
  if (adding) return;
  adding = true;
  setTimeout(() => { adding = false; }, 2000);
  const answer = await fetch("/", { credentials: "same-origin" });
  if (answer.redirected) { location.reload(); return; }
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const row of fresh.querySelectorAll(".hammer")) {
    const key = row.dataset.key;
    if (byKey.has(key)) continue;
    rows.insertBefore(document.adoptNode(row), [...rows.children].find((one) => one.dataset.key > key) ?? null);
    byKey.set(key, row);
    slot(row, "timeline").innerHTML = timelines.get(key) ?? "";
    timelines.delete(key);
    show(latest.get(key) ?? JSON.parse(fresh.getElementById("readings").textContent).hammers.find((hammer) => `${hammer.site}/${hammer.hammer}` === key));
    rows.parentElement.querySelector(".nothing")?.remove();
  }
}

function show(one) {
  const key = `${one.site}/${one.hammer}`;
  const row = byKey.get(key);
  latest.set(key, one);
  if (!row) { addRows().catch(() => {}); return; }
  put(row, "operator", one.operator ?? texts.nobody);
  put(row, "firing", one.firing ? texts.firing : texts.resting);
  const meter = slot(row, "spot");
  meter.value = Math.min(one.spot_s, one.spot_limit_s);
  meter.classList.toggle("over", one.spot_s >= one.spot_limit_s);
  put(row, "spot_text", fill(texts.spot, { spent: one.spot_s.toFixed(1), limit: one.spot_limit_s }), one.spot_s >= one.spot_limit_s ? "over" : "");
  let oil = one.oil_c === null ? texts.oil_unknown : fill(texts.oil, { value: degrees(one.oil_c, one.oil_limit_c) });
  let tone = "";
  if (one.oil_c > one.oil_limit_c) { oil += `, ${fill(texts.oil_over, { limit: degrees(one.oil_limit_c) })}`; tone = "over"; }
  else if (one.oil_reaches_min !== null && one.oil_reaches_min <= 60) {
    oil += `, ${fill(texts.oil_reaches, { limit: degrees(one.oil_limit_c), minutes: Math.max(1, one.oil_reaches_min) })}`;
    if (one.oil_reaches_min <= 10) tone = "near";
  }
  put(row, "oil", oil, tone);
  const left = one.grease_overdue_h - one.grease_h;
  if (one.grease_overdue_h === null) put(row, "grease", texts.grease_automatic);
  else if (left <= 0) put(row, "grease", fill(texts.grease_over, { spent: span(one.grease_h * 3600) }), "over");
  else if (one.grease_h >= one.grease_due_h) put(row, "grease", fill(texts.grease_due, { spent: span(one.grease_h * 3600) }), "near");
  else put(row, "grease", fill(texts.grease_left, { left: span(left * 3600) }));
  age(row, one);
}

function age(row, one) {
  if (one.heard_ms === null) { put(row, "heard", texts.not_heard); row.classList.add("late"); return; }
  const ago = Math.max(0, (Date.now() + ahead_ms - one.heard_ms) / 1000);
  row.classList.toggle("late", ago > LATE_S);
  put(row, "heard", fill(ago > LATE_S ? texts.late : texts.heard, { ago: span(ago) }));
}

// Shows in each row what is muted for that hammer.
export function showMutes() {
  const texts = new Map();
  for (const one of document.querySelectorAll("[data-mutes]")) {
    texts.set(one.dataset.mutes, [...(texts.get(one.dataset.mutes) ?? []), one.dataset.label]);
  }
  for (const [key, row] of byKey) put(row, "muted", (texts.get(key) ?? []).join("; "));
}

function showLost(down) {
  if (!lost || lost.hidden === !down) return;
  lost.textContent = fill(lostText, { time: new Date(heard).toLocaleTimeString() });
  lost.hidden = !down;
}

export function follow({ refreshActive }) {
  if (!document.body.dataset.stream && !rows && !document.getElementById("open")) return;
  const first = document.getElementById("readings");
  if (rows && first) {
    const data = JSON.parse(first.textContent);
    ahead_ms = data.now_ms - Date.now();
    data.hammers.forEach(show);
  }
  let source;
  const connect = () => {
    source = new EventSource("/stream");
    source.addEventListener("now", (event) => {
      const data = JSON.parse(event.data);
      heard = Date.now();
      ahead_ms = data.now_ms - heard;
      showLost(false);
      if (rows) data.hammers.forEach(show);
    });
    source.addEventListener("timeline", (event) => {
      if (!rows) return;
      const data = JSON.parse(event.data);
      const key = `${data.site}/${data.hammer}`;
      if (byKey.has(key)) slot(byKey.get(key), "timeline").innerHTML = data.svg; else timelines.set(key, data.svg);
    });
    let version = null;
    source.addEventListener("alerts", (event) => {
      const data = JSON.parse(event.data);
      if (version !== data.version) refreshActive();
      version = data.version;
    });
    source.addEventListener("error", () => {
      showLost(true);
      if (source.readyState === EventSource.CLOSED) { source.close(); setTimeout(connect, 2000); }
    });
  };
  connect();
  setInterval(() => {
    showLost(Date.now() - heard > 12_000);
    if (rows) for (const [key, one] of latest) if (byKey.has(key)) age(byKey.get(key), one);
  }, 1000);
}
