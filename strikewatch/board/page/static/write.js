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
    const done = form.querySelector(".done");
    done.textContent = "";
    try {
      const { ok, told } = await post(form.dataset.to, body);
      if (!ok) return say(form, told);
      if (form.dataset.mends) setAside(kept(REFUSED).filter((_, k) => k !== Number(form.dataset.mends)));
      sessionStorage.setItem("said", form.dataset.sent);
      location.reload();
    } catch {
      body.time ??= new Date(Date.now() + ahead_ms).toISOString(); // when it was written, not when it gets through
      keep([...kept(), { to: form.dataset.to, body }]);
      done.textContent = form.dataset.kept;
      form.reset();
    }
  });

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-correct]");
    if (!button) return;
    const form = formOf(button.dataset.event);
    if (!form) return;
    form.dataset.corrects = button.dataset.correct;
    for (const hint of form.querySelectorAll("[data-correcting]")) hint.hidden = false;
    fill(form, JSON.parse(button.dataset.fields), button.dataset.time);
  });
}
