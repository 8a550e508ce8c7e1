// The sheets Alerts and Preferences: acknowledging several alerts at once, and the site that is shown.
import { post, showProblem } from "./page.js";

const bulk = document.getElementById("bulk");
const bar = bulk?.querySelector(".bulk-bar");
if (bar) {
  const boxes = [...bulk.querySelectorAll('input[name="alert"]')], all = document.getElementById("pick-all");
  const button = bar.querySelector("button");
  const update = () => {
    const n = boxes.filter((box) => box.checked).length;
    bar.hidden = n === 0;
    button.textContent = bulk.dataset.count.replace("%n", n);
    all.checked = n === boxes.length;
    all.indeterminate = n > 0 && n < boxes.length;
  };
  const pickAll = () => { for (const box of boxes) box.checked = all.checked; };
  all.addEventListener("change", pickAll);
  bulk.addEventListener("change", update);
  if (all.checked) pickAll(); // ticked before this script ran
  update();
  bulk.addEventListener("submit", async (event) => {
    event.preventDefault();
    const alerts = boxes.filter((box) => box.checked).map((box) => ({ site: box.dataset.site, id: box.value }));
    button.disabled = true;
    try {
      const { ok, answer } = await post("/api/v1/alerts/acknowledge", { alerts, comment: bulk.elements.comment.value });
      if (ok) return location.reload();
      showProblem(bulk, answer);
    } catch {
      showProblem(bulk, { error: document.body.dataset.unsent });
    }
    button.disabled = false;
  });
}

for (const picker of document.querySelectorAll("[data-choose-site]")) {
  picker.addEventListener("change", () => {
    const age = picker.value ? 31_536_000 : 0;
    document.cookie = `strikewatch_site=${encodeURIComponent(picker.value)}; path=/; max-age=${age}; samesite=strict`;
    location.href = location.pathname;
  });
}
