// Log entries: kept on this device until the server has them, in the order in which they were made.
import { ahead_ms } from "./live.js";

const UNSENT = "entries", REFUSED = "refused";
const load = (list = UNSENT) => JSON.parse(localStorage.getItem(list) ?? "[]");

function saveUnsent(list) {
  localStorage.setItem(UNSENT, JSON.stringify(list));
  const place = document.getElementById("kept");
  if (!place) return;
  place.hidden = list.length === 0;
  place.textContent = place.dataset.text.replace("%n", String(list.length));
}

// Entries that the server refused, each with the reason, to fix or discard.
function saveRefused(list) {
  localStorage.setItem(REFUSED, JSON.stringify(list));
  const place = document.getElementById("refused");
  if (!place) return;
  place.replaceChildren(...list.map(({ body, why }, k) => {
    const one = document.createElement("li");
    const form = formOf(body.event);
    one.append(`${place.dataset.text} ${form?.closest("details").querySelector("summary").textContent ?? body.event}, ${localTime(body.time)}: ${why} `);
    for (const [word, act] of [["fix", () => { fill(form, body, localTime(body.time)); form.dataset.fixes = k; }], ["discard", () => saveRefused(list.filter((_, i) => i !== k))]]) {
      const button = document.createElement("button");
      button.className = "plain";
      button.textContent = place.dataset[word];
      button.addEventListener("click", act);
      if (form || word === "discard") one.append(button);
    }
    return one;
  }));
}

const formOf = (event) => document.querySelector(`.entry-form[data-event="${CSS.escape(event)}"]`);
// The local time of an instant at the site, as a field takes it.
const localTime = (instant) => new Date(instant).toLocaleString("sv-SE", { timeZone: document.body.dataset.zone }).replace(" ", "T");

function fill(form, values, time) {
  for (const [name, value] of Object.entries(values)) {
    const fields = form.elements[name];
    if (!fields || name === "time") continue;
    if (Array.isArray(value)) [...(fields.length ? fields : [fields])].forEach((one, k) => { one.value = value[k] ?? ""; });
    else if (fields.type === "checkbox") fields.checked = value; else fields.value = value;
  }
  form.elements.time.value = time;
  form.closest("details").open = true;
  form.scrollIntoView();
  form.elements[0].focus();
}

// Asks about an unusual value beside its field; it is saved once confirmed. Another value is another question.
function showQuestions(form, fields) {
  for (const [name, question] of Object.entries(fields)) {
    const found = form.elements[name.replace(/\W.*$/, "")];
    const one = found instanceof RadioNodeList ? found[Number((name.match(/\d+/) ?? [0])[0])] ?? found[0] : found;
    const place = document.createElement("p");
    place.className = "question";
    place.setAttribute("role", "alert");
    place.append(question);
    (one?.closest("p") ?? form.querySelector(".wrong")).after(place);
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

function stopCorrecting(form) {
  delete form.dataset.corrects;
  for (const one of form.querySelectorAll("[data-correcting]")) one.hidden = true;
  clearQuestions(form);
  form.reset();
}

export function sendEntries({ post, formValues, showProblem }) {
  async function sendUnsent() {
    let list = load();
    while (list.length) {
      const { to, body } = list[0];
      let got;
      try { got = await post(to, body); } catch { break; }
      if (got.status === 401 || got.status === 403 || got.status >= 500) break;
      if (!got.ok) saveRefused([...load(REFUSED), { to, body, why: got.answer.error ?? "" }]);
      list = list.slice(1);
      saveUnsent(list);
    }
    saveUnsent(list);
  }
  saveUnsent(load());
  saveRefused(load(REFUSED));
  sendUnsent();
  window.addEventListener("online", sendUnsent);
  setInterval(() => { if (load().length) sendUnsent(); }, 15_000);

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches(".entry-form")) return;
    event.preventDefault();
    const body = { event: form.dataset.event, ...formValues(form) };
    if (form.dataset.corrects) body.corrects = Number(form.dataset.corrects);
    form.querySelector(".wrong").textContent = "";
    clearQuestions(form);
    const done = form.querySelector(".done");
    done.textContent = "";
    try {
      const { ok, answer } = await post(form.dataset.to, body);
      if (!ok) return answer.confirm ? showQuestions(form, answer.fields) : showProblem(form, answer);
      if (form.dataset.fixes) saveRefused(load(REFUSED).filter((_, k) => k !== Number(form.dataset.fixes)));
      sessionStorage.setItem("saved", JSON.stringify({ text: form.dataset.sent, number: answer.number }));
      location.reload();
    } catch {
      body.time ??= new Date(Date.now() + ahead_ms).toISOString(); // when it was entered, not when it is sent
      saveUnsent([...load(), { to: form.dataset.to, body }]);
      done.textContent = form.dataset.kept;
      stopCorrecting(form);
    }
  });

  document.addEventListener("input", ({ target }) => {
    if (target.name !== "confirmed" && target.form?.matches(".entry-form")) clearQuestions(target.form);
  });

  // The entry saved last can be undone.
  const saved = document.getElementById("saved"), last = JSON.parse(sessionStorage.getItem("saved") ?? "null");
  sessionStorage.removeItem("saved");
  if (saved && last) {
    saved.hidden = false;
    saved.querySelector("span").textContent = last.text;
    const undo = document.getElementById("undo");
    undo.hidden = last.number === undefined;
    undo.addEventListener("click", () => withdraw(undo, last.number, undo.dataset.undone));
  }

  async function withdraw(button, number, text) {
    button.disabled = true;
    let why;
    try {
      const { ok, answer } = await post(button.dataset.to, { event: "withdrawal", corrects: Number(number) });
      if (ok) {
        sessionStorage.setItem("saved", JSON.stringify({ text }));
        location.reload();
        return;
      }
      why = `${answer.error}. ${answer.remedy ?? ""}`;
    } catch (error) { why = String(error); }
    button.disabled = false;
    const place = document.createElement("span");
    place.className = "wrong";
    place.setAttribute("role", "alert");
    place.textContent = ` ${why}`;
    button.after(place);
  }

  document.addEventListener("click", (event) => {
    const stop = event.target.closest("[data-stop]");
    if (stop) return stopCorrecting(stop.form);
    const off = event.target.closest("[data-withdraw]");
    if (off) return withdraw(off, off.dataset.withdraw, document.getElementById("undo").dataset.undone);
    const button = event.target.closest("[data-correct]");
    if (!button) return;
    const form = formOf(button.dataset.event);
    if (!form) return;
    form.dataset.corrects = button.dataset.correct;
    for (const hint of form.querySelectorAll("[data-correcting]")) hint.hidden = false;
    form.querySelector("[data-wrong]").textContent = button.dataset.time.replace("T", " ");
    fill(form, JSON.parse(button.dataset.fields), button.dataset.time);
  });
}
