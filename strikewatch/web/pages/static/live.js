// The event stream: the values of hammers, their timelines, the clock, and whether the connection is lost.
const LATE_S = 15;
const rows = document.getElementById("rows");
const open = document.getElementById("open");
const lost = document.getElementById("lost");
const lostText = lost?.textContent ?? "";
const texts = JSON.parse((open ?? rows)?.dataset.texts ?? "{}");
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
  if (s < 60) return `${Math.floor(s)} s`;
  const minutes = Math.floor(s / 60);
  if (minutes < 60) return `${minutes} min`;
  return minutes % 60 ? `${Math.floor(minutes / 60)} h ${two(minutes % 60)} min` : `${minutes / 60} h`;
}
// The time of day at the site: 14:02:11, as the server writes it.
const formats = new Map();
export function clockText(ms, zone = document.body.dataset.zone, seconds = true) {
  const key = `${zone} ${seconds}`;
  if (!formats.has(key)) formats.set(key, new Intl.DateTimeFormat("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit", second: seconds ? "2-digit" : undefined, hourCycle: "h23" }));
  return formats.get(key).format(ms);
}

const slots = new WeakMap(); // each row's elements by name, looked up once
function slot(row, name) {
  if (!slots.has(row)) slots.set(row, Object.fromEntries([...row.querySelectorAll("[data-slot]")].map((one) => [one.dataset.slot, one])));
  return slots.get(row)[name];
}
function put(place, text, tone = "") {
  if (place.textContent !== text) place.textContent = text;
  if ((place.dataset.tone ?? "") !== tone) { place.classList.remove("over", "near"); if (tone) place.classList.add(tone); place.dataset.tone = tone; }
}
// A value as a share of its limit; null: unknown, or without a limit.
function gauge(row, name, share, text, tone = "") {
  const meter = slot(row, name);
  meter.classList.toggle("none", share === null);
  const value = Math.round(Math.min(Math.max(share, 0), 1) * 100) / 100 * meter.max;
  if (meter.value !== value) meter.value = value;
  meter.classList.toggle("over", tone === "over");
  put(slot(row, `${name}_text`), text, tone);
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
    rows.append(document.adoptNode(row));
    byKey.set(key, row);
    slot(row, "timeline").innerHTML = timelines.get(key) ?? "";
    timelines.delete(key);
    show(latest.get(key) ?? JSON.parse(fresh.getElementById("readings").textContent).hammers.find((hammer) => `${hammer.site}/${hammer.hammer}` === key));
    rows.parentElement.querySelector(".nothing")?.remove();
  }
}

// What the oil does: rising 0.4 °C a minute, and when it meets the limit.
function trend(one) {
  if (one.oil_c <= one.oil_limit_c && one.oil_reaches_min !== null && one.oil_reaches_min <= 60) {
    return fill(texts.oil_reaches, { minutes: Math.max(1, one.oil_reaches_min) });
  }
  const slope = one.oil_slope_c_per_min;
  if (slope === null) return "";
  if (Math.abs(slope) < 0.05) return texts.steady;
  return fill(slope > 0 ? texts.rising : texts.falling, { value: `${Math.abs(us ? slope * 1.8 : slope).toFixed(1)} ${us ? "°F" : "°C"}` });
}
const joined = (...parts) => parts.filter(Boolean).join(", ");

// The value behind an alert, now, against its limit.
const LIVE = {
  oil: (one) => (one.oil_c === null ? texts.oil_unknown : joined(fill(texts.oil, { value: degrees(one.oil_c, one.oil_limit_c), limit: degrees(one.oil_limit_c) }), trend(one))),
  spot: (one) => (one.spot_s < one.spot_limit_s ? "" : fill(texts.spot_limit, { spent: one.spot_s, limit: one.spot_limit_s })),
  grease: (one) => (one.grease_overdue_h === null ? texts.grease_automatic : fill(texts.grease_now, { spent: span(one.grease_min * 60), limit: span(one.grease_overdue_h * 3600) })),
};
let live = new Map(); // elements of the active alerts that show a value now, by hammer
export function findLive() {
  live = new Map();
  for (const place of open?.querySelectorAll("[data-live]") ?? []) {
    const key = place.closest("[data-key]").dataset.key;
    live.set(key, [...(live.get(key) ?? []), place]);
    if (latest.has(key)) put(place, LIVE[place.dataset.live](latest.get(key)));
  }
  tick();
}

function show(changed) {
  const key = `${changed.site}/${changed.hammer}`;
  const one = { ...latest.get(key), ...changed };
  latest.set(key, one);
  for (const place of live.get(key) ?? []) put(place, LIVE[place.dataset.live](one));
  if (!rows) return;
  const row = byKey.get(key);
  if (!row) { if (!("only" in rows.dataset)) addRows().catch(() => {}); return; }
  put(slot(row, "operator"), one.operator ?? texts.nobody);
  const spot = fill(texts.spot, { spent: one.spot_s, limit: one.spot_limit_s });
  gauge(row, "spot", one.spot_s / one.spot_limit_s, one.firing ? `${texts.firing}, ${spot}` : texts.resting, one.spot_s >= one.spot_limit_s ? "over" : "");
  if (one.oil_c === null) gauge(row, "oil", null, texts.oil_unknown);
  else {
    const soon = one.oil_reaches_min !== null && one.oil_reaches_min <= 10;
    const text = fill(texts.oil, { value: degrees(one.oil_c, one.oil_limit_c), limit: degrees(one.oil_limit_c) });
    gauge(row, "oil", one.oil_c / one.oil_limit_c, joined(text, trend(one)), one.oil_c > one.oil_limit_c ? "over" : soon ? "near" : "");
  }
  if (one.grease_overdue_h === null) gauge(row, "grease", null, texts.grease_automatic);
  else {
    const spent_h = one.grease_min / 60;
    const text = fill(texts.grease, { spent: span(one.grease_min * 60), limit: span(one.grease_overdue_h * 3600) });
    gauge(row, "grease", spent_h / one.grease_overdue_h, text, spent_h >= one.grease_overdue_h ? "over" : spent_h >= one.grease_due_h ? "near" : "");
  }
  age(row, one);
}

const agoOf = (one) => (one.heard_ms === null ? Infinity : Math.max(0, (Date.now() + ahead_ms - one.heard_ms) / 1000));
function age(row, one) {
  const ago = agoOf(one), late = ago > LATE_S;
  if (row.classList.contains("late") !== late) row.classList.toggle("late", late);
  put(slot(row, "heard"), ago === Infinity ? texts.not_heard : late ? fill(texts.late, { ago: span(ago) }) : texts.live, late ? "near" : "");
}

// Shows in each row what is muted for that hammer, and puts the worst first without moving the row in use.
export function arrangeRows({ muted, hammers }) {
  for (const [key, row] of byKey) put(slot(row, "muted"), muted[key] ?? "");
  if (!rows) return;
  const listed = hammers.map((key) => byKey.get(key)).filter(Boolean);
  const others = [...byKey.keys()].filter((key) => !hammers.includes(key)).sort().map((key) => byKey.get(key));
  arrange(rows, [...listed, ...others]);
}

// Brings the children of an element into order. The one that has the focus stays; the others move around it.
export function arrange(list, wanted) {
  for (const one of [...list.childNodes]) if (one.nodeType === Node.TEXT_NODE && !wanted.includes(one)) one.remove(); // blanks
  const pivot = wanted.findIndex((one) => one.contains(document.activeElement));
  let at = list.firstChild;
  for (const one of wanted.slice(0, pivot < 0 ? wanted.length : pivot)) {
    if (one === at) at = at.nextSibling; else list.insertBefore(one, at);
  }
  for (let k = pivot; pivot >= 0 && k < wanted.length - 1; k += 1) {
    if (wanted[k].nextSibling !== wanted[k + 1]) wanted[k].after(wanted[k + 1]);
  }
}

function showLost(down) {
  const link = document.getElementById("link");
  if (link) {
    const text = down ? fill(link.dataset.last, { time: clockText(heard + ahead_ms) }) : link.dataset.live;
    if (link.textContent !== text) { link.textContent = text; link.classList.toggle("down", down); }
  }
  if (!lost || lost.hidden === !down) return;
  lost.textContent = fill(lostText, { time: clockText(heard + ahead_ms) });
  lost.hidden = !down;
}

// What changes with time alone: how old data is, how long alerts last, the clock.
function tick() {
  const now_ms = Date.now() + ahead_ms;
  if (rows) for (const [key, one] of latest) if (byKey.has(key)) age(byKey.get(key), one);
  for (const place of open?.querySelectorAll("[data-since]") ?? []) put(place, fill(texts.for, { span: span((now_ms - Number(place.dataset.since)) / 1000) }));
  const reporting = document.getElementById("reporting");
  if (reporting) {
    const n = [...latest.values()].filter((one) => agoOf(one) <= LATE_S).length, of = latest.size;
    put(reporting, of === 0 ? texts.none_known : fill(n === 0 ? texts.reporting_none : n === of && n > 1 ? texts.reporting_all : texts.reporting_some, { n, of }), n === 0 ? "near" : "");
  }
  const clock = document.getElementById("clock");
  if (clock) put(clock, clockText(now_ms, clock.dataset.zone, false));
}

export function follow({ refreshActive }) {
  const clock = document.getElementById("clock");
  // A page that was kept for the time without a connection has an old time: what was found last then still holds.
  if (document.body.dataset.kept !== undefined) ahead_ms = Number(localStorage.getItem("ahead") ?? 0);
  else if (clock) {
    ahead_ms = Number(clock.dataset.now) - Date.now();
    localStorage.setItem("ahead", String(ahead_ms));
  }
  const first = document.getElementById("readings");
  if (first) JSON.parse(first.textContent).hammers.forEach(show);
  findLive();
  setInterval(tick, 1000);
  if (!open && !rows) return;
  let source, asking;
  const connect = () => {
    source = new EventSource("/stream");
    source.addEventListener("now", (event) => {
      const data = JSON.parse(event.data);
      heard = Date.now();
      ahead_ms = data.now_ms - heard;
      showLost(false);
      data.hammers.forEach(show);
    });
    source.addEventListener("timeline", (event) => {
      if (!rows) return;
      const data = JSON.parse(event.data);
      const key = `${data.site}/${data.hammer}`;
      const place = byKey.has(key) ? slot(byKey.get(key), "timeline") : null;
      if (place) place.innerHTML = data.svg; else timelines.set(key, data.svg);
    });
    source.addEventListener("alerts", (event) => {
      // Many open pages do not ask at the same instant.
      asking ??= setTimeout(() => { asking = undefined; refreshActive(); }, Math.random() * JSON.parse(event.data).spread_ms);
    });
    source.addEventListener("error", () => {
      showLost(true);
      if (source.readyState === EventSource.CLOSED) { source.close(); setTimeout(connect, 2000); }
    });
  };
  connect();
  setInterval(() => showLost(Date.now() - heard > 12_000), 1000);
}
