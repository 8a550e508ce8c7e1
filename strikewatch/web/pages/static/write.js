// Entries: kept on this device until the server has them, in the order in which they were made.
import { ahead_ms } from "./now.js";

const SHELF = "entries", REFUSED = "refused";
const kept = (shelf = SHELF) => JSON.parse(localStorage.getItem(shelf) ?? "[]");

function keep(list) {
  localStorage.setItem(SHELF, JSON.stringify(list));
  const place = document.getElementById("kept");
  if (!place) return;
  place.hidden = list.length === 0;
  place.textContent = place.dataset.text.replace("%n", String(list.length));
}

// What was not taken when it was sent at last: with the reason, to be mended or dropped.
function setAside(list) {
  localStorage.setItem(REFUSED, JSON.stringify(list));
  const place = document.getElementById("refused");
  if (!place) return;
  place.replaceChildren(...list.map(({ body, why }, k) => {
    const one = document.createElement("li");
    const form = formOf(body.event);
    one.append(`${place.dataset.text} ${form?.closest("details").querySelector("summary").textContent ?? body.event}, ${wallAt(body.time)}: ${why} `);
    for (const [word, act] of [["mend", () => { fill(form, body, wallAt(body.time)); form.dataset.mends = k; }], ["drop", () => setAside(list.filter((_, i) => i !== k))]]) {
      const button = document.createElement("button");
      button.className = "plain";
      button.textContent = place.dataset[word];
      button.addEventListener("click", act);
      if (form || word === "drop") one.append(button);
    }
    return one;
  }));
}

const formOf = (event) => document.querySelector(`.entering[data-event="${CSS.escape(event)}"]`);
// An instant, as a clock on the wall of the site shows it and a field takes it.
const wallAt = (instant) => new Date(instant).toLocaleString("sv-SE", { timeZone: document.body.dataset.zone }).replace(" ", "T");

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

// What is unusual is asked beside its field, and saved once it is confirmed. Another value is another question.
function ask(form, fields) {
  for (const [name, question] of Object.entries(fields)) {
    const found = form.elements[name.replace(/\W.*$/, "")];
    const one = found instanceof RadioNodeList ? found[Number((name.match(/\d+/) ?? [0])[0])] ?? found[0] : found;
    const place = document.createElement("p");
    place.className = "ask";
    place.setAttribute("role", "alert");
    place.append(question);
    (one?.closest("p") ?? form.querySelector(".wrong")).after(place);
    one?.setAttribute("aria-invalid", "true");
  }
  const label = document.createElement("label"), tick = document.createElement("input");
  Object.assign(tick, { type: "checkbox", name: "confirmed" });
  label.append(tick, ` ${form.dataset.confirm}`);
  const asked = [...form.querySelectorAll(".ask")];
  asked.at(-1).append(" ", label);
  tick.focus();
}

function unask(form) {
  for (const one of form.querySelectorAll(".ask")) one.remove();
  for (const field of form.elements) field.removeAttribute("aria-invalid");
}

function stopCorrecting(form) {
  delete form.dataset.corrects;
  for (const one of form.querySelectorAll("[data-correcting]")) one.hidden = true;
  unask(form);
  form.reset();
}

export function keepEntries({ post, held, say }) {
  async function sendKept() {
    let list = kept();
    while (list.length) {
      const { to, body } = list[0];
      let got;
      try { got = await post(to, body); } catch { break; }
      if (got.status === 401 || got.status === 403 || got.status >= 500) break;
      if (!got.ok) setAside([...kept(REFUSED), { to, body, why: got.told.error ?? "" }]);
      list = list.slice(1);
      keep(list);
    }
    keep(list);
  }
  keep(kept());
  setAside(kept(REFUSED));
  sendKept();
  window.addEventListener("online", sendKept);
  setInterval(() => { if (kept().length) sendKept(); }, 15_000);

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches(".entering")) return;
    event.preventDefault();
    const body = { event: form.dataset.event, ...held(form) };
    if (form.dataset.corrects) body.corrects = Number(form.dataset.corrects);
    form.querySelector(".wrong").textContent = "";
    unask(form);
    const done = form.querySelector(".done");
    done.textContent = "";
    try {
      const { ok, told } = await post(form.dataset.to, body);
      if (!ok) return told.confirm ? ask(form, told.fields) : say(form, told);
      if (form.dataset.mends) setAside(kept(REFUSED).filter((_, k) => k !== Number(form.dataset.mends)));
      sessionStorage.setItem("saved", JSON.stringify({ text: form.dataset.sent, number: told.number }));
      location.reload();
    } catch {
      body.time ??= new Date(Date.now() + ahead_ms).toISOString(); // when it was written, not when it gets through
      keep([...kept(), { to: form.dataset.to, body }]);
      done.textContent = form.dataset.kept;
      stopCorrecting(form);
    }
  });

  document.addEventListener("input", ({ target }) => {
    if (target.name !== "confirmed" && target.form?.matches(".entering")) unask(target.form);
  });

  // What was saved just now can be undone at once.
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
      const { ok, told } = await post(button.dataset.to, { event: "withdrawal", corrects: Number(number) });
      if (ok) {
        sessionStorage.setItem("saved", JSON.stringify({ text }));
        location.reload();
        return;
      }
      why = `${told.error}. ${told.remedy ?? ""}`;
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
