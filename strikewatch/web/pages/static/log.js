// Log entries: kept on this device until the server has them, in the order in which they were made, and sent only under
// the name of the person who made them.
import { ahead_ms } from "./live.js";

const UNSENT = "entries", REFUSED = "refused";
const KEEP_EVERY_MS = 3_600_000; // between two copies of the hammers' pages for the time without a connection
const load = (list = UNSENT) => JSON.parse(localStorage.getItem(list) ?? "[]");
const user = document.body.dataset.user;
const ours = ({ who }) => who === undefined || who === user;

// `denied`: the server does not take them under this token.
function saveUnsent(list, denied = false) {
  localStorage.setItem(UNSENT, JSON.stringify(list));
  const place = document.getElementById("kept");
  if (!place) return;
  const { text, others } = place.dataset, foreign = list.filter((one) => !ours(one)).length;
  const parts = [];
  if (list.length > foreign || !others) parts.push(text.replace("%n", list.length - (others ? foreign : 0)));
  if (foreign && others) parts.push(others.replace("%n", foreign));
  if (denied) parts.push(place.dataset.denied);
  place.hidden = list.length === 0;
  place.textContent = parts.join(" ");
}

// The name of a field as its form has it.
export function labelOf(field) {
  const legend = field.type === "radio" && field.closest("fieldset")?.querySelector("legend");
  const label = (legend || field.labels?.[0])?.cloneNode(true);
  for (const inner of label?.querySelectorAll("select, input, .hint") ?? []) inner.remove();
  return label?.textContent.trim();
}

function fieldOf(form, name) {
  const found = form?.elements[name.replace(/\W.*$/, "")];
  return found instanceof RadioNodeList ? found[Number((name.match(/\d+/) ?? [0])[0])] ?? found[0] : found;
}

// What is wrong with an entry, in the words of its form.
function inWords(form, { fields, why }) {
  if (!fields) return why;
  return Object.entries(fields).map(([name, what]) => {
    const field = fieldOf(form, name), label = field && labelOf(field);
    return label ? `${label}: ${what}` : what;
  }).join("; ");
}

// Entries that the server refused, each with the reason, to fix or discard.
function saveRefused(list) {
  localStorage.setItem(REFUSED, JSON.stringify(list));
  const place = document.getElementById("refused");
  if (!place) return;
  place.replaceChildren(...list.map((entry, k) => {
    const { to, body } = entry, one = document.createElement("li"), form = formOf(body.event);
    const [, hammer, site] = to.match(/hammers\/([^/]+)\/events(?:\?site=(.*))?/) ?? [];
    const kind = form?.closest("details").querySelector("summary").textContent ?? "";
    one.append(`${place.dataset.text} ${decodeURIComponent(hammer ?? "")} ${kind}, ${localTime(body.time).replace("T", " ")}. ${inWords(form, entry)} `);
    const buttons = document.createElement("span");
    buttons.className = "row";
    if (form && to === form.dataset.to) buttons.append(button(place.dataset.fix, () => { fill(form, body, localTime(body.time)); form.dataset.fixes = k; }));
    else if (hammer && form) buttons.append(link(place.dataset.fix, `/write?hammer=${hammer}&site=${site ?? ""}`));
    buttons.append(button(place.dataset.discard, () => saveRefused(list.filter((_, i) => i !== k))));
    one.append(buttons);
    return one;
  }));
}

function button(text, act) {
  const made = document.createElement("button");
  Object.assign(made, { type: "button", className: "secondary", textContent: text });
  made.addEventListener("click", act);
  return made;
}
function link(text, to) {
  const made = document.createElement("a");
  Object.assign(made, { href: to, className: "button secondary", textContent: text });
  return made;
}

const formOf = (event) => document.querySelector(`.entry-form[data-event="${CSS.escape(event)}"]`);
// The local time of an instant at the site, as a field takes it.
const localTime = (instant) => new Date(instant).toLocaleString("sv-SE", { timeZone: document.body.dataset.zone }).replace(" ", "T");

function fill(form, values, time) {
  form.reset();
  for (const radio of form.querySelectorAll('[type="radio"]')) radio.checked = false;
  for (const [name, value] of Object.entries(values)) {
    const fields = form.elements[name];
    if (!fields || name === "time") continue;
    if (Array.isArray(value)) [...(fields.length ? fields : [fields])].forEach((one, k) => { one.value = value[k] ?? ""; });
    else if (fields.type === "checkbox") fields.checked = value; else fields.value = value;
  }
  form.elements.time.value = time;
  form.closest("details").open = true;
  form.scrollIntoView();
  form.elements[0].focus({ preventScroll: true });
}

// Asks about an unusual value beside its field; it is saved once confirmed. Another value is another question.
function showQuestions(form, fields) {
  for (const [name, question] of Object.entries(fields)) {
    const one = fieldOf(form, name);
    const place = document.createElement("p");
    place.className = "question";
    place.setAttribute("role", "alert");
    place.append(question);
    (one?.closest("p, fieldset") ?? form.querySelector(".wrong")).after(place);
    one?.setAttribute("aria-invalid", "true");
  }
  const label = document.createElement("label"), tick = document.createElement("input");
  Object.assign(tick, { type: "checkbox", name: "confirmed" });
  label.append(tick, ` ${form.dataset.confirm}`);
  const asked = [...form.querySelectorAll(".question")];
  asked.at(-1).append(" ", label);
  tick.focus();
}

function clearQuestions(form) {
  for (const one of form.querySelectorAll(".question")) one.remove();
  for (const field of form.elements) field.removeAttribute("aria-invalid");
}

function startCorrecting(form, { correct, fields, time, shown }) {
  form.querySelector(".done").textContent = "";
  form.dataset.corrects = correct;
  for (const one of form.querySelectorAll("[data-correcting]")) one.hidden = false;
  form.querySelector("[data-wrong]").textContent = shown;
  const save = form.querySelector("[data-save]");
  save.textContent = save.dataset.correction;
  fill(form, JSON.parse(fields), time);
}

function stopCorrecting(form) {
  delete form.dataset.corrects;
  delete form.dataset.fixes;
  for (const one of form.querySelectorAll("[data-correcting]")) one.hidden = true;
  const save = form.querySelector("[data-save]");
  save.textContent = save.dataset.save;
  clearQuestions(form);
  form.reset();
}

// Shows the list of entries as it is now; the forms, the focus and what is typed stay.
async function refreshEntries(number) {
  const place = document.getElementById("entries");
  const answer = await fetch(location.href, { credentials: "same-origin" }).catch(() => null);
  if (!answer?.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const id of ["entries", "expected"]) {
    const now = fresh.getElementById(id);
    if (now) document.getElementById(id)?.replaceChildren(...now.childNodes);
  }
  const entry = number && document.getElementById(`entry-${number}`);
  if (!entry) return;
  const mark = document.createElement("b");
  mark.className = "badge";
  mark.textContent = place.dataset.new;
  entry.prepend(mark, " ");
  entry.classList.add("news");
}

export function sendEntries({ post, formValues, showProblem }) {
  let sending = false;
  async function sendUnsent() {
    if (sending || !user) return;
    sending = true;
    let denied = false, sent = false;
    try {
      for (const entry of load().filter(ours)) {
        const { ok, status, answer } = await post(entry.to, entry.body);
        if (status === 401 || status === 403) { denied = true; break; }
        if (status === 408 || status === 429 || status >= 500) break;
        if (!ok) saveRefused([...load(REFUSED), { to: entry.to, body: entry.body, why: `${answer.error}.`, fields: answer.fields }]);
        saveUnsent(load().filter((one) => JSON.stringify(one) !== JSON.stringify(entry)));
        sent = true;
      }
    } catch { /* no connection: tried again */ }
    saveUnsent(load(), denied);
    sending = false;
    if (sent && document.getElementById("entries")) refreshEntries();
  }
  saveUnsent(load());
  saveRefused(load(REFUSED));
  sendUnsent();
  window.addEventListener("online", sendUnsent);
  setInterval(() => { if (load().some(ours)) sendUnsent(); }, 15_000);
  keepForOffline();

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches(".entry-form")) return;
    event.preventDefault();
    const body = { event: form.dataset.event, ...formValues(form) };
    const { corrects, fixes } = form.dataset;
    if (corrects) body.corrects = Number(corrects);
    form.querySelector(".wrong").textContent = "";
    clearQuestions(form);
    const done = form.querySelector(".done");
    done.textContent = "";
    let result;
    try {
      result = await post(form.dataset.to, body);
    } catch {
      body.time ??= new Date(Date.now() + ahead_ms).toISOString(); // when it was entered, not when it is sent
      saveUnsent([...load(), { to: form.dataset.to, body, who: user }]);
    }
    if (result && !result.ok) return result.answer.confirm ? showQuestions(form, result.answer.fields) : showProblem(form, result.answer);
    if (fixes) saveRefused(load(REFUSED).filter((_, k) => k !== Number(fixes)));
    stopCorrecting(form);
    if (!result) { done.textContent = done.dataset.kept; return; }
    const { number } = result.answer;
    const undo = button(done.dataset.undo, () => withdraw(form.dataset.to, number, done));
    done.append(`${corrects ? done.dataset.corrected : done.dataset.sent} `, undo);
    await refreshEntries(number);
  });

  document.addEventListener("input", ({ target }) => {
    if (target.name !== "confirmed" && target.form?.matches(".entry-form")) clearQuestions(target.form);
  });

  // Withdraws an entry; `place` says what became of it.
  async function withdraw(to, number, place) {
    for (const one of place.querySelectorAll("button")) one.disabled = true;
    let text = document.getElementById("entries").dataset.undone, failed = false;
    try {
      const { ok, answer } = await post(to, { event: "withdrawal", corrects: Number(number) });
      if (!ok) { failed = true; text = `${answer.error}. ${answer.remedy ?? ""}`; }
    } catch {
      failed = true;
      text = document.body.dataset.unsent;
    }
    if (!failed) await refreshEntries();
    place.textContent = text;
    place.classList.toggle("wrong", failed);
    place.closest("form")?.querySelector("[data-save]").focus();
  }

  document.addEventListener("click", async (event) => {
    const stop = event.target.closest("[data-stop]");
    if (stop) return stopCorrecting(stop.form);
    const off = event.target.closest("[data-withdraw]");
    if (off) {
      const number = off.dataset.withdraw, status = document.getElementById("entries-status");
      await withdraw(off.dataset.to, number, off.closest(".row"));
      document.getElementById(`entry-${number}`)?.focus();
      if (status.isConnected) status.textContent = document.getElementById("entries").dataset.undone;
      return undefined;
    }
    const correct = event.target.closest("[data-correct]");
    const form = correct && formOf(correct.dataset.event);
    if (form) startCorrecting(form, correct.dataset);
    return undefined;
  });
}

// The pages of all hammers are kept for the time without a connection; a page that was kept says of when it is.
function keepForOffline() {
  const old = document.getElementById("old"), { kept, zone } = document.body.dataset;
  if (!user) localStorage.removeItem("keptAt"); // signing out has cleared what was kept
  if (old && kept !== undefined) {
    const at = new Date(kept);
    const time = Number.isNaN(at.getTime()) ? "" : at.toLocaleString("en-GB", { timeZone: zone, day: "2-digit", month: "short", hour: "2-digit", minute: "2-digit" });
    old.textContent = old.dataset.text.replace("%t", time.replace(",", ""));
    old.hidden = false;
    return;
  }
  const paths = [...(document.getElementById("hammers")?.querySelectorAll("a") ?? [])].map((one) => one.getAttribute("href"));
  const due = Date.now() - Number(localStorage.getItem("keptAt") ?? 0) > KEEP_EVERY_MS;
  if (!paths.length || !due || !("serviceWorker" in navigator)) return;
  navigator.serviceWorker.ready.then(({ active }) => {
    active?.postMessage({ keep: paths });
    localStorage.setItem("keptAt", String(Date.now()));
  });
}
