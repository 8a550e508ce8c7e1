// The stream: hammers count along, strips and open alerts are put in place, and a lost line is said so.
const LATE_S = 15;
const rows = document.getElementById("rows");
const lost = document.getElementById("lost");
const lostText = lost?.textContent ?? "";
const words = rows ? JSON.parse(rows.dataset.words) : {};
const us = document.documentElement.dataset.units === "us";
const seen = new Map();
export let ahead_ms = 0; // the server's clock against ours
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

const slots = new WeakMap(); // of each row its places, looked for once
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
const early = new Map(); // strips of hammers whose row is still on its way

// A hammer that is new gets its row beside the others; nothing that is being typed is lost by it.
let renewing = false;
async function renew() {
  if (renewing) return;
  renewing = true;
  setTimeout(() => { renewing = false; }, 2000);
  const answer = await fetch("/", { credentials: "same-origin" });
  if (answer.redirected) { location.reload(); return; }
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const row of fresh.querySelectorAll(".hammer")) {
    const key = row.dataset.key;
    if (byKey.has(key)) continue;
    rows.insertBefore(document.adoptNode(row), [...rows.children].find((one) => one.dataset.key > key) ?? null);
    byKey.set(key, row);
    slot(row, "strip").innerHTML = early.get(key) ?? "";
    early.delete(key);
    show(seen.get(key) ?? JSON.parse(fresh.getElementById("readings").textContent).hammers.find((one) => `${one.site}/${one.hammer}` === key));
    rows.parentElement.querySelector(".nothing")?.remove();
  }
}

function show(one) {
  const key = `${one.site}/${one.hammer}`;
  const row = byKey.get(key);
  seen.set(key, one);
  if (!row) { renew().catch(() => {}); return; }
  put(row, "operator", one.operator ?? words.nobody);
  put(row, "firing", one.firing ? words.firing : words.resting);
  const meter = slot(row, "spot");
  meter.value = Math.min(one.spot_s, one.spot_limit_s);
  meter.classList.toggle("over", one.spot_s >= one.spot_limit_s);
  put(row, "spot_text", fill(words.spot, { spent: one.spot_s.toFixed(1), limit: one.spot_limit_s }), one.spot_s >= one.spot_limit_s ? "over" : "");
  let oil = one.oil_c === null ? words.oil_unknown : fill(words.oil, { value: degrees(one.oil_c, one.oil_limit_c) });
  let tone = "";
  if (one.oil_c > one.oil_limit_c) { oil += `, ${fill(words.oil_over, { limit: degrees(one.oil_limit_c) })}`; tone = "over"; }
  else if (one.oil_reaches_min !== null && one.oil_reaches_min <= 60) {
    oil += `, ${fill(words.oil_reaches, { limit: degrees(one.oil_limit_c), minutes: Math.max(1, one.oil_reaches_min) })}`;
    if (one.oil_reaches_min <= 10) tone = "near";
  }
  put(row, "oil", oil, tone);
  const left = one.grease_overdue_h - one.grease_h;
  if (one.grease_overdue_h === null) put(row, "grease", words.grease_automatic);
  else if (left <= 0) put(row, "grease", fill(words.grease_over, { spent: span(one.grease_h * 3600) }), "over");
  else if (one.grease_h >= one.grease_due_h) put(row, "grease", fill(words.grease_due, { spent: span(one.grease_h * 3600) }), "near");
  else put(row, "grease", fill(words.grease_left, { left: span(left * 3600) }));
  age(row, one);
}

function age(row, one) {
  if (one.heard_ms === null) { put(row, "heard", words.not_heard); row.classList.add("late"); return; }
  const ago = Math.max(0, (Date.now() + ahead_ms - one.heard_ms) / 1000);
  row.classList.toggle("late", ago > LATE_S);
  put(row, "heard", fill(ago > LATE_S ? words.late : words.heard, { ago: span(ago) }));
}

// What is muted of a hammer stands in its row too.
export function mark() {
  const texts = new Map();
  for (const one of document.querySelectorAll("[data-mutes]")) {
    texts.set(one.dataset.mutes, [...(texts.get(one.dataset.mutes) ?? []), one.dataset.mark]);
  }
  for (const [key, row] of byKey) put(row, "muted", (texts.get(key) ?? []).join("; "));
}

function tell(down) {
  if (!lost || lost.hidden === !down) return;
  lost.textContent = fill(lostText, { time: new Date(heard).toLocaleTimeString() });
  lost.hidden = !down;
}

export function follow({ open }) {
  if (!document.body.dataset.stream && !rows && !document.getElementById("open")) return;
  const first = document.getElementById("readings");
  if (rows && first) {
    const told = JSON.parse(first.textContent);
    ahead_ms = told.now_ms - Date.now();
    told.hammers.forEach(show);
  }
  let source;
  const connect = () => {
    source = new EventSource("/stream");
    source.addEventListener("now", (event) => {
      const told = JSON.parse(event.data);
      heard = Date.now();
      ahead_ms = told.now_ms - heard;
      tell(false);
      if (rows) told.hammers.forEach(show);
    });
    source.addEventListener("strip", (event) => {
      if (!rows) return;
      const told = JSON.parse(event.data);
      const key = `${told.site}/${told.hammer}`;
      if (byKey.has(key)) slot(byKey.get(key), "strip").innerHTML = told.svg; else early.set(key, told.svg);
    });
    let version = null;
    source.addEventListener("alerts", (event) => {
      const told = JSON.parse(event.data);
      if (version !== told.version) open();
      version = told.version;
    });
    source.addEventListener("error", () => {
      tell(true);
      if (source.readyState === EventSource.CLOSED) { source.close(); setTimeout(connect, 2000); }
    });
  };
  connect();
  setInterval(() => {
    tell(Date.now() - heard > 12_000);
    if (rows) for (const [key, one] of seen) if (byKey.has(key)) age(byKey.get(key), one);
  }, 1000);
}
