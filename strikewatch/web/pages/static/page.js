// What every sheet needs: the stream of what changes, forms for deeds, and the choices of this device.
import { follow, mark } from "./now.js";
import { keepEntries } from "./write.js";
import { drawTrace } from "./trace.js";

const seal = document.body.dataset.seal;

export async function post(path, body) {
  const answer = await fetch(path, {
    method: "POST", credentials: "same-origin", body: JSON.stringify(body),
    headers: { "Content-Type": "application/json", "Strikewatch-Seal": seal },
  });
  const told = await answer.json().catch(() => ({ error: answer.statusText, remedy: "" }));
  return { ok: answer.ok, status: answer.status, told };
}

// What a form holds, as the interface takes it: empty fields left out, local times with their offset.
export function held(form) {
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

// What a clock on the wall of the site shows, as an instant.
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

// Each mistake beside its field; what was typed stays.
export function say(form, told) {
  const place = form.querySelector(".wrong");
  for (const field of form.elements) field.removeAttribute("aria-invalid");
  const left = [];
  for (const [name, what] of Object.entries(told.fields ?? { "": `${told.error}. ${told.remedy ?? ""}` })) {
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
  if (!form.matches(".deed")) return;
  event.preventDefault();
  form.querySelector(".wrong").textContent = "";
  try {
    const { ok, told } = await post(form.dataset.deed, held(form));
    if (!ok) return say(form, told);
    if (document.getElementById("open")) await refreshOpen(); else location.reload();
  } catch (error) {
    say(form, { error: String(error) });
  }
});

// The alerts as the server writes them. One request at a time, and again until it succeeds: an older answer must not
// replace a newer one, and a failed request must not leave an old list in place.
let refreshing = false;
let again = false;
export async function refreshOpen() {
  const place = document.getElementById("open");
  if (!place) return;
  again = true;
  if (refreshing) return;
  refreshing = true;
  try {
    while (again) { again = false; await replaceOpen(place); }
  } catch {
    setTimeout(refreshOpen, 3000);
  } finally {
    refreshing = false;
  }
}

async function replaceOpen(place) {
  const answer = await fetch(place.dataset.from, { credentials: "same-origin" });
  if (answer.redirected) { location.reload(); return; }
  if (!answer.ok) throw new Error(answer.statusText);
  const text = await answer.text();
  const before = new Set([...place.querySelectorAll("[data-alert]")].map((one) => one.dataset.alert));
  const heading = place.querySelector("#state")?.textContent;
  const open = [...place.querySelectorAll("details[open]")].map((one) => one.id);
  const typed = typedIn(place);
  place.innerHTML = text;
  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  typeAgain(place, typed);
  mark();
  const state = place.querySelector("#state");
  if ("titled" in place.dataset) document.title = state.dataset.title;
  if (state.textContent !== heading) document.getElementById("announced").textContent = state.textContent;
  const news = [...place.querySelectorAll('[data-state="unacknowledged"]')].filter((one) => !before.has(one.dataset.alert));
  for (const one of news) one.classList.add("news");
  const grave = news.filter((one) => one.dataset.priority !== "low");
  if (grave.length) call(grave[0].querySelector(".head a").textContent);
}

// What is being typed stays, and so does the focus.
function typedIn(place) {
  const active = document.activeElement;
  return [...place.querySelectorAll("form[data-deed] input:not([type=hidden]), form[data-deed] button")]
    .filter((one) => one === active || (one.tagName === "INPUT" && one.value))
    .map((one) => ({ deed: one.form.dataset.deed, name: one.name, value: one.value, active: one === active, at: one.selectionStart }));
}
function typeAgain(place, typed) {
  for (const one of typed) {
    const form = [...place.querySelectorAll("form[data-deed]")].find((own) => own.dataset.deed === one.deed);
    const field = one.name ? form?.elements[one.name] : form?.querySelector("button");
    if (!field) continue;
    if (one.name) field.value = one.value;
    if (one.active) { field.focus({ preventScroll: true }); if (one.name) field.setSelectionRange(one.at, one.at); }
  }
}

function call(text) {
  const wanted = localStorage;
  if (wanted.getItem("sound") === "on") {
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
  if (wanted.getItem("notify") === "on" && Notification.permission === "granted") new Notification("Strikewatch", { body: text });
}

for (const button of document.querySelectorAll("[data-copy]")) {
  button.addEventListener("click", async () => {
    await navigator.clipboard.writeText(new URL(button.dataset.copy, location.href).href);
    button.textContent = button.dataset.copied;
  });
}

const choices = document.getElementById("choices");
if (choices) {
  for (const name of ["sound", "notify"]) choices.elements[name].checked = localStorage.getItem(name) === "on";
  choices.addEventListener("submit", (event) => event.preventDefault());
  choices.addEventListener("change", async (event) => {
    const { name, checked } = event.target;
    if (name === "notify" && checked && (await Notification.requestPermission()) !== "granted") event.target.checked = false;
    if (event.target.type === "checkbox") localStorage.setItem(name, event.target.checked ? "on" : "off");
    const value = `${choices.elements.units.value}.${choices.elements.language.value}`;
    document.cookie = `strikewatch_choices=${value}; path=/; max-age=31536000; samesite=strict`;
    choices.querySelector(".done").textContent = choices.dataset.saved;
  });
}

if (document.getElementById("making")) setTimeout(() => location.reload(), 2000);
follow({ open: () => refreshOpen() });
keepEntries({ post, held, say });
drawTrace(document.getElementById("trace"));
if ("serviceWorker" in navigator && seal) navigator.serviceWorker.register("/offline.js");
