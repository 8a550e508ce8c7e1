// Entries: kept on this device until the server has them, in the order in which they were made.
import { ahead_ms } from "./now.js";

const SHELF = "entries";
const kept = () => JSON.parse(localStorage.getItem(SHELF) ?? "[]");

function keep(list) {
  localStorage.setItem(SHELF, JSON.stringify(list));
  const place = document.getElementById("kept");
  if (!place) return;
  place.hidden = list.length === 0;
  place.textContent = place.dataset.text.replace("%n", String(list.length));
}

export function keepEntries({ post, held, say }) {
  async function sendKept() {
    let list = kept();
    while (list.length) {
      const { to, body } = list[0];
      let got;
      try { got = await post(to, body); } catch { break; }
      if (got.status === 401 || got.status === 403 || got.status >= 500) break;
      list = list.slice(1);
      if (!got.ok) list = list.length ? list : [];
      keep(list);
    }
    keep(list);
  }
  keep(kept());
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
    const form = document.querySelector(`.entering[data-event="${button.dataset.event}"]`);
    if (!form) return;
    form.dataset.corrects = button.dataset.correct;
    for (const hint of form.querySelectorAll("[data-correcting]")) hint.hidden = false;
    form.elements.time.value = button.dataset.time;
    for (const [name, value] of Object.entries(JSON.parse(button.dataset.fields))) {
      const fields = form.elements[name];
      if (!fields) continue;
      if (Array.isArray(value)) [...(fields.length ? fields : [fields])].forEach((one, k) => { one.value = value[k] ?? ""; });
      else if (fields.type === "checkbox") fields.checked = value; else fields.value = value;
    }
    form.closest("details").open = true;
    form.scrollIntoView();
    form.elements[0].focus();
  });
}
