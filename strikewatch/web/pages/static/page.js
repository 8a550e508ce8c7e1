// What every page needs: the event stream, forms for actions, and the preferences of this device.
import { follow, showMutes } from "./live.js";
import { sendEntries } from "./log.js";
import { drawTrace } from "./trace.js";

const csrfToken = document.body.dataset.csrf;

export async function post(path, body) {
  const response = await fetch(path, {
    method: "POST", credentials: "same-origin", body: JSON.stringify(body),
    headers: { "Content-Type": "application/json", "Strikewatch-CSRF-Token": csrfToken },
  });
  const answer = await response.json().catch(() => ({ error: response.statusText, remedy: "" }));
  return { ok: response.ok, status: response.status, answer };
}

// The values of a form for the HTTP interface: without empty fields, local times with their offset.
export function formValues(form) {
  const body = {};
  for (const field of form.elements) {
    if (!field.name || (field.type === "radio" && !field.checked)) continue;
    if (field.type === "checkbox") { if (field.checked) body[field.name] = true; continue; }
    if (field.value === "" && !("empty" in field.dataset)) continue;
    let value = field.value;
    if (field.type === "number") value = Number(value);
    if (field.type === "datetime-local") value = atSite(value);
    if ("list" in field.dataset) (body[field.name] ??= []).push(value); else body[field.name] = value;
  }
  return body;
}

// The instant of a local time at the site.
function atSite(local) {
  const zone = document.body.dataset.zone;
  const asUtc = Date.parse(`${local}Z`);
  const offset = (at) => {
    const parts = Object.fromEntries(new Intl.DateTimeFormat("en-US", { timeZone: zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric" })
      .formatToParts(at).map((one) => [one.type, Number(one.value)]));
    return Date.UTC(parts.year, parts.month - 1, parts.day, parts.hour, parts.minute, parts.second) - at;
  };
  const near = asUtc - offset(asUtc);
  return new Date(asUtc - offset(near)).toISOString();
}

// Shows what is wrong with each field; what was typed stays.
export function showProblem(form, answer) {
  const place = form.querySelector(".wrong");
  for (const field of form.elements) field.removeAttribute("aria-invalid");
  const left = [];
  for (const [name, what] of Object.entries(answer.fields ?? { "": `${answer.error}. ${answer.remedy ?? ""}` })) {
    const field = form.elements[name.replace(/\W.*$/, "")];
    const one = field instanceof RadioNodeList ? field[Number((name.match(/\d+/) ?? [0])[0])] ?? field[0] : field;
    if (one?.setAttribute) {
      one.setAttribute("aria-invalid", "true");
      left.push(`${one.labels?.[0]?.textContent.trim() ?? name}: ${what}`);
      one.focus();
    } else left.push(name ? `${name}: ${what}` : what);
  }
  place.textContent = left.join("; ");
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches(".action")) return;
  event.preventDefault();
  form.querySelector(".wrong").textContent = "";
  try {
    const { ok, answer } = await post(form.dataset.action, formValues(form));
    if (!ok) return showProblem(form, answer);
    if (document.getElementById("open")) await refreshActive(); else location.reload();
  } catch (error) {
    showProblem(form, { error: String(error) });
  }
});

// Replaces the active alerts by what the server renders. One request at a time, repeated until it succeeds: an older
// response must not replace a newer one, and a failed request must not leave an old list in place.
let refreshing = false;
let again = false;
export async function refreshActive() {
  const place = document.getElementById("open");
  if (!place) return;
  again = true;
  if (refreshing) return;
  refreshing = true;
  try {
    while (again) { again = false; await replaceActive(place); }
  } catch {
    setTimeout(refreshActive, 3000);
  } finally {
    refreshing = false;
  }
}

async function replaceActive(place) {
  const answer = await fetch(place.dataset.from, { credentials: "same-origin" });
  if (answer.redirected) { location.reload(); return; }
  if (!answer.ok) throw new Error(answer.statusText);
  const text = await answer.text();
  const before = new Set([...place.querySelectorAll("[data-alert]")].map((one) => one.dataset.alert));
  const heading = place.querySelector("#state")?.textContent;
  const open = [...place.querySelectorAll("details[open]")].map((one) => one.id);
  const typed = typedValues(place);
  place.innerHTML = text;
  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  restoreTyped(place, typed);
  showMutes();
  const state = place.querySelector("#state");
  if ("titled" in place.dataset) document.title = state.dataset.title;
  if (state.textContent !== heading) document.getElementById("announced").textContent = state.textContent;
  const added = [...place.querySelectorAll('[data-state="unacknowledged"]')].filter((one) => !before.has(one.dataset.alert));
  for (const one of added) one.classList.add("news");
  const urgent = added.filter((one) => one.dataset.priority !== "low");
  if (urgent.length) notify(urgent[0].querySelector(".head a").textContent);
}

// Keeps what is being typed, and the focus.
function typedValues(place) {
  const active = document.activeElement;
  return [...place.querySelectorAll("form[data-action] input:not([type=hidden]), form[data-action] button")]
    .filter((one) => one === active || (one.tagName === "INPUT" && one.value))
    .map((one) => ({ action: one.form.dataset.action, name: one.name, value: one.value, active: one === active, at: one.selectionStart }));
}
function restoreTyped(place, typed) {
  for (const one of typed) {
    const form = [...place.querySelectorAll("form[data-action]")].find((own) => own.dataset.action === one.action);
    const field = one.name ? form?.elements[one.name] : form?.querySelector("button");
    if (!field) continue;
    if (one.name) field.value = one.value;
    if (one.active) { field.focus({ preventScroll: true }); if (one.name) field.setSelectionRange(one.at, one.at); }
  }
}

function notify(text) {
  const preferences = localStorage;
  if (preferences.getItem("sound") === "on") {
    const audio = new AudioContext();
    const tone = audio.createOscillator();
    const gain = audio.createGain();
    gain.gain.setValueAtTime(0.2, audio.currentTime);
    gain.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + 0.6);
    tone.frequency.value = 660;
    tone.connect(gain).connect(audio.destination);
    tone.start();
    tone.stop(audio.currentTime + 0.6);
  }
  if (preferences.getItem("notify") === "on" && Notification.permission === "granted") new Notification("Strikewatch", { body: text });
}

for (const button of document.querySelectorAll("[data-copy]")) {
  button.addEventListener("click", async () => {
    await navigator.clipboard.writeText(new URL(button.dataset.copy, location.href).href);
    button.textContent = button.dataset.copied;
  });
}

const preferences = document.getElementById("preferences");
if (preferences) {
  for (const name of ["sound", "notify"]) preferences.elements[name].checked = localStorage.getItem(name) === "on";
  preferences.addEventListener("submit", (event) => event.preventDefault());
  preferences.addEventListener("change", async (event) => {
    const { name, checked } = event.target;
    if (name === "notify" && checked && (await Notification.requestPermission()) !== "granted") event.target.checked = false;
    if (event.target.type === "checkbox") localStorage.setItem(name, event.target.checked ? "on" : "off");
    const value = `${preferences.elements.units.value}.${preferences.elements.language.value}`;
    document.cookie = `strikewatch_choices=${value}; path=/; max-age=31536000; samesite=strict`;
    preferences.querySelector(".done").textContent = preferences.dataset.saved;
  });
}

if (document.getElementById("preparing")) setTimeout(() => location.reload(), 2000);
follow({ refreshActive });
sendEntries({ post, formValues, showProblem });
drawTrace(document.getElementById("trace"));
if ("serviceWorker" in navigator && csrfToken) navigator.serviceWorker.register("/offline.js");
