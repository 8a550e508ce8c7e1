// What every page needs: the event stream, forms for actions, and the preferences of this device.
import { refreshActive, whenNew } from "./active.js";
import { ahead_ms, follow } from "./live.js";
import { labelOf, sendEntries } from "./log.js";
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
    if ("json" in field.dataset) value = JSON.parse(value);
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
      left.push(`${labelOf(one) ?? name}: ${what}`);
      one.focus();
    } else left.push(name ? `${name}: ${what}` : what);
  }
  place.textContent = left.join("; ");
}

// The button that was pressed may say until when.
function untilOf({ minutes, until } = {}) {
  if (until) return { until };
  return minutes ? { until: new Date(Date.now() + ahead_ms + minutes * 60_000).toISOString() } : {};
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches(".action")) return;
  event.preventDefault();
  form.querySelector(".wrong").textContent = "";
  try {
    const { ok, answer } = await post(form.dataset.action, { ...formValues(form), ...untilOf(event.submitter?.dataset) });
    if (!ok) return showProblem(form, answer);
    const live = document.querySelector("#state, [data-refresh]");
    if (!live) return location.reload();
    const stay = document.getElementById("state") ?? document.getElementById("content");
    if (form.contains(document.activeElement)) stay.focus({ preventScroll: true }); // the item goes away
    await refreshActive();
  } catch {
    showProblem(form, { error: document.body.dataset.unsent });
  }
});

// Sound: a browser plays one only after a touch or a click on the page.
let audio = null;
function beep() {
  audio ??= new AudioContext();
  audio.resume();
  const tone = audio.createOscillator();
  const gain = audio.createGain();
  gain.gain.setValueAtTime(0.2, audio.currentTime);
  gain.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + 0.6);
  tone.frequency.value = 660;
  tone.connect(gain).connect(audio.destination);
  tone.start();
  tone.stop(audio.currentTime + 0.6);
}
const sound = document.getElementById("sound");
const showSound = () => { if (sound) sound.querySelector("b").textContent = sound.dataset[localStorage.getItem("sound") === "on" ? "on" : "off"]; };
sound?.addEventListener("click", () => {
  const on = localStorage.getItem("sound") !== "on";
  localStorage.setItem("sound", on ? "on" : "off");
  showSound();
  if (on) beep();
});
showSound();

whenNew(() => { if (localStorage.getItem("sound") === "on") beep(); });

const more = document.getElementById("more-menu");
document.addEventListener("click", (event) => { if (more?.open && !more.contains(event.target)) more.open = false; });
document.addEventListener("keydown", (event) => { if (event.key === "Escape" && more?.open) { more.open = false; more.querySelector("summary").focus(); } });

for (const button of document.querySelectorAll("[data-copy]")) {
  button.addEventListener("click", async () => {
    await navigator.clipboard.writeText(new URL(button.dataset.copy, location.href).href);
    button.textContent = button.dataset.copied;
  });
}

const preferences = document.getElementById("preferences");
if (preferences) {
  preferences.elements.sound.checked = localStorage.getItem("sound") === "on";
  preferences.addEventListener("submit", (event) => event.preventDefault());
  preferences.addEventListener("change", ({ target }) => {
    if (target.name === "sound") { localStorage.setItem("sound", target.checked ? "on" : "off"); showSound(); }
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
